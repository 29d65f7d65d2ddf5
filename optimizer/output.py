"""Writing results so that nobody ever finds half of them: under a temporary name first, then moved into place."""

from __future__ import annotations

import errno
import os
import re
import shutil
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

from models.errors import RampwrightError

_NUMBERED = re.compile(r"(?P<stem>.+_)\d+(?P<suffix>\.\w+)")


class OutputError(RampwrightError):
    """A file or folder that cannot be written."""


def write_atomically(path: Path, content: bytes) -> None:
    """Write one file: whoever looks sees the old content or the new, never a part of it.

    Raises
    ------
    OutputError : naming the file and the reason
    """
    with _told_plainly(path):
        handle, name = tempfile.mkstemp(prefix=f".{path.name}-", dir=path.parent)
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(content)
            os.chmod(name, _allowed(0o666))
            os.replace(name, path)
        except BaseException:
            Path(name).unlink(missing_ok=True)
            raise


def prepare_folder(folder: Path) -> None:
    """Find out, leaving no trace, whether results can be written to a folder, which need not exist yet.

    Raises
    ------
    OutputError : naming the folder and the reason
    """
    with _told_plainly(folder):
        _temporary_folder(_nearest_existing(folder)).rmdir()


def write_folder(folder: Path, files: Mapping[str, bytes]) -> None:
    """Write all files of a result, or none.

    A new folder is filled under a temporary name beside its place and then renamed. In an existing one every file
    is replaced in one step, and put back as it was when a later one fails. Other files in it are left alone, except
    leftovers of a longer series: when `files` holds picture_1 and picture_2, an old picture_3 of the same kind goes.

    Raises
    ------
    OutputError : naming the folder and the reason
    """
    with _told_plainly(folder):
        _nearest_existing(folder)
        if not folder.exists():
            folder.parent.mkdir(parents=True, exist_ok=True)
        temporary = _temporary_folder(folder if folder.exists() else folder.parent)
        try:
            for name, content in files.items():
                (temporary / name).write_bytes(content)
            if folder.exists():
                _replace_files(temporary, folder, list(files))
                for leftover in _leftovers(folder, files):
                    leftover.unlink()
            else:
                os.chmod(temporary, _allowed(0o777))
                os.rename(temporary, folder)
        finally:
            shutil.rmtree(temporary, ignore_errors=True)


def _replace_files(source: Path, folder: Path, names: list[str]) -> None:
    """Move files of those names from one folder into another, or leave the other one as it was."""
    kept = source / "kept"
    kept.mkdir()
    for name in names:
        if (folder / name).exists():
            shutil.copy2(folder / name, kept / name)
    done: list[str] = []
    try:
        for name in names:
            done.append(name)
            os.replace(source / name, folder / name)
    except BaseException:
        for name in done:
            if (kept / name).exists():
                os.replace(kept / name, folder / name)
            elif not (source / name).exists():  # it was moved, and there was none before
                (folder / name).unlink(missing_ok=True)
        raise


def _leftovers(folder: Path, files: Mapping[str, bytes]) -> list[Path]:
    series = {(m["stem"], m["suffix"]) for name in files if (m := _NUMBERED.fullmatch(name))}
    return [
        each
        for each in folder.iterdir()
        if each.name not in files
        and (m := _NUMBERED.fullmatch(each.name))
        and (m["stem"], m["suffix"]) in series
        and each.is_file()
    ]


def _nearest_existing(folder: Path) -> Path:
    """The folder, or the first above it that exists; an error when a file stands in its way."""
    nearest = next(each for each in (folder, *folder.absolute().parents) if each.exists())
    if not nearest.is_dir():
        raise NotADirectoryError(errno.ENOTDIR, "a file of that name is in the way", str(nearest))
    return nearest


def _temporary_folder(inside: Path) -> Path:
    """A new folder on the file system of the results, so that moving from it is one step."""
    return Path(tempfile.mkdtemp(prefix=".rampwright-", dir=inside))


def _allowed(mode: int) -> int:
    """A mode less what the user's mask takes away: temporary files are made private, results are not."""
    mask = os.umask(0)
    os.umask(mask)
    return mode & ~mask


@contextmanager
def _told_plainly(path: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        reason = error.strerror or str(error)
        about = f" ({error.filename})" if error.filename and not _same(error.filename, path) else ""
        raise OutputError(
            f"{path}: cannot write results here: {reason}{about}; name a folder with --out that you may write to"
        ) from error


def _same(name: object, path: Path) -> bool:
    return str(name) == str(path) or ".rampwright-" in str(name)
