"""Results as plain documents (dicts of numbers and text in trade units) for --json and the files left behind."""

from __future__ import annotations

import shlex
from dataclasses import asdict
from typing import Any

from models.units import SECONDS_PER_MINUTE, celsius
from optimizer.base.numbers import MINUTES, number
from optimizer.base.tables import written
from optimizer.scenario.conversion import tables_of
from optimizer.scenario.data import Scenario
from optimizer.scenario.program_tables import program_document
from optimizer.scenario.reading import SCENARIO_FILE

FORMAT = 1
Document = dict[str, Any]


def check_document(scenario: Scenario) -> Document:
    """The inputs of a scenario, key by key as its file has them, and what to do next without runs to fit."""
    room, instrument = scenario.ambient_pressure, scenario.instrument
    highest_start = scenario.inlet.highest_start
    return {
        "format": FORMAT,
        "title": scenario.title,
        "matching": scenario.matching,
        **{name: written(table, room) for name, table in tables_of(scenario).items()},
        "scouting_runs": [
            {
                "name": run.name,
                "peaks": len(run.peaks.compounds),
                "peaks_file": run.file or None,
                "columns": dict(run.columns),
                **asdict(run.detection),
                "hold_up_min": None if run.hold_up is None else MINUTES.written(run.hold_up),
                "repeatability_min": number(run.repeatability / SECONDS_PER_MINUTE),
                "amount_factor": run.amount_factor,
                "day": run.day or None,
                **program_document(run.program, room),
            }
            for run in scenario.runs
        ],
        "current": None if scenario.current is None else program_document(scenario.current, room),
        "analytes": [written(each) for each in scenario.analytes],
        "pairs": [written(each) for each in scenario.pairs],
        "columns": [written(each) for each in scenario.columns],
        "groups": [written(each) for each in scenario.groups],
        "compounds": [{"compound": name, "role": scenario.role(name)} for name in scenario.compounds],
        "leave_out": list(scenario.left_out),
        "pairs_counted": scenario.number_of_counted_pairs,
        "derived": {
            "phase_ratio": number(scenario.column.known_phase_ratio),
            "oven_C": [
                number(celsius(instrument.lowest_oven_temperature))
                if instrument.lowest_oven_temperature
                else None,
                number(celsius(instrument.oven_max)),
            ],
            "highest_start_C": None if highest_start is None else number(celsius(highest_start)),
        },
        "warnings": list(scenario.warnings),
        "next": None if scenario.runs else next_step(scenario),
    }


def command_of(scenario: Scenario, name: str) -> str:
    """A command with a scenario, as it is typed."""
    named = scenario.path.parent if scenario.path.name == SCENARIO_FILE else scenario.path
    return f"rampwright {name} {shlex.quote(str(named))}"


def next_step(scenario: Scenario) -> str:
    """Which command comes next."""
    fit, optimize, proposed = (command_of(scenario, name) for name in ("fit", "optimize", "next"))
    if len(scenario.runs) > 1:
        return f"{fit} shows what the runs tell; {optimize} --out results searches."
    if scenario.runs:
        return f"One scouting run is there; {proposed} says which one to make next."
    return f"No [[scouting_runs]] yet, and nothing to fit; {proposed} says which two to make first, one at a time."
