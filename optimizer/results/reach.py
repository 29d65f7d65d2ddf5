"""Where the corners of a program may lie: what oven and pneumatics can do, in the units of pictures."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.column.programs import Array, OvenProgram, Program
from models.column.system import ColumnSystem, flow, hold_up_time, inlet_pressure
from models.units import SECONDS_PER_MINUTE, celsius
from optimizer.base.quantities import CELSIUS, CM_S, KPA_GAUGE, ML_MIN, Unit
from optimizer.goal.limits import Bands, heating_limit
from optimizer.goal.split import flow_within_total
from optimizer.scenario.data import Scenario

POINTS = 60  # over a run
CARRIER_UNITS: dict[str, Unit] = {"flow": ML_MIN, "velocity": CM_S, "pressure": KPA_GAUGE}


@dataclass(frozen=True)
class Reach:
    """What no program can leave, and what this one cannot go beyond from where it is.

    Attributes
    ----------
    lowest, highest : float  [°C], of the column
    fastest : for every oven ramp the corner it starts from and how soon after it the oven reaches higher temperatures
        at full heating: (2, K) array  [min], [°C]
    times : (Q,) array  [min]
    carrier_unit : of the next two: mL/min, cm/s or kPa gauge, as the carrier is controlled
    carrier_least, carrier_most : (Q,) arrays, set values between which pressure, column flow and total flow stay
        within their limits at the oven's temperature of that time
    """

    lowest: float
    highest: float
    fastest: tuple[Array, ...]
    times: Array
    carrier_unit: str
    carrier_least: Array
    carrier_most: Array


def reach_of(scenario: Scenario, system: ColumnSystem, program: Program, run_time: float) -> Reach:
    """The reach of a program on a column that is as fitted; `run_time` in s."""
    times = np.linspace(0.0, run_time, POINTS)
    T = np.interp(times, *program.oven.knots())
    unit, ambient = CARRIER_UNITS[program.carrier.controlled], scenario.ambient_pressure
    least, most = _carrier_bounds(scenario, system, program.carrier.controlled, T)
    highest = scenario.highest_temperature
    return Reach(
        float(celsius(scenario.lowest_temperature)),
        float(celsius(highest)),
        tuple(_fastest(scenario.instrument.heating_limits, program.oven, highest)),
        times / SECONDS_PER_MINUTE,
        unit.text,
        np.array([unit.of_si(float(value), ambient) for value in least]),
        np.array([unit.of_si(float(value), ambient) for value in most]),
    )


def _fastest(bands: Bands, oven: OvenProgram, highest: float) -> list[Array]:
    """The soonest times [min] of temperatures [°C], from the corner where each ramp starts."""
    times, values = oven.knots()
    found: list[Array] = []
    for t, T in zip(times[1::2], values[1::2], strict=True):
        if len(found) == len(oven.ramps):
            break
        targets = np.linspace(T, max(highest, T), POINTS)
        rate = heating_limit(bands, np.full(POINTS, T), targets)
        soonest = t + (targets - T) / rate
        found.append(
            np.array([soonest / SECONDS_PER_MINUTE, [CELSIUS.of_si(float(each)) for each in targets]])
        )
    return found


def _carrier_bounds(
    scenario: Scenario, system: ColumnSystem, controlled: str, T: Array
) -> tuple[Array, Array]:
    """Smallest and largest set value (Q,) in SI at temperatures (Q,) [K], each limit seen as an inlet pressure."""
    instrument = scenario.instrument
    largest = min(instrument.largest_column_flow, flow_within_total(scenario))
    lowest = max(instrument.min_inlet_pressure, scenario.ambient_pressure)
    low = np.maximum(lowest, inlet_pressure(system, "flow", np.full(T.shape, instrument.min_flow), T))
    high = np.minimum(
        instrument.max_inlet_pressure, inlet_pressure(system, "flow", np.full(T.shape, largest), T)
    )
    return _set_value(system, controlled, low, T), _set_value(system, controlled, high, T)


def _set_value(system: ColumnSystem, controlled: str, pressure: Array, T: Array) -> Array:
    """The set value at which the pneumatics hold an inlet pressure [Pa]: `inlet_pressure` inverted."""
    if controlled == "pressure":
        return pressure
    column, gas, outlet = system.column, system.gas, system.outlet_pressure
    if controlled == "flow":
        return flow(column, gas, T, pressure, outlet)
    return column.length / hold_up_time(column, gas, T, pressure, outlet)
