"""What the scout command and the function of that name make."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from rich.console import Console

from models.column.programs import Program
from models.errors import InvalidInputError
from optimizer.app.result import Result
from optimizer.base.clock import Progress
from optimizer.base.errors import ScenarioError
from optimizer.goal.goal import Problem, problem_of
from optimizer.methods import scout as next_runs
from optimizer.methods.scout import LEADING, LOOKED_AT
from optimizer.methods.scout_programs import FirstRun, first_runs
from optimizer.methods.workflow import fit_scenario, optimize
from optimizer.results.candidate import json_bytes
from optimizer.results.documents import Document
from optimizer.results.scout import (
    first_document,
    first_text,
    next_text,
    program_files,
    scout_document,
    toml_file,
)
from optimizer.scenario.data import Scenario
from optimizer.scenario.program_files import candidates_file, read_candidates

if TYPE_CHECKING:
    from matplotlib.figure import Figure

SECONDS = 5.0  # of the search for the leading candidates, unless the scenario's own budget is smaller


@dataclass(frozen=True, eq=False)
class Scouted(Result):
    """Which scouting run to make next, or the first two.

    Attributes
    ----------
    found : optimizer.methods.scout.Scouted, or a tuple of scout_programs.FirstRun where there are no runs yet; SI
    """

    command = "scout"
    scenario: Scenario
    found: next_runs.Scouted | tuple[FirstRun, ...]

    @property
    def to_paste(self) -> str | None:
        """The suggested runs as text for scenario.toml; None when no run is worth it."""
        if isinstance(self.found, tuple):
            return first_text(self.scenario, self.found)
        return next_text(self.found)

    def _inputs(self) -> tuple[Scenario, ...]:
        return (self.scenario,)

    def to_dict(self) -> Document:
        """As `rampwright scout --json`."""
        if isinstance(self.found, tuple):
            return first_document(self.scenario, self.found)
        return scout_document(self.found)

    def show(self, console: Console) -> None:
        """As the command shows it."""
        from optimizer.show.console.scout import show_first, show_next

        if isinstance(self.found, tuple):
            show_first(console, self.scenario, self.found)
        else:
            show_next(console, self.found)

    def _files(self) -> dict[str, bytes]:
        """scout.json, scout.toml, the runs' programs and, of a next run, the picture."""
        files = {"scout.json": json_bytes(self.to_dict())}
        runs = (
            self.found if isinstance(self.found, tuple) else [self.found.best.run] if self.found.best else []
        )
        files |= program_files(self.scenario, [run.program for run in runs])
        if self.to_paste is not None:
            files["scout.toml"] = toml_file(self.to_paste)
        if not isinstance(self.found, tuple) and self.found.runs:
            from optimizer.show.pictures.chromatograms import picture

            figure = self.figure()
            files |= {"scout.png": picture(figure, "png"), "scout.svg": picture(figure, "svg")}
        return files

    def figure(self) -> Figure:
        """What each possible run is expected to leave of the variance of the critical resolutions.

        Raises
        ------
        InvalidInputError : where no runs were weighed against each other
        """
        from optimizer.show.pictures.scout import scout_figure

        if isinstance(self.found, tuple) or not self.found.runs:
            raise InvalidInputError("no possible runs were weighed against each other; to_dict says why")
        return scout_figure(self.found)


def first(scenario: Scenario, results: Path | None = None) -> Scouted:
    """Two runs to begin with.

    Raises
    ------
    ScenarioError : when results are named, which come from runs that the scenario does not have
    """
    if results is not None:
        raise ScenarioError(
            f"{scenario.path}: holds no [[scouting_runs]], from which the candidates in {results} could be predicted; "
            "leave --results out, or give the runs"
        )
    return Scouted(scenario, first_runs(scenario))


def next_run(
    scenario: Scenario,
    results: Path | None,
    seconds: float | None,
    progress: Progress | None = None,
    rounds: int | None = None,
) -> Scouted:
    """Which run to make next.

    Parameters
    ----------
    results : a folder that `optimize` wrote, or its candidates.json, whose candidates count; None for a search
    seconds, rounds : budget of that search [s], or in descents
    """
    fit = fit_scenario(scenario)
    if results is None:
        problem, outcome = optimize(
            _for_leaders(scenario),
            fit,
            min(SECONDS, scenario.search.seconds) if seconds is None and rounds is None else seconds,
            progress,
            what_if=False,
            rounds=rounds,
        )
        programs = [candidate.prediction.program for candidate in outcome.candidates]
    else:
        programs = read_candidates(
            candidates_file(results), scenario.ambient_pressure, LOOKED_AT, scenario.outlet_pressure
        )
        problem = problem_of(scenario, fit)
    return next_run_for(problem, programs)


def next_run_for(problem: Problem, programs: Sequence[Program]) -> Scouted:
    """The same, the candidates being these programs, the best first."""
    return Scouted(problem.scenario, next_runs.scout(problem, programs))


def _for_leaders(scenario: Scenario) -> Scenario:
    """The scenario as a short search needs it: a few candidates, no front."""
    return replace(
        scenario,
        goal=replace(scenario.goal, front_points=0),
        search=replace(scenario.search, candidates=LEADING),
    )
