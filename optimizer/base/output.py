"""Writing results so that nobody ever finds half of them: under a temporary name first, then moved into place."""

from __future__ import annotations

import errno
import os
import shutil
import tempfile
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

from models.errors import RampwrightError
from optimizer.base.interruption import postponed
from optimizer.base.manifest import MANIFEST, in_the_way, leftovers, manifest, written_in

PATIENCE = 10.0  # s to wait for another run that is writing to the same place; it takes milliseconds


class OutputError(RampwrightError):
    """A file or folder that cannot be written."""


def write_atomically(path: Path, content: bytes) -> None:
    """Write one file: whoever looks sees the old content or the new, never a part of it.

    Raises
    ------
    OutputError : naming the file and the reason
    """
    with _told_plainly(path), postponed():
        handle, name = tempfile.mkstemp(prefix=f".{path.name}-", dir=path.parent)
        try:
            os.close(handle)
            _write(Path(name), content)
            os.chmod(name, _allowed(0o666))
            os.replace(name, path)
        except BaseException:
            Path(name).unlink(missing_ok=True)
            raise


def prepare_folder(folder: Path, command: str) -> None:
    """Find out, leaving no trace, whether a command can write to a folder, which need not exist yet.

    Raises
    ------
    OutputError : naming the folder and the reason, such as a file there that the command did not write
    """
    with _told_plainly(folder), postponed():
        _temporary_folder(_nearest_existing(folder)).rmdir()
        if folder.exists():
            with _alone_in(folder.resolve().parent):
                _refuse(in_the_way(folder, command))


def write_folder(folder: Path, files: Mapping[str, bytes], command: str) -> None:
    """Write all files of a command's result, or none; a Ctrl-C waits until they are written.

    A new folder is filled under a temporary name beside its place and then renamed. In an existing one every file
    is replaced in one step, and put back as it was when a later one fails; leftovers of the command's former result
    go. Nothing is written where a file is in the way that the command did not write, or that was changed since: a
    list of what was written stands beside the results (`optimizer.base.manifest`). Of two runs that write to one folder
    one waits for the other.

    Raises
    ------
    OutputError : naming the folder and the reason
    """
    with _told_plainly(folder), postponed(), _made_for(folder), _alone_in(folder.resolve().parent):
        if not folder.exists():
            _fill({**files, MANIFEST: manifest({}, command, files)}, folder)
            return
        _refuse(in_the_way(folder, command, files))
        written = written_in(folder) or {}
        listed = {**files, MANIFEST: manifest(written, command, files)}
        with _filled(listed, folder) as temporary:
            _replace_files(
                temporary, folder, list(listed), leftovers(folder, written.get(command, ()), files)
            )


def make_folder(folder: Path, files: Mapping[str, bytes]) -> None:
    """Make a folder with files that are their reader's own from then on, or leave no trace.

    Raises
    ------
    OutputError : naming the folder and the reason; when it exists already
    """
    with _told_plainly(folder), postponed(), _made_for(folder), _alone_in(folder.resolve().parent):
        if os.path.lexists(folder):
            raise FileExistsError(errno.EEXIST, "it exists already", str(folder))
        _fill(files, folder)


def _refuse(reason: str | None) -> None:
    if reason is not None:
        raise OutputError(reason)


def _fill(files: Mapping[str, bytes], folder: Path) -> None:
    """Make a folder that appears with all its files in it."""
    with _filled(files, folder.absolute().parent) as temporary:
        os.chmod(temporary, _allowed(0o777))
        os.rename(temporary, folder)


@contextmanager
def _filled(files: Mapping[str, bytes], inside: Path) -> Iterator[Path]:
    """A temporary folder with files, gone afterwards unless it was renamed."""
    temporary = _temporary_folder(inside)
    try:
        for name, content in files.items():
            _write(temporary / name, content)
        yield temporary
    finally:
        shutil.rmtree(temporary, ignore_errors=True)


def _write(path: Path, content: bytes) -> None:
    """Write a file down to the disk: some disks tell only then that they are full."""
    with path.open("wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())


def _replace_files(source: Path, folder: Path, names: list[str], former: list[str]) -> None:
    """Move files of those names from one folder into another and take former ones out, or leave it as it was."""
    kept = source / "kept"
    kept.mkdir()
    for name in names:
        if (folder / name).exists():
            _keep(folder / name, kept / name)
    done: list[str] = []
    try:
        for name in names:
            done.append(name)
            os.replace(source / name, folder / name)
        for name in former:
            done.append(name)
            os.replace(folder / name, kept / name)
    except BaseException:
        for name in done:
            if (kept / name).exists():
                os.replace(kept / name, folder / name)
            elif name in names and not (source / name).exists():  # it was moved, and there was none before
                (folder / name).unlink(missing_ok=True)
        raise


def _keep(path: Path, copy: Path) -> None:
    """A second name for a file, which takes no room; where the disk knows no such thing, a copy."""
    try:
        os.link(path, copy)
    except OSError:
        shutil.copy2(path, copy)


def _nearest_existing(folder: Path) -> Path:
    """The folder, or the first above it that exists; an error when a file stands in its way."""
    nearest = next(each for each in (folder, *folder.absolute().parents) if each.exists())
    if not nearest.is_dir():
        raise NotADirectoryError(errno.ENOTDIR, "a file of that name is in the way", str(nearest))
    return nearest


@contextmanager
def _made_for(folder: Path) -> Iterator[None]:
    """The folders above one, made when they are missing and taken away again when what follows fails."""
    _nearest_existing(folder)
    missing = [each for each in folder.absolute().parents if not each.exists()]
    folder.absolute().parent.mkdir(parents=True, exist_ok=True)
    try:
        yield
    except BaseException:
        for each in missing:
            try:
                each.rmdir()
            except OSError:
                break
        raise


@contextmanager
def _alone_in(folder: Path) -> Iterator[None]:
    """Hold a folder against other runs that write there; where the system cannot, go on without."""
    try:
        import fcntl
    except (
        ImportError
    ):  # on Windows; there an open file cannot be replaced, and the run that comes second fails
        yield
        return
    try:
        handle = os.open(folder, os.O_RDONLY)
    except PermissionError:  # a folder that may be written to but not listed
        yield
        return
    try:
        until = time.monotonic() + PATIENCE
        while True:
            try:
                fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
                break
            except BlockingIOError:
                if time.monotonic() > until:
                    raise OSError(errno.EBUSY, "another run is writing there") from None
                time.sleep(0.02)
            except OSError:  # some network file systems know no locks
                break
        yield
    finally:
        os.close(handle)


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
