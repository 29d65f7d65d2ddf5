"""Which files of a folder the tool wrote: the list that stands beside results, and what is in the way of new ones."""

from __future__ import annotations

import errno
import hashlib
import json
import os
import re
from collections.abc import Iterable, Mapping
from pathlib import Path

MANIFEST = ".rampwright.json"
_ABOUT = (
    "The files that rampwright wrote into this folder, by command, with their SHA-256. It replaces and removes no "
    "other file, and none that was changed since."
)
# By command, every file that it may write; N is a number.
NAMES: dict[str, tuple[str, ...]] = {
    "fit": ("fit.json", "residuals.png", "residuals.svg"),
    "predict": ("prediction.json", "peaks.csv", "chromatogram.png", "chromatogram.svg", "exposure.png", "exposure.svg"),
    "optimize": ("report.html", "set_points.txt", "candidates.json", "candidates.csv", "chromatogram_N.png",
                 "chromatogram_N.svg", "exposure_N.png", "exposure_N.svg", "front.png", "front.svg"),
    "sweep": ("sweep.json", "sweep.csv", "sweep.png", "sweep.svg"),
    "adapt": ("adapt.json", "adapt.html", "program.toml", "tuned.toml"),
    "scout": ("scout.json", "scout.toml", "scout.png", "scout.svg"),
    "peaks": ("peaks.csv", "peaks.json", "peaks.png"),
    "compare": ("compare.json", "compare.csv", "compare.html", "compare.png", "program.toml", "tuned.toml",
                "scouting_run.toml", "scouting_run.csv"),
}  # fmt: skip
SHOWN = 5  # names in a message

Written = dict[str, dict[str, str]]  # by command, the SHA-256 of each file that it wrote


def written_in(folder: Path) -> Written | None:
    """What the list of an existing folder says, {} without one; None when it is not as `manifest` makes it."""
    path = folder / MANIFEST
    if not os.path.lexists(path):
        return {}
    if not _is_plain_file(path):
        return None
    try:
        written = json.loads(path.read_bytes())["written"]
        plain = all(isinstance(sha, str) for files in written.values() for sha in files.values())
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return None
    return written if plain else None


def manifest(written: Written, command: str, files: Mapping[str, bytes]) -> bytes:
    """The list once a command has written its files; those of its former result are off it."""
    after = {by: {n: sha for n, sha in known.items() if n not in files} for by, known in written.items()}
    after[command] = {name: hashlib.sha256(content).hexdigest() for name, content in files.items()}
    table = {"about": _ABOUT, "written": {by: known for by, known in after.items() if known}}
    return (json.dumps(table, indent=1) + "\n").encode()


def in_the_way(folder: Path, command: str, names: Iterable[str] = ()) -> str | None:
    """Why a command may not write into an existing folder, which it may when this is None.

    A file is in the way that has a name which the command may write, one of `names`, or one of its former result,
    unless the command itself wrote it and its content is still the same.

    Raises
    ------
    OSError : when the folder or a file in it cannot be read, or a folder has such a name
    """
    written = written_in(folder)
    if written is None:
        return _message(folder, {"not a list of files as rampwright keeps it": [MANIFEST]})
    present = {each.name.lower() for each in folder.iterdir()}  # some file systems make no difference of case
    own = written.get(command, {})
    asked = {*names, *(name for name in present if name in own or _may_be_of(command, name))}
    found: dict[str, list[str]] = {}
    for name in sorted(asked):
        reason = _not_own(folder / name, command, written) if os.path.lexists(folder / name) else None
        if reason is not None:
            found.setdefault(reason, []).append(name)
    return _message(folder, found) if found else None


def leftovers(folder: Path, former: Iterable[str], files: Iterable[str]) -> list[str]:
    """Files of a command's former result, of which the new one has none of that name."""
    return sorted({each.name for each in folder.iterdir()} & (set(former) - set(files)))


def _may_be_of(command: str, name: str) -> bool:
    return re.sub(r"_\d+\.", "_N.", name) in NAMES[command]


def _not_own(path: Path, command: str, written: Written) -> str | None:
    """Why a command may not replace a file; None when it wrote that file as it is."""
    if path.is_dir() and not path.is_symlink():
        raise IsADirectoryError(errno.EISDIR, "a folder of that name is in the way", str(path))
    known = {by: files[path.name] for by, files in written.items() if path.name in files}
    if not known:
        unlisted = "" if written else ", or by a version that kept no list of its files"
        return f"not written by rampwright{unlisted}"
    if not _is_plain_file(path):
        return "changed since it was written"
    with path.open("rb") as file:
        sha = hashlib.file_digest(file, "sha256").hexdigest()
    if known.get(command) == sha:
        return None
    by = [other for other, its in known.items() if its == sha]
    return f"written by rampwright {by[0]}" if by else "changed since it was written"


def _is_plain_file(path: Path) -> bool:
    return path.is_file() and not path.is_symlink()


def _message(folder: Path, found: Mapping[str, list[str]]) -> str:
    parts = []
    for reason, names in found.items():
        more = f" and {len(names) - SHOWN} more" if len(names) > SHOWN else ""
        parts.append(f"{', '.join(names[:SHOWN])}{more} ({reason})")
    return (
        f"{folder}: nothing was written, as this is in the way: {'; '.join(parts)}; name another folder, or move or "
        "delete what is in the way"
    )
