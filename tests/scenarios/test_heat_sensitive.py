"""The scenario of the peroxides, the simulated instrument that made its data, and what it is there to show."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from models.column.programs import CarrierProgram, OvenProgram, Program, Ramp, batch_of
from models.peaks.thermal_exposure import intact_fraction
from optimizer.goal.goal import Problem, problem_of
from optimizer.goal.requirements import decomposition_of
from optimizer.methods.workflow import fit_scenario, optimize
from optimizer.runs.peak_tables import read_peak_table
from optimizer.scenario.reading import load_scenario
from tests.optimizer.searches import steps
from tests.reference.instrument import Instrument, Measured, stretches_of
from tests.scenarios.data_scripts import ROOT, load_script
from tests.scenarios.predictions import compared

FOLDER = ROOT / "scenarios" / "heat_sensitive"
PEROXIDES = ("peroxide A", "peroxide B", "peroxide C")

# A candidate of a 20 s search, as in README.md, and the best that best_intact.py finds for oven ramps alone when the
# ethers are to have what they have in that candidate (--resolution 1.6), rounded to the instrument's steps.
PRESSURE_RAMP = {
    "oven": {
        "start_C": 36,
        "hold_min": 2.4,
        "ramps": [
            {"rate_C_per_min": 34.5, "to_C": 102, "hold_min": 2.7},
            {"rate_C_per_min": 8, "to_C": 105, "hold_min": 2.6},
        ],
    },
    "carrier": {
        "mode": "pressure program",
        "start_kPa": 53,
        "ramps": [{"rate_kPa_per_min": 61, "to_kPa": 341}],
    },
}
OVEN_ALONE = {
    "oven": {
        "start_C": 35,
        "hold_min": 3.5,
        "ramps": [
            {"rate_C_per_min": 35, "to_C": 106, "hold_min": 0.2},
            {"rate_C_per_min": 1, "to_C": 110, "hold_min": 5},
        ],
    },
    "carrier": {"mode": "constant flow", "flow_mL_min": 2.65},
}


script = load_script(FOLDER)
best_intact = load_script(FOLDER, "best_intact")
INSTRUMENT, NOMINAL, PROGRAMS = script.INSTRUMENT, script.NOMINAL, script.PROGRAMS


@pytest.fixture(scope="module")
def problem() -> Problem:
    scenario = load_scenario(FOLDER)
    return problem_of(scenario, fit_scenario(scenario))


def true_intact(program: dict[str, Any]) -> dict[str, float]:
    return {
        name: INSTRUMENT.intact_fraction(program, name, INSTRUMENT.true_peak(program, name).time)
        for name in PEROXIDES
    }


def true_run(program: dict[str, Any]) -> list[Any]:
    """Peaks without noise, in order of elution."""
    peaks = {name: INSTRUMENT.true_peak(program, name) for name in script.COMPOUNDS}
    rows = [Measured(name, peak.time, 2.3548 * peak.width, 1.0) for name, peak in peaks.items()]
    return sorted(rows, key=lambda row: row.time)


def test_peroxides_may_decompose_and_pressure_may_ramp() -> None:
    scenario = load_scenario(FOLDER)
    assert {each.compound for each in scenario.analytes if each.decomposition} == set(PEROXIDES)
    assert {scenario.detail(name).min_intact_fraction for name in PEROXIDES} == {0.97}
    assert "pressure program" in scenario.search.carrier_modes


def test_vapour_pressure_is_an_atmosphere_at_the_boiling_point_and_falls_by_the_stated_heat() -> None:
    for name, compound in script.COMPOUNDS.items():
        Tb, ln_p = compound.boiling, script.ln_vapour_pressure(compound.boiling)
        assert ln_p(Tb) == pytest.approx(math.log(101325), abs=1e-12), name
        heat = 8.314462618 * Tb**2 * (ln_p(Tb + 0.01) - ln_p(Tb - 0.01)) / 0.02  # Clausius and Clapeyron
        # Trouton's constant of liquids that do not associate, 85 to 90 J/(mol K): common practice, no source
        assert 85 < heat / Tb < 90, name


def test_decomposition_at_the_stated_temperature_follows_the_half_life() -> None:
    for name in PEROXIDES:
        stated = script.kinetics()[name]
        held = {
            "oven": {"start_C": stated["at_C"]},
            "carrier": {"mode": "constant pressure", "inlet_kPa": 90.0},
        }
        for share in (0.1, 1.0, 2.5):
            until = share * stated["half_life_min"] * 60
            assert INSTRUMENT.intact_fraction(held, name, until) == pytest.approx(0.5**share, rel=1e-9)
    assert INSTRUMENT.intact_fraction(held, "ester B", 1e5) == 1.0


def test_decomposition_in_a_ramp_agrees_with_the_closed_form_of_the_package(problem: Problem) -> None:
    prompt = Instrument(NOMINAL, replace(INSTRUMENT.reality, oven_lag=1e-3), INSTRUMENT.solutes)
    program = Program(
        OvenProgram(309.15, 144.0, (Ramp(34.5 / 60, 375.15, 162.0), Ramp(8 / 60, 378.15))),
        CarrierProgram("pressure", 154325.0),
    )
    kinetics = decomposition_of(problem.scenario, PEROXIDES)
    for until in (300.0, 500.0, 900.0):
        ours = intact_fraction(batch_of([program]), np.full((1, 3), until), np.arange(3), kinetics)[0]
        theirs = [prompt.intact_fraction(PRESSURE_RAMP, name, until) for name in PEROXIDES]
        assert theirs == pytest.approx(ours, abs=1e-6)


def test_stretches_join_and_follow_oven_and_pressure() -> None:
    stretches = stretches_of(NOMINAL, PRESSURE_RAMP, script.OVEN_LAG)
    ramped = 144 + 66 / 34.5 * 60  # the first oven ramp ends
    second = ramped + 162, ramped + 162 + 3 / 8 * 60
    raised = 288 / 61 * 60  # the pressure ramp ends
    pressure_corners = [0.0, raised, 1e6], [154325.0, 442325.0, 442325.0]
    oven_corners = [0.0, 144.0, ramped, *second, 1e6], [36.0, 36.0, 102.0, 102.0, 105.0, 105.0]
    assert stretches[0].start == 0
    for stretch, after in pairwise(stretches):
        assert stretch.stop == pytest.approx(after.start)
        assert stretch.temperature(stretch.stop) == pytest.approx(after.temperature(after.start), abs=1e-9)
        for t in np.linspace(stretch.start, stretch.stop, 5):
            assert stretch.pressure(t) == pytest.approx(np.interp(t, *pressure_corners), rel=1e-12)
            rate = (stretch.temperature(t + 1e-3) - stretch.temperature(t - 1e-3)) / 2e-3
            wanted = 273.15 + np.interp(t, *oven_corners) - stretch.temperature(t)
            assert script.OVEN_LAG * rate == pytest.approx(wanted, abs=1e-4)
    corners = {round(stretch.start, 3) for stretch in stretches[1:]}
    assert corners - {round(second[1] + 156, 3)} == {round(t, 3) for t in (144.0, ramped, *second, raised)}


def test_peroxides_are_missing_from_the_areas_of_the_steep_run() -> None:
    gentle, steep = (read_peak_table(FOLDER / f"{name}.csv") for name in ("gentle", "steep"))
    for name in script.COMPOUNDS:
        there, here = gentle.index(name), steep.index(name)
        assert there is not None
        assert here is not None
        kept = steep.area[here] / gentle.area[there]
        if name in PEROXIDES:
            assert kept < 0.9, name
        else:
            assert kept == pytest.approx(1.0, abs=0.05), name


def test_the_method_in_use_loses_most_of_the_last_peroxide() -> None:
    intact = true_intact(PROGRAMS["current"])
    assert intact["peroxide C"] < 0.5
    assert min(intact, key=intact.__getitem__) == "peroxide C"


def test_on_the_instrument_the_pressure_ramp_keeps_what_the_oven_alone_loses() -> None:
    kept = {}
    for program in (PRESSURE_RAMP, OVEN_ALONE):
        rows = true_run(program)
        assert min(script.resolution(a, b) for a, b in pairwise(rows)) > 1.5
        assert rows[-1].time < 13 * 60
        kept[program["carrier"]["mode"]] = min(true_intact(program).values())
    assert kept["pressure program"] >= 0.97
    assert kept["constant flow"] < 0.94


def test_the_first_candidate_is_predicted_as_well_as_the_readme_says(problem: Problem) -> None:
    found = compared(problem, INSTRUMENT, PRESSURE_RAMP)
    assert max(map(abs, found.late.values())) < 1.1  # s
    for name, share in true_intact(PRESSURE_RAMP).items():
        assert found.intact[name] == pytest.approx(share, abs=0.001), name
    # The weak spot, and README.md says so of another candidate: the ethers are predicted 0.08 too high.
    ethers = found.pairs["ether A", "ether B"]
    assert ethers.predicted == pytest.approx(1.58, abs=0.02)
    assert abs(ethers.predicted - ethers.true) < 1.2 * ethers.sd
    # A search before diffusion was fitted found it, with 90 %: it just holds.
    assert 0.78 < found.share < 0.87
    others = [pair for names, pair in found.pairs.items() if names != ("ether A", "ether B")]
    assert min(pair.true for pair in others) > 3.5


def test_no_oven_ramp_comes_near_the_pressure_ramp(problem: Problem) -> None:
    # A small search; best_intact.py with its defaults finds 0.973 and 0.989.
    best: dict[str, float] = {}
    for controlled, carrier_ramp, oven_ramps, descents in (
        ("flow", False, 2, 1),
        ("pressure", False, 2, 1),
        ("pressure", True, 1, 2),
    ):
        family = best_intact.family_of(problem, controlled, carrier_ramp, oven_ramps)
        margin, where = best_intact.best_of(problem, family, 512, descents, 1, None)
        assert where is not None, family.name
        best[family.name] = 0.97 ** math.exp(-margin)
        _, others = best_intact.margins(problem, family, where[None])
        assert others.min() >= -1e-4
    oven_alone = [share for name, share in best.items() if not name.startswith("pressure program")]
    assert 0.96 < max(oven_alone) < 0.975  # a poor search would fall short of the first
    assert best["pressure program, 1 oven ramp"] > 0.985


def test_with_a_third_longer_the_oven_alone_would_do(problem: Problem) -> None:
    # What stands in the way is time, not chemistry: the limit, not the search, shuts oven ramps out.
    scenario = replace(problem.scenario, goal=replace(problem.scenario.goal, latest_elution=17.3 * 60))
    patient = problem_of(scenario, problem.fit)
    family = best_intact.family_of(patient, "flow", False, 1)
    margin, _ = best_intact.best_of(patient, family, 512, 2, 1, None)
    assert 0.97 ** math.exp(-margin) > 0.97


def test_the_search_ends_on_a_pressure_ramp(problem: Problem) -> None:
    _, outcome = optimize(problem.scenario, problem.fit, seconds=steps(120), what_if=False)
    assert outcome.feasible
    first = outcome.candidates[0].prediction
    assert first.program.carrier.mode == "pressure program"
    intact = [first.intact_fraction[problem.scenario.compounds.index(name)] for name in PEROXIDES]
    assert min(intact) >= 0.97
    assert first.min_resolution >= 1.5


def test_a_confirmation_compares_with_the_prediction(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rows, _ = INSTRUMENT.measure(PRESSURE_RAMP, 11)
    peaks: list[dict[str, Any]] = [
        {
            "compound": row.compound,
            "retention_min": (row.time - 3) / 60,
            "width_half_min": row.width / 60,
            "intact_fraction": 0.5432 if row.compound in PEROXIDES else None,
        }
        for row in rows
    ]
    candidate = {"rank": 1, **PRESSURE_RAMP, "run_time_min": 11.34, "peaks": peaks}
    file, out = tmp_path / "candidates.json", tmp_path / "confirm.csv"
    file.write_text(json.dumps({"format": 1, "candidates": [candidate]}), encoding="utf-8")
    script.main(["--confirm", str(file), "--out", str(out)])
    printed = capsys.readouterr().out
    smallest = min(script.resolution(a, b) for a, b in pairwise(rows))
    intact = true_intact(PRESSURE_RAMP)
    assert "largest difference 3.00 s, mean +3.00 s" in printed
    assert f"smallest resolution confirmed {smallest:.3f}" in printed
    assert f"smallest intact fraction confirmed {min(intact.values()):.4f}" in printed
    for name in PEROXIDES:
        line = next(line for line in printed.splitlines() if line.startswith(name))
        assert line.endswith(f"0.5432{intact[name]:8.4f}")
    assert "AFTER THE PROGRAM'S END" not in printed
    assert "NOT THE PREDICTED ONE" not in printed
    assert len(out.read_text("utf-8").splitlines()) == 1 + len(rows)

    candidate["run_time_min"] = rows[-1].time / 60
    peaks[0]["retention_min"], peaks[1]["retention_min"] = (
        peaks[1]["retention_min"],
        peaks[0]["retention_min"],
    )
    file.write_text(json.dumps({"format": 1, "candidates": [candidate]}), encoding="utf-8")
    script.main(["--confirm", str(file)])
    printed = capsys.readouterr().out
    assert "AFTER THE PROGRAM'S END" in printed
    assert "NOT THE PREDICTED ONE" in printed
