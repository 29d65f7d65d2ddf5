"""What a column lets through, from what was measured on it; and how much faster when its inlet end is cut."""

from __future__ import annotations

import math
from dataclasses import replace

from models.column.carrier_gas import CarrierGas
from models.column.pieces import Passage
from models.column.system import (
    Column,
    ColumnSystem,
    hold_up_time,
    inlet_pressure_for_flow,
    parts_of,
    passing,
    pressure_leaving,
    squares_per_flow,
)
from models.units import flow_si, kelvin

# A state in the middle of many runs (common practice, no source).
USUAL_TEMPERATURE, USUAL_FLOW = kelvin(150.0), float(flow_si(1.2))
SMALL_CUT = 1e-4  # of the piece that is cut


def passage_of(
    column: Column,
    gas: CarrierGas,
    T: float,
    inlet_pressure: float,
    outlet_pressure: float,
    hold_up: float,
    flow: float | None = None,
) -> Passage:
    """What a column lets through, from one measurement; [1] solved for B and A.

    Parameters
    ----------
    T : [K], of the column
    inlet_pressure, outlet_pressure : [Pa absolute]
    hold_up : [s]
    flow : [m3/s at 25 °C, 101.325 kPa]; None leaves the cross-section what dimensions say

    Raises
    ------
    InvalidInputError : when the inlet pressure is not above the outlet pressure
    """
    unit = replace(column, measured=Passage(1.0, column.gas_area))
    B = float(hold_up_time(unit, gas, T, inlet_pressure, outlet_pressure)) / hold_up
    if flow is None:
        return Passage(B, column.gas_area)
    through = replace(column, measured=Passage(B, 1.0))
    squares = inlet_pressure**2 - outlet_pressure**2
    return Passage(B, flow * float(squares_per_flow(through, gas, T)) / squares)


def length_as_alone(system: ColumnSystem) -> float:
    """Length L [m] of a column by itself that a cut c quickens as much as it quickens this one's coated piece.

    By itself the stay goes with the square of the length, and its logarithm falls by 2 ln(L/(L - c)) at equal
    pressures. What is joined changes that: a guard of 5 m in front of 30 m counts as 140 m at a vacuum outlet. By
    `system` [1], [4] and [5] at a usual temperature and flow: at others it is the same at a vacuum outlet without a
    line, at an ambient one up to a fifth off from 0.5 to 3 mL/min, and a third in a wide column at 15 mL/min.
    """
    column, gas, end = system.column, system.gas, system.outlet_pressure
    if not column.joined:
        return column.length
    first = inlet_pressure_for_flow(column, gas, USUAL_TEMPERATURE, USUAL_FLOW, end)

    def stay(each: Column) -> float:
        leaving = pressure_leaving(each, gas, USUAL_TEMPERATURE, first, end)
        return float(passing(gas, (parts_of(each)[1],), USUAL_TEMPERATURE, first, leaving))

    cut = SMALL_CUT * column.inlet_length
    return 2 * cut / math.log(stay(column) / stay(column.shortened(cut)))
