"""A folder to start from: copies of the scenarios that come along, and a blank one that is explained line by line."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tomllib
from dataclasses import replace
from pathlib import Path

import pytest

import optimizer
from optimizer.app.shipped_scenarios import BLANK_FILE, blank, copy_of, shipped_scenarios
from optimizer.base.errors import ScenarioError
from optimizer.scenario.reading import load_scenario, read_files
from tests.optimizer.bad_inputs import FAST, SLOW
from tests.optimizer.command import call

ROOT = Path(__file__).parents[3]
BLANK = (ROOT / "optimizer" / "app" / BLANK_FILE).read_text(encoding="utf-8")
FILLED = {
    "length_m": "30",
    "inner_diameter_mm": "0.25",
    "film_thickness_um": "0.25",
    "min_temperature_C": "40",
    "max_temperature_C": "325",
    "gas": '"helium"',
}


def filled(text: str) -> str:
    """The blank scenario with its blanks filled in."""
    for key, value in FILLED.items():
        text, count = re.subn(rf'^{key} = "fill in"', f"{key} = {value}", text, flags=re.MULTILINE)
        assert count == 1, key
    return text


def test_the_list_has_every_scenario_with_its_title(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert call(monkeypatch, "new", "--list") == 0
    lines = capsys.readouterr().out.splitlines()
    folders = sorted(file.parent for file in (ROOT / "scenarios").glob("*/scenario.toml"))
    assert len(folders) >= 3
    assert [line.split(maxsplit=1)[0] for line in lines] == [folder.name for folder in folders]
    for line, folder in zip(lines, folders, strict=True):
        title = tomllib.loads((folder / "scenario.toml").read_text(encoding="utf-8"))["title"]
        assert line.endswith(f"  {title}")


@pytest.mark.parametrize("name", [each.name for each in shipped_scenarios()])
def test_a_copy_is_the_scenario_itself(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "deep" / "mine"
    assert call(monkeypatch, "new", folder, "--from", name) == 0
    assert f"rampwright check {folder}" in capsys.readouterr().out
    copied, original = load_scenario(folder), load_scenario(ROOT / "scenarios" / name)
    assert copied.title == original.title
    assert copied.compounds == original.compounds
    assert copied.warnings == original.warnings
    for each in ("scenario.toml", *(file.name for file in folder.glob("*.csv"))):
        assert (folder / each).read_bytes() == (ROOT / "scenarios" / name / each).read_bytes()
    # Scripts need the project's own folder: they stay behind, and the story says so.
    assert not list(folder.glob("*.py"))
    assert "not here" in (folder / "README.md").read_text(encoding="utf-8")


@pytest.mark.parametrize("kind", ["folder with a file", "empty folder", "file", "dangling link"])
def test_what_exists_is_never_touched(
    kind: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    there = tmp_path / "there"
    if kind == "file":
        there.write_text("mine", encoding="utf-8")
    elif kind == "dangling link":
        there.symlink_to(tmp_path / "nowhere")
    else:
        there.mkdir()
        if kind == "folder with a file":
            (there / "scenario.toml").write_text("mine", encoding="utf-8")
    before = sorted((path.name, path.is_file() and path.read_bytes()) for path in tmp_path.rglob("*"))
    for options in (("--from", "slow_isothermal"), ()):
        assert call(monkeypatch, "new", there, *options) == 2
        printed = capsys.readouterr()
        assert printed.out == ""
        assert f"{there}: exists already" in printed.err
    assert sorted((path.name, path.is_file() and path.read_bytes()) for path in tmp_path.rglob("*")) == before


def test_wrong_calls_are_told_in_one_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "file").write_text("", encoding="utf-8")
    cases: list[tuple[tuple[str | Path, ...], str]] = [
        (("new", tmp_path / "a", "--from", "slow"), "did you mean slow_isothermal?"),
        (
            ("new", tmp_path / "a", "--from", "../../etc"),
            "there are heat_sensitive, light_gases, rescued_pair",
        ),
        (("new",), "--list"),
        (("new", "--list", tmp_path / "a"), "--list only lists"),
        (("new", tmp_path / "file" / "a"), "cannot be made"),
    ]
    for arguments, said in cases:
        assert call(monkeypatch, *arguments) == 2, arguments
        printed = capsys.readouterr()
        assert said in printed.err
        assert len(printed.err.splitlines()) == 1
        assert "--out" not in printed.err
    assert [each.name for each in tmp_path.iterdir()] == ["file"]


def test_check_explains_a_blank_scenario_line_by_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "mine"
    assert call(monkeypatch, "new", folder) == 0
    assert f"rampwright check {folder}" in capsys.readouterr().out
    assert call(monkeypatch, "check", folder) == 2
    told = capsys.readouterr().err.splitlines()
    text = (folder / "scenario.toml").read_text(encoding="utf-8").splitlines()
    blanks = [(number, line) for number, line in enumerate(text, 1) if re.match(r'\w+ = "fill in"', line)]
    assert len(told) == 1 + len(blanks) == 1 + len(FILLED)
    for line, (number, written) in zip(told[1:], blanks, strict=True):
        key, comment = written.split(" = ")[0], written.split("# ")[1]
        assert line.startswith(f"  line {number}: ")
        assert f".{key}: {comment}; " in line
    assert told[1].endswith("0.5 to 200 m")
    assert told[-1].endswith('one of "helium", "hydrogen", "nitrogen", "argon"')


def test_blanks_filled_in_one_by_one_lead_to_the_first_runs(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "mine"
    call(monkeypatch, "new", folder)
    file = folder / "scenario.toml"
    text = BLANK.replace('length_m = "fill in"', "length_m = 30")
    file.write_text(text, encoding="utf-8")
    capsys.readouterr()
    assert call(monkeypatch, "check", folder) == 2
    told = capsys.readouterr().err
    assert "length_m" not in told
    assert "inner_diameter_mm" in told
    file.write_text(filled(BLANK), encoding="utf-8")
    assert call(monkeypatch, "check", folder) == 0
    assert f"rampwright next {folder} says which two to make first" in capsys.readouterr().out
    assert call(monkeypatch, "scout", folder) == 0
    shown = " ".join(capsys.readouterr().out.split())
    for number in (1, 2):
        assert f"rampwright add {folder} --run FILE --program run_{number}.toml" in shown


def test_every_setting_that_is_commented_out_is_one(tmp_path: Path) -> None:
    """Without its #, each line is a setting of the format, and those said to be the default are."""
    uncommented = re.sub(r"^#(?! |$)", "", filled(BLANK), flags=re.MULTILINE)
    assert uncommented.count("\n#") < BLANK.count("\n#") - 25
    (tmp_path / "scenario.toml").write_text(uncommented, encoding="utf-8")
    (tmp_path / "slow.csv").write_text(SLOW, encoding="utf-8")
    (tmp_path / "fast.csv").write_text(FAST, encoding="utf-8")
    scenario = load_scenario(tmp_path)
    assert [run.name for run in scenario.runs] == ["slow", "fast"]
    assert scenario.current is not None
    written = read_files(tmp_path).table
    (tmp_path / "scenario.toml").write_text(filled(BLANK), encoding="utf-8")
    default = read_files(tmp_path, runs_needed=False).table
    assert written.goal == default.goal
    assert replace(written.instrument, cool_down=None) == default.instrument
    assert written.carrier == default.carrier
    assert (written.search.max_ramps, written.search.seconds) == (
        default.search.max_ramps,
        default.search.seconds,
    )


def test_a_blank_left_in_a_list_or_a_program_file_is_told_too(tmp_path: Path, scenario: Path) -> None:
    file = scenario / "scenario.toml"
    text = file.read_text(encoding="utf-8").replace("rate_C_per_min = 15", 'rate_C_per_min = "fill in"')
    file.write_text(text, encoding="utf-8")
    with pytest.raises(
        ScenarioError, match=r"scouting_runs\[2\]\.oven\.ramps\[1\]\.rate_C_per_min: 0.1 to 300"
    ):
        load_scenario(scenario)


def test_names_complete_in_the_shell() -> None:
    environment = {
        **os.environ,
        "_RAMPWRIGHT_COMPLETE": "complete_bash",
        "COMP_WORDS": "rampwright new demo --from s",
        "COMP_CWORD": "4",
    }
    code = "import sys; sys.argv = ['rampwright']; from optimizer.app.cli import app; app(prog_name='rampwright')"
    done = subprocess.run(
        [sys.executable, "-c", code], env=environment, cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert done.stdout.split() == ["slow_isothermal"], done.stderr


def test_the_version_is_that_of_the_package(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert call(monkeypatch, "--version") == 0
    assert capsys.readouterr().out == f"rampwright {optimizer.__version__}\n"
    assert re.fullmatch(r"\d+\.\d+\.\d+", optimizer.__version__)


def test_a_copy_holds_nothing_but_what_the_scenario_names() -> None:
    assert set(copy_of("slow_isothermal")) == {"scenario.toml", "slow.csv", "fast.csv", "README.md"}
    assert list(blank()) == ["scenario.toml", "scenario.schema.json"]
