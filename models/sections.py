"""Programs cut into sections on which the migration clock s has a closed form, and the inversion of s(t).

See `migration` for the equations ([2] there). On a section the temperature is linear in time and c, the part of
the velocity that depends on pressure, is a quadratic in time, or a constant where the carrier allows it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.carrier_gas import viscosity
from models.errors import OutsideValidityError
from models.interpolation import AntiderivativeTable
from models.programs import Array, Controlled, ProgramBatch, values_at
from models.retention import Retention, coefficients, ln_retention_factor
from models.system import ColumnSystem, clock_weight, inlet_pressure, velocity_scale
from models.units import celsius

CUTS = 4  # sections per stretch of a program along which temperature or carrier changes
FLAT = 1e-6  # K; a section that changes less is a hold
FLAT_QUADRATIC = 1e-3  # K; the same where differences of the higher tables would be lost in rounding
NEWTON_STEPS = 8

Index = NDArray[np.intp]


@dataclass(frozen=True)
class Bands:
    """Bands picked out of the N x M: arrays of shape (E, 1), the program and the compound of each."""

    program: Index
    compound: Index


@dataclass(frozen=True)
class Place:
    """Where given values of s are reached: arrays of shape (E, Q).

    Attributes
    ----------
    temperature [K], viscosity [Pa s], one_plus_k [-]
    pressure : absolute inlet pressure [Pa]
    time : [s]
    section, share : number of the section, and the share u of it that has passed
    clock_rate : ds/du
    """

    time: Array
    temperature: Array
    viscosity: Array
    one_plus_k: Array
    pressure: Array
    section: Index
    share: Array
    clock_rate: Array


@dataclass(frozen=True)
class Sections:
    """Sections of N programs for M compounds; the last is the endless hold after the program.

    Attributes
    ----------
    ln_k : A, B, C of ln k = A + B/T + C ln T, three (M,) arrays
    frozen : bool, whether rho = (po/pi)^2 is the same throughout a program
    start, length : (N, S) arrays  [s]; the length of the endless hold is given as 1 s
    temperature, rise : (N, S) arrays  [K], at the start and over the section, 0 for a hold
    c : (n, N, S) array, coefficients of c in the share u of the section; n = 1 where c is constant
    pressure : (n, N, S) array  [Pa], inlet pressure likewise
    carrier : (N, S) array, the set value at the start of each section
    clock : (N, S, M) array, s at the start
    speed : (N, S, M) array, w/(1+k) in the holds
    chord : (N, S, M) or (N, S, 1) array, (Phi_0 over the section)/(s over the section)
    phi_zero : (N, S, M) array, Phi_0 at the start less chord times clock
    powers : the factors of Phi_0, Phi_1, Phi_2 in s, three (N, S) arrays; empty where c is constant
    s_zero : (N, S, M) array, s at the start less those factors times the tables; empty where c is constant
    """

    table: AntiderivativeTable
    system: ColumnSystem
    controlled: Controlled
    ln_k: tuple[Array, Array, Array]
    frozen: bool
    start: Array
    length: Array
    temperature: Array
    rise: Array
    c: Array
    pressure: Array
    carrier: Array
    clock: Array
    speed: Array
    chord: Array
    phi_zero: Array
    powers: tuple[Array, ...]
    s_zero: Array

    def section_of(self, target: Array) -> Index:
        """The section in which s reaches `target` (N, M): how many of the later ones start at or below it."""
        count = np.zeros(target.shape, dtype=np.int16)
        for j in range(1, self.clock.shape[1]):
            count += (self.clock[:, j] <= target).view(np.int8)
        return count.astype(np.intp)

    def at(self, bands: Bands, section: Index, u: Array) -> Place:
        """Places of bands after the shares u (E, Q) of given sections (E, 1)."""
        which = bands.program * self.clock.shape[1] + section
        T = self.temperature.ravel().take(which) + u * self.rise.ravel().take(which)
        a, b, c = (values[bands.compound] for values in self.ln_k)
        one_plus_k = 1.0 + np.exp(np.minimum(a + b / T + c * np.log(T), 700.0))
        eta = viscosity(self.system.gas, T)
        length = self.length.ravel().take(which)
        rate = self._polynomial(self.c, which, u) * clock_weight(self.controlled, T, eta) * length
        time = self.start.ravel().take(which) + u * length
        pressure = self._pressure_at(which, u, T)
        return Place(time, T, eta, one_plus_k, pressure, section, u, rate / one_plus_k)

    def _polynomial(self, coefficients: Array, which: Index, u: Array) -> Array:
        c = [row.ravel().take(which) for row in coefficients]
        share = np.minimum(u, 1.0)  # beyond it lies only the endless hold, where nothing changes
        result: Array = c[0] if len(c) == 1 else c[0] + share * (c[1] + share * c[2])
        return result

    def find(self, bands: Bands, section: Index, target: Array, tolerance: float) -> Place:
        """Where s reaches `target` (E, Q), given the sections (E, Q), to a relative tolerance in s."""
        sections, compounds = self.clock.shape[1:]
        which = bands.program * sections + section
        each = which * compounds + bands.compound
        chord = self.chord.ravel().take(each if self.chord.shape[2] == compounds else which)
        phi = self.phi_zero.ravel().take(each) + chord * target
        T, slope = self.table.temperature(phi, bands.compound)
        T_start, rise = self.temperature.ravel().take(which), self.rise.ravel().take(which)
        length, start = self.length.ravel().take(which), self.start.ravel().take(which)
        hold = rise == 0.0
        u = (T - T_start) / np.where(hold, 1.0, rise)
        speed = self.speed.ravel().take(each)
        since = target - self.clock.ravel().take(each)
        if self.powers:
            endless = section == sections - 1
            T, rate, u = self._newton(bands, which, each, u, since, target, hold, endless, tolerance)
        else:
            c = self.c[0].ravel().take(which)
            u = np.where(hold, since / (c * speed * length), u)
            rate = np.where(hold, speed, phi / slope)
            T = np.where(hold, T_start, T)
        eta = viscosity(self.system.gas, T)
        weight = clock_weight(self.controlled, T, eta)
        pressure = self._pressure_at(which, u, T)
        return Place(start + u * length, T, eta, weight / rate, pressure, section, u, rate)

    def _pressure_at(self, which: Index, u: Array, T: Array) -> Array:
        if len(self.pressure) == 3:
            return self._polynomial(self.pressure, which, u)
        return inlet_pressure(self.system, self.controlled, self.carrier.ravel().take(which), T)

    def _newton(
        self,
        bands: Bands,
        which: Index,
        each: Index,
        u: Array,
        since: Array,
        target: Array,
        hold: NDArray[np.bool_],
        endless: NDArray[np.bool_],
        tolerance: float,
    ) -> tuple[Array, Array, Array]:
        """Refine the share u of the section for a quadratic c; gives T, w/(1+k) and u."""
        c0, c1, c2 = (row.ravel().take(which) for row in self.c)
        T_start, rise = self.temperature.ravel().take(which), self.rise.ravel().take(which)
        length, speed = self.length.ravel().take(which), self.speed.ravel().take(each)
        f0, f1, f2 = (row.ravel().take(which) for row in self.powers)
        s_zero = self.s_zero.ravel().take(each)
        longest = np.where(endless, np.inf, 1.0)
        u = np.clip(np.where(hold, since / (length * speed * c0), u), 0.0, longest)
        for _ in range(NEWTON_STEPS):
            T = T_start + u * rise
            s_ramp, rate = self.table.combination(T, bands.compound, (f0, f1, f2))
            s_hold = length * speed * u * (c0 + u * (c1 / 2 + u * (c2 / 3)))
            rate = np.where(hold, speed, rate)
            excess = np.where(hold, s_hold - since, s_zero + s_ramp - target)
            share = np.minimum(u, 1.0)
            step = excess / (length * (c0 + share * (c1 + share * c2)) * rate)
            u = np.clip(np.where(np.isnan(step), np.inf, u - step), 0.0, longest)
            # A Newton step leaves about the square of the excess it found.
            if not np.any(np.abs(excess) > np.sqrt(tolerance) * target):
                break
        return T_start + u * rise, rate, u


def sections_of(
    table: AntiderivativeTable,
    system: ColumnSystem,
    retention: Retention,
    batch: ProgramBatch,
) -> Sections:
    """Cut a batch of programs into sections and run the clock of every compound over them.

    Raises
    ------
    OutsideValidityError : when a program leaves the temperatures the table covers
    """
    _require_table(table, batch)
    static = bool(np.all(np.ptp(batch.carrier_values, axis=1) == 0))
    constant_c = static and (batch.controlled == "pressure" or system.outlet_pressure == 0)
    frozen = system.outlet_pressure == 0 or (static and batch.controlled == "pressure")
    start, T, carrier = _cut(batch, static)
    length = np.ones_like(start)
    length[:, :-1] = np.diff(start, axis=1)
    rise = np.zeros_like(start)
    rise[:, :-1] = np.diff(T, axis=1)
    hold = np.abs(rise) <= (FLAT if constant_c else FLAT_QUADRATIC)
    rise = np.where(hold, 0.0, rise)
    per_kelvin = np.where(hold, 0.0, length / np.where(hold, 1.0, rise))

    phi = table.rows(T, 0)
    gain = np.diff(phi, axis=1)
    speed = np.zeros_like(phi)
    speed[hold] = _speed(retention, batch.controlled, system, T[hold])

    if constant_c:
        pressure = inlet_pressure(system, batch.controlled, carrier, T)
        eta = viscosity(system.gas, T)
        c = velocity_scale(system, pressure) / (eta * clock_weight(batch.controlled, T, eta))
        hold_gain = (c * length)[:, :-1, None] * speed[:, :-1]
        steps = np.where(hold[:, :-1, None], hold_gain, (c * per_kelvin)[:, :-1, None] * gain)
        clock = _running_sum(steps)
        chord = np.where(hold, 0.0, 1.0 / np.where(hold, 1.0, c * per_kelvin))[:, :, None]
        return Sections(
            table,
            system,
            batch.controlled,
            coefficients(retention),
            frozen,
            start,
            length,
            T,
            rise,
            c[None],
            pressure[None],
            carrier,
            clock,
            speed,
            chord,
            phi - chord * clock,
            (),
            np.empty(0),
        )

    c, pressure = _quadratics(system, batch, start, T, carrier)
    powers = _powers(table, c, T, rise, per_kelvin)
    tables = [phi, table.rows(T, 1), table.rows(T, 2)]
    weighted = [factor[:, :, None] * values for factor, values in zip(powers, tables, strict=True)]
    at_start = weighted[0] + weighted[1] + weighted[2]
    at_end = np.zeros_like(at_start)
    for factor, values in zip(powers, tables, strict=True):
        at_end[:, :-1] += factor[:, :-1, None] * values[:, 1:]
    mean_c = c[0] + c[1] / 2 + c[2] / 3
    steps = np.where(
        hold[:, :-1, None],
        (mean_c * length)[:, :-1, None] * speed[:, :-1],
        np.maximum((at_end - at_start)[:, :-1], 0.0),
    )
    clock = _running_sum(steps)
    chord = np.zeros_like(phi)
    np.divide(gain, steps, out=chord[:, :-1], where=~hold[:, :-1, None] & (steps > 0))
    return Sections(
        table,
        system,
        batch.controlled,
        coefficients(retention),
        frozen,
        start,
        length,
        T,
        rise,
        c,
        pressure,
        carrier,
        clock,
        speed,
        chord,
        phi - chord * clock,
        powers,
        clock - at_start,
    )


def _require_table(table: AntiderivativeTable, batch: ProgramBatch) -> None:
    coldest, hottest = batch.oven_temperatures.min(), batch.oven_temperatures.max()
    if coldest < table.lowest or hottest > table.highest:
        raise OutsideValidityError(
            f"the program runs from {celsius(float(coldest)):.1f} to {celsius(float(hottest)):.1f} °C; "
            f"the retention tables cover {celsius(table.lowest):.1f} to {celsius(table.highest):.1f} °C"
        )


def _cut(batch: ProgramBatch, static: bool) -> tuple[Array, Array, Array]:
    """Start times [s], temperatures [K] and set values of all sections, each (N, S)."""
    if static:
        times, T = batch.oven_times, batch.oven_temperatures
        values = np.broadcast_to(batch.carrier_values[:, :1], times.shape)
    else:
        times = np.sort(np.concatenate([batch.oven_times, batch.carrier_times], axis=1), axis=1)
        T = values_at(times, batch.oven_times, batch.oven_temperatures)
        values = values_at(times, batch.carrier_times, batch.carrier_values)
    changing = np.any(np.diff(T, axis=1) != 0, axis=0) | np.any(np.diff(values, axis=1) != 0, axis=0)
    column = np.repeat(np.arange(times.shape[1] - 1), np.where(changing, CUTS, 1))
    share = np.concatenate([np.arange(CUTS) / CUTS if moves else [0.0] for moves in changing])

    def cut(knots: Array) -> Array:
        inner = knots[:, column] + share * (knots[:, column + 1] - knots[:, column])
        return np.concatenate([inner, knots[:, -1:]], axis=1)

    return cut(times), cut(T), cut(values)


def _quadratics(
    system: ColumnSystem, batch: ProgramBatch, start: Array, T: Array, carrier: Array
) -> tuple[Array, Array]:
    """c and inlet pressure as quadratics in the share of each section, both (3, N, S)."""

    def middles(knots: Array) -> Array:
        return (knots[:, :-1] + knots[:, 1:]) / 2

    all_T = np.concatenate([T, middles(T)], axis=1)
    pressure = inlet_pressure(
        system, batch.controlled, np.concatenate([carrier, middles(carrier)], axis=1), all_T
    )
    eta = viscosity(system.gas, all_T)
    c = velocity_scale(system, pressure) / (eta * clock_weight(batch.controlled, all_T, eta))
    sections = T.shape[1]

    def through(values: Array) -> Array:
        first, middle = values[:, :sections], values[:, sections:]
        a, b, m = first[:, :-1], first[:, 1:], middle
        quadratic = np.zeros((3, *first.shape))
        quadratic[0] = first
        quadratic[1, :, :-1] = 4 * m - 3 * a - b
        quadratic[2, :, :-1] = 2 * (a + b) - 4 * m
        return quadratic

    return through(c), through(pressure)


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
    with np.errstate(over="ignore"):
        one_plus_k = 1.0 + np.exp(np.minimum(ln_retention_factor(retention, T), 700.0))
    result: Array = clock_weight(controlled, T, viscosity(system.gas, T))[:, None] / one_plus_k
    return result


def _running_sum(steps: Array) -> Array:
    """Sums before each section: (N, S-1, M) steps to (N, S, M)."""
    programs, sections, compounds = steps.shape
    total = np.zeros((programs, sections + 1, compounds))
    np.cumsum(steps, axis=1, out=total[:, 1:])
    return total
