"""What a scenario asks beyond resolution, and of the inlet, as parts of the document that `check` prints.

Keys are those of the scenario file. Only what is stated is listed, so that a short scenario stays short.
"""

from __future__ import annotations

from typing import Any

from models.units import SECONDS_PER_MINUTE, celsius, flow_mL_min
from optimizer.base.numbers import minutes, number
from optimizer.scenario.data import AnalyteDetail, PairRule, Scenario

Part = dict[str, Any]


def inlet_part(scenario: Scenario) -> Part:
    """The inlet, with what follows from it for the oven's start."""
    inlet = scenario.inlet
    return {
        "mode": inlet.mode,
        **_stated(
            solvent_boiling_point_C=_celsius(inlet.solvent_boiling_point),
            highest_start_C=_celsius(inlet.highest_start),
            purge_on_min=_minutes(inlet.purge_on),
            split_ratio=inlet.split_ratio,
            septum_purge_mL_min=number(flow_mL_min(inlet.septum_purge)),
            max_total_flow_mL_min=None
            if inlet.max_total_flow is None
            else number(flow_mL_min(inlet.max_total_flow)),
        ),
    }


def column_part(scenario: Scenario) -> Part:
    """Limits of the column beside its continuous ones."""
    if scenario.max_time_above_continuous > 0:
        above = _stated(
            max_programmed_temperature_C=_celsius(scenario.max_programmed_temperature),
            max_time_above_continuous_min=_minutes(scenario.max_time_above_continuous),
        )
    else:
        above = {}
    return above | _stated(capacity_ng=scenario.capacity)


def instrument_part(scenario: Scenario) -> Part:
    """What oven, carrier ramps and detector can do."""
    instrument = scenario.instrument
    most = instrument.detector_max_flow
    return {
        **_stated(detector_max_flow_mL_min=None if most is None else number(flow_mL_min(most))),
        "oven_C": [_celsius(instrument.lowest_oven_temperature or None), _celsius(instrument.oven_max)],
        "cryogenic": instrument.cryogenic,
        "max_pressure_rate_kPa_per_min": number(instrument.max_pressure_rate * SECONDS_PER_MINUTE / 1e3),
        "max_flow_rate_mL_per_min2": number(flow_mL_min(instrument.max_flow_rate) * SECONDS_PER_MINUTE),
    }


def goal_part(scenario: Scenario) -> Part:
    """What the goal asks beside resolution."""
    goal = scenario.goal
    bake = goal.bake_out
    return _stated(
        latest_elution_min=_minutes(goal.latest_elution),
        min_retention_factor=goal.min_retention_factor or None,
        bake_out=None
        if bake is None
        else {"at_C": _celsius(bake.temperature), "hold_min": _minutes(bake.hold)},
        front_points=goal.front_points or None,
        confidence=goal.confidence or "nominal",
    )


def tolerances_part(scenario: Scenario) -> Part:
    """How far a run may be off what is entered."""
    tolerances = scenario.tolerances
    return {
        "oven_C": number(tolerances.oven),
        "flow_percent": number(100 * tolerances.flow),
        "pressure_percent": number(100 * tolerances.pressure),
        "hold_up_percent": number(100 * tolerances.hold_up),
        "trimmed_m": number(tolerances.trimmed),
    }


def details_part(scenario: Scenario) -> Part:
    """Analytes with limits of their own, rules for pairs, groups."""
    limited = [_analyte(detail) for detail in scenario.analytes]
    return {
        "analytes": [each for each in limited if len(each) > 2],
        "pairs": [_pair(rule) for rule in scenario.pairs],
        "groups": [
            {
                "name": group.name,
                "members": list(group.members),
                **_stated(min_resolution=group.min_resolution),
            }
            for group in scenario.groups
        ],
    }


def limits_of_analyte(detail: AnalyteDetail) -> Part:
    """What an analyte bears, with the keys of a peak table: None where nothing is stated."""
    above = detail.max_time_above
    return {
        "max_elution_C": _celsius(detail.max_elution_temperature),
        "limit_above_C": None if above is None else _celsius(above.temperature),
        "max_time_above_min": None if above is None else _minutes(above.duration),
        "min_intact_fraction": detail.min_intact_fraction,
    }


def _analyte(detail: AnalyteDetail) -> Part:
    above, kinetics, near = detail.max_time_above, detail.decomposition, detail.near
    return {
        "compound": detail.compound,
        "role": detail.role,
        **_stated(
            max_elution_temperature_C=_celsius(detail.max_elution_temperature),
            max_time_above=None
            if above is None
            else {"temperature_C": _celsius(above.temperature), "min": _minutes(above.duration)},
            decomposition=None
            if kinetics is None
            else {
                "activation_energy_kJ_per_mol": number(kinetics.activation_energy / 1e3),
                "half_life_min": _minutes(kinetics.half_life),
                "at_C": _celsius(kinetics.temperature),
            },
            min_intact_fraction=detail.min_intact_fraction,
            amount_ng=detail.amount,
            tailing=detail.tailing,
            near=None
            if near is None
            else {"compounds": list(near.compounds), "within_min": _minutes(near.within)},
        ),
    }


def _pair(rule: PairRule) -> Part:
    return {
        "between": [rule.a, rule.b],
        **_stated(
            min_resolution=rule.min_resolution,
            ignore=True if rule.ignore and not rule.by_detector else None,
            separable_by="detector" if rule.by_detector else None,
            in_order=rule.in_order or None,
        ),
    }


def _stated(**values: Any) -> Part:
    return {key: value for key, value in values.items() if value is not None}


def _celsius(kelvin: float | None) -> float | None:
    return None if kelvin is None else number(celsius(kelvin))


def _minutes(seconds: float | None) -> float | None:
    return None if seconds is None else minutes(seconds)
