"""What `scout` hands on: the runs to make next, or first, as a document and as text for the scenario file."""

from __future__ import annotations

from collections.abc import Sequence

from models.column.programs import Program
from models.column.system import ColumnSystem
from optimizer.base.given_values import inline_toml
from optimizer.base.tables import Shown, document_of
from optimizer.goal.cautions import cautions, cautions_in_brief
from optimizer.methods.scout_programs import SPREAD, FirstRun
from optimizer.results.documents import FORMAT, Document
from optimizer.results.set_points import program_file, set_point_lines
from optimizer.scenario.data import Scenario
from optimizer.scenario.program_tables import program_document

HOLD_UP_ADVICE = (
    "Measure the hold-up time in each run: inject a little of a gas or vapour that the column does not hold and the "
    "detector sees (methane, or air with a mass spectrometer), and enter its time as hold_up_min. A computed one is "
    "only as right as the entered length and bore."
)


def first_notes(scenario: Scenario, runs: Sequence[FirstRun]) -> list[str]:
    """How to make the first two runs, in sentences."""
    listed = f"; compounds: {', '.join(scenario.compounds)}" if scenario.compounds else ""
    notes = [
        HOLD_UP_ADVICE,
        f"Each run gets a peak table with the headings compound, retention_min, width_half_min and area{listed}.",
    ]
    if any(run.clipped for run in runs):
        notes.append(
            "The fast run is as fast as the oven can heat; the slow one is slower than usual, to keep the rates a "
            f"factor of {SPREAD:g} apart."
        )
    notes += [
        "Run both on one day, on one column, with the same sample. Widths tell how many plates the column has, areas "
        "which peak is which.",
        "If a peak is still missing at the end, lengthen the last hold of both runs rather than heat further.",
    ]
    return notes


def first_document(scenario: Scenario, runs: Sequence[FirstRun]) -> Document:
    """Two runs to begin with."""
    return {
        "format": FORMAT,
        "title": scenario.title,
        "job": "first runs",
        "compounds": list(scenario.compounds),
        "runs": [
            {
                **document_of(run, scenario.ambient_pressure),
                "set_points": list(
                    set_point_lines(run.program, scenario.ambient_pressure, column=scenario.column)
                ),
            }
            for run in runs
        ],
        "to_paste": first_text(scenario, runs),
        "notes": first_notes(scenario, runs),
        "warnings": list(scenario.warnings),
        "cautions": list(cautions_of(scenario, [run.program for run in runs])),
    }


def first_text(scenario: Scenario, runs: Sequence[FirstRun]) -> str:
    """The runs as they stand in a scenario file."""
    lines = [
        _run_lines(scenario, run.name, run.program, f"# hold_up_min = {Shown(run).hold_up}") for run in runs
    ]
    return "\n".join(lines)


def next_text(scenario: Scenario, program: Program) -> str:
    """The next run as it stands in a scenario file."""
    return _run_lines(scenario, _new_name(scenario), program, "# hold_up_min =")


def cautions_of(scenario: Scenario, programs: Sequence[Program]) -> tuple[str, ...]:
    """What to know before these runs."""
    return cautions(scenario, programs, _largest_flow(scenario, programs))


def cautions_shown(scenario: Scenario, programs: Sequence[Program]) -> tuple[str, ...]:
    """The same with one line for what every run asks for."""
    return cautions_in_brief(scenario, programs, _largest_flow(scenario, programs))


def _largest_flow(scenario: Scenario, programs: Sequence[Program]) -> float | None:
    """The largest total flow [m3/s] at the stated split ratio; None where pressures or velocities are set."""
    if any(program.carrier.controlled != "flow" for program in programs):
        return None
    flows = [float(max(program.carrier.knots()[1])) for program in programs]
    return scenario.inlet.total_flow(max(flows)) if flows else None


def _new_name(scenario: Scenario) -> str:
    """A name that no run has yet."""
    taken = {run.name for run in scenario.runs}
    return next(f"run {n}" for n in range(len(taken) + 1, 2 * len(taken) + 3) if f"run {n}" not in taken)


def _run_lines(scenario: Scenario, name: str, program: Program, hold_up: str) -> str:
    """A run as it stands in a scenario file."""
    document = program_document(program, scenario.ambient_pressure)
    lines = [
        "[[scouting_runs]]",
        f'name = "{name}"',
        f'peaks = "{name.replace(" ", "_")}.csv"',
        f"{hold_up:<30} # put the measured hold-up time here and take the first # away",
        *(f"{key} = {inline_toml(table)}" for key, table in document.items()),
        "",
    ]
    return "\n".join(lines)


def program_files(scenario: Scenario, programs: Sequence[Program]) -> dict[str, bytes]:
    """The programs of runs to make, for `--program`, by the number that each run then has."""
    system = ColumnSystem(scenario.column, scenario.gas, scenario.outlet_pressure)
    first = len(scenario.runs) + 1
    return {
        f"run_{n}.toml": program_file(program, system, scenario.ambient_pressure)
        for n, program in enumerate(programs, first)
    }


def toml_file(to_paste: str) -> bytes:
    """The runs to paste into a scenario file."""
    head = (
        "# As rampwright add puts the runs into scenario.toml once they are made, the peak tables beside it."
    )
    return f"{head}\n\n{to_paste}".encode()
