"""What the stationary phase gives off: a baseline under the chromatogram that lags behind the oven.

    q(T) = q0 exp(-(E/R) (1/T - 1/T0))                                                             [1]
    s(t) = s0 integral of q(T(t - rem(z)))/q0 dz, z from 0 to 1                                    [2]
    rem(z) = tM (p(z)^3 - po^3)/(pi^3 - po^3), p(z)^2 = pi^2 - (pi^2 - po^2) z                     [3]

q is what a piece of the column gives off in a second, s0 the signal of a blank at rest at T0, and rem(z) the rest of
the hold-up time from the share z of the length on, with the conditions at t: what comes out at t picked its bleed up
on the way. What is given off is taken to be unretained, which cyclic siloxanes are not: they lag more. A detector that
measures mass a second shows [2] whatever the flow, one that measures concentration shows it divided by the flow.
At constant pressure the flow falls while gas is on its way, so that [2] is 2 % high in a ramp of 15 K/min; at constant
flow it is right to 0.3 % (held against parcels marched through the column).

Sources: [1] is Arrhenius' law; for the depolymerisation of polydimethylsiloxane E is 42 +- 3 kcal/mol (others 40, 43,
46), by abstracts on bulk polymers above 350 °C: films with traces of oxygen differ, so that E is the user's or fitted
to two levels. [2] and [3] are our own, from the flow equations of `models.column.system` [1].
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from models.column.programs import Array, ProgramBatch, values_at
from models.column.system import (
    ColumnSystem,
    flow,
    inlet_pressure,
    line_of,
    parts_of,
    passing,
    pressure_leaving,
)
from models.errors import InvalidInputError
from models.units import GAS_CONSTANT

NODES = 16  # of the integral over the length
PUBLISHED_ENERGY = (163e3, 188e3)  # J/mol, 42 +- 3 kcal/mol; said where it is missing, used nowhere


STRETCHES = 240  # of a blank's trace, whose medians are fitted, so that single peaks count for nothing
ENERGIES = (30e3, 450e3)  # J/mol, between which a trace's is looked for
OUTLYING = 4.0  # standard deviations beyond which a stretch is left out: solvent and contamination
LEAST_RISE = 10.0  # over the scatter of the stretches: with less the energy is anybody's guess


class Bleed(NamedTuple):
    """What a column at rest gives off.

    Attributes
    ----------
    level : float  [signal], or [signal m3/s] of a detector that measures concentration
    temperature : float  [K], at which it was measured
    activation_energy : float  [J/mol]
    """

    level: float
    temperature: float
    activation_energy: float


def activation_energy(cold: tuple[float, float], hot: tuple[float, float]) -> float:
    """E [J/mol] from temperature [K] and level [any unit] at rest, twice; [1] solved."""
    (T1, s1), (T2, s2) = cold, hot
    return GAS_CONSTANT * math.log(s2 / s1) / (1 / T1 - 1 / T2)


def level_at_rest(bleed: Bleed, T: Array) -> Array:
    """Level [as stated] at temperatures [K], any shape; [1]."""
    change = bleed.activation_energy / GAS_CONSTANT * (1 / bleed.temperature - 1 / T)
    return np.asarray(bleed.level * np.exp(change))


def baseline(
    system: ColumnSystem, batch: ProgramBatch, times: Array, bleed: Bleed, make_up: float | None = None
) -> Array:
    """The signal of the bleed of N programs; [2].

    Parameters
    ----------
    batch : ProgramBatch, as the column feels it; before the injection it is at the start temperature
    times : (N, Q) array  [s]
    make_up : float or None  [m3/s], that dilutes what a detector of concentrations sees; None of one that sees mass

    Returns
    -------
    (N, Q) array  [signal]
    """
    T = values_at(times, batch.oven_times, batch.oven_temperatures)
    value = values_at(times, batch.carrier_times, batch.carrier_values)
    pi = inlet_pressure(system, batch.controlled, value, T)
    x, weights = np.polynomial.legendre.leggauss(NODES)
    result = np.zeros(times.shape)
    for z, weight in zip((x + 1) / 2, weights / 2, strict=True):
        then = times - rest_of_hold_up(system, T, pi, float(z))
        result += weight * level_at_rest(bleed, values_at(then, batch.oven_times, batch.oven_temperatures))
    if make_up is None:
        return result
    return result / (flow(system.column, system.gas, T, pi, system.outlet_pressure) + make_up)


def bleed_of_trace(
    system: ColumnSystem, batch: ProgramBatch, times: Array, signal: Array, make_up: float | None = None
) -> Bleed:
    """The bleed that a blank's trace shows: level, energy and the detector's own level by least squares; [2].

    Parameters
    ----------
    batch : the blank's program, as the column feels it
    times, signal : (Q,) arrays  [s], [signal]
    make_up : as of `baseline`

    Raises
    ------
    InvalidInputError : when the trace does not rise with the oven by more than its scatter tells
    """
    parts = np.array_split(np.arange(len(times)), min(STRETCHES, len(times)))
    t, y = (np.array([np.median(values[part]) for part in parts]) for values in (times, signal))
    hottest = float(batch.oven_temperatures.max())
    kept = np.ones(len(t), dtype=bool)
    energies = np.linspace(*ENERGIES, 64)

    def fit(energy: float) -> tuple[float, Array, Array]:
        shape = baseline(system, batch, t[None], Bleed(1.0, hottest, energy), make_up)[0]
        columns = np.stack([np.ones(len(t)), shape / shape.max()], axis=1)
        found, *_ = np.linalg.lstsq(columns[kept], y[kept], rcond=None)
        off = y - columns @ found
        return float(off[kept] @ off[kept]), np.array([found[0], found[1] / shape.max()]), off

    for _ in range(3):
        best = float(min(energies, key=lambda each: fit(each)[0]))
        step = energies[1] - energies[0]
        for _ in range(12):  # a bracket of three points, halved
            best = min((best - step / 2, best, best + step / 2), key=lambda each: fit(each)[0])
            step /= 2
        _, (_, level), off = fit(best)
        scatter = 1.4826 * float(np.median(np.abs(off[kept])))
        kept = np.abs(off) <= max(OUTLYING * scatter, 1e-12 * float(np.abs(y).max()))
    rise = float(level * np.ptp(baseline(system, batch, t[None], Bleed(1.0, hottest, best), make_up)))
    if not rise > LEAST_RISE * scatter:
        raise InvalidInputError("does not rise clearly with the oven")
    return Bleed(float(level), hottest, best)


def rest_of_hold_up(system: ColumnSystem, T: Array, inlet: Array, z: float) -> Array:
    """Time [s] that gas has still to go from the share z of the coated length on, any one shape; [3].

    Pieces joined to the column give nothing off; those after it are passed, too.

    Parameters
    ----------
    T : [K];  inlet : [Pa absolute];  z : [-], below 1
    """
    column, gas, end = system.column, system.gas, system.outlet_pressure
    _, own, after = parts_of(column)
    leaving = pressure_leaving(column, gas, T, inlet, end)
    left = 1 - z
    rest = own._replace(
        column=replace(own.column, length=left * own.column.length),
        share=left * own.share,
        start=own.start + z * own.share,
    )
    in_oven = passing(gas, (rest, *after), T, inlet, leaving)
    return (in_oven + passing(gas, line_of(column, gas), T, leaving, end)) / system.flow_factor
