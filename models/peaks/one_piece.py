"""Bands in one piece of column: what `migration` and `series` hand to the engine, and what comes back."""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import cache, cached_property
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models import cores
from models.column.pieces import line_resistance
from models.column.plate_height import terms_of
from models.column.programs import Array, Controlled, ProgramBatch
from models.column.retention import Retention, coefficients
from models.column.system import ColumnSystem, Part
from models.effort import EFFORTS, Accuracy
from models.errors import EngineError
from models.peaks.overload import Lean
from models.units import GAS_CONSTANT, REFERENCE_PRESSURE, REFERENCE_TEMPERATURE

PEAKS_A_THREAD = 4000  # programs x compounds from which a further thread is worth its start
OWN_DIRECTIONS = ("T0", "ln theta", "dCp", "ln flow factor", "ln diffusion", "ln film diffusion")
LN_FLOW, LN_DIFFUSION, LN_FILM = range(3, 6)  # of them


@dataclass(frozen=True)
class MigrationTables:
    """What depends on column system and compounds but not on the program.

    Attributes
    ----------
    system : ColumnSystem
    retention : Retention of M compounds
    controlled : the carrier variable that the programs set
    diffusion : (M,) array  [m2 Pa/(s K^1.75)], D p/T^1.75 in the carrier gas
    load : (M,) array  [-], of compounds whose amount moves them, see `overload` eq. [2]; None where none does
    tailing : (M,) array  [-], tailing factors before the system's decay, see `tails`; None: 1
    part : the piece that is meant, where the column is joined of several; None: all of it, or the coated piece
    """

    system: ColumnSystem
    retention: Retention
    controlled: Controlled
    diffusion: Array
    load: Array | None = None
    tailing: Array | None = None
    part: Part | None = None

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
        return tube_of(self.system, self.controlled, self.part)


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
    lean : Lean, where amounts or the system shape peaks: times are then those of apexes, and widths those at half
        height over 2.355
    """

    retention_time: Array
    width: Array
    elution_temperature: Array
    retention_factor: Array
    heating_rate: Array
    injected_share: Array
    eluted: NDArray[np.bool_]
    slopes: Slopes | None = None
    lean: Lean | None = None


def march(
    tables: MigrationTables, batch: ProgramBatch, accuracy: Accuracy, directions: Directions | None
) -> Migration:
    """Peaks of M compounds at the end of one piece, whose oven and carrier are what N programs say.

    Parameters
    ----------
    batch : ProgramBatch, the oven's lag already in it

    Raises
    ------
    EngineError : when a number inside the engine is not finite
    """
    N, M = batch.size, len(tables.retention)
    peaks, status = np.empty((6, N, M)), np.empty((N, M), dtype=np.uint8)
    changes, slopes = None, None
    if directions is not None:
        changes, slopes = _changes(tables, batch, directions)
    _run(tables, batch, accuracy, peaks, status, changes)
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
    return Migration(time, width, T, k, rate, share, eluted, slopes)


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
    factors = np.empty(batch.size)
    factors[:] = tables.system.flow_factor
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
    migrate_rows, limits, rule, effort = _compiled(accuracy, changes is not None)

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
def _compiled(accuracy: Accuracy, slopes: bool) -> tuple[Any, Any, Any, Any]:
    """The compiled code, and limits of a panel, quadrature rule and effort as it takes them."""
    from models.engine.band import Effort
    from models.engine.batch import migrate_rows
    from models.engine.panels import Limits
    from models.engine.quadrature import rule

    effort = EFFORTS[accuracy]
    # Every panel counts in slopes: what moves next to nothing may still be moved.
    negligible = -1.0 if slopes else effort.negligible
    return (
        migrate_rows,
        Limits(effort.widest, effort.widest_rho, effort.widest_ln_pressure),
        rule(effort.nodes),
        Effort(effort.sweeps, effort.passes, negligible),
    )


def tube_of(system: ColumnSystem, controlled: Controlled, part: Part | None = None) -> Any:
    """Column, gas and outlet as the compiled code takes them; of one part of a joined column.

    A part that takes the share w of the fall of p^2 over length L has V = w^2 times what B and L give, in a clock that
    counts shares of the whole fall. The engine takes u p to be G = V (1+k) L pi eta where it is G/w, and H/L for what
    a band widens by in these shares, where it is w H/L.
    """
    from models.engine.panels import FLOW, PRESSURE, VELOCITY, Tube

    whole, gas = system.column, system.gas
    column, share, start, stop, _ = part or Part(whole, 1.0, 0.0, 1.0)
    terms = terms_of(column, float(system.film_diffusion_factor), float(system.eddy_factor))
    return Tube(
        length=column.length,
        permeability=share**2 * column.permeability,
        eddy=terms.eddy / column.length,
        along=terms.along * share,
        across=terms.across / share,
        shape0=terms.shape[0],
        shape1=terms.shape[1],
        shape2=terms.shape[2],
        film=terms.resistance / share,
        film_energy=terms.energy,
        outlet=float(system.outlet_pressure),
        line=line_resistance(whole.line, gas) / whole.in_oven.length_over_passage,
        plate_height_factor=share * float(system.plate_height_factor),
        injected_variance=float(system.injection_width) ** 2,
        viscosity=gas.viscosity_25C,
        exponent=gas.exponent,
        curvature=gas.curvature,
        squares_per_flow=2 * whole.in_oven.length_over_passage * REFERENCE_PRESSURE / REFERENCE_TEMPERATURE,
        pressure_per_velocity=4 / 3 * column.length / column.permeability,
        start=start,
        stop=stop,
        controlled={"pressure": PRESSURE, "flow": FLOW, "velocity": VELOCITY}[controlled],
        bare=False,
    )
