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
# What widths say came without diffusion as a parameter then; all that times say is as it was.
OF_WIDTHS = ("plate_height_factor", "injected_width_s", "injected_width_half_s", "injected_width_half_sd_s")
SHIPPED = ("heat_sensitive", "rescued_pair", "slow_isothermal")


@pytest.mark.parametrize("name", SHIPPED)
def test_an_old_scenario_reads_and_fits_as_it_did(
    name: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = OLD / "scenarios" / name
    assert call(monkeypatch, "check", folder, "--json") == 0
    capsys.readouterr()
    assert call(monkeypatch, "fit", folder, "--json") == 0
    before, fit = json.loads((folder / "fit.json").read_text("utf-8")), json.loads(capsys.readouterr().out)
    changed = {key: (before.pop(key), fit.pop(key)) for key in OF_WIDTHS}
    assert changed["plate_height_factor"][1] == pytest.approx(changed["plate_height_factor"][0], rel=0.05)
    width, sd = changed["injected_width_half_s"], changed["injected_width_half_sd_s"][1]
    assert abs(width[1] - width[0]) < 2 * sd
    assert list(differences(before, fit)) == []


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
