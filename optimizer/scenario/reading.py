"""Reading a scenario: from a folder of files in trade units to one checked, frozen `Scenario` in SI units."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from models.column.programs import Program
from models.column.system import ColumnSystem
from optimizer.base.errors import ScenarioError
from optimizer.base.given_values import Given
from optimizer.base.text_files import text_of
from optimizer.runs.blank import with_trace
from optimizer.runs.peak_tables import PeakTable
from optimizer.runs.run_files import read_run
from optimizer.scenario.checks import table_problems, table_warnings
from optimizer.scenario.conversion import detection_of, scenario_of
from optimizer.scenario.data import (
    Scenario,
)
from optimizer.scenario.messages import parse_file, parse_tables
from optimizer.scenario.peak_names import with_names
from optimizer.scenario.program_checks import no_flow, oven_problems
from optimizer.scenario.program_tables import ProgramTable, program_of
from optimizer.scenario.run_checks import run_problems, run_warnings, unseen_warnings
from optimizer.scenario.sample import left_out_problems, rules_without, without
from optimizer.scenario.schema import ScenarioTable, ScoutingRunTable

SCENARIO_FILE = "scenario.toml"


@dataclass(frozen=True)
class ScenarioFiles:
    """What a scenario's files hold, read and checked each by itself.

    Attributes
    ----------
    file : the scenario.toml
    given : its keys as the file has them
    peak_files, peaks : the peak table of each run; it may be without names
    """

    file: Path
    table: ScenarioTable
    given: Given
    peak_files: list[Path]
    peaks: list[PeakTable]


def load_scenario(path: Path | str, runs_needed: bool = True, matching: Path | None = None) -> Scenario:
    """The scenario in a folder (its scenario.toml) or a file, with the peak tables it names.

    Parameters
    ----------
    runs_needed : whether a scenario without scouting runs is an error
    matching : the table that names the peaks of unnamed runs; the scenario's when None

    Raises
    ------
    ScenarioError : with up to five lines, each naming file, key, value, what was expected and the likely slip
    """
    return _checked(read_files(path, runs_needed), path, matching)


def with_further_run(path: Path | str, raw: bytes, peaks: PeakTable) -> Scenario:
    """The scenario in a folder or file as it will be once `raw` is its text, which has one run more.

    Parameters
    ----------
    peaks : of that run, whose file need not be there yet

    Raises
    ------
    ScenarioError : as `load_scenario`
    """
    files = read_files(path, runs_needed=False)
    table, given = parse_tables(files.file, tomllib.loads(text_of(files.file, raw)), ScenarioTable)
    problems = [f"{files.file}: {problem}" for problem in table_problems(table, given)]
    if problems:
        raise ScenarioError(problems)
    file = files.file.parent / table.scouting_runs[-1].peaks
    wider = ScenarioFiles(files.file, table, given, [*files.peak_files, file], [*files.peaks, peaks])
    return _checked(wider, path, None)


def with_other_keys(path: Path | str, tree: dict[str, Any]) -> Scenario:
    """The scenario of a folder or file as it would be with other keys in it.

    Parameters
    ----------
    tree : the whole file as `tomllib` would give it

    Raises
    ------
    ScenarioError : as `load_scenario`
    """
    file = _scenario_file(Path(path))
    return _checked(_files_of(file, *parse_tables(file, tree, ScenarioTable)), path, None)


def _checked(files: ScenarioFiles, path: Path | str, matching: Path | None) -> Scenario:
    """The scenario in files, held against itself."""
    file, table = files.file, files.table
    peaks, nameless = with_names(files, path, matching)
    problems = [*left_out_problems(file, table, peaks)]
    if problems:
        raise ScenarioError(problems)
    scenario = scenario_of(file, table, [without(each, table.leave_out) for each in peaks])
    problems = run_problems(scenario, [str(each) for each in files.peak_files])
    if problems:
        raise ScenarioError(problems)
    scenario = _with_blank(rules_without(scenario))
    unseen = unseen_warnings(scenario, [name for name in table.compounds if name not in table.leave_out])
    read = [note for each in files.peaks for note in each.notes]
    last_peaks = [float(run.peaks.retention.max()) for run in scenario.runs]
    return replace(
        scenario,
        warnings=(
            *table_warnings(table, files.given, last_peaks),
            *run_warnings(scenario),
            *unseen,
            *nameless,
            *read,
        ),
    )


def _with_blank(scenario: Scenario) -> Scenario:
    """The scenario with what a blank's trace says of the bleed, where it names one."""
    bleed, column = scenario.bleed, scenario.column
    if bleed is None or bleed.trace is None:
        return scenario
    system = ColumnSystem(column, scenario.gas, scenario.outlet_pressure, column.free_bore_factor)
    program = next(run.program for run in scenario.runs if run.name == bleed.like_run)
    folder, make_up = scenario.path.parent, scenario.detector.make_up
    return replace(scenario, bleed=with_trace(bleed, folder, system, program, make_up))


def read_files(path: Path | str, runs_needed: bool = True) -> ScenarioFiles:
    """The files of a scenario, before anything is checked between them.

    Raises
    ------
    ScenarioError : as `load_scenario`
    """
    file = _scenario_file(Path(path))
    files = _files_of(file, *parse_file(file, ScenarioTable))
    if runs_needed and not files.table.scouting_runs:
        raise ScenarioError(
            f"{file}: there are no [[scouting_runs]] yet, and there is nothing to fit without one; rampwright next "
            f"{path} says which two to make first"
        )
    return files


def _files_of(file: Path, table: ScenarioTable, given: Given) -> ScenarioFiles:
    """The checked table of a file with the peak tables that it names."""
    problems = [f"{file}: {problem}" for problem in table_problems(table, given)]
    if problems:
        raise ScenarioError(problems)
    peak_files = [file.parent / run.peaks for run in table.scouting_runs]
    return ScenarioFiles(file, table, given, peak_files, _read_all(file, table.scouting_runs))


def read_program(path: Path | str, ambient_pressure: float, outlet: float = 0.0) -> Program:
    """The program in a TOML file that holds the two tables `oven` and `carrier`.

    Parameters
    ----------
    ambient_pressure : float  [Pa absolute], to which the gauge pressures of the file refer
    outlet : float  [Pa absolute], of the column, 0 if unknown: see `no_flow`

    Raises
    ------
    ScenarioError : as `load_scenario`
    """
    file = Path(path)
    return _program(file, *parse_file(file, ProgramTable, ambient_pressure), ambient_pressure, outlet)


def program_of_tables(
    tables: Mapping[str, Any], ambient_pressure: float, origin: str = "program", outlet: float = 0.0
) -> Program:
    """The program in two tables `oven` and `carrier`, as a program file holds them.

    Parameters
    ----------
    ambient_pressure : float  [Pa absolute], to which the gauge pressures of the tables refer
    origin : what messages call it
    outlet : as for `read_program`

    Raises
    ------
    ScenarioError : as `load_scenario`
    """
    table, given = parse_tables(origin, _plain(tables), ProgramTable, ambient_pressure)
    return _program(origin, table, given, ambient_pressure, outlet)


def _plain(value: Any) -> Any:
    """Tables and lists of any kind, and numbers of numpy, as a TOML file would give them."""
    if isinstance(value, Mapping):
        return {key: _plain(each) for key, each in value.items()}
    if isinstance(value, tuple | list):
        return [_plain(each) for each in value]
    return value.item() if isinstance(value, np.generic) else value


def _program(
    file: Path | str, table: ProgramTable, given: Given, ambient_pressure: float, outlet: float
) -> Program:
    problems = [
        *oven_problems("oven", table.oven, given),
        *no_flow("carrier", table.carrier, ambient_pressure, given, outlet),
    ]
    if problems:
        raise ScenarioError([f"{file}: {problem}" for problem in problems])
    return program_of(table.oven, table.carrier)


def _scenario_file(path: Path) -> Path:
    if not path.is_dir():
        return path
    file = path / SCENARIO_FILE
    if not file.exists():
        others = sorted(each.name for each in path.glob("*.toml"))
        hint = f"; it holds {', '.join(others)}, name one of them" if others else ""
        raise ScenarioError(f"{path}: this folder holds no {SCENARIO_FILE}{hint}")
    return file


def _read_all(file: Path, runs: Sequence[ScoutingRunTable]) -> list[PeakTable]:
    """The peaks of all runs, or what is wrong with any of them in one error."""
    tables: list[PeakTable] = []
    problems: list[str] = []
    for number, run in enumerate(runs, 1):
        origin = f"{file}: scouting_runs[{number}].peaks"
        try:
            tables.append(read_run(file.parent / run.peaks, origin, detection_of(run), run.columns.stated))
        except ScenarioError as error:
            problems += error.problems
    if problems:
        raise ScenarioError(problems)
    return tables
