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

import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import cache, cached_property
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models import cores
from models.column.plate_height import terms_of, typical_diffusion_constant
from models.column.programs import Array, Controlled, ProgramBatch, delayed
from models.column.retention import Retention, coefficients
from models.column.system import ColumnSystem
from models.effort import EFFORTS, LONGEST_RETENTION, Accuracy
from models.engine.cache import on_compile
from models.errors import EngineError, OutsideValidityError
from models.units import GAS_CONSTANT, REFERENCE_PRESSURE, REFERENCE_TEMPERATURE, celsius

__all__ = [
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
PEAKS_A_THREAD = 4000  # programs x compounds from which a further thread is worth its start
OWN_DIRECTIONS = ("T0", "ln theta", "dCp", "ln flow factor", "ln diffusion", "ln film diffusion")


@dataclass(frozen=True)
class MigrationTables:
    """What depends on column system and compounds but not on the program.

    Attributes
    ----------
    system : ColumnSystem
    retention : Retention of M compounds
    controlled : the carrier variable that the programs set
    diffusion : (M,) array  [m2 Pa/(s K^1.75)], D p/T^1.75 in the carrier gas
    """

    system: ColumnSystem
    retention: Retention
    controlled: Controlled
    diffusion: Array

    @cached_property
    def solutes(self) -> Array:
        """(4, M) array: A, B, C of ln k = A + B/T + C ln T, and the diffusion."""
        return np.stack([*coefficients(self.retention), self.diffusion])

    @cached_property
    def parameters(self) -> Array:
        """(M, 3) array: T0 [K], theta [K], dCp/R, by which slopes are taken."""
        retention = self.retention
        return np.stack([retention.T0, retention.theta, retention.dCp / GAS_CONSTANT], axis=1)

    @cached_property
    def tube(self) -> Any:
        """Column, gas and outlet as the compiled code takes them."""
        return tube_of(self.system, self.controlled)


@dataclass(frozen=True)
class Directions:
    """Small changes of N programs in D directions: those of the corners, by a unit of each direction.

    Attributes
    ----------
    oven_times, oven_temperatures : (N, D, B) arrays  [s], [K]
    carrier_times, carrier_values : (N, D, C) arrays  [s], [Pa, m3/s or m/s]
    """

    oven_times: Array
    oven_temperatures: Array
    carrier_times: Array
    carrier_values: Array


@dataclass(frozen=True)
class Slopes:
    """Derivatives of peaks by D directions of the program and then by OWN_DIRECTIONS: (N, D + 6, M) arrays.

    By a compound's own T0 [K], ln theta and dCp [J/mol/K], by ln of the flow factor, of D and of D in the film. Where a
    peak elutes at a corner they are those of one side; nan where not eluted.

    Attributes
    ----------
    retention_time, width : [s]
    elution_temperature : [K]
    ln_retention_factor : [-], at elution
    """

    retention_time: Array
    width: Array
    elution_temperature: Array
    ln_retention_factor: Array


@dataclass(frozen=True)
class Migration:
    """Peaks of M compounds under N programs: (N, M) arrays, nan where not eluted.

    Attributes
    ----------
    retention_time : [s]
    width : [s], standard deviation of the peak in time, as the detector shows it
    elution_temperature : [K]
    retention_factor : [-], at elution
    heating_rate : [K/s], of the oven at elution
    injected_share : [-], variance in time of the injected band in the peak, by its own
    eluted : bool
    slopes : Slopes, if asked for
    """

    retention_time: Array
    width: Array
    elution_temperature: Array
    retention_factor: Array
    heating_rate: Array
    injected_share: Array
    eluted: NDArray[np.bool_]
    slopes: Slopes | None = None


def migration_tables(
    system: ColumnSystem, retention: Retention, controlled: Controlled, diffusion: Array | None = None
) -> MigrationTables:
    """M compounds on a column system, for programs that set one carrier variable.

    Parameters
    ----------
    retention : Retention of M compounds
    controlled : the carrier variable that the programs set
    diffusion : (M,) array  [m2 Pa/(s K^1.75)], D p/T^1.75 of the compounds; estimated from T0 when None
    """
    if diffusion is None:
        diffusion = typical_diffusion_constant(system.gas, retention.T0)
    return MigrationTables(system, retention, controlled, diffusion)


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
    N, M = batch.size, len(tables.retention)
    peaks, status = np.empty((6, N, M)), np.empty((N, M), dtype=np.uint8)
    changes, slopes = None, None
    if directions is not None:
        changes, slopes = _changes(tables, batch, directions)
    _run(tables, delayed(batch, tables.system.oven_lag), accuracy, peaks, status, changes)
    eluted = status == 0
    late = not eluted.all()
    if late and status.max() == 2:
        program, compound = np.argwhere(status == 2)[0] + 1
        raise EngineError(f"program {program}: the peak of compound {compound} came out as no number")
    if late:
        peaks[:, ~eluted] = np.nan
    if late and slopes is not None:
        for values in (
            slopes.retention_time,
            slopes.width,
            slopes.elution_temperature,
            slopes.ln_retention_factor,
        ):
            np.swapaxes(values, 1, 2)[~eluted] = np.nan
    time, width, T, k, rate, share = peaks
    seen = tables.system.detector_variance
    if seen > 0:  # variances add: models.peaks.detection, eq. [1]
        column, width = width, np.sqrt(width**2 + seen)
        if slopes is not None:
            slopes = replace(slopes, width=slopes.width * (column / width)[:, None])
    return Migration(time, width, T, k, rate, share, eluted, slopes)


def _require_known(batch: ProgramBatch) -> None:
    coldest, hottest = batch.oven_temperatures.min(), batch.oven_temperatures.max()
    if coldest < COLDEST or hottest > HOTTEST:
        raise OutsideValidityError(
            f"the program runs from {celsius(float(coldest)):.1f} to {celsius(float(hottest)):.1f} °C; "
            f"the engine covers {celsius(COLDEST):.1f} to {celsius(HOTTEST):.1f} °C"
        )


def _changes(tables: MigrationTables, batch: ProgramBatch, directions: Directions) -> tuple[Any, Slopes]:
    """Directions and room for their slopes as the compiled code takes them, and the slopes."""
    from models.engine import directions as compiled

    shape = (4, batch.size, directions.oven_times.shape[1] + compiled.OWN, len(tables.retention))
    slopes = Slopes(*np.zeros(shape))
    return compiled.Directions(
        np.ascontiguousarray(directions.oven_times, float),
        np.ascontiguousarray(directions.oven_temperatures, float),
        np.ascontiguousarray(directions.carrier_times, float),
        np.ascontiguousarray(directions.carrier_values, float),
        tables.parameters,
        slopes.retention_time,
        slopes.width,
        slopes.elution_temperature,
        slopes.ln_retention_factor,
    ), slopes


def _run(
    tables: MigrationTables,
    batch: ProgramBatch,
    accuracy: Accuracy,
    peaks: Array,
    status: NDArray[np.uint8],
    changes: Any,
) -> None:
    """Fill in peaks and their status, and slopes where there are changes."""
    from models.engine.batch import migrate_rows

    system = tables.system
    factors = np.full(batch.size, system.flow_factor)
    if batch.velocity_factors is not None:
        factors *= batch.velocity_factors
    programs = (
        batch.oven_times,
        batch.oven_temperatures,
        batch.carrier_times,
        batch.carrier_values,
        factors,
        tables.solutes,
    )
    given = [np.ascontiguousarray(values, dtype=float) for values in programs]
    limits, rule, effort = _effort(accuracy, changes is not None)

    def part(first: int, stop: int) -> None:
        migrate_rows(first, stop, tables.tube, limits, rule, effort, *given, peaks, status, changes)

    threads = min(batch.size, status.size // PEAKS_A_THREAD)
    if threads > 1:
        threads = min(threads, cores.cores_here())
    if threads < 2:
        part(0, batch.size)
        return
    edges = np.linspace(0, batch.size, 4 * threads + 1).astype(int).tolist()
    for done in [_threads().submit(part, *edge) for edge in pairwise(edges)]:
        done.result()


@cache
def _threads() -> ThreadPoolExecutor:
    return ThreadPoolExecutor(cores.cores_here(), "engine")


if hasattr(os, "register_at_fork"):
    os.register_at_fork(after_in_child=_threads.cache_clear)  # threads do not come along


@cache
def _effort(accuracy: Accuracy, slopes: bool) -> tuple[Any, Any, Any]:
    """Limits of a panel, quadrature rule and effort as the compiled code takes them."""
    from models.engine.band import Effort
    from models.engine.panels import Limits
    from models.engine.quadrature import rule

    effort = EFFORTS[accuracy]
    # Every panel counts in slopes: what moves next to nothing may still be moved.
    negligible = -1.0 if slopes else effort.negligible
    return (
        Limits(effort.widest, effort.widest_rho, effort.widest_ln_pressure),
        rule(effort.nodes),
        Effort(effort.sweeps, effort.passes, negligible),
    )


def tube_of(system: ColumnSystem, controlled: Controlled) -> Any:
    """Column, gas and outlet as the compiled code takes them."""
    from models.engine.panels import FLOW, PRESSURE, VELOCITY, Tube

    column, gas = system.column, system.gas
    terms = terms_of(column, float(system.film_diffusion_factor))
    return Tube(
        length=column.length,
        permeability=column.permeability,
        eddy=terms.eddy / column.length,
        along=terms.along,
        across=terms.across,
        shape0=terms.shape[0],
        shape1=terms.shape[1],
        shape2=terms.shape[2],
        film=terms.resistance,
        film_energy=terms.energy,
        outlet=float(system.outlet_pressure),
        plate_height_factor=float(system.plate_height_factor),
        injected_variance=float(system.injection_width) ** 2,
        viscosity=gas.viscosity_25C,
        exponent=gas.exponent,
        curvature=gas.curvature,
        squares_per_flow=2
        * column.length
        * REFERENCE_PRESSURE
        / (column.gas_area * column.permeability * REFERENCE_TEMPERATURE),
        pressure_per_velocity=4 / 3 * column.length / column.permeability,
        start=0.0,
        stop=1.0,
        controlled={"pressure": PRESSURE, "flow": FLOW, "velocity": VELOCITY}[controlled],
    )
