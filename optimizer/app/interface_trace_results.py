"""What the interface returns for a recorded trace: its peaks, as the peaks command shows them for approval."""

from __future__ import annotations

from typing import TYPE_CHECKING

from models.errors import InvalidInputError
from models.traces.finding import PeakSearch
from models.units import SECONDS_PER_MINUTE
from optimizer.app.result import Result
from optimizer.results.peaks import PeaksResult
from optimizer.scenario.data import Scenario

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from rich.console import Console


class Integrated(PeaksResult, Result):
    """The peaks of a recorded trace (`PeaksResult`), with their pictures and files."""

    command = "peaks"

    def show(self, console: Console) -> None:
        """As the command prints it for people."""
        from optimizer.show.console.peaks import show_peaks

        show_peaks(console, self)

    def _inputs(self) -> tuple[Scenario, ...]:
        return ()

    def _files(self) -> dict[str, bytes]:
        """peaks.csv, peaks.json and, where there is a trace, peaks.png."""
        from optimizer.results.candidate import csv_bytes, json_bytes
        from optimizer.runs.peak_tables import COLUMNS

        files = {
            "peaks.json": json_bytes(self.to_dict()),
            "peaks.csv": csv_bytes(COLUMNS, self.table_rows()),
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
