"""A run that was made, as it is put into a scenario and taken out again."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from models.column.programs import Program
from models.units import SECONDS_PER_MINUTE
from optimizer.base.errors import ScenarioError
from optimizer.base.interruption import postponed
from optimizer.base.output import OutputError, write_atomically
from optimizer.base.text_files import read_bytes
from optimizer.campaign.history import AddedRun, Campaign, read_campaign, sha256
from optimizer.methods.compare_refit import day_of
from optimizer.methods.scout_programs import FirstRun, first_runs, same_program
from optimizer.results.candidate import csv_bytes
from optimizer.runs.peak_tables import COLUMNS, PeakTable
from optimizer.scenario.data import Scenario, ScoutingRun
from optimizer.scenario.program_tables import program_document
from optimizer.scenario.reading import with_further_run
from optimizer.scenario.scenario_edit import added_text, with_run, without

SCOUTING = 2  # runs that a campaign begins with, usually made on one day
OFTEN = 1000  # times that one scenario has runs put in

Save = Callable[[Campaign], None]


def first_to_make(scenario: Scenario) -> tuple[FirstRun, ...]:
    """Those of the runs that a campaign begins with that are still to be made."""
    runs = [
        each
        for each in first_runs(scenario)
        if not any(same_program(scenario, each.program, run.program) for run in scenario.runs)
    ]
    return tuple(runs[: SCOUTING - len(scenario.runs)])


@dataclass(frozen=True)
class NewRun:
    """A run ready to be put in.

    Attributes
    ----------
    run : as it will stand in the scenario
    former, written : the scenario's text before and after
    table : its peak table, as it will stand in the scenario's folder
    """

    run: ScoutingRun
    former: bytes
    written: bytes
    table: bytes


def new_run(
    scenario: Scenario,
    path: Path,
    peaks: PeakTable,
    program: Program,
    as_it_is: bool,
    name: str | None,
    day: str | None,
    hold_up_min: float | None,
) -> NewRun:
    """A run with named peaks, checked to be one that the scenario can hold.

    Parameters
    ----------
    path : its peak table or trace
    as_it_is : whether that file is a peak table with names, which is copied unless it holds other compounds

    Raises
    ------
    ScenarioError : when it cannot be right, or is in the scenario already
    """
    refuse_known(scenario, path, peaks, program)
    kept = peaks.only(scenario.compounds) if scenario.runs else peaks
    run = scouting_run(scenario, path, kept, program, name, day, hold_up_min)
    former = read_bytes(scenario.path)
    written = with_run(scenario.path, former, run_document(scenario, run))
    with_further_run(scenario.path, written, kept)  # what would not be read again is not written
    whole = as_it_is and len(kept.compounds) == len(peaks.compounds)
    return NewRun(run, former, written, read_bytes(path) if whole else table_of(kept))


def put_in(scenario: Scenario, new: NewRun, origin: str, save: Save) -> Path:
    """Write the run into the scenario's folder and file; the former version's file.

    Parameters
    ----------
    origin : where its program comes from, in words
    save : writes a history

    Raises
    ------
    OutputError : when a file cannot be written, or the scenario was changed meanwhile
    """
    path = scenario.path
    table = path.parent / new.run.file
    if table.exists() or read_bytes(path) != new.former:
        raise OutputError(
            f"{path}: was changed by somebody else meanwhile; nothing was written, look at the run again"
        )
    versions = (path.with_name(f"{path.name}.former-{n}") for n in range(1, OFTEN))
    former = next(each for each in versions if not each.exists())
    known = read_campaign(scenario)
    added = AddedRun(
        new.run.name,
        table.name,
        sha256(new.table),
        former.name,
        sha256(new.former),
        added_text(new.former, new.written).decode(),
        origin,
    )
    # The scenario comes last: until it is replaced, in one step, nothing refers to what was written before.
    with postponed():
        try:
            write_atomically(table, new.table)
            write_atomically(former, new.former)
            save(replace(known, added=(*known.added, added)))
            write_atomically(path, new.written, new.former)
        except BaseException:
            for each in (table, former):
                with suppress(OSError):
                    each.unlink(missing_ok=True)
            raise
    return former


def take_out(scenario: Scenario, save: Save) -> str:
    """Undo the last `put_in`; what was done, in a sentence.

    Raises
    ------
    ScenarioError : when no run was put in, or its part of the file was changed since
    OutputError : when a file cannot be written
    """
    known, path = read_campaign(scenario), scenario.path
    if not known.added:
        raise ScenarioError(
            f"{path}: holds no run that was put in by rampwright add; there is nothing to undo"
        )
    last, now = known.added[-1], read_bytes(path)
    before = without(now, last.text.encode())
    if before is None:
        raise ScenarioError(
            f"{path}: the table of run {last.run!r} was changed since it was put in; take it out by hand, or go back "
            f"to the former version, {last.former}"
        )
    kept = []
    with postponed():
        write_atomically(path, before, now)
        for name, sha in ((last.peaks, last.peaks_sha256), (last.former, last.former_sha256)):
            file = path.parent / name
            if file.is_file() and sha256(file.read_bytes()) == sha:
                file.unlink()
            elif file.exists():
                kept.append(name)
        save(replace(known.until(len(scenario.runs) - 1), added=known.added[:-1]))
    stays = f"; {' and '.join(kept)} stay, as they were changed since" if kept else ""
    return f"{path}: run {last.run!r} is taken out again{stays}."


def refuse_known(scenario: Scenario, path: Path, peaks: PeakTable, program: Program) -> None:
    """No run twice: it would count as if it had been repeated."""
    for run in scenario.runs:
        same = run.peaks.compounds == peaks.only(scenario.compounds).compounds
        if same and np.array_equal(run.peaks.retention, peaks.only(scenario.compounds).retention):
            raise ScenarioError(
                f"{path}: holds the same times as run {run.name!r} of {scenario.path}, to the last digit"
                + ("" if same_program(scenario, run.program, program) else ", though with another program")
                + "; is it in already?"
            )


def scouting_run(
    scenario: Scenario,
    path: Path,
    peaks: PeakTable,
    program: Program,
    name: str | None,
    day: str | None,
    hold_up_min: float | None,
) -> ScoutingRun:
    """The run as it will stand in the scenario, under a name and with a file that no other has."""
    names = {run.name for run in scenario.runs}
    if name is not None and (name in names or not name.strip()):
        raise ScenarioError(f"--name {name}: expected a name that no run of {scenario.path} has")
    called = name or next(
        each for each in (path.stem, *(f"{path.stem} {n}" for n in range(2, OFTEN))) if each not in names
    )
    stem = "".join(c if c.isalnum() or c in "-_" else "_" for c in called)
    taken = {each.name.lower() for each in scenario.path.parent.iterdir()}
    files = (f"{stem}.csv", *(f"{stem}_{n}.csv" for n in range(2, OFTEN)))
    file = next(each for each in files if each.lower() not in taken)
    usual = "" if len(scenario.runs) < SCOUTING else day_of(called)
    repeatability = np.median([run.repeatability for run in scenario.runs]) if scenario.runs else np.nan
    hold_up = None if hold_up_min is None else hold_up_min * SECONDS_PER_MINUTE
    label = usual if day is None else day
    return ScoutingRun(called, program, peaks, hold_up, float(repeatability), label, file)


def run_document(scenario: Scenario, run: ScoutingRun) -> dict[str, Any]:
    """The run as a table of the scenario file."""
    document: dict[str, Any] = {"name": run.name, "peaks": run.file}
    if run.hold_up is not None:
        document["hold_up_min"] = run.hold_up / SECONDS_PER_MINUTE
    if np.isfinite(run.repeatability):
        document["repeatability_min"] = run.repeatability / SECONDS_PER_MINUTE
    if run.amount_factor != 1:
        document["amount_factor"] = run.amount_factor
    if run.day:
        document["day"] = run.day
    return {**document, **program_document(run.program, scenario.ambient_pressure)}


def table_of(peaks: PeakTable) -> bytes:
    """A peak table with all digits that count."""

    def cell(value: float, form: str) -> str | float | None:
        return format(value, form) if np.isfinite(value) else None

    columns = zip(peaks.compounds, peaks.retention, peaks.width_half, peaks.area, peaks.tailing, strict=True)
    rows = []
    for name, t, w, area, tailing in columns:
        minutes = (cell(each / SECONDS_PER_MINUTE, ".5f") for each in (t, w))
        cells = (name, *minutes, cell(area, ".6g"), cell(tailing, ".4g"))
        rows.append(dict(zip(COLUMNS, cells, strict=True)))
    return csv_bytes(COLUMNS, rows)
