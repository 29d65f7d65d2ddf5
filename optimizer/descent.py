"""Inside one basin: a smooth non-linear program on the set points of a family, with the elution order fixed.

Minimise ln(run or cycle time) subject to margins >= 0; or, where nothing is feasible, maximise the smallest margin
of the wishes subject to those of the equipment >= 0: a program that cannot be run is no answer.
Values and gradients of everything come from one batched simulation of the point and its neighbours.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

from models.programs import Array, ProgramBatch
from models.resolution import resolution
from optimizer.goal import KEPT, Problem
from optimizer.program_space import LEAST_RISE, Family
from optimizer.robustness import Backoff
from optimizer.standing import standing

STEP = 1e-4  # on the unit cube, for derivatives: large against the engine's rounding, small against curvature
NEIGHBOURS = (
    3  # places among a compound's partners beyond which a pair is held only where it is short at the start
)
OUTSIDE = -0.05  # a smallest margin below this is first raised
OUTSIDE_HELD = -0.25  # the same where margins are lessened by what draws ask for
HOPELESS = -0.01  # and when it stays below this, the basin holds no program that keeps every limit
FURTHEST = -50.0  # smallest margin from which raising it begins
CONCEDING_SLACK = 2e-3  # margin that what is kept has in hand, for rounding to keep it too
CAP = 0.02  # a margin beyond which raising it further is not asked for
STEADY = 1e-3  # smallest margin that the draws keep, below which a descent need not be repeated
OVERSHOOT = 1.2
GIVEN_UP = -0.5  # and below which it is not
LARGEST_MARGIN = 2.0  # margins are cut off here: far pairs have nothing to say


@dataclass(frozen=True)
class Descent:
    """Where a descent ended.

    Attributes
    ----------
    z : (D,) array on the unit cube
    cost : float  [s], what is minimised
    margin : float, the smallest of all, every counted pair and limit, with the order as it then was
    equipment : float, the smallest of the equipment's limits, which are among them
    shortfall : float, how much of the wishes is missed
    evaluations : int, programs simulated
    backoff : Backoff or None, what margins must keep in hand there; where draws decide, `margin` is the smallest that
        the asked share of them keeps
    """

    z: Array
    cost: float
    margin: float
    equipment: float
    shortfall: float
    evaluations: int
    backoff: Backoff | None = None


class _Local:
    """Values and gradients around a point; the last point is remembered, as the optimiser asks twice."""

    def __init__(self, problem: Problem, family: Family, start: Array, slack: float = 0.0) -> None:
        self.problem, self.family, self.slack = problem, family, slack
        self.low, self.high = family.bounds(start)
        self.evaluations = 0
        self.at: Array | None = None
        self.margins: Array = np.empty(0)  # (K,), of pairs, limits and rises at the point
        self.slopes: Array = np.empty((0, family.size))  # (K, D)
        self.time, self.time_slope = 0.0, np.empty(0)  # ln of what is minimised, and its gradient (D,)
        at_start = problem.assess(family.batch(family.values(start[None])), "polish")
        order = np.argsort(at_start.retention[0])
        lacking = problem.pairs.index[problem.resolution_margins(at_start)[0] < 0]
        short = {frozenset(map(int, pair)) for pair in lacking}
        counts, needed = problem.partners
        pairs = _pairs_to_hold(order, counts, short)
        self.first, self.second = np.array(pairs, dtype=np.intp).reshape(-1, 2).T
        self.needed = needed[self.first, self.second]
        # Pairs and wishes may be traded for one another; the equipment's limits and rising ramps may not.
        fixed = np.ones(family.ramps, dtype=bool)
        self.wishes = ~np.concatenate([np.zeros(len(pairs), dtype=bool), problem.equipment, fixed])
        self.names = ("resolution",) * len(pairs) + problem.limit_names + ("rise",) * family.ramps
        self.ends_with = order[-3:]  # any of the last three may end the run within a basin
        front, back = problem.facing
        self.back, self.front = back[self.first], front[self.second]
        held = problem.backoff
        self.held = 0.0 if held is None else held.kappa * held.pairs[self.first, self.second]
        # Every ramp rises: (T2 - T1 - LEAST_RISE)/scale >= 0, straight in z.
        at = family.temperatures
        span, scale = (
            family.high[at] - family.low[at],
            max(float(family.high[at[-1]] - family.low[at[-1]]), 1.0),
        )
        self.rise_matrix = np.zeros((family.ramps, family.size))
        rows = np.arange(family.ramps)
        self.rise_matrix[rows, at[1:]], self.rise_matrix[rows, at[:-1]] = span[1:] / scale, -span[:-1] / scale
        self.least_rise = (LEAST_RISE - np.diff(family.low[at])) / scale

    def update(self, z: Array) -> None:
        if self.at is not None and np.array_equal(z, self.at):
            return
        family, size = self.family, self.family.size
        sign = np.where(z + STEP > self.high, -1.0, 1.0)
        points = np.concatenate([z[None], z + STEP * np.diag(sign)])
        batch = family.batch(family.values(points))
        assessment = self.problem.assess(batch, "polish")
        self.evaluations += size + 1
        t, w = assessment.retention, assessment.width_half
        a, b = self.first, self.second
        separation = resolution(t[:, a], t[:, b], w[:, a] * self.back, w[:, b] * self.front) / self.needed - 1
        separation -= self.held
        margins = np.concatenate([separation, assessment.limits], axis=1)
        margins = np.minimum(margins, LARGEST_MARGIN) - self.slack
        last = self.problem.end_of_peak(t, w)[:, self.ends_with].max(axis=1)
        ends = np.log(self.problem.cost(batch, last))
        self.at = z.copy()
        rise = self.rise_matrix @ z - self.least_rise
        self.margins = np.concatenate([margins[0], rise])
        self.slopes = np.concatenate(
            [((margins[1:] - margins[0]) / (STEP * sign)[:, None]).T, self.rise_matrix]
        )
        self.time, self.time_slope = float(ends[0]), (ends[1:] - ends[0]) / (STEP * sign)


def _pairs_to_hold(
    order: NDArray[np.intp], counts: NDArray[np.bool_], short: set[frozenset[int]]
) -> list[tuple[int, int]]:
    """Counted pairs that are few places apart in elution order, or that lack resolution at the start."""
    pairs = []
    for a, first in enumerate(order):
        partners = [int(second) for second in order[a + 1 :] if counts[first, second]]
        near = partners[:NEIGHBOURS]
        far = [second for second in partners[NEIGHBOURS:] if frozenset((int(first), second)) in short]
        pairs += [(int(first), second) for second in near + far]
    return pairs


def descend(
    problem: Problem,
    family: Family,
    start: Array,
    iterations: int = 25,
    tolerance: float = 1e-4,
    slack: float = 0.0,
    rounds: int = 2,
    backoff: Backoff | None = None,
) -> Descent:
    """The fastest program of the basin that holds `start`, a point (D,) on the unit cube.

    Margins are asked to be `slack`, as the optimiser ends with constraints broken by a little. A start far outside the
    limits is first brought inside them; when that fails the descent ends there.

    Where draws decide, every margin must keep so many standard deviations in hand that the asked share of draws holds.
    Those are read off where a descent starts, unless they are known there (`backoff`), and again where it ended, for at
    most `rounds` descents.
    """
    if not problem.by_draws:
        return _descended(problem, family, start, iterations, tolerance, slack)
    best, z, evaluations = None, family.ordered(start), 0
    backoff, more = backoff or _held_at(problem, family, z), 0.0
    for _ in range(rounds):
        found = _descended(problem.holding(backoff), family, z, iterations, tolerance, slack + more)
        evaluations += found.evaluations
        end = assessed(problem, family, found.z, evaluations)
        best = end if best is None else min(best, end, key=preference)
        if 0 <= end.margin < STEADY or end.margin < GIVEN_UP or end.backoff is None:
            break
        # Where a descent ends, other pairs are near than where it began: what it fell short by is asked for besides.
        z, backoff, more = end.z, end.backoff, max(0.0, -OVERSHOOT * end.margin)
    assert best is not None
    return replace(best, evaluations=evaluations)


def _held_at(problem: Problem, family: Family, z: Array) -> Backoff:
    """What margins must keep in hand at a point."""
    batch = family.batch(family.values(z[None]))
    return standing(problem, batch, problem.assess(batch, "polish")).backoff


def preference(end: Descent) -> tuple[bool, float]:
    """Sorting key of ends in one basin: those that keep everything by cost, then the others by how close they come."""
    kept = end.margin >= -KEPT
    return not kept, end.cost if kept else -end.margin


def _descended(
    problem: Problem,
    family: Family,
    start: Array,
    iterations: int,
    tolerance: float,
    slack: float,
) -> Descent:
    """`descend` with margins as they are."""
    start = family.ordered(start)
    local = _Local(problem, family, start, slack)
    local.update(start)
    z = start
    if local.margins.min() < (OUTSIDE if problem.backoff is None else OUTSIDE_HELD):
        z = _raise_margin(local, z, iterations)
        local.update(z)
        if local.margins.min() < HOPELESS:
            return assessed(problem, family, z, local.evaluations)

    def time(z: Array) -> float:
        local.update(z)
        return local.time

    def time_slope(z: Array) -> Array:
        local.update(z)
        slope: Array = local.time_slope
        return slope

    def margins(z: Array) -> Array:
        local.update(z)
        return local.margins

    def slopes(z: Array) -> Array:
        local.update(z)
        return local.slopes

    found = minimize(
        time,
        z,
        jac=time_slope,
        method="SLSQP",
        bounds=list(zip(local.low, local.high, strict=True)),
        constraints={"type": "ineq", "fun": margins, "jac": slopes},
        options={"maxiter": iterations, "ftol": tolerance},
    )
    z = np.clip(found.x, local.low, local.high)
    return assessed(problem, family, z, local.evaluations)


def fastest_margin(problem: Problem, family: Family, start: Array, cost: float) -> Array:
    """The point (D,) that comes closest to the wishes among those near `start` that cost no more than `cost` [s]."""
    start = family.ordered(start)
    if problem.by_draws:
        # The cost is that of a bare prediction.
        problem = problem.holding(replace(_held_at(problem, family, start), end=0.0))
    local = _Local(problem, family, start)
    return _raise_margin(local, start, 40, ln_cost=float(np.log(cost)))


def conceding(problem: Problem, family: Family, start: Array, given_up: frozenset[str]) -> Descent:
    """The program near `start` that comes closest to some wishes while it keeps everything else.

    Parameters
    ----------
    start : (D,) array on the unit cube, a program that keeps everything else
    given_up : names of limits, or "resolution" for that of all pairs
    """
    start = family.ordered(start)
    held = problem.holding(_held_at(problem, family, start)) if problem.by_draws else problem
    local = _Local(held, family, start, CONCEDING_SLACK)
    z = _raise_margin(local, start, 40, np.array([name in given_up for name in local.names]))
    return assessed(problem, family, z, local.evaluations)


def _raise_margin(
    local: _Local,
    start: Array,
    iterations: int,
    raised: NDArray[np.bool_] | None = None,
    ln_cost: float | None = None,
) -> Array:
    """Maximise a slack variable below the margins to be raised, all wishes' unless told (K,); the others are kept.

    A cost, if one is given, is kept too.
    """
    local.update(start)
    size = start.size
    raised = local.wishes if raised is None else raised
    traded = raised.astype(float)
    lowest = float(np.clip(local.margins[raised].min(initial=CAP), FURTHEST, CAP))

    def margins(x: Array) -> Array:
        local.update(x[:size])
        above: Array = local.margins - traded * x[size]
        return above if ln_cost is None else np.append(above, ln_cost - local.time)

    def slopes(x: Array) -> Array:
        local.update(x[:size])
        above = np.concatenate([local.slopes, -traded[:, None]], axis=1)
        return above if ln_cost is None else np.vstack([above, np.append(-local.time_slope, 0.0)])

    upwards = np.zeros(size + 1)
    upwards[size] = -1.0
    found = minimize(
        lambda x: -x[size],
        np.append(start, lowest),
        jac=lambda x: upwards,
        method="SLSQP",
        bounds=[*zip(local.low, local.high, strict=True), (2 * FURTHEST, CAP)],
        constraints={"type": "ineq", "fun": margins, "jac": slopes},
        options={"maxiter": iterations, "ftol": 1e-5},
    )
    result: Array = np.clip(found.x[:size], local.low, local.high)
    return result


def assessed(problem: Problem, family: Family, z: Array, evaluations: int = 1) -> Descent:
    """A point held against every pair and limit, whatever its elution order."""
    judged = judgement(problem, family.batch(family.values(z[None])))
    return Descent(
        z, judged.cost, judged.margin, judged.equipment, judged.shortfall, evaluations, judged.backoff
    )


@dataclass(frozen=True)
class Judgement:
    """A single program against the goal: the attributes of `Descent` that are not the search's."""

    cost: float
    margin: float
    equipment: float
    shortfall: float
    backoff: Backoff | None


def judgement(problem: Problem, batch: ProgramBatch) -> Judgement:
    """A batch of one program held against every pair and limit, by draws where these decide."""
    assessment = problem.assess(batch, "polish")
    margin, backoff, judged = float(problem.smallest_margin(assessment)[0]), None, problem
    if problem.by_draws:
        stands = standing(problem, batch, assessment)
        margin, backoff = stands.margin, stands.backoff
        judged = problem.holding(backoff)
        cost = judged.cost(batch, assessment.run_time + backoff.end)
        assessment = replace(judged.held(assessment), cost=cost)
    return Judgement(
        float(assessment.cost[0]),
        margin,
        float(judged.equipment_margin(assessment)[0]),
        float(judged.shortfall(assessment)[0]),
        backoff,
    )
