"""Full disks, folders that may not be written, runs that meet in one folder: whole results or the old ones."""

from __future__ import annotations

import errno
import multiprocessing
import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from optimizer.base import output
from optimizer.base.output import OutputError, prepare_folder, write_atomically, write_folder
from tests.optimizer.interrupted import HANG, ROOT, contents

OLD = {
    "candidates.json": b"old",
    "report.html": b"old",
    "chromatogram_1.svg": b"old",
    "chromatogram_2.svg": b"old",
    "front.svg": b"old",
    "notes.txt": b"mine",
}
NEW = {
    "candidates.json": b"new",
    "report.html": b"new",
    "chromatogram_1.svg": b"new",
    "set_points.txt": b"new",
}
AFTER = {
    **NEW,
    "notes.txt": b"mine",
}  # of the longer series and the front nothing is left, the notes are not ours


def fill(folder: Path, files: dict[str, bytes] = OLD, command: str = "optimize") -> None:
    """A folder with a former result, and notes."""
    write_folder(folder, {name: content for name, content in files.items() if name != "notes.txt"}, command)
    if "notes.txt" in files:
        (folder / "notes.txt").write_bytes(files["notes.txt"])


@pytest.fixture
def failing(monkeypatch: pytest.MonkeyPatch) -> Callable[[int], list[str]]:
    """Makes the nth call to the file system fail with a full disk; returns what has been called since."""

    def fail_at(nth: int) -> list[str]:
        calls: list[str] = []

        def spoilt(name: str, call: Callable[..., Any]) -> Callable[..., Any]:
            def spoilt_call(*arguments: Any, **options: Any) -> Any:
                calls.append(name)
                if len(calls) == nth:
                    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
                return call(*arguments, **options)

            return spoilt_call

        for module, name in (
            (os, "replace"), (os, "rename"), (os, "fsync"), (os, "chmod"),
            (output, "_write"), (output, "_temporary_folder"),
        ):  # fmt: skip
            monkeypatch.setattr(module, name, spoilt(name, ORIGINAL[name]))
        return calls

    return fail_at


ORIGINAL: dict[str, Callable[..., Any]] = {
    "replace": os.replace,
    "rename": os.rename,
    "fsync": os.fsync,
    "chmod": os.chmod,
    "_write": output._write,
    "_temporary_folder": output._temporary_folder,
}


@pytest.mark.parametrize("there", [True, False])
def test_a_disk_full_at_any_step_leaves_the_old_result_or_the_new(
    there: bool, tmp_path: Path, failing: Callable[[int], list[str]]
) -> None:
    nth, refused = 0, 0
    while True:
        nth += 1
        folder = tmp_path / str(nth) / "out"
        folder.parent.mkdir()
        if there:
            fill(folder)
        calls = failing(nth)
        complaint = ""
        try:
            write_folder(folder, NEW, "optimize")
        except OutputError as error:
            complaint = str(error)
        if complaint:
            refused += 1
            assert "No space left on device" in complaint
            assert str(folder) in complaint
            assert contents(folder) == OLD if there else not folder.exists(), calls
        else:
            assert contents(folder) == (AFTER if there else NEW)
        assert [each.name for each in folder.parent.iterdir()] == (["out"] if folder.exists() else [])
        if len(calls) < nth:
            break
    assert refused > len(NEW)


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 256 KiB of its own, where this user may make one."""
    folder = tmp_path / "disk"
    folder.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", "size=256k", "tmpfs", str(folder)]
    try:
        made = subprocess.run(command, capture_output=True, text=True, check=False)
    except OSError as error:
        pytest.skip(f"NOT TESTED, a full disk: mount cannot be run ({error})")
    if made.returncode:
        pytest.skip(f"NOT TESTED, a full disk: no file system can be mounted here ({made.stderr.strip()})")
    yield folder
    subprocess.run(["umount", str(folder)], check=True)


@pytest.mark.parametrize("there", [True, False])
def test_a_disk_that_is_really_full(there: bool, small_disk: Path) -> None:
    folder = small_disk / "out"
    if there:
        fill(folder)
    with pytest.raises(OutputError, match="No space left on device"):
        write_folder(folder, {**NEW, "big.png": bytes(400_000)}, "optimize")
    assert contents(small_disk) == ({"out": b""} if there else {})
    if there:
        assert contents(folder) == OLD
    with pytest.raises(OutputError, match="No space left on device"):
        write_atomically(small_disk / "matching.csv", bytes(400_000))
    assert "matching.csv" not in contents(small_disk)
    write_folder(folder, NEW, "optimize")  # with room again all is well
    assert contents(folder) == (AFTER if there else NEW)


@pytest.mark.skipif(os.name != "posix", reason="NOT TESTED: limits on file sizes are set otherwise here")
def test_a_limit_on_the_size_of_files(tmp_path: Path) -> None:
    """The same for every user: a process that may write no file above 100 kB."""
    fill(tmp_path / "out")
    script = (
        "import resource, signal\n"
        "from pathlib import Path\n"
        "from optimizer.base.output import write_folder\n"
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, 100_000))\n"
        "files = {'report.html': b'x', 'big.png': bytes(200_000)}\n"
        f"write_folder(Path({str(tmp_path / 'out')!r}), files, 'optimize')\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], cwd=ROOT, capture_output=True, text=True, check=False, timeout=HANG
    )
    assert "OutputError" in done.stderr
    assert "File too large" in done.stderr
    assert contents(tmp_path / "out") == OLD


@pytest.mark.skipif(
    os.name != "posix" or os.geteuid() != 0, reason="NOT TESTED as another user: needs root to become one"
)
def test_folders_that_may_not_be_written(tmp_path: Path) -> None:
    """As a user without rights: a read-only folder, and a new one in a parent that may not be written."""
    read_only = tmp_path / "read_only"
    fill(read_only)
    os.chmod(read_only, 0o555)
    for each in (tmp_path, *tmp_path.parents):
        if each.stat().st_uid == 0 and each != Path("/") and not each.stat().st_mode & 0o001:
            os.chmod(each, each.stat().st_mode | 0o011)  # let the other user come here
    child = os.fork()
    if child == 0:
        refused = 0
        os.setegid(65534)
        os.seteuid(65534)
        for folder in (read_only, read_only / "new", read_only / "new" / "deeper"):
            for attempt in (
                lambda at: write_folder(at, NEW, "optimize"),
                lambda at: prepare_folder(at, "optimize"),
            ):
                try:
                    attempt(folder)
                except OutputError as error:
                    refused += "Permission denied" in str(error) and str(folder) in str(error)
        os._exit(refused)
    assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 6
    assert contents(read_only) == OLD


def test_a_file_or_a_folder_in_the_way(tmp_path: Path) -> None:
    (tmp_path / "out").write_bytes(b"mine")
    for folder in (tmp_path / "out", tmp_path / "out" / "deeper"):
        with pytest.raises(OutputError, match="a file of that name is in the way"):
            write_folder(folder, NEW, "optimize")
    assert contents(tmp_path) == {"out": b"mine"}
    fill(tmp_path / "other")
    (tmp_path / "other" / "set_points.txt").mkdir()
    with pytest.raises(OutputError, match="a folder of that name is in the way"):
        write_folder(tmp_path / "other", NEW, "optimize")
    assert contents(tmp_path / "other") == {**OLD, "set_points.txt": b""}


def test_parents_made_for_nothing_go_again(tmp_path: Path, failing: Callable[[int], list[str]]) -> None:
    failing(2)
    with pytest.raises(OutputError):
        write_folder(tmp_path / "a" / "b" / "out", NEW, "optimize")
    assert contents(tmp_path) == {}


def _writer(folder: Path, mark: int, rounds: int, began: Any) -> None:
    began.wait()
    for _ in range(rounds):
        content = f"{mark} ".encode() * 20_000
        series = {f"chromatogram_{n}.svg": content for n in range(1, mark + 2)}
        write_folder(folder, {"candidates.json": content, "report.html": content, **series}, "optimize")


@pytest.mark.skipif(os.name != "posix", reason="NOT TESTED: without locks of folders the second writer fails")
def test_runs_that_write_to_one_folder_at_once_leave_the_complete_result_of_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(output, "PATIENCE", HANG)
    folder = tmp_path / "made" / "out"
    context = multiprocessing.get_context("fork")
    began = context.Barrier(3)
    writers = [context.Process(target=_writer, args=(folder, mark, 12, began)) for mark in range(3)]
    for writer in writers:
        writer.start()
    for writer in writers:
        writer.join(HANG)
        assert writer.exitcode == 0
    found = contents(folder)
    (content,) = set(found.values())
    mark = int(content[:1])
    assert set(found) == {
        "candidates.json",
        "report.html",
        *(f"chromatogram_{n}.svg" for n in range(1, mark + 2)),
    }
    assert [each.name for each in folder.parent.iterdir()] == ["out"]


@pytest.mark.skipif(os.name != "posix", reason="NOT TESTED: folders cannot be locked here")
def test_a_folder_that_another_run_holds_too_long_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import fcntl

    monkeypatch.setattr(output, "PATIENCE", 0.05)
    fill(tmp_path / "out")
    handle = os.open(tmp_path, os.O_RDONLY)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX)
        with pytest.raises(OutputError, match="another run is writing there"):
            write_folder(tmp_path / "out", NEW, "optimize")
    finally:
        os.close(handle)
    assert contents(tmp_path / "out") == OLD


@pytest.mark.parametrize(
    ("command", "document", "names"),
    [
        ("optimize", "candidates.json", ("front.png", "front.svg", "exposure_1.svg", "chromatogram_7.png")),
        ("predict", "prediction.json", ("exposure.png",)),
        ("adapt", "adapt.json", ("tuned.toml",)),
        ("scout", "scout.json", ("scout.toml", "scout.svg")),
    ],
)
def test_nothing_of_an_earlier_result_passes_for_a_part_of_the_new_one(
    command: str, document: str, names: tuple[str, ...], tmp_path: Path
) -> None:
    fill(tmp_path / "out", {**dict.fromkeys(names, b"old"), document: b"old"}, command)
    fill(tmp_path / "out", {"fit.json": b"another command's"}, "fit")
    write_folder(tmp_path / "out", {document: b"new"}, command)
    assert contents(tmp_path / "out") == {document: b"new", "fit.json": b"another command's"}
