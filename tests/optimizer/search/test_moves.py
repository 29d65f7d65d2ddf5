"""Starts that a chemist would try: known programs in families, edits of the best, and what a search makes of them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from benchmarks.mixtures import mixture
from models.column.programs import CarrierProgram, OvenProgram, Program, Ramp, batch_of
from models.units import flow_si, kelvin
from optimizer.goal.asides import RampMore
from optimizer.goal.goal import Problem
from optimizer.search.candidates import outcome_of
from optimizer.search.descent import assessed
from optimizer.search.moves import edits, holding, placed, until_end
from optimizer.search.program_space import WORDS, Family, families_of, family
from optimizer.search.rounding import settable
from tests.optimizer.searches import search_of

MODES = ("constant flow", "flow program")
RAMPED = CarrierProgram("flow", flow_si(1.0), 120.0, (Ramp(flow_si(0.5) / 60, flow_si(2.0)),))
CONSTANT = CarrierProgram("flow", flow_si(1.2))
TWO_RAMPS = OvenProgram(kelvin(50), 60.0, (Ramp(8 / 60, kelvin(140), 90.0), Ramp(20 / 60, kelvin(260), 1e5)))
SLOW = OvenProgram(kelvin(60), 30.0, (Ramp(2 / 60, kelvin(150), 1e5),))


@pytest.fixture(scope="module")
def problem() -> Problem:
    return mixture(10, 1, 3, modes=MODES)


@pytest.fixture(scope="module")
def families(problem: Problem) -> list[Family]:
    return families_of(problem.scenario)


def names(families: list[Family], numbers: list[int]) -> list[str]:
    return [families[number].name for number in numbers]


def retention(problem: Problem, some: Family, z: np.ndarray) -> np.ndarray:
    return problem.assess(some.batch(some.values(z[None])), "polish").retention[0]


def test_a_program_is_held_by_families_with_as_many_ramps_or_more(families: list[Family]) -> None:
    assert names(families, holding(families, Program(TWO_RAMPS, RAMPED))) == [
        "two ramps, flow ramp",
        "three ramps, flow ramp",
    ]
    assert names(families, holding(families, Program(TWO_RAMPS, CONSTANT)))[0] == "two ramps, constant flow"
    cooling = replace(TWO_RAMPS, ramps=(*TWO_RAMPS.ramps, Ramp(1.0, kelvin(50))))
    assert holding(families, Program(cooling, CONSTANT)) == []
    assert holding(families, Program(TWO_RAMPS, CarrierProgram("pressure", 2e5))) == []


@pytest.mark.parametrize("oven", [OvenProgram(kelvin(150), 1e5), SLOW, TWO_RAMPS])
@pytest.mark.parametrize("carrier", [CONSTANT, RAMPED])
def test_a_program_gives_the_same_peaks_in_every_family_that_holds_it(
    problem: Problem, families: list[Family], oven: OvenProgram, carrier: CarrierProgram
) -> None:
    program = Program(oven, carrier)
    expected = problem.assess(batch_of([program]), "polish").retention[0]
    numbers = holding(families, program)
    assert len(numbers) >= 2
    for number in numbers:
        z = placed(families[number], program)
        np.testing.assert_allclose(retention(problem, families[number], z), expected, rtol=1e-5)


def test_a_program_beyond_the_bounds_is_put_on_them(problem: Problem) -> None:
    one = family(problem.scenario, 1, "flow")
    wild = OvenProgram(kelvin(-50), 1e5, (Ramp(50.0, kelvin(900)),))
    z = placed(one, Program(wild, CarrierProgram("flow", 1.0)))
    values = one.values(z)
    assert ((values >= one.low - 1e-9) & (values <= one.high + 1e-9)).all()
    assert values[0] == pytest.approx(one.low[0])
    assert values[[1, 3, 4]] == pytest.approx(one.high[[1, 3, 4]])


def test_what_begins_after_the_last_peak_is_left_out(problem: Problem) -> None:
    baked = replace(SLOW, ramps=(*SLOW.ramps, Ramp(1.0, kelvin(250), 60.0)))
    assert until_end(problem, Program(baked, CONSTANT)).oven == SLOW
    assert until_end(problem, Program(TWO_RAMPS, CONSTANT)).oven.start == TWO_RAMPS.start


def test_edits_have_what_a_chemist_tries(problem: Problem, families: list[Family]) -> None:
    """A slow ramp: a last fast ramp, less of a hold, a split ramp, none at all, and more flow towards the end."""
    number = holding(families, Program(SLOW, CONSTANT))[0]
    one, z = families[number], placed(families[number], Program(SLOW, CONSTANT))
    made = edits(problem, one, z, families, np.random.default_rng(1))
    assert sorted(names(families, list(made))) == [
        "isothermal, constant flow",
        "one ramp, constant flow",
        "one ramp, flow ramp",
        "two ramps, constant flow",
    ]
    before = assessed(problem, one, z).cost
    by_name = {families[at].name: (families[at], points) for at, points in made.items()}
    two, points = by_name["two ramps, constant flow"]
    values = two.values(points)
    to_top = np.isclose(values[:, 6], problem.scenario.highest_temperature)
    assert to_top.any()
    assert min(assessed(problem, two, each).cost for each in points[to_top]) < before
    split = points[np.isclose(values[:, 6], values[:, 6].min())]
    assert np.ptp(two.values(split)[:, 2]) > 0  # halves of different rates
    ramped, points = by_name["one ramp, flow ramp"]
    assert (ramped.values(points)[:, -1] > flow_si(1.2)).all()
    same, points = by_name["one ramp, constant flow"]
    assert (same.values(points)[:, 1] == 0).any()  # the first hold ended by the ramp


def test_what_is_found_is_no_worse_than_the_program_given(problem: Problem, families: list[Family]) -> None:
    """One descent, which by itself finds nothing nearly as good."""
    good = outcome_of(problem, search_of(problem, families, 60)).candidates[0].prediction
    alone = search_of(problem, families, 2)
    found = search_of(problem, families, 2, given=[good.program])
    assert alone.all()[0].descent.cost > 1.02 * good.run_time or not alone.all()[0].feasible
    assert found.all()[0].feasible
    assert found.all()[0].descent.cost <= good.run_time
    shown = outcome_of(problem, found).candidates[0]
    assert shown.feasible
    assert shown.prediction.run_time <= good.run_time + 1e-6


def test_the_method_in_use_and_the_scouting_runs_are_among_the_ends(problem: Problem) -> None:
    program = Program(TWO_RAMPS, CONSTANT)
    known = replace(problem, scenario=replace(problem.scenario, current=program))
    some = families_of(known.scenario)
    number = holding(some, program)[0]
    found = search_of(known, some, 1)
    z = placed(some[number], until_end(known, program))
    nearest = min(np.abs(each.descent.z - z).max() for each in found.best[number])
    cost = assessed(known, some[number], z).cost
    assert nearest < 1e-9 or found.best[number][0].descent.cost <= cost


def test_families_of_up_to_five_ramps_are_rounded(problem: Problem) -> None:
    five = family(problem.scenario, 5, "flow", 1)
    assert five.name == "five ramps, flow ramp"
    assert len(WORDS) == 6
    z = placed(five, Program(SLOW, RAMPED))
    rounded = settable(problem, five, z, 1, until=0.0)
    np.testing.assert_allclose(five.rounded(rounded.values), rounded.values)


def test_one_ramp_more_in_words() -> None:
    assert (
        RampMore(4, 7.2).text
        == "A fourth oven ramp would save 0.12 min: set max_ramps = 4 to search with it."
    )
    assert RampMore(2, 0.0).text == (
        "A second oven ramp was tried in a short search, which found nothing faster: no proof that there is nothing."
    )
