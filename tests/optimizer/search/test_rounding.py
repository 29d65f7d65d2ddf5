"""Rounded programs: none of their neighbours on the instrument's grid is better, and they hold in the last draws."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from benchmarks.fitted_problems import Case, fitted
from models.column.programs import Array
from optimizer.goal.goal import Problem
from optimizer.goal.predict import predict
from optimizer.goal.uncertainty import with_uncertainty
from optimizer.search.descent import descend
from optimizer.search.found import FEASIBLE
from optimizer.search.program_space import Family, families_of
from optimizer.search.rounding import settable

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


def neighbours(family: Family, values: Array) -> Array:
    unit = np.eye(family.size) * family.step
    single = [far * row for row in unit for far in (-5, -3, -2, -1, 1, 2, 3, 5)]
    pairs = [s * a + r * b for n, a in enumerate(unit) for b in unit[:n] for s in (1, -1) for r in (1, -1)]
    return family.rounded(values + np.array([*single, *pairs]))


def test_no_neighbour_on_the_grid_ends_sooner(nominal: Problem) -> None:
    family, z = ramped(nominal)
    found = settable(nominal, family, z, 1)
    assert found.feasible
    points = neighbours(family, found.values)
    assessment = nominal.assess(family.batch(points), "polish")
    kept = np.flatnonzero(nominal.smallest_margin(assessment) >= FEASIBLE)
    assert kept.size
    step = nominal.scenario.instrument.steps.time
    for values, end in zip(points[kept], assessment.run_time[kept], strict=True):
        for eased in (False, True):
            sooner = family.program(values, float(end), step, eased).oven.duration
            assert sooner >= found.program.oven.duration - 1e-6


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
