"""Least squares with many small blocks of parameters and a few that all blocks share.

The Jacobian is blocks along the diagonal and a border: rows of block m know P parameters of their own and the B shared
ones; further rows know the shared ones alone. With Q_m R_m the QR factors of a block's own columns, the first P rows of
Q_m'(border) tie the own parameters to the shared ones, and what is left of all blocks is one tall problem of B columns,
factored likewise. Time and memory grow with the number of blocks M, and nothing is squared on the way (A. Bjorck,
Numerical Methods for Least Squares Problems, SIAM 1996, section 6.3).

`minimum` takes Gauss-Newton steps within bounds, damped (K. Levenberg 1944, D. W. Marquardt 1963) when the sum of
squares does not fall as foreseen.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from models.column.programs import Array

Mask = NDArray[np.bool_]

MOST_EVALUATIONS = 150
SETTLED = 1e-16  # fall of the sum of squares that is left at the minimum: 1e-8 standard deviations, squared
NOISE = 1e-6  # of the sum of squares: a smaller change may be noise of what is fitted
DOUBTFUL = 1e-4  # of the sum of squares: noise of the derivatives may foresee as much
IDLE = 2  # steps that do not bring what they should, from which the search rests
LEAST_GAIN = 1e-4  # of the fall foreseen, from which a step is taken
GOOD_GAIN, POOR_GAIN = 0.75, 0.25
FIRST_DAMPING, LEAST_DAMPING = 0.3, 1e-3  # in units of 1/variance of each parameter
DAMPED_MORE, DAMPED_LESS = 4.0, 0.25
BOUNDED = 10  # solutions of one step, each with more parameters held at bounds


@dataclass(frozen=True)
class Point:
    """Parameters of M blocks and shared ones, or a step of them.

    Attributes
    ----------
    own : (M, P) array
    shared : (B,) array
    """

    own: Array
    shared: Array

    def __add__(self, step: Point) -> Point:
        return Point(self.own + step.own, self.shared + step.shared)

    def within(self, low: Point, high: Point) -> Point:
        """The nearest point between two others."""
        return Point(np.clip(self.own, low.own, high.own), np.clip(self.shared, low.shared, high.shared))


@dataclass(frozen=True)
class Rows:
    """Distances whose squares are summed, and their derivatives.

    Attributes
    ----------
    distance : (M, K) array, K of each block
    by_own : (M, K, P) array
    by_shared : (M, K, B) array
    common : (S,) array, distances of the shared parameters alone
    common_by_shared : (S, B) array
    """

    distance: Array
    by_own: Array
    by_shared: Array
    common: Array
    common_by_shared: Array

    @property
    def sum_of_squares(self) -> float:
        return float(np.vdot(self.distance, self.distance) + self.common @ self.common)

    def weighted(self, blocks: Array, common: Array) -> Rows:
        """Rows times weights, (K,) of every block's and (S,) of the common ones."""
        return Rows(
            self.distance * blocks,
            self.by_own * blocks[:, None],
            self.by_shared * blocks[:, None],
            self.common * common,
            self.common_by_shared * common[:, None],
        )

    def after(self, step: Point) -> Rows:
        """Distances after a step, the derivatives being kept."""
        own = (self.by_own @ step.own[:, :, None])[:, :, 0]
        return replace(
            self,
            distance=self.distance + own + self.by_shared @ step.shared,
            common=self.common + self.common_by_shared @ step.shared,
        )

    def foreseen(self, step: Point) -> float:
        """By how much the sum of squares falls after a step, the derivatives being kept."""
        nowhere = replace(self, distance=np.zeros_like(self.distance), common=np.zeros_like(self.common))
        downhill = np.vdot(self.gradient.own, step.own) + self.gradient.shared @ step.shared
        # A difference of two sums of squares would lose what is small.
        return float(-2 * downhill - nowhere.after(step).sum_of_squares)

    @cached_property
    def gradient(self) -> Point:
        """Half of the derivative of the sum of squares."""
        of_own = np.einsum("mkp,mk->mp", self.by_own, self.distance)
        of_shared = np.einsum("mkb,mk->b", self.by_shared, self.distance)
        return Point(of_own, of_shared + self.common @ self.common_by_shared)

    @cached_property
    def weights(self) -> Point:
        """1/standard deviation of each parameter, all others being free."""
        sd = factored(self).standard_deviations
        return Point(1 / sd.own, 1 / sd.shared)

    def step(self, damping: float, held: tuple[Mask, Mask], held_step: Point) -> Point:
        """The step to the damped minimum of what the derivatives foresee.

        Parameters
        ----------
        damping : of each parameter, as a multiple of 1/variance
        held : (M, P) and (B,), the parameters that are held
        held_step : what those move all the same; 0 elsewhere
        """
        own_held, shared_held = held
        start = self.after(held_step)
        weight = self.weights if damping else Point(np.zeros(own_held.shape), np.zeros(shared_held.size))
        # A held parameter's column is empty but for a one in the row that would damp it.
        own_weight = np.where(own_held, 1.0, np.sqrt(damping) * weight.own)
        shared_weight = np.where(shared_held, 1.0, np.sqrt(damping) * weight.shared)
        M, P = own_held.shape
        damped = Rows(
            np.concatenate([start.distance, np.zeros((M, P))], axis=1),
            np.concatenate(
                [np.where(own_held[:, None], 0.0, self.by_own), own_weight[:, None] * np.eye(P)], axis=1
            ),
            np.concatenate(
                [np.where(shared_held, 0.0, self.by_shared), np.zeros((M, P, shared_held.size))], axis=1
            ),
            np.concatenate([start.common, np.zeros(shared_held.size)]),
            np.concatenate([np.where(shared_held, 0.0, self.common_by_shared), np.diag(shared_weight)]),
        )
        return factored(damped).solution + held_step


@dataclass(frozen=True)
class Factors:
    """The triangular factor of a Jacobian, and what is left of the distances.

    Attributes
    ----------
    own : (M, P, P) array, of the blocks
    tie : (M, P, B) array, rows of the blocks in the border
    shared : (B, B) array, of the shared parameters
    own_distance : (M, P) array, shared_distance : (B,) array, the distances in these rows
    """

    own: Array
    tie: Array
    shared: Array
    own_distance: Array
    shared_distance: Array

    @property
    def solution(self) -> Point:
        """The step to the least sum of squares."""
        shared = np.linalg.solve(self.shared, -self.shared_distance)
        own = np.linalg.solve(self.own, -(self.own_distance + self.tie @ shared)[:, :, None])[:, :, 0]
        return Point(own.astype(np.float64), shared.astype(np.float64))

    @cached_property
    def _inverse(self) -> tuple[Array, Array, Array]:
        """Inverses of the blocks (M, P, P), of the shared factor (B, B), and the border's (M, P, B)."""
        own, shared = (np.linalg.inv(each).astype(np.float64) for each in (self.own, self.shared))
        return own, shared, -own @ self.tie @ shared

    @property
    def standard_deviations(self) -> Point:
        """Roots of the diagonal of (J'J)^-1."""
        own, shared, border = self._inverse
        of_own = (own**2).sum(axis=2) + (border**2).sum(axis=2)
        return Point(np.sqrt(of_own), np.sqrt((shared**2).sum(axis=1)))

    def share(self, rows: Rows) -> float:
        """Trace of (J'J)^-1 J'J of some rows: of how many parameters they decide."""
        own, shared, border = self._inverse
        alone = rows.by_own @ own
        through = rows.by_own @ border + rows.by_shared @ shared
        common = rows.common_by_shared @ shared
        return float(sum(np.vdot(part, part) for part in (alone, through, common)))

    @property
    def covariance(self) -> Array:
        """(J'J)^-1 as a matrix: first parameter of all blocks, second of all, ..., then the shared ones."""
        own, shared, border = self._inverse
        M, P, B = border.shape
        low_rank = np.concatenate([border.swapaxes(0, 1).reshape(P * M, B), shared])
        result: Array = low_rank @ low_rank.T
        at = np.arange(M) + M * np.arange(P)[:, None]
        result[at[:, None], at[None]] += (own @ own.swapaxes(1, 2)).transpose(1, 2, 0)
        return result


def factored(rows: Rows) -> Factors:
    """Factors of rows whose parameters are all decided."""
    P, B = rows.by_own.shape[2], rows.by_shared.shape[2]
    Q, R = np.linalg.qr(rows.by_own, mode="complete")
    beside = Q.swapaxes(1, 2) @ np.concatenate([rows.by_shared, rows.distance[:, :, None]], axis=2)
    common = np.concatenate([rows.common_by_shared, rows.common[:, None]], axis=1)
    _, rest = np.linalg.qr(np.concatenate([beside[:, P:].reshape(-1, B + 1), common]))
    return Factors(R[:, :P], beside[:, :P, :B], rest[:B, :B], beside[:, :P, B], rest[:B, B])


@dataclass(frozen=True)
class Minimum:
    """Where the sum of squares is least, its rows there, whether the search came to rest, and evaluations it took."""

    point: Point
    rows: Rows
    settled: bool
    evaluations: int


def minimum(evaluate: Callable[[Point], Rows], start: Point, low: Point, high: Point) -> Minimum:
    """The least sum of squares between bounds, from a start that is moved between them.

    A step is taken where the sum of squares falls, and near the minimum, where noise hides that, where less is left to
    gain than before. The search rests where there is next to nothing to gain, or when steps that should gain little do
    not keep to it.
    """
    point = start.within(low, high)
    rows = evaluate(point)
    full = bounded_step(rows, point, low, high, 0.0)
    promise = least = rows.foreseen(full)
    damping, idle = 0.0, 0
    for evaluations in range(1, MOST_EVALUATIONS):
        if promise <= SETTLED or idle == IDLE:
            return Minimum(point, rows, True, evaluations)
        step = bounded_step(rows, point, low, high, damping) if damping else full
        foreseen, before = rows.foreseen(step), rows.sum_of_squares
        # Rounding must not carry a parameter over its bound.
        trial = (point + step).within(low, high)
        trial_rows = evaluate(trial)
        fall = before - trial_rows.sum_of_squares
        near = foreseen < DOUBTFUL * before
        if not fall > -NOISE * before:  # much worse, or not finite
            damping = max(DAMPED_MORE * damping, FIRST_DAMPING)
            idle += near and bool(np.isfinite(fall))
            continue
        trial_full = bounded_step(trial_rows, trial, low, high, 0.0)
        left = trial_rows.foreseen(trial_full)
        gain = fall / foreseen
        converging = near and left < least / 2
        taken = converging or gain > LEAST_GAIN
        if taken:
            point, rows, full, promise = trial, trial_rows, trial_full, left
            least = min(least, left)
        if converging or (taken and (fall > NOISE * before or POOR_GAIN < gain < 1 / POOR_GAIN)):
            idle = 0
        elif near:
            idle += 1
        if gain < POOR_GAIN and not converging:
            damping = max(DAMPED_MORE * damping, FIRST_DAMPING)
        elif gain > GOOD_GAIN:
            damping = DAMPED_LESS * damping if damping > LEAST_DAMPING else 0.0
    return Minimum(point, rows, False, MOST_EVALUATIONS)


def bounded_step(rows: Rows, point: Point, low: Point, high: Point, damping: float) -> Point:
    """The damped step; parameters that would cross a bound stop at it, and the others make the best of that."""
    gradient = rows.gradient
    held = (
        _pushed(point.own, gradient.own, low.own, high.own),
        _pushed(point.shared, gradient.shared, low.shared, high.shared),
    )
    nowhere = Point(np.zeros_like(point.own), np.zeros_like(point.shared))
    held_step = nowhere
    for _ in range(BOUNDED):
        step = rows.step(damping, held, held_step)
        end = (point + step).within(low, high)
        over = (
            (point.own + step.own != end.own) & ~held[0],
            (point.shared + step.shared != end.shared) & ~held[1],
        )
        if not (over[0].any() or over[1].any()):
            break
        held = held[0] | over[0], held[1] | over[1]
        held_step = Point(
            np.where(over[0], end.own - point.own, held_step.own),
            np.where(over[1], end.shared - point.shared, held_step.shared),
        )
    return step


def _pushed(value: Array, gradient: Array, low: Array, high: Array) -> Mask:
    """Parameters at a bound that the sum of squares pushes against it."""
    return ((value <= low) & (gradient > 0)) | ((value >= high) & (gradient < 0))
