"""Where a campaign stands, and which run to make next: informative ones and bold ones, by what they do to the goal."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import zip_longest
from typing import Literal

import numpy as np

from models.column.programs import Program, batch_of
from models.units import SECONDS_PER_MINUTE
from optimizer.base.clock import ROUND, Progress, now, rounds_counted
from optimizer.campaign.pool import pool_of
from optimizer.campaign.worth import (
    FIRST_LOOK,
    LOOKED_AT_TWICE,
    SECOND_LOOK,
    Lookup,
    Outcomes,
    Thought,
    Worth,
    lookup_of,
)
from optimizer.goal.asides import WORTH, worth_it
from optimizer.goal.goal import Problem
from optimizer.goal.outcome import Candidate, SearchOutcome
from optimizer.goal.predict import predict
from optimizer.goal.uncertainty import with_uncertainty
from optimizer.methods.scout import LEADING, leading_pairs
from optimizer.methods.scout_programs import PossibleRun, ended, possible_runs, same_program
from optimizer.methods.workflow import refuse_unsound
from optimizer.scenario.instrument_steps import snapped
from optimizer.search.found import FEASIBLE
from optimizer.search.reasons import shortfalls

SECONDS = 60.0  # of all of it, unless told otherwise
SEARCHING, LOOKING = 0.65, 0.85  # of that is over: the search for programs, and the first look at runs
BOLD = 6  # programs that may be the method, proposed for a run
AS_GOOD = 0.8  # of the best run's gain, from which another is suggested for what else speaks for it
LEAST_CHANCE = 0.02  # of passing, below which a program is not bold but hopeless

Advice = Literal["run", "confirm", "done", "hopeless"]


@dataclass(frozen=True)
class Standing:
    """Where a campaign stands; times in s.

    Attributes
    ----------
    outcome : of the search, with the best program known
    advice : "run": make `proposed`, for what it is worth; "confirm": no run is worth it but the best program's own;
        "done": `made` was run already; "hopeless": nothing meets the goal and no run would change that
    proposed : the run to make; None where there is none
    worth : of the possible runs, best first
    then_gain : what the run after the proposed one would be worth, as a share of the run time; nan where not asked
    looked_up : programs among which the best was looked up
    offset : run time of the best program less what is looked up in the pool without a further run; 0 where unknown
    made : name of a run that was made with a program within `WORTH` of the best which meets the goal; "" without one
    """

    problem: Problem
    outcome: SearchOutcome
    advice: Advice
    proposed: PossibleRun | None
    worth: tuple[Worth, ...]
    then_gain: float
    looked_up: int
    offset: float = 0.0
    made: str = ""

    @property
    def best(self) -> Candidate | None:
        """The best program; None where none was found."""
        return self.outcome.candidates[0] if self.outcome.candidates else None

    def proposes(self, worth: Worth) -> bool:
        """Whether this is the run to make."""
        return worth.run == self.proposed

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
    refuse_unsound(seconds, rounds, cores)
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
    runs = [] if lookup is None or pool.interrupted else possible(problem, pool.outcome, lookup)
    if lookup is None or not runs:
        advice, made = _without_runs(problem, pool.outcome)
        return Standing(problem, pool.outcome, advice, None, (), np.nan, 0, made=made)

    def weighing(done: float, text: str) -> None:
        if progress is not None:
            progress(SEARCHING + (1 - SEARCHING) * done, text)

    found = weighed(lookup, runs, looking, until, weighing)
    twice = [worth for worth, _ in found.twice]
    best, looked_up = _suggested(twice), len(lookup.programs)
    offset = offset_of(pool.outcome, found.thought.before)
    if best is None:
        advice, made = _without_runs(problem, pool.outcome)
        own = _confirming(pool.outcome.candidates[0]) if advice == "confirm" else None
        return Standing(problem, pool.outcome, advice, own, found.worth, np.nan, looked_up, offset, made)
    after = next(times for worth, times in found.twice if worth is best)
    then = [
        found.thought.held_against(each.run, found.thought.after((best.run.program, each.run.program)), after)
        for each in twice
        if each is not best and now() <= until
    ]
    gain = max((each.gain for each in then), default=np.nan)
    return Standing(problem, pool.outcome, "run", best.run, found.worth, gain, looked_up, offset)


@dataclass(frozen=True)
class Weighed:
    """Runs weighed: the best of them twice.

    Attributes
    ----------
    thought : the second look's
    twice : what the best are worth, best first, each with what is looked up after it
    worth : of all runs
    """

    thought: Thought
    twice: tuple[tuple[Worth, Outcomes], ...]
    worth: tuple[Worth, ...]


def weighed(
    lookup: Lookup,
    runs: Sequence[PossibleRun],
    looking: float,
    until: float,
    progress: Progress | None = None,
    again: int = LOOKED_AT_TWICE,
) -> Weighed:
    """Possible runs by what is expected after them.

    Parameters
    ----------
    looking, until : after which the first look and the second begin with no further run [s], on the clock of searches
    again : how many are looked at twice
    """
    seed = lookup.problem.scenario.search.seed
    thought = Thought(lookup, FIRST_LOOK, seed + 1)
    first = []
    for number, run in enumerate(runs):
        if progress is not None:
            progress(0.5 * number / len(runs), f"weighing {run.name}")
        first.append(thought.worth(run))
        if now() > looking and len(first) >= again:
            break
    first.sort(key=lambda each: each.loss)
    # Others outcomes: what came first by chance does not profit from it.
    thought = Thought(lookup, SECOND_LOOK, seed + 2)
    second = []
    for each in first[:again]:
        if progress is not None:
            progress(0.8, f"weighing {each.run.name} again")
        after = thought.after((each.run.program,))
        second.append((thought.held_against(each.run, after, thought.before), after))
        if now() > until:
            break
    second.sort(key=lambda each: each[0].loss)
    worth = (*(each for each, _ in second), *first[len(second) :])
    return Weighed(thought, tuple(second), worth)


def offset_of(outcome: SearchOutcome, before: Outcomes) -> float:
    """Run time of the best program less what is looked up without a further run [s]; 0 where either is unknown."""
    met = before.cost[np.isfinite(before.cost)]
    if not outcome.feasible or not len(met):
        return 0.0
    return float(outcome.candidates[0].prediction.run_time - np.median(met))


def _suggested(worth: Sequence[Worth]) -> Worth | None:
    """Of the runs worth nearly as much as the best a candidate, which it confirms as well, or else the shortest.

    None where none is worth it.
    """
    most = max(each.gain for each in worth)
    good = [each for each in worth if each.gain >= AS_GOOD * most and worth_it(each.gain, each.gain_error)]
    if not good:
        return None
    return min(good, key=lambda each: (each.run.kind != "candidate", each.run.program.oven.duration))


def _without_runs(problem: Problem, outcome: SearchOutcome) -> tuple[Advice, str]:
    """What is left to do where no run is worth it for what it teaches, and the run made that is the method."""
    if not outcome.feasible:
        return "hopeless", ""
    made = _adoptable(problem, outcome.candidates[0])
    return ("done" if made else "confirm"), made


def _adoptable(problem: Problem, best: Candidate) -> str:
    """The run made with the shortest program that meets the goal, if that is within `WORTH` of the best; "" if not.

    Without this a campaign would go on: every search finds a program that is a little better than the one just run.
    """
    found = []
    for run in problem.scenario.runs:
        end = float(problem.assess(batch_of([run.program]), "polish").run_time[0])
        same = same_program(problem.scenario, best.prediction.program, run.program)
        program = ended(problem, run.program)
        if program is None or not (same or end <= (1 + WORTH) * best.prediction.run_time):
            continue
        prediction, reliability = with_uncertainty(
            problem, predict(problem, program), exact=True, sources=False
        )
        if same or not shortfalls(problem, prediction, reliability.share):
            found.append((end, run.name))
    return min(found)[1] if found else ""


def _confirming(candidate: Candidate) -> PossibleRun:
    return PossibleRun(
        _named("best program", candidate.prediction.program), "candidate", candidate.prediction.program
    )


def _made(problem: Problem, program: Program) -> bool:
    """Whether a program was run already."""
    return any(same_program(problem.scenario, program, run.program) for run in problem.scenario.runs)


def possible(problem: Problem, outcome: SearchOutcome, lookup: Lookup) -> list[PossibleRun]:
    """Runs that teach, the best program, and bold ones; none that was made."""
    candidates = outcome.candidates[:LEADING]
    pairs, _ = leading_pairs(problem, candidates)
    compounds = {m for pair in pairs for m in (pair.a, pair.b)}
    leading = {each.rank: each.prediction.program for each in candidates}
    runs = possible_runs(problem, leading, sorted(compounds))
    best = outcome.candidates[0].prediction.run_time if outcome.feasible else None
    bold: list[PossibleRun] = []
    for program in _bold(problem, lookup, best):
        if any(same_program(problem.scenario, program, run.program) for run in runs):
            continue
        bold.append(PossibleRun(_named("bold program", program), "bold", program))
    # In turn, so that a look that time ends has seen some of each kind.
    own = [_as_program(run, outcome) for run in runs if run.kind == "candidate"]
    others = [run for run in runs if run.kind != "candidate"]
    in_turn = [run for pair in zip_longest(bold, others) for run in pair if run is not None]
    return [*own, *in_turn]


def _as_program(run: PossibleRun, outcome: SearchOutcome) -> PossibleRun:
    """A candidate by what it is: whoever asks for the next run was shown no numbers."""
    best = run.program == outcome.candidates[0].prediction.program
    return replace(run, name=_named("best program" if best else "another program", run.program))


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
