"""Compressible laminar flow of an ideal gas in an open tube.

Local pressure      p(z)^2 = pi^2 - (pi^2 - po^2) z                                  [1]
Local velocity      u(z) = r^2 (pi^2 - po^2) / (16 eta L p(z))                       [1]
Hold-up time        tM = (32/3) eta L^2 (pi^3 - po^3) / (r^2 (pi^2 - po^2)^2)        [1]
Flow at reference   F = pi_ r^4 (pi^2 - po^2) / (16 eta L p_ref) * T_ref / T         [1]
conditions
Compressibility     j = (3/2) (P^2 - 1) / (P^3 - 1),  P = pi/po                      [2]

pi and po are the absolute inlet and outlet pressures, pi_ is 3.14159, z the share of the length passed.

[1] Poiseuille's law with the ideal gas law, integrated along the column; Cramers, Janssen, van Deursen and
    Leclercq, J. Chromatogr. A 856 (1999) 315, where the same expressions are derived.
[2] James and Martin, Biochem. J. 50 (1952) 679.
"""

from __future__ import annotations

import numpy as np

from models.column.carrier_gas import CarrierGas, viscosity
from models.column.column import Column
from models.column.programs import Array
from models.errors import InvalidInputError
from models.units import REFERENCE_PRESSURE, REFERENCE_TEMPERATURE


def _require_drop(inlet_pressure: Array | float, outlet_pressure: float) -> None:
    if np.any(np.asarray(inlet_pressure) <= outlet_pressure):
        raise InvalidInputError(
            f"the inlet pressure ({float(np.min(inlet_pressure)):.6g} Pa absolute) must be above the outlet "
            f"pressure ({outlet_pressure:.6g} Pa absolute); was a gauge pressure given as absolute?"
        )


def hold_up_time(
    column: Column, gas: CarrierGas, T: Array | float, inlet_pressure: Array | float, outlet_pressure: float
) -> Array:
    """Hold-up time [s] at temperature T [K] and absolute pressures [Pa], any matching shapes; [1].

    Raises
    ------
    InvalidInputError : when the inlet pressure is not above the outlet pressure
    """
    _require_drop(inlet_pressure, outlet_pressure)
    pi = np.asarray(inlet_pressure, dtype=float)
    rho = outlet_pressure / pi
    # (pi^3 - po^3)/(pi^2 - po^2)^2 with the common factor (pi - po) taken out, so that a vanishing drop is exact.
    shape = (1 + rho + rho**2) / (pi * (1 - rho) * (1 + rho) ** 2)
    result: Array = (32 / 3) * viscosity(gas, T) * column.length**2 / column.radius**2 * shape
    return result


def flow(
    column: Column, gas: CarrierGas, T: Array | float, inlet_pressure: Array | float, outlet_pressure: float
) -> Array:
    """Flow [m3/s at 25 °C, 101.325 kPa] from temperature [K] and absolute pressures [Pa]; [1].

    Raises
    ------
    InvalidInputError : when the inlet pressure is not above the outlet pressure
    """
    _require_drop(inlet_pressure, outlet_pressure)
    squares = np.asarray(inlet_pressure, dtype=float) ** 2 - outlet_pressure**2
    result: Array = squares / _squares_per_flow(column, gas, T)
    return result


def inlet_pressure_for_flow(
    column: Column, gas: CarrierGas, T: Array | float, flow: Array | float, outlet_pressure: float
) -> Array:
    """Absolute inlet pressure [Pa] that gives a flow [m3/s, reference conditions] at T [K]; [1] inverted."""
    result: Array = np.sqrt(outlet_pressure**2 + flow * _squares_per_flow(column, gas, T))
    return result


def inlet_pressure_for_velocity(
    column: Column, gas: CarrierGas, T: Array | float, velocity: Array | float, outlet_pressure: float
) -> Array:
    """Absolute inlet pressure [Pa] that gives an average velocity L/tM [m/s] at T [K].

    The expression for tM is inverted by Newton's method on pi - po, which converges from above for any drop.
    """
    T, velocity = np.broadcast_arrays(np.asarray(T, dtype=float), np.asarray(velocity, dtype=float))
    # target = pi (1-rho)(1+rho)^2/(1+rho+rho^2), the part of L/tM that depends on pressure
    target = velocity * (32 / 3) * viscosity(gas, T) * column.length / column.radius**2
    po = outlet_pressure
    drop = target * 1.0  # exact for a vacuum outlet; elsewhere the first iterate of a monotone sequence
    if po == 0:
        return drop
    for _ in range(60):
        pi = po + drop
        rho = po / pi
        value = drop * (1 + rho) ** 2 / (1 + rho + rho**2)
        # d(value)/d(drop): the shape factor g(rho) changes slowly, d rho/d drop = -rho/pi
        slope_g = (1 + rho) * (1 - rho) / (1 + rho + rho**2) ** 2
        slope = (1 + rho) ** 2 / (1 + rho + rho**2) - drop * slope_g * rho / pi
        step = (value - target) / slope
        drop = np.maximum(drop - step, drop * 0.1)
        if np.all(np.abs(step) <= 1e-8 * pi):  # what a step leaves is its square
            break
    result: Array = po + drop
    return result


def velocity_outlet(
    column: Column, gas: CarrierGas, T: Array | float, inlet_pressure: Array | float, outlet_pressure: float
) -> Array:
    """Velocity at the column outlet [m/s] (infinite at a vacuum outlet); [1]."""
    _require_drop(inlet_pressure, outlet_pressure)
    if outlet_pressure == 0:
        return np.full(np.broadcast(np.asarray(T), np.asarray(inlet_pressure)).shape, np.inf)
    squares = np.asarray(inlet_pressure, dtype=float) ** 2 - outlet_pressure**2
    result: Array = column.radius**2 * squares / (16 * viscosity(gas, T) * column.length * outlet_pressure)
    return result


def compressibility(inlet_pressure: Array | float, outlet_pressure: float) -> Array:
    """James and Martin's compressibility factor j [-]; [2]."""
    _require_drop(inlet_pressure, outlet_pressure)
    rho = outlet_pressure / np.asarray(inlet_pressure, dtype=float)
    result: Array = 1.5 * rho * (1 + rho) / (1 + rho + rho**2)
    return result


def _squares_per_flow(column: Column, gas: CarrierGas, T: Array | float) -> Array:
    """(pi^2 - po^2)/F [Pa2 s/m3]; [1]."""
    result: Array = (
        16 * viscosity(gas, T) * column.length * REFERENCE_PRESSURE * np.asarray(T, dtype=float)
    ) / (np.pi * column.radius**4 * REFERENCE_TEMPERATURE)
    return result
