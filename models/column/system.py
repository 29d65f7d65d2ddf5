"""What a program is run on: column, gas and outlet, with the corrections a fit finds for them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import assert_never

import numpy as np

from models.column.carrier_flow import inlet_pressure_for_flow, inlet_pressure_for_velocity
from models.column.carrier_gas import CarrierGas
from models.column.column import Column
from models.column.programs import Array, Controlled


@dataclass(frozen=True)
class ColumnSystem:
    """Column, carrier gas and outlet.

    Attributes
    ----------
    column : Column, with its nominal dimensions (the pneumatics compute with them)
    gas : CarrierGas
    outlet_pressure : float  [Pa absolute]; 0 for vacuum
    flow_factor : float  [-], true over computed velocity at the same inlet pressure
    plate_height_factor : float  [-], true over computed plate height
    injection_width : float  [s], standard deviation of the injected band in time
    oven_lag : float  [s], by which the column's temperature follows the set point of a ramp
    """

    column: Column
    gas: CarrierGas
    outlet_pressure: float
    flow_factor: float = 1.0
    plate_height_factor: float = 1.0
    injection_width: float = 0.0
    oven_lag: float = 0.0


def inlet_pressure(system: ColumnSystem, controlled: Controlled, value: Array, T: Array) -> Array:
    """Absolute inlet pressure [Pa] at a set value [Pa, m3/s or m/s] and column temperature [K].

    In the flow and velocity modes the pneumatics compute it from the nominal dimensions.
    """
    if controlled == "pressure":
        return np.broadcast_arrays(value, T)[0]
    if controlled == "flow":
        return inlet_pressure_for_flow(system.column, system.gas, T, value, system.outlet_pressure)
    if controlled == "velocity":
        return inlet_pressure_for_velocity(system.column, system.gas, T, value, system.outlet_pressure)
    assert_never(controlled)
