"""Ctrl-C and SIGTERM at any moment of a search: the best so far, or a clean end; never half a result."""

from __future__ import annotations

import os
import random
import signal
from contextlib import suppress
from pathlib import Path

import pytest

from benchmarks.mixtures import mixture
from optimizer.base.interruption import postponed, stop_on_signals
from optimizer.base.output import write_folder
from optimizer.search.islands import search
from optimizer.search.program_space import families_of
from tests.optimizer.bad_inputs import write_good_scenario
from tests.optimizer.interrupted import HANG, at_call, calls_of, contents, started
from tests.optimizer.searches import steps

OLD = {"candidates.json": b"old", "report.html": b"old", "front.png": b"old", "notes.txt": b"mine"}
PARTS = {"candidates.json", "candidates.csv", "report.html", "set_points.txt", "chromatogram_1.svg"}
# Of the calls of functions in a whole command; the points lie evenly among them, at random within each share.
POINTS = 5

pytestmark = pytest.mark.skipif(os.name != "posix", reason="NOT TESTED: processes get no signals here")


def a_search(scenario: Path, out: Path) -> tuple[str | Path, ...]:
    """A command that takes every turn: a few descents, candidates, pictures, files."""
    return ("optimize", scenario, "--out", out, "--seconds", str(steps(12)), "--no-what-if")


@pytest.fixture(scope="module")
def calls(tmp_path_factory: pytest.TempPathFactory) -> int:
    """How many functions such a command calls."""
    folder = tmp_path_factory.mktemp("whole")
    write_good_scenario(folder / "five")
    return calls_of(*a_search(folder / "five", folder / "out"))


@pytest.mark.parametrize("number", range(POINTS))
def test_a_search_stopped_at_any_point(number: int, calls: int, scenario: Path, tmp_path: Path) -> None:
    rng = random.Random(f"point {number}")
    out = tmp_path / "results" / "out"
    write_folder(out, {name: content for name, content in OLD.items() if name != "notes.txt"}, "optimize")
    (out / "notes.txt").write_bytes(OLD["notes.txt"])
    call = 1 + int(calls * (number + rng.random()) / POINTS)
    signal_sent = rng.choice((signal.SIGINT, signal.SIGTERM))
    process = started(*a_search(scenario, out), under=at_call(call, signal_sent))
    err = process.communicate(timeout=HANG)[1]
    status = process.returncode
    found = contents(out)
    assert "Traceback" not in err, err
    assert [each.name for each in out.parent.iterdir()] == ["out"]
    if found == OLD:
        assert status == 128 + signal_sent, (call, err)
        assert "stopped before the end; nothing was left half written" in err
    else:
        assert set(found) >= PARTS
        assert "front.png" not in found
        assert found.pop("notes.txt") == b"mine"
        assert b"old" not in found.values()
        assert status in (0, 3), (call, err)


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
    err = process.communicate(timeout=HANG)[1]
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
        found = search(problem, families_of(problem.scenario), 60.0, 1, losing)
        again = search(problem, families_of(problem.scenario), 0.1, 1)
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
    rename, sent = os.rename, []

    def stopped_there(*arguments: Path) -> None:
        os.kill(os.getpid(), signal.SIGINT)
        sent.append(arguments)
        rename(*arguments)

    monkeypatch.setattr(os, "rename", stopped_there)
    (tmp_path / "out").mkdir()
    write_folder(tmp_path / "out", {"a": b"1", "b": b"2"}, "optimize")
    assert len(sent) == 5  # with the list of what was written, and the switch to it
    assert contents(tmp_path / "out") == {"a": b"1", "b": b"2"}


def test_a_signal_that_is_ignored_stays_ignored(scenario: Path) -> None:
    """As under nohup: the command runs to its end."""
    ignored = "import signal; signal.signal(signal.SIGHUP, signal.SIG_IGN)\n"
    process = started("check", scenario, under=ignored + at_call(10, signal.SIGHUP))
    err = process.communicate(timeout=HANG)[1]
    assert process.returncode == 0, err
