"""The search against an independent judge: how far from the best known program it ends within a budget.

`python -m benchmarks.optimality --help` tells how to look at single problems and how to let the judge look longer.
"""

from __future__ import annotations

import argparse
import json
import resource
import time
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from benchmarks.fitted_problems import CASES, CONFIDENCE, TIGHT, Case
from benchmarks.hand_edits import best_edit, meets
from benchmarks.judge import Member, judged_programs
from benchmarks.known_programs import (
    Yardstick,
    batch_at,
    best_known,
    judge,
    needed_of,
    reach_key,
    yardstick,
)
from benchmarks.shares import share, share_by_group
from models.column.programs import Array, Program
from optimizer.goal.goal import Problem
from optimizer.search.candidates import outcome_of
from optimizer.search.islands import search
from optimizer.search.program_space import Family, families_of

BUDGET = 40.0  # s of the processor for a search
SEEDS, SAMPLE_SEEDS, FIRST_SEED = 3, 2, 101
JUDGING, SAMPLE_JUDGING = 60.0, 20.0  # s of the processor that the judge spends on a problem, in all
EDITED = 10  # programs edited by hand, at most
EDIT_MARK = 0.01  # share by which an edit may be shorter
# Of groups of problems: the gap to the best known within which a run is to end, and the share of runs that is to.
MARKS = {
    "up to 23 compounds, nominal": (0.005, 0.95),
    "up to 23 compounds, robust": (0.005, 0.95),
    "30 to 60 compounds": (0.01, 0.9),
    "80 compounds": (0.02, 0.9),
    "carrier ramps": (0.01, 0.95),
}
TIGHT_ONES = "0.97 of the largest resolution"
WANTED_FEASIBLE = 0.9  # of their runs


@dataclass(frozen=True)
class Found:
    """What the search under test found.

    Attributes
    ----------
    best : Member or None, its best program before rounding; the key is the cost [s] that it states
    claimed : bool, whether it says that this one meets the goal
    rounded : Program or None, its first candidate; None if not asked for, or none meets the goal
    rounded_cost : float  [s], of that one as stated
    seconds, rounding : float  [s], processor time of the search, and of rounding
    """

    best: Member | None
    claimed: bool
    rounded: Program | None
    rounded_cost: float
    seconds: float
    rounding: float


def processor() -> float:
    """Processor time [s] of this process and of those it has waited for."""
    children = resource.getrusage(resource.RUSAGE_CHILDREN)
    return time.process_time() + children.ru_utime + children.ru_stime


def found_by_search(
    problem: Problem, families: list[Family], seconds: float, seed: int, rounding: bool
) -> Found:
    """What `optimize` does: search within a processor time [s], then round. The only place that knows how."""
    began = processor()
    searched = search(problem, families, seconds, seed, clock=time.process_time)
    ended = processor()
    best = next(iter(searched.all()), None)
    member = None if best is None else Member(best.family, best.descent.z, best.descent.cost)
    claimed = best is not None and best.feasible
    rounded, cost = None, np.inf
    if rounding:
        outcome = outcome_of(problem, searched)
        if outcome.feasible:
            first = outcome.candidates[0].prediction
            rounded, cost = first.program, first.run_time
    return Found(member, claimed, rounded, cost, ended - began, processor() - ended)


@dataclass(frozen=True)
class Run:
    """One search, its programs judged as all others are; costs [s], infinite where the goal is not met.

    Attributes
    ----------
    cost : before rounding
    margin : the smallest of that program, whether it meets the goal or not
    claimed : whether the search says that it does
    rounded : as it would be typed in
    seconds, rounding : processor time
    gain : by what share the best hand edit is shorter than the rounded program; nan where none was tried
    edit : that edit in words
    """

    cost: float
    margin: float
    claimed: bool
    rounded: float
    seconds: float
    rounding: float
    gain: float = np.nan
    edit: str = ""


def measured(now: Yardstick, seconds: float, seed: int, rounding: bool = True, edited: bool = False) -> Run:
    """A search with a seed; a program better than the best known is kept."""
    problem = now.problem
    found = found_by_search(problem, families_of(problem.scenario), seconds, seed, rounding)
    cost, margin = np.inf, -np.inf
    if found.best is not None:
        cost = now.keep(found.best, "search")
        margin = float(judged_programs(problem, batch_at(found.best)).margin[0])
    run = Run(cost, margin, found.claimed, np.inf, found.seconds, found.rounding)
    if found.rounded is not None and meets(problem, found.rounded):
        run = replace(run, rounded=found.rounded_cost)
        if edited:
            edit = best_edit(problem, found.rounded, found.rounded_cost)
            run = replace(run, gain=edit.gain, edit=f"{edit.move}; {edit.tried} tried")
    return run


def line(now: Yardstick, seed: int, run: Run) -> str:
    """A run in a line."""
    best = now.cost
    parts = [
        f"{now.key:36s} seed {seed:3d}",
        f"found {run.cost / 60:9.4f} min",
        f"best known {best / 60:9.4f} min",
        f"gap {100 * gap(run.cost, best):7.2f} %",
        "feasible" if np.isfinite(run.cost) else f"NOT feasible, margin {run.margin:+.4f}",
        f"{run.seconds:6.1f} s",
    ]
    if run.rounding > 0.01:
        rounded = f"rounded {run.rounded / 60:8.3f} min, gap {100 * gap(run.rounded, best):6.2f} %"
        parts.append(f"{rounded}, {run.rounding:5.1f} s")
    if run.edit:
        parts.append(f"best edit {100 * run.gain:.2f} %: {run.edit}")
    return " | ".join(parts)


def gap(cost: float, best: float) -> float:
    """How far a cost is above the best known, relative; infinite without one."""
    return cost / best - 1 if np.isfinite(cost) else np.inf


def group_of(case: Case) -> str:
    """The group of problems that the gaps of a case count in, one of MARKS but for the tight ones."""
    if case.share >= TIGHT:
        return TIGHT_ONES
    if len(case.modes) > 1:
        return "carrier ramps"
    if case.compounds < 30:
        return f"up to 23 compounds, {'robust' if case.robust else 'nominal'}"
    return "30 to 60 compounds" if case.compounds < 80 else "80 compounds"


class Record:
    """Runs that are done, one a line of a file, so that a section that was stopped goes on."""

    def __init__(self, path: Path) -> None:
        self.path = path
        lines = path.read_text(encoding="utf-8").splitlines() if path.exists() else []
        self.done = {(each.pop("key"), each.pop("seed")): Run(**each) for each in map(json.loads, lines)}

    def run(self, now: Yardstick, seconds: float, seed: int, edited: bool) -> Run:
        """A run, made now unless it is done."""
        at = f"{now.key}, {seconds:g} s", seed
        if at not in self.done:
            self.done[at] = measured(now, seconds, seed, edited=edited)
            row = {"key": at[0], "seed": seed, **asdict(self.done[at])}
            self.path.parent.mkdir(parents=True, exist_ok=True)
            with self.path.open("a", encoding="utf-8") as file:
                file.write(json.dumps(row) + "\n")
            print(line(now, seed, self.done[at]), flush=True)
        return self.done[at]


def run(sample: bool) -> str:
    """A section of benchmarks/RESULTS.md."""
    from benchmarks.run import STATE, state_of_tree  # which imports this

    record = Record(STATE / state_of_tree() / f"optimality {'sample' if sample else 'whole'}.jsonl")
    seeds, judging = (SAMPLE_SEEDS, SAMPLE_JUDGING) if sample else (SEEDS, JUDGING)
    runs: dict[Case, list[Run]] = {}
    edits = 0
    for case in [case for case in CASES if case.quick or not sample]:
        judge(case, judging)
        now = yardstick(case)
        seconds = BUDGET * (3 if case.compounds >= 80 else 1)
        runs[case] = []
        for seed in range(FIRST_SEED, FIRST_SEED + seeds):
            edited = case.possible and seed == FIRST_SEED and edits < EDITED
            runs[case].append(record.run(now, seconds, seed, edited))
            edits += int(np.isfinite(runs[case][-1].gain))
    return "\n".join(report(runs)) + "\n"


def report(runs: Mapping[Case, Sequence[Run]]) -> list[str]:
    """The section's lines."""
    rows: list[str] = []
    gaps: dict[str, list[Array]] = {}
    feasible: list[NDArray[np.bool_]] = []
    refused: list[NDArray[np.bool_]] = []
    reached: list[float] = []
    for case, each in runs.items():
        if not case.possible:
            refused.append(np.array([not run.claimed for run in each]))
            reach = best_known()[reach_key(case)].value
            reached += [(1 + run.margin) * needed_of(case) / reach for run in each]
            continue
        costs, rounded = (np.array([getattr(run, name) for run in each]) for name in ("cost", "rounded"))
        best = min(yardstick(case).cost, float(costs.min()))
        found, as_typed = (np.array([gap(cost, best) for cost in some]) for some in (costs, rounded))
        gaps.setdefault(group_of(case), []).append(found)
        if case.share == TIGHT:
            feasible.append(np.isfinite(costs))
        rows.append(
            f"| {case.name} | {needed_of(case):g} | {best / 60:.3f} | {np.isfinite(costs).sum()} of {len(each)} "
            f"| {_percent(np.median(found))} | {_percent(found.max())} | {_percent(np.median(as_typed))} |"
        )
    lines = [
        "## Optimality of the search",
        "",
        f"{len(runs)} problems of fitted mixtures, the robust ones at {100 * CONFIDENCE:.0f} % required probability; "
        f"{BUDGET:g} s of the processor a search (80 compounds: thrice that), {len(next(iter(runs.values())))} seeds. "
        "The best known program is the best that any search or the differential evolution of this benchmark ever "
        "found. Rounded programs end on the instrument's clock; their gap is to the unrounded best.",
        "",
        "| problem | Rs asked | best known, min | meets the goal | median gap | largest gap | median gap, rounded |",
        "|---|---|---|---|---|---|---|",
        *rows,
        "",
        "| problems | mark | share of runs | runs | wanted | |",
        "|---|---|---|---|---|---|",
    ]
    for group, (within, wanted) in MARKS.items():
        if group in gaps:
            near = [each <= within for each in gaps[group]]
            lines.append(_mark(group, f"gap up to {100 * within:g} %", near, wanted))
    if feasible:
        lines.append(_mark(TIGHT_ONES, "meets the goal", feasible, WANTED_FEASIBLE))
    if refused:
        lines.append(_mark("asked for more than can be met", "says so", refused, 1.0))
    lines += ["", "Intervals are those of problems drawn anew."]
    if reached:
        lines.append(
            "Where more is asked for than can be met, the closest programs have "
            f"{100 * min(reached):.1f} to {100 * max(reached):.1f} % of the largest resolution known."
        )
    edited = [each for some in runs.values() for each in some if np.isfinite(each.gain)]
    if edited:
        worst = max(edited, key=lambda each: each.gain)
        good = share(sum(each.gain <= EDIT_MARK for each in edited), len(edited))
        lines += [
            "",
            f"{len(edited)} rounded programs edited by hand, by all single moves of five sizes and all pairs, on "
            f"the instrument's steps: not beaten by more than {100 * EDIT_MARK:g} %: {good}; largest gain "
            f"{100 * worst.gain:.2f} % ({worst.edit}).",
        ]
    print("\n".join(lines), flush=True)
    return lines


def _percent(gap: float) -> str:
    return f"{100 * gap:.2f} %" if np.isfinite(gap) else "-"


def _mark(group: str, mark: str, found: list[NDArray[np.bool_]], wanted: float) -> str:
    """A row of the table of marks."""
    each = np.concatenate(found)
    verdict = "met" if each.mean() >= wanted else "missed"
    return f"| {group} | {mark} | {share_by_group(found)} | {each.size} | {100 * wanted:g} % | {verdict} |"


def main(arguments: Sequence[str] | None = None) -> None:
    """Look at single problems, or judge them."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--list", action="store_true", help="name the problems and what is known of them")
    parser.add_argument("--quick", action="store_true", help="search, one line a run")
    parser.add_argument("--judge", action="store_true", help="let the judge look for better programs")
    parser.add_argument(
        "--problems", default="", help="names with commas between; those of the sample if not given"
    )
    parser.add_argument("--all", action="store_true", help="all problems")
    parser.add_argument("--seconds", type=float, default=20.0, help="processor time of a search")
    parser.add_argument("--runs", type=int, default=2, help="seeds of a problem")
    parser.add_argument("--first-seed", type=int, default=101)
    parser.add_argument("--rounded", action="store_true", help="round as well, as `optimize` does")
    parser.add_argument("--edited", action="store_true", help="round, and edit the program by hand")
    parser.add_argument("--judging", type=float, default=JUDGING, help="processor time of the judge, in all")
    asked = parser.parse_args(arguments)
    names = [name for name in asked.problems.split(",") if name]
    known = {case.name: case for case in CASES}
    for name in names:
        if name not in known:
            parser.error(f"no problem {name!r}: {', '.join(known)}")
    cases = [known[name] for name in names] or [case for case in CASES if case.quick or asked.all]
    for case in cases:
        if asked.judge:
            judge(case, asked.judging)
            continue
        if reach_key(case) not in best_known():
            print(f"{case.name:36s} not judged yet: --judge", flush=True)
            continue
        now = yardstick(case)
        if asked.list:
            print(
                f"{now.key:32s} best known {now.cost / 60:9.4f} min, judge {now.known.judged if now.known else 0:.0f} s"
            )
            continue
        for seed in range(asked.first_seed, asked.first_seed + asked.runs):
            found = measured(now, asked.seconds, seed, asked.rounded or asked.edited, asked.edited)
            print(line(now, seed, found), flush=True)


if __name__ == "__main__":
    main()
