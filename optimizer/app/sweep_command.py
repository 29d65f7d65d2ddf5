"""What the sweep command asks for, from its options to a document, a table for people and files."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rich.console import Console

from models.column.programs import Program
from optimizer.base.errors import ScenarioError
from optimizer.goal.goal import Problem
from optimizer.methods.sweep import Sweep, parse_axes, sweep
from optimizer.methods.window_sweep import WindowSweep, window_sweep
from optimizer.results.candidate import csv_bytes, json_bytes
from optimizer.results.documents import Document
from optimizer.results.sweep import (
    WINDOW_COLUMNS,
    sweep_columns,
    sweep_document,
    sweep_rows,
    window_document,
    window_rows,
)
from optimizer.scenario.data import Scenario
from optimizer.show.console.sweep import show_sweep, show_window_diagram

if TYPE_CHECKING:
    from matplotlib.figure import Figure

from dataclasses import replace

import numpy as np

from models.column.programs import Controlled
from optimizer.goal.set_point_names import SetPoint
from optimizer.methods.sweep import Axis
from optimizer.scenario.instrument_steps import carrier_rate_step, carrier_step


@dataclass(frozen=True)
class Base:
    """The program to start from, and where it comes from, in words."""

    program: Program
    origin: str


@dataclass(frozen=True)
class Made:
    """A result: document, how it is shown, the files it leaves (drawn only when asked for), what it rests on."""

    document: Document
    show: Callable[[Console, Document], None]
    files: Callable[[], dict[str, bytes]]
    found: Sweep | WindowSweep


def swept(problem: Problem, base: Base, vary: Sequence[str] | None) -> Made:
    """A sweep of one or two set points.

    Raises
    ------
    ScenarioError : for options that cannot be used
    """
    scenario = problem.scenario
    axes = parse_axes(vary or [], base.program, scenario.ambient_pressure, base.origin)
    axes = on_steps(scenario, axes, base.program.carrier.controlled)
    found = sweep(problem, base.program, axes)
    document = _with_warnings(problem, sweep_document(scenario, found, base.origin))

    def files() -> dict[str, bytes]:
        from optimizer.show.pictures.sweep_maps import sweep_figure

        table = csv_bytes(sweep_columns(found), sweep_rows(document))
        return _files(document, table, sweep_figure(found, scenario.compounds, scenario.title))

    return Made(document, show_sweep, files, found)


def windows(problem: Problem, base: Base, vary: Sequence[str] | None) -> Made:
    """The window diagram.

    Raises
    ------
    ScenarioError : for options that cannot be used, or when no pair counts
    """
    if vary:
        raise ScenarioError(
            "--window varies the temperature of isothermal runs by itself; leave --vary out, or --window"
        )
    scenario = problem.scenario
    found = window_sweep(problem, base.program)
    document = _with_warnings(problem, window_document(scenario, found, base.origin))

    def files() -> dict[str, bytes]:
        from optimizer.show.pictures.window import window_figure

        table = csv_bytes(WINDOW_COLUMNS, window_rows(document))
        return _files(document, table, window_figure(found, scenario.compounds, scenario.title))

    return Made(document, show_window_diagram, files, found)


def _with_warnings(problem: Problem, document: Document) -> Document:
    """Beside its own, the warnings of scenario and fit."""
    warnings = [*document["warnings"], *problem.scenario.warnings, *problem.fit.warnings]
    return {**document, "warnings": warnings}


def _files(document: Document, table: bytes, figure: Figure) -> dict[str, bytes]:
    from optimizer.show.pictures.chromatograms import picture

    return {
        "sweep.json": json_bytes(document),
        "sweep.csv": table,
        "sweep.png": picture(figure, "png"),
        "sweep.svg": picture(figure, "svg"),
    }


DUST = 1e-6  # of a step
NEAR = 1e-3  # of a step; values closer to one than this are that step


def on_steps(scenario: Scenario, axes: tuple[Axis, ...], controlled: Controlled) -> tuple[Axis, ...]:
    """Axes whose values hold the instrument's steps, within the range asked for.

    Values are moved to the nearest step. Where the steps are coarser than the values of a single axis, these are kept
    for the sake of the curve, and those on the steps are put between them.

    Parameters
    ----------
    controlled : what the carrier program sets
    """
    single = len(axes) == 1
    return tuple(_on_steps(axis, step_of(scenario, axis.point, controlled), single) for axis in axes)


def _on_steps(axis: Axis, step: float, single: bool) -> Axis:
    low, high = (axis.values[at] / step for at in (0, -1))
    first, last = np.ceil(low - DUST), np.floor(high + DUST)
    count = int(last - first) + 1
    if count < 2 or (single and count < len(axis.values)):
        grid = np.arange(first, last + 1) * step
        between = [value for value in axis.values if not np.any(np.abs(grid - value) < NEAR * step)]
        return replace(axis, values=np.sort([*between, *grid]), step=step)
    settable = np.unique(np.clip(np.round(axis.values / step), first, last))
    return replace(axis, values=settable * step, step=step)


def step_of(scenario: Scenario, point: SetPoint, controlled: Controlled) -> float:
    """The instrument's step for a set point, in the unit of its values.

    Values here are counted as instruments count them, temperatures in °C and pressures from the room's: their steps
    start at zero.
    """
    steps = scenario.instrument.steps
    if point.field == "hold":
        step = steps.time
    elif point.part == "oven":
        step = steps.rate if point.field == "rate" else steps.temperature
    elif point.field == "rate":
        step = carrier_rate_step(scenario, controlled)
    else:
        step, _ = carrier_step(scenario, controlled)
    return step / point.scale
