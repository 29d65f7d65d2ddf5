"""Names for the peaks of a confirmation run that has none: proposed from its prediction, or read from a table."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from models.column.programs import Program
from models.fit.fit import Fit
from models.fit.matching import CONFIDENT, Matching, UnnamedRun, match_expected
from optimizer.base.errors import ScenarioError
from optimizer.base.numbers import minutes, number
from optimizer.base.output import write_atomically
from optimizer.goal.goal import measured_mean, problem_of
from optimizer.goal.predict import predict
from optimizer.goal.uncertainty import with_uncertainty
from optimizer.results.documents import Document
from optimizer.runs.peak_tables import PeakTable
from optimizer.scenario.peak_names import matching_text, named_by
from optimizer.scenario.reading import Scenario


def with_names(
    scenario: Scenario,
    fit: Fit,
    program: Program,
    path: Path,
    peaks: PeakTable,
    matching: Path | None,
    accept: bool,
) -> tuple[PeakTable, Document | None]:
    """The peaks with names; or a proposal, when there is nothing yet to name them by.

    Parameters
    ----------
    matching : a table that names them; written with the proposal when there is no such file
    accept : whether the proposed names are taken as they are

    Raises
    ------
    ScenarioError : when the table cannot be used, or names are given that are not needed
    OutputError : when the table cannot be written
    """
    if peaks.named:
        if matching is not None or accept:
            option = "--accept" if accept else "--matching"
            raise ScenarioError(
                f"{option}: all peaks of {path} have names already; there is nothing to propose"
            )
        return peaks, None
    if matching is not None and accept:
        raise ScenarioError(
            "--matching names a table to look through first, --accept takes the names as proposed; give one"
        )
    run = path.stem
    if matching is not None and matching.exists():
        named = named_by(matching, run, peaks, scenario.compounds)
        return _with_note(named, peaks, f"names of the run's peaks are from {matching}"), None
    found, names = _matched(scenario, fit, program, run, peaks)
    if accept:
        rows = np.flatnonzero(found.compound >= 0)
        if not len(rows):
            raise ScenarioError(f"{path}: none of its peaks is where a compound of the scenario should be")
        named = PeakTable(
            tuple(names[found.compound[n]] for n in rows),
            peaks.retention[rows],
            peaks.width_half[rows],
            peaks.area[rows],
            peaks.tailing[rows],
        )
        doubtful = int(np.sum(found.confidence[rows] < CONFIDENT))
        return _with_note(
            named,
            peaks,
            f"names of the run's peaks were proposed and accepted; {doubtful} of {len(rows)} are doubtful",
        ), None
    if matching is not None:
        rows_of = [
            (run, float(t), names[m] if m >= 0 else "", float(sure))
            for t, m, sure in zip(peaks.retention, found.compound, found.confidence, strict=True)
        ]
        write_atomically(matching, matching_text(rows_of).encode())
    return peaks, _document(scenario, path, peaks, found, names, matching)


def _with_note(named: PeakTable, peaks: PeakTable, note: str) -> PeakTable:
    left = len(peaks.retention) - len(named.retention)
    if left:
        note += f"; {left} of {len(peaks.retention)} peaks have no name and are left out"
    return replace(named, notes=(*peaks.notes, note))


def _matched(
    scenario: Scenario, fit: Fit, program: Program, run: str, peaks: PeakTable
) -> tuple[Matching, tuple[str, ...]]:
    """What is proposed, and the names it counts: those of compounds that elute."""
    problem = problem_of(scenario, fit)
    prediction, _ = with_uncertainty(problem, predict(problem, program))
    repeatability = float(np.median([each.repeatability for each in scenario.runs]))
    eluted = np.flatnonzero(np.isfinite(prediction.retention))
    error = np.hypot(np.nan_to_num(prediction.retention_sd[eluted]), repeatability)
    area = measured_mean(scenario, "area", np.nan)[eluted]
    unnamed = UnnamedRun(run, program, peaks.retention, peaks.area, repeatability)
    expected = prediction.retention[eluted]
    return match_expected(unnamed, area, expected, error), tuple(prediction.compounds[m] for m in eluted)


def _document(
    scenario: Scenario,
    path: Path,
    peaks: PeakTable,
    found: Matching,
    names: tuple[str, ...],
    table: Path | None,
) -> Document:
    """As the proposal of `fit`."""

    def name(m: int) -> str | None:
        return names[m] if m >= 0 else None

    without = [each for m, each in enumerate(names) if m not in found.compound]
    run = path.stem
    if table is None:
        to_go_on = [
            "Nothing has been compared: these names are a proposal. Compare again with",
            "  --accept                 to take them all, or with",
            f"  --matching {run}_names.csv  twice: first to write them to a table, and, that put right, to use it",
        ]
    else:
        to_go_on = [
            f"Nothing has been compared: these names are a proposal. They are written to {table}; put right there "
            "what is wrong, and compare again with the same options.",
        ]
    return {
        "format": 1,
        "title": scenario.title,
        "accepted": False,
        "table": None if table is None else str(table),
        "named_run": None,
        "matching": [
            {
                "run": run,
                "retention_min": minutes(t),
                "compound": name(m),
                "confidence": number(sure, 3),
                "doubtful": bool(sure < CONFIDENT),
                "or_else": (name(rival) or "no listed compound") if rival != m else None,
            }
            for t, m, sure, rival in zip(
                peaks.retention, found.compound, found.confidence, found.rival, strict=True
            )
        ],
        "without_peak": {run: without},
        "to_go_on": to_go_on,
        "warnings": [
            *(
                []
                if np.isfinite(peaks.area).any()
                else [f"run {run} has no areas: its peaks are told apart by their times alone"]
            ),
            *peaks.notes,
        ],
    }
