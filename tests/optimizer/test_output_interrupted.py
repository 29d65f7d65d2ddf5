"""Ctrl-C and SIGTERM at any moment of a search: the best so far, or a clean end; never half a result."""

from __future__ import annotations

import os
import random
import signal
from contextlib import suppress
from pathlib import Path

import pytest

from benchmarks.mixtures import mixture
from optimizer.interruption import postponed, stop_on_signals
from optimizer.output import write_folder
from optimizer.program_space import families_of
from optimizer.search import hunt
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


# Where no exception comes out of: the signal is sent while scipy reads the tables of its Sobol numbers.
AS_TABLES_ARE_READ = """
import os, signal
import numpy
load = numpy.load
def stopped_there(*arguments, **options):
    os.kill(os.getpid(), signal.SIGINT)
    return load(*arguments, **options)
numpy.load = stopped_there
"""


def test_a_signal_while_the_search_reads_its_tables_stops_it(scenario: Path, tmp_path: Path) -> None:
    arguments = ("--out", tmp_path / "out", "--seconds", "600", "--no-what-if")
    process = started("optimize", scenario, *arguments, under=AS_TABLES_ARE_READ)
    err = process.communicate(timeout=60)[1]
    assert process.returncode == 130
    assert err.strip().endswith("rampwright: stopped before the end; nothing was left half written")
    assert "Traceback" not in err
    assert not (tmp_path / "out").exists()


def test_a_signal_that_was_lost_stops_the_search_at_its_next_step() -> None:
    problem = mixture(6, 1, 1)
    told: list[str] = []

    def losing(share: float, text: str) -> None:
        told.append(text)
        if "best so far" in text:
            with suppress(KeyboardInterrupt):
                os.kill(os.getpid(), signal.SIGINT)

    handled = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
    before = [signal.getsignal(number) for number in handled]
    stop_on_signals()
    try:
        found = hunt(problem, families_of(problem.scenario), 60.0, 1, losing)
        again = hunt(problem, families_of(problem.scenario), 0.1, 1)
    finally:
        for number, handler in zip(handled, before, strict=True):
            signal.signal(number, handler)
    assert found.interrupted
    assert found.all()
    assert sum("best so far" in text for text in told) == 1  # no step came after it
    assert not again.interrupted


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
