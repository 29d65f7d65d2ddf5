"""A search that begins from given programs, and what one oven ramp more would save."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

import rampwright as rw
from models.errors import InvalidInputError
from optimizer.base.errors import ScenarioError
from optimizer.results.set_points import program_file
from tests.optimizer.bad_inputs import write_good_scenario
from tests.optimizer.command import call

COOLING = {"start_C": 250, "hold_min": 1, "ramps": [{"rate_C_per_min": 5, "to_C": 60, "cooling": True}]}
FLOW = {"mode": "constant flow", "flow_mL_min": 1.2}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("start_from") / "five"
    write_good_scenario(made)
    return made


@pytest.fixture(scope="module")
def fitted(folder: Path) -> rw.Fitted:
    scenario = rw.load_scenario(folder)  # with two ramps, of which one round finds one
    return rw.fit(replace(scenario, search=replace(scenario.search, max_ramps=2)))


@pytest.fixture(scope="module")
def good(fitted: rw.Fitted) -> rw.Optimized:
    return rw.optimize(fitted, rounds=60, what_if=False)


@pytest.fixture(scope="module")
def saved(good: rw.Optimized, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Its folder of results."""
    folder = tmp_path_factory.mktemp("start_from") / "results"
    good.save(folder)
    return folder


@pytest.fixture(scope="module")
def alone(fitted: rw.Fitted) -> rw.Optimized:
    """What one round finds that starts from nothing."""
    return rw.optimize(fitted, rounds=1, what_if=False)


@pytest.mark.parametrize("given", ["candidate", "program file", "results folder"])
def test_what_is_found_is_no_worse_than_what_was_given(
    given: str, fitted: rw.Fitted, good: rw.Optimized, saved: Path, alone: rw.Optimized, tmp_path: Path
) -> None:
    best = good.candidates[0]
    assert best.feasible
    scenario, file = fitted.scenario, tmp_path / "tuned.toml"
    file.write_bytes(
        program_file(best.prediction.program, good.problem.fit.system, scenario.ambient_pressure)
    )
    ways = {
        "candidate": best,
        "program file": file,
        "results folder": saved,
    }
    assert not alone.feasible or alone.candidates[0].prediction.run_time > best.prediction.run_time
    again = rw.optimize(fitted, rounds=1, what_if=False, start_from=ways[given])
    assert again.candidates[0].feasible
    assert again.candidates[0].prediction.run_time <= best.prediction.run_time + 1e-6


def test_fewer_candidates_than_asked_for_are_explained_in_one_line(
    fitted: rw.Fitted, good: rw.Optimized, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked, shown = fitted.scenario.search.candidates, len(good.candidates)
    assert 0 < shown < asked
    assert good.outcome.candidates_note.startswith(f"{shown} of {asked} candidates that were asked for: ")
    assert good.to_dict()["candidates_note"] == good.outcome.candidates_note
    search = replace(fitted.scenario.search, candidates=1)
    one = rw.optimize(rw.fit(replace(fitted.scenario, search=search)), rounds=8, what_if=False)
    assert len(one.candidates) == 1
    assert one.to_dict()["candidates_note"] is None


def test_the_command_starts_from_a_folder(
    folder: Path, saved: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    options = ("--rounds", "1", "--no-what-if", "--start-from", saved)
    assert call(monkeypatch, "optimize", folder, "--out", tmp_path / "out", *options) == 0
    assert (
        call(monkeypatch, "optimize", folder, "--out", tmp_path / "no", *options[:-1], tmp_path / "none") == 2
    )


def test_a_program_of_a_kind_that_is_not_searched_is_refused(fitted: rw.Fitted) -> None:
    with pytest.raises(InvalidInputError, match="no program to start from is of a kind that is searched"):
        rw.optimize(fitted, rounds=1, start_from={"oven": COOLING, "carrier": FLOW})
    with pytest.raises(ScenarioError):
        rw.optimize(fitted, rounds=1, start_from="nowhere.toml")


RAMP = {"rate_C_per_min": 10, "hold_min": 0}


@pytest.mark.parametrize(
    ("oven", "carrier", "says"),
    [
        (
            {"start_C": 50, "hold_min": 1, "ramps": [{**RAMP, "to_C": to} for to in (55, 60, 250)]},
            FLOW,
            "3 oven ramps, search.max_ramps is 2: set max_ramps = 3 under [search]",
        ),
        (
            {"start_C": 50, "hold_min": 1, "ramps": [{**RAMP, "to_C": 250}]},
            {"mode": "constant velocity", "velocity_cm_s": 40},
            'a constant velocity, search.carrier_modes has "constant flow": add "constant velocity" there',
        ),
        (COOLING, FLOW, "a ramp that cools, and those are not searched"),
    ],
)
def test_a_refused_program_is_told_why_and_which_key_to_change(
    oven: dict[str, object], carrier: dict[str, object], says: str, fitted: rw.Fitted
) -> None:
    with pytest.raises(InvalidInputError) as refused:
        rw.optimize(allowing(fitted, 2), rounds=1, start_from={"oven": oven, "carrier": carrier})
    assert str(refused.value) == f"no program to start from is of a kind that is searched: {says}"


STEP = 6.0  # s: candidates are rounded to a tenth of a minute, what one ramp more saves is not


def allowing(fitted: rw.Fitted, ramps: int, **instrument: int) -> rw.Fitted:
    scenario = fitted.scenario
    return rw.fit(
        replace(
            scenario,
            search=replace(scenario.search, max_ramps=ramps),
            instrument=replace(scenario.instrument, **instrument),
        )
    )


def test_one_ramp_more_is_tried_where_all_are_needed_and_never_offered(fitted: rw.Fitted) -> None:
    """Isothermal runs of this mixture take far longer than a ramp."""
    found = rw.optimize(allowing(fitted, 0), rounds=40)
    assert found.feasible
    more = found.outcome.ramp_more
    assert more is not None
    assert more.ramps == 1
    ramped = rw.optimize(allowing(fitted, 1), rounds=40, what_if=False).candidates[0].prediction.run_time
    saved = found.candidates[0].prediction.run_time - ramped
    assert 0 < more.saves <= saved + STEP
    assert all(not each.prediction.program.oven.ramps for each in found.candidates)
    assert found.to_dict()["search"]["ramp_more"]["saves_min"] == pytest.approx(more.saves / 60, abs=0.006)


@pytest.mark.parametrize(("ramps", "most"), [(0, 0), (5, 20)])
def test_no_ramp_more_than_the_instrument_or_the_search_knows(
    ramps: int, most: int, fitted: rw.Fitted
) -> None:
    found = rw.optimize(allowing(fitted, ramps, max_oven_ramps=most), rounds=3)
    assert found.outcome.ramp_more is None
