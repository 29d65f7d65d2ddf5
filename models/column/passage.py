"""What a column lets through, from what was measured on it."""

from __future__ import annotations

from dataclasses import replace

from models.column.carrier_gas import CarrierGas
from models.column.pieces import Passage
from models.column.system import Column, hold_up_time, squares_per_flow


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
