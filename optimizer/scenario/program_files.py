"""Programs back from the `candidates.json` that a search left behind."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from models.column.programs import Program
from optimizer.base.errors import ScenarioError
from optimizer.base.given_values import Given
from optimizer.base.manifest import differing_marks
from optimizer.base.output import undisturbed
from optimizer.base.tables import read_table
from optimizer.base.text_files import read_text
from optimizer.scenario.program_checks import no_flow
from optimizer.scenario.program_tables import ProgramTable, program_of

CANDIDATES_FILE = "candidates.json"


def candidates_file(results: Path) -> Path:
    """The candidates in a folder that `optimize` wrote, or in the file itself."""
    return results / CANDIDATES_FILE if results.is_dir() else results


def read_candidates(path: Path, ambient_pressure: float, most: int, outlet: float = 0.0) -> list[Program]:
    """The programs of the first candidates, one at least and `most` at most.

    Parameters
    ----------
    ambient_pressure : float  [Pa absolute], to which the gauge pressures of the file refer
    outlet : as for `reading.read_program`

    Raises
    ------
    ScenarioError : naming the file and what is wrong with it, such as one that is of another result than its folder's
    OutputError : when results that a killed run left half replaced cannot be put back
    """
    try:
        document: Any = json.loads(_text(path))
    except json.JSONDecodeError as error:
        raise ScenarioError(
            f"{path}, line {error.lineno}: is not JSON ({error.msg}); a candidates.json as optimize writes it was "
            "expected, a program in TOML is given with --program"
        ) from None
    except (RecursionError, ValueError):  # brackets nested without end; a number with thousands of digits
        raise ScenarioError(f"{path}: no candidates.json as optimize writes it") from None
    candidates = document.get("candidates") if isinstance(document, dict) else None
    if not isinstance(candidates, list):
        raise ScenarioError(
            f"{path}: holds no candidates; a candidates.json as optimize writes it was expected"
        )
    if not candidates or not all(isinstance(each, dict) for each in candidates[:most]):
        raise ScenarioError(f"{path}: its list of candidates holds no program")
    programs = []
    for number, candidate in enumerate(candidates[:most], 1):
        entry = {key: candidate.get(key) for key in ("oven", "carrier")}
        try:
            table = read_table(ProgramTable, entry, ambient_pressure)
        except ValidationError as error:
            first = error.errors(include_url=False)[0]
            place = ".".join(str(step) for step in first["loc"])
            raise ScenarioError(f"{path}: candidates[{number}].{place}: {first['msg']}") from None
        given = Given(table, entry, {}, ambient_pressure)
        below = next(no_flow("carrier", table.carrier, ambient_pressure, given, outlet), None)
        if below is not None:
            raise ScenarioError(f"{path}: candidates[{number}].{below}")
        programs.append(program_of(table.oven, table.carrier))
    return programs


def _text(path: Path) -> str:
    """The file, as part of one whole result where it lies in a folder of results."""
    if path.name != CANDIDATES_FILE or not path.parent.is_dir():
        return read_text(path)
    with undisturbed(path.parent):
        files = differing_marks(path.parent, "optimize")
        if files:
            marks = dict.fromkeys(files.values())
            each = (
                f"{', '.join(name for name in files if files[name] == mark)} ({mark or 'no mark'})"
                for mark in marks
            )
            raise ScenarioError(
                f"{path.parent}: its files are of different results, as their marks say: {'; '.join(each)}; what one "
                "says may not hold for another: run rampwright optimize into a new folder, or move the files of the "
                "other result elsewhere"
            )
        return read_text(path)
