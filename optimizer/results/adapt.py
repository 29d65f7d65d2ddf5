"""What `adapt` hands on: an adapted or trimmed method as a document, and the program as a file."""

from __future__ import annotations

from typing import Any

import numpy as np

from models.column.programs import Program
from models.column.system import ColumnSystem
from models.units import PA_PER_KPA, SECONDS_PER_MINUTE, celsius, flow_mL_min
from optimizer.base.inline_toml import inline_toml
from optimizer.goal.cautions import cautions
from optimizer.goal.goal import Problem
from optimizer.goal.outcome import Prediction
from optimizer.methods.adapt import Adapted, swapped_pairs
from optimizer.methods.trim import Trimmed
from optimizer.results.documents import (
    FORMAT,
    Document,
    minutes,
    number,
    prediction_document,
    program_document,
)

READ_DIGITS = {"kPa": 1, "mL": 3, "cm_s": 2}  # decimals by the unit in a key


def adapted_document(made: Adapted) -> Document:
    """The method in use and the carried one side by side."""
    before, after = made.before, made.after
    return {
        "format": FORMAT,
        "title": made.new.scenario.title,
        "job": "adapt",
        "in_use": _method(made.old, before),
        "carried": {**_method(made.new, after), "pass_probability": number(made.holds, 3)},
        "hold_up": {
            "in_use_at_C": number(celsius(made.T_old)),
            "carried_at_C": number(celsius(made.T_new)),
            "in_use_min": minutes(made.hold_up_old),
            "carried_min": minutes(made.hold_up_new),
            "ratio": number(made.ratio, 5),
        },
        "peaks": [
            {
                "compound": before.compounds[m],
                "in_use_min": minutes(before.retention[m]),
                "carried_min": minutes(after.retention[m]),
                "ratio": number(after.retention[m] / before.retention[m], 5),
                "in_use_elution_C": number(celsius(float(before.elution_temperature[m]))),
                "carried_elution_C": number(celsius(float(after.elution_temperature[m]))),
                "in_use_width_half_min": number(before.width_half[m] / SECONDS_PER_MINUTE),
                "carried_width_half_min": number(after.width_half[m] / SECONDS_PER_MINUTE),
            }
            for m in before.order
        ],
        "order_changes": [list(pair) for pair in swapped_pairs(before, after)],
        "notes": list(made.notes),
        "warnings": [*made.warnings, *made.old.scenario.warnings, *made.old.fit.warnings],
        "cautions": _new_cautions(made),
        "tuned": None,
    }


def trimmed_document(made: Trimmed) -> Document:
    """The method before and after the cut, and what restores the marker."""
    ambient = made.new.scenario.ambient_pressure
    shown = {"before": made.before, "after": made.entered, "restored": made.rounded}
    if made.not_entered is not None:
        shown["after_old_length_entered"] = made.not_entered
    at = made.before.compounds.index(made.marker)
    otherwise, otherwise_set = made.restored_not_entered, made.rounded_not_entered
    return {
        "format": FORMAT,
        "title": made.new.scenario.title,
        "job": "trim",
        "cut_m": number(made.cut),
        "marker": made.marker,
        "in_use": _method(made.old, made.before),
        "trimmed": _method(made.new, made.entered),
        "restored": _method(made.new, made.rounded),
        "marker_before_min": minutes(made.before.retention[at]),
        "to_set": _setting(made.rounded, at, made.restored.program, ambient),
        "to_set_if_old_length_stays_entered": None
        if otherwise is None or otherwise_set is None
        else _setting(otherwise_set, at, otherwise, ambient),
        "peaks": [
            {
                "compound": made.before.compounds[m],
                **{f"{name}_min": minutes(each.retention[m]) for name, each in shown.items()},
            }
            for m in made.before.order
        ],
        "order_changes": [list(pair) for pair in swapped_pairs(made.before, made.rounded)],
        "notes": list(made.notes),
        "warnings": [*made.warnings, *made.old.scenario.warnings, *made.old.fit.warnings],
        "cautions": [],
        "tuned": None,
    }


def _setting(settable: Prediction, marker: int, exact: Program, ambient: float) -> Document:
    """What an instrument takes, when the marker then comes, and what between its steps would restore it exactly."""
    return {
        "carrier": program_document(settable.program, ambient)["carrier"],
        "marker_min": minutes(settable.retention[marker]),
        "between_steps": _for_reading(program_document(exact, ambient)["carrier"]),
    }


def _for_reading(value: Any, key: str = "") -> Any:
    """A carrier that no instrument takes as it is, with as many digits as are worth reading."""
    if isinstance(value, dict):
        return {name: _for_reading(each, name) for name, each in value.items()}
    if isinstance(value, list):
        return [_for_reading(each) for each in value]
    digits = next((digits for unit, digits in READ_DIGITS.items() if unit in key), None)
    return value if digits is None else round(value, digits)


def program_file(program: Program, system: ColumnSystem, ambient_pressure: float) -> bytes:
    """A program as a TOML file that `--program` reads; its head says for which column and gas."""
    column = system.column
    outlet = "vacuum" if system.outlet_pressure == 0 else "ambient"
    lines = [
        f"# For a column of {column.length:g} m x {column.inner_diameter * 1e3:g} mm x "
        f"{column.film_thickness * 1e6:g} µm with {system.gas.name}, outlet {outlet}. `--program` runs it on the",
        "# column and gas of whatever scenario it is given with.",
    ]
    document = program_document(program, ambient_pressure)
    lines += [f"{name} = {inline_toml(table)}" for name, table in document.items()]
    return ("\n".join(lines) + "\n").encode()


def _method(problem: Problem, prediction: Prediction) -> Document:
    """A system, the program on it and what that gives."""
    system, scenario = problem.fit.system, problem.scenario
    column = system.column
    flows = np.array([prediction.flow.min(), prediction.flow.max()])
    return {
        "column": {
            "length_m": number(column.length, 6),
            "inner_diameter_mm": number(column.inner_diameter * 1e3),
            "film_thickness_um": number(column.film_thickness * 1e6),
            "phase_ratio": number(column.phase_ratio),
        },
        "gas": system.gas.name,
        "outlet": "vacuum" if system.outlet_pressure == 0 else "ambient",
        "flow_mL_min": [number(each) for each in flow_mL_min(flows)],
        "inlet_pressure": _pressures(prediction, scenario.ambient_pressure),
        **prediction_document(scenario, prediction),
    }


def _pressures(prediction: Prediction, ambient_pressure: float) -> Document:
    """Lowest and highest inlet pressure of a run, counted from the room's and from vacuum."""
    ends = {"lowest": prediction.inlet_pressure.min(), "highest": prediction.inlet_pressure.max()}
    return {
        name: {
            # As people read them: rounded once, so that no text shows the same pressure in two ways.
            "gauge_kPa": round(float(value - ambient_pressure) / PA_PER_KPA, 1),
            "absolute_kPa": round(float(value) / PA_PER_KPA, 1),
        }
        for name, value in ends.items()
    }


def _new_cautions(made: Adapted) -> list[str]:
    """What must be borne in mind on the new system and did not apply to the old one."""
    known = cautions(made.old.scenario, [made.before.program])
    return [line for line in cautions(made.new.scenario, [made.after.program]) if line not in known]
