"""Descents that hold the share of failing draws, against the draws themselves and against a longer search."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import differential_evolution

from benchmarks.mixtures import mixture
from models.column.programs import Array
from optimizer.goal.drawn_margins import drawn_margins
from optimizer.goal.goal import Problem
from optimizer.search.descent import Descent, assessed, descend, descend_by_draws
from optimizer.search.found import FEASIBLE
from optimizer.search.local import Drawn
from optimizer.search.population import members
from optimizer.search.program_space import Family, family


@pytest.fixture(scope="module")
def problem() -> Problem:
    """Ten compounds whose parameters are known to so much, and 90 % of draws asked for."""
    known = mixture(10, 1, 2, modes=("constant flow",))
    M = len(known.scenario.compounds)
    size = np.concatenate([np.full(M, 0.15), np.full(M, 0.004), np.full(M, 3.0), [0.004]])
    fit = replace(known.fit, covariance=np.diag(size**2), width_scatter=0.02)
    return replace(
        known,
        fit=fit,
        scenario=replace(known.scenario, goal=replace(known.scenario.goal, confidence=0.9)),
    )


@pytest.fixture(scope="module")
def one(problem: Problem) -> Family:
    return family(problem.scenario, 1, "flow")


@pytest.fixture(scope="module")
def end(problem: Problem, one: Family) -> Descent:
    """The best of some descents that keep reserves."""
    starts = one.ordered(np.random.default_rng(3).random((30, one.size)))
    ends = [descend(problem, one, z) for z in starts]
    return min((each for each in ends if each.margin >= FEASIBLE), key=lambda each: each.cost)


def failing(problem: Problem, one: Family, z: Array) -> float:
    """Share of draws that fail."""
    batch = one.batch(one.values(z[None]))
    return 1 - float(drawn_margins(problem, batch, problem.assess(batch, "polish")).pass_probability[0])


def drawn(problem: Problem, one: Family, end: Descent, softness: float) -> Drawn:
    assert end.backoff is not None
    return Drawn(problem, one, end.z, end.backoff, softness)


def test_the_share_is_that_of_draws_at_the_point_and_near_it(
    problem: Problem, one: Family, end: Descent
) -> None:
    sharp = drawn(problem, one, end, 1e-4)
    rng = np.random.default_rng(1)
    shares = []
    for far in (0.0, *[0.02] * 6):
        z = np.clip(end.z + far * rng.standard_normal(one.size), 0.0, 1.0)
        sharp.local.update(z)
        found, true = float(np.exp(sharp.failing()[0])), failing(problem, one, z)
        shares.append(true)
        # Two of the 400 draws where nothing is left out; what draws are off is followed by slopes elsewhere.
        assert found == pytest.approx(true, abs=0.005 if far == 0 else 0.02)
    assert np.ptp(shares) > 0.1
    assert np.exp(sharp.allowed) == pytest.approx(0.1, abs=0.005)


def test_slopes_of_the_share_are_those_of_differences(problem: Problem, one: Family, end: Descent) -> None:
    smooth = drawn(problem, one, end, 0.17)
    z = np.clip(end.z + 0.003, 0.01, 0.99)
    smooth.local.update(z)
    slopes = smooth.failing()[1]
    assert np.abs(slopes).max() > 1
    for at in range(one.size):
        ends = []
        for sign in (1.0, -1.0):
            moved = z.copy()
            moved[at] += sign * 1e-4
            smooth.local.update(moved)
            ends.append(smooth.failing()[0])
        assert slopes[at] == pytest.approx((ends[0] - ends[1]) / 2e-4, rel=0.01, abs=0.02)


def test_it_ends_where_a_long_differential_evolution_does(
    problem: Problem, one: Family, end: Descent
) -> None:
    found = descend_by_draws(problem, one, end)
    assert found.margin >= FEASIBLE
    assert found.cost < end.cost
    again = assessed(problem, one, found.z)
    assert (found.cost, found.margin) == (again.cost, again.margin)

    def merit(z: Array) -> Array:
        return members(problem, one, one.ordered(np.atleast_2d(z.T))).merit(np.inf)

    reach = 0.1
    bounds = [(max(at - reach, 0.0), min(at + reach, 1.0)) for at in found.z]
    judge = differential_evolution(
        merit, bounds, vectorized=True, updating="deferred", popsize=12, maxiter=120, seed=5, polish=False
    )
    assert found.cost < 1.003 * np.exp(judge.fun)


def test_a_point_that_nearly_holds_is_brought_to_hold(problem: Problem, one: Family, end: Descent) -> None:
    z = end.z + 0.01 * np.random.default_rng(2).standard_normal((20, one.size))
    near = [assessed(problem, one, each) for each in one.ordered(np.clip(z, 0.0, 1.0))]
    near = [each for each in near if -0.05 < each.margin < -0.002]
    assert len(near) >= 3
    assert all(descend_by_draws(problem, one, each).margin >= FEASIBLE for each in near)


def test_where_no_draw_comes_near_a_limit_nothing_is_asked(
    problem: Problem, one: Family, end: Descent
) -> None:
    """With hardly any resolution needed the run is only as long as the equipment makes it."""
    easy = replace(problem, pairs=replace(problem.pairs, needed=np.full(len(problem.pairs.needed), 1e-3)))
    begun = assessed(easy, one, end.z)
    calm = drawn(easy, one, begun, 0.17)
    calm.local.update(end.z)
    assert not calm.numbers.size
    assert not calm.failing()[1].any()
    found = descend_by_draws(easy, one, begun)
    assert found.margin >= FEASIBLE
    assert found.cost < 0.9 * begun.cost
