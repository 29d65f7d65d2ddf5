"""The set points of all candidates as plain text, to take to the instrument."""

from __future__ import annotations

from optimizer.base.numbers import beside_needed
from optimizer.goal.cautions import PLANNING, cautions_about
from optimizer.goal.outcome import Candidate, SearchOutcome
from optimizer.results.reliability import share_interval, share_of_draws
from optimizer.results.set_points import bake_out_part, pressure_text, set_point_lines, split_line
from optimizer.scenario.data import Scenario
from optimizer.show.pages.report_candidate import heading


def set_points_text(scenario: Scenario, outcome: SearchOutcome) -> str:
    """The set points of all candidates as plain text."""
    outlet = "vacuum" if scenario.outlet_pressure == 0 else "ambient pressure"
    lines = [
        scenario.title,
        f"Carrier {scenario.gas.name}, outlet at {outlet}; column flow counted at 25 °C and 101.325 kPa",
        "",
    ]
    for candidate in outcome.candidates:
        lines += [*candidate_lines(scenario, candidate), ""]
    about = [
        f"Caution: {line}"
        for line in cautions_about(scenario, [each.prediction for each in outcome.candidates])
    ]
    return "\n".join([*lines, *about, PLANNING, ""])


def candidate_lines(scenario: Scenario, candidate: Candidate) -> list[str]:
    """The set points of one candidate, with what it promises and what is to be known of it."""
    lines = [heading(candidate) + ("" if candidate.feasible else " (does not meet the goal)")]
    prediction = candidate.prediction
    bake = bake_out_part(scenario, prediction)
    own_ramp = bake is not None and bake.own_ramp
    lines += set_point_lines(prediction.program, scenario.ambient_pressure, own_ramp)
    if bake is not None:
        lines.append(f"Bake-out: {bake.words(len(prediction.program.oven.ramps))}")
    for when, pressure in (
        ("at the start", prediction.inlet_pressure[0]),
        ("at its highest", prediction.inlet_pressure.max()),
    ):
        lines.append(f"Inlet {when}: {pressure_text(float(pressure), scenario.ambient_pressure)}")
    line = split_line(scenario.inlet, prediction.flow)
    lines += [] if line is None else [f"{name}: {text}" for name, text in line.lines()]
    pair = prediction.critical_pair
    if pair is not None:
        share = share_of_draws(candidate.pass_probability, share_interval(candidate.reliability))
        lines.append(
            f"Critical pair: {pair[0]} and {pair[1]}, Rs "
            f"{beside_needed(prediction.min_resolution, prediction.critical_needed)}; "
            f"everything asked holds in {share}"
        )
    return [*lines, *(f"Note: {warning}" for warning in candidate.warnings)]
