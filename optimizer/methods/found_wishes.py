"""Wishes beside resolution held against the times of a run that was made: those that times alone decide."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from models.column.programs import Array, batch_of
from optimizer.goal.goal import Problem
from optimizer.goal.limits import Runs, limits_of
from optimizer.goal.outcome import Prediction
from optimizer.goal.wishes import wishes_of
from optimizer.search.found import FEASIBLE
from optimizer.search.shortfalls import missed_in_words

# Temperatures, intact fractions and retention factors are not seen in a run: of those only the prediction speaks.
DECIDED_BY_TIMES = {
    "earliest elution",
    "latest elution",
    "internal standards near their compounds",
    "orders of elution",
}


@dataclass(frozen=True)
class FoundWish:
    """A wish as a run has it.

    Attributes
    ----------
    name : str, that of its limit
    met : bool or None, where a peak is missing without which it cannot be told
    missed : str, what was found, what is asked, and by how much it is missed; empty unless it is missed
    """

    name: str
    met: bool | None
    missed: str


def found_wishes(
    problem: Problem, prediction: Prediction, time: Array, width: Array
) -> tuple[FoundWish, ...]:
    """Every wish that the times of a run decide.

    Parameters
    ----------
    prediction : of the run's program
    time, width : (M,) arrays  [s], found, the latter at half height; nan where missing
    """
    by_times = {wish.name for wish in wishes_of(problem.scenario) if wish.kind in DECIDED_BY_TIMES}
    seen = replace(problem, targets=problem.targets[np.isfinite(time[problem.targets])])
    width = np.where(np.isfinite(width), width, prediction.width_half)
    runs = _as_runs(prediction, time, width)
    as_found = replace(prediction, retention=time, width_half=width)
    wishes = limits_of(problem.scenario, seen.targets).wishes
    found = []
    for name, margin in zip(wishes.names, wishes.margins, strict=True):
        if name not in by_times:
            continue
        value = float(margin(runs)[0])
        met = None if np.isnan(value) else value >= FEASIBLE
        found.append(FoundWish(name, met, missed_in_words(seen, as_found, name) if met is False else ""))
    return tuple(found)


def _as_runs(prediction: Prediction, time: Array, width: Array) -> Runs:
    """A run for the limits that times decide; of all else nothing is known."""
    batch = batch_of([prediction.program])
    unknown, nothing = np.full((1, len(time)), np.nan), np.zeros((1, 0))
    end = np.array([np.nanmax(time, initial=0.0)])
    return Runs(batch, batch, time[None], width[None], unknown, unknown, end, nothing, nothing)
