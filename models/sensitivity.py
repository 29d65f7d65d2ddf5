"""How retention times and widths answer to what is uncertain: retention parameters, flow, efficiency and set points.

From one call of the engine for a batch of programs. By what all compounds share, first derivatives are steps, for the
oven to both sides, as corners bend its effect most; efficiency and injected band need none, as they enter the variance
of a peak linearly, variance = factor x column + injected^2 x share. By a compound's own retention parameters they come
with the simulation (`migration` eq. [6]).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.effort import Accuracy
from models.migration import Migration, MigrationTables, migrate
from models.programs import Array, ProgramBatch, delayed
from models.retention import Retention, enthalpy, ln_retention_factor_slopes
from models.sections import has_constant_c
from models.system import ColumnSystem
from models.units import GAS_CONSTANT

OVEN_STEP = 0.05  # K
LAG_STEP = 0.1  # s
CARRIER_STEP = 1e-3  # of the set value above its zero
LN_FLOW_STEP = 1e-3
SET_OFF = 6  # programs for one
SHARED = ("ln flow factor", "ln plate height factor", "injected variance", "oven", "carrier", "oven lag")


@dataclass(frozen=True)
class Sensitivity:
    """M peaks of N programs and their first derivatives; nan where not eluted.

    The first axis is retention time [s], width (standard deviation) [s], elution temperature [K] and retention factor
    at elution [-].

    Attributes
    ----------
    base : (4, N, M) array
    by_retention : (4, N, 3, M) array, by T0 [K], ln theta and dCp [J/mol/K] of the compound itself; 0 for the width,
        which is not worked out
    by_shared : (4, N, 6, M) array, by what all compounds share (SHARED): ln of the flow factor, ln of the plate height
        factor, the injected band's variance [s2], an offset of the oven [K], a share of the carrier's set value, and
        the oven's lag [s]
    """

    base: Array
    by_retention: Array
    by_shared: Array


def sensitivity(tables: MigrationTables, batch: ProgramBatch, carrier_zero: float) -> Sensitivity:
    """Derivatives of M peaks under N programs.

    Parameters
    ----------
    carrier_zero : float, the set value from which a relative error of the carrier counts [Pa, m3/s or m/s]: the
        room's pressure where pressure is controlled, which is read as gauge, else 0
    """
    system, M, N = tables.system, len(tables.retention), batch.size
    plain = np.arange(SET_OFF * N) < N
    peaks = migrate(tables, _set_off(batch, carrier_zero), accuracy_for_slopes(system, batch), plain)
    base, faster, colder, warmer, more, later = _stacked(peaks).reshape(4, SET_OFF, N, M).swapaxes(0, 1)
    by_retention = _by_retention(
        tables.retention, base, peaks.heating_rate[:N], peaks.retention_time_slopes[:N]
    )

    width, injected = base[1], peaks.injected_share[:N]
    column = width**2 - system.injection_width**2 * injected
    by_shared = np.zeros((4, N, len(SHARED), M))
    by_shared[:, :, 0] = (faster - base) / LN_FLOW_STEP
    by_shared[1, :, 1] = column / (2 * width)
    by_shared[1, :, 2] = injected / (2 * width)
    by_shared[:, :, 3] = (warmer - colder) / (2 * OVEN_STEP)
    by_shared[:, :, 4] = (more - base) / CARRIER_STEP
    by_shared[:, :, 5] = (later - base) / LAG_STEP
    return Sensitivity(base, by_retention, by_shared)


def accuracy_for_slopes(system: ColumnSystem, batch: ProgramBatch) -> Accuracy:
    """Where rho is constant polishing costs little, and the few nodes of screening leave slopes by dCp off by 3 %."""
    return "polish" if has_constant_c(system, batch) else "screen"


def _by_retention(retention: Retention, base: Array, heating: Array, slopes: Array) -> Array:
    """`Sensitivity.by_retention` from heating rates at elution (N, M) [K/s] and the slopes of times (N, 3, M)."""
    T, k = base[2], base[3, :, None]
    warmer = heating[:, None] * slopes
    by_kelvin = -enthalpy(retention, T) / (GAS_CONSTANT * T**2)  # d ln k/dT, van 't Hoff
    own = ln_retention_factor_slopes(retention, T).swapaxes(0, 1)
    return np.stack([slopes, np.zeros_like(slopes), warmer, k * (own + by_kelvin[:, None] * warmer)])


def _stacked(peaks: Migration) -> Array:
    """(4, N, M)."""
    return np.stack([peaks.retention_time, peaks.width, peaks.elution_temperature, peaks.retention_factor])


def _set_off(batch: ProgramBatch, carrier_zero: float) -> ProgramBatch:
    """The N programs, and these with faster gas, a colder and a warmer oven, more carrier and the oven late: 6 N."""
    times, T = batch.oven_times, batch.oven_temperatures
    values = batch.carrier_values
    more = values + CARRIER_STEP * (values - carrier_zero)
    factors = np.ones((SET_OFF, batch.size))
    factors[1] = np.exp(LN_FLOW_STEP)
    return ProgramBatch(
        batch.controlled,
        np.concatenate([*(SET_OFF - 1) * [times], delayed(batch, LAG_STEP).oven_times]),
        np.concatenate([T, T, T - OVEN_STEP, T + OVEN_STEP, T, T]),
        np.concatenate(SET_OFF * [batch.carrier_times]),
        np.concatenate([*4 * [values], more, values]),
        factors.ravel(),
    )
