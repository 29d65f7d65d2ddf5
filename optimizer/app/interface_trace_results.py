"""What the interface returns for a recorded trace: its peaks, as the peaks command shows them for approval."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from models.column.programs import Array
from models.errors import InvalidInputError
from models.traces.finding import PeakSearch
from models.units import SECONDS_PER_MINUTE
from optimizer.app.interface_results import Result
from optimizer.results.documents import Document
from optimizer.results.peaks import peaks_document, table_rows, tailing_of
from optimizer.runs.trace_peaks import Picked

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


@dataclass(frozen=True, eq=False)
class Integrated(Result):
    """The M peaks of a recorded trace in order of retention; nan where something could not be measured.

    Attributes
    ----------
    picked : optimizer.runs.trace_peaks.Picked: the trace, what was found in it, and the peaks; SI
    file : of the trace
    """

    command = "peaks"
    picked: Picked
    file: Path

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
        """(M,) tailing factors [-], as of the pharmacopoeias."""
        return tailing_of(self.picked)

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

    @property
    def notes(self) -> tuple[str, ...]:
        """What should be known of the trace."""
        return self.picked.notes

    def to_dict(self) -> Document:
        """As `rampwright peaks --json`."""
        return peaks_document(self.picked, self.file)

    def files(self) -> dict[str, bytes]:
        """peaks.csv, peaks.json and, where there is a trace, peaks.png."""
        from optimizer.results.candidate import csv_bytes, json_bytes
        from optimizer.runs.peak_tables import COLUMNS

        files = {
            "peaks.json": json_bytes(self.to_dict()),
            "peaks.csv": csv_bytes(COLUMNS, table_rows(self.picked)),
        }
        if self.picked.search is not None:
            from optimizer.show.pictures.chromatograms import picture

            files["peaks.png"] = picture(self.figure(), "png")
        return files

    def plot_trace(self, axes: Axes, start_min: float | None = None, end_min: float | None = None) -> None:
        """Trace, baseline and half-height widths over time [min], on a root scale, each peak with its number above.

        Parameters
        ----------
        start_min, end_min : the stretch drawn [min]; the whole run when None

        Raises
        ------
        InvalidInputError : when the file has no trace, or the stretch holds none of it
        """
        from optimizer.show.pictures.axes import draw_peaks

        search = self._search()
        first, last = float(self.times[0]) / SECONDS_PER_MINUTE, float(self.times[-1]) / SECONDS_PER_MINUTE
        start, end = first if start_min is None else start_min, last if end_min is None else end_min
        if not (start < end and start < last and end > first):
            raise InvalidInputError(
                f"start_min = {start:.4g}, end_min = {end:.4g}: expected a stretch of the run, which lasts from "
                f"{first:.4g} to {last:.4g} min"
            )
        draw_peaks(self.picked, search, max(start, first), min(end, last), axes)

    def figure(self) -> Figure:
        """The same in rows of about as many peaks each, as a figure of its own; raises as `plot_trace`."""
        from optimizer.show.pictures.peaks import peaks_figure

        self._search()
        return peaks_figure(self.picked, self.file.name)

    def _search(self) -> PeakSearch:
        if self.picked.search is None:
            raise InvalidInputError(f"{self.file}: holds a peak table but no readings that could be drawn")
        return self.picked.search

    def _found(self, name: str) -> Array:
        search = self.picked.search
        if search is None:
            return np.full(len(self.picked.retention), np.nan)
        return self.picked.found(getattr(search.peaks, name))
