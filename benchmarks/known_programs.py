"""The best known programs of the problems that the search is held against, kept in BEST.

The best of a problem is the best that anything ever found, the search included; it is judged again with the draws and
the engine of today whenever it is used.
"""

from __future__ import annotations

import json
import os
import time
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np

from benchmarks.fitted_problems import Case, fitted
from benchmarks.judge import Judge, Judged, Member, judged_programs, reachable
from models.column.programs import Array, ProgramBatch
from optimizer.goal.goal import Problem
from optimizer.search.found import FEASIBLE
from optimizer.search.program_space import Family, families_of

BEST = Path(__file__).with_name("best_known.json")
MOST_NEEDED = 1.5  # resolution asked for, at most, where a goal is to be easy


@dataclass(frozen=True)
class Known:
    """The best known program of a problem.

    Attributes
    ----------
    value : float, its cost [s]; of the largest resolution, that
    by : who found it
    judged : float  [s], processor time that the judge has spent on the problem
    program : corners of oven and carrier, as in a batch of one, and the carrier variable
    family, values : its family as (ramps, carrier variable, carrier ramps), and set values there, if it has them
    """

    value: float
    by: str
    judged: float
    program: dict[str, Any]
    family: tuple[int, str, int] | None = None
    values: tuple[float, ...] | None = None

    @property
    def batch(self) -> ProgramBatch:
        """The program."""
        arrays = {key: np.array([value]) for key, value in self.program.items() if key != "controlled"}
        return ProgramBatch(self.program["controlled"], **arrays)

    def start(self, problem: Problem) -> tuple[tuple[Family, Array], ...]:
        """The program as a start for the judge."""
        for family in families_of(problem.scenario):
            if self.values and (family.ramps, family.controlled, family.carrier_ramps) == tuple(
                self.family or ()
            ):
                return ((family, np.array(self.values)),)
        return ()


def corners(batch: ProgramBatch) -> dict[str, Any]:
    """The corners of a batch of one program, to be kept."""
    rows = {key: value[0].tolist() for key, value in vars(batch).items() if isinstance(value, np.ndarray)}
    return {"controlled": batch.controlled, **rows}


def best_known() -> dict[str, Known]:
    """All that is known, by problem."""
    if not BEST.exists():
        return {}
    return {key: Known(**each) for key, each in json.loads(BEST.read_text(encoding="utf-8")).items()}


def keep(key: str, found: Known, larger: bool = False) -> None:
    """Note what was found: the better program, and the judge's time on top of what it has spent."""
    known = best_known()
    old = known.get(key)
    if old is not None:
        better = found.value > old.value if larger else found.value < old.value
        best = found if better else old
        found = Known(best.value, best.by, old.judged + found.judged, best.program, best.family, best.values)
    known[key] = found
    text = json.dumps({name: asdict(known[name]) for name in sorted(known)}, indent=1)
    unfinished = BEST.with_suffix(f".{os.getpid()}.part")
    unfinished.write_text(text + "\n", encoding="utf-8")
    unfinished.replace(BEST)


def of_member(member: Member, value: float, by: str, seconds: float) -> Known:
    """A program of a family, to be kept."""
    family, values = member.family, member.family.values(member.z)
    kind = (family.ramps, family.controlled, family.carrier_ramps)
    return Known(value, by, seconds, corners(family.batch(values[None])), kind, tuple(map(float, values)))


def reach_key(case: Case) -> str:
    """Under which the largest resolution of a case is kept."""
    return f"{case.name}, largest resolution"


def needed_of(case: Case) -> float:
    """What is asked of a case, from the largest resolution known."""
    asked = case.share * best_known()[reach_key(case)].value
    return round(min(asked, MOST_NEEDED) if case.share < 0.9 else asked, 3)


@dataclass(frozen=True)
class Yardstick:
    """A problem that is ready, with the cost of its best known program [s], infinite where none is known."""

    case: Case
    problem: Problem
    key: str
    known: Known | None

    @property
    def cost(self) -> float:
        """Cost [s] of the best known program as judged today; infinite where none meets the goal."""
        if self.known is None:
            return np.inf
        found = judged_programs(self.problem, self.known.batch)
        return float(found.cost[0]) if found.margin[0] >= FEASIBLE else np.inf


def yardstick(case: Case) -> Yardstick:
    """The problem of a case with what is known about it."""
    needed = needed_of(case)
    key = f"{case.name}, {needed:g}"
    return Yardstick(case, fitted(case, needed), key, best_known().get(key))


def judge(case: Case, seconds: float) -> None:
    """Let the judge look for the shortest program, and before for the largest resolution, and keep what is better.

    Until it has spent as much processor time [s] on that program; the largest resolution takes a third of it, at most
    once, since what is asked for hangs on it.
    """
    seed = int(time.time())
    if reach_key(case) not in best_known():
        began = time.process_time()
        value, member = reachable(fitted(case, 1.0), seconds / 3, seed)
        keep(reach_key(case), of_member(member, value, "judge", time.process_time() - began), larger=True)
        print(f"{case.name}: largest resolution {value:.4f}", flush=True)
    now = yardstick(case)
    spent = 0.0 if now.known is None else now.known.judged
    if not case.possible or spent >= seconds:
        return
    began = time.process_time()
    # Every second time it goes on from what is known; else what it finds is a check of that.
    starts = () if now.known is None or seed % 2 else now.known.start(now.problem)
    member = Judge(now.problem, seed=seed).run(seconds - spent, starts)
    cost = cost_of(judged_programs(now.problem, member.family.batch(member.family.values(member.z[None]))))
    if np.isfinite(cost):
        keep(now.key, of_member(member, cost, "judge", time.process_time() - began))
    print(f"{now.key}: judge {cost / 60:.4f} min, known before {now.cost / 60:.4f} min", flush=True)


def cost_of(judged: Judged) -> float:
    """Cost [s] of a single program, infinite where it does not meet the goal."""
    return float(judged.cost[0]) if judged.margin[0] >= FEASIBLE else np.inf
