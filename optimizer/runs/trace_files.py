"""Recorded traces: chromatography files of ASTM E1947 (netCDF classic), and CSV files of time and signal.

All times of an E1947 file (ordinates, peaks) are in its `retention_unit`, seconds where it states none.
"""

from __future__ import annotations

import csv
from array import array
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from models.column.programs import Array
from models.traces.baseline import LEAST_POINTS
from models.units import SECONDS_PER_MINUTE
from optimizer.base.clock import Progress
from optimizer.base.errors import ScenarioError
from optimizer.base.text_files import read_bytes, text_of
from optimizer.runs.detection import SIGNAL_COLUMN, TIME_COLUMNS, TRACE_SUFFIXES
from optimizer.runs.netcdf_classic import MAGIC, DamagedNetcdf, NetcdfVariable, read_netcdf
from optimizer.runs.readings import MOST_POINTS, evenly

TRACE_EXAMPLE = "time_min,signal"
HOW = (
    "export the run in the chromatography template of ASTM E1947 (netCDF classic), or as a CSV with the columns "
    "time_min,signal"
)
SECONDS, MINUTES = ("s", "sec", "secs", "second", "seconds"), ("min", "mins", "minute", "minutes")
FILLED = 9.9e36  # netCDF fills what was never written with 9.97e36
READING = 0.7  # share of the work on a long trace that reading it is
TOLD_EVERY = 4_000_000  # characters of a trace
LONG = 500_000  # readings
SIXTY = 0.1  # how near a ratio is to 60 that betrays minutes taken for seconds


@dataclass(frozen=True, eq=False)
class ListedPeaks:
    """The peak table in a file: M peaks in order of retention; nan where the file gives nothing.

    Attributes
    ----------
    names : M names, "" where there is none
    retention, width, start, end : (M,) arrays  [s]; the standard does not say at which height the width is taken
    area, height : (M,) arrays  [any unit]
    asymmetry : (M,) array  [-]; the standard does not say at which height, or how
    """

    names: tuple[str, ...]
    retention: Array
    width: Array
    area: Array
    height: Array
    asymmetry: Array
    start: Array
    end: Array


@dataclass(frozen=True, eq=False)
class Trace:
    """A recorded run.

    Attributes
    ----------
    times, signal : (Q,) arrays  [s], evenly spaced; [unit]; empty when the file holds a peak table alone
    unit : of the signal, "" when not stated
    listed : the file's own peak table, None without one
    notes : sentences on what is odd about its readings
    """

    times: Array
    signal: Array
    unit: str
    listed: ListedPeaks | None
    notes: tuple[str, ...] = ()


def read_trace(path: Path, asked_by: str = "", progress: Progress | None = None) -> Trace:
    """The trace in a file; of a long one `progress` hears how much is read.

    Raises
    ------
    ScenarioError : naming the file, what is wrong with it and what to do
    """
    raw = read_bytes(path, asked_by)
    if not raw:
        raise ScenarioError(f"{path}: is empty; {HOW}")
    if raw.startswith(b"\x89HDF"):
        raise ScenarioError(f"{path}: is netCDF-4 (HDF5), which is not read; {HOW}")
    if raw.startswith(MAGIC):
        return _from_netcdf(path, raw)
    if raw.startswith(b"CDF"):
        raise ScenarioError(
            f"{path}: is a kind of netCDF that is not read (version byte {raw[3:4]!r}); {HOW}"
        )
    if path.suffix.casefold() in TRACE_SUFFIXES:
        raise ScenarioError(f"{path}: is no netCDF file though it is named {path.suffix}; {HOW}")
    text = text_of(path, raw)
    del raw  # of long traces one of them at a time is enough to hold
    unit, values = _csv_readings(path, text, progress)
    del text
    _check_signal(path, "signal", values[:, 1])
    with np.errstate(over="ignore"):  # what is beyond all numbers is reported as such
        times = values[:, 0] * unit
    times, signal, notes = evenly(path, times, values[:, 1])
    return Trace(times, signal, "", None, notes)


@dataclass(frozen=True)
class _Contents:
    """The parts of a netCDF file that are looked at."""

    path: Path
    attributes: dict[str, Any]
    variables: dict[str, NetcdfVariable]

    def text(self, name: str) -> str:
        """A global attribute, or a variable of characters, as one line."""
        value = self.attributes.get(name)
        if value is None and name in self.variables:
            value = self.variables[name].values.tobytes()
        return _text(value)

    def numbers(self, name: str) -> Array | None:
        """A variable as numbers, scaled as its attributes say; nan where filled. None when there is none."""
        if name not in self.variables:
            return None
        attributes = self.variables[name].attributes
        numbers = np.atleast_1d(self.variables[name].values)
        if numbers.dtype.kind not in "iuf":
            raise ScenarioError(f"{self.path}: {name} holds no numbers; {HOW}")
        if numbers.size != max(numbers.shape):
            shape = " x ".join(map(str, numbers.shape))
            raise ScenarioError(f"{self.path}: {name} is a table of {shape} numbers; expected one row; {HOW}")
        numbers = numbers.reshape(-1)
        with np.errstate(invalid="ignore"):  # of the kinds of nan, one is reported when it is converted
            numbers = numbers.astype(float)
        gaps = np.abs(numbers) > FILLED
        for key in ("missing_value", "_FillValue"):
            if key in attributes and np.size(attributes[key]) == 1 and np.isreal(attributes[key]):
                gaps |= numbers == float(attributes[key])
        factor, offset = (self.scale(attributes, key, name) for key in ("scale_factor", "add_offset"))
        with np.errstate(all="ignore"):
            numbers = numbers * (1.0 if factor is None else factor) + (0.0 if offset is None else offset)
        numbers[gaps] = np.nan
        return numbers

    def scale(self, attributes: dict[str, Any], key: str, name: str) -> float | None:
        value = attributes.get(key)
        if value is None:
            return None
        try:
            number = float(value)
        except (TypeError, ValueError):
            number = float("nan")
        if not np.isfinite(number) or (key == "scale_factor" and number == 0):
            raise ScenarioError(f"{self.path}: {name} has {key} = {value!r}; expected a number")
        return number

    def one(self, name: str) -> float | None:
        """A variable that is a single number, None when there is none or it is filled."""
        numbers = self.numbers(name)
        return None if numbers is None or numbers.size != 1 or np.isnan(numbers[0]) else float(numbers[0])


def _text(value: Any) -> str:
    if isinstance(value, bytes):
        value = value.split(b"\0", 1)[0].decode("utf-8", errors="replace")
    return " ".join(value.split()) if isinstance(value, str) else ""


def _contents(path: Path, raw: bytes) -> _Contents:
    try:
        file = read_netcdf(raw)
    except DamagedNetcdf as error:
        raise ScenarioError(
            f"{path}: is cut short or damaged: its netCDF structure cannot be read ({error}); {HOW}"
        ) from None
    return _Contents(path, file.attributes, file.variables)


def _from_netcdf(path: Path, raw: bytes) -> Trace:
    contents = _contents(path, raw)
    names = contents.variables
    if "mass_values" in names or "scan_acquisition_time" in names:
        raise ScenarioError(
            f"{path}: is in the mass-spectrometry template (ASTM E2077), not in that of chromatography; {HOW}, for "
            "instance of the total ion current"
        )
    if "ordinate_values" not in names and "peak_retention_time" not in names:
        raise ScenarioError(
            f"{path}: is netCDF but not in the chromatography template of ASTM E1947: it holds neither "
            f"ordinate_values nor peak_retention_time; {HOW}"
        )
    per_unit = _seconds_per_unit(contents)
    listed = _listed(contents, per_unit)
    signal = contents.numbers("ordinate_values")
    if signal is None or signal.size == 0:
        if listed is None:
            raise ScenarioError(f"{path}: holds no readings and no peaks; {HOW}")
        return Trace(np.zeros(0), np.zeros(0), contents.text("detector_unit"), listed)
    _check_signal(path, "ordinate_values", signal)
    with np.errstate(over="ignore"):
        times = _times(contents, signal.size) * per_unit
    times, signal, notes = evenly(path, times, signal)
    _check_units(contents, times, listed, per_unit)
    return Trace(times, signal, contents.text("detector_unit"), listed, notes)


def _seconds_per_unit(contents: _Contents) -> float:
    unit = contents.text("retention_unit")
    word = unit.casefold().rstrip(".").removeprefix("time in ")
    if not word or word in SECONDS:
        return 1.0
    if word in MINUTES:
        return SECONDS_PER_MINUTE
    raise ScenarioError(f'{contents.path}: retention_unit = "{unit}": expected seconds or minutes; {HOW}')


def _times(contents: _Contents, count: int) -> Array:
    """Of every reading, in the file's unit."""
    path = contents.path
    attributes = contents.variables["ordinate_values"].attributes
    uniform = _text(attributes.get("uniform_sampling_flag", b"Y")).upper() != "N"
    stated = contents.numbers("raw_data_retention")
    if not uniform or (stated is not None and contents.one("actual_sampling_interval") is None):
        if stated is None or stated.size != count:
            raise ScenarioError(
                f"{path}: says that its readings are not evenly spaced (uniform_sampling_flag), but holds no "
                f"raw_data_retention of {count} times; {HOW}"
            )
        return stated
    interval = contents.one("actual_sampling_interval")
    if interval is None or not interval > 0:
        raise ScenarioError(
            f"{path}: actual_sampling_interval {'is missing' if interval is None else f'= {interval:g}'}; expected "
            f"the time between two readings; {HOW}"
        )
    delay = contents.one("actual_delay_time") or 0.0
    with np.errstate(all="ignore"):  # what is beyond all numbers is reported as such
        times: Array = delay + interval * np.arange(count, dtype=float)
    return times


def _check_signal(path: Path, key: str, signal: Array) -> None:
    bad = np.flatnonzero(~np.isfinite(signal))
    if len(bad):
        raise ScenarioError(
            f"{path}: {key}: reading {bad[0] + 1} of {len(signal)} is no number"
            + (f", nor are {len(bad) - 1} others" if len(bad) > 1 else "")
            + "; export the run again"
        )
    if len(signal) < LEAST_POINTS:
        raise ScenarioError(f"{path}: {key}: holds {len(signal)} readings; expected at least {LEAST_POINTS}")
    if len(signal) > MOST_POINTS:
        raise ScenarioError(f"{path}: {key}: holds {len(signal)} readings; expected at most {MOST_POINTS}")
    if np.abs(signal).max() > 1e30:
        raise ScenarioError(
            f"{path}: {key}: holds readings beyond 1e30, which no detector gives; export the run again"
        )


def _check_units(contents: _Contents, times: Array, listed: ListedPeaks | None, per_unit: float) -> None:
    """Times of one file that contradict each other by a factor of sixty, or lie outside the run."""
    last = float(times[-1])
    stated = contents.one("actual_run_time_length")
    told = contents.text("retention_unit") or "none"
    if stated is not None and stated > 0:
        ratio = stated * per_unit / max(last, 1e-9)
        if any(abs(ratio * sixty - 1) < SIXTY for sixty in (SECONDS_PER_MINUTE, 1 / SECONDS_PER_MINUTE)):
            raise ScenarioError(
                f"{contents.path}: actual_run_time_length = {stated:g} and actual_sampling_interval with "
                f"{len(times)} readings contradict each other by a factor of 60 (retention_unit: {told}); export "
                "the run again with one unit of time, or as a CSV with the columns time_min,signal"
            )
    if listed is not None and len(listed.retention) and listed.retention[-1] > 1.02 * last:
        raise ScenarioError(
            f"{contents.path}: peak_retention_time goes up to {listed.retention[-1] / per_unit:g}, but the readings "
            f"end at {last / per_unit:g} (retention_unit: {told}); export the run again with one unit of time"
        )


def _listed(contents: _Contents, per_unit: float) -> ListedPeaks | None:
    retention = contents.numbers("peak_retention_time")
    if retention is None or retention.size == 0 or bool(np.isnan(retention).all()):
        return None
    path, count = contents.path, retention.size

    def column(name: str, factor: float, positive: bool = True) -> Array:
        values = contents.numbers(name)
        if values is None:
            return np.full(count, np.nan)
        if values.size != count:
            raise ScenarioError(
                f"{path}: {name} has {values.size} values for {count} peaks; export the run again"
            )
        good = np.isfinite(values) & ((values > 0) if positive else True)
        return np.where(good, values, np.nan) * factor

    bad = np.flatnonzero(~(np.isfinite(retention) & (retention > 0)))
    if len(bad):
        raise ScenarioError(
            f"{path}: peak_retention_time of peak {bad[0] + 1} is {retention[bad[0]]:g}; expected a time above zero"
        )
    order = np.argsort(retention, kind="stable")
    names = _names(contents, count)
    return ListedPeaks(
        tuple(names[n] for n in order),
        retention[order] * per_unit,
        *(
            column(name, factor)[order]
            for name, factor in (
                ("peak_width", per_unit),
                ("peak_area", 1.0),
                ("peak_height", 1.0),
                ("peak_asymmetry", 1.0),
            )
        ),
        *(column(name, per_unit, False)[order] for name in ("peak_start_time", "peak_end_time")),
    )


def _names(contents: _Contents, count: int) -> list[str]:
    """Names of the peaks, "" where there is none."""
    variable = contents.variables.get("peak_name")
    if variable is None or variable.values.dtype.kind != "S":
        return [""] * count
    values = variable.values
    rows = values.reshape(count, -1) if values.size and values.size % count == 0 else ()
    names = [_text(row.tobytes()) for row in rows]
    unseen = {c for c in "".join(names) if not c.isprintable()}
    names = ["".join(" " if c in unseen else c for c in name).strip() for name in names]
    return names if len(names) == count else [""] * count


def _csv_readings(path: Path, text: str, progress: Progress | None) -> tuple[float, Array]:
    """Seconds in the unit of time, and (Q, 2) times in that unit and signal."""
    lines = _lines(text, progress)
    first, head = next(((n, line) for n, line in enumerate(lines) if line.strip()), (0, ""))
    delimiter = next((mark for mark in ";\t," if mark in head), ",")
    header = [cell.strip(' "').casefold() for cell in head.split(delimiter)]
    while header and not header[-1]:
        header.pop()
    timed = [name for name in header if name in TIME_COLUMNS]
    problems = [
        f"{path}, line {first + 1}: unknown column {name!r}; a trace has the columns {TRACE_EXAMPLE} or time_s,signal"
        for name in header
        if name not in (*TIME_COLUMNS, SIGNAL_COLUMN)
    ]
    if not problems and (len(timed) != 1 or header.count(SIGNAL_COLUMN) != 1):
        problems = [
            f"{path}, line {first + 1}: expected one column time_min or time_s, and one column signal; found "
            + ", ".join(header)
        ]
    if problems:
        raise ScenarioError(problems)
    at, of = header.index(timed[0]), header.index(SIGNAL_COLUMN)
    rows = array("d")  # time and signal in turn
    try:
        for number, cells in enumerate(csv.reader(lines, delimiter=delimiter), first + 2):
            if not any(cell.strip() for cell in cells):
                continue
            row = _row(cells, at, of)
            if row is None:
                shown = delimiter.join(cells)[:60]
                raise ScenarioError(
                    f"{path}, line {number}: {shown!r}: expected a number for {timed[0]} and one for signal"
                    + (
                        "; a decimal comma needs semicolons or tabs between the columns"
                        if len(cells) > 2
                        else ""
                    )
                )
            rows.extend(row)
            if len(rows) > 2 * MOST_POINTS:
                raise ScenarioError(f"{path}: holds more than {MOST_POINTS} readings; is it one run?")
    except csv.Error as error:
        raise ScenarioError(f"{path}: cannot be read as CSV ({error})") from None
    return TIME_COLUMNS[timed[0]], np.frombuffer(rows, dtype=float).reshape(-1, 2)


def _lines(text: str, progress: Progress | None) -> Iterator[str]:
    """One by one: all lines of a long trace, as a list, would be six times its text."""
    at = told = 0
    while (end := text.find("\n", at)) >= 0:
        yield text[at:end]
        at = end + 1
        if progress is not None and at - told > TOLD_EVERY:
            told = at
            progress(READING * at / len(text), "reading the trace")
    yield text[at:]


def _row(cells: list[str], at: int, of: int) -> tuple[float, float] | None:
    """Time and signal of a line, None when one of them is no number."""
    if len(cells) <= max(at, of) or any(cell.strip() for cell in cells[max(at, of) + 1 :]):
        return None
    try:
        time, signal = (float(cells[n].replace(",", ".").replace("_", "?")) for n in (at, of))
    except ValueError:
        return None
    return time, signal
