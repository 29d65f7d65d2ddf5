"""The best known programs of the problems that the search is held against, kept in BEST.

The best of a problem is the best that anything ever found, the search included; it is judged again with the draws and
the engine of today whenever it is used.
"""

from __future__ import annotations

import json
import os
import time
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from benchmarks.fitted_problems import Case, fitted
from benchmarks.judge import Judge, Member, judged_programs, reachable
from models.column.programs import ProgramBatch
from optimizer.goal.goal import Problem
from optimizer.goal.uncertainty import simulated_margins
from optimizer.search.found import FEASIBLE
from optimizer.search.program_space import families_of

BEST = Path(__file__).with_name("best_known.json")
MOST_NEEDED = 1.5  # resolution asked for, at most, where a goal is to be easy


@dataclass(frozen=True)
class Known:
    """The best known program of a problem.

    Attributes
    ----------
    value : float, its cost [s] when it was found; of the largest resolution, that
    by : who found it
    judged : float  [s], processor time that the judge has spent on the problem
    program : corners of oven and carrier, as in a batch of one, and the carrier variable
    """

    value: float
    by: str
    judged: float
    program: dict[str, Any]

    @property
    def batch(self) -> ProgramBatch:
        """The program."""
        arrays = {key: np.array([value]) for key, value in self.program.items() if key != "controlled"}
        return ProgramBatch(self.program["controlled"], **arrays)


def corners(member: Member) -> dict[str, Any]:
    """The corners of a program, to be kept."""
    batch = batch_at(member)
    rows = {key: value[0].tolist() for key, value in vars(batch).items() if isinstance(value, np.ndarray)}
    return {"controlled": batch.controlled, **rows}


def batch_at(member: Member) -> ProgramBatch:
    """The program of a member."""
    return member.family.batch(member.family.values(member.z[None]))


def member_of(problem: Problem, batch: ProgramBatch) -> Member | None:
    """A program (a batch of one) in the family that has as many ramps; None where the scenario allows none of them."""
    times, temperatures = batch.oven_times[0], batch.oven_temperatures[0]
    carrier_times, carrier = batch.carrier_times[0], batch.carrier_values[0]
    ramps, carrier_ramps = len(times) // 2 - 1, len(carrier) // 2
    for family in families_of(problem.scenario):
        if (family.ramps, family.controlled, family.carrier_ramps) == (
            ramps,
            batch.controlled,
            carrier_ramps,
        ):
            rises, holds = np.diff(times)[1::2], np.diff(times)[0::2]
            oven = [temperatures[0], holds[0]] if ramps else [temperatures[0]]
            for i in range(ramps):
                rise = temperatures[2 * i + 2] - temperatures[2 * i + 1]
                rate = rise / rises[i] if rise > 0 else family.high[2 + 3 * i]
                oven += [rate, temperatures[2 * i + 2], holds[i + 1]]
            values = [*oven[: family.carrier_at], carrier[0]]
            for i in range(carrier_ramps):
                hold, taken = np.diff(carrier_times)[2 * i : 2 * i + 2]
                change = abs(carrier[2 * i + 2] - carrier[2 * i])
                rate = change / taken if change > 0 else family.high[family.carrier_at + 2 + 3 * i]
                values += [hold, rate, carrier[2 * i + 2]]
            return Member(family, family.points(np.array(values)), np.inf)
    return None


def best_known() -> dict[str, Known]:
    """All that is known, by problem."""
    if not BEST.exists():
        return {}
    return {key: Known(**each) for key, each in json.loads(BEST.read_text(encoding="utf-8")).items()}


def note(key: str, found: Known) -> None:
    """Write down what is known of a problem."""
    known = best_known() | {key: found}
    text = json.dumps({name: asdict(known[name]) for name in sorted(known)}, indent=1)
    unfinished = BEST.with_suffix(f".{os.getpid()}.part")
    unfinished.write_text(text + "\n", encoding="utf-8")
    unfinished.replace(BEST)


def reach_key(case: Case) -> str:
    """Under which the largest resolution of a case is kept."""
    return f"{case.name}, largest resolution"


def needed_of(case: Case) -> float:
    """What is asked of a case, from the largest resolution known."""
    asked = case.share * best_known()[reach_key(case)].value
    return round(min(asked, MOST_NEEDED) if case.share < 0.9 else asked, 3)


@dataclass(frozen=True)
class Yardstick:
    """A problem that is ready, and what is known about it."""

    case: Case
    problem: Problem
    key: str

    @property
    def known(self) -> Known | None:
        """The best known program."""
        return best_known().get(self.key)

    @property
    def cost(self) -> float:
        """Cost [s] of the best known program as judged today; infinite where none meets the goal."""
        known = self.known
        return np.inf if known is None else cost_of(self.problem, known.batch)

    def keep(self, member: Member, by: str, seconds: float = 0.0) -> float:
        """Cost [s] of a program, which is kept if it is the best; `seconds` are what the judge took to find it."""
        cost, known = cost_of(self.problem, batch_at(member)), self.known
        spent = seconds + (0.0 if known is None else known.judged)
        if cost < self.cost:
            note(self.key, Known(cost, by, spent, corners(member)))
        elif known is not None:
            note(self.key, replace(known, judged=spent))
        return cost


def yardstick(case: Case) -> Yardstick:
    """The problem of a case; a best known program that misses the goal since the engine changed is polished again."""
    needed = needed_of(case)
    now = Yardstick(case, fitted(case, needed), f"{case.name}, {needed:g}")
    if now.known is not None and not np.isfinite(now.cost):
        member = member_of(now.problem, now.known.batch)
        if member is not None:
            now.keep(Judge(now.problem).polished(member.family, member.z), now.known.by)
    return now


def judge(case: Case, seconds: float) -> None:
    """Let the judge look for the shortest program, and before for the largest resolution, and keep what is better.

    Until it has spent as much processor time [s] on that program; the largest resolution takes a third of it, at most
    once, since what is asked for hangs on it.
    """
    seed = int(time.time())
    if reach_key(case) not in best_known():
        began = time.process_time()
        value, member = reachable(fitted(case, 1.0), seconds / 3, seed)
        note(reach_key(case), Known(value, "judge", time.process_time() - began, corners(member)))
        print(f"{case.name}: largest resolution {value:.4f}", flush=True)
    now = yardstick(case)
    known, before = now.known, now.cost
    spent = 0.0 if known is None else known.judged
    if not case.possible or spent >= seconds:
        return
    began = time.process_time()
    # Every second time it goes on from what is known; else what it finds is a check of that.
    start = None if known is None or seed % 2 else member_of(now.problem, known.batch)
    member = Judge(now.problem, seed=seed).run(seconds - spent, start)
    cost = now.keep(member, "judge", time.process_time() - began)
    print(f"{now.key}: judge {cost / 60:.4f} min, known before {before / 60:.4f} min", flush=True)


def cost_of(problem: Problem, batch: ProgramBatch) -> float:
    """Cost [s] of a single program, infinite where it misses the goal; by simulated draws, which flatter none."""
    judged = judged_programs(problem, batch)
    meets = bool(judged.margin[0] >= FEASIBLE)
    if meets and problem.by_draws:
        simulated = simulated_margins(problem, batch, problem.assess(batch, "polish"))
        meets = bool(simulated.margin[0] >= FEASIBLE)
    return float(judged.cost[0]) if meets else np.inf
