"""From a descent's end to set points the instrument accepts: a local search on the grid of its steps."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import product

import numpy as np

from models.column.programs import Array, Program, batch_of
from optimizer.goal.cycle import with_bake_out
from optimizer.goal.goal import Problem
from optimizer.search.descent import Descent, assessed, descend, judgement
from optimizer.search.found import FEASIBLE, how_far
from optimizer.search.program_space import Family

CORNERS = 256  # of the grid cell that holds the descent's end
MOVES = 25  # at most
STRICTER = (1.02, 1.05)  # shares of the needed resolutions to go on from
ALMOST = -1e-3  # smallest margin of a descent's end that is worth it
MORE_IN_HAND = (1.03, 1.08, 1.16, 1.3)  # times the standard deviations that draws ask for
ALMOST_HELD = -0.05  # smallest margin that draws keep at a descent's end, from which that may help
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
    equipment : float, smallest of those of the equipment's limits
    shortfall : float, how much is missed of what is required
    """

    family: Family
    z: Array
    values: Array
    program: Program
    margin: float
    equipment: float
    shortfall: float

    @property
    def feasible(self) -> bool:
        """Whether every margin is kept."""
        return self.margin >= FEASIBLE

    @property
    def how_far(self) -> tuple[bool, float]:
        """Sorting key among programs that are not feasible."""
        return how_far(self.shortfall, self.equipment)


def settable(problem: Problem, family: Family, z: Array, seed: int) -> Settable:
    """The fastest program on the grid near a point (D,) of the unit cube that keeps every limit.

    When none near it does, the search goes on from where a little more resolution is asked for; and when that does not
    help either, the program that comes closest within the equipment's limits is the answer.
    """
    end = assessed(problem, family, z)
    best = _on_grid(problem, family, end, seed)
    if end.backoff is not None and end.margin > ALMOST_HELD:
        # On the grid other pairs may come near than at the descent's end: a little more reserve is kept of all.
        for more in MORE_IN_HAND:
            if best.margin >= FEASIBLE:
                break
            held = replace(end, backoff=replace(end.backoff, kappa=more * end.backoff.kappa))
            again = _on_grid(problem, family, held, seed)
            if again.margin > best.margin:
                best = again
    if best.margin >= FEASIBLE or end.margin < ALMOST:
        return best
    for share in STRICTER:
        strict = replace(problem, pairs=replace(problem.pairs, needed=share * problem.pairs.needed))
        again = _on_grid(problem, family, assessed(problem, family, descend(strict, family, z).z), seed)
        if again.how_far < best.how_far:
            best = again
        if best.margin >= FEASIBLE:
            break
    return best


def _on_grid(problem: Problem, family: Family, end: Descent, seed: int) -> Settable:
    """`settable`, near the point alone. Where draws decide, what they asked for there is held over the grid."""
    held = problem if end.backoff is None else problem.holding(end.backoff)
    values = family.values(end.z)
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
    best = _best(held, family, points)
    for _ in range(MOVES):
        trial = _best(held, family, family.rounded(best.values + moves * grid))
        if not _better(trial, best):
            break
        best = trial
    return _ended(problem, held, family, end.z, best.values)


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
    """A grid point (D,): cost [s] as cut on the clock's grid and uncut, smallest margin, and how far off it is."""

    values: Array
    settable_cost: float
    cost: float
    margin: float
    how_far: tuple[bool, float]


def _best(problem: Problem, family: Family, points: Array) -> _Scored:
    """The best of some grid points (K, D)."""
    assessment = problem.assess(family.batch(points), "polish")
    margin = problem.smallest_margin(assessment)
    feasible = np.flatnonzero(margin >= FEASIBLE)
    if not feasible.size:
        shortfall, equipment = problem.shortfall(assessment), problem.equipment_margin(assessment)
        far = [how_far(float(s), float(e)) for s, e in zip(shortfall, equipment, strict=True)]
        at = min(range(len(far)), key=far.__getitem__)
        return _Scored(points[at], np.inf, float(assessment.cost[at]), float(margin[at]), far[at])
    # A program ends on a multiple of the clock's step: what that makes of the fastest decides among them.
    leading = feasible[np.argsort(assessment.cost[feasible], kind="stable")[:LEADING]]
    scored = []
    for at in leading:
        programs = _cut(problem, family, points[at], float(assessment.run_time[at]))
        ends = np.array([program.oven.duration for program in programs])
        cut = float(problem.cost(batch_of(programs), ends).min())
        cost = float(assessment.cost[at])
        scored.append(_Scored(points[at], cut, cost, float(margin[at]), (False, 0.0)))
    return min(scored, key=lambda each: (round(each.settable_cost, 6), each.cost))


def _cut(problem: Problem, family: Family, values: Array, end: float) -> list[Program]:
    """The programs that set values (D,) may become when they end at `end` [s] on the clock's and the oven's grid."""
    step = problem.scenario.instrument.steps.time
    programs = [family.program(values, end, step, eased) for eased in (False, True)]
    return programs[: 1 + (programs[1].oven.duration < programs[0].oven.duration)]


def _better(a: _Scored, b: _Scored) -> bool:
    if (a.margin >= FEASIBLE) != (b.margin >= FEASIBLE):
        return a.margin >= FEASIBLE
    if a.margin < FEASIBLE:
        return a.how_far < (b.how_far[0], b.how_far[1] - 1e-6)
    return (a.settable_cost, a.cost) < (b.settable_cost - 1e-6, b.cost) or (
        a.settable_cost < b.settable_cost + 1e-6 and a.cost < b.cost - 1e-6
    )


def _ended(problem: Problem, held: Problem, family: Family, z: Array, values: Array) -> Settable:
    """The program cut at its end as the problem `held` over the grid has it, assessed again as it will be typed in."""
    full = held.assess(family.batch(values[None]), "polish")
    made = []
    for program in _cut(problem, family, values, float(full.run_time[0])):
        program = with_bake_out(problem.scenario, _long_enough(held, program))
        judged = judgement(problem, batch_of([program]))
        made.append(Settable(family, z, values, program, judged.margin, judged.equipment, judged.shortfall))
    return min(
        made, key=lambda each: (not each.feasible, each.program.oven.duration if each.feasible else 0.0)
    )


def _long_enough(held: Problem, program: Program) -> Program:
    """A program with its last hold such that the last peak is over before it ends."""
    step = held.scenario.instrument.steps.time
    late = float(held.assess(batch_of([program]), "polish").run_time[0]) - program.oven.duration
    if late <= 0:
        return program
    oven = program.oven
    more = float(np.ceil(late / step - 1e-6) * step)
    if not oven.ramps:
        return replace(program, oven=replace(oven, hold=oven.hold + more))
    last = replace(oven.ramps[-1], hold=oven.ramps[-1].hold + more)
    return replace(program, oven=replace(oven, ramps=(*oven.ramps[:-1], last)))
