"""What the sweep command asks for, from its options to a document, a table for people and files."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from rich.console import Console

from models.programs import Program
from optimizer.candidate_document import csv_bytes, json_bytes
from optimizer.candidate_file import read_first_candidate
from optimizer.documents import Document
from optimizer.errors import ScenarioError
from optimizer.goal import Problem
from optimizer.scenario import read_program
from optimizer.scenario_data import Scenario
from optimizer.sweep import Sweep, parse_axes, sweep
from optimizer.sweep_console import show_sweep, show_window_diagram
from optimizer.sweep_document import (
    WINDOW_COLUMNS,
    sweep_columns,
    sweep_document,
    sweep_rows,
    window_document,
    window_rows,
)
from optimizer.sweep_steps import on_steps
from optimizer.window_sweep import WindowSweep, window_sweep

if TYPE_CHECKING:
    from matplotlib.figure import Figure


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


def program_to_vary(scenario: Scenario, program: Path | None, candidate: Path | None) -> Base:
    """The program that the options name, or the scenario's own.

    Raises
    ------
    ScenarioError : when both are given, a file cannot be used, or there is no program
    """
    if program is not None and candidate is not None:
        raise ScenarioError("--program and --candidate both name a program to vary; give one of them")
    if program is not None:
        return Base(read_program(program, scenario.ambient_pressure), str(program))
    if candidate is not None:
        return Base(
            read_first_candidate(candidate, scenario.ambient_pressure), f"{candidate}, first candidate"
        )
    if scenario.current is None:
        raise ScenarioError(
            f"{scenario.path}: there is no [current] table to vary; add one, or name a program with --program or "
            "--candidate"
        )
    return Base(scenario.current, "[current]")


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
        from optimizer.sweep_maps import sweep_figure

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
        from optimizer.window_plots import window_figure

        table = csv_bytes(WINDOW_COLUMNS, window_rows(document))
        return _files(document, table, window_figure(found, scenario.compounds, scenario.title))

    return Made(document, show_window_diagram, files, found)


def _with_warnings(problem: Problem, document: Document) -> Document:
    """Beside its own, the warnings of scenario and fit."""
    warnings = [*document["warnings"], *problem.scenario.warnings, *problem.fit.warnings]
    return {**document, "warnings": warnings}


def _files(document: Document, table: bytes, figure: Figure) -> dict[str, bytes]:
    from optimizer.plots import picture

    return {
        "sweep.json": json_bytes(document),
        "sweep.csv": table,
        "sweep.png": picture(figure, "png"),
        "sweep.svg": picture(figure, "svg"),
    }
