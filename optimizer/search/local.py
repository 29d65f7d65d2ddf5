"""A problem about one point: margins with their slopes, the share of draws that fail, and steps into other orders.

Values and slopes of everything come from one simulation of the point with its slopes by every set point.

A descent keeps the elution order that it began in. Where that holds no program that keeps every limit, some pair is the
wrong way round: its resolution, which has a sign, is followed through nought in steps of the linearised problem. Which
pairs are to change places is found by branch and bound, pairs not yet decided being left out: those that end up close
are tried both ways round.
"""

from __future__ import annotations

from collections.abc import Callable, Set
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linprog

from models.column.programs import Array
from models.peaks.resolution import facing_shares, resolution
from optimizer.goal.drawn_margins import drawn_margins
from optimizer.goal.goal import Problem
from optimizer.goal.limits import RESOLUTION, Requirement
from optimizer.goal.robustness import Backoff
from optimizer.search.program_space import LEAST_RISE, Family

STEP = 1e-6  # on the unit cube, for derivatives of what follows from the peaks, whose own the engine gives
DRAWN_STEP = 1e-4  # the same of what draws are off the prediction
NEIGHBOURS = (
    3  # places among a compound's partners beyond which a pair is held only where it is short at the start
)
CAP = 0.02  # a margin beyond which raising it further is not asked for
RAISING_TOLERANCE = 1e-5  # of the optimiser where margins are raised: by so much it breaks what is to be kept
LARGEST_MARGIN = 2.0  # margins are cut off here: far pairs have nothing to say
SAFE = 8.0  # standard deviations beyond which a margin fails in no draw
LEAST_SHARE = 1e-9  # of draws that fail: less is none
STEEPEST = 30.0  # exponents are cut off here: exp(-30) is nothing beside 1
REACH = 0.1  # on the unit cube: how far a step goes
CLOSE = -0.3  # margin of pairs below which they may change places
NODES = 40  # of the branch and bound, at most
GAP = 0.01  # in the smallest margin, by which another choice must be better to be looked for


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


class Drawn:
    """The share of draws that fail, smoothed, about a point, with its slopes.

    In a draw a margin is the predicted one, which `Local` follows, and by how much the draw is off, which changes by
    its slopes at the point: in a thin valley spreads change as fast as margins. The share of draws that keep a margin m
    is smoothed by the logistic function of m over `softness` standard deviations; a draw keeps all with their product.

    The share is `allowed` to be what it is where all margins are lessened by the one that is kept with the required
    probability: that is what draws allow, smoothed in the same way.
    """

    def __init__(
        self,
        problem: Problem,
        family: Family,
        start: Array,
        held: Backoff,
        softness: float,
        more: float = 0.0,
    ) -> None:
        """`held` is the reserve that margins need at `start` (D,); `more` is asked for besides of the margin."""
        self.last: tuple[Array | None, tuple[float, Array]] | None = None  # point, and what fails there
        self.local = local = Local(problem.holding(replace(held, kappa=0.0)), family, start)
        local.update(start)
        sign = np.where(start + DRAWN_STEP > local.high, -1.0, 1.0)
        points = np.concatenate([start[None], start + DRAWN_STEP * np.diag(sign)])
        batch = family.batch(family.values(points))
        assessment = problem.assess(batch, "polish")
        drawn = drawn_margins(problem, batch, assessment)
        local.evaluations += len(points)
        # Those of the margins that draws move: near pairs and requirements.
        pairs, named = len(local.first), len(problem.requirements)
        row = np.full((len(points), *held.pairs.shape), -1)
        a, b = problem.pairs.index[drawn.pairs].T
        row[drawn.programs, a, b] = row[drawn.programs, b, a] = np.arange(len(a))
        rows = row[:, local.first, local.second]
        near = (rows >= 0).all(axis=0)
        rows = rows[:, near]
        off = np.concatenate(
            [
                drawn.pair_margins[rows] - drawn.nominal[rows][..., None],
                drawn.requirement_margins - assessment.limits[:, :named, None],
            ],
            axis=1,
        )
        off = np.clip(off, -LARGEST_MARGIN, LARGEST_MARGIN)
        spread = off[0].std(axis=1)
        numbers = np.append(np.flatnonzero(near), pairs + np.arange(named))
        at_risk = (spread > 0) & (local.margins[numbers] < SAFE * spread)
        self.start = start
        self.numbers = numbers[at_risk]  # (R,) of the margins of `local`
        # Limits and rises are to be kept as they are; of pairs that fail in no draw nothing is asked.
        self.kept = np.setdiff1d(np.arange(pairs, len(local.margins)), self.numbers)
        self.off, self.scale = off[0][at_risk], softness * spread[at_risk]  # (R, draws), (R,)
        slopes = (off[1:, at_risk] - self.off) / (DRAWN_STEP * sign)[:, None, None]
        self.off_slopes = np.ascontiguousarray(np.moveaxis(slopes, 0, 2))  # (R, draws, D)
        reserve = np.concatenate([held.pairs[local.first, local.second], held.limits[:named]])
        moving = reserve > 0
        reached = (local.margins[: pairs + named] - held.kappa * reserve)[moving]
        self.allowed = self._share(local.margins - float(reached.min(initial=LARGEST_MARGIN)) + more)[0]

    def failing(self) -> tuple[float, Array]:
        """ln of the share at the point that `local` is at, and its slopes (D,)."""
        at = self.local.at
        if self.last is None or self.last[0] is not at:  # asked thrice: value, slopes, best
            share, weights = self._share(self.local.margins)
            slopes = weights.sum(axis=1) @ self.local.slopes[self.numbers]
            slopes += weights.ravel() @ self.off_slopes.reshape(weights.size, len(slopes))
            self.last = at, (share, slopes)
        return self.last[1]

    def _share(self, margins: Array) -> tuple[float, Array]:
        """ln of the share with such margins (K,) as predicted, and its slopes (R, draws) by margins in draws."""
        assert self.local.at is not None
        drawn = margins[self.numbers, None] + self.off + self.off_slopes @ (self.local.at - self.start)
        kept = 1 / (1 + np.exp(np.minimum(-drawn / self.scale[:, None], STEEPEST)))
        all_kept = kept.prod(axis=0)
        share = max(1 - float(all_kept.mean()), LEAST_SHARE)
        weights = -all_kept * (1 - kept) / self.scale[:, None] / (share * len(all_kept))
        return float(np.log(share)), weights


def crossed(
    z: Array, low: Array, high: Array, margins: Array, slopes: Array, pairs: int, required: NDArray[np.bool_]
) -> Array | None:
    """The end (D,) of a step that raises the smallest margin the most, close pairs being either way round.

    None where no pair is close enough to change places.

    Parameters
    ----------
    z, low, high : (D,) arrays, a point and its bounds on the unit cube
    margins, slopes : (K,) and (K, D) arrays there; the first `pairs` are resolutions, signed as the peaks come
    required : (K,) array, which of them are raised; the others are kept, or not made worse
    """
    close = np.flatnonzero(margins[:pairs] < CLOSE)
    if not close.size:
        return None
    undecided = np.ones(len(margins))
    undecided[close] = 0.0
    best, end, waiting = -np.inf, None, [undecided]
    for _ in range(NODES):
        if not waiting:
            break
        signs = waiting.pop()
        found = _step(z, low, high, margins, slopes, signs, required)
        if found is None or found[-1] < best + GAP:
            continue
        free = close[signs[close] == 0]
        resolution = margins[free] + 1 + slopes[free] @ found[:-1]
        short = found[-1] - (np.abs(resolution) - 1)
        if not free.size or short.max() <= 0:
            best, end = float(found[-1]), z + found[:-1]
            continue
        at = int(np.argmax(short))
        for sign in (-1.0, 1.0) if resolution[at] >= 0 else (1.0, -1.0):  # the last is tried first
            decided = signs.copy()
            decided[free[at]] = sign
            waiting.append(decided)
    return end


def _step(
    z: Array,
    low: Array,
    high: Array,
    margins: Array,
    slopes: Array,
    signs: Array,
    required: NDArray[np.bool_],
) -> Array | None:
    """The step (D,) that raises the smallest margin the most, and that margin; pairs are resolved with their signs."""
    wanted = np.where(signs > 0, margins, -margins - 2)
    held = signs != 0
    found = linprog(
        np.append(np.zeros(z.size), -1.0),
        A_ub=np.concatenate([-signs[:, None] * slopes, 1.0 * required[:, None]], axis=1)[held],
        b_ub=np.where(required, wanted, np.maximum(wanted, 0.0))[held],
        bounds=np.stack(
            [
                np.append(np.clip(low - z, -REACH, 0.0), -np.inf),
                np.append(np.clip(high - z, 0.0, REACH), CAP),
            ],
            axis=1,
        ),
        method="highs",
    )
    return None if found.x is None else np.asarray(found.x)
