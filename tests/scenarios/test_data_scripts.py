"""The scripts that made the scenarios' data: what they write is there, and they know nothing of the packages."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
import tomlkit

from optimizer.runs.peak_tables import read_peak_table
from optimizer.scenario.reading import load_scenario
from tests.scenarios.data_scripts import (
    INSTRUMENT_FILES,
    ROOT,
    imported_by,
    load_script,
    of_the_packages,
    run_alone,
)

RUNS = {
    "slow_isothermal": ("slow", "fast"),
    "rescued_pair": ("slow", "fast"),
    "heat_sensitive": ("gentle", "steep"),
    "light_gases": ("slow", "fast"),
}


@pytest.fixture(params=RUNS)
def folder(request: pytest.FixtureRequest) -> Path:
    return ROOT / "scenarios" / str(request.param)


def test_regenerating_gives_the_committed_tables_and_hold_up_times(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    script = load_script(folder)
    script.main(["--out", str(tmp_path)])
    printed = capsys.readouterr().out
    for name in RUNS[folder.name]:
        assert (tmp_path / f"{name}.csv").read_bytes() == (folder / f"{name}.csv").read_bytes()
        assert f"{name}.csv written; hold_up_min = {script.PROGRAMS[name]['hold_up_min']:.3f}" in printed


def test_a_program_file_is_run_and_ends_when_the_program_does(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The method in use, from a file: its times are those of `--current` but for noise, and what is late is missing."""
    script = load_script(folder)
    text = (folder / "scenario.toml").read_text(encoding="utf-8")
    program, out = tmp_path / "next.toml", tmp_path / "run.csv"
    program.write_text(text.split("[current]\n")[1].split("\n\n")[0], encoding="utf-8")
    script.main(["--run", str(program), "--out", str(out)])
    printed = capsys.readouterr().out
    assert printed.startswith("hold-up")
    peaks = read_peak_table(out)
    truth = {
        name: script.INSTRUMENT.true_peak(script.PROGRAMS["current"], name).time for name in script.COMPOUNDS
    }
    assert set(peaks.compounds) == set(truth)
    for compound, time in zip(peaks.compounds, peaks.retention, strict=True):
        assert abs(time - truth[compound]) < 1.5
    first = out.read_bytes()
    script.main(["--run", str(program), "--out", str(out)])
    assert out.read_bytes() == first
    document = tomllib.loads(text)["current"]
    oven = document["oven"]
    if "ramps" in oven:
        (ramp,) = oven["ramps"]
        ramp["to_C"], ramp["hold_min"] = round(0.4 * oven["start_C"] + 0.6 * ramp["to_C"]), 0.0
        end = oven["hold_min"] + (ramp["to_C"] - oven["start_C"]) / ramp["rate_C_per_min"]
    else:
        end = oven["hold_min"] = oven["hold_min"] / 4
    program.write_text(tomlkit.dumps(document), encoding="utf-8")
    script.main(["--run", str(program), "--out", str(out)])
    early = read_peak_table(out)
    assert 0 < len(early.compounds) < len(truth)
    assert early.retention.max() < 60 * end


def test_the_script_and_what_it_stands_on_import_nothing_of_the_packages(folder: Path) -> None:
    names = imported_by((folder / "make_data.py", *INSTRUMENT_FILES))
    assert "tests.reference.integrator" in names
    assert of_the_packages(names) == set()


def test_nothing_of_the_packages_is_loaded_behind_its_back(folder: Path) -> None:
    done = run_alone(folder / "make_data.py")
    assert done.returncode == 0, done.stderr
    assert done.stdout.strip() == "[]"


def test_the_scenario_reads_without_a_warning(folder: Path) -> None:
    scenario = load_scenario(folder)
    assert scenario.warnings == ()
    assert set(scenario.compounds) == set(load_script(folder).COMPOUNDS)
    assert tuple(run.name for run in scenario.runs) == RUNS[folder.name]
