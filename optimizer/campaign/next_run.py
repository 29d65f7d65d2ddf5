"""Where a campaign stands, and which run to make next: informative ones and bold ones, by what they do to the goal."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import zip_longest
from typing import Literal

import numpy as np

from models.column.programs import Program, batch_of
from models.units import SECONDS_PER_MINUTE
from optimizer.base.clock import ROUND, now, rounds_counted
from optimizer.campaign.pool import Pool, pool_of
from optimizer.campaign.worth import (
    FIRST_LOOK,
    LOOKED_AT_TWICE,
    SECOND_LOOK,
    Lookup,
    Thought,
    Worth,
    lookup_of,
)
from optimizer.goal.goal import Problem
from optimizer.goal.outcome import Candidate, SearchOutcome
from optimizer.methods.scout import AS_GOOD, LEADING, critical_pairs
from optimizer.methods.scout_programs import PossibleRun, ended, possible_runs, same_program
from optimizer.scenario.instrument_steps import snapped
from optimizer.search.found import FEASIBLE, Progress

SECONDS = 60.0  # of all of it, unless told otherwise
SEARCHING, LOOKING = 0.65, 0.85  # of that is over: the search for programs, and the first look at runs
WORTH = 0.02  # of the run time: an injection that saves less is not worth it
BOLD = 6  # programs that may be the method, proposed for a run
LEAST_CHANCE = 0.02  # of passing, below which a program is not bold but hopeless

Advice = Literal["run", "confirm", "done", "hopeless"]


@dataclass(frozen=True)
class Standing:
    """Where a campaign stands; times in s.

    Attributes
    ----------
    outcome : of the search, with the best program known
    advice : "run": make `proposed`, for what it is worth; "confirm": no run is worth it but the best program's own;
        "done": it was run already; "hopeless": nothing meets the goal and no run would change that
    proposed : the run to make; None where there is none
    worth : of the possible runs, best first
    then_gain : what the run after the proposed one would be worth, as a share of the run time; nan where not asked
    looked_up : programs among which the best was looked up
    offset : run time of the best program less what is looked up in the pool without a further run; 0 where unknown
    """

    problem: Problem
    outcome: SearchOutcome
    advice: Advice
    proposed: PossibleRun | None
    worth: tuple[Worth, ...]
    then_gain: float
    looked_up: int
    offset: float = 0.0

    @property
    def best(self) -> Candidate | None:
        """The best program; None where none was found."""
        return self.outcome.candidates[0] if self.outcome.candidates else None

    @property
    def of_proposed(self) -> Worth | None:
        """What the proposed run is worth."""
        return next((each for each in self.worth if each.run is self.proposed), None)


def standing(
    problem: Problem,
    seconds: float | None = None,
    rounds: int | None = None,
    cores: int | None = None,
    progress: Progress | None = None,
    known: Sequence[Program] = (),
) -> Standing:
    """Search, then weigh the runs that may come next.

    Parameters
    ----------
    seconds, rounds : budget [s], or in rounds of the searches
    known : programs that a search begins from
    """
    if rounds is not None:
        with rounds_counted():
            return _standing(problem, ROUND * rounds / SEARCHING, cores, progress, known)
    return _standing(problem, SECONDS if seconds is None else seconds, cores, progress, known)


def _standing(
    problem: Problem, seconds: float, cores: int | None, progress: Progress | None, known: Sequence[Program]
) -> Standing:
    began = now()
    looking, until = began + LOOKING * seconds, began + seconds

    def searching(share: float, text: str) -> None:
        if progress is not None:
            progress(SEARCHING * share, text)

    pool = pool_of(problem, SEARCHING * seconds, cores, searching, known)
    lookup = lookup_of(problem, pool.programs)
    runs = [] if lookup is None or pool.interrupted else _possible(problem, pool, lookup)
    if lookup is None or not runs:
        return Standing(problem, pool.outcome, _without_runs(problem, pool.outcome), None, (), np.nan, 0)
    if progress is not None:
        progress(SEARCHING, f"weighing {len(runs)} possible runs")
    seed = problem.scenario.search.seed
    thought = Thought(lookup, FIRST_LOOK, seed + 1)
    first = []
    for run in runs:
        first.append(thought.worth(run))
        if now() > looking and len(first) >= LOOKED_AT_TWICE:
            break
        if progress is not None:
            progress(SEARCHING + 0.15 * len(first) / len(runs), f"weighing {run.name}")
    first.sort(key=lambda each: each.loss)
    # Others outcomes: what came first by chance does not profit from it.
    thought = Thought(lookup, SECOND_LOOK, seed + 2)
    second = []
    for each in first[:LOOKED_AT_TWICE]:
        if progress is not None:
            progress(0.92, f"weighing {each.run.name} again")
        second.append((thought.after((each.run.program,)), each.run))
        if now() > until:
            break
    twice = [thought.held_against(run, after, thought.before) for after, run in second]
    twice.sort(key=lambda each: each.loss)
    best = _suggested(twice)
    worth = (*twice, *first[len(twice) :])
    before = thought.before.cost
    met = before[np.isfinite(before)]
    candidate = pool.outcome.candidates[0] if pool.outcome.feasible else None
    offset = 0.0
    if candidate is not None and len(met):
        offset = float(candidate.prediction.run_time - np.median(met))
    if best is None:
        advice = _without_runs(problem, pool.outcome)
        own = _confirming(candidate) if advice == "confirm" else None
        return Standing(problem, pool.outcome, advice, own, worth, np.nan, len(lookup.programs), offset)
    after = next(times for times, run in second if run is best.run)
    then = [
        thought.held_against(each.run, thought.after((best.run.program, each.run.program)), after)
        for each in twice
        if each.run is not best.run and now() <= until
    ]
    gain = max((each.gain for each in then), default=np.nan)
    return Standing(problem, pool.outcome, "run", best.run, worth, gain, len(lookup.programs), offset)


def _suggested(worth: Sequence[Worth]) -> Worth | None:
    """Of the runs worth nearly as much as the best a candidate, which it confirms as well, or else the shortest.

    None where none is worth it.
    """
    most = max(each.gain for each in worth)
    if most < WORTH:
        return None
    good = [each for each in worth if each.gain >= AS_GOOD * most]
    return min(good, key=lambda each: (each.run.kind != "candidate", each.run.program.oven.duration))


def _without_runs(problem: Problem, outcome: SearchOutcome) -> Advice:
    """What is left to do where no run is worth it for what it teaches."""
    if not outcome.feasible:
        return "hopeless"
    return "done" if _made(problem, outcome.candidates[0].prediction.program) else "confirm"


def _confirming(candidate: Candidate | None) -> PossibleRun | None:
    if candidate is None:
        return None
    return PossibleRun(
        _named("best program", candidate.prediction.program), "candidate", candidate.prediction.program
    )


def _made(problem: Problem, program: Program) -> bool:
    """Whether a program was run already."""
    return any(same_program(problem.scenario, program, run.program) for run in problem.scenario.runs)


def _possible(problem: Problem, pool: Pool, lookup: Lookup) -> list[PossibleRun]:
    """Runs that teach, the best program, and bold ones; none that was made."""
    candidates = pool.outcome.candidates[:LEADING]
    compounds: set[int] = set()
    for each in candidates:
        pairs, _ = critical_pairs(problem, each.prediction, each.rank)
        compounds |= {m for pair in pairs for m in (pair.a, pair.b)}
    leading = {each.rank: each.prediction.program for each in candidates}
    runs = possible_runs(problem, leading, sorted(compounds))
    best = pool.outcome.candidates[0].prediction.run_time if pool.outcome.feasible else None
    bold: list[PossibleRun] = []
    for program in _bold(problem, lookup, best):
        if any(same_program(problem.scenario, program, run.program) for run in runs):
            continue
        bold.append(PossibleRun(_named("bold program", program), "bold", program))
    # In turn, so that a look that time ends has seen some of each kind.
    own = [run for run in runs if run.kind == "candidate"]
    others = [run for run in runs if run.kind != "candidate"]
    in_turn = [run for pair in zip_longest(bold, others) for run in pair if run is not None]
    return [*own, *in_turn]


def _named(what: str, program: Program) -> str:
    return f"{what} of {program.oven.duration / SECONDS_PER_MINUTE:.1f} min"


def _bold(problem: Problem, lookup: Lookup, best: float | None) -> list[Program]:
    """Programs by what they would save if they hold, times how probably they do; where nothing holds, by that alone."""
    slowest = lookup.none if best is None else best
    value = lookup.chance * np.maximum(slowest - lookup.cost, 0.0) * (lookup.chance >= LEAST_CHANCE)
    found: list[Program] = []
    for n in np.argsort(-value, kind="stable"):
        if value[n] <= 0 or len(found) == BOLD:
            break
        program = ended(problem, snapped(problem.scenario, lookup.programs[n]))
        if program is None or _made(problem, program):
            continue
        if any(same_program(problem.scenario, program, each) for each in found):
            continue
        assessment = problem.assess(batch_of([program]))
        if problem.equipment_margin(assessment)[0] >= FEASIBLE:
            found.append(program)
    return found
