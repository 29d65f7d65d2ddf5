"""The demo scenario and the simulated instrument that made its data."""

from __future__ import annotations

import json
import math
import tomllib
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from optimizer.goal.goal import problem_of
from optimizer.methods.workflow import fit_scenario
from optimizer.scenario.reading import load_scenario
from tests.published.tables import rows as published
from tests.reference.instrument import stretches_of
from tests.scenarios.data_scripts import ROOT, load_script
from tests.scenarios.predictions import compared

FOLDER = ROOT / "scenarios" / "slow_isothermal"
OVEN = {"start_C": 50, "hold_min": 1, "ramps": [{"rate_C_per_min": 20, "to_C": 120, "hold_min": 2}]}
# A candidate of a 20 s search, as in README.md
CANDIDATE = {
    "oven": {
        "start_C": 43,
        "hold_min": 0.8,
        "ramps": [
            {"rate_C_per_min": 48, "to_C": 81, "hold_min": 1},
            {"rate_C_per_min": 50, "to_C": 174, "hold_min": 1},
        ],
    },
    "carrier": {"mode": "constant flow", "flow_mL_min": 4},
}

instrument = load_script(FOLDER)
INSTRUMENT, NOMINAL, PROGRAMS = instrument.INSTRUMENT, instrument.NOMINAL, instrument.PROGRAMS


@pytest.fixture(scope="module")
def current() -> tuple[list[Any], float]:
    """Peaks of the method in use as measured, and its hold-up time [s]."""
    return INSTRUMENT.measure(PROGRAMS["current"], instrument.NOISE_STREAM["current"])


def test_scouting_runs_heat_four_times_apart() -> None:
    scenario = load_scenario(FOLDER)
    rates = [run.program.oven.ramps[0].rate for run in scenario.runs]
    assert rates[1] / rates[0] == pytest.approx(4)


def test_the_method_in_use_is_slow_and_resolved(current: tuple[list[Any], float]) -> None:
    rows, _ = current
    last = rows[-1].time / 60
    assert 60 < last < 90
    assert last < tomllib.loads((FOLDER / "scenario.toml").read_text("utf-8"))["current"]["oven"]["hold_min"]
    resolutions = [instrument.resolution(a, b) for a, b in pairwise(rows)]
    assert min(resolutions) >= 1.5
    assert sum(rs < 3 for rs in resolutions) >= 2  # the close pairs that make the job worth doing


def test_isothermal_times_are_the_hold_up_time_and_the_retention_factor() -> None:
    # t = tM (1 + k), exact when nothing changes in time
    program = PROGRAMS["current"]
    T = program["oven"]["start_C"] + 273.15
    hold_up = INSTRUMENT.true_peak(program, None).time
    phase_ratio = NOMINAL.bore * instrument.BORE_FACTOR / (4 * NOMINAL.film)
    for name in ("2-pentanone", "n-undecane", "n-tetradecane"):
        k = math.exp(instrument.ln_retention_factor(name, phase_ratio)(T))
        assert INSTRUMENT.true_peak(program, name).time == pytest.approx(hold_up * (1 + k), rel=1e-7)


def test_alkanes_leave_by_carbon_number_at_even_steps_of_ln_k(current: tuple[list[Any], float]) -> None:
    # A homologous series is straight in ln k against carbon number, isothermally: common practice, no source.
    rows, hold_up = current
    time = {row.compound: row.time for row in rows}
    n = np.array([9, 11, 13, 14])
    alkanes = ["n-nonane", "n-undecane", "n-tridecane", "n-tetradecane"]
    ln_k = np.log([time[name] / hold_up - 1 for name in alkanes])
    slope, offset = np.polyfit(n, ln_k, 1)
    assert 0.5 < slope < 0.9
    assert np.abs(ln_k - slope * n - offset).max() < 0.03


def test_within_a_class_elution_follows_the_boiling_point(current: tuple[list[Any], float]) -> None:
    # On a nonpolar phase: common practice, no source. Boiling points: see tests/published/data.
    table = {row["compound"]: row["Tb_K_CRC_ORG"] for row in published("boiling_points")}
    boiling = {name: float(table[name]) for name in instrument.COMPOUNDS}
    order = [row.compound for row in current[0]]
    for kind in instrument.INTERACTION:
        members = [name for name in order if instrument.COMPOUNDS[name].kind == kind]
        assert members == sorted(members, key=boiling.__getitem__)


def test_retention_falls_with_temperature_by_plausible_enthalpies() -> None:
    # Heat of solution, 25 to 65 kJ/mol for compounds of this size: common practice, no source.
    for name in instrument.COMPOUNDS:
        ln_k = instrument.ln_retention_factor(name, 250.0)
        slope = (ln_k(383.15) - ln_k(363.15)) / (1 / 383.15 - 1 / 363.15)
        assert 25e3 < 8.314 * slope < 65e3, name


def test_vapour_pressure_curves_pass_through_their_table() -> None:
    for name, (T, p) in instrument.vapour_pressures().items():
        assert len(T) == 12, name
        off = [
            abs(instrument.ln_vapour_pressure(name)(float(t)) - math.log(q))
            for t, q in zip(T, p, strict=True)
        ]
        assert max(off) < 0.005, name  # what joining two correlations leaves


def test_scouting_times_differ_from_the_true_ones_by_the_stated_noise() -> None:
    off = []
    for name in ("slow", "fast"):
        measured, _ = INSTRUMENT.measure(PROGRAMS[name], instrument.NOISE_STREAM[name])
        off += [row.time - INSTRUMENT.true_peak(PROGRAMS[name], row.compound).time for row in measured]
    # 28 draws: the standard deviation is known to about 13 %, the mean to about 0.03 s
    assert 0.10 < np.std(off) < 0.20
    assert abs(np.mean(off)) < 0.09


def test_the_oven_obeys_its_lag() -> None:
    program = {"oven": OVEN, "carrier": {"mode": "constant flow", "flow_mL_min": 1.2}}
    stretches = stretches_of(NOMINAL, program, instrument.OVEN_LAG)
    set_point = [(0, 50.0), (60, 50.0), (270, 120.0), (1e6, 120.0)]
    for stretch, after in pairwise(stretches):
        assert stretch.stop == after.start
        assert stretch.temperature(stretch.stop) == pytest.approx(after.temperature(after.start), abs=1e-9)
        for t in np.linspace(stretch.start, min(stretch.stop, stretch.start + 30), 7):
            rate = (stretch.temperature(t + 1e-3) - stretch.temperature(t - 1e-3)) / 2e-3
            wanted = 273.15 + np.interp(t, *zip(*set_point, strict=True)) - stretch.temperature(t)
            assert instrument.OVEN_LAG * rate == pytest.approx(wanted, abs=1e-4)
    late_in_the_ramp = stretches[1].temperature(265.0) - 273.15
    assert np.interp(265, *zip(*set_point, strict=True)) - late_in_the_ramp == pytest.approx(
        20 / 60 * 4, rel=1e-6
    )


def test_a_confirmation_compares_with_the_prediction(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    candidate: dict[str, Any] = {
        "rank": 2,
        "oven": {
            "start_C": 60,
            "hold_min": 1.0,
            "ramps": [{"rate_C_per_min": 15, "to_C": 200, "hold_min": 1}],
        },
        "carrier": {"mode": "constant pressure", "inlet_kPa": 120.0},
        "run_time_min": 11.33,
    }
    truth, _ = INSTRUMENT.measure(candidate, 12)
    candidate["peaks"] = [
        {"compound": row.compound, "retention_min": (row.time - 3) / 60, "width_half_min": row.width / 60}
        for row in truth
    ]
    file, out = tmp_path / "candidates.json", tmp_path / "confirm.csv"
    file.write_text(json.dumps({"format": 1, "candidates": [candidate]}), encoding="utf-8")

    instrument.main(["--confirm", str(file), "--rank", "2", "--out", str(out)])
    printed = capsys.readouterr().out
    smallest = min(instrument.resolution(a, b) for a, b in pairwise(truth))
    assert "largest difference 3.00 s, mean +3.00 s" in printed
    assert f"predicted {smallest:.3f}" in printed
    assert f"confirmed {smallest:.3f}" in printed
    assert "run time 11.330 min" in printed
    assert "AFTER THE PROGRAM'S END" not in printed
    assert "NOT THE PREDICTED ONE" not in printed
    assert len(out.read_text("utf-8").splitlines()) == 1 + len(truth)

    first, second = candidate["peaks"][:2]
    first["compound"], second["compound"] = second["compound"], first["compound"]
    candidate["run_time_min"] = max(row.time for row in truth) / 60
    file.write_text(json.dumps({"format": 1, "candidates": [candidate]}), encoding="utf-8")
    instrument.main(["--confirm", str(file), "--rank", "2"])
    printed = capsys.readouterr().out
    assert "NOT THE PREDICTED ONE" in printed
    assert "AFTER THE PROGRAM'S END" in printed
    with pytest.raises(SystemExit, match="no candidate of rank 1"):
        instrument.main(["--confirm", str(file)])


def test_the_first_candidate_is_predicted_as_well_as_the_readme_says() -> None:
    scenario = load_scenario(FOLDER)
    found = compared(problem_of(scenario, fit_scenario(scenario)), INSTRUMENT, CANDIDATE)
    assert max(map(abs, found.late.values())) < 1.0  # s
    assert found.share > 0.9
    closest = found.pairs["1,2-dichlorobenzene", "methyl benzoate"]
    assert closest.predicted == pytest.approx(1.88, abs=0.03)
    assert abs(closest.true - closest.predicted) < closest.sd
    assert min(pair.true for pair in found.pairs.values()) == closest.true


def test_noise_of_a_confirmation_is_not_that_of_the_scouting_runs() -> None:
    again, _ = INSTRUMENT.measure(PROGRAMS["fast"], 11)
    once, _ = INSTRUMENT.measure(PROGRAMS["fast"], instrument.NOISE_STREAM["fast"])
    time = {row.compound: row.time for row in once}
    assert all(row.time != time[row.compound] for row in again)
