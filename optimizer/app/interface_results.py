"""What the functions of the interface return: frozen results with their documents, pictures and files.

Numbers inside are SI, as everywhere in the packages; `to_dict` gives the document that the command of the same name
prints with --json, in trade units with the unit in each key (docs/results.md).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

from models.errors import InvalidInputError
from models.traces.finding import PeakSearch
from models.units import SECONDS_PER_MINUTE
from optimizer.app.result import Result
from optimizer.base.numbers import MINUTES
from optimizer.goal.asides import NotMet
from optimizer.goal.goal import Problem, problem_of
from optimizer.goal.outcome import Candidate, SearchOutcome
from optimizer.results.documents import Document
from optimizer.results.fit import FitResult
from optimizer.results.peaks import PeaksResult
from optimizer.results.plot_data import ChromatogramData, chromatogram_data, residual_data
from optimizer.results.prediction import PredictionResult
from optimizer.scenario.data import Scenario

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from rich.console import Console


@dataclass(frozen=True, eq=False)
class Fitted(FitResult, Result):
    """What a fit gives (`FitResult`), with its pictures and files."""

    command = "fit"

    @cached_property
    def problem(self) -> Problem:
        """Fit and goal together: what programs are held against."""
        return problem_of(self.scenario, self.fit)

    def show(self, console: Console) -> None:
        """As the command prints it for people."""
        from optimizer.show.console.prediction import show_fit

        show_fit(console, self)

    def _inputs(self) -> tuple[Scenario, ...]:
        return (self.scenario,)

    def _files(self) -> dict[str, bytes]:
        """fit.json and the residuals as a picture."""
        from optimizer.show.pages.report import fit_files

        return fit_files(self)

    def plot_residuals(self, axes: Axes) -> None:
        """Residuals, predicted - measured retention time [s], of every compound and run, on given axes."""
        from optimizer.show.pictures.axes import draw_named_residuals

        draw_named_residuals(residual_data(self.scenario, self.fit), axes)

    def figure(self) -> Figure:
        """The same as a figure of its own."""
        from optimizer.show.pictures.residuals import residual_figure

        return residual_figure(residual_data(self.scenario, self.fit))


@dataclass(frozen=True, eq=False)
class Predicted(PredictionResult, Result):
    """A prediction (`PredictionResult`), with its pictures and files."""

    command = "predict"

    @cached_property
    def chart(self) -> ChromatogramData:
        """What its pictures show: trace, every peak by itself, oven and carrier, in min, %, °C, kPa and mL/min."""
        title = f"{self.problem.scenario.title}: run {MINUTES.text(self.prediction.run_time)} min"
        ambient = self.problem.scenario.ambient_pressure
        return chromatogram_data(self.prediction, ambient, title, self.reliability)

    def show(self, console: Console) -> None:
        """As the command prints it for people."""
        from optimizer.show.console.prediction import show_prediction

        show_prediction(console, self)

    def _inputs(self) -> tuple[Scenario, ...]:
        return (self.problem.scenario,)

    def _files(self) -> dict[str, bytes]:
        """prediction.json, peaks.csv and the chromatogram."""
        from optimizer.show.pages.report import prediction_files

        return prediction_files(self.problem.scenario, self.prediction, self.to_dict(), self.reliability)

    def plot_chromatogram(self, axes: Axes) -> None:
        """The detector trace over time [min]; the names of the peaks stand above the axes, which needs room there."""
        from optimizer.show.pictures.axes import draw_named_signal

        draw_named_signal(self.chart, axes)

    def plot_critical_pair(self, axes: Axes) -> None:
        """The trace around the critical pair, enlarged.

        Raises
        ------
        InvalidInputError : when no pair counts
        """
        from optimizer.show.pictures.axes import draw_pair

        if self.chart.window is None:
            raise InvalidInputError("no pair counts, so that there is no critical one to draw")
        draw_pair(self.chart, axes)

    def plot_oven(self, axes: Axes) -> None:
        """Oven temperature [°C] over time [min], with a tick where each compound elutes."""
        from optimizer.show.pictures.axes import draw_over_time
        from optimizer.show.pictures.chromatograms import draw_oven

        draw_over_time(draw_oven, self.chart, axes)

    def plot_inlet_pressure(self, axes: Axes) -> None:
        """Inlet pressure [kPa], gauge on the left and absolute on the right, over time [min]."""
        from optimizer.show.pictures.axes import draw_over_time
        from optimizer.show.pictures.chromatograms import draw_pressure

        draw_over_time(draw_pressure, self.chart, axes)

    def plot_column_flow(self, axes: Axes) -> None:
        """Column flow [mL/min at 25 °C, 101.325 kPa] over time [min]."""
        from optimizer.show.pictures.axes import draw_over_time
        from optimizer.show.pictures.chromatograms import draw_flow

        draw_over_time(draw_flow, self.chart, axes)

    def figure(self) -> Figure:
        """Chromatogram, oven, pressure and flow on one time axis, as a figure of its own."""
        from optimizer.show.pictures.chromatograms import chromatogram_figure

        return chromatogram_figure(self.chart)


@dataclass(frozen=True, eq=False)
class Optimized(Result):
    """What a search found.

    Attributes
    ----------
    fitted : what it rests on
    problem : fit and goal that the candidates were held against
    outcome : optimizer.goal.outcome.SearchOutcome, SI
    """

    command = "optimize"
    fitted: Fitted
    problem: Problem
    outcome: SearchOutcome

    @property
    def feasible(self) -> bool:
        """Whether any program meets the goal; if not, the candidates are those that come closest."""
        return self.outcome.feasible

    @property
    def not_met(self) -> NotMet | None:
        """Which kind of no it is: cannot be met, not sure enough yet, not found in this time; None where it is met."""
        return self.outcome.not_met

    @property
    def candidates(self) -> tuple[Candidate, ...]:
        """Programs worth showing, best first."""
        return self.outcome.candidates

    def predicted(self, rank: int = 1) -> Predicted:
        """The chromatogram of a candidate; 1 is the best.

        Raises
        ------
        InvalidInputError : when there is no candidate of that rank
        """
        known = len(self.candidates)
        if not 1 <= rank <= known:
            raise InvalidInputError(f"rank = {rank}: the search has {known} candidates, counted from 1")
        candidate = self.candidates[rank - 1]
        return Predicted(self.problem, candidate.prediction, candidate.reliability)

    def show(self, console: Console) -> None:
        """As the command prints it for people."""
        from optimizer.goal.cautions import cautions_of
        from optimizer.show.console.candidates import show_candidates
        from optimizer.show.console.common import show_cautions, show_warnings

        scenario = self.fitted.scenario
        show_candidates(console, scenario, self.outcome)
        show_warnings(console, self.fitted.warnings)
        show_cautions(console, cautions_of(scenario, self.outcome))
        if self.outcome.interrupted:
            console.print("The search was stopped early; these are the best programs it had.")
        if self.outcome.study is not None:
            console.print(self.outcome.study.text, markup=False)

    def _inputs(self) -> tuple[Scenario, ...]:
        return (self.fitted.scenario,)

    def to_dict(self) -> Document:
        """As `rampwright optimize --json`, which is what candidates.json holds."""
        from optimizer.results.candidate import candidate_document

        return candidate_document(self.fitted.scenario, self.outcome)

    def _files(self) -> dict[str, bytes]:
        """report.html, candidates.json and everything else that optimize leaves."""
        from optimizer.show.pages.report import outcome_files

        fitted = self.fitted
        return outcome_files(fitted.scenario, fitted.fit, self.outcome)

    def plot_front(self, axes: Axes) -> None:
        """Smallest resolution against time [min] of the programs on the front, on given axes.

        Raises
        ------
        InvalidInputError : when there is no front
        """
        from optimizer.show.pictures.front import draw_front

        goal = self.fitted.scenario.goal
        draw_front(self._front(), goal.minimise, axes)

    def figure(self) -> Figure:
        """The front as a figure of its own; raises as `plot_front`."""
        from optimizer.show.pictures.front import front_figure

        goal = self.fitted.scenario.goal
        return front_figure(self._front(), goal.minimise)

    def _front(self) -> tuple[Any, ...]:
        if not self.outcome.front:
            raise InvalidInputError(
                self.outcome.front_note or "no front was asked for: set goal.front_points in the scenario"
            )
        return self.outcome.front


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
        from optimizer.base.workbooks import Rows, workbook_bytes
        from optimizer.results.candidate import csv_bytes, json_bytes
        from optimizer.runs.peak_tables import COLUMNS

        files = {
            "peaks.json": json_bytes(self.to_dict()),
            "peaks.csv": csv_bytes(COLUMNS, self.table_rows()),
            "peaks.xlsx": workbook_bytes({"Peaks": Rows(COLUMNS, self.table_rows())}),
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
