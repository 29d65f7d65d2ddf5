"""What the compare command asks for: program, run and names of its peaks, from options to a compared run."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from rich.console import Console

from models.column.programs import Program
from models.fit.matching import CONFIDENT, Matching, UnnamedRun, match_expected
from optimizer.app.interface_results import Fitted
from optimizer.app.peak_proposal import WITHOUT_AREAS, ProposedRow, row_documents, rows_of
from optimizer.app.result import Result
from optimizer.base.clock import Progress
from optimizer.base.errors import ScenarioError, UnnamedPeaks
from optimizer.base.output import write_atomically
from optimizer.base.workbooks import Rows, workbook_bytes
from optimizer.goal.goal import measured_mean
from optimizer.goal.outcome import Candidate
from optimizer.goal.predict import predict
from optimizer.goal.uncertainty import with_uncertainty
from optimizer.methods.compare import compare
from optimizer.methods.compare_refit import refit_with, retune
from optimizer.results.candidate import csv_bytes, json_bytes, prediction_sheets
from optimizer.results.compare import CSV_COLUMNS, CompareResult, compare_result, compare_rows, next_files
from optimizer.results.compare_words import TO_CORRECT
from optimizer.results.documents import FORMAT, Document, command_of
from optimizer.runs.detection import USUAL_DETECTION, PeakDetection
from optimizer.runs.peak_tables import PeakTable
from optimizer.runs.run_files import read_run
from optimizer.scenario.data import Scenario
from optimizer.scenario.peak_names import Lookalikes, matching_text, named_by
from optimizer.scenario.run_checks import confirmation_problems

if TYPE_CHECKING:
    from matplotlib.figure import Figure

RETUNING = 6.0  # s, of the search when no other time is given
SPELLING = 0.85  # likeness of two names from which one may be the other misspelt


@dataclass(frozen=True, eq=False)
class Compared(Result):
    """A confirmation run compared with its prediction.

    Attributes
    ----------
    result : optimizer.results.compare.CompareResult, SI: `says`, `peaks`, `refit`, `advice` ..., and `comparison`
    """

    command = "compare"
    result: CompareResult

    @property
    def verdict(self) -> str:
        """holds, unresolved, unconfirmed, drifts, misnamed or departs; docs/results.md says what each means."""
        return self.result.comparison.verdict

    @property
    def tuned(self) -> Candidate | None:
        """The best program of the search with this run in the fit; None without one."""
        return self.result.tuned

    def _inputs(self) -> tuple[Scenario, ...]:
        return (self.result.comparison.problem.scenario,)

    def to_dict(self) -> Document:
        """As `rampwright compare --json`."""
        return self.result.to_dict()

    def show(self, console: Console) -> None:
        """As the command shows it."""
        from optimizer.show.console.compare import show_compared

        show_compared(console, self.result)
        compared = self.result.comparison
        if compared.verdict in TO_CORRECT:
            return
        add = command_of(compared.problem.scenario, "add")
        console.print(
            f"To keep this run: {add} --run FILE --program program.toml (compare --out writes that file)",
            markup=False,
            soft_wrap=True,
        )

    def _files(self) -> dict[str, bytes]:
        """compare.json, compare.csv, compare.html, the picture, and programs and the run to go on with."""
        from optimizer.show.pages.methods import compare_html
        from optimizer.show.pictures.chromatograms import picture

        rows, compared = compare_rows(self.result), self.result.comparison
        predicted = prediction_sheets(compared.problem.scenario, compared.prediction)
        return {
            "compare.json": json_bytes(self.to_dict()),
            "compare.csv": csv_bytes(CSV_COLUMNS, rows),
            "compare.xlsx": workbook_bytes({"Comparison": Rows(CSV_COLUMNS, rows), **predicted}),
            "compare.html": compare_html(self.result).encode(),
            "compare.png": picture(self.figure(), "png"),
            **next_files(self.result),
        }

    def figure(self) -> Figure:
        """The run mirrored beneath its prediction."""
        from optimizer.show.pictures.compare import compared_figure

        return compared_figure(self.result.comparison)


def run_compared(scenario: Scenario, path: Path, detection: PeakDetection = USUAL_DETECTION) -> PeakTable:
    """The peaks of the run, which may be without names.

    Parameters
    ----------
    detection : what counts as a peak, where the run is a trace

    Raises
    ------
    ScenarioError : when it cannot be used, holds none of the scenario's compounds, or seems to misspell one
    """
    peaks = read_run(path, detection=detection, columns=scenario.peak_columns)
    if peaks.named:
        refuse_unknown(scenario, path, peaks)
    return peaks


def refuse_unknown(scenario: Scenario, path: Path, peaks: PeakTable) -> None:
    """Named peaks of which none is of the scenario, or that seem to misspell a compound.

    Raises
    ------
    ScenarioError : naming those
    """
    known = set(scenario.compounds)
    unknown = [name for name in peaks.compounds if name not in known]
    absent = Lookalikes(name for name in scenario.compounds if peaks.index(name) is None)
    problems = [
        f"{path}: {name!r} is in none of the scouting runs; did you mean {near!r}, which this table lacks?"
        for name in unknown
        if (near := absent.nearest(name, SPELLING)) is not None
    ]
    if len(unknown) == len(peaks.compounds):
        held = ", ".join(scenario.compounds[:8]) + "..." * (len(scenario.compounds) > 8)
        problems = [
            f"{path}: none of its compounds is in the scouting runs; they hold {held}: is it the table of "
            "another method?"
        ]
    if problems:
        raise ScenarioError(problems)


def compared_run(fitted: Fitted, path: Path, peaks: PeakTable, program: Program, origin: str) -> Compared:
    """A run compared with its program's prediction, and what it adds to the fit.

    Raises
    ------
    ScenarioError : when the run has times that cannot be right
    """
    scenario = fitted.scenario
    problems = confirmation_problems(scenario, program, origin, peaks, str(path))
    if problems:
        raise ScenarioError(problems)
    repeatability = float(np.median([run.repeatability for run in scenario.runs]))
    comparison = compare(fitted.problem, program, peaks, path.stem, origin, repeatability)
    return Compared(compare_result(comparison, refit_with(comparison)))


def retuned(
    made: Compared, seconds: float | None, progress: Progress | None, rounds: int | None = None
) -> Compared:
    """The same with a short search in which this run counts."""
    comparison, after = made.result.comparison, made.result.after
    if after is None:
        return made
    budget = RETUNING if seconds is None and rounds is None else seconds
    return Compared(compare_result(comparison, after, retune(after, budget, progress, rounds)))


def with_names(
    fitted: Fitted, program: Program, path: Path, peaks: PeakTable, matching: Path | None, accept: bool
) -> PeakTable:
    """The peaks with names.

    Parameters
    ----------
    matching : a table that names them; written with the proposal when there is no such file
    accept : whether the proposed names are used as they are

    Raises
    ------
    UnnamedPeaks : with a proposal, when there is nothing yet to name them by
    ScenarioError : when the table cannot be used, or names are given that are not needed
    OutputError : when the table cannot be written
    """
    if peaks.named:
        if matching is not None or accept:
            option = "--accept" if accept else "--matching"
            raise ScenarioError(
                f"{option}: all peaks of {path} have names already; there is nothing to propose"
            )
        return peaks
    if matching is not None and accept:
        raise ScenarioError(
            "--matching names a table to check first, --accept accepts the proposed names; give one"
        )
    run, scenario = path.stem, fitted.scenario
    if matching is not None and matching.exists():
        return named_as_listed(matching, run, peaks, scenario)
    found, names = matched(fitted, program, run, peaks)
    rows = rows_of(run, peaks, found, names)
    if accept:
        return named_as_proposed(path, peaks, rows)
    if matching is not None:
        write_atomically(matching, matching_text([row[:4] for row in rows]).encode())
    document = {
        "format": FORMAT,
        "title": scenario.title,
        "accepted": False,
        "table": None if matching is None else str(matching),
        "named_run": None,
        "matching": row_documents(rows),
        "without_peak": {run: [name for m, name in enumerate(names) if m not in found.compound]},
        "to_go_on": _to_go_on(run, matching),
        "warnings": [
            *([] if np.isfinite(peaks.area).any() else [WITHOUT_AREAS.format(run)]),
            *peaks.notes,
        ],
    }
    written = "" if matching is None else f"; proposed ones are written to {matching}"
    raise UnnamedPeaks(
        f"{path}: its peaks have no names{written}; have them proposed with --matching, or accepted with --accept, or "
        "write a peak table with rampwright peaks and fill them in",
        document,
    )


def named_as_listed(matching: Path, run: str, peaks: PeakTable, scenario: Scenario) -> PeakTable:
    """The peaks with the names that a table gives them.

    Raises
    ------
    ScenarioError : when the table cannot be used
    """
    named = named_by(matching, run, peaks, scenario.compounds)
    return _with_note(named, peaks, f"names of the run's peaks are from {matching}")


def named_as_proposed(path: Path, peaks: PeakTable, rows: list[ProposedRow]) -> PeakTable:
    """The peaks with the names proposed for them; those of no listed compound are left out.

    Raises
    ------
    ScenarioError : when no name is proposed
    """
    names = {row[2] for row in rows} - {""}
    named = replace(peaks, compounds=tuple(row[2] for row in rows)).only(names)
    if not named.named:
        raise ScenarioError(f"{path}: none of its peaks is where a compound of the scenario should be")
    doubtful = sum(bool(name) and sure < CONFIDENT for _, _, name, sure, _ in rows)
    note = f"names of the run's peaks were proposed and accepted; {doubtful} of {len(named.compounds)} are doubtful"
    return _with_note(named, peaks, note)


def _with_note(named: PeakTable, peaks: PeakTable, note: str) -> PeakTable:
    left = len(peaks.retention) - len(named.retention)
    if left:
        note += f"; {left} of {len(peaks.retention)} peaks have no name and are left out"
    return replace(named, notes=(*peaks.notes, note))


def matched(fitted: Fitted, program: Program, run: str, peaks: PeakTable) -> tuple[Matching, tuple[str, ...]]:
    """What is proposed, and the names it counts: those of compounds that elute."""
    scenario, problem = fitted.scenario, fitted.problem
    prediction, _ = with_uncertainty(problem, predict(problem, program))
    repeatability = float(np.median([each.repeatability for each in scenario.runs]))
    eluted = np.flatnonzero(np.isfinite(prediction.retention))
    error = np.hypot(np.nan_to_num(prediction.retention_sd[eluted]), repeatability)
    area = measured_mean(scenario, "area", np.nan)[eluted]
    unnamed = UnnamedRun(run, program, peaks.retention, peaks.area, repeatability)
    expected = prediction.retention[eluted]
    return match_expected(unnamed, area, expected, error), tuple(prediction.compounds[m] for m in eluted)


def _to_go_on(run: str, table: Path | None) -> list[str]:
    nothing = "Nothing has been compared: these names are a proposal."
    if table is not None:
        return [
            f"{nothing} They are written to {table}; correct them there, and compare again with the same options."
        ]
    return [
        f"{nothing} Compare again with",
        "  --accept                 to accept them all, or with",
        f"  --matching {run}_names.csv  twice: first to write them to a table, and, once corrected, to use it",
    ]
