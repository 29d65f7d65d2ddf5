"""Rounded programs: none of their neighbours on the instrument's grid is better, and they hold in the last draws."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from benchmarks.fitted_problems import Case, fitted
from models.column.programs import Array
from optimizer.goal.goal import Problem
from optimizer.goal.predict import predict
from optimizer.goal.uncertainty import with_uncertainty
from optimizer.methods.workflow import optimize
from optimizer.search import candidates
from optimizer.search.descent import assessed, descend
from optimizer.search.found import FEASIBLE, Found, Searched
from optimizer.search.program_space import Family, families_of
from optimizer.search.rounding import Settable, settable

CASE = Case("six", 6, 3, 1, ("constant flow",), 0.7, robust=True)


@pytest.fixture(scope="module")
def robust() -> Problem:
    return fitted(CASE, 1.5)


@pytest.fixture(scope="module")
def nominal(robust: Problem) -> Problem:
    scenario = robust.scenario
    return replace(robust, scenario=replace(scenario, goal=replace(scenario.goal, confidence=0.0)))


def ramped(problem: Problem) -> tuple[Family, Array]:
    """The family with a ramp, and the best end of some descents (D,)."""
    family = families_of(problem.scenario)[-1]
    rng = np.random.default_rng(1)
    ends = [descend(problem, family, rng.random(family.size)) for _ in range(8)]
    return family, min(ends, key=lambda end: (end.margin < FEASIBLE, end.cost)).z


def far_neighbours(family: Family, values: Array) -> Array:
    """Two set points moved by many steps, as a flow is paid for by a hold."""
    unit = np.eye(family.size) * family.step
    either_way = [sign * far for far in (1, 2, 4, 8, 16, 32) for sign in (1, -1)]
    pairs = [
        s * a + r * b for n, a in enumerate(unit) for b in unit[:n] for s in either_way for r in either_way
    ]
    return family.rounded(values + np.array(pairs))


def neighbours(family: Family, values: Array) -> Array:
    unit = np.eye(family.size) * family.step
    single = [far * row for row in unit for far in (-5, -3, -2, -1, 1, 2, 3, 5)]
    pairs = [s * a + r * b for n, a in enumerate(unit) for b in unit[:n] for s in (1, -1) for r in (1, -1)]
    return family.rounded(values + np.array([*single, *pairs]))


@pytest.mark.parametrize("near", [neighbours, far_neighbours])
def test_no_neighbour_on_the_grid_ends_sooner(
    nominal: Problem, near: Callable[[Family, Array], Array]
) -> None:
    family, z = ramped(nominal)
    found = settable(nominal, family, z, 1)
    assert found.feasible
    points = near(family, found.values)
    assessment = nominal.assess(family.batch(points), "polish")
    kept = np.flatnonzero(nominal.smallest_margin(assessment) >= FEASIBLE)
    assert kept.size
    step = nominal.scenario.instrument.steps.time
    for values, end in zip(points[kept], assessment.run_time[kept], strict=True):
        for eased in (False, True):
            sooner = family.program(values, float(end), step, eased).oven.duration
            assert sooner >= found.program.oven.duration - 1e-6


def test_a_further_end_is_rounded_where_it_may_be_shorter_on_the_grid(
    nominal: Problem, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As if the best end lost a tenth on the grid: the next, 5 % behind, is rounded too, one 20 % behind is not."""
    family, z = ramped(nominal)
    end, real = assessed(nominal, family, z), settable(nominal, family, z, 1)
    points = [z, *(np.clip(z + shift, 0.0, 1.0) for shift in (0.01, 0.02))]
    cost = real.cost(nominal)
    ends = [
        Found(family, replace(end, z=point, cost=share * cost, margin=0.0))
        for point, share in zip(points, (0.9, 0.95, 1.2), strict=True)
    ]
    tried: list[float] = []

    def counted(problem: Problem, family: Family, z: Array, *others: object) -> Settable:
        tried.append(next(each.descent.cost for each in ends if each.descent.z is z) / cost)
        return real

    monkeypatch.setattr(candidates, "settable", counted)
    assert candidates.outcome_of(nominal, Searched(best={0: ends})).feasible
    assert tried == pytest.approx([0.9, 0.95])
    tried.clear()  # of programs that were given even when time is over
    late = Searched(best={0: ends[:1]}, given=ends[1:])
    assert candidates.outcome_of(nominal, late, 0.0).feasible
    assert tried == pytest.approx([0.9, 0.95])


def test_with_rounds_nothing_is_left_unrounded(nominal: Problem) -> None:
    asked = replace(nominal.scenario.search, carrier_modes=("constant flow", "constant pressure"))
    scenario = replace(nominal.scenario, search=asked)
    _, outcome = optimize(scenario, nominal.fit, rounds=8, what_if=False)
    assert outcome.feasible
    assert len(outcome.candidates) > 1
    assert candidates.NO_TIME not in outcome.candidates_note


def test_the_program_holds_in_draws_that_nothing_followed(robust: Problem) -> None:
    family, z = ramped(robust)
    found = settable(robust, family, z, 1)
    assert found.feasible
    _, reliability = with_uncertainty(robust, predict(robust, found.program), exact=True)
    assert reliability.share >= robust.confidence
    assert reliability.share == pytest.approx(robust.confidence + found.spare)


def test_rounding_has_draws_of_its_own(robust: Problem) -> None:
    usual, other, fresh = (
        set(each.robustness.draws("flow").shared[:, 3])
        for each in (robust, robust.by_other_draws, robust.afresh)
    )
    assert len(fresh) > len(other) > len(usual)
    assert not other & usual
    assert not other & fresh
