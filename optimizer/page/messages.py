"""Answers to the page: results of the interface as plain documents, short enough to follow a drag."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from models.column.programs import Array
from models.units import celsius
from optimizer.app.interface_results import Fitted, Predicted
from optimizer.goal.reliability import Reliability
from optimizer.results.documents import Document, check_document
from optimizer.results.plot_data import PairData
from optimizer.results.reach import Reach
from optimizer.results.scenario_words import goal_lines
from optimizer.scenario.instrument_data import OwnedColumn

MARGINS = 60  # shown at most, the worst


def scenario_message(fitted: Fitted) -> Document:
    """What does not change with the program."""
    scenario = fitted.scenario
    stated = check_document(scenario)
    return {
        "title": scenario.title,
        "path": str(scenario.path.parent),
        "goal": goal_lines(scenario),
        "confidence": scenario.goal.confidence,
        "gas": scenario.gas.name,
        "compounds": list(scenario.compounds),
        "columns": [
            {"name": each.name, "text": _dimensions(each)}
            for each in scenario.columns
            if scenario.column.wall_coated  # else nothing is known of another
        ],
        "steps": {**stated["instrument"]["steps"], "velocity_cm_s": 0.1},
        "seconds": stated["search"]["seconds"],
        "warnings": [*scenario.warnings, *fitted.fit.warnings],
    }


def _dimensions(owned: OwnedColumn) -> str:
    bore, film = owned.inner_diameter * 1e3, owned.film_thickness * 1e6
    return f"{owned.length:g} m × {bore:g} mm × {film:g} µm"


def prediction_message(made: Predicted, pair: tuple[str, str] | None, certainty: str) -> Document:
    """A prediction as the page draws it; `pair` is the one enlarged, where there is one."""
    prediction, chart = made.prediction, made.chart
    known = {each.compound: each for each in made.peaks}
    margins = sorted(made.margins, key=lambda each: each.margin)
    return {
        "certainty": certainty,
        "program": made.tables,
        "set_points": list(made.set_points),
        "run_time": _figure(made.run_time_min),
        "cycle_time": _figure(made.cycle_time_min),
        "resolution": _figure(made.min_resolution),
        "needed": _figure(prediction.critical_needed),
        "critical": prediction.critical_pair,
        "cannot_run": list(made.breaks_equipment),
        "probability": None if made.reliability is None else _probability(made.reliability),
        "trace": [_list(chart.times, 4), _list(chart.response, 2)],
        "oven": [_list(chart.oven_times, 4), _list(chart.oven, 2)],
        "pressure": [_list(chart.trace_times[::4], 3), _list(chart.pressure[::4], 1)],
        "flow": _list(chart.flow[::4], 3),
        "peaks": [
            {
                "name": label.name,
                "role": known[label.name].role,
                "time": round(label.time, 4),
                "height": round(label.height, 3),
                "critical": label.critical,
                "texts": [
                    known[label.name].retention_text,
                    known[label.name].width_text,
                    f"{celsius(known[label.name].elution):.1f}",
                    known[label.name].resolution_text,
                ],
            }
            for label in chart.labels
        ],
        "reach": _reach(made.reach),
        "margins": [
            {
                "name": each.name,
                "text": each.text,
                "margin": _figure(each.margin),
                "kept": each.kept,
                "binding": each.binding,
                "pair": each.pair,
            }
            for each in margins[:MARGINS]
        ],
        "more_margins": max(len(margins) - MARGINS, 0),
        "cautions": list(made.cautions),
        "warnings": list(made.warnings) if certainty == "exact" else [],
        "pair": None if pair is None else _pair(made, pair),
    }


def _probability(known: Reliability) -> Document:
    low, high = known.interval
    risk = known.pair_at_risk
    return {
        "share": known.share,
        "interval": [low, high],
        "risk": None if risk is None else list(risk.pair),
        "risk_share": None if risk is None else risk.share,
        "missed": [[each.what, each.share] for each in known.failures[:1]],
    }


def _reach(reach: Reach) -> Document:
    return {
        "lowest": reach.lowest,
        "highest": reach.highest,
        "fastest": [[_list(each[0], 3), _list(each[1], 1)] for each in reach.fastest],
        "times": _list(reach.times, 3),
        "unit": reach.carrier_unit,
        "least": _list(reach.carrier_least, 3),
        "most": _list(reach.carrier_most, 3),
    }


def _pair(made: Predicted, names: tuple[str, str]) -> Document | None:
    a, b = names
    if not {a, b} <= {label.name for label in made.chart.labels}:
        return None  # one of them does not elute
    pair: PairData = made.pair(a, b)
    return {
        "names": list(pair.names),
        "times": _list(pair.times, 4),
        "response": _list(pair.response, 2),
        "responses": [_list(each, 2) for each in pair.responses],
        "resolution": _figure(pair.resolution),
        "needed": _figure(pair.needed),
        "half_interval": _figure(pair.half_interval),
    }


def _figure(value: float) -> float | None:
    return round(value, 4) if math.isfinite(value) else None


def _list(values: Array, decimals: int) -> list[Any]:
    rounded: list[Any] = np.round(values, decimals).tolist()
    return rounded
