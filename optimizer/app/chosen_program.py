"""The program that `--program`, or `--candidate` and `--results`, name: the same in every command that takes them."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from optimizer.base.errors import ScenarioError

if TYPE_CHECKING:
    from models.column.programs import Program
    from optimizer.scenario.data import Scenario


def chosen_program(
    scenario: Scenario, program: Path | None, candidate: int | None, results: Path | None
) -> tuple[Program, str]:
    """The program that the options name, or the scenario's own, and where it comes from, in words.

    Parameters
    ----------
    program : a program file
    candidate, results : rank of a candidate, 1 when None, and the folder that `optimize` wrote, or its candidates.json

    Raises
    ------
    ScenarioError : when options contradict each other, a file cannot be used, or there is no program
    """
    from optimizer.scenario.program_files import candidates_file, read_candidates
    from optimizer.scenario.reading import read_program

    if program is not None and (candidate is not None or results is not None):
        raise ScenarioError("--program and --candidate with --results both name a program; give one of them")
    if program is not None:
        return read_program(program, scenario.ambient_pressure), str(program)
    if results is not None:
        rank = 1 if candidate is None else candidate
        path = candidates_file(results)
        found = read_candidates(path, scenario.ambient_pressure, rank)
        if rank > len(found):
            raise ScenarioError(f"--candidate {rank}: {path} holds candidates 1 to {len(found)}")
        return found[rank - 1], f"{path}, candidate {rank}"
    if candidate is not None:
        raise ScenarioError(
            f"--candidate {candidate} is the rank of a candidate; name the folder that optimize wrote with --results"
        )
    if scenario.current is None:
        raise ScenarioError(
            f"{scenario.path}: there is no [current] table; add one, or name a program file with --program, or a "
            "candidate with --candidate N --results FOLDER"
        )
    return scenario.current, "[current]"
