"""What heat does to an analyte between injection and elution: temperatures reached, time at them, decomposition.

A band feels the column's temperature T(t), the same all along the column, from time zero to its retention time tR.
What happens to it in the inlet or the detector is not in here.

Decomposition is of first order, with Arrhenius' rate constant:

k(T) = A exp(-Ea/(R T)) = (ln 2/half-life) exp(-a (1/T - 1/Tref)),   a = Ea/R                      [1]
intact fraction = exp(-X),   X = integral of k(T(t)) dt from 0 to tR                               [2]

On a hold X grows by k(T) times its length; on a ramp between a colder Tc and a hotter Th, in either direction, by
its length times the mean of k over temperature,

mean k = k(Th) [Th f(a/Th) - exp(-y) Tc f(a/Tc)] / (Th - Tc),   f(x) = e^x E2(x),  y = a/Tc - a/Th  [3]

with the exponential integral E2: the antiderivative of exp(-a/T) is T E2(a/T) [4]. Where k hardly changes, [3] is
the small difference of two numbers nearly alike, and Gauss' rule takes its place.

[4] Abramowitz and Stegun, Handbook of Mathematical Functions (1964): 5.1.14 and 5.1.26 give it, 5.1.51 f at large x.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import expn

from models.column.programs import Array, ProgramBatch, values_at
from models.errors import InvalidInputError
from models.peaks.migration import LONGEST_RETENTION
from models.units import GAS_CONSTANT

Index = NDArray[np.intp]

LARGEST_ACTIVATION_ENERGY = 1e6  # J/mol, the strength of the strongest bonds; no molecule asks for more
# y up to which Gauss' rule is used: its error is below 1e-14 there, and beyond it [3] loses one digit at most.
GENTLE = 0.3
_gauss_nodes, _gauss_weights = np.polynomial.legendre.leggauss(6)
GAUSS_NODES = ((1 + _gauss_nodes) / 2)[:, None]  # shares of the way from Tc to Th
GAUSS_WEIGHTS = _gauss_weights / 2
LARGE = 500.0  # x from which f is taken from its asymptotic series, as e^x ends at 709
SERIES = (1.0, -2.0, 6.0, -24.0, 120.0, -720.0)  # of x f in 1/x; the next term is below 1e-12 at x = 500


@dataclass(frozen=True)
class Decomposition:
    """First-order decomposition of Q analytes, eq. [1].

    Attributes
    ----------
    activation_energy : (Q,) array  [J/mol]
    ln_frequency_factor : (Q,) array  [ln(1/s)], ln A
    """

    activation_energy: Array
    ln_frequency_factor: Array

    def __post_init__(self) -> None:
        if self.activation_energy.shape != self.ln_frequency_factor.shape:
            raise InvalidInputError("activation energy and frequency factor must be given for every analyte")
        for energy in self.activation_energy.ravel():
            if not 0 < energy <= LARGEST_ACTIVATION_ENERGY:
                raise InvalidInputError(
                    f"decomposition: the activation energy must lie above 0 and up to "
                    f"{LARGEST_ACTIVATION_ENERGY / 1e3:g} kJ/mol, got {energy / 1e3:g} kJ/mol; "
                    "is it given in J/mol where kJ/mol is expected?"
                )
        if not np.isfinite(self.ln_frequency_factor).all():
            raise InvalidInputError("decomposition: the frequency factor must be a number above zero")


def decomposition(activation_energy: Array, half_life: Array, temperature: Array) -> Decomposition:
    """Decomposition of Q analytes from a half-life at a temperature; eq. [1].

    Parameters
    ----------
    activation_energy : (Q,) array  [J/mol]
    half_life : (Q,) array  [s]
    temperature : (Q,) array  [K], at which the half-life holds

    Raises
    ------
    InvalidInputError : for an activation energy, half-life or temperature that cannot be
    """
    for what, values, unit in (("half-life", half_life, "s"), ("temperature", temperature, "K")):
        for value in np.ravel(values):
            if not (np.isfinite(value) and value > 0):
                raise InvalidInputError(f"decomposition: the {what} must be above zero, got {value:g} {unit}")
    return Decomposition(
        activation_energy, np.log(np.log(2) / half_life) + activation_energy / (GAS_CONSTANT * temperature)
    )


def rate_constant(decomposition: Decomposition, temperature: Array | float) -> Array:
    """Rate constants [1/s] of Q analytes at temperatures [K] of shape (..., Q); eq. [1]."""
    a = decomposition.activation_energy / GAS_CONSTANT
    return np.exp(decomposition.ln_frequency_factor - a / temperature)


def intact_fraction(
    batch: ProgramBatch, retention: Array, compounds: Index, decomposition: Decomposition
) -> Array:
    """The share of each of Q analytes that elutes whole, (N, Q); eq. [2].

    Parameters
    ----------
    As of `ln_decomposed`.
    """
    return np.exp(-ln_decomposed(batch, retention, compounds, decomposition))


def ln_decomposed(
    batch: ProgramBatch, retention: Array, compounds: Index, decomposition: Decomposition
) -> Array:
    """X = ln(1/intact fraction) of Q analytes under N programs, (N, Q); eqs. [2] and [3].

    About the share decomposed while that is small. Accurate to 1e-11 and smooth in everything that moves a ramp,
    a hold or the retention time, so that it can be differentiated numerically.

    Parameters
    ----------
    batch : ProgramBatch of N programs
    retention : (N, M) array  [s]; a compound that does not elute (nan, or later than migration.LONGEST_RETENTION)
        is taken to stay that long: X is then the least it can be
    compounds : (Q,) array, columns of `retention`
    decomposition : Decomposition of those Q analytes
    """
    stay = _stay(batch, retention, compounds)
    reached = stay.duration > 0

    def of_reached(values: Array) -> Array:
        return np.broadcast_to(values, reached.shape)[reached]

    hot, cold = of_reached(np.maximum(stay.start, stay.stop)), of_reached(np.minimum(stay.start, stay.stop))
    a = of_reached(decomposition.activation_energy[:, None] / GAS_CONSTANT)
    ln_A = of_reached(decomposition.ln_frequency_factor[:, None])
    grown = np.zeros(reached.shape)
    with np.errstate(over="ignore"):  # what decomposes faster than a number can say has decomposed
        grown[reached] = stay.duration[reached] * np.exp(ln_A - a / hot) * mean_share(a, cold, hot)
        result: Array = np.ascontiguousarray(grown.sum(axis=0).T)
    return result


def mean_share(a: Array, cold: Array, hot: Array) -> Array:
    """Mean of k over k(Th) between Tc and Th: all (E,) arrays, a, Tc and Th in K; eq. [3]."""
    rise = hot - cold
    drop = a * rise / (hot * cold)
    result = np.empty_like(drop)
    steep = drop > GENTLE
    y, Tc, Th, energy = drop[steep], cold[steep], hot[steep], a[steep]
    result[steep] = (
        Th * scaled_integral(energy / Th) - np.exp(-y) * Tc * scaled_integral(energy / Tc)
    ) / rise[steep]
    gentle = ~steep
    Tc, Th, wide = cold[gentle], hot[gentle], rise[gentle]
    falls = a[gentle] * wide / Th * (1 - GAUSS_NODES) / (Tc + GAUSS_NODES * wide)
    result[gentle] = GAUSS_WEIGHTS @ np.exp(-falls)
    return result


def scaled_integral(x: Array) -> Array:
    """f(x) = e^x E2(x), x > 0, without overflow; [4]."""
    moderate = np.minimum(x, LARGE)
    result: Array = np.exp(moderate) * expn(2, moderate)
    large = x > LARGE
    if large.any():
        result[large] = np.polynomial.polynomial.polyval(1 / x[large], SERIES) / x[large]
    return result


def time_above(batch: ProgramBatch, retention: Array, compounds: Index, temperatures: Array) -> Array:
    """Time [s] of its stay that each of Q analytes spends above a temperature, (N, Q).

    Exact: on a ramp between Tc and Th its length times (Th - T)/(Th - Tc), held between 0 and 1. Above means above:
    a hold at the very temperature does not count, so that the time jumps by the hold's length where a hold is moved
    across the temperature. Everywhere else it is continuous in the set points. It never falls with tR, nor rises
    with the temperature.

    Parameters
    ----------
    batch, retention, compounds : as of `ln_decomposed`
    temperatures : (Q,) array  [K]
    """
    return softened_time_above(batch, retention, compounds, temperatures, 0.0)


def softened_time_above(
    batch: ProgramBatch, retention: Array, compounds: Index, temperatures: Array, margin: float
) -> Array:
    """`time_above` for a descent: time counts in part from `margin` [K] below the temperature, (N, Q)  [s].

    The weight of a moment rises in a straight line from 0 at T - margin to 1 at T. The sum is never less than
    `time_above`, so that a program that keeps a limit by it keeps the limit; it has no jumps, and a descent sees
    a hold before it crosses. Without a margin it is `time_above` itself.

    Parameters
    ----------
    As of `time_above`.
    margin : float  [K], >= 0
    """
    stay = _stay(batch, retention, compounds)
    limit = temperatures[:, None]
    foot = limit - margin
    cold, hot = np.minimum(stay.start, stay.stop), np.maximum(stay.start, stay.stop)
    rise = hot - cold
    straight = np.where(rise > 0, rise, 1.0)
    above = np.where(rise > 0, np.clip((hot - limit) / straight, 0.0, 1.0), hot > limit)
    if margin > 0:
        low, high = np.clip(cold, foot, limit), np.clip(hot, foot, limit)
        between = np.where(rise > 0, (high - low) / straight, (hot <= limit) & (hot > foot))
        above = above + between * ((low + high) / 2 - foot) / margin
    return np.ascontiguousarray((stay.duration * above).sum(axis=0).T)


def highest_temperature(batch: ProgramBatch, retention: Array, compounds: Index) -> Array:
    """Highest column temperature [K] that each of Q analytes meets during its stay, (N, Q).

    The elution temperature, unless the program cools. Continuous in the set points.

    Parameters
    ----------
    batch, retention, compounds : as of `ln_decomposed`
    """
    stay = _length_of_stay(retention, compounds)
    passed = batch.oven_times[:, :, None] <= stay[:, None, :]
    corners = np.where(passed, batch.oven_temperatures[:, :, None], 0.0).max(axis=1)
    result: Array = np.maximum(corners, values_at(stay, batch.oven_times, batch.oven_temperatures))
    return result


@dataclass(frozen=True)
class _Stay:
    """The legs of N oven programs as far as Q analytes meet them; the last is the infinite hold after the program.

    Attributes
    ----------
    duration : (B, Q, N) array  [s], zero where the analyte has left
    start : (B, 1, N) array  [K], temperature at the start of each leg
    stop : (B, Q, N) array  [K], and where the leg, or the stay, ends
    """

    duration: Array
    start: Array
    stop: Array


def _length_of_stay(retention: Array, compounds: Index) -> Array:
    return np.fmin(retention[:, compounds], LONGEST_RETENTION)  # nan gives way


def _stay(batch: ProgramBatch, retention: Array, compounds: Index) -> _Stay:
    # Programs run along the last axis: Q is small, and the longest axis belongs innermost.
    times = np.ascontiguousarray(batch.oven_times.T)[:, None, :]
    start = np.ascontiguousarray(batch.oven_temperatures.T)[:, None, :]
    stay = np.ascontiguousarray(_length_of_stay(retention, compounds).T)
    B, _, N = times.shape
    length, rise = np.zeros((2, B, 1, N))
    length[:-1], rise[:-1] = np.diff(times, axis=0), np.diff(start, axis=0)
    upper = length.copy()
    upper[-1] = np.inf
    duration = np.clip(stay - times, 0.0, upper)
    share = np.minimum(duration / np.where(length > 0, length, 1.0), 1.0)
    return _Stay(duration, start, start + rise * share)
