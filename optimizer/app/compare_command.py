"""What the compare command asks for, from its options to a document, tables for people and files."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np

from models.column.programs import Program
from models.fit.diagnosis import description, mend
from models.fit.fit import Fit, Suspect
from models.fit.typing_slips import intended_time
from optimizer.base.errors import ScenarioError
from optimizer.base.lookalikes import Lookalikes
from optimizer.goal.goal import problem_of
from optimizer.goal.outcome import Candidate
from optimizer.methods.compare import Comparison, compare
from optimizer.methods.compare_refit import Refit, refit, retune
from optimizer.results.candidate import csv_bytes, json_bytes
from optimizer.results.compare import COLUMNS, compared_document, compared_rows
from optimizer.results.compare_files import next_files
from optimizer.results.documents import Document
from optimizer.runs.detection import USUAL_DETECTION, PeakDetection
from optimizer.runs.peak_tables import PeakTable
from optimizer.runs.run_files import read_run
from optimizer.scenario.reading import Scenario
from optimizer.scenario.run_checks import confirmation_problems
from optimizer.search.candidates import warnings_of
from optimizer.search.found import Progress
from optimizer.search.reasons import broken_limits
from optimizer.show.console.compare import show_compared

RETUNING = 6.0  # s, of the search when no other time is given
LEAST_PEAKS = 2  # of a run worth a refit
SPELLING = 0.85  # likeness of two names from which one may be the other misspelt


@dataclass(frozen=True)
class Made:
    """A compared run: its document, how people see it, and what it was made from."""

    document: Document
    compared: Comparison
    after: Refit | None
    tuned: Candidate | None = None
    show: Callable[..., None] = show_compared

    def files(self) -> dict[str, bytes]:
        """compare.json, compare.csv, the page compare.html and its picture; programs and the run to go on with."""
        from optimizer.show.pages.compare import compare_html
        from optimizer.show.pictures.chromatograms import picture
        from optimizer.show.pictures.compare import compared_figure

        figure = compared_figure(self.compared)
        return {
            "compare.json": json_bytes(self.document),
            "compare.csv": csv_bytes(COLUMNS, compared_rows(self.document)),
            "compare.html": compare_html(self.document, self.compared, self.tuned).encode(),
            "compare.png": picture(figure, "png"),
            **next_files(self.compared, self.tuned, self.document["retuned_for"]),
        }


def run_compared(scenario: Scenario, path: Path, detection: PeakDetection = USUAL_DETECTION) -> PeakTable:
    """The peaks of the run, which may be without names.

    Parameters
    ----------
    detection : what counts as a peak, where the run is a trace

    Raises
    ------
    ScenarioError : when it cannot be used, holds none of the scenario's compounds, or seems to misspell one
    """
    peaks = read_run(path, detection=detection)
    if not peaks.named:
        return peaks
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
    return peaks


def compared_run(
    scenario: Scenario, fit: Fit, path: Path, peaks: PeakTable, program: Program, origin: str
) -> Made:
    """A run held against its program's prediction, and what it adds to the fit.

    Raises
    ------
    ScenarioError : when the peaks of the run have no names, or times that cannot be right
    """
    if not peaks.named:
        raise ScenarioError(
            f"{path}: its peaks have no names; let rampwright compare propose them (--matching, --accept), or write "
            "a peak table with rampwright peaks and fill them in"
        )
    problems = confirmation_problems(scenario, program, origin, peaks, str(path))
    if problems:
        raise ScenarioError(problems)
    repeatability = float(np.median([run.repeatability for run in scenario.runs]))
    compared = compare(problem_of(scenario, fit), program, peaks, path.stem, origin, repeatability)
    told = not compared.another_program and np.isfinite(compared.found).sum() >= LEAST_PEAKS
    after = refit(compared) if told else None
    return Made(_document(compared, after), compared, after)


def retuned(made: Made, seconds: float | None, progress: Progress | None, rounds: int | None = None) -> Made:
    """The same with a short search in which this run counts."""
    if made.after is None:
        return made
    budget = RETUNING if seconds is None and rounds is None else seconds
    outcome = retune(made.after, budget, progress, rounds)
    first = outcome.candidates[0] if outcome.candidates else None
    document = compared_document(made.compared, made.after, outcome)
    show = partial(show_compared, retuned=(made.after.problem.scenario, outcome))
    return replace(made, document={**made.document, **document}, tuned=first, show=show)


def _document(compared: Comparison, after: Refit | None) -> Document:
    """The document, with what is to be known about the program and the fit."""
    problem, prediction = compared.problem, compared.prediction
    now = [*broken_limits(problem, prediction), *warnings_of(problem, prediction, prediction)]
    # Of a refit that is not relied on, a note on every peak would bury what the advice says.
    reliable = after is not None and after.reliable
    told = refit_notes(compared, after) if after is not None and reliable else problem.fit.warnings
    return {
        **compared_document(compared, after),
        "warnings": [*now, *compared.peaks.notes, *problem.scenario.warnings, *told],
    }


UNSUSPECTED = 2.0  # standard deviations of a deviation, within which a peak of the run is not called wrong


def refit_notes(compared: Comparison, after: Refit) -> list[str]:
    """Notes of the fit with the run added."""
    runs, names = [run.name for run in after.problem.scenario.runs], compared.prediction.compounds
    own = len(runs) - 1
    told = {
        f"{description(each, runs, names)} {mend(each, runs, names)}": each
        for each in after.problem.fit.suspects
    }
    notes = []
    for line in after.problem.fit.warnings:
        suspect = told.get(line)
        if suspect is not None and suspect.run == own:
            off = (compared.found - compared.prediction.retention) / compared.time_sd
            if abs(off[suspect.compound]) < UNSUSPECTED:
                continue
            suspect = _as_found(compared, suspect)
            line = f"{description(suspect, runs, names)} {mend(suspect, runs, names)}"
        notes.append(line)
    return notes


def _as_found(compared: Comparison, suspect: Suspect) -> Suspect:
    """A suspicion in times of the table, with one that may have been meant only where a single slip leads to it."""
    m = suspect.compound
    shift = 0.0 if compared.causes.cause is None else float(compared.causes.cause.shift[m])
    time, expected = float(compared.found[m]), suspect.expected + shift
    slip = intended_time(time, expected, suspect.expected_error)
    meant = slip.time if slip is not None and slip.telling else None
    kind = "foreign" if suspect.kind == "mistyped" and meant is None else suspect.kind
    return replace(suspect, kind=kind, time=time, expected=expected, intended=meant)
