"""Names proposed for peaks that have none: what `rampwright fit` shows before it fits such a scenario."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from models.column.system import ColumnSystem
from models.fit.fit import Run
from models.fit.matching import CONFIDENT, Matching, UnnamedRun, match_peaks
from optimizer.base.errors import ScenarioError, UnnamedPeaks
from optimizer.base.numbers import MINUTES, number
from optimizer.base.output import OutputError, write_atomically
from optimizer.runs.peak_tables import PeakTable
from optimizer.scenario.conversion import scenario_of
from optimizer.scenario.data import Scenario, ScoutingRun
from optimizer.scenario.peak_names import ACCEPTED_FILE, matching_text
from optimizer.scenario.reading import read_files
from optimizer.scenario.run_checks import run_problems

if TYPE_CHECKING:
    from rich.console import Console


WITHOUT_AREAS = "run {} has no areas: its peaks are told apart by their times alone"
ProposedRow = tuple[str, float, str, float, str]


@dataclass(frozen=True)
class Proposal:
    """A matching for each run whose peaks have no names, to the one run whose peaks have.

    Attributes
    ----------
    scenario : Scenario whose unnamed runs have peak tables without names; unchecked but for the named run
    named : the run with names
    runs, matchings : the others, and what is proposed for each
    """

    scenario: Scenario
    named: ScoutingRun
    runs: tuple[ScoutingRun, ...]
    matchings: tuple[Matching, ...]

    @property
    def rows(self) -> list[ProposedRow]:
        """Those of every run."""
        names = self.named.peaks.compounds
        return [
            row
            for run, matching in zip(self.runs, self.matchings, strict=True)
            for row in rows_of(run.name, run.peaks, matching, names)
        ]


def rows_of(run: str, peaks: PeakTable, matching: Matching, compounds: tuple[str, ...]) -> list[ProposedRow]:
    """Run, retention time [s], compound or "", confidence, and what else it might be, peak by peak."""
    names = (*compounds, "")  # index -1 is no compound
    return [
        (run, float(t), names[m], float(sure), names[rival] or "no listed compound" if rival != m else "")
        for t, m, sure, rival in zip(
            peaks.retention, matching.compound, matching.confidence, matching.rival, strict=True
        )
    ]


def row_documents(rows: list[ProposedRow]) -> list[dict[str, Any]]:
    """Proposed names as JSON has them."""
    return [
        {
            "run": run,
            "retention_min": MINUTES.written(t),
            "compound": compound or None,
            "confidence": number(sure, 3),
            "doubtful": sure < CONFIDENT,
            "or_else": rival or None,
        }
        for run, t, compound, sure, rival in rows
    ]


def proposal_of(path: Path | str) -> Proposal | None:
    """What is proposed for a scenario; None when it needs no proposal.

    Raises
    ------
    ScenarioError : when the files cannot be used, or not exactly one run has names
    """
    files = read_files(path)
    named = [n for n, peaks in enumerate(files.peaks) if peaks.named]
    if len(named) == len(files.peaks) or files.table.matching is not None:
        return None
    if len(named) != 1:
        what = (
            "no run has a peak table with names"
            if not named
            else f"{len(named)} runs have names and others none"
        )
        raise ScenarioError(
            f"{files.file}: {what}; expected exactly one named run, to which the others are matched"
        )
    scenario = scenario_of(files.file, files.table, files.peaks)
    run = scenario.runs[named[0]]
    problems = run_problems(replace(scenario, runs=(run,)), [str(files.peak_files[named[0]])])
    if problems:
        raise ScenarioError(problems)
    others = tuple(each for each in scenario.runs if each is not run)
    system = ColumnSystem(scenario.column, scenario.gas, scenario.outlet_pressure)
    peaks = run.peaks
    named_run = Run(
        run.name, run.program, peaks.retention, peaks.width_half, run.repeatability, run.hold_up, peaks.area
    )
    unnamed = [
        UnnamedRun(r.name, r.program, r.peaks.retention, r.peaks.area, r.repeatability, r.hold_up)
        for r in others
    ]
    return Proposal(scenario, run, others, match_peaks(system, named_run, unnamed, scenario.flow_correction))


def names_for(path: Path, table: Path | None, accept: bool) -> Path | None:
    """The table with the accepted names of a scenario's peaks; None where they have names.

    Parameters
    ----------
    table : where to write the proposed table; when None it is written only if accepted, beside the scenario

    Raises
    ------
    UnnamedPeaks : with what is proposed, unless it is accepted
    ScenarioError, OutputError : as `proposal_of` and `write_matching`; when there is nothing to propose but a table
        or acceptance was asked for
    """
    proposal = proposal_of(path)
    if proposal is None:
        if accept or table is not None:
            option = "--accept" if accept else "--matching"
            raise ScenarioError(
                f"{option}: there is nothing to propose, as the peaks of {path} are named, in their tables or by the "
                "table that the key matching gives; take that key out to have names proposed anew"
            )
        return None
    file = proposal.scenario.path.parent / ACCEPTED_FILE if accept and table is None else table
    if file is not None:
        write_matching(proposal, file)
    if accept:
        return file
    runs = " and run ".join(repr(run.name) for run in proposal.runs)
    written = "" if file is None else f"; proposed ones are written to {file}"
    raise UnnamedPeaks(
        f"{path}: the peaks of run {runs} have no names{written}; have them proposed with --matching, or accepted with "
        "--accept",
        proposal_document(proposal, file, path),
    )


def write_matching(proposal: Proposal, file: Path) -> None:
    """Write the proposed table.

    Raises
    ------
    OutputError : when there is such a file already, or it cannot be written
    """
    if file.exists():
        use = ""
        if file.parent == proposal.scenario.path.parent:
            use = f'to fit with its names, put the line matching = "{file.name}" at the top of the scenario; else '
        raise OutputError(
            f"{file}: is there already and is not overwritten; {use}name another file, or move it away"
        )
    write_atomically(file, matching_text([row[:4] for row in proposal.rows]).encode())


def proposal_document(proposal: Proposal, file: Path | None, scenario: Path) -> dict[str, Any]:
    """The proposal for --json; `file` is the table it was written to, `scenario` as the person named it."""
    missing = {
        run.name: [
            name for m, name in enumerate(proposal.named.peaks.compounds) if m not in matching.compound
        ]
        for run, matching in zip(proposal.runs, proposal.matchings, strict=True)
    }
    without_areas = [
        run.name for run in (proposal.named, *proposal.runs) if not np.isfinite(run.peaks.area).any()
    ]
    return {
        "format": 1,
        "title": proposal.scenario.title,
        "accepted": False,
        "table": None if file is None else str(file),
        "named_run": proposal.named.name,
        "matching": row_documents(proposal.rows),
        "without_peak": missing,
        "to_go_on": _how_to_go_on(file, scenario),
        "warnings": [
            *map(WITHOUT_AREAS.format, without_areas),
            *(note for run in (proposal.named, *proposal.runs) for note in run.peaks.notes),
        ],
    }


def show_proposal(console: Console, document: dict[str, Any]) -> None:
    """The proposal as a table, the doubtful matches, and how to go on."""
    from optimizer.show.console.campaign import show_names

    show_names(console, _origin(document), document["matching"])
    doubtful = sum(row["doubtful"] for row in document["matching"])
    console.print(
        f"{doubtful} of {len(document['matching'])} matches are doubtful (below {100 * CONFIDENT:.0f} %)."
    )
    for run, names in document["without_peak"].items():
        if names:
            console.print(f"Without a peak in run {run}: {', '.join(names)}.", markup=False)
    for warning in document["warnings"]:
        console.print(f"Warning: {warning}.", markup=False)
    console.print("\n".join(document["to_go_on"]), markup=False, soft_wrap=True)


def _origin(document: dict[str, Any]) -> str:
    run = document["named_run"]
    return "the prediction" if run is None else f"run {run}"


def _how_to_go_on(table: Path | None, scenario: Path) -> list[str]:
    """Lines on the two ways to accept."""
    first = "Nothing has been fitted: these names are a proposal."
    if table is not None:
        return [
            f"{first} They are written to {table}; put right there what is wrong, then name the table at the top of "
            "the scenario (its path is taken from the scenario's folder):",
            f'  matching = "{table.name}"',
        ]
    folder = scenario if scenario.is_dir() else scenario.parent
    if (folder / ACCEPTED_FILE).exists():
        return [
            f"{first} {folder / ACCEPTED_FILE} is there already, perhaps accepted before; to fit with its names, put "
            "this line at the top of the scenario:",
            f'  matching = "{ACCEPTED_FILE}"',
            "To have these names written instead, move that file away first.",
        ]
    return [
        f"{first} To write them to a table, put right what is wrong, and name it at the top of the scenario:",
        f"  rampwright fit {scenario} --matching {folder / ACCEPTED_FILE}",
        f'  matching = "{ACCEPTED_FILE}"',
        f"Or to accept them all, which writes {ACCEPTED_FILE} beside the scenario and fits:",
        f"  rampwright fit {scenario} --accept",
    ]
