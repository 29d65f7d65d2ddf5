"""A compared run as files for the next step: its program, the re-tuned one, and the run as a scouting run."""

from __future__ import annotations

import json
import textwrap

from models.units import SECONDS_PER_MINUTE
from optimizer.base.inline_toml import inline_toml
from optimizer.base.numbers import minutes, number
from optimizer.goal.outcome import Candidate
from optimizer.methods.compare import Comparison
from optimizer.methods.compare_refit import day_of
from optimizer.results.adapt import program_file
from optimizer.results.candidate import csv_bytes
from optimizer.results.compare_words import verdict_line
from optimizer.results.documents import program_document
from optimizer.runs.peak_tables import COLUMNS

RUN_TABLE = "scouting_run.csv"
LINE = 110  # characters of a comment


def next_files(compared: Comparison, tuned: Candidate | None, tuned_for: str | None) -> dict[str, bytes]:
    """program.toml, tuned.toml where there is one, scouting_run.toml and its peak table.

    Parameters
    ----------
    tuned_for : what the re-tuned program rests on, where that is to be known
    """
    system, ambient = compared.problem.fit.system, compared.problem.scenario.ambient_pressure
    files = {
        "program.toml": program_file(compared.prediction.program, system, ambient),
        "scouting_run.toml": _as_scouting_run(compared).encode(),
        RUN_TABLE: csv_bytes(COLUMNS, _rows(compared)),
    }
    if tuned is not None:
        head = "" if tuned_for is None else "\n".join(_comment(tuned_for)) + "\n"
        files["tuned.toml"] = head.encode() + program_file(tuned.prediction.program, system, ambient)
    return files


def _as_scouting_run(compared: Comparison) -> str:
    """The run as it stands in a scenario file."""
    scenario = compared.problem.scenario
    taken = {run.name for run in scenario.runs}
    name = compared.name if compared.name not in taken else f"{compared.name}, confirmation"
    head = [
        f"To paste into scenario.toml; {RUN_TABLE} goes beside it. Then the fit counts this run in every command."
    ]
    if compared.verdict in ("misnamed", "drifts", "departs"):
        head.append(f"Not before this is put right: {verdict_line(compared)}")
    lines = [
        *(line for sentence in head for line in _comment(sentence)),
        "",
        "[[scouting_runs]]",
        f"name = {json.dumps(name, ensure_ascii=False)}",
        f'peaks = "{RUN_TABLE}"',
        f"{'# hold_up_min =':<30} # put the measured hold-up time here and take the first # away",
        f"repeatability_min = {number(compared.repeatability / SECONDS_PER_MINUTE)}",
        f"day = {json.dumps(day_of(name), ensure_ascii=False)}",
        *(
            f"{key} = {inline_toml(table)}"
            for key, table in program_document(compared.prediction.program, scenario.ambient_pressure).items()
        ),
    ]
    return "\n".join(lines) + "\n"


def _rows(compared: Comparison) -> list[dict[str, str | float | None]]:
    """The run's peaks of the scenario's compounds as they were given, none mended."""
    peaks = compared.peaks.only(compared.prediction.compounds)
    return [
        dict(
            zip(
                COLUMNS,
                (
                    name,
                    minutes(peaks.retention[row]),
                    number(peaks.width_half[row] / SECONDS_PER_MINUTE),
                    number(peaks.area[row], 6),
                    number(peaks.tailing[row]),
                ),
                strict=True,
            )
        )
        for row, name in enumerate(peaks.compounds)
    ]


def _comment(sentence: str) -> list[str]:
    """A sentence as comment lines."""
    return [f"# {line}" for line in textwrap.wrap(sentence, LINE)]
