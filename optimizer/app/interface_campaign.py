"""A campaign: the next injection proposed, and the run that was made put into the scenario."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from models.column.programs import Program
from models.column.system import ColumnSystem
from models.fit.fit import Run
from models.fit.matching import UnnamedRun, match_peaks
from models.units import SECONDS_PER_MINUTE
from optimizer.app import interface_compare as comparing
from optimizer.app.chosen_program import AnyPath, AnyProgram, Chosen, chosen
from optimizer.app.interface_compare import Compared
from optimizer.app.interface_results import Fitted, Optimized
from optimizer.app.peak_proposal import ProposedRow, row_documents, rows_of
from optimizer.app.result import Result
from optimizer.base.clock import Progress
from optimizer.base.errors import ScenarioError, as_arguments
from optimizer.base.numbers import MINUTES
from optimizer.base.output import write_folder
from optimizer.campaign import history
from optimizer.campaign.history import Campaign, Stage, read_campaign
from optimizer.campaign.new_run import SCOUTING, NewRun, first_to_make, new_run, put_in, take_out
from optimizer.campaign.next_run import Standing, standing
from optimizer.campaign.words import stage_of_standing, standing_document
from optimizer.goal.goal import problem_of
from optimizer.methods.scout_programs import FirstRun
from optimizer.methods.workflow import fit_scenario, optimize
from optimizer.results.documents import FORMAT, Document
from optimizer.results.scout import first_document
from optimizer.results.set_points import program_file
from optimizer.runs.detection import PeakDetection
from optimizer.runs.peak_tables import PeakTable
from optimizer.runs.run_files import read_run
from optimizer.scenario.data import Scenario
from optimizer.scenario.program_tables import program_document
from optimizer.scenario.reading import load_scenario
from optimizer.show.pages.campaign import history_html

if TYPE_CHECKING:
    from rich.console import Console

    from optimizer.goal.outcome import Candidate, SearchOutcome

SURE = 0.99  # of every proposed name, from which a run is put in without being asked about


@dataclass(frozen=True, eq=False)
class Addition:
    """A run that may be put into a scenario: nothing is written yet.

    Attributes
    ----------
    scenario : as it is
    new : the run as it will stand in it, its peaks named
    origin : where its program comes from, in words
    names : proposed for peaks that had none: run, time [s], compound or "", confidence, and what else it might be
    compared : the run and its prediction; None where there was nothing to predict it by
    doubts : why it should be looked at before it is written; empty when every name is more than 99 % sure
    """

    scenario: Scenario
    new: NewRun
    origin: str
    names: tuple[ProposedRow, ...]
    compared: Compared | None
    doubts: tuple[str, ...]

    def to_dict(self) -> Document:
        """As `rampwright add --json` where it was not approved."""
        return {
            "format": FORMAT,
            "title": self.scenario.title,
            "written": False,
            "run": self.new.run.name,
            "program_from": self.origin,
            **program_document(self.new.run.program, self.scenario.ambient_pressure),
            "names": row_documents(list(self.names)),
            "doubts": list(self.doubts),
            "compared": None if self.compared is None else self.compared.to_dict(),
        }

    def show(self, console: Console) -> None:
        """What there is to approve."""
        from optimizer.show.console.campaign import show_addition

        show_addition(console, self.to_dict(), None if self.compared is None else self.compared.result)

    def write(self, accept: bool = False, force: bool = False) -> Added:
        """Put it into the scenario: its peak table into the folder, the former scenario.toml beside the new one.

        Parameters
        ----------
        accept : whether to do so in spite of the doubts
        force : whether files in the history's folder that are not the tool's own are replaced, and kept as NAME.old

        Raises
        ------
        ScenarioError : when there are doubts that were not accepted
        OutputError : when a file cannot be written, or the scenario was changed meanwhile
        """
        if self.doubts and not accept:
            raise ScenarioError(why_not_written(self))
        former = put_in(self.scenario, self.new, self.origin, partial(_save, force=force))
        return Added(load_scenario(self.scenario.path), self, former, None)


@dataclass(frozen=True, eq=False)
class Added(Result):
    """A run that was put into its scenario.

    Attributes
    ----------
    scenario : with the run
    addition : what was put in, and how it compares with its prediction
    former : file that holds the scenario's former version
    outcome : of a search with the run in the fit; None without one
    """

    command = "add"
    scenario: Scenario
    addition: Addition
    former: Path
    outcome: SearchOutcome | None

    def _inputs(self) -> tuple[Scenario, ...]:
        return (self.scenario,)

    def to_dict(self) -> Document:
        """As `rampwright add --json`."""
        best = self.outcome.candidates[0] if self.outcome and self.outcome.candidates else None
        return {
            **self.addition.to_dict(),
            "written": True,
            "peaks": self.addition.new.run.file,
            "former": self.former.name,
            "runs": [run.name for run in self.scenario.runs],
            "retuned": None
            if best is None
            else {
                "meets_goal": best.feasible,
                "run_time_min": MINUTES.written(best.prediction.run_time),
                "pass_probability": best.pass_probability,
                **program_document(best.prediction.program, self.scenario.ambient_pressure),
            },
        }

    def show(self, console: Console) -> None:
        """As the command shows it."""
        from optimizer.show.console.campaign import show_added

        show_added(console, self.to_dict(), self.scenario, self.outcome)


def add_run(
    scenario: Scenario,
    run: AnyPath,
    program: AnyProgram | None = None,
    *,
    name: str | None = None,
    day: str | None = None,
    hold_up_min: float | None = None,
    matching: AnyPath | None = None,
    min_signal_to_noise: float | None = None,
    min_width_s: float | None = None,
    from_trace: bool = False,
) -> Addition:
    """A run that was made, ready to be put into its scenario: names proposed, compared with its prediction.

    Nothing is written before `Addition.write`.

    Parameters
    ----------
    run : its peak table (CSV) or recorded trace
    program : it was made with, as for `predict`; when None the one that `next_run` proposed, else [current]
    name, day, hold_up_min : of the new scouting run; the file's name, and a day of its own from the third run on
    matching : a table with the names of unnamed peaks
    min_signal_to_noise, min_width_s, from_trace : what counts as a peak in a trace, as for `peaks`

    Raises
    ------
    ScenarioError : when the run cannot be used, or is in the scenario already
    """
    with as_arguments():
        path = Path(run)
        method = _program_run(scenario, program)
        detection = PeakDetection(min_signal_to_noise, min_width_s, from_trace)
        peaks = read_run(path, detection=detection, columns=scenario.peak_columns)
        fitted = Fitted(scenario, fit_scenario(scenario)) if scenario.runs else None
        named, rows = _named(scenario, fitted, path, peaks, method.program, matching)
        compared = None
        if fitted is not None and len(scenario.runs) >= SCOUTING:
            compared = comparing.compared_run(fitted, path, named, method.program, method.origin)
        new = new_run(
            scenario,
            path,
            named,
            method.program,
            not scenario.peak_columns and _as_it_is(path, peaks),
            name,
            day,
            hold_up_min,
        )
    return Addition(scenario, new, method.origin, tuple(rows), compared, _doubts(rows, compared))


def why_not_written(addition: Addition) -> str:
    """What keeps a run from being written without being asked about, and how to approve it."""
    start = f"{addition.scenario.path}: nothing was written"
    if not addition.doubts:
        return f"{start}: this is to be approved first; answer in a terminal, or give --yes"
    more = f" (and {len(addition.doubts) - 1} more)" if len(addition.doubts) > 1 else ""
    return (
        f"{start}: {addition.doubts[0]}{more}; look at it, then approve it in a terminal, accept it all the same with "
        "--accept, or name the peaks in a table, with --matching or in the run's own"
    )


def undo_run(scenario: Scenario, force: bool = False) -> str:
    """Take the run that `add_run` put in last out of the scenario again; what else was changed since stays.

    Returns what was done, in a sentence.

    Raises
    ------
    ScenarioError : when no run was put in, or its part of the file was changed since
    """
    return take_out(scenario, partial(_save, force=force))


def retuned(
    made: Added,
    seconds: float | None = None,
    rounds: int | None = None,
    progress: Progress | None = None,
) -> Added:
    """The same with a short search in which the run counts; its best program goes into the history."""
    scenario = made.scenario
    budget = comparing.RETUNING if seconds is None and rounds is None else seconds
    _, outcome = optimize(scenario, fit_scenario(scenario), budget, progress, what_if=False, rounds=rounds)
    if outcome.candidates:
        _save(read_campaign(scenario).at(stage_of(scenario, outcome.candidates[0])))
    return replace(made, outcome=outcome)


@dataclass(frozen=True, eq=False)
class NextRun(Result):
    """Where a campaign stands, and the run to make next.

    Attributes
    ----------
    scenario : Scenario
    proposed : the run's program; None where none is worth it
    found : optimizer.campaign.next_run.Standing, SI; None where the first runs are not made yet
    first : the first run that is still to be made, there
    """

    command = "next"
    scenario: Scenario
    found: Standing | None
    first: FirstRun | None = None

    @property
    def proposed(self) -> Program | None:
        """The program to run."""
        run = self.first or (None if self.found is None else self.found.proposed)
        return None if run is None else run.program

    def _inputs(self) -> tuple[Scenario, ...]:
        return (self.scenario,)

    def to_dict(self) -> Document:
        """As `rampwright next --json`."""
        if self.found is None:
            return first_document(self.scenario, [] if self.first is None else [self.first])
        return standing_document(self.found)

    def show(self, console: Console) -> None:
        """As the command shows it."""
        from optimizer.show.console.campaign import show_first_run, show_standing

        if self.found is None:
            show_first_run(console, self.scenario, self.first)
        else:
            show_standing(console, self.found, read_campaign(self.scenario))

    def keep(self, force: bool = False) -> Path:
        """Write the proposed program, its set points and the history into the scenario's folder; where that is.

        Parameters
        ----------
        force : whether files there that are not the tool's own are replaced, and kept as NAME.old
        """
        known, best = read_campaign(self.scenario), None
        if self.found is not None:
            system = self.found.problem.fit.system
            if self.found.best is not None:
                program = self.found.best.prediction.program
                best = program_file(program, system, self.scenario.ambient_pressure)
                stage = stage_of_standing(self.found, stage_of(self.scenario, self.found.best))
                known = known.at(stage)
        else:
            system = ColumnSystem(self.scenario.column, self.scenario.gas, self.scenario.outlet_pressure)
        proposed = None
        if self.proposed is not None:
            run = self.first or (None if self.found is None else self.found.proposed)
            name = "" if run is None else run.name
            proposed = history.program_to_run(self.scenario, self.proposed, system, name)
        _save(known, proposed, best, force)
        return known.folder


def next_run(
    scenario: Scenario,
    *,
    seconds: float | None = None,
    rounds: int | None = None,
    cores: int | None = None,
    found: Optimized | None = None,
    progress: Progress | None = None,
) -> NextRun:
    """Where a campaign stands and which run to make next, by what it does to the goal.

    Nothing is written before `NextRun.keep`.

    Parameters
    ----------
    seconds, rounds : budget [s], 60 when None, or in rounds of the searches
    cores : how many the searches may use; all there are when None
    found : a search whose candidates are begun from, beside the best program of the last time
    """
    if len(scenario.runs) < SCOUTING:
        return NextRun(scenario, None, first_to_make(scenario)[0])
    problem = problem_of(scenario, fit_scenario(scenario))
    given = [] if found is None else [each.prediction.program for each in found.outcome.candidates]
    known = [*best_before(scenario), *given]
    return NextRun(scenario, standing(problem, seconds, rounds, cores, progress, known))


def best_before(scenario: Scenario) -> list[Program]:
    """The best program of the last time, from which a search for the next run begins; none at first."""
    before = read_campaign(scenario).best_file
    return [chosen(scenario, before).program] if before.exists() else []


def stage_of(scenario: Scenario, best: Candidate) -> Stage:
    """Where a campaign stands with its best program."""
    return Stage(
        len(scenario.runs),
        scenario.runs[-1].name,
        MINUTES.written(best.prediction.run_time),
        round(best.pass_probability, 4),
        best.feasible,
    )


def _save(
    known: Campaign,
    proposed: tuple[bytes, bytes] | None = None,
    best: bytes | None = None,
    force: bool = False,
) -> None:
    files = history.campaign_files(known, history_html(known), best, proposed)
    write_folder(known.folder, files, history.COMMAND, force=force)


def _program_run(scenario: Scenario, program: AnyProgram | None) -> Chosen:
    """The program of a run: as named, else as proposed, else the method in use."""
    proposed = read_campaign(scenario).next_file
    if program is None and proposed.exists():
        return Chosen(chosen(scenario, proposed).program, f"{proposed}, as next proposed it")
    if program is None and scenario.current is None:
        raise ScenarioError(
            f"{scenario.path}: with which program was the run made? None was proposed by rampwright next, and there is "
            "no [current]; name a program file with --program, or a candidate with --candidate N --results FOLDER"
        )
    return chosen(scenario, program)


def _named(
    scenario: Scenario,
    fitted: Fitted | None,
    path: Path,
    peaks: PeakTable,
    program: Program,
    matching: AnyPath | None,
) -> tuple[PeakTable, list[ProposedRow]]:
    """The peaks with names, and what was proposed where they had none."""
    if peaks.named:
        if matching is not None:
            raise ScenarioError(f"--matching: all peaks of {path} have names already")
        if scenario.runs:
            comparing.refuse_unknown(scenario, path, peaks)
        return peaks, []
    if fitted is None:
        raise ScenarioError(
            f"{path}: its peaks have no names, and there is no run yet to propose them by; write a peak table with "
            "rampwright peaks and fill them in"
        )
    if matching is not None:
        return comparing.named_as_listed(Path(matching), path.stem, peaks, scenario), []
    if len(scenario.runs) < SCOUTING:
        rows = _by_the_first_run(scenario, path.stem, peaks, program)
    else:
        rows = rows_of(path.stem, peaks, *comparing.matched(fitted, program, path.stem, peaks))
    return comparing.named_as_proposed(path, peaks, rows), rows


def _by_the_first_run(scenario: Scenario, name: str, peaks: PeakTable, program: Program) -> list[ProposedRow]:
    """Names by the only run there is, as `fit` proposes them: one run says too little for a prediction."""
    run = scenario.runs[0]
    known = run.peaks
    first = Run(
        run.name, run.program, known.retention, known.width_half, run.repeatability, run.hold_up, known.area
    )
    unnamed = UnnamedRun(name, program, peaks.retention, peaks.area, run.repeatability)
    system = ColumnSystem(scenario.column, scenario.gas, scenario.outlet_pressure)
    found = match_peaks(system, first, [unnamed], scenario.flow_correction)[0]
    return rows_of(name, peaks, found, known.compounds)


def _as_it_is(path: Path, peaks: PeakTable) -> bool:
    """Whether a file is a peak table with names."""
    return path.suffix.lower() == ".csv" and peaks.named


def _doubts(rows: list[ProposedRow], compared: Compared | None) -> tuple[str, ...]:
    """Why somebody should look first."""
    doubts = [
        f"the peak at {t / SECONDS_PER_MINUTE:.3f} min is {name or 'no listed compound'} with {100 * sure:.0f} %"
        + (f", or else {rival}" if rival else "")
        for _, t, name, sure, rival in rows
        if not sure > SURE
    ]
    if compared is not None:
        comparison = compared.result.comparison
        if comparison.corrections or comparison.another_program:
            doubts.append(compared.result.says)
    return tuple(doubts)
