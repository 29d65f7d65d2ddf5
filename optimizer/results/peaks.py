"""What was found in a recorded trace: one object that JSON, CSV, console and Python read."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

import numpy as np

from models.column.programs import Array
from models.traces.finding import NOISE_SPAN
from optimizer.base.numbers import Rounded
from optimizer.base.quantities import MINUTE
from optimizer.base.tables import document_of, key
from optimizer.runs.peak_tables import COLUMNS, TAILING_RANGE
from optimizer.runs.trace_peaks import Picked

TIME = Rounded(MINUTE, decimals=5, shown=".4f")  # a hundredth of the usual sampling interval still shows
AREA, HEIGHT = Rounded(digits=6, shown=".5g"), Rounded(shown=".4g")
TAILING, THREE = Rounded(decimals=2), Rounded(digits=3, shown=".3g")


@dataclass(frozen=True)
class FoundPeak:
    """One peak; nan where something could not be measured, times in s."""

    peak: Annotated[int, key()]
    """its number in the picture"""
    compound: Annotated[str | None, key()]
    """its name; None without one"""
    retention: Annotated[float, TIME, key("retention_min")]
    """retention time"""
    width_half: Annotated[float, TIME, key("width_half_min")]
    """width at half height"""
    area: Annotated[float, AREA, key()]
    """as measured or listed"""
    tailing: Annotated[float, TAILING, key()]
    """tailing factor"""
    height: Annotated[float, HEIGHT, key()]
    """above the baseline"""
    signal_to_noise: Annotated[float, THREE, key()]
    """2 H/h"""
    start: Annotated[float, TIME, key("start_min")]
    """where its area begins"""
    end: Annotated[float, TIME, key("end_min")]
    """where it ends"""


@dataclass(frozen=True)
class SearchedTrace:
    """The readings of a trace [s] and how peaks were looked for in it; None where the file lists them itself.

    `noise` is from lowest to highest, in the unit of the signal.
    """

    readings: Annotated[int, key()]
    """how many"""
    first: Annotated[float, TIME, key("first_min")]
    """time of the first"""
    last: Annotated[float, TIME, key("last_min")]
    """of the last"""
    interval: Annotated[float, Rounded(shown="g"), key("interval_s")]
    """between two"""
    unit: Annotated[str | None, key()]
    """of the signal; None where the file has none"""
    noise: Annotated[float, THREE, key()]
    """from lowest to highest (six standard deviations), in that unit"""
    min_signal_to_noise: Annotated[float | None, key()]
    """of the peaks that were looked for; None for listed ones"""
    min_width: Annotated[float | None, Rounded(digits=3, shown="g"), key("min_width_s")]
    """their smallest half-height width, likewise"""


@dataclass(frozen=True, eq=False)
class PeaksResult:
    """The M peaks of a recorded trace in order of retention; nan where something could not be measured.

    Attributes
    ----------
    picked : optimizer.runs.trace_peaks.Picked: the trace, what was found in it, and the peaks; SI
    file : of the trace
    """

    picked: Picked
    file: Path

    @property
    def origin(self) -> Annotated[str, key()]:
        """Where the peaks come from, in words."""
        return "listed in the file" if self.from_file else "found in the trace"

    @property
    def searched(self) -> Annotated[SearchedTrace | None, key("trace")]:
        """The trace and how it was searched; None where the file has none."""
        search, trace, listed = self.picked.search, self.picked.trace, self.from_file
        if search is None:
            return None
        first, last = float(trace.times[0]), float(trace.times[-1])
        return SearchedTrace(
            len(trace.times),
            first,
            last,
            (last - first) / (len(trace.times) - 1),
            trace.unit or None,
            NOISE_SPAN * search.noise,
            None if listed else float(search.least_signal_to_noise),
            None if listed else search.least_width,
        )

    @property
    def peaks(self) -> Annotated[tuple[FoundPeak, ...], key()]:
        """One a peak."""
        columns = (
            self.retention,
            self.width_half,
            self.area,
            self.tailing,
            self.height,
            self.signal_to_noise,
            self.start,
            self.end,
        )
        return tuple(
            FoundPeak(number, name or None, *map(float, values))
            for number, (name, *values) in enumerate(zip(self.names, *columns, strict=True), 1)
        )

    @property
    def notes(self) -> Annotated[tuple[str, ...], key()]:
        """What should be known of the trace."""
        return self.picked.notes

    def to_dict(self) -> dict[str, Any]:
        """As `rampwright peaks --json`."""
        return {"format": 1, "file": str(self.file), **document_of(self, 0.0)}

    def table_rows(self) -> list[dict[str, str | float | None]]:
        """Rows of a peak table, the names as far as there are any."""
        return [{name: row[name] for name in COLUMNS} for row in self.to_dict()["peaks"]]

    @property
    def from_file(self) -> bool:
        """Whether the file lists the peaks itself, with their retention times, areas and names."""
        return self.picked.from_file

    @property
    def names(self) -> tuple[str, ...]:
        """M names, "" where the file gives none."""
        return self.picked.names

    @property
    def retention(self) -> Array:
        """(M,) retention times [s]."""
        return self.picked.retention

    @property
    def width_half(self) -> Array:
        """(M,) widths at half height [s]."""
        return self.picked.width_half

    @property
    def area(self) -> Array:
        """(M,) areas [signal s], or in the unit of the file that lists them."""
        return self.picked.area

    @property
    def tailing(self) -> Array:
        """(M,) tailing factors [-], as of the pharmacopoeias; nan where one lies outside what a peak table takes."""
        (low, high), found = TAILING_RANGE, self.picked.tailing
        with np.errstate(invalid="ignore"):
            return np.where((found >= low) & (found <= high), found, np.nan)

    @property
    def height(self) -> Array:
        """(M,) heights above the baseline [signal]."""
        return self._found("height")

    @property
    def signal_to_noise(self) -> Array:
        """(M,) 2 H/h [-], h the noise from lowest to highest."""
        return self._found("signal_to_noise")

    @property
    def start(self) -> Array:
        """(M,) where the area begins [s]."""
        return self._found("start")

    @property
    def end(self) -> Array:
        """(M,) where the area ends [s]."""
        return self._found("end")

    @property
    def times(self) -> Array:
        """(Q,) times of the readings [s]; empty when the file has none, as are signal and baseline."""
        return self.picked.trace.times

    @property
    def signal(self) -> Array:
        """(Q,) readings [signal]."""
        return self.picked.trace.signal

    @property
    def baseline(self) -> Array:
        """(Q,) baseline [signal]."""
        search = self.picked.search
        return np.zeros(0) if search is None else search.baseline

    def _found(self, name: str) -> Array:
        search = self.picked.search
        if search is None:
            return np.full(len(self.picked.retention), np.nan)
        return self.picked.found(getattr(search.peaks, name))
