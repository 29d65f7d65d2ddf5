"""How much of measured tails is the system's: a decay in seconds, the same for all peaks, beside what grows with them.

Of M compounds in R runs ln(2 T - 1) of the measured tailing factors T is

    f(tau, w, x_m) + noise,      x_m = ln(2 T_m - 1) normal about a mean of the column's,

f being what `peaks.tails` makes of a peak as wide as the measured one, w, whose tailing factor before the decay is
T_m. A decay counts the less the wider the peak, a column's own tailing is the same at any width: so peaks of different
widths tell one from the other. For each tau the x_m are integrated out with f straight about the likeliest of them, and
so are their spread and the noise, with weak priors. f knows w and tau by their ratio alone.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.column.programs import Array
from models.fit.arrow import Mask
from models.peaks.tails import LEAST, STEEPNESS, before_decay, seen

NEEDED, APART = 4, 1.3  # tailing factors, and widest over narrowest peak, from which on there is an answer
NOISE, OWN = 0.05, 0.1  # of ln(2 T - 1): typical values, common practice, no source
LN_SPREAD = 0.7  # of their logarithms
LEAST_ERROR, LARGEST_ERROR, ERRORS = 0.01, 0.6, 12
# Looked at, the largest over the narrowest peak's width over 2.355: that of a decay alone would be 3.4.
TAUS, LARGEST_TAU = 30, 2.6
ROUNDS, INSIDE = 4, 8  # closer looks, until so many lie within the interval
TURNS, STEP = 4, 0.02  # of Gauss and Newton, and of derivatives
SHORTEST = 1e-6  # a decay so short, over a width, is as none
CERTAIN = 3.84  # chi-square of one freedom at 95 %
PLACES, UNKNOWN = 121, 0.5  # of own tailing looked at, and its spread before anything is measured; no source


@dataclass(frozen=True)
class SystemTail:
    """What tails say of the system.

    Attributes
    ----------
    time_constant : [s], the likeliest
    interval : [s], its 95 % interval
    column : [-], the tailing factor that peaks have without it
    measured : least and largest measured tailing factor
    """

    time_constant: float
    interval: tuple[float, float]
    column: float
    measured: tuple[float, float]

    @property
    def certain(self) -> bool:
        """Whether there is such a decay at all."""
        return self.interval[0] > 0


def own_tailing(measured: Array, sigma: Array, time_constant: float) -> Array:
    """Tailing factors (M,) before a decay [s] that measured ones (R, M) tell: means of ln(2 T - 1); 1 where none is.

    `sigma` (R, M) [s] are widths before it over 2.355.
    """
    known = np.isfinite(measured) & np.isfinite(sigma)
    places = np.linspace(*STEEPNESS, PLACES)
    s = np.where(known, sigma, 1.0)[None]
    found = np.log(2 * seen(s, time_constant, (1 + np.exp(places[:, None, None])) / 2).tailing - 1)
    off = np.where(known, (found - np.log(2 * np.where(known, measured, 1.0) - 1)) / NOISE, 0.0)
    squares = (off**2).sum(axis=1) + (places[:, None] / UNKNOWN) ** 2
    probability = np.exp((squares.min(axis=0) - squares) / 2)
    mean = places @ probability / probability.sum(axis=0)
    return np.where(known.any(axis=0), (1 + np.exp(mean)) / 2, 1.0)


def system_tail(measured: Array, width: Array) -> SystemTail | None:
    """The decay that tailing factors (R, M) tell, with half-height widths over 2.355 (R, M) [s]; None if too few."""
    known = np.isfinite(measured) & np.isfinite(width)
    if known.sum() < NEEDED or width[known].max() < APART * width[known].min():
        return None
    keep = known.any(axis=0)
    known, measured, width = known[:, keep], measured[:, keep], width[:, keep]
    data = np.log(2 * np.where(known, measured, 1.0) - 1)
    ends = 0.0, LARGEST_TAU * float(width[known].min())
    for _ in range(ROUNDS):
        taus = np.linspace(*ends, TAUS)
        values, means = _improbabilities(taus, data, known, np.where(known, width, 1.0))
        best = int(values.argmin())
        limit = values[best] + CERTAIN
        first, last = np.flatnonzero(values <= limit)[[0, -1]]
        if last - first >= INSIDE:
            break
        ends = taus[max(first - 1, 0)], taus[min(last + 1, TAUS - 1)]
    interval = _end(taus, values, limit, first, first - 1), _end(taus, values, limit, last, last + 1)
    least, largest = float(measured[known].min()), float(measured[known].max())
    column = float((1 + np.exp(means[best])) / 2)
    return SystemTail(float(taus[best]), interval, column, (least, largest))


def _end(taus: Array, values: Array, limit: float, inside: int, outside: int) -> float:
    """Where an interval ends, between one of the taus and its neighbour, or at the last of them."""
    if not 0 <= outside < len(taus):
        return float(taus[inside])
    share = (limit - values[inside]) / (values[outside] - values[inside])
    return float(taus[inside] + share * (taus[outside] - taus[inside]))


def _improbabilities(taus: Array, data: Array, known: Mask, width: Array) -> tuple[Array, Array]:
    """-2 ln probability (K,) of the measured tails with decays (K,), but for a constant, and the means of x."""
    ratio = width / np.maximum(taus[:, None, None], SHORTEST * width)
    x = np.zeros((len(taus), data.shape[1]))
    for _ in range(TURNS):
        f = _seen(ratio, x)
        slope = np.where(known, (_seen(ratio, x + STEP) - f) / STEP, 0.0)
        off = (
            np.where(known, data - f, 0.0) + slope * x[:, None]
        )  # of which slope times x_m is to be explained
        values, means, x = _likeliest(off, slope, known)
        x = np.clip(x, *STEEPNESS)
    return values, means


def _seen(ratio: Array, x: Array) -> Array:
    """ln(2 T - 1) (K, R, M) after a decay of peaks whose widths then are `ratio` of it; x (K, M)."""
    own = np.broadcast_to((1 + np.exp(x[:, None])) / 2, ratio.shape)
    sigma = before_decay(ratio, 1.0, own)
    sigma = np.where(np.isnan(sigma), LEAST * ratio, sigma)
    result: Array = np.log(2 * seen(sigma, 1.0, own).tailing - 1)
    return result


def _likeliest(data: Array, slope: Array, known: Mask) -> tuple[Array, Array, Array]:
    """Improbabilities (K,) over all noise and spread of x; means (K,) and x (K, M) at the likeliest.

    `data` (K, R, M) are `slope` times x and noise.
    """
    errors = np.geomspace(LEAST_ERROR, LARGEST_ERROR, ERRORS)
    noise, spread = (each.reshape(-1, 1, 1) for each in np.meshgrid(errors, errors))
    count, squares = known.sum(axis=0), (data**2).sum(axis=1)
    gg, gd = (slope**2).sum(axis=1), (slope * data).sum(axis=1)
    # Covariance of a compound's data: noise^2 + spread^2 g g', inverted by Sherman and Morrison.
    shrink = spread**2 / (noise**2 + spread**2 * gg)
    weight, cross = (gg - shrink * gg**2) / noise**2, (gd - shrink * gg * gd) / noise**2
    mean = cross.sum(axis=2) / np.maximum(weight.sum(axis=2), 1e-12)
    explained = mean**2 * weight.sum(axis=2) - 2 * mean * cross.sum(axis=2)
    residual = ((squares - shrink * gd**2) / noise**2).sum(axis=2) + explained
    determinant = (count * np.log(noise**2) + np.log1p(spread**2 * gg / noise**2)).sum(axis=2)
    prior = (np.log(noise / NOISE)[:, 0] ** 2 + np.log(spread / OWN)[:, 0] ** 2) / LN_SPREAD**2
    value = residual + determinant + prior
    likeliest = value.argmin(axis=0), np.arange(len(data))
    own = mean[:, :, None] + shrink * (gd - gg * mean[:, :, None])
    return -2 * np.logaddexp.reduce(-value / 2, axis=0), mean[likeliest], own[likeliest]
