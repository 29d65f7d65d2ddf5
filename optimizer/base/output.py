"""Writing results so that nobody ever finds half of them: under a temporary name first, then moved into place.

A process that is killed leaves a hidden name behind: `UNDO` where it was replacing the files of a folder, else one that
ends in `UNFINISHED`. Whoever comes next to that folder first puts the old files back, or takes the rest away.
"""

from __future__ import annotations

import errno
import hashlib
import json
import os
import shutil
import tempfile
import time
from collections.abc import Collection, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

from models.errors import RampwrightError
from optimizer.base.interruption import postponed
from optimizer.base.manifest import (
    MANIFEST,
    Hashes,
    Listed,
    in_the_way,
    in_the_way_text,
    leftovers,
    listed_in,
    manifest,
    sha256_of,
)

PATIENCE = 10.0  # s to wait for another run that is writing to the same place; it takes milliseconds
UNFINISHED = ".unfinished"  # ends a name that a run takes away again
UNDO = ".rampwright.undo"  # holds, while files are replaced, the new ones not yet moved, `KEPT` and `PLAN`
KEPT = "kept"  # the old files
PLAN = ".plan.json"  # SHA-256 of the files before (old) and after (new)


class OutputError(RampwrightError):
    """A file or folder that cannot be written."""


def write_atomically(path: Path, content: bytes, instead_of: bytes | None = None) -> None:
    """Write one file: whoever looks sees the old content or the new, never a part of it.

    Parameters
    ----------
    instead_of : what must be there still, for what was read and changed; None for whatever is

    Raises
    ------
    OutputError : naming the file and the reason
    """
    with _told_plainly(path), postponed(), _alone_in(path.parent):
        _sweep(path.parent, _beside(path))
        handle, name = tempfile.mkstemp(UNFINISHED, _beside(path), path.parent)
        try:
            os.close(handle)
            if instead_of is not None and path.read_bytes() != instead_of:
                raise OutputError(
                    f"{path}: was changed by somebody else meanwhile; nothing was written, try again"
                )
            _write(Path(name), content)
            os.chmod(name, _allowed(0o666))
            os.replace(name, path)
        except BaseException:
            Path(name).unlink(missing_ok=True)
            raise


def prepare_folder(folder: Path, command: str, force: bool = False) -> None:
    """Find out, leaving no trace, whether a command can write to a folder, which need not exist yet.

    With `force` no file is in the way, as for `write_folder`.

    Raises
    ------
    OutputError : naming the folder and the reason, such as a file there that the command did not write
    """
    with _told_plainly(folder), postponed():
        nearest = _nearest_existing(folder)
        _sweep(nearest, _PROBE)
        # One that cannot be taken away again is an error here: later runs would look for it elsewhere.
        Path(tempfile.mkdtemp(suffix=UNFINISHED, prefix=_PROBE, dir=nearest)).rmdir()
        if folder.exists():
            with _alone_in(_real(folder).parent):
                _settle(_real(folder))
                _refuse(folder, in_the_way(folder, command), force)


def write_folder(
    folder: Path, files: Mapping[str, bytes], command: str, mark: str = "", force: bool = False
) -> None:
    """Write all files of a command's result, or none; a Ctrl-C waits until they are written.

    A new folder is filled under a temporary name beside its place and then renamed. In an existing one the files are
    replaced together: they are put back as they were when one fails, and by whoever comes next when the process is
    killed. Leftovers of the command's former result go. Nothing is written where a file is in the way that the command
    did not write, or that was changed since: a list of what was written stands beside the results
    (`optimizer.base.manifest`). Of two runs that write to one folder one waits for the other.

    Parameters
    ----------
    mark : of the result, for the list
    force : whether files in the way are replaced; their content is kept as NAME.old

    Raises
    ------
    OutputError : naming the folder and the reason
    """
    with _told_plainly(folder), postponed(), _made_for(folder), _alone_in(_real(folder).parent):
        _settle(_real(folder))
        if not folder.exists():
            _fill({**files, MANIFEST: manifest(Listed({}, {}), command, files, mark)}, folder)
            return
        # Made before anything is looked at: what somebody puts in the folder's place meanwhile has no such folder.
        with _temporary_folder(folder, _INSIDE) as temporary:
            found = in_the_way(folder, command, files)
            _refuse(folder, found, force)
            foreign = [name for names in found.values() for name in names]
            aside = {_free_name(folder, name): (folder / name).read_bytes() for name in foreign}
            listed = listed_in(folder) or Listed({}, {})
            new = {**files, **aside, MANIFEST: manifest(listed, command, files, mark)}
            gone = {*leftovers(folder, listed.written.get(command, ()), files), *foreign}
            _write_all(new, temporary)
            _switch(temporary, folder, list(new), {n for n in (*new, *gone) if os.path.lexists(folder / n)})


@contextmanager
def undisturbed(folder: Path) -> Iterator[None]:
    """Hold a folder of results while files in it are read; if a run was killed while it replaced them, put them back.

    Raises
    ------
    OutputError : when another run does not end its writing there, or the old files cannot be put back
    """
    try:
        with _alone_in(_real(folder).parent):
            _undo(folder)
            yield
    except OSError as error:
        raise OutputError(
            f"{folder}: its results cannot be read: {error.strerror or error}; if a run was stopped while it wrote "
            "here, make the folder writable, so that the former results can be put back"
        ) from error


def make_folder(folder: Path, files: Mapping[str, bytes]) -> None:
    """Make a folder with files that are their reader's own from then on, or leave no trace.

    Raises
    ------
    OutputError : naming the folder and the reason; when it exists already
    """
    with _told_plainly(folder), postponed(), _made_for(folder), _alone_in(_real(folder).parent):
        _sweep(_real(folder).parent, _beside(folder))
        if os.path.lexists(folder):
            raise FileExistsError(errno.EEXIST, "it exists already", str(folder))
        _fill(files, folder)


def _refuse(folder: Path, found: Mapping[str, list[str]], force: bool) -> None:
    if found and not force:
        raise OutputError(in_the_way_text(folder, found))


def _free_name(folder: Path, name: str) -> str:
    """NAME.old, or with a number behind, such that there is no file of that name."""
    names = (f"{name}.old{number}" for number in ("", *range(2, 1000)))
    return next(each for each in names if not os.path.lexists(folder / each))


def _fill(files: Mapping[str, bytes], folder: Path) -> None:
    """Make a folder that appears with all its files in it."""
    with _temporary_folder(folder.absolute().parent, _beside(folder)) as temporary:
        _write_all(files, temporary)
        os.chmod(temporary, _allowed(0o777))
        os.rename(temporary, folder)


def _write_all(files: Mapping[str, bytes], folder: Path) -> None:
    for name, content in files.items():
        _write(folder / name, content)


def _write(path: Path, content: bytes) -> None:
    """Write a file down to the disk: some disks tell only then that they are full."""
    with path.open("wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())


def _switch(filled: Path, folder: Path, new: Collection[str], old: Collection[str]) -> None:
    """Move the new files from one folder into another in place of the old ones, or leave it as it was.

    Once `UNDO` is there, `_undo` makes the old result of whatever is found; once it is gone again, the new one counts.
    """
    plan = {
        "old": {name: sha256_of(folder / name) for name in old},
        "new": {name: sha256_of(filled / name) for name in new},
    }
    (filled / KEPT).mkdir()
    _write(filled / PLAN, json.dumps(plan).encode())
    undo = folder / UNDO
    os.rename(filled, undo)
    try:
        for name in old:
            os.rename(folder / name, undo / KEPT / name)
        for name in new:
            os.rename(undo / name, folder / name)
        os.rename(undo, filled)
    except BaseException:
        _undo(folder)
        raise


def _undo(folder: Path) -> None:
    """Put files back as they were before a switch that did not come to its end; it may be stopped and begun again.

    Raises
    ------
    OutputError : when one of them was changed since, or what the switch left is not as it leaves it
    """
    undo = folder / UNDO
    if not os.path.lexists(undo):
        return
    old, new = _plan(undo)
    changed = [
        name
        for name in sorted({*old, *new})
        if os.path.lexists(folder / name) and sha256_of(folder / name) not in (old.get(name), new.get(name))
    ]
    if changed:
        raise OutputError(
            f"{folder}: a run was stopped while it replaced results here, and before they could be put back "
            f"{', '.join(changed)} changed; move that elsewhere"
        )
    for name in new.keys() - old.keys():
        (folder / name).unlink(missing_ok=True)
    for name in old:
        if (undo / KEPT / name).exists():
            os.replace(undo / KEPT / name, folder / name)
    undone = folder / f"{_INSIDE}undone{UNFINISHED}"
    os.rename(undo, undone)
    shutil.rmtree(undone, ignore_errors=True)


def _plan(undo: Path) -> tuple[Hashes, Hashes]:
    try:
        table = json.loads((undo / PLAN).read_bytes())
        old, new = dict(table["old"]), dict(table["new"])
        plain = all(Path(name).name == name and name for name in (*old, *new))
    except (ValueError, KeyError, TypeError, RecursionError, FileNotFoundError, NotADirectoryError):
        plain = False
    if not plain:
        raise OutputError(f"{undo}: is not as a run that was stopped leaves it; move it elsewhere")
    return old, new


def _settle(folder: Path) -> None:
    """Put right what a run that was killed left of its work on a folder, in it and beside it."""
    _sweep(folder.parent, _beside(folder))
    _sweep(folder, _INSIDE)
    _undo(folder)


def _sweep(inside: Path, prefix: str) -> None:
    """Take away files and folders under temporary names with that prefix."""
    for each in inside.glob(f"{prefix}*{UNFINISHED}"):
        if each.is_dir():
            shutil.rmtree(each, ignore_errors=True)
        else:
            each.unlink(missing_ok=True)


def _nearest_existing(folder: Path) -> Path:
    """The folder, or the first above it that exists; an error when a file stands in its way."""
    nearest = next(each for each in (folder, *folder.absolute().parents) if each.exists())
    if not nearest.is_dir():
        raise NotADirectoryError(errno.ENOTDIR, "a file of that name is in the way", str(nearest))
    return nearest


def _real(folder: Path) -> Path:
    """Where links lead; unlike `Path.resolve` also of links in a circle, which the system then refuses."""
    return Path(os.path.realpath(folder))


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


_INSIDE, _PROBE = (
    ".rampwright-in-",
    ".rampwright-probe-",
)  # of temporary names in a folder of results, and anywhere


def _beside(path: Path) -> str:
    """Prefix of temporary names beside a file or folder: its own, short enough for any name."""
    return f".rampwright-{hashlib.sha256(path.name.encode()).hexdigest()[:8]}-"


@contextmanager
def _temporary_folder(inside: Path, prefix: str) -> Iterator[Path]:
    """A new folder on the file system of the results, so that moving from it is one step; gone afterwards."""
    temporary = Path(tempfile.mkdtemp(suffix=UNFINISHED, prefix=prefix, dir=inside))
    try:
        yield temporary
    finally:
        shutil.rmtree(temporary, ignore_errors=True)


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
    return str(name) == str(path) or ".rampwright-" in str(name) or UNDO in str(name)
