"""Whatever a scenario holds, no command shows a number that is none, and none ends in a traceback."""

from __future__ import annotations

import json
import re
from contextlib import redirect_stderr, redirect_stdout
from io import StringIO
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.optimizer.command import call
from tests.properties.made_scenarios import Made, made_scenarios
from tests.properties.strategies import examples

NO_NUMBER = re.compile(r"(?<![\w.#/+])-?(nan|NaN|inf|Infinity|None(?! of)|NaT)(?![\w/+=])")
NO_TEXT = re.compile(r"base64,[A-Za-z0-9+/=]+|<script>.*?</script>|<style>.*?</style>", re.DOTALL)


QUICK: tuple[tuple[str, ...], ...] = (
    ("check",),
    ("fit",),
    ("predict",),
    ("sweep", "--vary", "start_C=40:90:3"),
    ("sweep", "--window"),
    ("adapt", "--length-m", "15", "--no-tune"),
    ("adapt", "--trim-m", "0.5"),
    ("compare", "--run", "confirmation.csv"),
)
SEARCHES: tuple[tuple[str, ...], ...] = (
    ("optimize", "--seconds", "0.5", "--no-what-if"),
    ("scout", "--seconds", "0.3"),
)
WRITTEN = (".json", ".csv", ".html", ".txt", ".toml", ".svg")


@examples(0.034, shrink=False)
@given(made_scenarios(), st.booleans())
def test_no_command_shows_a_number_that_is_none(made: Made, with_files: bool) -> None:
    held(made, QUICK, with_files)


@examples(0.017, shrink=False)
@given(made_scenarios())
def test_no_search_does_either(made: Made) -> None:
    held(made, SEARCHES, with_files=True)


def held(made: Made, commands: tuple[tuple[str, ...], ...], with_files: bool) -> None:
    """Run commands on a scenario, every other one with --json, and look through all that they show and write."""
    with TemporaryDirectory() as name, pytest.MonkeyPatch.context() as monkeypatch:
        folder, out = Path(name) / "made", Path(name) / "out"
        folder.mkdir()
        monkeypatch.chdir(folder)
        for file, text in (*made.files.items(), ("confirmation.csv", made.confirmation)):
            (folder / file).write_text(text, encoding="utf-8")
        for number, (command, *options) in enumerate(commands):
            files = command in ("optimize",) or (with_files and command != "check")
            as_json = (number + with_files) % 2 == 0
            asked = [
                *options,
                *(["--out", str(out / str(number))] if files else []),
                *(["--json"] if as_json else []),
            ]
            status, printed, complaint = captured(monkeypatch, command, folder, *asked)
            assert status in (0, 2, 3), (command, asked, status, complaint)
            assert (status == 2) == complaint.startswith("rampwright: "), (command, complaint)
            assert status != 2 or command not in ("check", "fit"), f"this scenario tests nothing: {complaint}"
            if as_json and status != 2:
                assert json.loads(printed, parse_constant=refuse)["format"] == 1
            assert_sound(command, printed + complaint)
        for file in out.rglob("*"):
            if file.suffix in WRITTEN:
                text = file.read_text(encoding="utf-8")
                assert_sound(file.name, NO_TEXT.sub("", text))
                if file.suffix == ".json":
                    json.loads(text, parse_constant=refuse)


def captured(monkeypatch: pytest.MonkeyPatch, *command: str | Path) -> tuple[int, str, str]:
    """Exit status, stdout and stderr of a command in this process."""
    printed, complaint = StringIO(), StringIO()
    with redirect_stdout(printed), redirect_stderr(complaint):
        status = call(monkeypatch, *command)
    return status, printed.getvalue(), "" if status in (0, 3) else complaint.getvalue()


def refuse(word: str) -> None:
    raise AssertionError(f"{word} in JSON")


def assert_sound(where: str, text: str) -> None:
    found = NO_NUMBER.search(text)
    assert found is None, f"{where}: ...{text[max(0, found.start() - 200) : found.end() + 60]}..."
