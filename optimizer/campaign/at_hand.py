"""What another injection is worth, by the programs that a search for the best one has found anyway."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from optimizer.base.clock import now
from optimizer.campaign.next_run import offset_of, possible, weighed
from optimizer.campaign.pool import programs_of, slower
from optimizer.campaign.worth import Outcomes, Worth, lookup_of
from optimizer.goal.asides import AnotherRun
from optimizer.goal.goal import Problem
from optimizer.goal.outcome import SearchOutcome
from optimizer.search.found import Searched

LEAST = 0.2  # s, with less of which it is not asked
RUNS, TWICE = 6, 2  # looked at, and looked at again
FIRST = 0.5  # of the time, after which no further run is looked at for the first time
# Programs beside those found: the best with their ovens so many times as slow, among which small gains show.
PACES = (0.85, 0.9, 0.94, 0.97, 0.985, 1.015, 1.03, 1.06, 1.1, 1.2, 1.4)
PACED = 3


def with_another_run(
    problem: Problem, outcome: SearchOutcome, searched: Searched, seconds: float
) -> SearchOutcome:
    """The outcome with what another injection is worth; as it is where there is no time, or nothing to look up.

    Parameters
    ----------
    seconds : budget on the clock of searches
    """
    if seconds < LEAST or not outcome.candidates:
        return outcome
    began = now()
    found = programs_of(problem, searched)
    best = [each.prediction.program for each in outcome.candidates]
    best += found
    copies = [slower(each, by) for each in best[:PACED] for by in PACES]
    lookup = lookup_of(problem, list(dict.fromkeys([*best, *copies])))
    runs = [] if lookup is None else possible(problem, outcome, lookup)[:RUNS]
    if lookup is None or not runs:
        return outcome
    made = weighed(lookup, runs, began + FIRST * seconds, began + seconds, again=TWICE)
    worth, _ = made.twice[0]
    return replace(outcome, another_run=_stated(outcome, worth, made.thought.before))


def _stated(outcome: SearchOutcome, worth: Worth, before: Outcomes) -> AnotherRun:
    best, offset = outcome.candidates[0], offset_of(outcome, before)
    return AnotherRun(
        worth.run.name,
        best.prediction.run_time if outcome.feasible else np.nan,
        best.pass_probability,
        worth.gain,
        worth.gain_error,
        worth.expected + offset,
        worth.low + offset,
        worth.high + offset,
        worth.chance,
    )
