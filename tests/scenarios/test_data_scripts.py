"""The scripts that made the scenarios' data: what they write is there, and they know nothing of the packages."""

from __future__ import annotations

from pathlib import Path

import pytest

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
