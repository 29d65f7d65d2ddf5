"""Retention time and peak width of M compounds under N programs: the engine.

With V = pi (1 - rho) B / (2 eta L^2 (1+k)), rho = (po/pi)^2 and B the column's permeability (r^2/8 of an open tube),
a band at z (share of the fall of p^2, in a tube of one piece that of the length) moves as

    dz/dt = V(t) / (1 - (1 - rho) z)^(1/2)                                              [1]

so that s = integral of V dt is a clock that does not depend on where the band is, in which migration is gentle:
dz/ds = (1 - (1-rho) z)^(-1/2). A program is cut into panels over which temperature, pressure and k change
moderately, and

    s(t) = integral of V dt                                                             [2]

is Gauss-Legendre quadrature on the nodes of a panel, or V times its length where nothing changes. Where rho stays what
it is, a band that starts at z = 0 is out at s = S(rho) exactly,

    S(rho) = (2/3) (1 - rho^(3/2)) / (1 - rho).                                         [3]

Elsewhere rho changes while the band travels. With rho* its value at the end of a panel, the function
Y(z) = (2/3) (1 - (1 - (1-rho*) z)^(3/2)) / (1-rho*) obeys

    dY/ds = R(s, z) = P*/P,   P^2 = 1 - (1-rho) z,   P*^2 = 1 - (1-rho*) z,             [4]

close to one, solved by Picard iteration on the nodes of the panel; the band is out at Y = Y(1) = S(rho*). The panel in
which it elutes ends when it does.

Band width: the variance of the band in Y grows as

    d(var)/ds = (H/L) P*^2/P + 2 var dR/dY,    dR/dY = R (rho* - rho) / (2 P*^3 P^2),   [5]

and at elution the standard deviation of the peak in time is sqrt(var)/V. With rho constant this is the familiar
quadrature of H p over the hold-up time passed.

[1] is Poiseuille's law in quasi-steady flow, see `system`; [3] to [5] are derived in docs/theory.md and
held by tests against the equations marched in time. The compiled code is in `models.engine`.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from models.column.plate_height import typical_diffusion_constant
from models.column.programs import Array, Controlled, ProgramBatch, delayed
from models.column.retention import Retention
from models.column.system import ColumnSystem
from models.effort import LONGEST_RETENTION, Accuracy
from models.engine.cache import on_compile
from models.errors import OutsideValidityError
from models.peaks.one_piece import (
    LN_DIFFUSION,
    LN_FILM,
    LN_FLOW,
    OWN_DIRECTIONS,
    Directions,
    Migration,
    MigrationTables,
    Slopes,
    march,
)
from models.peaks.overload import Lean, leaning, upright
from models.peaks.resolution import front_for, leaning_too
from models.peaks.series import through
from models.peaks.tails import seen
from models.units import celsius

__all__ = [
    "LN_DIFFUSION",
    "LN_FILM",
    "LN_FLOW",
    "LONGEST_RETENTION",
    "OWN_DIRECTIONS",
    "Directions",
    "Migration",
    "MigrationTables",
    "Slopes",
    "migrate",
    "migration_tables",
    "on_compile",
]

COLDEST, HOTTEST = 173.15, 723.15  # K, beyond which no column is used and no viscosity known


def migration_tables(
    system: ColumnSystem,
    retention: Retention,
    controlled: Controlled,
    diffusion: Array | None = None,
    load: Array | None = None,
    tailing: Array | None = None,
) -> MigrationTables:
    """M compounds on a column system, for programs that set one carrier variable.

    Parameters
    ----------
    retention : Retention of M compounds
    controlled : the carrier variable that the programs set
    diffusion : (M,) array  [m2 Pa/(s K^1.75)], D p/T^1.75 of the compounds; estimated from T0 when None
    load, tailing : (M,) arrays  [-], see `MigrationTables`
    """
    if diffusion is None:
        diffusion = typical_diffusion_constant(system.gas, retention.T0)
    return MigrationTables(system, retention, controlled, diffusion, load, tailing)


def migrate(
    tables: MigrationTables,
    batch: ProgramBatch,
    accuracy: Accuracy = "polish",
    directions: Directions | None = None,
) -> Migration:
    """Retention times and widths of M compounds under N programs; eqs. [1] to [5].

    Parameters
    ----------
    tables : MigrationTables, for the carrier variable that the batch controls
    batch : ProgramBatch of N programs
    accuracy : "screen" or "polish": times within 1e-4 or 2e-5 (1e-8 where [3] is exact), widths within 0.5 or 0.1 %
    directions : Directions of the N programs in which slopes are wanted, with those by what is a compound's own

    Returns
    -------
    Migration with (N, M) arrays

    Raises
    ------
    OutsideValidityError : when a program leaves the temperatures at which gas and phase are known
    EngineError : when a number inside the engine is not finite
    ValueError : when the batch controls another carrier variable than the tables
    """
    if batch.controlled != tables.controlled:
        raise ValueError(f"tables are for controlled {tables.controlled}, the batch for {batch.controlled}")
    _require_known(batch)
    felt = delayed(batch, tables.system.oven_lag)
    joined = tables.system.column.joined
    peaks = (through if joined else march)(tables, felt, accuracy, directions)
    if tables.load is not None and tables.load.any():
        lean, leant, by_ln_R = _leaning(tables, felt, accuracy, directions, peaks.width, peaks.slopes)
        peaks = replace(
            peaks, retention_time=peaks.retention_time + lean.shift, width=lean.width, slopes=leant, lean=lean
        )
    else:
        by_ln_R = None
    added, tau = tables.system.detector_variance, tables.system.time_constant
    if tau and peaks.lean is None:
        peaks = replace(peaks, lean=upright(peaks.width))
    if added:
        peaks = _read(peaks, added)
    return _decayed(tables, peaks, by_ln_R) if tau else peaks


def _read(peaks: Migration, added: float) -> Migration:
    """Peaks with the variance [s2] that readings add; variances add: `detection` eq. [1]."""
    width, slopes, lean = np.sqrt(peaks.width**2 + added), peaks.slopes, peaks.lean
    if slopes is not None:
        slopes = replace(slopes, width=slopes.width * (peaks.width / width)[:, None])
    if lean is not None:
        lean = replace(lean, width_by_sigma=lean.width_by_sigma * (peaks.width / width))
    return replace(peaks, width=width, slopes=slopes, lean=lean)


def _decayed(tables: MigrationTables, peaks: Migration, ln_R: Array | None) -> Migration:
    """Peaks after the system's decay; `tails` eq. [1]. `ln_R` are slopes of the logarithm of how far they lean."""
    own = np.ones(len(tables.retention)) if tables.tailing is None else tables.tailing
    lean, slopes = peaks.lean, peaks.slopes
    assert lean is not None
    found = seen(peaks.width, tables.system.time_constant, leaning_too(own, lean.front))
    if slopes is not None:
        by_time = slopes.retention_time + found.shift_by_sigma[:, None] * slopes.width
        by_width = found.width_by_sigma[:, None] * slopes.width
        if ln_R is not None:
            steepness = lean.steepness_by_ln_R[:, None] * ln_R
            by_time = by_time + found.shift_by_steepness[:, None] * steepness
            by_width = by_width + found.width_by_steepness[:, None] * steepness
        slopes = replace(slopes, retention_time=by_time, width=by_width)
    steepness_by_sigma = -2 / lean.sigma * lean.steepness_by_ln_R
    lean = replace(
        lean,
        shift=lean.shift + found.shift,
        front=front_for(found.tailing, own),
        time_by_sigma=lean.time_by_sigma
        + found.shift_by_sigma * lean.width_by_sigma
        + found.shift_by_steepness * steepness_by_sigma,
        width_by_sigma=found.width_by_sigma * lean.width_by_sigma
        + found.width_by_steepness * steepness_by_sigma,
    )
    time = peaks.retention_time + found.shift
    return replace(peaks, retention_time=time, width=found.width, slopes=slopes, lean=lean)


def _leaning(
    tables: MigrationTables,
    batch: ProgramBatch,
    accuracy: Accuracy,
    directions: Directions | None,
    sigma: Array,
    slopes: Slopes | None,
) -> tuple[Lean, Slopes | None, Array | None]:
    """Peaks of `sigma` (N, M) [s] and slopes as amounts make them, and those of the logarithm of R.

    The compounds that have any are marched with (k/(1+k))^2 for H/L: [5] then sums it with the weights of the variance.

    (k/(1+k))^2 = 1 - 2 e + e^2 with e = 1/(1+k) has the form of the gas's resistance; the last digit of its first
    coefficient keeps it above zero where nothing is retained.
    """
    assert tables.load is not None
    which = np.flatnonzero(tables.load)
    system = replace(
        tables.system,
        injection_width=0.0,
        detector_variance=0.0,
        time_constant=0.0,
        plate_height_factor=1.0,
        film_diffusion_factor=1.0,
    )
    some = MigrationTables(system, tables.retention[which], tables.controlled, np.ones(len(which)))
    bare = some.tube._replace(eddy=0.0, shape0=1.0 + 1e-12, shape1=-2.0, shape2=1.0, bare=True)
    some.__dict__["tube"] = bare
    found = march(some, batch, accuracy, directions)
    summed = np.zeros_like(sigma)
    summed[:, which] = found.width
    lean = leaning(sigma, summed, tables.load)
    if slopes is None or found.slopes is None:
        return lean, None, None
    by_own = found.slopes.width[:, -len(OWN_DIRECTIONS) :]  # those of a plate height that no flow changes
    by_own[:, LN_FLOW] += by_own[:, LN_DIFFUSION]
    by_own[:, [LN_DIFFUSION, LN_FILM]] = 0.0
    ln_sum = np.zeros_like(slopes.width)
    ln_sum[:, :, which] = found.slopes.width / np.where(found.width > 0, found.width, 1.0)[:, None]
    leant = replace(
        slopes,
        retention_time=slopes.retention_time
        + lean.time_by_sigma[:, None] * slopes.width
        + lean.time_by_sum[:, None] * ln_sum,
        width=lean.width_by_sigma[:, None] * slopes.width + lean.width_by_sum[:, None] * ln_sum,
    )
    return lean, leant, 2 * (ln_sum - slopes.width / lean.sigma[:, None])


def _require_known(batch: ProgramBatch) -> None:
    coldest, hottest = batch.oven_temperatures.min(), batch.oven_temperatures.max()
    if coldest < COLDEST or hottest > HOTTEST:
        raise OutsideValidityError(
            f"the program runs from {celsius(float(coldest)):.1f} to {celsius(float(hottest)):.1f} °C; "
            f"the engine covers {celsius(COLDEST):.1f} to {celsius(HOTTEST):.1f} °C"
        )
