"""Inside one basin: a smooth non-linear program on the set points of a family, with the elution order fixed.

Minimise ln(run or cycle time) subject to margins >= 0; or, where nothing is feasible, maximise the smallest margin
of the requirements subject to those of the equipment >= 0: a program that cannot be run is no answer.
Values and gradients of everything come from one simulation of the point with its slopes by every set point.
"""

from __future__ import annotations

from collections.abc import Callable, Set
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

from models.column.programs import Array, ProgramBatch
from models.peaks.resolution import facing_shares, resolution
from optimizer.goal.drawn_margins import backoff, drawn_margins
from optimizer.goal.goal import NEARLY, Problem
from optimizer.goal.limits import RESOLUTION, Requirement
from optimizer.goal.outcome import KEPT
from optimizer.goal.robustness import Backoff
from optimizer.goal.uncertainty import simulated_margins
from optimizer.search.crossing import crossed
from optimizer.search.program_space import LEAST_RISE, Family

STEP = 1e-6  # on the unit cube, for derivatives of what follows from the peaks, whose own the engine gives
NEIGHBOURS = (
    3  # places among a compound's partners beyond which a pair is held only where it is short at the start
)
OUTSIDE = -0.05  # a smallest margin below this is first raised
OUTSIDE_HELD = -0.25  # the same where margins are lessened by what draws ask for
CROSSINGS = 3  # steps from there in which pairs may change places, at most
HOPELESS = -0.01  # and when it stays below this, the basin holds no program that keeps every limit
FURTHEST = -50.0  # smallest margin from which raising it begins
CONCEDING_SLACK = 2e-3  # reserve of what is kept, for rounding to keep it too
CAP = 0.02  # a margin beyond which raising it further is not asked for
STEADY = 1e-3  # smallest margin that the draws keep, below which a descent need not be repeated
OVERSHOOT = 1.2
REACHES = (1.0, 0.1)  # how far set points may move: short steps where long ones passed nothing better
RAISING_TOLERANCE = 1e-5  # of the optimiser where margins are raised: by so much it breaks what is to be kept
GIVEN_UP = -0.5  # margin below which no further descent is tried
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
    shortfall : float, how much is missed of what is required
    evaluations : int, programs simulated
    backoff : Backoff or None, the reserve that margins need there; where draws decide, `margin` is the smallest that
        is kept with the required probability
    """

    z: Array
    cost: float
    margin: float
    equipment: float
    shortfall: float
    evaluations: int
    backoff: Backoff | None = None


class Local:
    """Values and gradients around a point; the last point is remembered, as the optimiser asks twice.

    So is the best point by a sorting key, as the optimiser may end, or give up, anywhere.
    """

    def __init__(self, problem: Problem, family: Family, start: Array, slack: float = 0.0) -> None:
        self.problem, self.family, self.slack = problem, family, slack
        self.low, self.high = family.bounds(start)
        self.evaluations = 0
        self.at: Array | None = None
        self.margins: Array = np.empty(0)  # (K,), of pairs, limits and rises at the point
        self.slopes: Array = np.empty((0, family.size))  # (K, D)
        self.time, self.time_slope = 0.0, np.empty(0)  # ln of what is minimised, and its gradient (D,)
        self.key: Callable[[], tuple[float, ...]] = tuple
        self.best: tuple[tuple[float, ...], Array] = (), start
        at_start = problem.assess(family.batch(family.values(start[None])), "polish")
        order = np.argsort(at_start.retention[0])
        lacking = problem.pairs.index[problem.resolution_margins(at_start)[0] < 0]
        short = {frozenset(map(int, pair)) for pair in lacking}
        counts, needed = problem.partners
        pairs = _pairs_to_hold(order, counts, short)
        self.first, self.second = np.array(pairs, dtype=np.intp).reshape(-1, 2).T
        self.needed = needed[self.first, self.second]
        # Requirements may be traded for one another; the equipment's limits and rising ramps may not.
        self.requirements = self.among({RESOLUTION, *problem.requirements})
        self.ends_with = order[-3:]  # any of the last three may end the run within a basin
        front, back = problem.facing
        self.back, self.front = back[self.first], front[self.second]  # unless amounts make peaks lean
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

    def among(self, limits: Set[Requirement]) -> NDArray[np.bool_]:
        """Which of the margins (K,) are those of some limits."""
        problem = self.problem
        named = [RESOLUTION in limits] * len(self.first) + [each in limits for each in problem.limits]
        return np.array(named + [False] * self.family.ramps)

    def update(self, z: Array) -> None:
        if self.at is not None and np.array_equal(z, self.at):
            return
        family = self.family
        sign = np.where(z + STEP > self.high, -1.0, 1.0)
        points = np.concatenate([z[None], z + STEP * np.diag(sign)])
        batch = family.batch(family.values(points))
        assessment = self.problem.assess_around(batch)
        self.evaluations += 1
        t, w = assessment.retention, assessment.width_half
        a, b = self.first, self.second
        back, front = self.back, self.front
        if self.problem.leans:
            before, behind = facing_shares(assessment.tailing)
            back, front = behind[:, a], before[:, b]
        separation = resolution(t[:, a], t[:, b], w[:, a] * back, w[:, b] * front) / self.needed - 1
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
        self.best = min(self.best, (self.key(), self.at), key=lambda each: each[0])

    def remember(self, z: Array, key: Callable[[], tuple[float, ...]]) -> None:
        """From `z` on, remember the point with the lowest key; the key is read off the current point."""
        self.update(z)
        self.key, self.best = key, (key(), z)

    def misses(self, raised: NDArray[np.bool_], ln_cost: float = np.inf) -> tuple[float, bool, float]:
        """Sorting key of the current point: what it misses of all not raised, then the smallest margin raised.

        Points that keep the rest come first, those with the slack in reserve before the others.
        """
        missed = max(-float(self.margins[~raised].min(initial=0.0)), self.time - ln_cost)
        smallest = float(self.margins[raised].min(initial=CAP))
        missed -= RAISING_TOLERANCE
        return max(missed - self.slack, 0.0), missed > 0, -smallest


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
    simulated: bool = False,
) -> Descent:
    """The fastest program of the basin that holds `start`, a point (D,) on the unit cube; `start` where none is better.

    Margins are asked to be `slack`, as the optimiser ends with constraints broken by a little. A start far outside the
    limits is first brought inside them; when that fails the descent ends there.

    Other pairs may be near where a descent ends than where it began, and draws may ask for more there: it goes on from
    its end, for at most `rounds` descents. What one fell short by in the draws the next is asked for besides. Draws are
    worked out by first derivatives, or `simulated` outright, which takes longer.
    """
    begun = assessed(problem, family, family.ordered(start), simulated=simulated)
    return descend_from(problem, family, begun, iterations, tolerance, slack, rounds, simulated)


def descend_from(
    problem: Problem,
    family: Family,
    begun: Descent,
    iterations: int = 25,
    tolerance: float = 1e-4,
    slack: float = 0.0,
    rounds: int = 2,
    simulated: bool = False,
) -> Descent:
    """The same from a point that is assessed already, by the same draws."""
    best = end = begun
    more = 0.0
    for _ in range(rounds):
        end = descend_once(problem, family, end, iterations, tolerance, slack + more, simulated)
        best = min(best, end, key=preference)
        if end.backoff is None:
            if not HOPELESS <= end.margin < -KEPT:
                break
        elif 0 <= end.margin < STEADY or end.margin < GIVEN_UP:
            break
        else:
            more = max(0.0, -OVERSHOOT * end.margin)
    return replace(best, evaluations=end.evaluations)


def descend_once(
    problem: Problem,
    family: Family,
    begun: Descent,
    iterations: int = 25,
    tolerance: float = 1e-4,
    slack: float = 0.0,
    simulated: bool = False,
) -> Descent:
    """Where a single descent ends, which may be worse than where it began.

    Where draws decide, every margin keeps as many standard deviations in reserve as the required probability takes;
    those are read off where it began.
    """
    held = problem if begun.backoff is None else problem.holding(begun.backoff)
    z, evaluations = descended(held, family, begun.z, iterations, tolerance, slack)
    return assessed(problem, family, z, begun.evaluations + evaluations, simulated)


def _held_at(problem: Problem, family: Family, z: Array) -> Backoff:
    """The reserve that margins need at a point."""
    batch = family.batch(family.values(z[None]))
    assessment = problem.assess(batch, "polish")
    return backoff(problem, assessment, drawn_margins(problem, batch, assessment))


def preference(end: Descent) -> tuple[bool, float, float]:
    """Sorting key of ends in one basin: those that keep everything by cost, then the others by how close they come.

    Of the others those within the equipment's limits come first.
    """
    kept = end.margin >= -KEPT
    broken = max(NEARLY - end.equipment, 0.0)
    return not kept, broken, end.cost if kept else -end.margin


def descended(
    problem: Problem,
    family: Family,
    start: Array,
    iterations: int,
    tolerance: float,
    slack: float,
) -> tuple[Array, int]:
    """The best point (D,) that a descent comes past, margins being as they are, and the programs simulated."""
    start = family.ordered(start)
    outside = OUTSIDE if problem.backoff is None else OUTSIDE_HELD
    local = _begun(problem, family, start, slack)
    for _ in range(CROSSINGS):
        if local.margins.min() >= outside:
            break
        end = crossed(
            start, local.low, local.high, local.margins, local.slopes, len(local.first), local.requirements
        )
        if end is None:
            break
        start = family.ordered(end)
        local = _begun(problem, family, start, slack, local.evaluations)
    z = start
    if local.margins.min() < outside:
        z = raise_margin(local, z, iterations)
        local.update(z)
        if local.margins.min() < HOPELESS:
            return z, local.evaluations

    def key() -> tuple[float, ...]:
        kept = local.margins.min() >= -KEPT
        return (0.0, local.time) if kept else (1.0, *local.misses(local.requirements))

    # The optimiser's tolerance is also how far an end may break a constraint.
    reserve = tolerance * local.requirements

    def time(z: Array) -> float:
        local.update(z)
        return local.time

    def time_slope(z: Array) -> Array:
        local.update(z)
        slope: Array = local.time_slope
        return slope

    def margins(z: Array) -> Array:
        local.update(z)
        above: Array = local.margins - reserve
        return above

    def slopes(z: Array) -> Array:
        local.update(z)
        return local.slopes

    local.remember(z, key)
    for reach in REACHES:
        low, high = np.maximum(z - reach, local.low), np.minimum(z + reach, local.high)
        minimize(
            time,
            z,
            jac=time_slope,
            method="SLSQP",
            bounds=list(zip(low, high, strict=True)),
            constraints={"type": "ineq", "fun": margins, "jac": slopes},
            options={"maxiter": iterations, "ftol": tolerance},
        )
        if local.best[1] is not z:
            break
    return np.clip(local.best[1], local.low, local.high), local.evaluations


def _begun(problem: Problem, family: Family, start: Array, slack: float, evaluations: int = 0) -> Local:
    local = Local(problem, family, start, slack)
    local.evaluations = evaluations
    local.update(start)
    return local


def fastest_margin(problem: Problem, family: Family, start: Array, cost: float) -> Array:
    """The point (D,) closest to what is required among those near `start` that cost no more than `cost` [s]."""
    start = family.ordered(start)
    if problem.by_draws:
        # The cost is that of a bare prediction.
        problem = problem.holding(replace(_held_at(problem, family, start), end=0.0))
    local = Local(problem, family, start)
    return raise_margin(local, start, 40, ln_cost=float(np.log(cost)))


def conceding(problem: Problem, family: Family, start: Array, given_up: Set[Requirement]) -> Descent:
    """The program near `start` that comes closest to some requirements while it keeps everything else.

    Parameters
    ----------
    start : (D,) array on the unit cube, a program that keeps everything else
    given_up : those requirements; RESOLUTION for that of all pairs
    """
    start = family.ordered(start)
    held = problem.holding(_held_at(problem, family, start)) if problem.by_draws else problem
    local = Local(held, family, start, CONCEDING_SLACK)
    z = raise_margin(local, start, 40, local.among(given_up))
    return assessed(problem, family, z, local.evaluations)


def raise_margin(
    local: Local,
    start: Array,
    iterations: int,
    raised: NDArray[np.bool_] | None = None,
    ln_cost: float = np.inf,
) -> Array:
    """Maximise a slack variable below the margins to be raised (K,), by default all required ones; the others are kept.

    A cost, if one is given, is kept too. The best point (D,) that the optimiser came past, the start among them.
    """
    size = start.size
    raised = local.requirements if raised is None else raised
    local.remember(start, lambda: local.misses(raised, ln_cost))
    traded = raised.astype(float)
    lowest = float(np.clip(local.margins[raised].min(initial=CAP), FURTHEST, CAP))

    def margins(x: Array) -> Array:
        local.update(x[:size])
        above: Array = local.margins - traded * x[size]
        return above if np.isinf(ln_cost) else np.append(above, ln_cost - local.time)

    def slopes(x: Array) -> Array:
        local.update(x[:size])
        above = np.concatenate([local.slopes, -traded[:, None]], axis=1)
        return above if np.isinf(ln_cost) else np.vstack([above, np.append(-local.time_slope, 0.0)])

    upwards = np.zeros(size + 1)
    upwards[size] = -1.0
    minimize(
        lambda x: -x[size],
        np.append(start, lowest),
        jac=lambda x: upwards,
        method="SLSQP",
        bounds=[*zip(local.low, local.high, strict=True), (2 * FURTHEST, CAP)],
        constraints={"type": "ineq", "fun": margins, "jac": slopes},
        options={"maxiter": iterations, "ftol": RAISING_TOLERANCE},
    )
    result: Array = np.clip(local.best[1], local.low, local.high)
    return result


def assessed(
    problem: Problem, family: Family, z: Array, evaluations: int = 1, simulated: bool = False
) -> Descent:
    """A point held against every pair and limit, whatever its elution order."""
    judged = judgement(problem, family.batch(family.values(z[None])), simulated)
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


def judgement(problem: Problem, batch: ProgramBatch, simulated: bool = False) -> Judgement:
    """A batch of one program held against every pair and limit, by draws, `simulated` or not, where these decide."""
    assessment = problem.assess(batch, "polish")
    margin, in_hand, judged = float(problem.smallest_margin(assessment)[0]), None, problem
    if problem.by_draws:
        drawn = (simulated_margins if simulated else drawn_margins)(problem, batch, assessment)
        margin, in_hand = float(drawn.margin[0]), backoff(problem, assessment, drawn)
        judged = problem.holding(in_hand)
        cost = judged.cost(batch, assessment.run_time + in_hand.end)
        assessment = replace(judged.held(assessment), cost=cost)
    return Judgement(
        float(assessment.cost[0]),
        margin,
        float(judged.equipment_margin(assessment)[0]),
        float(judged.shortfall(assessment)[0]),
        in_hand,
    )
