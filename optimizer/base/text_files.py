"""Text files as people's editors and spreadsheets save them: UTF-8, with or without a byte order mark."""

from __future__ import annotations

import codecs
import difflib
import os
import re
import stat
from pathlib import Path

from optimizer.base.errors import ScenarioError

LARGEST = 200_000_000  # bytes; 10 million readings of a trace as text are less
_UTF16 = (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)
# What a spreadsheet takes for a formula, and the same with apostrophes before it.
_COMPUTED = re.compile(r"'*[=+\-@\t\r]")
# As between the brackets of a regular expression: characters that nobody sees but that make two names differ, turn
# round what follows or command a terminal. The joiners U+200C and U+200D stay, which some scripts need.
UNSEEN = "\x00-\x1f\x7f-\x9f\xad\u200b\u200e\u200f\u2028-\u202e\u2060-\u206f\ufeff"


def read_text(path: Path, asked_by: str = "") -> str:
    """The text of a file, line ends as \\n.

    Parameters
    ----------
    asked_by : str, what names the file ("scenario.toml: scouting_runs[1].peaks"), for the message

    Raises
    ------
    ScenarioError : when there is no such file, it cannot be opened, or it is not UTF-8
    """
    return text_of(path, read_bytes(path, asked_by))


def read_bytes(path: Path, asked_by: str = "") -> bytes:
    """The bytes of a file; parameters and errors as `read_text`."""
    origin = f"{asked_by} names {path.name!r}: " if asked_by else ""
    try:
        with open(path, "rb", opener=_without_waiting) as file:
            # A pipe or a device may have no end, or nothing to read.
            known = os.fstat(file.fileno())
            if not stat.S_ISREG(known.st_mode):
                raise ScenarioError(f"{origin}{path}: is a pipe, socket or device; a file was expected")
            # Some that the system makes up have no size, and may be told without end.
            raw = (file.read() if 0 < known.st_size <= LARGEST else file.read(LARGEST + 1)) or b""
    except FileNotFoundError:
        raise ScenarioError(f"{origin}{path}: there is no such file{_near(path)}") from None
    except IsADirectoryError:
        raise ScenarioError(f"{origin}{path}: is a folder; a file was expected") from None
    except OSError as error:
        raise ScenarioError(f"{origin}{path}: cannot be read ({error.strerror or error})") from None
    if len(raw) > LARGEST:
        raise ScenarioError(
            f"{origin}{path}: is longer than {LARGEST // 1_000_000} MB, which no table and no trace of a run is; is it "
            "the right file?"
        )
    return raw


def _without_waiting(path: str, flags: int) -> int:
    return os.open(path, flags | getattr(os, "O_NONBLOCK", 0))


def text_of(path: Path, raw: bytes) -> str:
    """The bytes of a file as text, line ends as \\n; errors as `read_text`."""
    if raw.startswith(_UTF16):
        raise ScenarioError(f"{path}: is saved as UTF-16; save it as UTF-8 text")
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        guess = raw[error.start : error.start + 1].decode("cp1252", errors="replace")
        raise ScenarioError(
            f"{path}, line {line}: is not UTF-8 text (byte 0x{raw[error.start]:02X}, which is {guess!r} in "
            "Windows-1252 or Latin-1); save the file as UTF-8"
        ) from None
    if "\0" in text:
        raise ScenarioError(f"{path}: holds binary data; of a spreadsheet, export the sheet as CSV in UTF-8")
    return text.replace("\r\n", "\n").replace("\r", "\n")


def cell_text(name: str) -> str:
    """A name for a cell of a CSV file: one that a spreadsheet would compute gets an apostrophe before it."""
    return f"'{name}" if _COMPUTED.match(name) else name


def cell_name(text: str) -> str:
    """The name that `cell_text` made a cell of."""
    return text[1:] if text.startswith("'") and _COMPUTED.match(text) else text


def _near(path: Path) -> str:
    if not path.parent.is_dir():
        return f" (nor a folder {path.parent})"
    names = sorted(entry.name for entry in path.parent.iterdir() if entry.is_file())
    near = nearest(path.name, names)
    return f"; did you mean {near!r}?" if near else ""


def nearest(word: str, known: list[str], cutoff: float = 0.6) -> str | None:
    """The known word that looks most like `word`, case aside, or None."""
    folded: dict[str, str] = {}
    for each in known:
        folded.setdefault(each.casefold(), each)
    found = difflib.get_close_matches(word.casefold(), list(folded), n=1, cutoff=cutoff)
    return folded[found[0]] if found else None
