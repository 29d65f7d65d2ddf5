"""What check says of a scenario: every key with the value the file states, or its default."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import Any

import pytest

from optimizer.base.tables import keys_of, tables_in
from optimizer.scenario.schema import ScenarioTable
from tests.optimizer.bad_inputs import write_good_scenario
from tests.optimizer.command import call

# Every key, none with its default.
FULL = """
title = "Everything stated"

[column]
length_m = 29.5
inner_diameter_mm = 0.32
film_thickness_um = 0.5
phase = "wax"
min_temperature_C = 30
max_temperature_C = 300
max_programmed_temperature_C = 320
max_time_above_continuous_min = 4
capacity_ng = 120
overload = true

[column.bleed]
levels = [{ at_C = 260, level_per_s = 0.9, flow_mL_min = 1.3 }]
activation_energy_kJ_per_mol = 171
concentration = true
max_level_per_s = 6.5

[carrier]
gas = "helium"
outlet = "vacuum"
ambient_pressure_kPa = 98.2

[instrument]
max_inlet_pressure_kPa = 510
min_inlet_pressure_kPa = 12.5
max_pressure_rate_kPa_per_min = 150
min_flow_mL_min = 0.4
max_flow_mL_min = 8
max_flow_rate_mL_per_min2 = 6
detector_max_flow_mL_min = 7
oven_min_C = 28
oven_max_C = 420
ambient_C = 22
above_ambient_C = 5
cryogenic = true
heating_limits = [{ up_to_C = 120, rate_C_per_min = 55 }, { up_to_C = 350, rate_C_per_min = 25 }]
cool_down = { from_C = 260, to_C = 45, min = 6.5 }
equilibration_min = 2.5
max_oven_ramps = 9
max_carrier_ramps = 2

[instrument.steps]
temperature_C = 0.5
rate_C_per_min = 0.1
time_min = 0.05
flow_mL_min = 0.01
pressure_kPa = 0.5
flow_rate_mL_per_min2 = 0.2
pressure_rate_kPa_per_min = 2.5

[inlet]
mode = "splitless"
solvent_boiling_point_C = 98.4
below_solvent_C = 12
purge_on_min = 0.75
split_ratio = 30
min_split_ratio = 10
septum_purge_mL_min = 2.5
max_total_flow_mL_min = 400
temperature_C = 280

[detector]
response_time_s = 0.08
readings_per_s = 25
min_points = 12
make_up_mL_min = 28
min_total_flow_mL_min = 24
max_total_flow_mL_min = 65
max_height_per_s = 120000
min_amount_ng = 0.5

[goal]
minimise = "cycle time"
min_resolution = 1.7
earliest_elution_min = 1.25
latest_elution_min = 25
min_retention_factor = 0.5
bake_out = { at_C = 290, hold_min = 3, rate_C_per_min = 20 }
shift_h = 7.5
front_points = 6
unknown_min_area_percent = 2.5
confidence = 0.85

[tolerances]
oven_C = 0.5
flow_percent = 2
pressure_percent = 1.5
hold_up_percent = 0.5
trimmed_m = 0.4
bore_percent = 1.5
film_percent = 8

[[columns]]
name = "narrow"
length_m = 20
inner_diameter_mm = 0.18
film_thickness_um = 0.18
min_temperature_C = 45
max_temperature_C = 340
capacity_ng = 25
gases = ["helium", "hydrogen"]

[fit]
flow_correction = "run"

[search]
carrier_modes = ["flow program", "constant pressure"]
max_ramps = 3
max_carrier_ramps = 2
seconds = 7.5
candidates = 4
seed = 77

[[scouting_runs]]
name = "slow"
peaks = "slow.csv"
columns = { area = "area" }
hold_up_min = 1.91
repeatability_min = 0.004
amount_factor = 0.5
day = "Monday"
oven = { start_C = 50, hold_min = 2, ramps = [{ rate_C_per_min = 5, to_C = 280, hold_min = 5 }] }

[scouting_runs.carrier]
mode = "flow program"
start_mL_min = 1.2
hold_min = 50
ramps = [{ rate_mL_per_min2 = 0.5, to_mL_min = 2 }]

[current]
oven = { start_C = 110, hold_min = 90, ramps = [{ rate_C_per_min = 20, to_C = 60, cooling = true }] }

[current.carrier]
mode = "pressure program"
start_kPa = 110.5
hold_min = 3
ramps = [{ rate_kPa_per_min = 2.5, to_kPa = 150 }]

[[analytes]]
compound = "toluene"
role = "internal standard"
max_elution_temperature_C = 150
max_time_above = { temperature_C = 120, min = 2.5 }
decomposition = { activation_energy_kJ_per_mol = 130, half_life_min = 0.00004, at_C = 210 }
min_intact_fraction = 0.95
amount_ng = 5
tailing = 1.2
formula = "C7H8"
near = { compounds = ["octane"], within_min = 3.5 }

[[pairs]]
between = ["octane", "p-xylene"]
min_resolution = 2.5
in_order = true

[[groups]]
name = "alkanes"
members = ["nonane", "decane"]

[[groups]]
name = "rest"
members = ["octane"]
min_resolution = 1.2
"""
# Keys of runs that only a recorded trace has, rules that exclude the ones above, and what FULL's search leaves out.
LEFT_OUT = {
    "min_signal_to_noise",
    "min_width_s",
    "from_trace",
    "ignore",
    "separable_by",
    "oven_temperature_C",
    *("choose_split", "max_split_ratio", "injected_volume_mL", "gas_saver"),  # of a split inlet
    *(
        "layer_thickness_um",
        "resistance_ms",
        "packed",
        "adsorbent",
        "measured",
        "segments",
    ),  # of other columns
}
TOP = {"compounds", "matching", "current"}


def stated_in(document: Any, stated: Any, place: str) -> list[str]:
    """Where a document lacks what a file states."""
    if isinstance(stated, dict):
        missing = [f"{place}.{key}" for key in stated if key not in document]
        return missing + [
            line
            for key in stated
            if key in document
            for line in stated_in(document[key], stated[key], f"{place}.{key}")
        ]
    if isinstance(stated, list):
        return [
            line
            for number, (ours, theirs) in enumerate(zip(document, stated, strict=True))
            for line in stated_in(ours, theirs, f"{place}[{number}]")
        ]
    return [] if document == stated else [f"{place}: {document} for {stated}"]


@pytest.fixture
def full(tmp_path: Path) -> Path:
    write_good_scenario(tmp_path)
    (tmp_path / "scenario.toml").write_text(FULL, encoding="utf-8")
    return tmp_path


def test_every_key_that_is_stated_is_in_the_document(
    full: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    stated = tomllib.loads(FULL)
    for name, field in keys_of(ScenarioTable).items():
        for table in tables_in(field.annotation) if name not in TOP else ():
            entries = stated[name] if isinstance(stated[name], list) else [stated[name]]
            keys = {key for entry in entries for key in entry}
            assert set(keys_of(table)) - keys <= LEFT_OUT, f"FULL states not every key of {name}"
    assert call(monkeypatch, "check", full, "--json") == 0
    document = json.loads(capsys.readouterr().out)
    for run in document["scouting_runs"]:
        run["peaks"] = run["peaks_file"]
    assert stated_in(document, stated, "") == []


def test_every_key_stands_on_the_console(
    full: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    assert call(monkeypatch, "check", full) == 0
    text = " ".join(capsys.readouterr().out.split())
    assert text.endswith(f"One scouting run is there; rampwright next {full} says which one to make next.")
    stated = tomllib.loads(FULL)
    for section in (
        "column",
        "carrier",
        "inlet",
        "detector",
        "goal",
        "tolerances",
        "fit",
        "search",
        "instrument",
    ):
        for key, value in stated[section].items():
            if not isinstance(value, dict | list):
                shown = json.dumps(value, ensure_ascii=False)
                assert f"{key} = {shown}" in text, key
    for part in (
        "cool_down = { from_C = 260, to_C = 45, min = 6.5 }",
        "{ up_to_C = 120, rate_C_per_min = 55 }",
        "flow_rate_mL_per_min2 = 0.2, pressure_rate_kPa_per_min = 2.5",
        "bake_out = { at_C = 290, hold_min = 3, rate_C_per_min = 20 }",
        "hold_up_min = 1.91, repeatability_min = 0.004",
    ):
        assert part in text, part


SPLIT = """
[inlet]
split_ratio = 30
choose_split = true
min_split_ratio = 8
max_split_ratio = 90
injected_volume_mL = 0.3
gas_saver = { after_min = 2, vent_flow_mL_min = 20 }

[goal]
"""


def test_what_is_stated_of_a_split_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    write_good_scenario(tmp_path)
    text = (tmp_path / "scenario.toml").read_text(encoding="utf-8")
    (tmp_path / "scenario.toml").write_text(text.replace("[goal]\n", SPLIT), encoding="utf-8")
    assert call(monkeypatch, "check", tmp_path, "--json") == 0
    stated = tomllib.loads(SPLIT)["inlet"]
    assert stated_in(json.loads(capsys.readouterr().out)["inlet"], stated, "") == []
    assert call(monkeypatch, "check", tmp_path) == 0
    told = " ".join(capsys.readouterr().out.split())
    assert "split ratio 30:1, chosen anew for every program, at least 8:1, at most 90:1" in told
    assert "gas saver of 20 mL/min from 2 min" in told


def test_defaults_stand_where_nothing_is_stated(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Gauge pressures refer to the room: the default of 400 kPa is 400 kPa on a mountain, too."""
    write_good_scenario(tmp_path)
    text = (tmp_path / "scenario.toml").read_text(encoding="utf-8")
    text = text.replace("max_inlet_pressure_kPa = 400\n", "").replace("= 101.325", "= 85")
    (tmp_path / "scenario.toml").write_text(text, encoding="utf-8")
    assert call(monkeypatch, "check", tmp_path, "--json") == 0
    document = json.loads(capsys.readouterr().out)
    assert document["instrument"]["max_inlet_pressure_kPa"] == 400
    assert document["instrument"]["min_inlet_pressure_kPa"] == 0
    assert document["goal"]["shift_h"] == 8
    assert document["goal"]["latest_elution_min"] is None
    assert document["search"]["carrier_modes"] == ["constant flow"]
    assert document["scouting_runs"][0]["repeatability_min"] == 0.003


def test_what_comes_next_is_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    write_good_scenario(tmp_path)
    monkeypatch.setenv("COLUMNS", "200")
    assert call(monkeypatch, "check", tmp_path) == 0
    assert (
        f"rampwright optimize {tmp_path} --out results searches." in capsys.readouterr().out.splitlines()[-1]
    )
