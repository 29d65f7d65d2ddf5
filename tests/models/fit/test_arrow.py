"""Least squares in blocks with a border against scipy's dense ones."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import least_squares

from models.column.programs import Array
from models.fit.arrow import Point, Rows, bounded_step, factored, minimum

M, K, P, B, S = 7, 5, 3, 4, 6


def dense(rows: Rows) -> tuple[Array, Array]:
    """Distances and Jacobian as one vector and matrix, parameters as in `Factors.covariance`."""
    blocks, count, own = rows.by_own.shape
    shared = rows.by_shared.shape[2]
    J = np.zeros((blocks, count, own, blocks))
    for m in range(blocks):
        J[m, :, :, m] = rows.by_own[m]
    upper = np.concatenate([J.reshape(blocks, count, -1), rows.by_shared], axis=2).reshape(blocks * count, -1)
    lower = np.concatenate([np.zeros((rows.common.size, own * blocks)), rows.common_by_shared], axis=1)
    assert lower.shape[1] == upper.shape[1] == own * blocks + shared
    return np.concatenate([rows.distance.ravel(), rows.common]), np.concatenate([upper, lower])


def vector(point: Point) -> Array:
    return np.concatenate([point.own.T.ravel(), point.shared])


def point_of(x: Array) -> Point:
    return Point(x[: P * M].reshape(P, M).T, x[P * M :])


def linear(seed: int, spread: float = 0.0) -> Rows:
    """Random rows whose columns differ by up to so many powers of ten."""
    rng = np.random.default_rng(seed)
    scale = 10.0 ** rng.uniform(-spread, spread, P), 10.0 ** rng.uniform(-spread, spread, B)
    return Rows(
        rng.normal(size=(M, K)),
        rng.normal(size=(M, K, P)) * scale[0],
        rng.normal(size=(M, K, B)) * scale[1],
        rng.normal(size=S),
        rng.normal(size=(S, B)) * scale[1],
    )


def bent(point: Point, data: Rows) -> Rows:
    """A curved problem: exp(a) + b u + shared terms, a square among them."""
    rng = np.random.default_rng(99)
    u, v = rng.uniform(-1, 1, (M, K)), rng.uniform(-1, 1, (M, K, B))
    a, b, c = point.own.T[:, :, None]
    growth = np.exp(0.5 * a * u)
    square = (v @ point.shared)[:, :, None]
    distance = (
        growth + b * u**2 + c * np.sin(3 * u) + 0.3 * square[:, :, 0] ** 2 + square[:, :, 0] - data.distance
    )
    by_own = np.stack([0.5 * u * growth, u**2, np.sin(3 * u)], axis=2)
    # What is typical decides what the rest does not.
    weak, by_weak = 0.3 * point.own, np.broadcast_to(0.3 * np.eye(P), (M, P, P))
    common = data.common_by_shared @ point.shared - data.common
    return Rows(
        np.concatenate([distance, weak], axis=1),
        np.concatenate([by_own, by_weak], axis=1),
        np.concatenate([v * (1 + 0.6 * square), np.zeros((M, P, B))], axis=1),
        common,
        data.common_by_shared,
    )


@pytest.mark.parametrize("seed", range(5))
def test_a_linear_problem_is_solved_as_a_dense_one(seed: int) -> None:
    rows = linear(seed, 4.0)
    r, J = dense(rows)
    scale = np.linalg.norm(J, axis=0)
    expected = np.linalg.lstsq(J / scale, -r, rcond=None)[0]
    np.testing.assert_allclose(vector(factored(rows).solution) * scale, expected, rtol=1e-10, atol=1e-12)


def test_covariance_standard_deviations_and_shares_are_those_of_the_dense_matrix() -> None:
    rows = linear(11)
    J = dense(rows)[1]
    inverse = np.linalg.inv(J.T @ J)
    factors = factored(rows)
    np.testing.assert_allclose(factors.covariance, inverse, rtol=1e-10, atol=1e-13)
    np.testing.assert_allclose(vector(factors.standard_deviations) ** 2, np.diag(inverse), rtol=1e-10)
    first = np.arange(K) < 2
    part = rows.weighted(first.astype(np.float64), np.zeros(S))
    J_part = dense(part)[1]
    assert factors.share(part) == pytest.approx(np.trace(inverse @ J_part.T @ J_part), rel=1e-10)
    assert factors.share(rows) == pytest.approx(P * M + B, rel=1e-12)


def test_a_fall_is_foreseen_as_far_below_the_sum_of_squares_as_it_may_be() -> None:
    rows = linear(5)
    at_rest = rows.after(factored(rows).solution)
    small = factored(rows).solution
    small = Point(1e-12 * small.own, 1e-12 * small.shared)
    J = dense(rows)[1]
    # At the minimum any step raises the sum by the square of J step, here 24 powers of ten below it.
    assert at_rest.foreseen(small) == pytest.approx(-float(((J @ vector(small)) ** 2).sum()), rel=1e-2)


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("bounded", [False, True])
def test_the_minimum_is_where_scipys_dense_search_ends(seed: int, bounded: bool) -> None:
    data = linear(seed)
    start = Point(np.zeros((M, P)), np.zeros(B))
    low, high = np.full(P * M + B, -np.inf), np.full(P * M + B, np.inf)
    if bounded:
        low[:M], low[-B:], high[-B:] = -0.3, 0.0, 0.2
    found = minimum(lambda point: bent(point, data), start, point_of(low), point_of(high))
    assert found.settled
    x = vector(found.point)
    assert np.all((low <= x) & (x <= high))
    reference = least_squares(
        lambda x: dense(bent(point_of(x), data))[0],
        np.clip(vector(start), low, high),
        jac=lambda x: dense(bent(point_of(x), data))[1],
        bounds=(low, high),
        method="dogbox",  # an active set, so that what is at a bound is there exactly
        ftol=None,
        xtol=1e-15,
        gtol=1e-13,
    )
    np.testing.assert_allclose(found.rows.sum_of_squares, 2 * reference.cost, rtol=1e-12)
    # The reference judges by the sum of squares, which tells a place to the root of rounding only.
    np.testing.assert_allclose(x, reference.x, atol=1e-6)
    # Nothing is left to gain: the gradient is zero but where a bound stands against it.
    r, J = dense(found.rows)
    gradient, at_low, at_high = J.T @ r, x <= low, x >= high
    assert np.all(np.abs(gradient[~at_low & ~at_high]) < 1e-7)
    assert np.all(gradient[at_low] >= 0)
    assert np.all(gradient[at_high] <= 0)
    assert bool(at_low.any() or at_high.any()) == bounded


def test_a_bounded_step_is_the_best_of_a_bounded_linear_problem() -> None:
    rows = linear(3)
    start = Point(np.zeros((M, P)), np.zeros(B))
    low, high = np.full(P * M + B, -np.inf), np.full(P * M + B, np.inf)
    low[-B:], high[-B:] = -0.05, 0.05
    step = vector(bounded_step(rows, start, point_of(low), point_of(high), 0.0))
    r, J = dense(rows)
    assert np.all((low <= step) & (step <= high))
    assert np.any(np.abs(step[-B:]) == 0.05)
    free = (low < step) & (step < high)
    after = J.T @ (r + J @ step)
    np.testing.assert_allclose(after[free], 0.0, atol=1e-10)


def test_noise_does_not_keep_the_search_going() -> None:
    data, rng = linear(2), np.random.default_rng(1)

    def noisy(point: Point) -> Rows:
        rows = bent(point, data)
        return replace(
            rows,
            distance=rows.distance + 1e-4 * rng.normal(size=rows.distance.shape),
            by_own=rows.by_own * (1 + 1e-3 * rng.normal(size=rows.by_own.shape)),
        )

    far = Point(np.full((M, P), np.inf), np.full(B, np.inf))
    start = Point(np.zeros((M, P)), np.zeros(B))
    found = minimum(noisy, start, Point(-far.own, -far.shared), far)
    exact = minimum(lambda point: bent(point, data), start, Point(-far.own, -far.shared), far)
    assert found.settled
    assert found.evaluations < exact.evaluations + 15
    off = vector(found.point) - vector(exact.point)
    assert np.linalg.norm(dense(exact.rows)[1] @ off) < 0.02


def test_a_search_that_sees_nothing_finite_does_not_settle() -> None:
    data = linear(2)
    start = Point(np.zeros((M, P)), np.zeros(B))

    def broken(point: Point) -> Rows:
        rows = bent(point, data)
        return rows if not np.any(vector(point)) else replace(rows, distance=rows.distance * np.nan)

    far = Point(np.full((M, P), np.inf), np.full(B, np.inf))
    found = minimum(broken, start, Point(-far.own, -far.shared), far)
    assert not found.settled
    np.testing.assert_array_equal(vector(found.point), vector(start))
