"""From a descent's end to set points the instrument accepts: a local search on the grid of its steps."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import product

import numpy as np

from models.programs import Array, Program, batch_of
from optimizer.cycle import with_bake_out
from optimizer.descent import descend
from optimizer.found import FEASIBLE
from optimizer.goal import Problem
from optimizer.program_space import Family

CORNERS = 256  # of the grid cell that holds the descent's end
MOVES = 25  # at most
STRICTER = (1.02, 1.05)  # shares of the needed resolutions to go on from
ALMOST = -1e-3  # smallest margin of a descent's end that is worth it
LEADING = 12  # of the fastest on the grid, held against the clock's grid


@dataclass(frozen=True)
class Settable:
    """A program on the instrument's grid.

    Attributes
    ----------
    family : Family
    z : (D,) array on the unit cube, the end of the descent that was rounded
    values : (D,) array  [SI], as rounded
    program : Program, ended after its last peak or its bake-out
    margin : float, smallest of all margins as rounded
    """

    family: Family
    z: Array
    values: Array
    program: Program
    margin: float


def settable(problem: Problem, family: Family, z: Array, seed: int) -> Settable:
    """The fastest program on the grid near a point (D,) of the unit cube that keeps every limit.

    When none near it does, the search goes on from where a little more resolution is asked for; and when that does not
    help either, the program with the largest smallest margin is the answer.
    """
    best = _on_grid(problem, family, z, seed)
    if best.margin >= FEASIBLE:
        return best
    start = problem.assess(family.batch(family.values(z[None])), "polish")
    if problem.smallest_margin(start)[0] < ALMOST:
        return best
    for share in STRICTER:
        strict = replace(problem, pairs=replace(problem.pairs, needed=share * problem.pairs.needed))
        again = _on_grid(problem, family, descend(strict, family, z).z, seed)
        if again.margin > best.margin:
            best = again
        if best.margin >= FEASIBLE:
            break
    return best


def _on_grid(problem: Problem, family: Family, z: Array, seed: int) -> Settable:
    """`settable`, near the point alone."""
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
        trial = _best(problem, family, family.rounded(best.values + moves * grid))
        if not _better(trial, best):
            break
        best = trial
    return _ended(problem, family, z, best.values)


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


@dataclass(frozen=True)
class _Scored:
    """A grid point: its set values (D,), cost [s] as cut on the clock's grid and uncut, and smallest margin."""

    values: Array
    settable_cost: float
    cost: float
    margin: float


def _best(problem: Problem, family: Family, points: Array) -> _Scored:
    """The best of some grid points (K, D)."""
    assessment = problem.assess(family.batch(points), "polish")
    margin = problem.smallest_margin(assessment)
    feasible = np.flatnonzero(margin >= FEASIBLE)
    if not feasible.size:
        at = int(np.argmax(margin))
        return _Scored(points[at], np.inf, float(assessment.cost[at]), float(margin[at]))
    # A program ends on a multiple of the clock's step: what that makes of the fastest decides among them.
    leading = feasible[np.argsort(assessment.cost[feasible], kind="stable")[:LEADING]]
    scored = []
    for at in leading:
        program = family.program(
            points[at], float(assessment.run_time[at]), problem.scenario.instrument.steps.time
        )
        cut = problem.cost(batch_of([program]), np.array([program.oven.duration]))
        scored.append(_Scored(points[at], float(cut[0]), float(assessment.cost[at]), float(margin[at])))
    return min(scored, key=lambda each: (round(each.settable_cost, 6), each.cost))


def _better(a: _Scored, b: _Scored) -> bool:
    if (a.margin >= FEASIBLE) != (b.margin >= FEASIBLE):
        return a.margin >= FEASIBLE
    if a.margin < FEASIBLE:
        return a.margin > b.margin + 1e-6
    return (a.settable_cost, a.cost) < (b.settable_cost - 1e-6, b.cost) or (
        a.settable_cost < b.settable_cost + 1e-6 and a.cost < b.cost - 1e-6
    )


def _ended(problem: Problem, family: Family, z: Array, values: Array) -> Settable:
    """The program cut at its end, assessed again as it will be typed in."""
    full = problem.assess(family.batch(values[None]), "polish")
    program = family.program(values, float(full.run_time[0]), problem.scenario.instrument.steps.time)
    program = with_bake_out(problem.scenario, program)
    cut = problem.assess(batch_of([program]), "polish")
    return Settable(family, z, values, program, float(problem.smallest_margin(cut)[0]))
