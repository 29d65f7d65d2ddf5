"""How retention times and widths answer to what is uncertain: retention parameters, flow, efficiency and set points.

First derivatives by one-sided steps, from a few calls of the engine for a batch of programs. Efficiency and
injected band enter the variance of a peak linearly, variance = factor x column + injected^2 x share, so that one
simulation with a wider injection gives both.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from models.migration import Accuracy, Migration, MigrationTables, migrate, migration_tables
from models.programs import Array, Controlled, ProgramBatch, delayed
from models.retention import PARAMETER_STEPS, Retention, with_moved_parameters
from models.system import ColumnSystem

OVEN_STEP = 0.05  # K
LAG_STEP = 0.1  # s
CARRIER_STEP = 1e-3  # of the set value above its zero
LN_FLOW_STEP = 1e-3
INJECTION_STEP = 1.0  # s, wider injection in standard deviations
SHARED = ("ln flow factor", "ln plate height factor", "injected variance", "oven", "carrier", "oven lag")


@dataclass(frozen=True)
class SensitivityTables:
    """Tables of M compounds, and of the same with T0, with theta and with dCp moved by a step (4 M)."""

    plain: MigrationTables
    moved: MigrationTables


@dataclass(frozen=True)
class Sensitivity:
    """M peaks of N programs and their first derivatives; nan where not eluted.

    The first axis is retention time [s], width (standard deviation) [s], elution temperature [K] and retention factor
    at elution [-].

    Attributes
    ----------
    base : (4, N, M) array
    by_retention : (4, N, 3, M) array, by T0 [K], ln theta and dCp [J/mol/K] of the compound itself
    by_shared : (4, N, 6, M) array, by what all compounds share (SHARED): ln of the flow factor, ln of the plate height
        factor, the injected band's variance [s2], an offset of the oven [K], a share of the carrier's set value, and
        the oven's lag [s]
    """

    base: Array
    by_retention: Array
    by_shared: Array


def sensitivity_tables(
    system: ColumnSystem,
    retention: Retention,
    controlled: Controlled,
    lowest: float,
    highest: float,
    step: float,
    diffusion: Array,
) -> SensitivityTables:
    """Tables for programs between two temperatures [K], as of `migration_tables`."""
    plain = migration_tables(system, retention, controlled, lowest, highest, step, diffusion)
    everything = with_moved_parameters(retention)
    moved = migration_tables(system, everything, controlled, lowest, highest, step, np.tile(diffusion, 4))
    return SensitivityTables(plain, moved)


def sensitivity(
    tables: SensitivityTables, batch: ProgramBatch, carrier_zero: float, accuracy: Accuracy = "screen"
) -> Sensitivity:
    """Derivatives of M peaks under N programs.

    Parameters
    ----------
    carrier_zero : float, the set value from which a relative error of the carrier counts [Pa, m3/s or m/s]: the
        room's pressure where pressure is controlled, which is read as gauge, else 0
    """
    system, plain = tables.plain.system, tables.plain
    M, N = len(plain.retention), batch.size
    blocks = _stacked(migrate(tables.moved, batch, accuracy)).reshape(4, N, 4, M)
    base = blocks[:, :, 0]
    by_retention = (blocks[:, :, 1:] - base[:, :, None]) / PARAMETER_STEPS[:, None]

    off = _stacked(migrate(plain, _set_off(batch, carrier_zero), accuracy)).reshape(4, 3, N, M)
    faster = replace(system, flow_factor=system.flow_factor * np.exp(LN_FLOW_STEP))
    by_flow = (_stacked(migrate(replace(plain, system=faster), batch, accuracy)) - base) / LN_FLOW_STEP
    wider = replace(system, injection_width=float(np.hypot(system.injection_width, INJECTION_STEP)))
    width, widened = base[1], _stacked(migrate(replace(plain, system=wider), batch, accuracy))[1]
    injected = (widened**2 - width**2) / INJECTION_STEP**2  # share of an injected variance that arrives
    column = width**2 - system.injection_width**2 * injected

    by_shared = np.zeros((4, N, len(SHARED), M))
    by_shared[:, :, 0] = by_flow
    by_shared[1, :, 1] = column / (2 * width)
    by_shared[1, :, 2] = injected / (2 * width)
    by_shared[:, :, 3] = (off[:, 0] - base) / OVEN_STEP
    by_shared[:, :, 4] = (off[:, 1] - base) / CARRIER_STEP
    by_shared[:, :, 5] = (off[:, 2] - base) / LAG_STEP
    return Sensitivity(base, by_retention, by_shared)


def _stacked(peaks: Migration) -> Array:
    """(4, N, M)."""
    return np.stack([peaks.retention_time, peaks.width, peaks.elution_temperature, peaks.retention_factor])


def _set_off(batch: ProgramBatch, carrier_zero: float) -> ProgramBatch:
    """The N programs with the oven a step warmer throughout, with the carrier a step above, and a step late: 3 N."""
    times, T = batch.oven_times, batch.oven_temperatures
    values = batch.carrier_values
    more = values + CARRIER_STEP * (values - carrier_zero)
    return ProgramBatch(
        batch.controlled,
        np.concatenate([times, times, delayed(batch, LAG_STEP).oven_times]),
        np.concatenate([T + OVEN_STEP, T, T]),
        np.concatenate(3 * [batch.carrier_times]),
        np.concatenate([values, more, values]),
    )
