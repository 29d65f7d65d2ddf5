"""A process killed before any operation on files: the next reader or writer finds the old result or the new one."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

import pytest

from optimizer.base.output import (
    UNDO,
    OutputError,
    make_folder,
    prepare_folder,
    write_atomically,
    write_folder,
)
from optimizer.base.processes import Apart
from tests.optimizer.interrupted import HANG, contents, everything, read
from tests.optimizer.workers import killed_before

pytestmark = pytest.mark.skipif(os.name != "posix", reason="NOT TESTED: no process can be forked here")

Killed = Callable[..., bool]
KILLED = 9  # the process, not the machine: nothing here waits for a disk
OLD = {"candidates.json": b"old", "report.html": b"old", "front.svg": b"old", "same.txt": b"same"}
NEW = {"candidates.json": b"new", "set_points.txt": b"new", "report.html": b"new", "same.txt": b"same"}
MINE = {"notes.txt": b"mine", "set_points.bak": b"mine"}


@pytest.fixture(autouse=True)
def no_waiting(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "fsync", lambda _: None)


@pytest.fixture(scope="module")
def killed() -> Iterator[Killed]:
    """Whether a process was killed before that operation of its work, counted from 1; else it came to its end."""
    forking = Apart(killed_before, [KILLED])

    def done(before: int, *work: object) -> bool:
        forking.order(0, (before, partial(*work)))  # type: ignore[arg-type]
        answer = forking.answer(HANG)
        assert answer is not None
        assert answer[1] in (0, KILLED)
        return answer[1] == KILLED

    yield done
    forking.end()


def a_former_result(folder: Path) -> None:
    write_folder(folder, OLD, "optimize")
    for name, content in MINE.items():
        (folder / name).write_bytes(content)


def hidden(folder: Path) -> list[str]:
    return [each.name for each in folder.rglob(".*") if each.name != ".rampwright.json"]


def test_a_result_is_the_old_or_the_new_one_after_a_kill_at_any_operation(
    killed: Killed, tmp_path: Path
) -> None:
    seen, before = set(), 0
    while True:
        before += 1
        folder = tmp_path / str(before) / "out"
        a_former_result(folder)
        ended = not killed(before, write_folder, folder, NEW, "optimize")
        found = read(folder)
        visible = {name: content for name, content in found.items() if not name.startswith(".")}
        assert visible in ({**OLD, **MINE}, {**NEW, **MINE}), before
        seen.add(visible == {**NEW, **MINE})
        prepare_folder(folder, "optimize")
        assert hidden(folder.parent) == []
        write_folder(folder, {"candidates.json": b"next"}, "optimize")  # the list is that of the files
        assert contents(folder) == {"candidates.json": b"next", **MINE}
        shutil.rmtree(folder.parent)
        if ended:
            break
    assert seen == {True, False}
    assert before > 2 * (len(OLD) + len(NEW))


def test_what_puts_the_old_result_back_may_be_killed_too(killed: Killed, tmp_path: Path) -> None:
    """At every operation of a reader that comes after a kill at every operation at which files were being replaced."""
    first, restored = 0, 0
    while True:
        first += 1
        pattern = tmp_path / str(first) / "out"
        a_former_result(pattern)
        if not killed(first, write_folder, pattern, NEW, "optimize"):
            break
        second = 0
        while (pattern / UNDO).exists():
            second += 1
            folder = tmp_path / f"{first} {second}"
            shutil.copytree(pattern, folder)
            ended = not killed(second, read, folder)
            assert {n: c for n, c in read(folder).items() if not n.startswith(".")} == {**OLD, **MINE}
            write_folder(folder, NEW, "optimize")
            assert contents(folder) == {**NEW, **MINE}
            shutil.rmtree(folder)
            restored += 1
            if ended:
                break
        shutil.rmtree(pattern.parent)
    assert restored > 100


def test_a_new_folder_is_there_whole_or_not_at_all(killed: Killed, tmp_path: Path) -> None:
    seen, before = set(), 0
    while True:
        before += 1
        folder = tmp_path / str(before) / "out"
        folder.parent.mkdir()
        ended = not killed(before, write_folder, folder, NEW, "optimize")
        seen.add(folder.exists())
        assert not folder.exists() or contents(folder) == NEW
        write_folder(folder, NEW, "optimize")
        assert contents(folder) == NEW
        assert hidden(folder.parent) == []
        if ended:
            break
    assert seen == {True, False}


def test_a_folder_made_for_its_reader_is_there_whole_or_made_the_next_time_with_nothing_left(
    killed: Killed,
    tmp_path: Path,
) -> None:
    seen, before, ended = set(), 0, False
    while not ended:
        before += 1
        folder = tmp_path / str(before) / "made"
        folder.parent.mkdir()
        ended = not killed(before, make_folder, folder, NEW)
        seen.add(folder.exists())
        if not folder.exists():
            make_folder(folder, NEW)
        assert everything(folder) == NEW
        assert hidden(folder.parent) == []
    assert seen == {True, False}


@pytest.mark.parametrize("there", [True, False])
def test_a_file_is_the_old_or_the_new_one(there: bool, killed: Killed, tmp_path: Path) -> None:
    path, before, ended = tmp_path / "names.csv", 0, False
    while not ended:
        before += 1
        if there:
            path.write_bytes(b"old")
        else:
            path.unlink(missing_ok=True)
        ended = not killed(before, write_atomically, path, b"new")
        assert (path.read_bytes() if path.exists() else None) in (b"new", b"old" if there else None)
        write_atomically(path, b"next")
        assert everything(tmp_path) == {"names.csv": b"next"}
    assert before > 3


def half_replaced(folder: Path, killed: Killed) -> None:
    """A folder into which some of the new files were moved, the report not yet."""
    before = 0
    while not (folder / "set_points.txt").exists():
        shutil.rmtree(folder, ignore_errors=True)
        a_former_result(folder)
        before += 1
        assert killed(before, write_folder, folder, NEW, "optimize")
    assert not (folder / "report.html").exists()


def test_what_its_owner_changed_meanwhile_is_not_put_back(killed: Killed, tmp_path: Path) -> None:
    folder = tmp_path / "out"
    half_replaced(folder, killed)
    (folder / "report.html").write_bytes(b"with a remark")
    before = everything(folder)
    for attempt in (lambda: read(folder), lambda: write_folder(folder, NEW, "optimize")):
        with pytest.raises(OutputError, match=r"report\.html changed; move that elsewhere"):
            attempt()
    assert everything(folder) == before
    (folder / "report.html").rename(tmp_path / "mine.html")
    assert {n: c for n, c in read(folder).items() if not n.startswith(".")} == {**OLD, **MINE}


@pytest.mark.parametrize(
    "plan", ["", "{}", '{"old": {}, "new": {"../mine.txt": "x"}}', '{"old": 1, "new": {}}']
)
def test_a_plan_that_is_not_ours_moves_nothing(plan: str, killed: Killed, tmp_path: Path) -> None:
    folder = tmp_path / "out"
    half_replaced(folder, killed)
    (tmp_path / "mine.txt").write_bytes(b"mine")
    (folder / UNDO / ".plan.json").write_text(plan, encoding="utf-8")
    before = everything(folder)
    with pytest.raises(OutputError, match="is not as a run that was stopped leaves it"):
        read(folder)
    assert everything(folder) == before
    assert (tmp_path / "mine.txt").read_bytes() == b"mine"
