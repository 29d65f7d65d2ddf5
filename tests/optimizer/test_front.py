"""The front between time and smallest resolution, on a mixture with known retention."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import optimizer.front
from benchmarks.mixtures import mixture
from models.programs import batch_of
from optimizer.candidates import outcome_of
from optimizer.found import FEASIBLE, Hunt
from optimizer.front import LEAST_SHARE, cost_of, front_of, scaled, spread
from optimizer.goal import Pairs, Problem
from optimizer.predict import predict
from optimizer.program_space import families_of
from optimizer.results import FrontPoint
from optimizer.search import hunt
from optimizer.workflow import optimize

NEEDED = 1.5


@pytest.fixture(scope="module")
def problem() -> Problem:
    return mixture(8, 1, 1)


@pytest.fixture(scope="module")
def hunted(problem: Problem) -> Hunt:
    return hunt(problem, families_of(problem.scenario), 1.0, 1)


@pytest.fixture(scope="module")
def front(problem: Problem, hunted: Hunt) -> tuple[FrontPoint, ...]:
    return front_of(problem, hunted, 8, 2.0)


def test_resolution_and_time_rise_together(front: tuple[FrontPoint, ...]) -> None:
    assert 5 <= len(front) <= 8
    assert np.all(np.diff([point.cost for point in front]) > 0)
    assert np.all(np.diff([point.prediction.min_resolution for point in front]) > 0)


def test_every_point_is_the_program_it_says(problem: Problem, front: tuple[FrontPoint, ...]) -> None:
    """Predicted again, each is as fast and as well resolved as said, and keeps the limits and the share asked for."""
    for point in front:
        again = predict(problem, point.prediction.program)
        assert again.min_resolution == pytest.approx(point.prediction.min_resolution, rel=1e-9)
        assert cost_of(problem, again) == pytest.approx(point.cost, rel=1e-9)
        assert again.min_resolution >= point.asked * NEEDED * (1 - 1e-6)
        assert problem.assess(batch_of([point.prediction.program]), "polish").limits.min() >= FEASIBLE
        np.testing.assert_array_equal(point.prediction.needed, NEEDED)  # not the scaled ones


def test_the_goal_itself_lies_on_it(problem: Problem, hunted: Hunt, front: tuple[FrontPoint, ...]) -> None:
    best = outcome_of(problem, hunted).candidates[0].prediction.run_time
    reaching = [point for point in front if point.prediction.min_resolution >= NEEDED * (1 + FEASIBLE)]
    assert reaching[0].cost == pytest.approx(best, rel=0.01)


def test_it_reaches_to_both_sides_of_the_goal(front: tuple[FrontPoint, ...]) -> None:
    shares = [point.prediction.min_resolution / NEEDED for point in front]
    assert shares[0] < 0.7
    assert shares[-1] > 1.5


def test_points_are_as_fast_as_a_search_of_their_own(problem: Problem, front: tuple[FrontPoint, ...]) -> None:
    """A search for what the slowest point was asked for finds nothing much faster."""
    point = front[-1]
    asked = scaled(problem, point.asked)
    alone = outcome_of(asked, hunt(asked, families_of(problem.scenario), 1.0, 2))
    assert alone.feasible
    assert point.cost <= 1.03 * alone.candidates[0].prediction.run_time


def test_shares_hold_the_goal_and_the_ends() -> None:
    for top, points in ((1.0, 2), (1.05, 5), (6.0, 12), (2.0, 3)):
        shares = spread(top, points)
        assert len(shares) == points
        assert 1.0 in shares
        assert np.all(np.diff(shares) > 0)
        assert shares[0] == pytest.approx(LEAST_SHARE)


def test_no_front_without_pairs_or_points(problem: Problem, hunted: Hunt) -> None:
    none = replace(problem, pairs=Pairs(np.zeros((0, 2), dtype=np.intp), np.zeros(0)))
    assert front_of(none, hunted, 8, 1.0) == ()
    assert front_of(problem, hunted, 0, 1.0) == ()
    assert front_of(problem, Hunt({0: []}), 8, 1.0) == ()


def test_an_interrupt_keeps_the_points_there_are(
    problem: Problem, hunted: Hunt, monkeypatch: pytest.MonkeyPatch
) -> None:
    calls = iter(range(100))
    real = optimizer.front.settable

    def interrupted(*args: object) -> object:
        if next(calls) == 3:
            raise KeyboardInterrupt
        return real(*args)  # type: ignore[arg-type]

    monkeypatch.setattr(optimizer.front, "settable", interrupted)
    assert 1 <= len(front_of(problem, hunted, 8, 2.0)) <= 3


def test_a_front_comes_only_when_asked_for(problem: Problem) -> None:
    scenario = problem.scenario
    asking = replace(scenario, goal=replace(scenario.goal, front_points=4))
    assert 2 <= len(optimize(asking, problem.fit, 1.0)[1].front) <= 4
    assert optimize(scenario, problem.fit, 0.5)[1].front == ()
