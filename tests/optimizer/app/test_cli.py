"""The commands as a person calls them: output, files, exit statuses; wrong input gives one message and no traceback."""

from __future__ import annotations

import json
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner

from optimizer.app.cli import app
from tests.optimizer.bad_inputs import BAD_INPUTS, BadInput, write_good_scenario
from tests.optimizer.command import call
from tests.optimizer.interrupted import HANG, contents, started


@pytest.mark.parametrize("bad", BAD_INPUTS, ids=lambda bad: bad.name)
def test_bad_input_exits_with_two_and_its_message(
    bad: BadInput, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "scenario"
    write_good_scenario(folder)
    bad.spoil(folder)
    assert call(monkeypatch, "check", folder) == 2
    printed = capsys.readouterr()
    assert printed.out == ""
    assert "Traceback" not in printed.err
    for fragment in bad.fragments:
        assert fragment in printed.err


def test_there_are_at_least_forty_bad_inputs() -> None:
    assert len({bad.name for bad in BAD_INPUTS}) >= 40


def test_check_says_what_it_understood(
    scenario: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert call(monkeypatch, "check", scenario) == 0
    out = capsys.readouterr().out
    for part in ("Five solvents", "30 m × 0.25 mm × 0.25 µm", "helium", "5 °C/min to 280 °C", "slow", "fast"):
        assert part in out


def test_check_gives_back_what_was_entered_in_the_units_of_the_keys(
    scenario: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Every number differs from its default and from the others, so that none stands for another."""
    file = scenario / "scenario.toml"
    text = file.read_text(encoding="utf-8")
    text = text.replace("_C = 350\n", "_C = 350\nmax_time_above_continuous_min = 7.5\n")
    text = text.replace(
        "[[scouting_runs]]",
        """[instrument.steps]
temperature_C = 0.5
rate_C_per_min = 0.25
time_min = 0.05
flow_mL_min = 0.02
pressure_kPa = 0.7

[[scouting_runs]]""",
        1,
    )
    file.write_text(text, encoding="utf-8")
    assert call(monkeypatch, "check", scenario, "--json") == 0
    document = json.loads(capsys.readouterr().out)
    entered = tomllib.loads(text)
    for key, value in entered["column"].items():
        assert document["column"][key] == value, key
    assert document["carrier"] == entered["carrier"]
    instrument = document["instrument"]
    steps = {**instrument["steps"], **entered["instrument"].pop("steps")}
    assert instrument == {**instrument, **entered["instrument"], "steps": steps}


def test_json_is_one_document_and_nothing_else(
    scenario: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    for command in ("check", "fit", "predict"):
        assert call(monkeypatch, command, scenario, "--json") == 0
        printed = capsys.readouterr()
        document = json.loads(printed.out)
        assert document["format"] == 1
        assert printed.err == ""


def test_fit_reports_residuals_and_that_two_runs_cannot_be_tested(
    scenario: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert call(monkeypatch, "fit", scenario) == 0
    out = capsys.readouterr().out
    assert "residual" in out
    assert "Two runs cannot show a mistake" in " ".join(out.split())


def test_predict_shows_what_is_new_and_where_the_rest_is(
    scenario: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert call(monkeypatch, "predict", scenario) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "Two runs cannot show a mistake" not in out
    assert re.search(
        r"Warnings of the scenario and its fit \([1-9]\): rampwright check, rampwright fit\.", out
    )
    assert out.count("Caution:") == 1
    assert call(monkeypatch, "predict", scenario, "--json") == 0
    document = json.loads(capsys.readouterr().out)
    assert any("Two runs cannot show a mistake" in each for each in document["warnings"])
    assert len(document["cautions"]) > 1


def test_predict_takes_a_program_file(
    scenario: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    program = tmp_path / "program.toml"
    program.write_text(
        "oven = { start_C = 50, hold_min = 2, ramps = [{ rate_C_per_min = 5, to_C = 280, hold_min = 5 }] }\n"
        'carrier = { mode = "constant flow", flow_mL_min = 1.2 }\n',
        encoding="utf-8",
    )
    assert call(monkeypatch, "predict", scenario, "--program", program, "--json") == 0
    peaks = {row["compound"]: row for row in json.loads(capsys.readouterr().out)["peaks"]}
    # The slow scouting run itself: its measured times must come back within the fit's residuals.
    slow = (scenario / "slow.csv").read_text(encoding="utf-8").splitlines()[1:]
    for line in slow:
        compound, retention = line.split(",")[:2]
        assert peaks[compound]["retention_min"] == pytest.approx(float(retention), abs=0.05)


def test_a_program_file_given_as_a_second_argument_is_told_its_option(
    scenario: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert call(monkeypatch, "predict", scenario, "other.toml") == 2
    assert "given as --program other.toml" in " ".join(capsys.readouterr().err.split())


def test_a_program_to_be_run_heats_no_faster_than_the_oven(
    scenario: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """60 °C/min up to 100 °C, 30 above; a method that was run is predicted all the same."""
    text = (
        "oven = { start_C = 50, hold_min = 2, ramps = [{ rate_C_per_min = 60, to_C = 100 }, "
        "{ rate_C_per_min = 45, to_C = 280 }] }\n"
        'carrier = { mode = "constant flow", flow_mL_min = 1.2 }\n'
    )
    program, out = tmp_path / "program.toml", tmp_path / "out"
    program.write_text(text, encoding="utf-8")
    assert call(monkeypatch, "predict", scenario, "--program", program, "--out", out) == 2
    said = " ".join(capsys.readouterr().err.split())
    assert (
        "oven.ramps[2].rate_C_per_min = 45: from 100 to 280 °C the oven heats at no more than 30 °C/min"
        in said
    )
    assert "scenario.toml: instrument.heating_limits)" in said
    assert "ramps[1]" not in said
    assert not out.exists()
    file = scenario / "scenario.toml"
    before, _, rest = file.read_text(encoding="utf-8").partition("[current]")
    file.write_text(f"{before}[current]\n{text}\n[goal]{rest.partition('[goal]')[2]}", encoding="utf-8")
    assert call(monkeypatch, "predict", scenario, "--json") == 0
    printed = json.loads(capsys.readouterr().out)
    assert (
        "Breaks a limit: heating at 45.0 °C/min from 100 to 280 °C (limit 30.0 °C/min)."
        in printed["warnings"]
    )
    assert call(monkeypatch, "predict", scenario, "--program", program, "--json") == 0


def test_optimize_leaves_everything_behind(
    scenario: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "result"
    assert call(monkeypatch, "optimize", scenario, "--out", out, "--seconds", "1", "--json") == 0
    printed = json.loads(capsys.readouterr().out)
    written = json.loads((out / "candidates.json").read_text(encoding="utf-8"))
    assert printed == written
    assert written["format"] == 1
    assert written["feasible"]
    best = written["candidates"][0]
    assert best["min_resolution"] >= 1.5
    assert {"oven", "carrier", "run_time_min", "cycle_time_min", "critical_pair", "pass_probability"} <= set(
        best
    )
    names = set(contents(out))
    assert {
        "candidates.json",
        "candidates.csv",
        "report.html",
        "chromatogram_1.png",
        "chromatogram_1.svg",
    } <= names
    assert not [name for name in names if name.startswith(".") or name.endswith(".tmp")]
    assert "toluene" in (out / "report.html").read_text(encoding="utf-8")


def test_an_impossible_goal_exits_with_three(
    scenario: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Two compounds that leave together in every run cannot be told apart by any program."""
    for name in ("slow.csv", "fast.csv"):
        table = scenario / name
        lines = table.read_text(encoding="utf-8").splitlines()
        nonane = next(line for line in lines if line.startswith("nonane"))
        lines.append(nonane.replace("nonane", "its twin"))
        table.write_text("\n".join(lines) + "\n", encoding="utf-8")
    out = tmp_path / "result"
    assert call(monkeypatch, "optimize", scenario, "--out", out, "--seconds", "8") == 3
    text = " ".join(capsys.readouterr().out.split())
    assert "Cannot be met: a resolution of 1.5 between nonane and its twin. The best reachable" in text
    assert "resolution of" in text
    assert "its twin" in text
    assert not json.loads((out / "candidates.json").read_text(encoding="utf-8"))["feasible"]


def test_unwritable_folder_is_known_before_the_search(
    scenario: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    blocked = tmp_path / "file"
    blocked.write_text("not a folder", encoding="utf-8")
    assert call(monkeypatch, "optimize", scenario, "--out", blocked / "result", "--seconds", "60") == 2
    assert "result" in capsys.readouterr().err


def test_help_does_not_import_the_heavy_packages() -> None:
    code = (
        "import sys, optimizer.app.cli as cli\n"
        "sys.argv = ['rampwright', '--help']\n"
        "try:\n    cli.main()\nexcept SystemExit:\n    pass\n"
        "heavy = {'numpy', 'scipy', 'optuna', 'matplotlib', 'pydantic', 'jinja2'} & set(sys.modules)\n"
        "sys.exit(str(heavy) if heavy else 0)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert "optimize" in done.stdout


def test_a_missing_scenario_is_wrong_input(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert call(monkeypatch, "fit", tmp_path / "nowhere") == 2
    assert "nowhere" in capsys.readouterr().err


# A real signal, from the clock of a long search at its 40th step.
AT_A_STEP = """
import os, signal
import optimizer.base.clock
look, looks = optimizer.base.clock.perf_counter, 0
def stopped_there():
    global looks
    looks += 1
    if looks == 40:
        os.kill(os.getpid(), signal.SIGINT)
    return look()
optimizer.base.clock.perf_counter = stopped_there
"""


def test_ctrl_c_during_the_search_keeps_the_best_so_far(scenario: Path, tmp_path: Path) -> None:
    out = tmp_path / "result"
    process = started("optimize", scenario, "--out", out, "--seconds", "120", under=AT_A_STEP)
    printed, complaint = process.communicate(timeout=HANG)
    assert process.returncode == 0, complaint
    assert json.loads((out / "candidates.json").read_text(encoding="utf-8"))["feasible"]
    assert "Report:" in printed
    assert "stopped early" in printed


def test_help_fits_80_columns_uncut_and_every_command_has_an_example(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    commands = typer.main.get_command(app)
    runner = CliRunner()
    names = commands.list_commands(typer.Context(commands))
    for arguments in ([], *([name] for name in names)):
        text = runner.invoke(app, [*arguments, "--help"]).output
        assert max(map(len, text.splitlines())) <= 80, arguments
        assert "..." not in text.replace("[ARGS]...", ""), arguments
        if arguments:
            assert f"Example: rampwright {arguments[0]} " in " ".join(text.split())
