"""What the machine refuses ends a command with one line that names the cause, and never with a traceback."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.optimizer.bad_inputs import write_good_scenario

PROGRAM = (sys.executable, "-m", "rampwright")


def run(folder: Path, command: str) -> tuple[int, str]:
    """Exit status and stderr of a line of a shell in which `rampwright` is the program."""
    line = command.replace("rampwright", " ".join(PROGRAM), 1)
    done = subprocess.run(
        ["bash", "-c", line],
        cwd=folder,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
        check=False,
    )
    assert "Traceback" not in done.stderr, done.stderr
    assert "Exception ignored" not in done.stderr, done.stderr
    return done.returncode, done.stderr


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    if os.name != "posix":
        pytest.skip("NOT TESTED: links, pipes and shells of this kind are not there")
    (tmp_path / "s").mkdir()
    write_good_scenario(tmp_path / "s")
    os.symlink(tmp_path / "loop", tmp_path / "loop")
    os.mkfifo(tmp_path / "pipe")
    return tmp_path


@pytest.mark.parametrize("command", ["rampwright check s", "rampwright check s --json", "rampwright --help"])
def test_a_full_disk_behind_standard_output(folder: Path, command: str) -> None:
    if not Path("/dev/full").exists():
        pytest.skip("NOT TESTED: there is no /dev/full")
    status, said = run(folder, f"{command} > /dev/full")
    assert status == 1
    assert said.startswith("rampwright: what was to be shown cannot be written (No space left on device)")


@pytest.mark.parametrize("closed", [">&-", ">&- 2>&-", "<&-"])
def test_closed_streams(folder: Path, closed: str) -> None:
    assert run(folder, f"rampwright check s {closed}")[0] == 0


@pytest.mark.parametrize(
    ("command", "told"),
    [
        ("rampwright check loop", "loop: cannot be read (Too many levels of symbolic links)"),
        ("rampwright check pipe", "pipe: is a pipe, socket or device; a file was expected"),
        ("rampwright check /dev/zero", "/dev/zero: is a pipe, socket or device; a file was expected"),
        ("rampwright peaks pipe", "pipe: is a pipe, socket or device; a file was expected"),
        ("rampwright predict s --out loop", "loop: cannot write results here"),
    ],
)
def test_what_is_no_file(folder: Path, command: str, told: str) -> None:
    status, said = run(folder, command)
    assert status == 2
    assert told in said
    assert said.count("\n") == 1


def test_a_path_that_is_too_long(folder: Path) -> None:
    status, said = run(folder, f"rampwright check {'a' * 5000}")
    assert status == 1
    assert "File name too long" in said
    assert len(said) < 1000


def test_a_reader_that_goes_away(folder: Path) -> None:
    run(folder, "rampwright check s | head -1")
