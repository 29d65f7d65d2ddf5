"""Conversions between the bench's units and SI, and the reference state of volumetric flow.

Outside `models` quantities carry trade units in their names; they are converted here and nowhere else.
"""

from __future__ import annotations

from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

Number = TypeVar("Number", float, NDArray[np.float64])

GAS_CONSTANT = 8.314462618  # J/mol/K, CODATA 2018 (exact since the 2019 SI)
REFERENCE_TEMPERATURE = 298.15  # K; flows are stated at 25 °C ...
REFERENCE_PRESSURE = 101325.0  # Pa; ... and one standard atmosphere
ZERO_CELSIUS = 273.15  # K
PA_PER_PSI = 6894.757293168  # lbf/in2, from the exact pound, inch and standard gravity
PA_PER_BAR = 1e5
PA_PER_KPA = 1e3
HALF_95 = 1.96  # standard deviations to either side that hold 95 % of a normal distribution
SECONDS_PER_MINUTE = 60.0
M3_PER_S_PER_ML_MIN = 1e-6 / 60.0


def kelvin(celsius: Number) -> Number:
    """Temperature in K from °C."""
    return celsius + ZERO_CELSIUS


def celsius(kelvin: Number) -> Number:
    """Temperature in °C from K."""
    return kelvin - ZERO_CELSIUS


def absolute_pressure(gauge_kPa: Number, ambient_pressure: float) -> Number:
    """Absolute pressure in Pa from gauge pressure in kPa and the ambient pressure in Pa."""
    return gauge_kPa * PA_PER_KPA + ambient_pressure


def gauge_kPa(absolute: Number, ambient_pressure: float) -> Number:
    """Gauge pressure in kPa from absolute pressure in Pa and the ambient pressure in Pa."""
    return (absolute - ambient_pressure) / PA_PER_KPA


def flow_si(mL_min: Number) -> Number:
    """Volumetric flow in m3/s from mL/min (both at 25 °C, 101.325 kPa)."""
    return mL_min * M3_PER_S_PER_ML_MIN


def flow_mL_min(m3_s: Number) -> Number:
    """Volumetric flow in mL/min from m3/s (both at 25 °C, 101.325 kPa)."""
    return m3_s / M3_PER_S_PER_ML_MIN
