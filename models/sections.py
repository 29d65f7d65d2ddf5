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
from models.programs import Array, Controlled, ProgramBatch, values_at
from models.retention import Retention, ln_retention_factor
from models.system import ColumnSystem, clock_weight, inlet_pressure, velocity_scale
from models.units import celsius

MOST_CUTS = 8  # sections per stretch of a program along which temperature or carrier changes
WIDEST = 150.0  # K, so that few nodes can follow k along a section
RHO_COUNTS = 0.02  # weight of a misfit of (po/pi)^2, which only quadratures see, beside one of c
FLAT = 1e-6  # K; a section that changes less is a hold
FLAT_QUADRATIC = 1e-3  # K; the same where differences of the higher tables would be lost in rounding

Bool = NDArray[np.bool_]


@dataclass(frozen=True)
class Sections:
    """S sections of N programs for M compounds; the last is the endless hold after the program.

    Attributes
    ----------
    frozen : bool, whether rho = (po/pi)^2 is the same throughout a program
    constant_c : bool, whether c is constant on every section
    programs, compounds : int, N and M
    values : (15, S N) array, or (7, S N) where c is constant: what `Stretch` names, flat in j N + n
    pressure : (S, N) array  [Pa], inlet pressure at the start of each section
    clock : (S, N M) array, s at the start
    phi : (S, N M) array, Phi_0 at the start
    speed : (S, N M) array, w/(1+k) in the holds, 0 elsewhere
    at_start : (S, N M) array, the sum of the factors times the tables; empty where c is constant
    """

    table: AntiderivativeTable
    system: ColumnSystem
    controlled: Controlled
    frozen: bool
    constant_c: bool
    programs: int
    compounds: int
    values: Array
    pressure: Array
    clock: Array
    phi: Array
    speed: Array
    at_start: Array

    def stretch(self, which: NDArray[np.intp]) -> Stretch:
        """Sections `which` (flat numbers j N + n)."""
        rows = self.values.take(which, axis=1)
        start, length, T_start, rise, per_kelvin, carrier, c0 = rows[:7]
        return Stretch(start, length, T_start, rise, per_kelvin, carrier, c0, rows[7:])

    def inlet_pressure(self, stretch: Stretch, u: Array, T: Array) -> Array:
        """Inlet pressure [Pa] after the share u of sections, at T [K]."""
        if self.constant_c:
            return inlet_pressure(self.system, self.controlled, stretch.carrier, T)
        return stretch.pressure(u)


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
    curves : (8, E) array, empty where c is constant: the rest of c and the inlet pressure [Pa] as quadratics in the
        share u of the section (c1, c2, p0, p1, p2), and the factors of Phi_0, Phi_1, Phi_2 in s
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
        result: Array = self.curves[5:]
        return result

    def c(self, u: Array) -> Array:
        """c after the share u of the section; beyond 1 lies only the endless hold, where nothing changes."""
        return _quadratic(self.c0, self.curves[0], self.curves[1], u)

    def c_passed(self, u: Array) -> Array:
        """Integral of c over the share u."""
        result: Array = u * (self.c0 + u * (self.curves[0] / 2 + u * (self.curves[1] / 3)))
        return result

    def pressure(self, u: Array) -> Array:
        """Inlet pressure [Pa] after the share u."""
        return _quadratic(self.curves[2], self.curves[3], self.curves[4], u)


def _quadratic(c0: Array, c1: Array, c2: Array, u: Array) -> Array:
    share = np.minimum(u, 1.0)
    result: Array = c0 + share * (c1 + share * c2)
    return result


def sections_of(
    table: AntiderivativeTable,
    system: ColumnSystem,
    retention: Retention,
    batch: ProgramBatch,
    misfit: float,
) -> Sections:
    """Cut a batch of programs into sections and run the clock of every compound over them.

    Stretches are cut until the quadratic c is nowhere further off than the relative `misfit`.

    Raises
    ------
    OutsideValidityError : when a program leaves the temperatures the table covers
    """
    _require_table(table, batch)
    vacuum = system.outlet_pressure == 0
    static = _static(batch)
    constant_c = has_constant_c(system, batch)
    corners = _corners(batch, static)
    start, T, carrier = corners if constant_c else _cut(system, batch.controlled, *corners, misfit)
    S, N, M = *start.shape, len(retention)

    length = np.ones_like(start)
    length[:-1] = start[1:] - start[:-1]
    rise = np.zeros_like(start)
    rise[:-1] = T[1:] - T[:-1]
    hold = np.abs(rise) <= (FLAT if constant_c else FLAT_QUADRATIC)
    rise[hold] = 0.0
    per_kelvin = np.where(hold, 0.0, length / np.where(hold, 1.0, rise))
    pressure, c = _pressure_and_c(system, batch.controlled, carrier, T)

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
        middle = _pressure_and_c(
            system, batch.controlled, (carrier[:-1] + carrier[1:]) / 2, (T[:-1] + T[1:]) / 2
        )
        coefficients = _through(c, middle[1])
        powers = _powers(table, coefficients, T, rise, per_kelvin)
        values += [*coefficients, *_through(pressure, middle[0]), *powers]
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
        frozen=vacuum or (static and batch.controlled == "pressure"),
        constant_c=constant_c,
        programs=N,
        compounds=M,
        values=np.stack(values).reshape(len(values), S * N),
        pressure=pressure,
        clock=clock,
        phi=phi,
        speed=speed,
        at_start=at_start,
    )


def _static(batch: ProgramBatch) -> bool:
    """Whether no program of the batch ramps its carrier."""
    return bool((batch.carrier_values == batch.carrier_values[:, :1]).all())


def has_constant_c(system: ColumnSystem, batch: ProgramBatch) -> bool:
    """Whether c is constant on every section, so that sections need no cutting and s no iteration."""
    return _static(batch) and (batch.controlled == "pressure" or system.outlet_pressure == 0)


def _require_table(table: AntiderivativeTable, batch: ProgramBatch) -> None:
    coldest, hottest = batch.oven_temperatures.min(), batch.oven_temperatures.max()
    if coldest < table.lowest or hottest > table.highest:
        raise OutsideValidityError(
            f"the program runs from {celsius(float(coldest)):.1f} to {celsius(float(hottest)):.1f} °C; "
            f"the retention tables cover {celsius(table.lowest):.1f} to {celsius(table.highest):.1f} °C"
        )


def _corners(batch: ProgramBatch, static: bool) -> tuple[Array, Array, Array]:
    """Start times [s], temperatures [K] and set values at the corners of oven and carrier, each (B, N)."""
    times, T = _trimmed(batch.oven_times, batch.oven_temperatures)
    if static:
        values = np.broadcast_to(batch.carrier_values[:, :1], times.shape)
    else:
        carrier_times, carrier_values = _trimmed(batch.carrier_times, batch.carrier_values)
        merged = np.sort(np.concatenate([times, carrier_times[:, 1:]], axis=1), axis=1)
        values = values_at(merged, carrier_times, carrier_values)
        times, T = merged, values_at(merged, times, T)
    return np.ascontiguousarray(times.T), np.ascontiguousarray(T.T), np.ascontiguousarray(values.T)


def _trimmed(times: Array, values: Array) -> tuple[Array, Array]:
    """Corners without the last ones that change nothing, because a program keeps its last value anyway."""
    count = times.shape[1]
    while count > 1 and (values[:, count - 1] == values[:, count - 2]).all():
        count -= 1
    return times[:, :count], values[:, :count]


def _cut(
    system: ColumnSystem, controlled: Controlled, times: Array, T: Array, carrier: Array, allowed: float
) -> tuple[Array, Array, Array]:
    """The corners with further ones between, where c is too far from a quadratic; each (S, N)."""

    def between(knots: Array, share: float) -> Array:
        result: Array = knots[:-1] + share * (knots[1:] - knots[:-1])
        return result

    shares = np.linspace(0.0, 1.0, 5)
    at = [(between(carrier, share), between(T, share)) for share in shares]
    pressure, c = _pressure_and_c(
        system,
        controlled,
        np.stack([value for value, _ in at]),
        np.stack([temperature for _, temperature in at]),
    )
    rho = (system.outlet_pressure / pressure) ** 2
    misfit = _from_quadratic(c) / np.minimum(c[0], c[4]) + RHO_COUNTS * _from_quadratic(rho)
    worst = misfit.max(axis=1, initial=0.0)
    widest = np.abs(np.diff(T, axis=0)).max(axis=1, initial=0.0)
    wanted = np.maximum(np.cbrt(worst / allowed), widest / WIDEST)
    cuts = np.clip(np.ceil(wanted), 1, MOST_CUTS).astype(np.intp)
    row = np.repeat(np.arange(cuts.size), cuts)
    share = np.concatenate([np.zeros(0), *(np.arange(n) / n for n in cuts)])[:, None]

    def cut(knots: Array) -> Array:
        return np.concatenate([knots[row] + share * (knots[row + 1] - knots[row]), knots[-1:]])

    return cut(times), cut(T), cut(carrier)


def _from_quadratic(at: Array) -> Array:
    """How far values at a quarter and three quarters are from the quadratic through start, middle and end.

    `at` holds the values at the five quarters on its first axis.
    """
    first = np.abs(at[1] - (3 * at[0] + 6 * at[2] - at[4]) / 8)
    result: Array = np.maximum(first, np.abs(at[3] - (3 * at[4] + 6 * at[2] - at[0]) / 8))
    return result


def _pressure_and_c(
    system: ColumnSystem, controlled: Controlled, carrier: Array, T: Array
) -> tuple[Array, Array]:
    """Inlet pressure [Pa] and c at set values and temperatures of any shape."""
    pressure = inlet_pressure(system, controlled, carrier, T)
    eta = viscosity(system.gas, T)
    return pressure, velocity_scale(system, pressure) / (eta * clock_weight(controlled, T, eta))


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
