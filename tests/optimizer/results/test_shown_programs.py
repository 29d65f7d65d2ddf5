"""What people are told of programs beside their set points: bake-outs, ramps that did not pay, longest runs."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest

import optimizer.search.candidates
from models.column.programs import Array, CarrierProgram, OvenProgram, Program, Ramp
from models.units import flow_si, kelvin
from optimizer.goal.cycle import with_bake_out
from optimizer.goal.goal import Problem, end_of_peak, problem_of
from optimizer.goal.outcome import Prediction
from optimizer.goal.predict import predict
from optimizer.scenario.data import BakeOut, Goal, SearchSettings
from optimizer.search.candidates import candidate_of, outcome_of
from optimizer.search.descent import Descent
from optimizer.search.found import Found, Searched
from optimizer.search.program_space import Family, family
from optimizer.search.reasons import about_flat_ramp, broken_limits, margins_of
from optimizer.search.rounding import Settable
from optimizer.show.pages.report import set_points_text
from optimizer.show.pages.report_candidate import bake_out_part
from tests.optimizer.made_up import (
    AMBIENT,
    PRESSURE_RAMP,
    compounds,
    made_up_fit,
    made_up_outcome,
    made_up_scenario,
    names_of,
    predicted,
)

NAMES, RETENTION = names_of(6), compounds(6)
SCENARIO = made_up_scenario(NAMES, RETENTION)
PROBLEM = problem_of(SCENARIO, made_up_fit(RETENTION))
FLOW = CarrierProgram("flow", flow_si(1.4))


def baked(bake_C: float, *ramps: tuple[float, float], start_C: float = 60.0) -> tuple[Prediction, BakeOut]:
    """A program whose method ends at the first 0.1 min after its last peak, and the bake-out behind it."""
    bake = BakeOut(kelvin(bake_C), 180.0)
    free = Program(
        OvenProgram(kelvin(start_C), 0.0, tuple(Ramp(rate / 60, kelvin(to)) for rate, to in ramps)), FLOW
    )
    seen = predicted(RETENTION, NAMES, free)
    end = float(np.ceil(end_of_peak(seen.retention, seen.width_half).max() / 6.0) * 6.0)
    rest = end - free.oven.duration
    assert rest >= 0  # every peak leaves after the last ramp
    if ramps:
        last = replace(free.oven.ramps[-1], hold=rest)
        cut = replace(free, oven=replace(free.oven, ramps=(*free.oven.ramps[:-1], last)))
    else:
        cut = replace(free, oven=replace(free.oven, hold=rest))
    scenario = replace(SCENARIO, goal=Goal("run time", 1.5, 0.0, bake_out=bake))
    return predicted(RETENTION, NAMES, with_bake_out(scenario, cut)), bake


@pytest.mark.parametrize(
    ("bake_C", "ramps", "own_ramp", "step", "words"),
    [
        (
            300.0,
            ((30.0, 150.0),),
            True,
            "ramp 2 (bake-out)",
            "ramp 2 and its hold, 3 min at 300 °C; begins at",
        ),
        (
            150.0,
            ((30.0, 150.0),),
            False,
            "ramp 1",
            "the last 3 min at 150 °C, part of the last hold; begins at",
        ),
        (
            120.0,
            ((30.0, 150.0),),
            False,
            "ramp 1",
            "the last 3 min at 150 °C, part of the last hold; begins at",
        ),
        (200.0, (), True, "ramp 1 (bake-out)", "ramp 1 and its hold, 3 min at 200 °C; begins at"),
        (100.0, (), False, "start", "the last 3 min at 140 °C, part of the hold; begins at"),
    ],
)
def test_the_bake_out_is_told_from_the_method(
    bake_C: float, ramps: tuple[tuple[float, float], ...], own_ramp: bool, step: str, words: str
) -> None:
    prediction, bake = baked(bake_C, *ramps, start_C=60.0 if ramps else 140.0)
    scenario = replace(SCENARIO, goal=Goal("run time", 1.5, 0.0, bake_out=bake))
    part = bake_out_part(scenario, prediction)
    assert part is not None
    assert part.own_ramp == own_ramp
    last = float(end_of_peak(prediction.retention, prediction.width_half).max())
    assert last - 1e-6 <= part.begins <= last + 6.0  # the clock's step
    text = set_points_text(scenario, made_up_outcome([prediction]))
    assert f"Bake-out: {words} {part.begins / 60:.2f} min" in text
    assert f"  {step}" in text
    assert ("(bake-out)" in text) == own_ramp


def test_without_a_bake_out_nothing_is_marked() -> None:
    prediction, _ = baked(300.0, (30.0, 150.0))
    assert bake_out_part(SCENARIO, prediction) is None
    assert "ake-out" not in set_points_text(SCENARIO, made_up_outcome([prediction]))


def test_a_flat_carrier_says_that_no_ramp_paid() -> None:
    constant = Program(OvenProgram(kelvin(60.0), 600.0), FLOW)
    ramps_only = replace(
        SCENARIO,
        search=SearchSettings(("flow program", "pressure program"), 2, seconds=20.0, candidates=5, seed=1),
    )
    (line,) = about_flat_ramp(ramps_only, constant)
    assert line.startswith("Constant flow is what came of the flow program")
    assert "\n" not in line
    problem = replace(PROBLEM, scenario=ramps_only)
    rounded = cast(Settable, SimpleNamespace(program=constant, feasible=False, reliability=None))
    assert line in candidate_of(problem, rounded, predict(PROBLEM, constant), None).warnings
    assert about_flat_ramp(ramps_only, PRESSURE_RAMP) == ()
    assert about_flat_ramp(SCENARIO, constant) == ()  # asked for


def test_the_longest_run_says_where_it_comes_from() -> None:
    """240 min, as in docs/scenario.md, or twice the longest program known."""
    slow = Program(OvenProgram(kelvin(110.0), 250 * 60.0), FLOW)
    words = "run of 250 min (the search stops at 240 min)"
    assert words in [each.text for each in margins_of(PROBLEM, predict(PROBLEM, slow))]
    known = problem_of(replace(SCENARIO, current=slow), made_up_fit(RETENTION))
    words = "run of 250 min (the search stops at 500 min, twice the longest run known)"
    assert words in [each.text for each in margins_of(known, predict(known, slow))]


def test_limits_of_a_program_no_search_would_make_are_told_too() -> None:
    """Another carrier variable than any that is searched, and a temperature far above the column's limit."""
    odd = Program(
        OvenProgram(kelvin(60.0), 0.0, (Ramp(0.5, kelvin(420.0)),)), CarrierProgram("velocity", 0.4)
    )
    assert any("column up to 420 °C" in line for line in broken_limits(PROBLEM, predict(PROBLEM, odd)))


def shown(monkeypatch: pytest.MonkeyPatch, *highest_kPa: float) -> list[float]:
    """Highest pressures [kPa gauge] of what is shown of programs of one kind that end together, alike in all else."""
    of = family(SCENARIO, 1, "pressure", carrier_ramps=1)
    programs = {
        number / len(highest_kPa): replace(
            PRESSURE_RAMP,
            carrier=CarrierProgram(
                "pressure", AMBIENT + 80e3, 900.0, (Ramp(1e4, AMBIENT + 1e3 * pressure, 0.0),)
            ),
        )
        for number, pressure in enumerate(highest_kPa)
    }

    def as_it_is(problem: Problem, of: Family, z: Array, seed: int, *_: object) -> Settable:
        return Settable(of, z, of.values(z), programs[float(z[0])], 0.1, 0.1, 0.0)

    monkeypatch.setattr(optimizer.search.candidates, "settable", as_it_is)
    ends = [Found(of, Descent(np.full(of.size, place), 1000.0, 0.1, 0.1, 0.0, 1)) for place in programs]
    found = outcome_of(PROBLEM, Searched(best={0: ends}))
    return [(each.prediction.program.carrier.ramps[0].target - AMBIENT) / 1e3 for each in found.candidates]


def test_programs_that_differ_in_the_carriers_ramp_alone_are_no_repeats(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    assert shown(monkeypatch, 180.0, 300.0) == pytest.approx([180.0, 300.0])
    assert shown(monkeypatch, 180.0, 190.0) == pytest.approx([180.0])


def test_of_one_kind_no_more_than_two_programs_are_shown(monkeypatch: pytest.MonkeyPatch) -> None:
    assert SCENARIO.search.candidates > 2
    assert len(shown(monkeypatch, 180.0, 240.0, 300.0, 380.0)) == 2
