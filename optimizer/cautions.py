"""What a person must bear in mind before running a program: one plain line each, only where it applies."""

from __future__ import annotations

import math
from collections.abc import Sequence

from models.programs import Program
from models.units import celsius, gauge_kPa
from optimizer.scenario_data import Scenario

PLANNING = (
    "These are predictions, for planning by a trained analyst: nothing here is valid until it has been run, "
    "checked and approved. Local rules, the instrument's manual and qualified staff overrule this report, and a "
    "regulated method changes only by its regulator's own route."
)

LOWEST_EXPLOSIVE_SHARE = 0.04  # of hydrogen in air, by volume
OVEN_LITRES = 14.0  # an oven of ordinary size
NEAR_LIMIT = 10.0  # K below the column's limit from which a program is told to be close to it


def cautions(scenario: Scenario, programs: Sequence[Program]) -> tuple[str, ...]:
    """The lines that apply to running some programs on a scenario's column, gas and instrument."""
    found = []
    if scenario.gas.name == "hydrogen":
        found += _hydrogen(scenario)
    found.append(_limits(scenario, programs))
    hot = "Inlet, oven, detector" + (" and transfer line" if scenario.outlet_pressure == 0 else "")
    found.append(f"{hot} burn skin: let them cool before touching or opening them.")
    found.append(
        "Gas cylinders and the column head are under pressure: secure cylinders, and release the head pressure "
        "before loosening a fitting."
    )
    exhaust = "pump exhaust" if scenario.outlet_pressure == 0 else "detector outlet"
    found.append(f"Split vent, septum purge and {exhaust} carry sample vapour: lead them to a vent.")
    hotter = _hotter_than_scouted(scenario, programs)
    if hotter is not None:
        found.append(hotter)
    return tuple(found)


def minutes_to_explosive(flow_mL_min: float) -> float:
    """Time [min] a leak of hydrogen needs to make the air of a closed, well mixed oven explosive."""
    return -math.log(1 - LOWEST_EXPLOSIVE_SHARE) * OVEN_LITRES * 1e3 / flow_mL_min


def _hydrogen(scenario: Scenario) -> list[str]:
    fast, slow = minutes_to_explosive(500), minutes_to_explosive(50)
    return [
        f"Hydrogen explodes from {100 * LOWEST_EXPLOSIVE_SHARE:.0f} % in air: test for leaks, fit a sensor or a "
        "shut-off, and lead split vent and septum purge out of the room.",
        "What leaks is the total flow, not the column flow: into a closed oven of "
        f"{OVEN_LITRES:.0f} litres, 500 mL/min reach that share in {fast:.1f} min, 50 mL/min in {slow:.0f} min.",
        "Shut hydrogen off at its source before opening the column, the inlet or the detector.",
        "Hydrogen can react with unsaturated analytes in hot parts: look for new peaks and shrinking ones.",
    ]


def _limits(scenario: Scenario, programs: Sequence[Program]) -> str:
    limit = scenario.max_temperature
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
    highest = max((program.oven.highest for program in programs), default=0.0)
    scouted = max((run.program.oven.highest for run in scenario.runs), default=0.0)
    if highest <= scouted + 1.0:
        return None
    return (
        f"A program here heats the column to {celsius(highest):.0f} °C, the scouting runs only to "
        f"{celsius(scouted):.0f} °C: decomposition can set toxic gas free, and energetic or unknown samples need a "
        "risk assessment of their own first."
    )
