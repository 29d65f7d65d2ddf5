"""Programs cut into sections on which the migration clock s has a closed form.

See `migration` for the equations ([2] there). On a section the temperature is linear in time and c, the part of
the velocity that depends on pressure, is a constant where the carrier allows it, else a quadratic in time.
Arrays put sections first and bands (program x compound, flattened as n M + m) last, so that every operation runs
along long rows.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.carrier_gas import viscosity
from models.errors import OutsideValidityError
from models.interpolation import AntiderivativeTable
from models.legs import Legs, corners, is_static, legs_and_sections, pressure_and_c
from models.programs import Array, Controlled, ProgramBatch
from models.retention import Retention, ln_retention_factor
from models.system import ColumnSystem, clock_weight, inlet_pressure
from models.units import celsius

FLAT = 1e-6  # K; a section that changes less is a hold
FLAT_QUADRATIC = 1e-3  # K; the same where differences of the higher tables would be lost in rounding


@dataclass(frozen=True)
class Sections:
    """S sections of N programs for M compounds; the last is the endless hold after the program.

    Attributes
    ----------
    frozen : bool, whether rho = (po/pi)^2 is the same throughout a program
    programs, compounds : int, N and M
    values : (13, S N) array, or (7, S N) where c is constant: what `Stretch` names, flat in j N + n
    pressure : (S, N) array  [Pa], inlet pressure at the start of each section
    clock : (S, N M) array, s at the start
    phi : (S, N M) array, Phi_0 at the start
    speed : (S, N M) array, w/(1+k) in the holds, 0 elsewhere
    at_start : (S, N M) array, the sum of the factors times the tables; empty where c is constant
    legs : Legs of which these are the sections; None where c is constant
    velocity_factors : (N,) array or None  [-], what c of single programs was multiplied by
    """

    table: AntiderivativeTable
    system: ColumnSystem
    controlled: Controlled
    frozen: bool
    programs: int
    compounds: int
    values: Array
    pressure: Array
    clock: Array
    phi: Array
    speed: Array
    at_start: Array
    legs: Legs | None
    velocity_factors: Array | None

    def stretch(self, which: NDArray[np.intp]) -> Stretch:
        """Sections `which` (flat numbers j N + n)."""
        rows = self.values.take(which, axis=1)
        start, length, T_start, rise, per_kelvin, carrier, c0 = rows[:7]
        return Stretch(start, length, T_start, rise, per_kelvin, carrier, c0, rows[7:])

    def inlet_pressure(self, stretch: Stretch, T: Array) -> Array:
        """Inlet pressure [Pa] in sections on which the carrier is not ramped, at T [K]."""
        return inlet_pressure(self.system, self.controlled, stretch.carrier, T)


@dataclass(frozen=True)
class Stretch:
    """Sections picked out of a batch: (E,) arrays.

    Attributes
    ----------
    start, length : [s]; the length of the endless hold is given as 1 s
    T_start, rise : [K], the rise being 0 for a hold
    per_kelvin : length/rise [s/K], 0 for a hold
    carrier : the set value at the start
    c0 : c at the start
    curves : (6, E) array, empty where c is constant: the rest of c as a quadratic in the share u of the section, the
        inlet pressure at the start [Pa], and the factors of Phi_0, Phi_1, Phi_2 in s
    """

    start: Array
    length: Array
    T_start: Array
    rise: Array
    per_kelvin: Array
    carrier: Array
    c0: Array
    curves: Array

    @property
    def factors(self) -> Array:
        """Factors of Phi_0, Phi_1 and Phi_2 in s, (3, E)."""
        result: Array = self.curves[3:]
        return result

    def c(self, u: Array) -> Array:
        """c after the share u of the section; beyond 1 lies only the endless hold, where nothing changes."""
        share = np.minimum(u, 1.0)
        result: Array = self.c0 + share * (self.curves[0] + share * self.curves[1])
        return result

    def c_passed(self, u: Array) -> Array:
        """Integral of c over the share u."""
        result: Array = u * (self.c0 + u * (self.curves[0] / 2 + u * (self.curves[1] / 3)))
        return result


def sections_of(
    table: AntiderivativeTable,
    system: ColumnSystem,
    retention: Retention,
    batch: ProgramBatch,
    misfit: float,
) -> Sections:
    """Cut a batch of programs into sections and run the clock of every compound over them.

    Legs are cut until the quadratic c is nowhere further off than the relative `misfit`.

    Raises
    ------
    OutsideValidityError : when a program leaves the temperatures the table covers
    """
    _require_table(table, batch)
    vacuum = system.outlet_pressure == 0
    constant_c = has_constant_c(system, batch)
    legs = None
    if constant_c:
        start, T, carrier = corners(batch)
    else:
        legs, start, T, carrier = legs_and_sections(system, batch, misfit, FLAT_QUADRATIC)
    S, N, M = *start.shape, len(retention)

    length = np.ones_like(start)
    length[:-1] = start[1:] - start[:-1]
    rise = np.zeros_like(start)
    rise[:-1] = T[1:] - T[:-1]
    hold = np.abs(rise) <= (FLAT if constant_c else FLAT_QUADRATIC)
    rise[hold] = 0.0
    per_kelvin = np.where(hold, 0.0, length / np.where(hold, 1.0, rise))
    pressure, c = pressure_and_c(system, batch, carrier, T)

    phi = table.rows(T, 0).reshape(S, N * M)
    paces = np.zeros((S, N, M))
    paces[hold] = _speed(retention, batch.controlled, system, T[hold])
    speed = paces.reshape(S, N * M)

    def widened(values: Array) -> Array:
        """(S, N) values for every compound: (S, N M)."""
        return np.repeat(values, M, axis=1)

    at_start = np.empty(0)
    values = [start, length, T, rise, per_kelvin, carrier]
    if constant_c:
        values.append(c)
        ramps = widened((c * per_kelvin)[:-1]) * (phi[1:] - phi[:-1])
        mean_c = c
    else:
        _, middle = pressure_and_c(system, batch, (carrier[:-1] + carrier[1:]) / 2, (T[:-1] + T[1:]) / 2)
        coefficients = _through(c, middle)
        powers = _powers(table, coefficients, T, rise, per_kelvin)
        values += [*coefficients, pressure, *powers]
        tables = [phi, table.rows(T, 1).reshape(S, N * M), table.rows(T, 2).reshape(S, N * M)]
        wide = [widened(factor) for factor in powers]
        at_start = wide[0] * tables[0] + wide[1] * tables[1] + wide[2] * tables[2]
        ramps = -at_start[:-1]
        for factor, phi_n in zip(wide, tables, strict=True):
            ramps += factor[:-1] * phi_n[1:]
        mean_c = coefficients[0] + coefficients[1] / 2 + coefficients[2] / 3
    clock = np.zeros((S, N * M))
    # In the other kind of section one of the two is zero.
    steps = np.maximum(ramps, 0.0) + widened((mean_c * length)[:-1]) * speed[:-1]
    np.cumsum(steps, axis=0, out=clock[1:])
    return Sections(
        table=table,
        system=system,
        controlled=batch.controlled,
        frozen=vacuum or constant_c,
        programs=N,
        compounds=M,
        values=np.stack(values).reshape(len(values), S * N),
        pressure=pressure,
        clock=clock,
        phi=phi,
        speed=speed,
        at_start=at_start,
        legs=legs,
        velocity_factors=batch.velocity_factors,
    )


def has_constant_c(system: ColumnSystem, batch: ProgramBatch) -> bool:
    """Whether c is constant on every section, so that sections need no cutting and s no iteration."""
    return is_static(batch) and (batch.controlled == "pressure" or system.outlet_pressure == 0)


def _require_table(table: AntiderivativeTable, batch: ProgramBatch) -> None:
    coldest, hottest = batch.oven_temperatures.min(), batch.oven_temperatures.max()
    if coldest < table.lowest or hottest > table.highest:
        raise OutsideValidityError(
            f"the program runs from {celsius(float(coldest)):.1f} to {celsius(float(hottest)):.1f} °C; "
            f"the retention tables cover {celsius(table.lowest):.1f} to {celsius(table.highest):.1f} °C"
        )


def _through(start: Array, middle: Array) -> Array:
    """Quadratics in the share of each section (3, S, N), from values at starts (S, N) and middles (S-1, N)."""
    a, b = start[:-1], start[1:]
    result = np.zeros((3, *start.shape))
    result[0] = start
    result[1, :-1] = 4 * middle - 3 * a - b
    result[2, :-1] = 2 * (a + b) - 4 * middle
    return result


def _powers(
    table: AntiderivativeTable, c: Array, T: Array, rise: Array, per_kelvin: Array
) -> tuple[Array, Array, Array]:
    """Factors of Phi_0, Phi_1 and Phi_2 in s on each section: c(u) rewritten in (T - Tc)/X."""
    safe = np.where(rise == 0.0, 1.0, rise)
    p, q = table.scale / safe, (table.centre - T) / safe
    return (
        per_kelvin * (c[0] + q * (c[1] + q * c[2])),
        per_kelvin * p * (c[1] + 2 * q * c[2]),
        per_kelvin * p * p * c[2],
    )


def _speed(retention: Retention, controlled: Controlled, system: ColumnSystem, T: Array) -> Array:
    """w/(1+k) at temperatures (n,) [K], shape (n, M): exact, because a hold has nothing to average over."""
    one_plus_k = 1.0 + np.exp(np.minimum(ln_retention_factor(retention, T), 700.0))
    result: Array = clock_weight(controlled, T, viscosity(system.gas, T))[:, None] / one_plus_k
    return result
