"""Further results of the interface: of sweeping, adapting, comparing and scouting, each with what its command made."""

from __future__ import annotations

import copy
from dataclasses import dataclass
from typing import TYPE_CHECKING

from models.column.programs import Program
from models.errors import InvalidInputError
from optimizer.app.interface_results import Predicted, Result
from optimizer.goal.goal import Problem
from optimizer.goal.outcome import Candidate
from optimizer.methods.sweep import Sweep
from optimizer.methods.window_sweep import WindowSweep
from optimizer.results.documents import Document

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from optimizer.app.adapt_command import Made as AdaptMade
    from optimizer.app.compare_command import Made as CompareMade
    from optimizer.app.scout_command import Made as ScoutMade
    from optimizer.app.sweep_command import Made as SweepMade


@dataclass(frozen=True, eq=False)
class Swept(Result):
    """One or two set points varied, or the window diagram.

    Attributes
    ----------
    found : optimizer.methods.sweep.Sweep, or optimizer.methods.window_sweep.WindowSweep of a window diagram; SI
    """

    command = "sweep"
    problem: Problem
    found: Sweep | WindowSweep
    made: SweepMade

    def to_dict(self) -> Document:
        """As `rampwright sweep --json`."""
        return copy.deepcopy(self.made.document)

    def files(self) -> dict[str, bytes]:
        """sweep.json, sweep.csv and the picture."""
        return self.made.files()

    def plot_resolution(self, axes: Axes) -> None:
        """Smallest resolution over the one set point that was varied, on given axes.

        Raises
        ------
        InvalidInputError : when two were varied, or for a window diagram; `figure` draws those
        """
        from optimizer.show.pictures.axes import draw_swept_resolution

        draw_swept_resolution(self._curve(), axes)

    def plot_run_time(self, axes: Axes) -> None:
        """Run time [min] over the one set point that was varied; raises as `plot_resolution`."""
        from optimizer.show.pictures.axes import draw_swept_run_time

        draw_swept_run_time(self._curve(), axes)

    def figure(self) -> Figure:
        """Curves, maps or the window diagram as a figure of its own."""
        scenario = self.problem.scenario
        if isinstance(self.found, WindowSweep):
            from optimizer.show.pictures.window import window_figure

            return window_figure(self.found, scenario.compounds, scenario.title)
        from optimizer.show.pictures.sweep_maps import sweep_figure

        return sweep_figure(self.found, scenario.compounds, scenario.title)

    def _curve(self) -> Sweep:
        if isinstance(self.found, WindowSweep) or len(self.found.axes) != 1:
            raise InvalidInputError("only a sweep of one set point is a curve; figure() draws the others")
        return self.found


@dataclass(frozen=True, eq=False)
class Adapted(Result):
    """A method carried to another gas, outlet or column, or restored after a cut.

    Attributes
    ----------
    before, after : Predicted, of the method in use and of the carried or restored one
    """

    command = "adapt"
    made: AdaptMade

    @property
    def before(self) -> Predicted:
        """The method in use on the system in use."""
        return Predicted(self.made.old, self.made.before)

    @property
    def after(self) -> Predicted:
        """The carried or restored method on the new system, as rounded to the instrument's steps."""
        return Predicted(self.made.problem, self.made.after)

    @property
    def program(self) -> Program:
        """The carried or restored program."""
        return self.made.after.program

    @property
    def tuned(self) -> Candidate | None:
        """The best program of the search on the new system; None without one."""
        return self.made.tuned

    def to_dict(self) -> Document:
        """As `rampwright adapt --json`."""
        return copy.deepcopy(self.made.document)

    def files(self) -> dict[str, bytes]:
        """adapt.json, adapt.html and program files."""
        return self.made.files()


@dataclass(frozen=True, eq=False)
class Compared(Result):
    """A confirmation run held against its prediction."""

    command = "compare"
    made: CompareMade

    @property
    def verdict(self) -> str:
        """holds, unresolved, unconfirmed, drifts, misnamed or departs; docs/results.md says what each means."""
        return str(self.made.document["verdict"])

    @property
    def tuned(self) -> Candidate | None:
        """The best program of the search with this run in the fit; None without one."""
        return self.made.tuned

    def to_dict(self) -> Document:
        """As `rampwright compare --json`."""
        return copy.deepcopy(self.made.document)

    def files(self) -> dict[str, bytes]:
        """compare.json, compare.csv, compare.html, the picture, and programs and the run to go on with."""
        return self.made.files()

    def figure(self) -> Figure:
        """The run mirrored beneath its prediction."""
        from optimizer.show.pictures.compare import compared_figure

        return compared_figure(self.made.compared)


@dataclass(frozen=True, eq=False)
class Scouted(Result):
    """Which scouting run to make next, or the first two."""

    command = "scout"
    made: ScoutMade

    @property
    def to_paste(self) -> str | None:
        """The suggested runs as text for scenario.toml; None when no run is worth it."""
        text: str | None = self.made.document["to_paste"]
        return text

    def to_dict(self) -> Document:
        """As `rampwright scout --json`."""
        return copy.deepcopy(self.made.document)

    def files(self) -> dict[str, bytes]:
        """scout.json, scout.toml and, of a next run, the picture."""
        return self.made.files()

    def figure(self) -> Figure:
        """What each possible run is expected to leave of the variance of the critical resolutions.

        Raises
        ------
        InvalidInputError : where no runs were weighed against each other
        """
        from optimizer.show.pictures.scout import scout_figure

        if self.made.document["job"] == "first runs" or not self.made.document["runs"]:
            raise InvalidInputError("no possible runs were weighed against each other; to_dict says why")
        return scout_figure(self.made.document)
