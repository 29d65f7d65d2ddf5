"""What a person must know before running a program: one plain line each, only where it applies."""

from __future__ import annotations

import math
from collections.abc import Sequence

from models.column.programs import Program
from models.units import SECONDS_PER_MINUTE, celsius, flow_mL_min, gauge_kPa
from optimizer.goal.outcome import Prediction, SearchOutcome
from optimizer.goal.split import largest_total_flow
from optimizer.scenario.data import Scenario

PLANNING = (
    "These are predictions, for planning by a trained analyst: nothing here is valid until it has been run, "
    "checked and approved. Local rules, the instrument's manual and qualified staff overrule this report, and a "
    "regulated method changes only by its regulator's own route."
)

# What every run asks for, where the report or another command has it in full.
USUAL = (
    "Hot parts burn, gas is under pressure and vents carry sample vapour: the report of `rampwright optimize` has the "
    "cautions in full; the instrument's manual, local rules and qualified staff come first."
)

BREAKS = "Breaks a limit: {}."
MISSES = "Misses a requirement: {}."
NOT_TO_BE_RUN = "Not to be run as it is, since it breaks a limit of the equipment: {}."

LOWEST_EXPLOSIVE_SHARE = 0.04  # of hydrogen in air, by volume
BARELY_BEYOND = 1.0  # K outside the scouted temperatures, of which nothing is said
OVEN_LITRES = 14.0  # an oven of ordinary size
NEAR_LIMIT = 10.0  # K below the column's limit from which a program is said to be close to it


def not_to_be_run(breaks_equipment: Sequence[str]) -> str:
    """The line that comes before all else of a program that breaks limits of the equipment; empty where none is."""
    return NOT_TO_BE_RUN.format("; ".join(breaks_equipment)) if breaks_equipment else ""


def without_breaks(warnings: Sequence[str], breaks_equipment: Sequence[str]) -> tuple[str, ...]:
    """Warnings without those that this line says already."""
    said = {BREAKS.format(text) for text in breaks_equipment}
    return tuple(text for text in warnings if text not in said)


def cautions(
    scenario: Scenario, programs: Sequence[Program], total_flow: float | None = None
) -> tuple[str, ...]:
    """The lines that apply to running some programs on a scenario's column, gas and instrument.

    Parameters
    ----------
    total_flow : float or None  [m3/s], the largest of the programs, where it is known
    """
    return (*_own(scenario, programs, total_flow), *_usual(scenario, programs))


def cautions_in_brief(
    scenario: Scenario, programs: Sequence[Program], total_flow: float | None = None
) -> tuple[str, ...]:
    """The same with one line for what every run asks for: for commands beside the one with the report."""
    return (*_own(scenario, programs, total_flow), USUAL)


def _own(scenario: Scenario, programs: Sequence[Program], total_flow: float | None) -> list[str]:
    """What this gas, these analytes and these programs ask for."""
    found = about_hydrogen(scenario, total_flow) if scenario.gas.name == "hydrogen" else []
    above, hotter = _above_continuous(scenario, programs), _hotter_than_scouted(scenario, programs)
    found += [above] if above is not None else []
    found += _decomposition(scenario)
    found += [hotter] if hotter is not None else []
    return [*found, *_line(scenario, programs)]


def _usual(scenario: Scenario, programs: Sequence[Program]) -> list[str]:
    """What every run asks for."""
    found = [_limits(scenario, programs)]
    hot = (
        "Inlet, oven, detector and transfer line"
        if scenario.outlet_pressure == 0
        else "Inlet, oven and detector"
    )
    found.append(f"{hot} burn skin: let them cool before touching or opening them.")
    found.append(
        "Gas cylinders and the column head are under pressure: secure cylinders, and release the head pressure "
        "before loosening a fitting."
    )
    exhaust = "pump exhaust" if scenario.outlet_pressure == 0 else "detector outlet"
    found.append(f"Split vent, septum purge and {exhaust} carry sample vapour: lead them to a vent.")
    return found


def cautions_in_short(scenario: Scenario, prediction: Prediction) -> tuple[str, ...]:
    """One plain line each on hydrogen, heat and pressure, for beside the set points of one program."""
    found = []
    if scenario.gas.name == "hydrogen":
        found.append(
            f"Hydrogen explodes from {100 * LOWEST_EXPLOSIVE_SHARE:.0f} % in air: test for leaks, fit a sensor or a "
            "shut-off."
        )
    oven = prediction.program.oven
    heat = f"Heat: up to {celsius(oven.highest):.0f} °C; let hot parts cool before touching them."
    if _above_continuous(scenario, [prediction.program]) is not None:
        heat += " Above the column's continuous limit."
    if _decomposition(scenario) or _hotter_than_scouted(scenario, [prediction.program]) is not None:
        heat += " Decomposition can set toxic gas free."
    highest = gauge_kPa(float(prediction.inlet_pressure.max()), scenario.ambient_pressure)
    limit = gauge_kPa(scenario.instrument.max_inlet_pressure, scenario.ambient_pressure)
    pressure = (
        f"Pressure: up to {highest:.0f} kPa gauge (limit {limit:.0f}); release it before loosening a fitting."
    )
    return (*found, heat, pressure)


def cautions_about(scenario: Scenario, predictions: Sequence[Prediction]) -> tuple[str, ...]:
    """The lines that apply to running predicted programs, with their largest total flow."""
    total = max((largest_total_flow(scenario, each) for each in predictions), default=None)
    return cautions(scenario, [each.program for each in predictions], total)


def cautions_of(scenario: Scenario, outcome: SearchOutcome) -> tuple[str, ...]:
    """The lines that apply to what a search found: to its candidates, before them to changes it suggests."""
    found = cautions_about(scenario, [each.prediction for each in outcome.candidates])
    suggested = [line for each in outcome.what_ifs for line in each.cautions]
    return tuple(dict.fromkeys((*suggested, *found)))


def minutes_to_explosive(flow_mL_min: float) -> float:
    """Time [min] a leak of hydrogen needs to make the air of a closed, well mixed oven explosive."""
    return -math.log(1 - LOWEST_EXPLOSIVE_SHARE) * OVEN_LITRES * 1e3 / flow_mL_min


def about_hydrogen(scenario: Scenario, total_flow: float | None) -> list[str]:
    """The lines that hydrogen as carrier asks for, at the largest total flow [m3/s] of its programs where known."""
    return [
        f"Hydrogen explodes from {100 * LOWEST_EXPLOSIVE_SHARE:.0f} % in air: test for leaks, fit a sensor or a "
        "shut-off, and lead split vent and septum purge out of the room.",
        _leak(scenario, total_flow),
        "Shut hydrogen off at its source before opening the column, the inlet or the detector.",
        "Hydrogen can react with unsaturated analytes in hot parts: look for new peaks and shrinking ones.",
    ]


def _leak(scenario: Scenario, total_flow: float | None) -> str:
    """How fast a leak fills the oven: of the inlet's own total flow where it is known, else of two usual ones."""
    what = "What leaks is the total flow, not the column flow: into a closed oven of "
    if total_flow is None or scenario.inlet.split_unknown:
        fast, slow = minutes_to_explosive(500), minutes_to_explosive(50)
        return (
            f"{what}{OVEN_LITRES:.0f} litres, 500 mL/min reach that share in {fast:.1f} min, 50 mL/min in "
            f"{slow:.0f} min."
        )
    total = float(flow_mL_min(total_flow))
    return (
        f"{what}about {OVEN_LITRES:.0f} litres, the largest total flow here, {total:.0f} mL/min, reaches that share "
        f"in some {minutes_to_explosive(total):.2g} min (a rough figure: ovens differ, and gas gathers)."
    )


def _above_continuous(scenario: Scenario, programs: Sequence[Program]) -> str | None:
    """Programs that use the column's short-term limit."""
    continuous = scenario.max_temperature
    highest = max((program.oven.highest for program in programs), default=0.0)
    if scenario.max_time_above_continuous <= 0 or highest <= continuous + 0.01:
        return None
    return (
        f"A program here runs above the column's continuous limit of {celsius(continuous):.0f} °C, to "
        f"{celsius(highest):.0f} °C: only for the short time that its maker allows (entered here as "
        f"{scenario.max_time_above_continuous / SECONDS_PER_MINUTE:g} min), and it shortens the column's life."
    )


def _decomposition(scenario: Scenario) -> list[str]:
    """Analytes that are stated to decompose."""
    names = [detail.compound for detail in scenario.analytes if detail.decomposition is not None]
    if not names:
        return []
    more = f" and {len(names) - 4} more" if len(names) > 4 else ""
    return [
        f"Stated to decompose: {', '.join(names[:4])}{more}. Decomposition can set toxic gas free, and energetic "
        "or unknown samples need a risk assessment of their own before they are heated; loss in a hot inlet or "
        "transfer line is not part of the prediction."
    ]


def _line(scenario: Scenario, programs: Sequence[Program]) -> list[str]:
    """A line behind the oven that is colder than the oven gets, or hotter than the column may be."""
    temperatures = [each.temperature for each in scenario.column.line if each.temperature is not None]
    if not temperatures:
        return []
    coldest, hottest, found = min(temperatures), max(temperatures), []
    oven = max((program.oven.highest for program in programs), default=0.0)
    if oven > coldest + BARELY_BEYOND:
        found.append(
            f"The line behind the oven is entered as {celsius(coldest):.0f} °C, and a program here heats the oven to "
            f"{celsius(oven):.0f} °C: in a cold spot late peaks broaden or condense, which is not computed. Set the "
            "line as hot as the manuals of instrument and column allow, or keep the oven below it."
        )
    limit = scenario.max_temperature  # a line stays hot
    if hottest > limit:
        found.append(
            f"The line behind the oven is entered as {celsius(hottest):.0f} °C, above the column's continuous limit of "
            f"{celsius(limit):.0f} °C: no coated column may reach into it. The manuals of instrument and column come "
            "first."
        )
    return found


def _limits(scenario: Scenario, programs: Sequence[Program]) -> str:
    programmed = scenario.max_time_above_continuous > 0
    limit = scenario.max_programmed_temperature if programmed else scenario.max_temperature
    highest = max((program.oven.highest for program in programs), default=0.0)
    close = ""
    if highest > limit:
        close = f" (a program here passes it, to {celsius(highest):.0f} °C)"
    elif highest > limit - NEAR_LIMIT:
        close = f" (a program here goes to {celsius(highest):.0f} °C)"
    pressure = gauge_kPa(scenario.instrument.max_inlet_pressure, scenario.ambient_pressure)
    return (
        f"Stay below the temperature on the column's tag, entered here as {celsius(limit):.0f} °C{close}, and below "
        f"the pressure that inlet and gas supply are rated for, entered as {pressure:.0f} kPa gauge; a hot column "
        "without carrier gas is ruined."
    )


def _hotter_than_scouted(scenario: Scenario, programs: Sequence[Program]) -> str | None:
    """A sample has shown nothing about temperatures it was never at."""
    if not scenario.runs:  # what is run first has nothing to be hotter than
        return None
    highest = max((program.oven.highest for program in programs), default=0.0)
    scouted = max(run.program.oven.highest for run in scenario.runs)
    if highest <= scouted + 1.0:
        return None
    return (
        f"A program here heats the column to {celsius(highest):.0f} °C, the scouting runs only to "
        f"{celsius(scouted):.0f} °C: decomposition can set toxic gas free, and energetic or unknown samples need a "
        "risk assessment of their own first."
    )


def extrapolation(scenario: Scenario, low: float, high: float) -> tuple[str, ...]:
    """A sentence where temperatures from `low` to `high` [K] go beyond those of the scouting runs."""
    scouted = [T for run in scenario.runs for T in run.program.oven.knots()[1]]
    if not scouted:
        return ()
    beyond = [(low, min(min(scouted), high)), (max(max(scouted), low), high)]
    parts = [f"{celsius(a):.0f} to {celsius(b):.0f} °C" for a, b in beyond if b - a > BARELY_BEYOND]
    return (f"Extrapolates: {' and '.join(parts)} was not scouted.",) if parts else ()
