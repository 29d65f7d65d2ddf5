"""Tails that a system gives every peak: an exponential decay behind the column, by one time constant.

A cell, a valve, a transfer volume or slow electronics let out of what they hold the same share in every instant. What
enters as y(t) leaves as

    y_seen(t) = Int y(t - s) exp(-s/tau)/tau ds,                                         [1]

of a Gaussian the exponentially modified Gaussian: mean + tau, variance + tau^2, area as before [1]. The peaks of
`chromatogram`, two half Gaussians of tailing factor T, are folded likewise, in closed form. Their apex, width at half
height and tailing factor after that are a table against tau/sigma and T, sigma being the width at half height before
it over 2.355. For T = 1 they are those of the exponentially modified Gaussian.

tau is the same in seconds for every peak, while what a column does grows with the width: so tails tell which it was.
Several decays in series are one of the sum of their squares, roughly; one in front of a column that is heated is not
such a constant, since the column narrows it.

[1] J. C. Sternberg, Adv. Chromatogr. 2 (1966) 205; E. Grushka, Anal. Chem. 44 (1972) 1733; both from memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.column.programs import Array
from models.peaks.overload import bisected

LARGEST = 50.0  # tau over sigma beyond which the shape stays what it is
LEAST_TAILING, LARGEST_TAILING = 0.55, 10.0  # of peaks before the decay
STEEPNESS = float(np.log(2 * LEAST_TAILING - 1)), float(np.log(2 * LARGEST_TAILING - 1))  # ln(2 T - 1)
RATIOS, LEANINGS = 61, 31  # of the table
TAILING_LEVEL = 0.05  # of the height, where a tailing factor is taken
TURNS, CLOSE = 30, 1e-7  # of the inverse: steps, and closeness as a share
LEAST = 1e-3  # share of a width after the decay that there was before it, at least
REACH = 12.0  # time constants after which nothing of a tail is left


@dataclass(frozen=True)
class Tail:
    """What peaks were before the system's decay.

    Attributes
    ----------
    time_constant : float  [s]
    own : (M,) array  [-], their tailing factors before it
    """

    time_constant: float
    own: Array

    def __getitem__(self, rows: Any) -> Tail:
        """Of some of the peaks."""
        return Tail(self.time_constant, self.own[rows])


@dataclass(frozen=True)
class Seen:
    """Peaks after the decay, any shape.

    Attributes
    ----------
    shift : [s], by how much the apex is late
    width : [s], at half height over 2.355
    tailing : [-], tailing factor
    shift_by_sigma, width_by_sigma : derivatives by the width before the decay
    shift_by_steepness, width_by_steepness : [s], by ln(2 T - 1) of what enters it
    """

    shift: Array
    width: Array
    tailing: Array
    shift_by_sigma: Array
    width_by_sigma: Array
    shift_by_steepness: Array
    width_by_steepness: Array


def _half(t: Array, upto: Array, s: Array, tau: Array) -> Array:
    """What of a half Gaussian of sd s and height 1, up to its time `upto` (at most t), is seen at t; [1]."""
    from scipy.special import erfc, erfcx

    root = np.sqrt(2.0)
    z = s / (tau * root) - upto / (s * root)
    late = z < 0  # erfcx would overflow
    early = erfcx(np.where(late, 0.0, z)) * np.exp(-(t - upto) / tau - (upto / s) ** 2 / 2)
    passed = np.where(late, (s / tau) ** 2 / 2 - t / tau, 0.0)
    gone = np.exp(np.minimum(passed, 0.0)) * erfc(np.where(late, z, 0.0))
    result: Array = s * np.sqrt(np.pi / 2) / tau * np.where(late, gone, early)
    return result


def decayed(t: Array, front: Array, back: Array, tau: Array | float) -> Array:
    """Two half Gaussians of height 1 that meet at t = 0, after the decay; [1].

    Parameters
    ----------
    t : [s]; front, back : [s], their standard deviations; tau : [s], above 0; shapes broadcast
    """
    tau = np.asarray(tau, dtype=float)
    late = np.maximum(t, 0.0)
    before = _half(t, np.minimum(t, 0.0), front, tau)
    after = _half(late, late, back, tau) - _half(late, np.zeros_like(late), back, tau)
    result: Array = before + after
    return result


def folded(signal: Array, step: float, tau: float) -> Array:
    """Readings (Q,) `step` [s] apart, straight lines between them and nothing before, after the decay [s]; [1]."""
    from scipy.signal import lfilter

    left = np.exp(-step / tau)
    before = tau / step * (1 - left) - left  # what the reading before weighs
    result: Array = lfilter([1 - left - before, before], [1.0, -left], signal)
    return result


def apex_of(front: Array, back: Array, tau: Array | float) -> Array:
    """When [s] such peaks are highest: the decay's output is highest where it meets its input."""

    def rising(t: Array) -> NDArray[np.bool_]:
        return np.asarray(decayed(t, front, back, tau) < np.exp(-((t / back) ** 2) / 2))

    return bisected(np.zeros_like(front * tau), 8.0 * back * np.ones_like(front * tau), rising)


@cache
def _table() -> Any:
    """Shift and width over hypot(sigma, tau), and ln(2 T - 1), against arctan(tau/sigma) and ln(2 T - 1) before."""
    from scipy.interpolate import RectBivariateSpline

    angles = np.linspace(0.0, np.arctan(LARGEST), RATIOS)
    steepness = np.linspace(*STEEPNESS, LEANINGS)
    tau, ratio = (each.ravel() for each in np.meshgrid(np.sin(angles[1:]), np.exp(steepness), indexing="ij"))
    sigma = np.cos(angles[1:]).repeat(LEANINGS)
    front = 2 * sigma / (1 + ratio)
    back = ratio * front
    apex = apex_of(front, back, tau)
    top = decayed(apex, front, back, tau)

    def reach(level: float, side: float) -> Array:
        most = 10.0 * (front if side < 0 else back + tau) + (apex if side < 0 else 0.0)
        return bisected(0.0 * apex, most, lambda d: decayed(apex + side * d, front, back, tau) > level * top)

    width = (reach(0.5, -1) + reach(0.5, 1)) / np.sqrt(8 * np.log(2.0))
    found = (apex, width, np.log(reach(TAILING_LEVEL, 1) / reach(TAILING_LEVEL, -1)))
    undecayed = (0.0 * steepness, 1.0 + 0.0 * steepness, steepness)
    return tuple(
        RectBivariateSpline(angles, steepness, np.vstack([first, each.reshape(-1, LEANINGS)]))
        for first, each in zip(undecayed, found, strict=True)
    )


def seen(sigma: Array, tau: float, tailing: Array) -> Seen:
    """Peaks of `sigma` [s], width at half height over 2.355, and tailing factors before it, after the decay [s].

    Shapes broadcast.
    """
    asked = np.asarray(tailing)
    tailing = np.clip(asked, LEAST_TAILING, LARGEST_TAILING)
    sigma, steepness = np.broadcast_arrays(sigma, np.log(2 * tailing - 1))
    known = np.isfinite(sigma)
    s = np.where(known, sigma, 1.0)
    free = tau <= LARGEST * s
    angle, size = np.arctan2(np.minimum(tau, LARGEST * s), s), np.hypot(s, np.minimum(tau, LARGEST * s))
    shift, width, leaning = (each.ev(angle, steepness) for each in _table())
    by_angle = [each.ev(angle, steepness, dx=1) for each in _table()[:2]]
    inside = tailing == asked  # what is clipped does not change
    by_steepness = [inside * each.ev(angle, steepness, dy=1) for each in _table()[:2]]
    shift_by, width_by = (
        np.where(free, (s * value - tau * slope) / size, value * size / s)
        for value, slope in zip((shift, width), by_angle, strict=True)
    )
    # Of a narrower peak nothing changes but the scale.
    scale = size * np.where(free, 1.0, tau / (LARGEST * s))
    void = np.where(known, 0.0, np.nan)
    return Seen(
        scale * shift + void,
        scale * width + void,
        (1 + np.exp(leaning)) / 2 + void,
        np.where(free, shift_by, 0.0) + void,
        np.where(free, width_by, 0.0) + void,
        *(scale * each + void for each in by_steepness),
    )


def before_decay(width: Array, tau: float, tailing: Array) -> Array:
    """`sigma` from the width after the decay, both over 2.355 [s]; nan where the decay alone is as wide."""
    if tau == 0:
        return width
    wanted = np.where(np.isfinite(width), width, 1.0) * np.ones_like(tailing)
    sigma, off = wanted, np.ones_like(wanted)
    for _ in range(TURNS):  # Newton from above: the width after it bends upwards
        there = seen(sigma, tau, tailing)
        off = there.width - wanted
        if np.all((np.abs(off) <= CLOSE * wanted) | ((sigma <= LEAST * wanted) & (off > 0))):
            break
        sigma = np.maximum(sigma - off / np.maximum(there.width_by_sigma, 1e-3), LEAST * wanted)
    return np.where(np.isfinite(width) & (np.abs(off) < 1e-4 * wanted), sigma, np.nan)
