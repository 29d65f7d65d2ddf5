"""What the scout command and the function of that name make."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from rich.console import Console

from models.errors import InvalidInputError
from optimizer.app.chosen_program import AnyPath
from optimizer.app.interface_campaign import best_before
from optimizer.app.result import Result
from optimizer.base.clock import Progress
from optimizer.base.errors import ScenarioError
from optimizer.campaign import scouted as scouting
from optimizer.campaign.new_run import SCOUTING, first_to_make
from optimizer.campaign.next_run import standing
from optimizer.campaign.scouted import scout_document, scouted
from optimizer.goal.goal import problem_of
from optimizer.methods.scout_programs import FirstRun
from optimizer.methods.workflow import fit_scenario
from optimizer.results.candidate import json_bytes
from optimizer.results.documents import Document
from optimizer.results.scout import first_document, program_files, toml_file
from optimizer.scenario.data import Scenario
from optimizer.scenario.program_files import candidates_file, read_candidates

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from optimizer.app.interface_results import Optimized

SEARCHED_ALREADY = 30.0  # s, of all of it where candidates are given, unless told otherwise
LOOKED_AT = 6  # candidates of a folder


@dataclass(frozen=True, eq=False)
class Scouted(Result):
    """Which scouting run to make next, or the first two.

    Attributes
    ----------
    found : optimizer.campaign.scouted.Scouted, or a tuple of scout_programs.FirstRun before there are two runs; SI
    """

    command = "scout"
    scenario: Scenario
    found: scouting.Scouted | tuple[FirstRun, ...]

    @property
    def to_paste(self) -> str | None:
        """The suggested runs as text for scenario.toml; None when no run is worth it."""
        text: str | None = self.to_dict()["to_paste"]
        return text

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
        document = self.to_dict()
        files = {"scout.json": json_bytes(document)}
        if isinstance(self.found, tuple):
            programs = [run.program for run in self.found]
        else:
            programs = [] if self.found.suggested is None else [self.found.suggested]
        files |= program_files(self.scenario, programs)
        if document["to_paste"] is not None:
            files["scout.toml"] = toml_file(document["to_paste"])
        if not isinstance(self.found, tuple) and self.found.standing.worth:
            from optimizer.show.pictures.chromatograms import picture

            figure = self.figure()
            files |= {"scout.png": picture(figure, "png"), "scout.svg": picture(figure, "svg")}
        return files

    def figure(self) -> Figure:
        """What each possible run is worth.

        Raises
        ------
        InvalidInputError : where no runs were weighed against each other
        """
        from optimizer.show.pictures.scout import scout_figure

        if isinstance(self.found, tuple) or not self.found.standing.worth:
            raise InvalidInputError("no possible runs were weighed against each other; to_dict says why")
        return scout_figure(self.found)


def first(scenario: Scenario, results: AnyPath | None = None) -> Scouted:
    """Those of the two runs to begin with that are still to be made.

    Raises
    ------
    ScenarioError : when results are named, which come from runs that the scenario does not have
    """
    if results is not None and not scenario.runs:
        raise ScenarioError(
            f"{scenario.path}: holds no [[scouting_runs]], from which the candidates in {results} could be predicted; "
            "leave --results out, or give the runs"
        )
    return Scouted(scenario, first_to_make(scenario))


def scout(
    scenario: Scenario,
    found: Optimized | None,
    results: AnyPath | None,
    seconds: float | None,
    rounds: int | None,
    cores: int | None,
    progress: Progress | None,
) -> Scouted:
    """As `interface.scout`."""
    if len(scenario.runs) < SCOUTING:
        return first(scenario, results)
    given = []
    if found is not None:
        given = [each.prediction.program for each in found.candidates]
    elif results is not None:
        file = candidates_file(Path(results))
        given = read_candidates(file, scenario.ambient_pressure, LOOKED_AT, scenario.outlet_pressure)
    if given and seconds is None and rounds is None:
        seconds = SEARCHED_ALREADY
    problem = problem_of(scenario, fit_scenario(scenario)) if found is None else found.problem
    known = [*best_before(scenario), *given]
    return Scouted(problem.scenario, scouted(standing(problem, seconds, rounds, cores, progress, known)))
