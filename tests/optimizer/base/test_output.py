"""Results are written whole or not at all."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import pytest

from models.errors import RampwrightError
from optimizer.base.output import OutputError, prepare_folder, write_atomically, write_folder
from tests.optimizer.interrupted import contents


def test_a_file_is_replaced_in_one_step(tmp_path: Path) -> None:
    path = tmp_path / "a.json"
    write_atomically(path, b"old")
    write_atomically(path, b"new")
    assert path.read_bytes() == b"new"
    assert [each.name for each in tmp_path.iterdir()] == ["a.json"]


def test_a_file_that_cannot_be_replaced_keeps_its_content(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "a.json"
    path.write_bytes(b"old")

    def refuse(*_: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(os, "replace", refuse)
    with pytest.raises(OutputError, match="Permission denied"):
        write_atomically(path, b"new")
    assert path.read_bytes() == b"old"
    assert [each.name for each in tmp_path.iterdir()] == ["a.json"]


def test_a_new_folder_appears_complete(tmp_path: Path) -> None:
    folder = tmp_path / "made" / "on" / "the" / "way"
    write_folder(folder, {"a.txt": b"1", "b.txt": b"2"}, "optimize")
    assert contents(folder) == {"a.txt": b"1", "b.txt": b"2"}
    assert [each.name for each in folder.parent.iterdir()] == ["way"]
    mask = os.umask(0)
    os.umask(mask)
    if os.name == "posix":  # readable by whom the user's mask lets read, not private like a temporary folder
        assert folder.stat().st_mode & 0o777 == 0o777 & ~mask


def test_an_existing_folder_keeps_what_is_not_ours(tmp_path: Path) -> None:
    series = {"chromatogram_1.svg": b"1", "chromatogram_2.svg": b"2"}
    write_folder(tmp_path, {"report.html": b"old", **series}, "optimize")
    (tmp_path / "notes.txt").write_bytes(b"mine")
    (tmp_path / "chromatogram_2.txt").write_bytes(b"x")
    write_folder(tmp_path, {"report.html": b"new", "chromatogram_1.svg": b"one"}, "optimize")
    # chromatogram_2.svg would belong to a candidate that no longer exists; chromatogram_2.txt is no part of the series
    assert contents(tmp_path) == {
        "report.html": b"new",
        "chromatogram_1.svg": b"one",
        "chromatogram_2.txt": b"x",
        "notes.txt": b"mine",
    }


@pytest.mark.parametrize("interruption", [OSError(28, "No space left on device"), KeyboardInterrupt()])
def test_a_failure_half_way_leaves_the_old_results(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, interruption: BaseException
) -> None:
    write_folder(tmp_path, {"a.txt": b"old a", "b.txt": b"old b"}, "optimize")
    rename = os.rename

    def fail_at_the_second_new_file(source: Any, target: Any) -> None:
        if target == tmp_path / "fresh.txt":
            raise interruption
        rename(source, target)

    monkeypatch.setattr(os, "rename", fail_at_the_second_new_file)
    with pytest.raises((OutputError, KeyboardInterrupt)):
        write_folder(tmp_path, {"a.txt": b"new a", "fresh.txt": b"new", "b.txt": b"new b"}, "optimize")
    assert contents(tmp_path) == {"a.txt": b"old a", "b.txt": b"old b"}
    monkeypatch.undo()
    write_folder(
        tmp_path, {"a.txt": b"new a"}, "optimize"
    )  # the list is the old one, too, and fits the files
    assert contents(tmp_path) == {"a.txt": b"new a"}


def test_a_folder_that_cannot_be_written_is_told_in_one_line(tmp_path: Path) -> None:
    in_the_way = tmp_path / "file"
    in_the_way.write_bytes(b"x")
    for attempt in (
        lambda: write_folder(in_the_way / "out", {"a": b""}, "optimize"),
        lambda: prepare_folder(in_the_way, "optimize"),
    ):
        with pytest.raises(RampwrightError) as error:
            attempt()
        message = str(error.value)
        assert message.startswith(str(in_the_way))
        assert "a file of that name is in the way" in message
        assert "--out" in message
        assert "\n" not in message
    assert in_the_way.read_bytes() == b"x"


@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="root may write anywhere")
def test_a_read_only_folder(tmp_path: Path) -> None:
    tmp_path.chmod(0o555)
    try:
        with pytest.raises(OutputError, match="Permission denied"):
            prepare_folder(tmp_path / "out", "optimize")
        with pytest.raises(OutputError, match="Permission denied"):
            write_folder(tmp_path, {"a": b""}, "optimize")
    finally:
        tmp_path.chmod(0o755)


def test_a_read_only_file_system(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The same for every user: the system refuses to make the temporary folder."""

    def refuse(**_: object) -> str:
        raise OSError(30, "Read-only file system")

    monkeypatch.setattr("tempfile.mkdtemp", refuse)
    with pytest.raises(OutputError, match=r"out: cannot write results here: Read-only file system; name"):
        prepare_folder(tmp_path / "out", "optimize")


def test_preparing_leaves_no_trace(tmp_path: Path) -> None:
    prepare_folder(tmp_path / "a" / "b", "optimize")
    prepare_folder(tmp_path, "optimize")
    assert list(tmp_path.iterdir()) == []


def test_what_preparing_cannot_take_away_is_told_and_taken_away_by_the_next(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(path: object, **_: object) -> None:
        raise OSError(30, "Read-only file system", str(path))

    monkeypatch.setattr(os, "rmdir", refuse)
    with pytest.raises(OutputError, match=r"out: cannot write results here: Read-only file system; name"):
        prepare_folder(tmp_path / "out", "predict")
    monkeypatch.undo()
    write_folder(tmp_path / "a", {"x": b"1"}, "predict")
    prepare_folder(tmp_path / "out", "predict")
    assert [each.name for each in tmp_path.iterdir()] == ["a"]
