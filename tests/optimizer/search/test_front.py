"""The front between time and smallest resolution, on a mixture with known retention."""

from __future__ import annotations

import time
from dataclasses import replace
from itertools import count

import numpy as np
import pytest

import optimizer.search.front.front
from benchmarks.mixtures import mixture
from models.column.programs import batch_of
from models.units import kelvin
from optimizer.base.clock import now
from optimizer.goal.goal import Pairs, Problem
from optimizer.goal.outcome import FrontPoint
from optimizer.goal.predict import predict
from optimizer.methods.workflow import optimize
from optimizer.scenario.instrument_data import CoolDown
from optimizer.search.candidates import best_of_each_kind, family_name, outcome_of, score_of
from optimizer.search.found import FEASIBLE, Searched
from optimizer.search.front.front import Front, front_of
from optimizer.search.front.front_choice import (
    LARGEST_SHARE,
    LEAST_SHARE,
    Point,
    climb,
    cost_of,
    farthest_first,
    furthest,
    scaled,
    spread,
    thinned,
    undominated,
    widest_gap,
)
from optimizer.search.program_space import families_of
from optimizer.search.rounding import settable
from optimizer.show.pictures.front import free_place, number_sides
from tests.optimizer.searches import search_of, steps

NEEDED = 1.5


@pytest.fixture(scope="module")
def problem() -> Problem:
    return mixture(8, 1, 1)


@pytest.fixture(scope="module")
def searched(problem: Problem) -> Searched:
    return search_of(problem, families_of(problem.scenario), 50)


@pytest.fixture(scope="module")
def made(problem: Problem, searched: Searched) -> Front:
    return front_of(problem, searched, 8, steps(64))


@pytest.fixture(scope="module")
def front(made: Front) -> tuple[FrontPoint, ...]:
    return made.points


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


def test_the_goal_itself_lies_on_it(
    problem: Problem, searched: Searched, front: tuple[FrontPoint, ...]
) -> None:
    best = outcome_of(problem, searched).candidates[0].prediction.run_time
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
    alone = outcome_of(asked, search_of(asked, families_of(problem.scenario), 50, seed=2))
    assert alone.feasible
    assert point.cost <= 1.03 * alone.candidates[0].prediction.run_time


def test_shares_hold_the_goal_and_the_ends() -> None:
    for top, points in ((1.0, 2), (1.05, 5), (6.0, 12), (2.0, 3)):
        shares = spread(top, points)
        assert len(shares) == points
        assert 1.0 in shares
        assert np.all(np.diff(shares) > 0)
        assert shares[0] == pytest.approx(LEAST_SHARE)


def test_no_front_without_pairs_or_points(problem: Problem, searched: Searched) -> None:
    none = replace(problem, pairs=Pairs(np.zeros((0, 2), dtype=np.intp), np.zeros(0)))
    assert front_of(none, searched, 8, 1.0) == Front((), "No front: no pair needs a resolution.")
    assert front_of(problem, searched, 0, 1.0) == Front()
    assert (
        front_of(problem, Searched({0: []}), 8, 1.0).note
        == "No front: nothing was found that meets the goal."
    )


def test_it_reaches_nearly_as_far_as_anything_found(
    problem: Problem, searched: Searched, made: Front
) -> None:
    ends = [each[0] for each in searched.best.values() if each]
    best = furthest(problem, ends, now() + steps(32), np.random.default_rng(5))[0].share
    assert best > 1.5
    assert made.points[-1].asked >= 0.85 * min(best, LARGEST_SHARE)
    assert f"reach {made.points[-1].asked:.2f} times" in made.note


def test_a_climb_keeps_the_limits(problem: Problem, searched: Searched) -> None:
    start = searched.all()[0]
    reached = climb(problem, start.family, start.descent.z)
    assert reached is not None
    assert reached.share >= 1.0
    z = reached.found.descent.z[None]
    batch = start.family.batch(start.family.values(z))
    assessment = problem.assess(batch, "polish")
    assert assessment.limits.min() >= -1e-3
    shares = problem.pair_resolutions(assessment.retention, assessment.width_half) / problem.pairs.needed
    assert shares.min() >= reached.share * (1 - 1e-3)


def test_what_is_known_beforehand_is_on_it(problem: Problem, searched: Searched) -> None:
    """With hardly any time the candidates' best stands for the goal, and a line says that time ran out."""
    known = [each.prediction for each in outcome_of(problem, searched).candidates if each.feasible]
    short = front_of(problem, searched, 12, steps(0), known=known)
    at_goal = next(point for point in short.points if point.asked >= 1.0)
    assert at_goal.cost <= cost_of(problem, known[0])
    assert len(short.points) < 12
    assert f"{len(short.points)} of 12 points: the time for the front ran out" in short.note


def point(cost: float, reached: float, asked: float | None = None) -> Point:
    shown = FrontPoint(reached if asked is None else asked, "one ramp", None, cost)  # type: ignore[arg-type]
    return Point(reached, shown)


def test_of_many_points_the_evenly_spread_ones_are_shown() -> None:
    crowd = [point(100 + i, 0.5 + 0.001 * i) for i in range(20)]
    many = undominated([*crowd, point(150, 1.0), point(151, 1.01), point(200, 1.5), point(300, 2.0)])
    shown = thinned(many, 5)
    assert [each.shown.cost for each in shown if each.shown.cost > 140] in (
        [150, 200, 300],
        [150, 151, 200, 300],
    )
    assert len(shown) == 5
    assert shown[0] is many[0]
    assert [each.reached for each in thinned(many, 2)] == [1.0, 2.0]  # the goal and the best
    assert thinned(many[:3], 5) == many[:3]


def test_slower_and_worse_points_are_left_out() -> None:
    costs = [
        each.shown.cost for each in undominated([point(1, 1.0), point(2, 0.9), point(3, 1.0), point(4, 2.0)])
    ]
    assert costs == [1, 4]


def test_the_widest_gap_is_filled_first_and_the_top_is_a_gap() -> None:
    front = [point(100, 0.5), point(110, 0.6), point(300, 2.0)]
    assert widest_gap(front, set(), 2.0) == pytest.approx(np.sqrt(0.6 * 2.0))
    tried = {float(np.sqrt(0.6 * 2.0)), float(np.sqrt(0.5 * 0.6))}
    assert widest_gap(front, tried, 2.0) is None
    assert widest_gap(front, tried, 3.0) == pytest.approx(np.sqrt(6.0))


def test_shares_are_visited_from_the_ends_inwards() -> None:
    assert farthest_first([0.4, 1.0, 2.0, 3.0, 4.0]) == [1.0, 4.0, 0.4, 2.0, 3.0]


def test_labels_of_the_picture_keep_apart() -> None:
    crowded = np.array([[100.0, 50.0], [106.0, 54.0], [112.0, 58.0], [200.0, 90.0]])
    sides = number_sides(crowded)
    assert sides[-1] == "above left"  # alone
    assert len(set(sides[:3])) > 1
    across, side, _ = free_place(np.array([[380.0, 55.0], [370.0, 45.0]]), 50.0, 400.0)
    assert (across, side) == (0.0, "left")


def test_an_interrupt_keeps_the_points_there_are(
    problem: Problem, searched: Searched, monkeypatch: pytest.MonkeyPatch
) -> None:
    calls = iter(range(100))
    real = optimizer.search.front.front.settable

    def interrupted(*args: object) -> object:
        if next(calls) == 3:
            raise KeyboardInterrupt
        return real(*args)  # type: ignore[arg-type]

    monkeypatch.setattr(optimizer.search.front.front, "settable", interrupted)
    interrupted_front = front_of(problem, searched, 8, steps(32))
    assert 1 <= len(interrupted_front.points) <= 3
    assert "interrupted" in interrupted_front.note


def test_a_stalled_machine_changes_no_front(
    problem: Problem, searched: Searched, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every clock of the machine gains an hour at each look; what tests ask of a search stays the same."""
    hours = count()
    made = [front_of(problem, searched, 3, steps(16))]
    for name in ("perf_counter", "process_time", "monotonic", "time"):
        monkeypatch.setattr(time, name, lambda: 3600.0 * next(hours))
    made.append(front_of(problem, searched, 3, steps(16)))
    first, again = ([(each.asked, each.cost) for each in front.points] for front in made)
    assert first == again
    assert len(first) == 3


def test_a_front_comes_only_when_asked_for(problem: Problem) -> None:
    scenario = problem.scenario
    asking = replace(scenario, goal=replace(scenario.goal, front_points=4))
    outcome = optimize(asking, problem.fit, steps(80))[1]
    assert 2 <= len(outcome.front) <= 4
    assert outcome.front_note
    assert optimize(scenario, problem.fit, steps(6))[1].front == ()


@pytest.mark.parametrize("minimise", ["run time", "cycle time"])
def test_no_kind_is_shown_faster_than_its_best(problem: Problem, minimise: str) -> None:
    """What is said of each kind that was tried is what is minimised, and no candidate of that kind beats it."""
    scenario = problem.scenario
    # Without it there is no cycle time: a scenario that asks for one and states none is refused.
    instrument = replace(scenario.instrument, cool_down=CoolDown(kelvin(300.0), kelvin(50.0), 300.0))
    goal = replace(scenario.goal, minimise=minimise)
    asking = replace(problem, scenario=replace(scenario, instrument=instrument, goal=goal))
    outcome = outcome_of(asking, search_of(asking, families_of(asking.scenario), 50, seed=3))
    tried = dict(outcome.families)
    assert outcome.feasible
    for each in outcome.candidates:
        cost = cost_of(asking, each.prediction)
        assert tried[each.family] <= cost
        assert tried[each.family] == pytest.approx(cost, rel=0.03)  # of the same quantity


def test_a_ramp_that_came_out_flat_counts_for_its_new_kind(problem: Problem, searched: Searched) -> None:
    """Without any end of its own, a kind has the best of the programs that turned out to be of it."""
    ramped = next(ends[0] for ends in searched.best.values() if ends[0].family.ramps == 1)
    program = ramped.family.program(ramped.family.values(ramped.descent.z), 600.0, 6.0)
    flat = replace(program, oven=replace(program.oven, ramps=()))
    prediction = predict(problem, flat)
    rounded = replace(settable(problem, ramped.family, ramped.descent.z, 1), program=flat, margin=0.0)
    only = Searched({0: [ramped]})
    names = dict(best_of_each_kind(problem, only, [score_of(problem, rounded)], ()))
    assert names[ramped.family.name] == ramped.descent.cost
    assert names[family_name(flat)] == cost_of(problem, prediction)
    assert family_name(flat) != ramped.family.name
