"""The matching table: which compound is which peak in runs whose peak tables have no names.

A CSV file `run,retention_min,compound,confidence`, one line a peak; a line without a compound, or a peak without a
line, leaves the peak out. The last column is for the reader only.
"""

from __future__ import annotations

import csv
import io
from collections import Counter
from collections.abc import Iterable, Sequence
from difflib import SequenceMatcher
from functools import cached_property
from pathlib import Path
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from models.units import SECONDS_PER_MINUTE
from optimizer.base.errors import ScenarioError
from optimizer.base.text_files import cell_name, cell_text, nearest, read_text
from optimizer.runs.peak_tables import PeakTable
from optimizer.scenario.schema import ScenarioTable

ACCEPTED_FILE = "matching.csv"  # that accepted names are written to, beside the scenario
COLUMNS = ("run", "retention_min", "compound", "confidence")
REQUIRED = COLUMNS[:3]
SAME_TIME = 0.002  # min, between a line of the matching table and the peak it names


class Lookalikes:
    """Names that others are compared with, case aside.

    Likeness is that of difflib: twice the letters in common blocks over the letters of both. How often each letter
    occurs in both bounds it from above, for all names at once, so that few are compared letter by letter.
    """

    def __init__(self, names: Iterable[str]) -> None:
        self._spellings: dict[str, list[str]] = {}
        for name in dict.fromkeys(names):
            self._spellings.setdefault(name.casefold(), []).append(name)

    def __contains__(self, name: str) -> bool:
        return name in self._spellings.get(name.casefold(), ())

    def nearest(self, word: str, cutoff: float = 0.6) -> str | None:
        """The name most like `word`, itself left out, of a likeness of at least `cutoff`; or None.

        Of equally alike names it is the last in the alphabet.
        """
        folded = word.casefold()
        names = list(self._spellings)
        bounds = self._bounds(folded)
        matcher = SequenceMatcher(b=folded)
        best: tuple[float, str] = (cutoff, "")
        found: str | None = None
        candidates = np.flatnonzero(bounds >= cutoff)
        for at in candidates[np.argsort(-bounds[candidates], kind="stable")]:
            if bounds[at] < best[0]:
                break
            each = names[at]
            other = next((name for name in self._spellings[each] if name != word), None)
            matcher.set_seq1(each)
            if other is not None and (matcher.ratio(), each) >= best:
                best, found = (matcher.ratio(), each), other
        return found

    def _bounds(self, folded: str) -> NDArray[np.float64]:
        """The largest likeness each name can have by its letters alone."""
        lengths, counts = self._letters
        shared = np.zeros(lengths.size)
        for letter, count in Counter(folded).items():
            if letter in counts:
                shared += np.minimum(counts[letter], count)
        return 2.0 * shared / np.maximum(lengths + len(folded), 1)

    @cached_property
    def _letters(self) -> tuple[NDArray[np.intp], dict[str, NDArray[np.intp]]]:
        """Of each name its length and how often each letter occurs."""
        counts: dict[str, NDArray[np.intp]] = {}
        for at, folded in enumerate(self._spellings):
            for letter, count in Counter(folded).items():
                counts.setdefault(letter, np.zeros(len(self._spellings), np.intp))[at] = count
        return np.array([len(each) for each in self._spellings], np.intp), counts


class Files(Protocol):
    """What is read of a scenario: its file, its table, and the peak tables of its runs."""

    @property
    def file(self) -> Path: ...
    @property
    def table(self) -> ScenarioTable: ...
    @property
    def peaks(self) -> list[PeakTable]: ...


def with_names(files: Files, path: Path | str, matching: Path | None) -> tuple[list[PeakTable], list[str]]:
    """The peak tables, all with names, and a warning for each run with peaks that got none.

    Parameters
    ----------
    path : the scenario as the person named it, for the message
    matching : the table that gives the names; the scenario's when None

    Raises
    ------
    ScenarioError : when there are peaks without names and nothing to give them, or the matching table cannot be used
    """
    runs = [run.name for run in files.table.scouting_runs]
    unnamed = [name for name, peaks in zip(runs, files.peaks, strict=True) if not peaks.named]
    stated = files.table.matching
    if not unnamed:
        if stated is not None:
            raise ScenarioError(
                f'{files.file}: matching = "{stated}": all peaks have names; leave the key out'
            )
        return files.peaks, []
    if matching is None and stated is None:
        accepted = files.file.parent / ACCEPTED_FILE
        raise ScenarioError(
            f"{files.file}: the peaks of run {' and run '.join(map(repr, unnamed))} have no names; "
            + (
                f'put the line matching = "{ACCEPTED_FILE}" at the top, to take those in {accepted}'
                if accepted.exists()
                else f"run rampwright fit {path} first, which proposes them"
            )
        )
    file = matching if matching is not None else files.file.parent / str(stated)
    nameless = {run: peaks for run, peaks in zip(runs, files.peaks, strict=True) if not peaks.named}
    known = Lookalikes(name for peaks in files.peaks for name in peaks.compounds)
    names = _read(file, "" if matching else f"{files.file}: matching", nameless, known)
    tables, warnings = [], []
    if matching is not None:
        key = f'matching = "{file.name}"'
        warnings.append(
            f"the accepted names are in {file}; for other commands put {key} at the top of the scenario"
        )
    for run, peaks in zip(runs, files.peaks, strict=True):
        tables.append(peaks if peaks.named else _named(peaks, names[run]))
        left = len(peaks.retention) - len(tables[-1].retention)
        if left:
            warnings.append(
                f"run {run}: {left} of {len(peaks.retention)} peaks have no name in {file.name}; left out"
            )
        if not tables[-1].named:
            raise ScenarioError(
                f"{file}: names no peak of run {run!r}; expected at least one line with a compound"
            )
    return tables, warnings


def matching_text(rows: Sequence[tuple[str, float, str, float]]) -> str:
    """The table as text: run, retention time [s], compound or "", confidence."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(COLUMNS)
    for run, retention, compound, confidence in rows:
        minutes = f"{retention / SECONDS_PER_MINUTE:.4f}"
        writer.writerow([cell_text(run), minutes, cell_text(compound), f"{confidence:.3f}"])
    return out.getvalue()


def _named(peaks: PeakTable, names: dict[int, str]) -> PeakTable:
    rows = sorted(names)
    return PeakTable(
        tuple(names[row] for row in rows),
        peaks.retention[rows],
        peaks.width_half[rows],
        peaks.area[rows],
        peaks.tailing[rows],
        peaks.notes,
    )


def named_by(file: Path, run: str, peaks: PeakTable, known: Sequence[str]) -> PeakTable:
    """The peaks of one run with the names that a matching table gives them; those without are left out.

    Raises
    ------
    ScenarioError : when the table cannot be used
    """
    named = _named(peaks, _read(file, "--matching", {run: peaks}, Lookalikes(known))[run])
    if not named.named:
        raise ScenarioError(
            f"{file}: names no peak of run {run!r}; expected at least one line with a compound"
        )
    return named


def _read(
    path: Path, asked_by: str, tables: dict[str, PeakTable], known: Lookalikes
) -> dict[str, dict[int, str]]:
    """Of each unnamed run, the compound of each peak that has one, by its row in the peak table."""
    text = read_text(path, asked_by)
    head = text.split("\n", 1)[0]
    delimiter = next((mark for mark in ";\t," if mark in head), ",")
    reader = csv.reader(io.StringIO(text), delimiter=delimiter)
    try:
        rows = [
            (reader.line_num, [cell.replace("\n", " ").strip() for cell in row])
            for row in reader
            if any(map(str.strip, row))
        ]
    except csv.Error as error:
        raise ScenarioError(f"{path}, line {reader.line_num}: cannot be read as CSV ({error})") from None
    header = [cell.casefold() for cell in rows[0][1]] if rows else []
    missing = [name for name in REQUIRED if name not in header]
    if missing:
        raise ScenarioError(
            f"{path}: the column {missing[0]!r} is missing; expected {','.join(COLUMNS)}, as rampwright fit "
            "--matching writes it"
        )
    found: dict[str, dict[int, str]] = {run: {} for run in tables}
    problems = []
    for line, cells in rows[1:]:
        row = dict(zip(header, cells, strict=False))
        problem = _line_problem(row, tables, known, found)
        if problem:
            problems.append(f"{path}, line {line}: {problem}")
    if problems:
        raise ScenarioError(problems)
    return found


def _line_problem(
    row: dict[str, str],
    tables: dict[str, PeakTable],
    known: Lookalikes,
    found: dict[str, dict[int, str]],
) -> str | None:
    """Take one line into `found`, or say what is wrong with it."""
    run, compound = (cell_name(row.get(key, "")) for key in ("run", "compound"))
    time = row.get("retention_min", "")
    if run not in tables:
        near = nearest(run, list(tables))
        hint = f"did you mean {near!r}?" if near else f"those are {', '.join(tables)}"
        return f"run {run!r} is none whose peaks lack names; {hint}"
    try:
        minutes = float(time.replace(",", "."))
    except ValueError:
        return f"retention_min = {time}: expected a number"
    away = np.abs(tables[run].retention / SECONDS_PER_MINUTE - minutes)
    n = int(np.argmin(away))
    if not away[n] <= SAME_TIME:
        closest = tables[run].retention[n] / SECONDS_PER_MINUTE
        return f"run {run!r} has no peak at {minutes:g} min; the nearest is at {closest:.4f} min"
    if not compound:
        return None
    if compound not in known:
        near = known.nearest(compound)
        return f"{compound!r} is not in the named run" + (f"; did you mean {near!r}?" if near else "")
    if compound in found[run].values():
        return f"{compound!r} has two peaks in run {run!r}; expected one"
    if n in found[run]:
        return (
            f"the peak at {minutes:g} min of run {run!r} is named twice, {found[run][n]!r} and {compound!r}"
        )
    found[run][n] = compound
    return None
