"""Many programs held against the goal in every draw of what is uncertain: the share of draws in which each meets it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from models.column.programs import Array, Program, batch_of
from optimizer.goal.goal import Assessment, Problem
from optimizer.goal.robustness import DrawnPeaks
from optimizer.goal.standing import Index, standing_of

AT_ONCE = 32  # programs whose peaks are drawn together: some MB of a crowded chromatogram


def shares_of_draws(problem: Problem, programs: Sequence[Program], assessed: Assessment) -> Array:
    """Share of draws (N,) in which every pair and wish holds, of programs that set one carrier variable.

    Parameters
    ----------
    assessed : Assessment of these programs, accurate
    """
    shares = np.empty(len(programs))
    for start in range(0, len(programs), AT_ONCE):
        batch = batch_of(programs[start : start + AT_ONCE])
        rows = np.arange(start, start + len(batch.oven_times))
        drawn = problem.robustness.peaks(batch, assessed.retention[rows], assessed.width_half[rows])
        oven = problem.robustness.draws(batch.controlled).shared[:, 3]
        for at, program in enumerate(programs[start : start + AT_ONCE]):
            one = batch_of([program])
            stands = standing_of(problem, one, rows_of(assessed, rows[[at]]), _drawn_of(drawn, at), oven)
            shares[start + at] = stands.share
    return shares


def rows_of(assessed: Assessment, rows: Index) -> Assessment:
    """Some programs of several."""
    return Assessment(
        assessed.retention[rows],
        assessed.width_half[rows],
        assessed.run_time[rows],
        assessed.cost[rows],
        assessed.limits[rows],
    )


def _drawn_of(drawn: DrawnPeaks, at: int) -> DrawnPeaks:
    one = slice(at, at + 1)
    return DrawnPeaks(
        drawn.retention[one],
        drawn.width[one],
        drawn.elution_temperature[one],
        drawn.retention_factor[one],
    )
