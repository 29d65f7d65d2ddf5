"""Legs of programs: pieces between corners of oven and carrier, along which everything is smooth in time.

The clock of `sections` needs c as quadratics, so it cuts legs into sections; quadrature over a leg needs only
values, which a quartic gives well enough uncut.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.carrier_gas import viscosity
from models.programs import Array, Controlled, ProgramBatch, values_at
from models.system import ColumnSystem, clock_weight, inlet_pressure, velocity_scale

Index = NDArray[np.intp]

MOST_CUTS = 8  # sections of a leg
# Longer legs are cut, so that a few quadrature nodes can follow k and rho = (po/pi)^2 along them.
WIDEST = 150.0  # K
WIDEST_RHO = 0.3
QUARTERS = np.linspace(0.0, 1.0, 5)
QUARTIC = np.linalg.inv(np.vander(QUARTERS, increasing=True))  # values at the quarters to coefficients


@dataclass(frozen=True)
class Legs:
    """B legs of N programs; the last is the endless hold after the program.

    Attributes
    ----------
    cuts : (B,) array, sections of each leg
    first : (B,) array, number of the first section of each leg
    of_section : (S,) array, leg of each section
    values : (12, B N) array, flat in b N + n: temperature at the start and rise [K], and the coefficients of c and of
        the inlet pressure [Pa] as quartics in the share of the leg
    """

    cuts: Index
    first: Index
    of_section: Index
    values: Array

    def leg_of(self, section: Index, share: Array) -> tuple[Index, Array]:
        """Leg, and the share of it that has passed, at given shares of sections."""
        leg = self.of_section.take(section)
        return leg, (section - self.first.take(leg) + share) / self.cuts.take(leg)


def quartic(coefficients: Array, u: Array) -> Array:
    """Quartics (5, E) in the share u of a leg; beyond 1 lies only the endless hold, where nothing changes."""
    share = np.minimum(u, 1.0)
    c0, c1, c2, c3, c4 = coefficients
    result: Array = c0 + share * (c1 + share * (c2 + share * (c3 + share * c4)))
    return result


def is_static(batch: ProgramBatch) -> bool:
    """Whether no program of the batch ramps its carrier."""
    return bool((batch.carrier_values == batch.carrier_values[:, :1]).all())


def corners(batch: ProgramBatch) -> tuple[Array, Array, Array]:
    """Start times [s], temperatures [K] and set values at the corners of oven and carrier, each (B, N)."""
    times, T = _trimmed(batch.oven_times, batch.oven_temperatures)
    if is_static(batch):
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


def legs_and_sections(
    system: ColumnSystem, batch: ProgramBatch, misfit: float, flat: float
) -> tuple[Legs, Array, Array, Array]:
    """Legs, and start times [s], temperatures [K] and set values (S, N) of their sections.

    A leg is cut until the quadratic c is nowhere further off than the relative `misfit`; one that rises less than
    `flat` [K] is a hold.
    """
    knots = np.stack(corners(batch))
    knots = _cut(knots, _parts(system, batch.controlled, *knots[1:]).max(axis=1, initial=1))
    _, T, carrier = knots
    pressure, c = _at_quarters(system, batch, T, carrier)
    cuts = _cuts(c, misfit).max(axis=1, initial=1)

    B, N = T.shape
    rise = np.zeros((B, N))
    rise[:-1] = T[1:] - T[:-1]
    rise[np.abs(rise) <= flat] = 0.0
    curves = np.zeros((2, 5, B, N))
    for curve, quarters in zip(curves, (c, pressure), strict=True):
        curve[:, :-1] = (QUARTIC @ quarters.reshape(5, -1)).reshape(quarters.shape)
    last_pressure, last_c = pressure_and_c(system, batch, carrier[-1], T[-1])
    curves[0, 0, -1], curves[1, 0, -1] = last_c, last_pressure
    values = np.concatenate([T[None], rise[None], curves[0], curves[1]]).reshape(12, B * N)

    every = np.append(cuts, 1)
    legs = Legs(every, np.cumsum(every) - every, np.repeat(np.arange(every.size), every), values)
    start, T, carrier = _cut(knots, cuts)
    return legs, start, T, carrier


def by_cuts(system: ColumnSystem, batch: ProgramBatch, misfit: float) -> Index:
    """An order of N programs in which neighbours need their legs cut alike: together they are cut least."""
    _, T, carrier = corners(batch)
    _, c = _at_quarters(system, batch, T, carrier)
    needed = _parts(system, batch.controlled, T, carrier) * MOST_CUTS + _cuts(c, misfit)
    if not len(needed):  # nothing is ramped, so that there are no legs to cut
        return np.arange(batch.size)
    result: Index = np.lexsort(needed[::-1])
    return result


def _parts(system: ColumnSystem, controlled: Controlled, T: Array, carrier: Array) -> Index:
    """Into how many legs to cut each (B - 1, N)."""
    rho = (system.outlet_pressure / inlet_pressure(system, controlled, carrier, T)) ** 2
    widest = np.maximum(np.abs(T[1:] - T[:-1]) / WIDEST, np.abs(rho[1:] - rho[:-1]) / WIDEST_RHO)
    result: Index = np.maximum(np.ceil(widest), 1).astype(np.intp)
    return result


def _at_quarters(system: ColumnSystem, batch: ProgramBatch, T: Array, carrier: Array) -> tuple[Array, Array]:
    """Inlet pressure [Pa] and c at the ends and quarters of legs, (5, B - 1, N), from values at corners (B, N)."""
    at = QUARTERS[:, None, None]
    return pressure_and_c(
        system,
        batch,
        carrier[:-1] + at * (carrier[1:] - carrier[:-1]),
        T[:-1] + at * (T[1:] - T[:-1]),
    )


def _cuts(c: Array, misfit: float) -> Index:
    """Sections that each leg (B - 1, N) needs, from c at its quarters (5, B - 1, N)."""
    off = np.maximum(
        np.abs(c[1] - (3 * c[0] + 6 * c[2] - c[4]) / 8), np.abs(c[3] - (3 * c[4] + 6 * c[2] - c[0]) / 8)
    )
    worst = off / np.minimum(c[0], c[4])
    result: Index = np.clip(np.ceil(np.cbrt(worst / misfit)), 1, MOST_CUTS).astype(np.intp)
    return result


def _cut(knots: Array, cuts: Index) -> Array:
    """Knots (Q, B, N) with further ones between, so that each step (B - 1,) is cut into equal parts."""
    if (cuts == 1).all():
        return knots
    row = np.repeat(np.arange(cuts.size), cuts)
    share = (np.arange(row.size) - (np.cumsum(cuts) - cuts)[row]) / cuts[row]
    steps = knots[:, 1:] - knots[:, :-1]
    between = knots[:, :-1].take(row, axis=1) + share[:, None] * steps.take(row, axis=1)
    return np.concatenate([between, knots[:, -1:]], axis=1)


def pressure_and_c(
    system: ColumnSystem, batch: ProgramBatch, carrier: Array, T: Array
) -> tuple[Array, Array]:
    """Inlet pressure [Pa] and c at set values and temperatures (..., N) of the N programs of a batch."""
    pressure = inlet_pressure(system, batch.controlled, carrier, T)
    eta = viscosity(system.gas, T)
    c = velocity_scale(system, pressure) / (eta * clock_weight(batch.controlled, T, eta))
    return pressure, c if batch.velocity_factors is None else c * batch.velocity_factors
