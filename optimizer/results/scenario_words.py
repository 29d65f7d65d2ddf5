"""A scenario in words for console and pages: the goal in sentences, and the inputs."""

from __future__ import annotations

from models.column.plate_height import terms_of
from models.column.system import Column
from models.units import SECONDS_PER_MINUTE, celsius, flow_mL_min
from optimizer.results.reliability import confidence_text
from optimizer.results.set_points import dimensions, pressure_text
from optimizer.runs.blank import ColumnBleed
from optimizer.scenario.data import AnalyteDetail, PairRule, Scenario
from optimizer.scenario.instrument_data import NO_DETECTOR, Detector
from optimizer.scenario.schema import UNSTATED_PHASE


def goal_lines(scenario: Scenario) -> list[str]:
    """The goal, one sentence a requirement."""
    goal = scenario.goal
    lines = [
        f"Shortest {goal.minimise} with a resolution of at least {goal.min_resolution:g} for every pair that counts."
    ]
    lines += [_rule(scenario, rule) for rule in scenario.pairs]
    for group in scenario.groups:
        needs = group.min_resolution if group.min_resolution is not None else goal.min_resolution
        lines.append(
            f"Group {group.name}, determined as a total: {', '.join(group.members)}; clear of other groups with a "
            f"resolution of {needs:g}."
        )
    for detail in scenario.analytes:
        lines += _of_analyte(detail)
    if goal.earliest_elution > 0:
        lines.append(f"Nothing elutes before {_minutes(goal.earliest_elution)} min.")
    if goal.latest_elution is not None:
        lines.append(f"Every target has eluted by {_minutes(goal.latest_elution)} min.")
    if goal.min_retention_factor > 0:
        lines.append(f"The retention factor at elution is not below {goal.min_retention_factor:g}.")
    if scenario.bleed is not None and scenario.bleed.max_level is not None:
        lines.append(
            f"The bleed at the last target is at most {scenario.bleed.max_level:g} (unit of the areas per second)."
        )
    if goal.bake_out is not None:
        bake = goal.bake_out
        lines.append(
            f"A bake-out at {celsius(bake.temperature):g} °C for {_minutes(bake.hold)} min follows the last peak and "
            "counts in both times."
        )
    if goal.front_points:
        lines.append(
            f"Programs between shortest time and best resolution are shown too, {goal.front_points} of them."
        )
    lines.append(confidence_text(goal.confidence))
    return lines


def _rule(scenario: Scenario, rule: PairRule) -> str:
    if rule.by_detector:
        text = f"{rule.a} and {rule.b} are told apart by the detector"
    elif rule.ignore:
        text = f"{rule.a} and {rule.b} need not be resolved"
    else:
        needed = scenario.required_resolution(rule.a, rule.b)
        text = (
            f"{rule.a} and {rule.b} need not be resolved"
            if needed is None
            else f"{rule.a} and {rule.b} need a resolution of {needed:g}"
        )
    order = f"; {rule.a} elutes first" if rule.in_order else ""
    return f"{text}{order}."


def _of_analyte(detail: AnalyteDetail) -> list[str]:
    asked: list[str] = []
    if detail.role != "target":
        asked.append(detail.role)
    if detail.max_elution_temperature is not None:
        asked.append(f"elutes at {celsius(detail.max_elution_temperature):g} °C or below")
    if detail.max_time_above is not None:
        above = detail.max_time_above
        asked.append(f"at most {_minutes(above.duration)} min above {celsius(above.temperature):g} °C")
    if detail.decomposition is not None:
        kinetics = detail.decomposition
        asked.append(
            f"half of it is lost in {_minutes(kinetics.half_life)} min at {celsius(kinetics.temperature):g} °C "
            f"({kinetics.activation_energy / 1e3:g} kJ/mol)"
        )
    if detail.min_intact_fraction is not None:
        asked.append(f"at least {100 * detail.min_intact_fraction:g} % intact")
    if detail.amount is not None:
        asked.append(f"{detail.amount:g} ng")
    if detail.near is not None:
        asked.append(f"within {_minutes(detail.near.within)} min of {', '.join(detail.near.compounds)}")
    if detail.tailing is not None:
        asked.append(f"tailing factor {detail.tailing:g}")
    return [f"{detail.compound}: {'; '.join(asked)}."] if asked else []


def need_in_words(scenario: Scenario, a: str, b: str) -> str:
    """The resolution a pair needs, or why it needs none."""
    needed = scenario.required_resolution(a, b)
    if needed is not None:
        return f"{needed:.2f}"
    if any({a, b} == set(pair) for pair in scenario.detector_pairs):
        return "told apart by detector"
    group = scenario.group(a)
    if group is not None and group == scenario.group(b):
        return f"same group, {group.name}"
    return "does not count"


def inputs(scenario: Scenario) -> list[tuple[str, str]]:
    """Column, inlet, instrument and compounds as they were stated, each with its name."""
    column, instrument, ambient = scenario.column, scenario.instrument, scenario.ambient_pressure
    outlet, count = "vacuum" if scenario.outlet_pressure == 0 else "ambient pressure", len(scenario.compounds)
    bands = ", ".join(
        f"{rate * SECONDS_PER_MINUTE:g} °C/min up to {celsius(T):g} °C"
        for T, rate in instrument.heating_limits
    )
    phase = "phase not stated" if scenario.phase == UNSTATED_PHASE else scenario.phase
    return [
        (
            "Column",
            dimensions(
                column,
                about=f", {phase}{_passage(column)}; {celsius(scenario.min_temperature):g} to "
                f"{celsius(scenario.max_temperature):g} °C",
            ),
        ),
        *(
            (
                f"Column {each.name}",
                f"{each.length:g} m × {each.inner_diameter * 1e3:g} mm × {each.film_thickness * 1e6:g} µm, up to "
                f"{celsius(each.max_temperature):g} °C; {' or '.join(each.gases or (scenario.gas.name,))}",
            )
            for each in scenario.columns
        ),
        ("Carrier gas", f"{scenario.gas.name}, outlet at {outlet}; room at {ambient / 1e3:.1f} kPa absolute"),
        ("Inlet", f"{_inlet(scenario)}; up to {pressure_text(instrument.max_inlet_pressure, ambient)}"),
        (
            "Column flow",
            f"{flow_mL_min(instrument.min_flow):g} to {flow_mL_min(instrument.largest_column_flow):g} mL/min "
            "(25 °C, 101.325 kPa)",
        ),
        *([] if scenario.detector == NO_DETECTOR else [("Detector", _detector(scenario.detector))]),
        *([] if scenario.bleed is None else [("Bleed", _bleed(scenario, scenario.bleed))]),
        ("Oven", f"{_oven_range(scenario)}; heats at most {bands}"),
        ("Tolerances", tolerances_in_words(scenario)),
        (
            "Compounds",
            (f"{count}, {scenario.number_of_counted_pairs} pairs counted" if count else "none known yet")
            + (f"; left out: {', '.join(scenario.left_out)}" if scenario.left_out else ""),
        ),
    ]


def _passage(column: Column) -> str:
    """The phase ratio of a film; of other columns what lets the gas through and what slows exchange."""
    if column.wall_coated:
        return f", phase ratio {column.phase_ratio:g}"
    kind = ", an adsorbent" if column.adsorbent else ""
    origin = "measured" if column.measured is not None else "from dimensions"
    return (
        f"{kind}; permeability {column.permeability * 1e12:.3g} µm² and gas cross-section "
        f"{column.gas_area * 1e6:.3g} mm² ({origin}), resistance {terms_of(column).resistance * 1e3:.3g} ms"
    )


def _detector(detector: Detector) -> str:
    """The detector as far as it is stated."""
    parts = []
    if detector.response_time > 0:
        parts.append(f"response time {detector.response_time:g} s")
    if detector.readings is not None:
        parts.append(f"{detector.readings:g} readings a second")
    if detector.min_points is not None:
        parts.append(f"at least {detector.min_points} readings across a target")
    if detector.make_up > 0:
        parts.append(f"make-up {flow_mL_min(detector.make_up):g} mL/min")
    if detector.min_total_flow is not None:
        parts.append(f"column and make-up at least {flow_mL_min(detector.min_total_flow):g} mL/min")
    if detector.max_total_flow is not None:
        parts.append(f"column and make-up at most {flow_mL_min(detector.max_total_flow):g} mL/min")
    if detector.min_amount is not None:
        parts.append(f"at least {detector.min_amount:g} ng of a target")
    if detector.max_height is not None:
        parts.append(f"linear up to a height of {detector.max_height:g} (unit of the areas per second)")
    return ", ".join(parts)


def _bleed(scenario: Scenario, bleed: ColumnBleed) -> str:
    """The bleed as it was stated, and how fast it rises."""
    energy = bleed.measured(scenario.detector.make_up).activation_energy
    levels = " and ".join(f"{each.level:.3g} at {celsius(each.temperature):g} °C" for each in bleed.levels)
    stated = "as stated" if bleed.trace is None else f"from {bleed.trace}"
    origin = "from two levels" if bleed.activation_energy is None else stated
    return f"{levels} (unit of the areas per second), {energy / 1e3:.0f} kJ/mol {origin}"


def _oven_range(scenario: Scenario) -> str:
    coldest, hottest = scenario.instrument.lowest_oven_temperature, celsius(scenario.instrument.oven_max)
    return f"{celsius(coldest):g} to {hottest:g} °C" if coldest else f"up to {hottest:g} °C"


def _inlet(scenario: Scenario) -> str:
    """The inlet as far as it is stated."""
    inlet = scenario.inlet
    parts: list[str] = [inlet.mode]
    if inlet.split_ratio is not None:
        lowest = "" if inlet.min_split_ratio is None else f", at least {inlet.min_split_ratio:g}:1"
        highest = "" if inlet.max_split_ratio is None else f", at most {inlet.max_split_ratio:g}:1"
        chosen = ", chosen anew for every program" if inlet.choose_split else ""
        parts.append(f"split ratio {inlet.split_ratio:g}:1{chosen}{lowest}{highest}")
    if inlet.injected_volume is not None:
        parts.append(
            f"{inlet.injected_volume * 1e6:g} mL of vapour injected, inlet at {celsius(inlet.temperature):g} °C"
        )
    if inlet.gas_saver is not None:
        vent = flow_mL_min(inlet.gas_saver.vent_flow)
        parts.append(f"gas saver of {vent:g} mL/min from {_minutes(inlet.gas_saver.after)} min")
    if inlet.solvent_boiling_point is not None:
        parts.append(f"solvent boils at {celsius(inlet.solvent_boiling_point):g} °C")
    if inlet.highest_start is not None:
        parts.append(f"start at {celsius(inlet.highest_start):g} °C or below to focus the solvent")
    if inlet.purge_on is not None:
        parts.append(f"purge on at {_minutes(inlet.purge_on)} min")
    parts.append(f"septum purge {flow_mL_min(inlet.septum_purge):g} mL/min")
    if inlet.max_total_flow is not None:
        parts.append(f"total flow up to {flow_mL_min(inlet.max_total_flow):g} mL/min")
    return ", ".join(parts)


def tolerances_in_words(scenario: Scenario) -> str:
    """How far a run may be off what is entered: what the draws take the set points to be off by."""
    tolerances = scenario.tolerances
    parts = [
        f"oven {tolerances.oven:g} °C",
        f"column flow {100 * tolerances.flow:g} %",
        f"inlet pressure {100 * tolerances.pressure:g} %",
    ]
    if tolerances.hold_up > 0:
        parts.append(f"hold-up time {100 * tolerances.hold_up:g} %")
    if tolerances.trimmed > 0:
        parts.append(f"{tolerances.trimmed:g} m cut off the column")
    if scenario.columns:
        parts.append(f"bore {100 * tolerances.bore:g} % and film {100 * tolerances.film:g} % of a new column")
    return ", ".join(parts)


def _minutes(seconds: float) -> str:
    return f"{seconds / SECONDS_PER_MINUTE:g}"
