"""Which files of a folder the tool wrote: the list that stands beside results, and what is in the way of new ones."""

from __future__ import annotations

import errno
import hashlib
import json
import os
import re
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import NamedTuple

from optimizer.base.mark import mark_in

MANIFEST = ".rampwright.json"
_ABOUT = (
    "The files that rampwright wrote into this folder, by command, with their SHA-256, and the marks of its results. "
    "It replaces and removes no other file, and none that was changed since."
)
# By command, every file that it may write; N is a number.
NAMES: dict[str, tuple[str, ...]] = {
    "fit": ("fit.json", "residuals.png", "residuals.svg"),
    "predict": ("prediction.json", "prediction.xlsx", "peaks.csv",
                "chromatogram.png", "chromatogram.svg", "exposure.png", "exposure.svg"),
    "optimize": ("report.html", "qa_sheet.html", "set_points.txt", "candidates.json", "candidates.csv",
                 "candidates.xlsx",
                 "chromatogram_N.png", "chromatogram_N.svg", "exposure_N.png", "exposure_N.svg",
                 "front.png", "front.svg"),
    "sweep": ("sweep.json", "sweep.csv", "sweep.png", "sweep.svg"),
    "adapt": ("adapt.json", "adapt.html", "program.toml", "tuned.toml",
              "columns.json", "columns.csv", "columns.xlsx", "columns.html"),
    "scout": ("scout.json", "scout.toml", "run_N.toml", "scout.png", "scout.svg"),
    "peaks": ("peaks.csv", "peaks.xlsx", "peaks.json", "peaks.png"),
    "compare": ("compare.json", "compare.csv", "compare.xlsx", "compare.html", "compare.png",
                "program.toml", "tuned.toml",
                "scouting_run.toml", "scouting_run.csv"),
    "campaign": ("campaign.json", "history.csv", "history.html", "best.toml", "next.toml", "set_points.txt"),
}  # fmt: skip
SHOWN = 5  # names in a message

Hashes = dict[str, str]  # SHA-256 by name of a file
# Of files that carry the mark of their result as text; the list has it for those that cannot, and for a CSV.
MARKED = ("report.html", "set_points.txt", "candidates.json")


class Listed(NamedTuple):
    """What the list says: by command, the files that it wrote, and the mark of its result."""

    written: dict[str, Hashes]
    marks: dict[str, str]


def listed_in(folder: Path) -> Listed | None:
    """What the list of an existing folder says, nothing without one; None when it is not as `manifest` makes it."""
    path = folder / MANIFEST
    if not os.path.lexists(path):
        return Listed({}, {})
    if not _is_plain_file(path):
        return None
    try:
        table = json.loads(path.read_bytes())
        listed = Listed(table["written"], table.get("marks", {}))
        texts = [
            *listed.marks.values(),
            *(sha for files in listed.written.values() for sha in files.values()),
        ]
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return None
    return listed if all(isinstance(text, str) for text in texts) else None


def manifest(listed: Listed, command: str, files: Mapping[str, bytes], mark: str) -> bytes:
    """The list once a command has written its files; those of its former result are off it."""
    after = {
        by: {n: sha for n, sha in known.items() if n not in files} for by, known in listed.written.items()
    }
    after[command] = {name: hashlib.sha256(content).hexdigest() for name, content in files.items()}
    marks = {**listed.marks, command: mark}
    written = {by: known for by, known in after.items() if known}
    table = {"about": _ABOUT, "written": written, "marks": {by: marks[by] for by in written if marks.get(by)}}
    return (json.dumps(table, indent=1) + "\n").encode()


def in_the_way(folder: Path, command: str, names: Iterable[str] = ()) -> dict[str, list[str]]:
    """The files for which a command may not write into an existing folder, by the reason.

    A file is in the way that has a name which the command may write, one of `names`, or one of its former result,
    unless the command itself wrote it and its content is still the same.

    Raises
    ------
    OSError : when the folder or a file in it cannot be read, or a folder has such a name
    """
    listed = listed_in(folder)
    found = {} if listed is not None else {"not a list of files as rampwright keeps it": [MANIFEST]}
    written = {} if listed is None else listed.written
    present = {each.name.lower() for each in folder.iterdir()}  # some file systems make no difference of case
    own = written.get(command, {})
    asked = {*names, *(name for name in present if name in own or _may_be_of(command, name))}
    for name in sorted(asked):
        reason = _not_own(folder / name, command, written) if os.path.lexists(folder / name) else None
        if reason is not None:
            found.setdefault(reason, []).append(name)
    return found


def differing_marks(folder: Path, command: str) -> dict[str, str]:
    """The marks of a command's files in a folder, "" for none; {} when all are of one result.

    A picture or table without a mark is not counted: its reader may have saved it anew.

    Raises
    ------
    OSError : when a file cannot be read
    """
    listed = listed_in(folder) or Listed({}, {})
    hashes, mark = listed.written.get(command, {}), listed.marks.get(command, "")
    found = {}
    for path in sorted(folder.iterdir()):
        if _may_be_of(command, path.name) and path.is_file():
            content = path.read_bytes()
            own = mark if hashes.get(path.name) == hashlib.sha256(content).hexdigest() else ""
            carried = mark_in(content) or own
            if carried or path.name in MARKED:
                found[path.name] = carried
    return found if len(set(found.values())) > 1 else {}


def leftovers(folder: Path, former: Iterable[str], files: Iterable[str]) -> list[str]:
    """Files of a command's former result, of which the new one has none of that name."""
    return sorted({each.name for each in folder.iterdir()} & (set(former) - set(files)))


def _may_be_of(command: str, name: str) -> bool:
    return re.sub(r"_\d+\.", "_N.", name) in NAMES[command]


def sha256_of(path: Path) -> str:
    """Of the content of a file."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _not_own(path: Path, command: str, written: Mapping[str, Hashes]) -> str | None:
    """Why a command may not replace a file; None when it wrote that file as it is."""
    if path.is_dir() and not path.is_symlink():
        raise IsADirectoryError(errno.EISDIR, "a folder of that name is in the way", str(path))
    known = {by: files[path.name] for by, files in written.items() if path.name in files}
    if not known:
        unlisted = "" if written else ", or by a version that kept no list of its files"
        return f"not written by rampwright{unlisted}"
    if not _is_plain_file(path):
        return "changed since it was written"
    sha = sha256_of(path)
    if known.get(command) == sha:
        return None
    by = [other for other, its in known.items() if its == sha]
    return f"written by rampwright {by[0]}" if by else "changed since it was written"


def _is_plain_file(path: Path) -> bool:
    return path.is_file() and not path.is_symlink()


def in_the_way_text(folder: Path, found: Mapping[str, list[str]]) -> str:
    """What is in the way of a command, as a message."""
    parts = []
    for reason, names in found.items():
        more = f" and {len(names) - SHOWN} more" if len(names) > SHOWN else ""
        parts.append(f"{', '.join(names[:SHOWN])}{more} ({reason})")
    return (
        f"{folder}: nothing was written, as this is in the way: {'; '.join(parts)}; name another folder, move or "
        "delete what is in the way, or have it replaced with --force, which keeps it as NAME.old"
    )
