"""Ctrl-C and SIGTERM at any moment of a search: the best so far, or a clean end; never half a result."""

from __future__ import annotations

import os
import random
import signal
from pathlib import Path

import pytest

from optimizer.interruption import postponed
from optimizer.output import write_folder
from tests.optimizer.interrupted import contents, started, stopped_after

OLD = {"candidates.json": b"old", "report.html": b"old", "front.png": b"old", "notes.txt": b"mine"}
PARTS = {"candidates.json", "candidates.csv", "report.html", "set_points.txt", "chromatogram_1.svg"}
SEARCH = 1.0  # s
# A whole command takes 4 to 8 s here; the moments lie evenly in its course, at random within each share.
MOMENTS = 5
LONGEST = 6.0

pytestmark = pytest.mark.skipif(os.name != "posix", reason="NOT TESTED: processes get no signals here")


@pytest.mark.parametrize("number", range(MOMENTS))
def test_a_search_stopped_at_any_moment(number: int, scenario: Path, tmp_path: Path) -> None:
    rng = random.Random(f"moment {number}")
    out = tmp_path / "results" / "out"
    out.mkdir(parents=True)
    for name, content in OLD.items():
        (out / name).write_bytes(content)
    moment = LONGEST * (number + rng.random()) / MOMENTS
    signal_sent = rng.choice((signal.SIGINT, signal.SIGTERM))
    process = started("optimize", scenario, "--out", out, "--seconds", str(SEARCH), "--no-what-if")
    status, err = stopped_after(process, moment, signal_sent)
    found = contents(out)
    assert "Traceback" not in err, err
    assert [each.name for each in out.parent.iterdir()] == ["out"]
    if found == OLD:
        # Before the program has begun, the interpreter itself ends as the system has it.
        early = (-signal_sent,) if moment < 0.2 else ()
        assert status in (128 + signal_sent, *early), (moment, err)
        assert status < 0 or "stopped before the end; nothing was left half written" in err
    else:
        assert set(found) >= PARTS
        assert "front.png" not in found
        assert found.pop("notes.txt") == b"mine"
        assert b"old" not in found.values()
        assert status in (0, 3, -signal_sent), (
            moment,
            err,
        )  # the last as the interpreter was already leaving


def test_a_second_ctrl_c_while_writing_ends_without() -> None:
    told: list[int] = []
    before = signal.getsignal(signal.SIGINT)
    asked_before_and_after_the_first: list[bool] = []

    def write() -> None:
        with postponed(1, lambda: told.append(1)) as asked:
            asked_before_and_after_the_first.append(asked())
            os.kill(os.getpid(), signal.SIGINT)
            asked_before_and_after_the_first.append(asked())
            os.kill(os.getpid(), signal.SIGINT)

    with pytest.raises(KeyboardInterrupt):
        write()
    assert asked_before_and_after_the_first == [False, True]
    assert told == [1]
    assert signal.getsignal(signal.SIGINT) is before


def test_a_signal_while_files_are_moved_waits_until_all_are(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    replace, sent = os.replace, []

    def stopped_there(*arguments: Path) -> None:
        os.kill(os.getpid(), signal.SIGINT)
        sent.append(arguments)
        replace(*arguments)

    monkeypatch.setattr(os, "replace", stopped_there)
    (tmp_path / "out").mkdir()
    write_folder(tmp_path / "out", {"a": b"1", "b": b"2"})
    assert len(sent) == 2
    assert contents(tmp_path / "out") == {"a": b"1", "b": b"2"}


def test_a_signal_that_is_ignored_stays_ignored(scenario: Path) -> None:
    """As under nohup: the command runs to its end."""
    process = started(
        "check", scenario, under="import signal; signal.signal(signal.SIGHUP, signal.SIG_IGN); "
    )
    status, err = stopped_after(process, 0.2, signal.SIGHUP)
    assert status == 0, err
