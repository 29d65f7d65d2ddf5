"""Scenario files and documented scripts of 0b59a8b still work (README.md beside this says what is stored)."""

from __future__ import annotations

import contextlib
import io
import json
import shlex
import shutil
from pathlib import Path

import pytest

from benchmarks.same_results import differences
from tests.optimizer.app.test_docs_python import blocks
from tests.optimizer.command import call

OLD = Path(__file__).parent
SIX_DIGITS = 1e-6  # relative; as many as check gave of any number
# Parameters and their standard deviations: what is typical of compounds, and widths, are known better since.
FITTED = {
    "T0_C": "T0_sd_K",
    "theta_K": "theta_sd_K",
    "heat_capacity_change_J_per_mol_K": "heat_capacity_change_sd_J_per_mol_K",
}
SHIPPED = ("heat_sensitive", "rescued_pair", "slow_isothermal")


@pytest.mark.parametrize("name", SHIPPED)
def test_an_old_scenario_reads_and_fits_within_what_was_stated(
    name: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = OLD / "scenarios" / name
    assert call(monkeypatch, "check", folder, "--json") == 0
    capsys.readouterr()
    assert call(monkeypatch, "fit", folder, "--json") == 0
    before, fit = json.loads((folder / "fit.json").read_text("utf-8")), json.loads(capsys.readouterr().out)
    assert before.keys() <= fit.keys()
    assert fit["plate_height_factor"] == pytest.approx(before["plate_height_factor"], rel=0.05)
    for key, stated in (("oven_lag", before), ("injected_width_half", fit)):
        assert abs(fit[f"{key}_s"] - before[f"{key}_s"]) < 2 * stated[f"{key}_sd_s"]
    for then, now in zip(before["compounds"], fit["compounds"], strict=True):
        assert then.keys() <= now.keys()
        assert now["compound"] == then["compound"]
        for value, sd in FITTED.items():
            assert abs(now[value] - then[value]) < 2 * then[sd], (now["compound"], value)


def test_every_old_key_is_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    shutil.copytree(OLD / "scenarios" / "slow_isothermal", tmp_path / "every")
    shutil.copy(OLD / "scenarios" / "every_key.toml", tmp_path / "every" / "scenario.toml")
    assert call(monkeypatch, "check", tmp_path / "every", "--json") == 0
    read = json.loads(capsys.readouterr().out)
    # Since then check echoes the file's own keys, and what follows from them stands apart.
    derived, instrument = read["derived"], read["instrument"]
    read["column"]["phase_ratio"] = derived["phase_ratio"]
    read["inlet"]["highest_start_C"] = derived["highest_start_C"]
    instrument["oven_C"] = derived["oven_C"]
    instrument["max_inlet_kPa"] = round(instrument["max_inlet_pressure_kPa"], 1)
    instrument["flow_mL_min"] = [instrument["min_flow_mL_min"], instrument["max_flow_mL_min"]]
    before = json.loads((OLD / "scenarios" / "every_key.json").read_text("utf-8"))
    assert list(differences(before, read, tolerance=SIX_DIGITS)) == []


def test_the_old_blank_scenario_says_what_to_fill_in(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    blank = shutil.copy(OLD / "scenarios" / "blank_scenario.toml", tmp_path / "scenario.toml")
    assert call(monkeypatch, "check", tmp_path) == 2
    assert capsys.readouterr().err.count("line ") == Path(blank).read_text("utf-8").count('= "fill in"')


def test_the_old_python_page_runs(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    names: dict[str, object] = {}
    page = OLD / "python.md"
    scripts = 0
    for block in blocks(page):
        if block.info == "sh":
            for line in block.text.splitlines():
                assert call(monkeypatch, *shlex.split(line)[1:]) == 0, line
        elif block.info == "python":
            code = compile("\n" * (block.line - 1) + block.text, str(page), "exec")
            with contextlib.redirect_stdout(io.StringIO()):
                exec(code, names)
            scripts += 1
    assert scripts == 17
    assert (tmp_path / "results" / "candidates.json").is_file()
