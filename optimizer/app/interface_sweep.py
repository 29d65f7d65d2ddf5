"""What the sweep command and the functions sweep and window make."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rich.console import Console

from models.column.programs import Program
from models.errors import InvalidInputError
from optimizer.app.result import Result
from optimizer.goal.goal import Problem
from optimizer.methods.sweep import Sweep, sweep
from optimizer.methods.sweep_axes import on_steps, parse_axes
from optimizer.methods.window_sweep import WindowSweep, window_sweep
from optimizer.results.candidate import csv_bytes, json_bytes
from optimizer.results.documents import Document
from optimizer.results.sweep import sweep_document, sweep_table
from optimizer.scenario.data import Scenario

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


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

    def _inputs(self) -> tuple[Scenario, ...]:
        return (self.problem.scenario,)

    def to_dict(self) -> Document:
        """As `rampwright sweep --json`."""
        return sweep_document(self.found)

    def show(self, console: Console) -> None:
        """As the command shows it."""
        from optimizer.show.console.sweep import show_sweep, show_window_diagram

        if isinstance(self.found, WindowSweep):
            show_window_diagram(console, self.found)
        else:
            show_sweep(console, self.found)

    def _files(self) -> dict[str, bytes]:
        """sweep.json, sweep.csv and the picture."""
        from optimizer.show.pictures.chromatograms import picture

        document, figure = self.to_dict(), self.figure()
        return {
            "sweep.json": json_bytes(document),
            "sweep.csv": csv_bytes(*sweep_table(document)),
            "sweep.png": picture(figure, "png"),
            "sweep.svg": picture(figure, "svg"),
        }

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


def swept(problem: Problem, program: Program, origin: str, vary: Sequence[str]) -> Swept:
    """A sweep of one or two set points; `origin` says where the program comes from.

    Raises
    ------
    ScenarioError : for options that cannot be used
    """
    scenario = problem.scenario
    axes = parse_axes(vary, program, scenario.ambient_pressure, origin)
    axes = on_steps(scenario, axes, program.carrier.controlled)
    return Swept(problem, sweep(problem, program, axes, origin))


def windows(problem: Problem, program: Program, origin: str) -> Swept:
    """The window diagram.

    Raises
    ------
    ScenarioError : when no pair counts
    """
    return Swept(problem, window_sweep(problem, program, origin))
