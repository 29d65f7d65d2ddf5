"""Peak tables: one CSV file a scouting run, `compound,retention_min,width_half_min,area,tailing`.

Columns in any order, the last three optional; separated by commas, semicolons or tabs; with semicolons, tabs
or quoted cells a decimal comma is read as a decimal point.
"""

from __future__ import annotations

import re
from collections.abc import Container, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import Annotated

import numpy as np
from numpy.typing import NDArray

from models.units import SECONDS_PER_MINUTE
from optimizer.base.errors import ScenarioError
from optimizer.base.quantities import MINUTE, OF_SECONDS, Quantity, Tailing, quantity_of
from optimizer.base.tables import Table, key, keys_of
from optimizer.base.text_files import UNSEEN, cell_name, nearest, read_bytes
from optimizer.runs.headings import TIMES, Column, columns_of, lacking_of, said_of, unit_alone
from optimizer.runs.sheets import (
    MARKS,
    Sheet,
    cells_of_text,
    is_workbook,
    marks_of,
    sheets_of_workbook,
    text_of_table,
)

Array = NDArray[np.float64]

LONGEST_RETENTION_MIN = 1000.0
MOST_PEAKS = 5000  # far more than a run can separate (common practice, no source)
NARROWEST_SHARE = 1e-6  # of a retention time, for a width: 5e12 plates
# A half-height width above a quarter of the retention time is fewer than 5.54 * 4^2 = 89 plates.
WIDEST_SHARE = 0.25
CROWDED = 3.0  # width over gap; at 3 two equal peaks have Rs = 0.2 and show as one

MOST_BEFORE = 100  # lines of an export before its headings
# Numbers or letters of positions before a name: 1,3-, 2,4,6-, N,N-, o,p'-.
_LOCANTS = re.compile(r"^[\[(]?\w{1,3}['′]?(,\w{1,3}['′]?)+\)?-\S")
_NUMBER = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?")


PeakTime = Annotated[float, Quantity(0, LONGEST_RETENTION_MIN, MINUTE, OF_SECONDS)]


@dataclass(frozen=True)
class PeakRow(Table):
    """One line of a peak table: its columns."""

    compound: Annotated[str, key(expected="text, once a table")]
    """the same spelling in every run"""
    retention: Annotated[
        PeakTime, key("retention_min", expected=f"above 0, at most {LONGEST_RETENTION_MIN:g} min")
    ]
    """retention time"""
    width_half: Annotated[
        PeakTime | None, key("width_half_min", expected="above 0, at most a quarter of the retention time")
    ] = None
    """optional: width at half height"""
    area: Annotated[float | None, key(expected="above 0")] = None
    """optional: any unit"""
    tailing: Tailing | None = None
    """optional: tailing factor"""


COLUMNS = tuple(keys_of(PeakRow))
REQUIRED = COLUMNS[:2]
EXAMPLE = ",".join(COLUMNS)
TAILING_RANGE = (quantity_of(Tailing).low, quantity_of(Tailing).high)


@dataclass(frozen=True, eq=False)
class PeakTable:
    """The peaks of one run, in order of retention time.

    Attributes
    ----------
    compounds : tuple of M names, all different; empty when the peaks have no names
    retention : (M,) array  [s]
    width_half : (M,) array  [s], nan where not measured
    area : (M,) array  [any unit], nan where not measured
    tailing : (M,) array  [-], nan where not measured
    notes : what a reader should know of where they come from
    """

    compounds: tuple[str, ...]
    retention: Array
    width_half: Array
    area: Array
    tailing: Array
    notes: tuple[str, ...] = ()

    @property
    def named(self) -> bool:
        """Whether the peaks have names."""
        return bool(self.compounds)

    def index(self, compound: str) -> int | None:
        """The row of a compound, None when this run does not have it."""
        return self._rows.get(compound)

    @cached_property
    def _rows(self) -> dict[str, int]:
        return {name: row for row, name in enumerate(self.compounds)}

    def share_of_largest(self, compound: str, ignored: Container[str] = ()) -> float:
        """Area of a compound over the largest of those not ignored; nan where it was not measured."""
        areas = [a for name, a in zip(self.compounds, self.area, strict=True) if name not in ignored]
        known = [a for a in areas if np.isfinite(a)]
        row = self.index(compound)
        return float(self.area[row] / max(known)) if known and row is not None else float("nan")

    def only(self, compounds: Container[str]) -> PeakTable:
        """The peaks of some compounds."""
        rows = [row for row, name in enumerate(self.compounds) if name in compounds]
        return PeakTable(
            tuple(self.compounds[row] for row in rows),
            self.retention[rows],
            self.width_half[rows],
            self.area[rows],
            self.tailing[rows],
            self.notes,
        )


def read_peak_table(
    path: Path, asked_by: str = "", names_needed: bool = True, columns: Mapping[str, str] | None = None
) -> PeakTable:
    """Read and check one peak table: our own CSV, or what a data system or a spreadsheet wrote.

    Parameters
    ----------
    names_needed : whether a table without the column `compound`, or with nothing in it, is an error
    columns : headings by what they mean, where these do not say it (`headings.columns_of`)

    Raises
    ------
    ScenarioError : naming file, line, column and value of everything that cannot be right
    """
    found = _cells(path, read_bytes(path, asked_by), REQUIRED if names_needed else REQUIRED[1:], columns)
    header, rows, notes = found.header, found.rows, list(found.notes)
    refuse_too_many(path, len(rows))
    at = header.index("compound") if "compound" in header else len(header)
    unnamed = not names_needed and all(len(cells) <= at or not cells[at] for _, cells in rows)
    if found.foreign and not unnamed:
        nameless = sum(len(cells) <= at or not cells[at] for _, cells in rows)
        rows = [(line, cells) for line, cells in rows if len(cells) > at and cells[at]]
        if nameless:
            notes.append(f"{path}: {nameless} of {nameless + len(rows)} peaks have no name; left out")
    problems: list[str] = []
    compounds: list[str] = []
    lines: dict[str, int] = {}
    values: list[list[float]] = []
    for line, cells in rows:
        row = dict(zip(header, cells, strict=False))
        name = f"peak {len(compounds) + 1}" if unnamed else cell_name(row.get("compound", ""))
        where = f"{path}, {found.where} {line}"
        if not name:
            problems.append(f"{where}: the compound has no name")
            continue
        if re.search(f"[{UNSEEN}]", name):
            problems.append(f"{where}: {name!r} holds an unseen character or a line end; type the name anew")
            continue
        if name in lines:
            problems.append(
                f"{where}: {name!r} is already on {found.where} {lines[name]}; a compound has one peak a run "
                "(give isomers names that differ)"
            )
            continue
        lines[name] = line
        compounds.append(name)
        values.append(
            [
                found.times.get(key, 1.0) * _value(where, name, key, row.get(key, ""), problems)
                for key in COLUMNS[1:]
            ]
        )
    if problems:
        raise ScenarioError(problems)
    numbers = np.array(values)
    order = np.argsort(numbers[:, 0], kind="stable")
    names = tuple(compounds[i] for i in order)
    retention, width, area, tailing = numbers[order].T
    _check_widths(path, names, [lines[name] for name in names], retention, width)
    return PeakTable(
        () if unnamed else names,
        retention * SECONDS_PER_MINUTE,
        width * SECONDS_PER_MINUTE,
        area,
        tailing,
        tuple(notes),
    )


def refuse_too_many(path: Path, peaks: int) -> None:
    """Stop where a run has more peaks than are taken.

    Raises
    ------
    ScenarioError : naming the file, the number of peaks, the limit and what to do
    """
    if peaks > MOST_PEAKS:
        raise ScenarioError(
            f"{path}: has {peaks} peaks; expected at most {MOST_PEAKS}: leave out the smallest, or, if these are the "
            "readings of a recorded trace, name its columns time_min,signal"
        )


@dataclass(frozen=True)
class _Cells:
    """The columns of a table by our names ("" for those left out), and the numbered rows below them.

    Attributes
    ----------
    times : what the values of a column are to be multiplied by, where that is not 1
    foreign : whether the headings are not our own
    """

    header: list[str]
    rows: list[tuple[int, list[str]]]
    times: dict[str, float] = field(default_factory=dict)
    where: str = "line"
    foreign: bool = False
    notes: tuple[str, ...] = ()


def _cells(path: Path, raw: bytes, required: tuple[str, ...], stated: Mapping[str, str] | None) -> _Cells:
    """Header names and the numbered rows below it."""
    if is_workbook(raw) or path.suffix.casefold() == ".xlsx":
        return _of_workbook(path, raw, required, stated)
    text, notes = text_of_table(path, raw)
    text_lines = text.split("\n")
    first = next((i for i, line in enumerate(text_lines) if line.strip()), None)
    if first is None:
        raise ScenarioError(f"{path}: is empty; expected a header such as {EXAMPLE} and one line a peak")
    # Some spreadsheets announce their separator in a line of its own.
    announced = re.fullmatch(r'"?sep=([;,|:\t])"?', text_lines[first].strip("\ufeff ").rstrip(" "))
    if announced:
        first += 1
    head = text_lines[first] if first < len(text_lines) else ""
    ours = bool({*COLUMNS[1:3]} & {*re.split(r"[;\t,|:\"\s]+", head.casefold())})
    if stated or not ours:
        for number, text_line in enumerate(text_lines[: first + MOST_BEFORE]):
            for mark, cells in marks_of(text_line):
                columns = columns_of(cells, stated)
                if _is_heading(columns, required):
                    sheet = Sheet(cells_of_text(path, text, mark, number), notes=notes)
                    return _foreign(path, sheet, columns, mark)
                if not (ours or stated) and (lacking := lacking_of(columns, required)):
                    raise ScenarioError(f"{path}, line {number + 1}: {lacking}")
        _refuse_stated(path, {} if ours else stated)
    delimiter = announced[1] if announced else next((mark for mark in MARKS if mark in head), ",")
    rows = [(line, row) for line, row in cells_of_text(path, text, delimiter, first) if any(row)]
    if not rows:
        raise ScenarioError(f"{path}: holds nothing but separators; expected a header such as {EXAMPLE}")
    header = _header(path, first + 1, head, rows[0][1], required)
    body = rows[1:]
    if not body:
        raise ScenarioError(f"{path}: has a header but no peaks below it")
    name_at = header.index("compound") if "compound" in header else 0
    for line, row in body:
        while len(row) > len(header) and not row[-1]:
            row.pop()
        if delimiter == ",":
            _join_name(row, name_at, len(header))
        if len(row) > len(header):
            hint = (
                "; a decimal comma in a comma-separated file? Write a decimal point, or separate the columns "
                "with semicolons"
            )
            raise ScenarioError(
                f"{path}, line {line}: {len(row)} cells under a header of {len(header)}"
                + (hint if delimiter == "," else "")
            )
    return _Cells(header, body, notes=notes)


def _of_workbook(
    path: Path, raw: bytes, required: tuple[str, ...], stated: Mapping[str, str] | None
) -> _Cells:
    """The first sheet of a workbook that holds a peak table."""
    for name, sheet in sheets_of_workbook(path, raw):
        for at, (_, cells) in enumerate(sheet.rows[:MOST_BEFORE]):
            columns = columns_of(cells, stated)
            if _is_heading(columns, required):
                note = f"{path}: sheet {name!r}"
                return _foreign(path, Sheet(sheet.rows[at:], "row", (note,)), columns, "")
    _refuse_stated(path, stated)
    raise ScenarioError(f"{path}: no sheet has the headings of a peak table; expected such as {EXAMPLE}")


def _is_heading(columns: Sequence[Column], required: tuple[str, ...]) -> bool:
    return {*required} <= {each.key for each in columns}


def _refuse_stated(path: Path, stated: Mapping[str, str] | None) -> None:
    if stated:
        wanted = ", ".join(map(repr, stated.values()))
        raise ScenarioError(
            f"{path}: no line has the headings that columns names, {wanted}; are they spelt as there?"
        )


def _foreign(path: Path, sheet: Sheet, columns: list[Column], mark: str) -> _Cells:
    """A table under headings that are not our own: what has no retention time is no peak."""
    header = [each.key for each in columns]
    at, name_at = header.index("retention_min"), header.index("compound") if "compound" in header else 0
    body, without = [], 0
    for number, (line, cells) in enumerate(sheet.rows[1:]):
        if mark == ",":
            _join_name(cells, name_at, len(header))
        time = cells[at] if at < len(cells) else ""
        if _NUMBER.fullmatch(time):
            body.append((line, cells))
            continue
        if number == 0 and any(map(unit_alone, cells)):  # units in a row of their own
            units = [*map(unit_alone, cells), *[""] * len(columns)]
            columns = [
                replace(each, unit=each.unit or unit) if each.key in TIMES else each
                for each, unit in zip(columns, units, strict=False)
            ]
        else:
            without += any(cells)
    if not body:
        raise ScenarioError(f"{path}: has the headings of a peak table but no peaks below them")
    notes = [*sheet.notes, f"{path}: {said_of(columns)}"]
    if without:
        notes.append(
            f"{path}: {without} of {without + len(body)} {sheet.where}s have no retention time; left out"
        )
    return _Cells(
        header, body, {each.key: each.times for each in columns if each.key}, sheet.where, True, tuple(notes)
    )


def _join_name(row: list[str], at: int, columns: int) -> None:
    """Put a name such as 1,3-dichlorobenzene together again that nobody has put in quotes."""
    surplus = len(row) - columns
    if surplus > 0 and at + surplus < len(row):
        name = ",".join(row[at : at + surplus + 1])
        if _LOCANTS.match(name):
            row[at : at + surplus + 1] = [name]


def _header(path: Path, line: int, text: str, cells: list[str], required: tuple[str, ...]) -> list[str]:
    where = f"{path}, line {line}"
    while cells and not cells[-1]:
        cells.pop()
    header = [cell.casefold() for cell in cells]
    if text.lstrip().startswith("[") or path.suffix == ".toml":
        raise ScenarioError(f"{where}: this is no peak table but a file of set points; expected {EXAMPLE}")
    if any(_NUMBER.fullmatch(cell) for cell in cells):
        raise ScenarioError(f"{where}: the header is missing; the first line must be such as {EXAMPLE}")
    if len(header) == 1 and "retention" in header[0]:
        raise ScenarioError(
            f"{where}: only one column found in {text.strip()!r}; "
            "separate the columns with commas, semicolons or tabs"
        )
    problems = []
    for cell, name in zip(cells, header, strict=True):
        if name not in COLUMNS:
            near = nearest(name, list(COLUMNS), 0.5)
            hint = f"did you mean {near!r}?" if near else f"known are {', '.join(COLUMNS)}"
            problems.append(f"{where}: unknown column {cell!r}; {hint}")
        elif header.count(name) > 1:
            problems.append(f"{where}: the column {name!r} occurs {header.count(name)} times")
            break
    if not problems:
        missing = [name for name in required if name not in header]
        problems = [f"{where}: the column {name!r} is missing; expected {EXAMPLE}" for name in missing]
    if problems:
        raise ScenarioError(problems)
    return header


def _value(where: str, compound: str, key: str, cell: str, problems: list[str]) -> float:
    """One number; what is wrong with it is appended to `problems`."""
    what = f"{where}, {compound!r}: {key} = {cell}"
    if not cell:
        if key in REQUIRED:
            problems.append(
                f"{where}, {compound!r}: {key} is empty; leave the line out if the peak was not seen"
            )
        return np.nan
    if not _NUMBER.fullmatch(cell):
        hint = "expected a number"
        if re.fullmatch(r"[+-]?[\d.,' ]+", cell):
            hint += " without thousands separators"
        elif re.match(r"[+-]?[\d.,]+\s*[A-Za-z]", cell):
            hint += " alone, the unit is in the column's name"
        elif key not in REQUIRED:
            hint += "; leave the cell empty where nothing was measured"
        problems.append(f"{what}: {hint}")
        return np.nan
    value = float(cell.replace(",", "."))
    if not np.isfinite(value) or value <= 0:
        problems.append(f"{what}: expected a value above zero")
    elif key == "retention_min" and value > LONGEST_RETENTION_MIN:
        problems.append(
            f"{what}: expected at most {LONGEST_RETENTION_MIN:g} min; were seconds meant? "
            f"{value:g} s is {value / SECONDS_PER_MINUTE:.4g} min"
        )
    elif key == "tailing" and not TAILING_RANGE[0] <= value <= TAILING_RANGE[1]:
        low, high = TAILING_RANGE
        problems.append(f"{what}: expected {low:g} to {high:g}, 1 being a symmetrical peak")
    return value


def _check_widths(
    path: Path, names: tuple[str, ...], lines: list[int], retention: Array, width: Array
) -> None:
    """Widths that no column gives: usually another unit, or a decimal comma split over two cells."""
    for name, line, t, w in zip(names, lines, retention, width, strict=True):
        if w < NARROWEST_SHARE * t:
            raise ScenarioError(
                f"{path}, line {line}, {name!r}: width_half_min = {w:g} is less than a millionth of the retention time "
                f"({t:g} min); was a power of ten mistyped?"
            )
        if w > WIDEST_SHARE * t:
            seconds = w / SECONDS_PER_MINUTE
            hint = "was a decimal comma or another unit written?"
            if seconds < 0.1 * t:
                hint = f"seconds? {w:g} s is {seconds:.4g} min"
            raise ScenarioError(
                f"{path}, line {line}, {name!r}: width_half_min = {w:g} is more than a quarter of the "
                f"retention time ({t:g} min); {hint}"
            )
    measured = np.isfinite(width)
    if measured.sum() < 3:
        return
    gap = np.diff(retention)
    nearer = np.minimum(np.append(np.inf, gap), np.append(gap, np.inf))
    crowded = measured & (width > CROWDED * nearer)
    # One merged pair is a fact of life; most of a table wider than its spacing is a unit.
    if crowded.sum() * 2 > measured.sum():
        worst = int(np.argmax(np.where(crowded, width / np.maximum(nearer, 1e-9), 0)))
        raise ScenarioError(
            f"{path}, line {lines[worst]}, {names[worst]!r}: width_half_min = {width[worst]:g} is larger than "
            f"{CROWDED:g} times the spacing to the nearest peak ({nearer[worst]:.3g} min), as are "
            f"{crowded.sum()} of {measured.sum()} widths; such peaks could not be told apart: "
            "are the widths in seconds?"
        )
