"""What the scout command asks for, from its options to a document, a table for people and files."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from rich.console import Console

from models.column.programs import Program
from optimizer.base.errors import ScenarioError
from optimizer.goal.goal import Problem, problem_of
from optimizer.methods.scout import LEADING, LOOKED_AT, scout
from optimizer.methods.scout_programs import first_runs
from optimizer.methods.workflow import fit_scenario, optimize
from optimizer.results.candidate import json_bytes
from optimizer.results.documents import Document
from optimizer.results.scout import first_document, scout_document, toml_file
from optimizer.scenario.data import Scenario
from optimizer.scenario.program_files import read_candidates
from optimizer.search.found import Progress
from optimizer.show.console.scout import show_first, show_next

SECONDS = 5.0  # of the search for the leading candidates, unless the scenario's own budget is smaller
CANDIDATES_FILE = "candidates.json"


@dataclass(frozen=True)
class Made:
    """A result: its document, how it is shown, and the files it leaves (drawn only when asked for)."""

    document: Document
    show: Callable[[Console, Document], None]
    files: Callable[[], dict[str, bytes]]


def first(scenario: Scenario, results: Path | None = None) -> Made:
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
    document = first_document(scenario, first_runs(scenario))
    return Made(
        document, show_first, lambda: {"scout.json": json_bytes(document), "scout.toml": toml_file(document)}
    )


def next_run(
    scenario: Scenario,
    results: Path | None,
    seconds: float | None,
    progress: Progress | None = None,
    rounds: int | None = None,
) -> Made:
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
        file = results / CANDIDATES_FILE if results.is_dir() else results
        programs = read_candidates(file, scenario.ambient_pressure, LOOKED_AT)
        problem = problem_of(scenario, fit)
    return next_run_for(problem, programs)


def next_run_for(problem: Problem, programs: Sequence[Program]) -> Made:
    """The same, the candidates being these programs, the best first."""
    found = scout(problem, programs)
    document = scout_document(found, problem.fit.warnings)

    def files() -> dict[str, bytes]:
        from optimizer.show.pictures.chromatograms import picture
        from optimizer.show.pictures.scout import scout_figure

        made = {"scout.json": json_bytes(document)}
        if document["to_paste"] is not None:
            made["scout.toml"] = toml_file(document)
        if document["runs"]:
            figure = scout_figure(document)
            made |= {"scout.png": picture(figure, "png"), "scout.svg": picture(figure, "svg")}
        return made

    return Made(document, show_next, files)


def _for_leaders(scenario: Scenario) -> Scenario:
    """The scenario as a short search needs it: a few candidates, no front."""
    return replace(
        scenario,
        goal=replace(scenario.goal, front_points=0),
        search=replace(scenario.search, candidates=LEADING),
    )
