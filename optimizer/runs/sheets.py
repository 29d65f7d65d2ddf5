"""Rows of cells out of files as data systems and spreadsheets write them: text in several encodings, and workbooks."""

from __future__ import annotations

import csv
import io
import re
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from optimizer.base.errors import ScenarioError
from optimizer.base.text_files import LARGEST, text_of

MARKS = (";", "\t", ",")  # between cells; the first that a heading holds
MOST_ROWS, MOST_COLUMNS = 20_000, 100  # of a sheet that is looked at
MOST_OF_ALL = 5 * MOST_ROWS  # rows of all sheets, of which a file of a few kB may name a thousand
WIDEST_ROW = 16_384  # cells, of what spreadsheets write; the library reads whole rows
_ROW, _CELL = re.compile(rb"<(?:\w+:)?row\b"), re.compile(rb"<(?:\w+:)?c\b")
# What of Windows-1252 stands in names, headings and units of the languages that are read.
_LETTERS = frozenset("ÄÖÜäöüßÀÂÇÈÉÊËÎÏÔÙÛàâçèéêëîïôùûÁÍÓÚÑáíóúñ°µ²³½±·–—’‘“”«»ªºα")


@dataclass(frozen=True)
class Sheet:
    """Numbered rows of cells.

    Attributes
    ----------
    rows : line or row of the file, from 1, and its cells without blanks around them
    where : "line" or "row", for messages
    notes : how it was read, where that was not as usual
    """

    rows: list[tuple[int, list[str]]]
    where: str = "line"
    notes: tuple[str, ...] = ()


def text_of_table(path: Path, raw: bytes) -> tuple[str, tuple[str, ...]]:
    """A table's bytes as text, which may be UTF-8, UTF-16 or, where nothing else can be meant, Windows-1252.

    Raises
    ------
    ScenarioError : as `text_of`
    """
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        try:
            return text_of(path, raw.decode("utf-16").encode()), (f"{path}: read as UTF-16",)
        except UnicodeDecodeError:
            raise ScenarioError(f"{path}: begins as UTF-16 does but is none; save it as UTF-8 text") from None
    try:
        raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        try:
            text = raw.decode("cp1252")
        except UnicodeDecodeError:
            return text_of(path, raw), ()
        if all(ord(c) < 128 or c in _LETTERS for c in text):
            return text_of(path, text.encode()), (f"{path}: is not UTF-8; read as Windows-1252",)
    return text_of(path, raw), ()


def cells_of_text(path: Path, text: str, mark: str, first: int) -> list[tuple[int, list[str]]]:
    """The rows of text from the line `first` (from 0) on, cells between `mark`.

    Raises
    ------
    ScenarioError : naming the line, where quotes do not close
    """
    reader = csv.reader(io.StringIO("\n".join(text.split("\n")[first:])), delimiter=mark)
    try:
        return [
            (first + reader.line_num, [cell.replace("\n", " ").strip() for cell in row]) for row in reader
        ]
    except csv.Error as error:
        line = first + reader.line_num
        raise ScenarioError(f"{path}, line {line}: cannot be read as CSV ({error})") from None


def marks_of(line: str) -> Iterator[tuple[str, list[str]]]:
    """A line cut at each mark that it holds, the likeliest first."""
    for mark in MARKS:
        if mark in line:
            yield mark, [cell.strip(' "\r') for cell in line.split(mark)]


def is_workbook(raw: bytes) -> bool:
    """Whether a file is a zip archive, as workbooks are."""
    return raw.startswith(b"PK\x03\x04")


def sheets_of_workbook(path: Path, raw: bytes) -> list[tuple[str, Sheet]]:
    """The sheets of a workbook's bytes (.xlsx) by name, values as they were last computed.

    Raises
    ------
    ScenarioError : when it is no workbook, or far too large
    """
    import openpyxl

    none = (
        f"{path}: is no workbook though it looks like one; save it as .xlsx anew, or export the sheet as CSV"
    )
    try:
        with zipfile.ZipFile(io.BytesIO(raw)) as archive:
            unpacked = sum(each.file_size for each in archive.infolist())
            if unpacked > LARGEST:
                raise ScenarioError(f"{path}: unpacks to {unpacked / 1e6:.0f} MB, which no peak table is")
            if archive.testzip() is not None:
                raise ScenarioError(none)
            if any(_has_endless_row(archive.read(each)) for each in archive.namelist()):
                raise ScenarioError(
                    f"{path}: has a row of more than {WIDEST_ROW} cells, which no spreadsheet writes"
                )
        book = openpyxl.load_workbook(io.BytesIO(raw), read_only=True, data_only=True, keep_links=False)
        found, left = [], MOST_OF_ALL
        for sheet in book.worksheets:
            most = min(MOST_ROWS, left)
            if most == 0:
                break
            rows = sheet.iter_rows(max_row=most, max_col=MOST_COLUMNS, values_only=True)
            found.append(
                (sheet.title, Sheet([(n, [*map(_cell, row)]) for n, row in enumerate(rows, 1)], "row"))
            )
            left -= len(found[-1][1].rows)
        return found
    except ScenarioError:
        raise
    except Exception as error:  # the library lets through whatever its parsers raise at spoilt files
        raise ScenarioError(f"{none} ({type(error).__name__})") from None


def _has_endless_row(part: bytes) -> bool:
    """Whether a part of a workbook is a sheet with a row of more cells than any."""
    if b"sheetData" not in part:
        return False
    rows = _ROW.split(part)
    return any(len(row) > 3 * WIDEST_ROW and len(_CELL.findall(row)) > WIDEST_ROW for row in rows)


def _cell(value: object) -> str:
    """A cell as text; numbers with the digits they have."""
    if value is None:
        return ""
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return str(value).replace("\n", " ").strip()
