"""How retention times and widths answer to what is uncertain: retention parameters, flow, efficiency and set points.

From one call of the engine, which gives peaks and slopes together. Efficiency and injected band enter the variance of a
peak linearly, variance = factor x column + injected^2 x share; so do eddies: what a packing without them lacks.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from models.column.programs import Array, ProgramBatch
from models.column.scaling import ln_velocities
from models.effort import Accuracy
from models.peaks.migration import (
    LN_DIFFUSION,
    LN_FILM,
    LN_FLOW,
    Directions,
    Migration,
    MigrationTables,
    migrate,
)

SET_POINTS = 3  # of the directions that come first, those of `off_set_points`
RETENTION = 3  # of OWN_DIRECTIONS, those by retention parameters
SHARED = (
    "ln flow factor",
    "ln plate height factor",
    "injected variance",
    "oven",
    "carrier",
    "oven lag",
    "ln film diffusion",
    "ln eddy",
)


@dataclass(frozen=True)
class Sensitivity:
    """M peaks of N programs and their first derivatives; nan where not eluted.

    The first axis is retention time [s], width (standard deviation) [s], elution temperature [K] and retention factor
    at elution [-].

    Attributes
    ----------
    base : (4, N, M) array
    by_retention : (4, N, 3, M) array, by T0 [K], ln theta and dCp [J/mol/K] of the compound itself
    by_shared : (4, N, 8, M) array, by what all compounds share (SHARED): ln of the flow factor, ln of the plate height
        factor, the injected band's variance [s2], an offset of the oven [K], a share of the carrier's set value, the
        oven's lag [s], ln of diffusion in the film, and ln lambda of a packing
    by_diffusion : (N, M) array  [s], of widths, by ln of the compound's own diffusion in the gas; it moves nothing else
        worth counting
    ln_velocity : (N,) array, of the programs, see `ln_velocities`
    front : (N, M) array, see `overload.Shape`; None where amounts move nothing
    """

    base: Array
    by_retention: Array
    by_shared: Array
    by_diffusion: Array
    ln_velocity: Array
    front: Array | None = None


def off_set_points(batch: ProgramBatch, carrier_zero: float | Array) -> Directions:
    """Directions of N programs: an offset of the oven [K], a share of the carrier's set value, the oven's lag [s].

    Parameters
    ----------
    carrier_zero : float or (N,) array, the set value from which a share of the carrier counts
    """
    shape = batch.size, 3, batch.oven_times.shape[1]
    oven_times, oven = np.zeros(shape), np.zeros(shape)
    oven[:, 0], oven_times[:, 2, 1:] = 1.0, 1.0
    carrier = np.zeros((batch.size, 3, batch.carrier_values.shape[1]))
    carrier[:, 1] = batch.carrier_values - np.asarray(carrier_zero).reshape(-1, 1)
    return Directions(oven_times, oven, np.zeros(carrier.shape), carrier)


def sensitivity(
    tables: MigrationTables, batch: ProgramBatch, carrier_zero: float, accuracy: Accuracy = "screen"
) -> Sensitivity:
    """Derivatives of M peaks under N programs.

    Parameters
    ----------
    carrier_zero : float, the set value from which a relative error of the carrier counts [Pa, m3/s or m/s]: the
        room's pressure where pressure is controlled, which is read as gauge, else 0
    """
    peaks = migrate(tables, batch, accuracy, off_set_points(batch, carrier_zero))
    slopes = _slopes(peaks)
    own = slopes[:, :, SET_POINTS:]
    width, injected = peaks.width, peaks.injected_share
    column = width**2 - tables.system.injection_width**2 * injected - tables.system.detector_variance
    by_shared = np.zeros((4, batch.size, len(SHARED), len(tables.retention)))
    by_shared[:, :, 0] = own[:, :, LN_FLOW]
    eddies = _eddies(tables, batch, accuracy, peaks)
    sigma, lean = width, peaks.lean
    if lean is not None:
        sigma, column = lean.sigma, lean.sigma**2 - tables.system.injection_width**2 * injected
    for at, variance in ((1, column), (2, injected), (7, eddies)):
        of_sigma = variance / (2 * sigma)
        by_shared[1, :, at] = of_sigma if lean is None else lean.width_by_sigma * of_sigma
        if lean is not None:  # all widen a trace, and so make less of its amount
            by_shared[0, :, at] = lean.time_by_sigma * of_sigma
    by_shared[:, :, 3:6] = slopes[:, :, :SET_POINTS]  # oven, carrier, lag
    by_shared[:2, :, 6] = own[:2, :, LN_FILM]
    base = np.array([peaks.retention_time, width, peaks.elution_temperature, peaks.retention_factor])
    front = None if lean is None else lean.front
    by_diffusion, ln_velocity = own[1, :, LN_DIFFUSION], ln_velocities(tables.system, batch)
    return Sensitivity(base, own[:, :, :RETENTION], by_shared, by_diffusion, ln_velocity, front)


def _eddies(tables: MigrationTables, batch: ProgramBatch, accuracy: Accuracy, peaks: Migration) -> Array:
    """The variances (N, M) [s2] by eddies, before amounts and the system shape peaks."""
    if tables.system.column.packing is None:
        return np.zeros_like(peaks.width)
    bare = replace(tables.system, eddy_factor=0.0, detector_variance=0.0, time_constant=0.0)
    smooth = migrate(replace(tables, system=bare, load=None), batch, accuracy)
    traced = peaks.width**2 - tables.system.detector_variance if peaks.lean is None else peaks.lean.sigma**2
    result: Array = traced - smooth.width**2
    return result


def migrate_around(tables: MigrationTables, batch: ProgramBatch) -> Migration:
    """Peaks of a program and, to first order from its slopes, of N - 1 programs close to it; one pass of the engine.

    Parameters
    ----------
    batch : ProgramBatch of N programs, the one in the middle first, from which the others take how far peaks lean
    """
    corners = (batch.oven_times, batch.oven_temperatures, batch.carrier_times, batch.carrier_values)
    away = [(values[1:] - values[:1])[None] for values in corners]
    peaks = migrate(tables, batch[np.arange(1)], "polish", Directions(*away))
    found, near = peaks.slopes, batch.size - 1
    assert found is not None

    def around(value: Array, change: Array) -> Array:
        return np.concatenate([value, value + change[0, :near]])

    ln_k = around(np.log(peaks.retention_factor), found.ln_retention_factor)
    return Migration(
        around(peaks.retention_time, found.retention_time),
        around(peaks.width, found.width),
        around(peaks.elution_temperature, found.elution_temperature),
        np.exp(ln_k),
        peaks.heating_rate.repeat(batch.size, axis=0),
        peaks.injected_share.repeat(batch.size, axis=0),
        peaks.eluted.repeat(batch.size, axis=0),
        lean=None if peaks.lean is None else peaks.lean.repeated(batch.size),
    )


def _slopes(peaks: Migration) -> Array:
    """Slopes of time, width, temperature and retention factor: (4, N, D + 6, M)."""
    found = peaks.slopes
    assert found is not None
    by_k = found.ln_retention_factor * peaks.retention_factor[:, None]
    return np.array([found.retention_time, found.width, found.elution_temperature, by_k])
