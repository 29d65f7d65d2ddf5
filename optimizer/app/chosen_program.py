"""The program that a person means, however it is given: the same for every function and command that takes one."""

from __future__ import annotations

from collections.abc import Mapping
from os import PathLike, fspath
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple, TypeAlias

from models.column.programs import Program
from models.errors import InvalidInputError
from optimizer.base.errors import ScenarioError, as_arguments
from optimizer.scenario.data import Scenario
from optimizer.scenario.program_files import candidates_file, read_candidates
from optimizer.scenario.reading import program_of_tables, read_program

if TYPE_CHECKING:
    from optimizer.app.interface_results import Predicted
    from optimizer.goal.outcome import Candidate

MOST_CANDIDATES = 50  # that a search leaves behind
AnyPath: TypeAlias = str | PathLike[str]
AnyProgram: TypeAlias = "Program | Chosen | Candidate | Predicted | Mapping[str, Any] | AnyPath"


class Chosen(NamedTuple):
    """A program, and where it comes from, in words."""

    program: Program
    origin: str


def chosen(scenario: Scenario, program: AnyProgram | None = None) -> Chosen:
    """The program a person means; the scenario's [current] when None.

    Raises
    ------
    ScenarioError : when it cannot be used, or there is none
    """
    if program is None:
        if scenario.current is None:
            raise ScenarioError(f"{scenario.path}: there is no [current] table; add one, or give a program")
        return Chosen(scenario.current, "[current]")
    if isinstance(program, Chosen):
        return program
    if isinstance(program, Program):
        return Chosen(program, "program")
    if isinstance(program, Mapping):
        return Chosen(
            program_of_tables(program, scenario.ambient_pressure, outlet=scenario.outlet_pressure), "program"
        )
    if isinstance(program, str | PathLike):
        with as_arguments():
            return Chosen(
                read_program(Path(program), scenario.ambient_pressure, scenario.outlet_pressure),
                fspath(program),
            )
    from optimizer.app.interface_results import Predicted
    from optimizer.goal.outcome import Candidate

    if isinstance(program, Candidate):
        return Chosen(program.prediction.program, f"candidate {program.rank}")
    if isinstance(program, Predicted):
        return Chosen(program.program, "program")
    raise InvalidInputError(
        f"program: expected a Program, a candidate, its tables oven and carrier, or the path of a program file, not "
        f"{type(program).__name__}"
    )


def starts_of(scenario: Scenario, given: AnyProgram | None) -> list[Program]:
    """Programs to start a search from: one as for `chosen`, or all candidates in a folder that `optimize` wrote.

    Raises
    ------
    ScenarioError : when they cannot be used
    """
    if given is None:
        return []
    if isinstance(given, str | PathLike):
        path = Path(given)
        if path.is_dir() or path.suffix == ".json":
            with as_arguments():
                return read_candidates(
                    candidates_file(path),
                    scenario.ambient_pressure,
                    MOST_CANDIDATES,
                    scenario.outlet_pressure,
                )
    return [chosen(scenario, given).program]


def kept_candidate(scenario: Scenario, results: AnyPath, rank: int = 1) -> Chosen:
    """A candidate of a search that `optimize` left behind; 1 is the best.

    Parameters
    ----------
    results : the folder that it wrote, or its candidates.json

    Raises
    ------
    ScenarioError : when the folder cannot be used, or has no such candidate
    """
    path = candidates_file(Path(results))
    with as_arguments():
        found = read_candidates(path, scenario.ambient_pressure, rank, scenario.outlet_pressure)
        if rank > len(found):
            raise ScenarioError(f"--candidate {rank}: {path} holds candidates 1 to {len(found)}")
    return Chosen(found[rank - 1], f"{path}, candidate {rank}")
