"""From a descent's end to set points the instrument accepts: a local search on the grid of its steps."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np

from models.programs import Array, Program, batch_of
from optimizer.found import FEASIBLE
from optimizer.goal import Problem
from optimizer.program_space import Family

CORNERS = 256  # of the grid cell that holds the descent's end
MOVES = 25  # at most


@dataclass(frozen=True)
class Settable:
    """A program on the instrument's grid.

    Attributes
    ----------
    family : Family
    values : (D,) array  [SI]
    program : Program, ended after its last peak
    margin : float, smallest of all margins as rounded
    """

    family: Family
    values: Array
    program: Program
    margin: float


def settable(problem: Problem, family: Family, z: Array, seed: int) -> Settable:
    """The fastest program on the grid near a point (D,) of the unit cube that keeps every limit.

    When none does, the one with the largest smallest margin.
    """
    values = family.values(z)
    grid = family.step
    counts = (values - family.offset) / grid
    low = np.floor(counts)
    share = counts - low
    corners = np.array(list(product((0.0, 1.0), repeat=family.size)))
    if len(corners) > CORNERS:
        rng = np.random.default_rng(np.random.SeedSequence(seed))
        corners = corners[rng.choice(len(corners), CORNERS, replace=False)]
        corners[0] = np.round(share)
    points = family.rounded((low + corners) * grid + family.offset)
    moves = _moves(family)
    best = _best(problem, family, points)
    for _ in range(MOVES):
        trial = _best(problem, family, family.rounded(best[0] + moves * grid))
        if not _better(trial, best):
            break
        best = trial
    return _ended(problem, family, best[0])


def _moves(family: Family) -> Array:
    """One or two set points moved by a step, and one by two or five."""
    unit = np.eye(family.size)
    single = [sign * far * row for row in unit for sign in (1, -1) for far in (1, 2, 5)]
    double = [
        s * unit[a] + r * unit[b]
        for a in range(family.size)
        for b in range(a + 1, family.size)
        for s in (1, -1)
        for r in (1, -1)
    ]
    return np.array(single + double)


Scored = tuple[Array, float, float]  # values, run time, margin


def _best(problem: Problem, family: Family, points: Array) -> Scored:
    """The best of some grid points (K, D)."""
    assessment = problem.assess(family.batch(points), "polish")
    margin = problem.smallest_margin(assessment)
    feasible = margin >= FEASIBLE
    by = np.where(feasible, assessment.run_time, np.inf) if np.any(feasible) else -margin
    at = int(np.argmin(by))
    return points[at], float(assessment.run_time[at]), float(margin[at])


def _better(a: Scored, b: Scored) -> bool:
    if (a[2] >= FEASIBLE) != (b[2] >= FEASIBLE):
        return a[2] >= FEASIBLE
    return a[1] < b[1] - 1e-6 if a[2] >= FEASIBLE else a[2] > b[2] + 1e-6


def _ended(problem: Problem, family: Family, values: Array) -> Settable:
    """The program cut at its end, assessed again as it will be typed in."""
    full = problem.assess(family.batch(values[None]), "polish")
    program = family.program(values, float(full.run_time[0]), problem.scenario.instrument.steps.time)
    cut = problem.assess(batch_of([program]), "polish")
    return Settable(family, values, program, float(problem.smallest_margin(cut)[0]))
