"""Baseline and noise of a recorded trace.

The baseline is first a stiff curve that the trace touches from above (penalised least squares in which points far
above count for nothing), then, where no peak is, the smoothed trace itself, and straight beneath every group of
peaks. Noise is the standard deviation of the trace about it where no peak is.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import LinAlgError, solveh_banded
from scipy.ndimage import uniform_filter1d
from scipy.signal import oaconvolve, savgol_coeffs, savgol_filter

from models.column.programs import Array

Mask = NDArray[np.bool_]

LEAST_POINTS = 20
DIRECT = 100_000_000  # products above which a trace is smoothed by Fourier transforms
STIFFNESS = 4.0  # half-height widths of the wide peaks below which the first baseline does not bend


def stiff_baseline(signal: Array, samples: int, wide: float) -> Array:
    """A curve the trace touches from above, stiff over several widths of its wide peaks.

    The weights of Baek et al. (Analyst 140 (2015) 250): a logistic function of how far a point is above the curve, in
    standard deviations of those below it. On means over a few samples, which keeps the equations well conditioned.
    """
    count = -(-len(signal) // samples)
    edges = np.minimum(np.arange(count) * samples, len(signal))
    sizes = np.diff(np.append(edges, len(signal)))
    means = np.add.reduceat(signal, edges) / sizes
    centres = edges + (sizes - 1) / 2
    if count < 5:
        return np.full(len(signal), float(np.median(signal)))
    unit = float(np.ptp(means)) or 1.0
    y = (means - means.min()) / unit
    stiffness = min((STIFFNESS * max(wide / samples, 2.0)) ** 4, 1e11)
    weights = np.ones(count)
    curve = y
    for _ in range(30):
        curve = _penalised(y, weights, stiffness)
        off = y - curve
        below = off[off < 0]
        spread = float(below.std()) if len(below) > 1 else 0.0
        if spread <= 1e-12:
            break
        z = np.clip(2 * (off - (2 * spread - float(below.mean()))) / spread, -60, 60)
        now = 1 / (1 + np.exp(z))
        change = float(np.linalg.norm(now - weights) / np.linalg.norm(weights))
        weights = np.maximum(now, 1e-8)
        if change < 1e-2:
            break
    result: Array = np.interp(np.arange(len(signal)), centres, curve) * unit + float(means.min())
    return result


def _penalised(y: Array, weights: Array, stiffness: float) -> Array:
    """The curve with the smallest weighted squares plus `stiffness` times its squared second differences."""
    count = len(y)
    bands = np.zeros((3, count))
    for shift, square in enumerate((1.0, 4.0, 1.0)):
        bands[2, shift : count - 2 + shift] += square
        if shift < 2:
            bands[1, shift + 1 : count - 1 + shift] -= 2.0
    bands[0, 2:] = 1.0
    bands *= stiffness
    bands[2] += weights
    try:
        return np.asarray(solveh_banded(bands, weights * y))
    except LinAlgError:
        return np.full(count, float(np.average(y, weights=weights)))


def local_baseline(signal: Array, stiff: Array, taken: Mask, window: int) -> Array:
    """The smoothed trace where no peak is, straight lines beneath groups of peaks.

    What is smoothed is the trace less the stiff curve, so that a slope does no harm at the edges of groups.
    """
    free = (~taken).astype(float)
    if free.sum() < LEAST_POINTS:
        return stiff
    off = np.where(taken, 0.0, signal - stiff)
    window = min(window, len(signal))
    weight = uniform_filter1d(free, window, mode="nearest")
    mean = uniform_filter1d(off, window, mode="nearest") / np.maximum(weight, 1e-12)
    result = stiff + mean
    where = np.arange(len(signal))
    known = ~taken & (weight > 0)
    straight: Array = np.interp(where, where[known], result[known])
    return straight


def noise_about(
    signal: Array, smooth: Array, baseline: Array, taken: Mask, gain: float
) -> tuple[float, float]:
    """Standard deviations of signal and smoothed signal about the baseline, where there are no peaks."""
    white = difference_noise(signal)
    free = ~taken
    if free.sum() < LEAST_POINTS:
        return white, white * gain
    off = signal[free] - baseline[free]
    # Points above the baseline may be peaks too small to count; those below it are noise.
    below = -off[off < 0]
    about = 1.4826 * float(np.median(below)) if len(below) > 5 else white
    wavy = smooth[free] - baseline[free]
    under = -wavy[wavy < 0]
    wave = 1.4826 * float(np.median(under)) if len(under) > 5 else 0.0
    return max(white, about), max(white * gain, wave)


def difference_noise(signal: Array) -> float:
    """Standard deviation of the noise, from second differences over one to four points: the largest of them."""
    estimates = [0.0]
    for lag in (1, 2, 4):
        second = signal[2 * lag :] - 2 * signal[lag:-lag] + signal[: -2 * lag]
        if len(second):
            estimates.append(1.4826 * float(np.median(np.abs(second))) / np.sqrt(6.0))
    return max(estimates)


def smoothed(signal: Array, samples: float) -> tuple[Array, float]:
    """The signal smoothed by parabolas over an odd number of samples, and what is left of white noise."""
    window = 2 * int(samples / 2) + 1
    if window < 5 or window > len(signal):
        return signal, 1.0
    gain = float(np.sqrt(np.sum(savgol_coeffs(window, 2) ** 2)))
    return _parabolas(signal, window), gain


def _parabolas(signal: Array, window: int) -> Array:
    """Of the parabola through each window its middle; of those at the ends their outer halves as well."""
    if window * len(signal) <= DIRECT or len(signal) < 2 * window:
        return np.asarray(savgol_filter(signal, window, 2))
    level = float(signal.mean())  # a high one would cost the transforms digits
    result: Array = oaconvolve(signal - level, savgol_coeffs(window, 2), mode="same") + level
    half = window // 2
    result[:half] = savgol_filter(signal[: 2 * window], window, 2)[:half]
    result[-half:] = savgol_filter(signal[-2 * window :], window, 2)[-half:]
    return result
