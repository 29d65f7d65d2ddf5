"""What its amount does to a peak: the apex moves, and the peak leans.

A film that holds the share phi of its volume of a compound takes up q = K c (1 + b phi). To first order in phi a band
is then one of Burgers' equation, and with x = (t - tR)/sigma counted from the peak of a trace

    y(x) = (e^R - 1) G(x) / (R (1 + (e^R - 1) Q(x))),                                    [1]
    R    = load Int (k/(1+k))^2 dq / Int (H/L) dq,   load = 2 b m/(d_s V_film),          [2]

G being the normal density, Q(x) what of it lies beyond x, dq the weights by which a variance is summed (`migration`
eq. [5]), m the amount, d_s the density of the liquid compound and V_film the film's volume [1, 2]. At one temperature R
is load N (k/(1+k))^2. y has an area of one, and its apex at x = R y(x). A peak 10 % wider at half height has R = 5.81,
and its apex is 2.1 sigma late. Negative R, as of adsorbents that fill up, gives the mirror image.

Neither two overloaded peaks that overlap nor a solvent are covered, nor amounts beyond LARGEST.

[1] P. C. Haarhoff and H. J. van der Linde, Anal. Chem. 38 (1966) 573, for the shape, from memory.
[2] Derived for this tool by the Cole-Hopf transformation; held against cells in series integrated numerically
    (tests/published/test_overload.py): shifts within 5 % there at constant temperature, 12 % in ramps.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from functools import cache
from typing import Any

import numpy as np

from models.column.programs import Array

LARGEST = 1000.0  # R beyond which the shape stays what it is
R_WIDER = 5.810158  # of a peak 10 % wider at half height
SLIGHT = 0.5  # R of an apex 0.2 sigma late: a twelfth of that
CAPACITY_K = 5.0  # retention factor for which a capacity is taken to be stated
NODES, STEPS = 400, 60  # of the table, and of its bisections


@dataclass(frozen=True)
class Shape:
    """Peaks of some R, any shape, against that of a trace.

    Attributes
    ----------
    apex : by how many sigma it is late
    width : at half height, over that of the Gaussian
    front : twice the share of that width in front of the apex: 1 without an amount
    apex_by_R, width_by_R : derivatives
    """

    apex: Array
    width: Array
    front: Array
    apex_by_R: Array
    width_by_R: Array
    front_by_R: Array


def _ln_height(x: Array, R: Array) -> Array:
    """ln of R y(x), for R above zero; eq. [1]."""
    from scipy.special import log_ndtr

    steep = R + np.log1p(-np.exp(-R))  # ln(e^R - 1)
    ln_normal = -0.5 * x * x - 0.5 * np.log(2 * np.pi)
    result: Array = steep + ln_normal - np.logaddexp(0.0, steep + log_ndtr(-x))
    return result


def bisected(low: Array, high: Array, above: Any) -> Array:
    """Where `above` ends, from `low`, where it holds, to `high`."""
    for _ in range(STEPS):
        middle = 0.5 * (low + high)
        holds = above(middle)
        low, high = np.where(holds, middle, low), np.where(holds, high, middle)
    return 0.5 * (low + high)


@cache
def _table() -> Any:
    """Apex, width and front against arsinh R."""
    from scipy.interpolate import CubicSpline

    places = np.linspace(0.0, np.arcsinh(LARGEST), NODES)
    R = np.sinh(places[1:])
    reach = np.sqrt(2 * R) + 10.0
    apex = bisected(0.0 * R, reach, lambda x: np.exp(_ln_height(x, R)) > x)
    half = _ln_height(apex, R) - np.log(2.0)
    before = bisected(0.0 * R, reach, lambda x: _ln_height(apex - x, R) > half)
    behind = bisected(0.0 * R, reach, lambda x: _ln_height(apex + x, R) > half)
    width = (before + behind) / np.sqrt(8 * np.log(2.0))
    at = np.array([apex, width, 2 * before / (before + behind)])
    return CubicSpline(places, np.column_stack([[0.0, 1.0, 1.0], at]), axis=1)


def shape_of(R: Array) -> Shape:
    """Apex, width and halves of peaks of some R, any shape; eq. [1]."""
    sign, size = np.sign(R), np.minimum(np.abs(R), LARGEST)
    place = np.arcsinh(size)
    apex, width, front = _table()(place)
    apex_by, width_by, front_by = _table()(place, 1) / np.hypot(1.0, size) * (np.abs(R) <= LARGEST)
    return Shape(sign * apex, width, np.where(sign < 0, 2 - front, front), apex_by, sign * width_by, front_by)


def peak(x: Array, R: Array) -> Array:
    """y(x) [-] of peaks of some R other than zero, x in sigma from the trace's peak; shapes broadcast; eq. [1]."""
    size = np.minimum(np.abs(R), LARGEST)
    result: Array = np.exp(_ln_height(np.sign(R) * x, size)) / size
    return result


@dataclass(frozen=True)
class Lean:
    """Peaks as their amounts, and then the system (`tails`), make them: (N, M) arrays.

    Attributes
    ----------
    R : [-], eq. [2]
    sigma : [s], standard deviation of a trace before the detector
    shift : [s], by how much the apex is late
    width : [s], at half height over that of a Gaussian of sigma 1, by the amount alone
    front : [-], see `Shape`; with a system's decay what gives the tailing factor after it (`resolution.front_for`)
    time_by_sigma, width_by_sigma : derivatives by sigma, the sum over (k/(1+k))^2 staying
    time_by_sum, width_by_sum : [s], by the logarithm of that sum's root
    steepness_by_ln_R : [-], derivative of ln(2 T - 1) by ln R, T the tailing factor before the system's decay
    """

    R: Array
    sigma: Array
    shift: Array
    width: Array
    front: Array
    time_by_sigma: Array
    width_by_sigma: Array
    time_by_sum: Array
    width_by_sum: Array
    steepness_by_ln_R: Array

    def repeated(self, times: int) -> Lean:
        """The first program so many times over."""
        return Lean(*(getattr(self, each.name)[:1].repeat(times, axis=0) for each in fields(self)))


def leaning(sigma: Array, root_of_sum: Array, load: Array) -> Lean:
    """Peaks of given loads; eq. [2].

    Parameters
    ----------
    sigma : (N, M) array  [s], of traces
    root_of_sum : (N, M) array  [s], what sigma would be with (k/(1+k))^2 for H/L and no injected band
    load : (M,) array  [-]
    """
    R = load * (root_of_sum / sigma) ** 2
    shape = shape_of(R)
    by_apex, by_width = 2 * R * shape.apex_by_R, 2 * R * shape.width_by_R
    return Lean(
        R,
        sigma,
        sigma * shape.apex,
        sigma * shape.width,
        shape.front,
        shape.apex - by_apex,
        shape.width - by_width,
        sigma * by_apex,
        sigma * by_width,
        -2 * R * shape.front_by_R / (shape.front * (2 - shape.front)),
    )


def upright(sigma: Array) -> Lean:
    """Peaks of `sigma` (N, M) [s] that no amount moves."""
    none, one = np.zeros_like(sigma), np.ones_like(sigma)
    return Lean(none, sigma, none, sigma, one, none, one, none, none, none)


def load_of_capacity(amount: Array, capacity: float, plates: float) -> Array:
    """Loads (M,) of amounts from the amount that makes a peak of k = CAPACITY_K and so many plates 10 % wider.

    Amount and capacity in one unit. That is what is meant where a capacity is called that of a column; k and plates are
    this tool's choice.
    """
    result: Array = R_WIDER * amount / (capacity * plates * (CAPACITY_K / (1 + CAPACITY_K)) ** 2)
    return result
