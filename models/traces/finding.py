"""Peaks in a recorded trace: baseline, apexes, areas, half-height widths, tailing factors.

The baseline (`traces.baseline`) is the smoothed trace where no peak is, and straight beneath every group of peaks. A
peak is an apex of its own: two that merge to one apex are one peak, and no shoulder is split off. Fused peaks are
parted at the valley; one that rides on the tail of a much higher one has that tail as its baseline, between the points
where a straight line touches the trace on either side of it (`peak_shape`).

Noise is the standard deviation sigma of the trace about its baseline where no peak is. Signal-to-noise is 2 H/h as in
the pharmacopoeias (USP <621>, Ph. Eur. 2.2.46), H the height and h the span of the noise, taken as 6 sigma. The
tailing factor is that of the same chapters: width at 5 % of the height over twice the distance from front to apex.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.signal import find_peaks as local_maxima
from scipy.signal import peak_widths

from models.column.programs import Array
from models.errors import InvalidInputError
from models.traces.baseline import (
    LEAST_POINTS,
    Mask,
    difference_noise,
    local_baseline,
    noise_about,
    smoothed,
    stiff_baseline,
)
from models.traces.shape import Index, PeakShape, first_below, peak_shape

WORTHWHILE = (
    0.05  # share of maxima that a round over all of them settles, below which they are taken one by one
)
NOISE_SPAN = 6.0  # standard deviations from the lowest to the highest noise
LEAST_SIGNAL_TO_NOISE = 3.0  # the usual limit of detection
LEAST_WIDTH_SHARE = 0.4  # of the narrowest clear peak: the smallest width, unless stated
LEAST_SAMPLES = 2.5  # in the smallest half-height width: fewer are a spike
CLEAR = 10.0  # standard deviations of the noise by which a peak stands out before anything is known
TRUE_VALLEY = 7.0  # standard deviations of the smoothed noise by which two apexes stand above their valley
VALLEY_SHARE = 0.002  # and the share of the height: a detector's noise grows with its signal
SMOOTHED_SHARE = 0.5  # of a half-height width that is smoothed over: changes a height by 0.2 %
FOOT = 0.001  # share of the height at which a peak is over
FARTHEST = 4.0  # half-height distances from the apex beyond which noise alone is added up
TAIL = 3.0  # and of the back beyond FARTHEST for a peak that tails
LIMITS_PER_WIDTH = 2.5  # half-height widths from limit to limit of a fused peak
WIDEST_SHARE = 0.25  # of the retention time: a wider hump is no peak of a column (5.54 * 4^2 = 89 plates)


@dataclass(frozen=True, eq=False)
class FoundPeaks:
    """M peaks of a trace, in order of retention time.

    Attributes
    ----------
    retention, width_half : (M,) arrays  [s]; the width is nan where a neighbour hides half of the height
    height : (M,) array  [signal], above the baseline
    area : (M,) array  [signal s]
    tailing : (M,) array  [-], nan where noise or a neighbour hides 5 % of the height
    signal_to_noise : (M,) array  [-]
    start, end : (M,) arrays  [s], limits of the area
    half_front, half_back : (M,) arrays  [s], where the half height is, nan with the width
    half_level : (M,) array  [signal], half of the height, baseline included
    base_start, base_end : (M,) arrays  [signal], the peak's own baseline at its limits
    cut_off : (M,) array of bool, whether the top is flat
    """

    retention: Array
    width_half: Array
    height: Array
    area: Array
    tailing: Array
    signal_to_noise: Array
    start: Array
    end: Array
    half_front: Array
    half_back: Array
    half_level: Array
    base_start: Array
    base_end: Array
    cut_off: Mask


@dataclass(frozen=True, eq=False)
class PeakSearch:
    """What was found in a trace of Q points.

    Attributes
    ----------
    peaks : FoundPeaks
    baseline : (Q,) array  [signal]
    noise : float  [signal], standard deviation about the baseline
    least_signal_to_noise : float  [-], least_width : float  [s], what a peak had to have
    """

    peaks: FoundPeaks
    baseline: Array
    noise: float
    least_signal_to_noise: float
    least_width: float


def find_peaks(
    times: Array,
    signal: Array,
    least_signal_to_noise: float | None = None,
    least_width: float | None = None,
) -> PeakSearch:
    """The peaks of a trace.

    Parameters
    ----------
    times : (Q,) array  [s], evenly spaced
    signal : (Q,) array  [any unit]
    least_signal_to_noise : float  [-], of a peak; 3 when None
    least_width : float  [s], half-height width of a peak; from the clear peaks of the trace when None

    Raises
    ------
    InvalidInputError : for a trace with too few points, or values that are no numbers
    """
    times, signal = np.asarray(times, dtype=float), np.asarray(signal, dtype=float)
    if len(times) < LEAST_POINTS:
        raise InvalidInputError(f"a trace has at least {LEAST_POINTS} points, got {len(times)}")
    if not np.isfinite(signal).all() or not np.isfinite(times).all():
        raise InvalidInputError("a trace holds finite numbers only")
    interval = float(times[-1] - times[0]) / (len(times) - 1)
    wanted = LEAST_SIGNAL_TO_NOISE if least_signal_to_noise is None else least_signal_to_noise
    widths = _clear_widths(signal, max(float(times[0]), 0.0) / interval)
    if not len(widths):
        samples = max(LEAST_SAMPLES, len(signal) / 200 if least_width is None else least_width / interval)
        widths = np.array([samples / LEAST_WIDTH_SHARE])
    narrow, wide = np.quantile(widths, [0.05, 0.9])
    smallest = max(LEAST_SAMPLES, LEAST_WIDTH_SHARE * float(narrow))
    if least_width is not None:
        smallest = max(least_width / interval, 1.0)
    smooth, gain = smoothed(signal, SMOOTHED_SHARE * max(float(narrow), smallest))
    baseline = stiff_baseline(signal, max(int(smallest / 2), 1), float(wide))
    noise, smooth_noise = noise_about(signal, smooth, baseline, np.zeros(len(signal), dtype=bool), gain)
    limits: list[tuple[int, int]] = []
    apexes = np.zeros(0, dtype=np.intp)
    looked_for = min(wanted, LEAST_SIGNAL_TO_NOISE)  # peaks too small to be wanted are no baseline either
    for _ in range(3):
        apexes = _apexes(smooth, baseline, noise, smooth_noise, looked_for, smallest)
        limits = _limits(smooth, baseline, apexes, smooth_noise)
        taken = _within(limits, len(signal))
        baseline = local_baseline(signal, baseline, taken, max(int(4 * wide), 5))
        noise, smooth_noise = noise_about(signal, smooth, baseline, taken, gain)
    shapes = [
        peak_shape(times, signal, smooth, baseline, limits, apexes, n, noise, interval)
        for n in range(len(apexes))
    ]
    enough = [
        each
        for each in shapes
        if each is not None
        and 2 * each.height >= wanted * NOISE_SPAN * noise
        and not each.width < smallest * interval
        and each.retention > 0
        and _extent(each) <= WIDEST_SHARE * each.retention
    ]
    return PeakSearch(_together(enough, noise), baseline, noise, wanted, smallest * interval)


def _extent(peak: PeakShape) -> float:
    """Half-height width [s], or where it is hidden about that, from the limits."""
    return peak.width if np.isfinite(peak.width) else (peak.end - peak.start) / LIMITS_PER_WIDTH


def _clear_widths(signal: Array, first: float) -> Array:
    """Half-height widths [samples] of peaks that stand out whatever the baseline, on the finest scale with any.

    Parameters
    ----------
    first : float  [samples], how late the trace starts
    """
    scale = 1
    while len(signal) // scale >= LEAST_POINTS:
        coarse = signal[: len(signal) // scale * scale].reshape(-1, scale).mean(axis=1)
        noise = difference_noise(coarse)
        span = float(np.ptp(coarse))
        if span <= 0:
            break
        at, _ = local_maxima(coarse)
        prominence = prominences(coarse, at)
        enough = prominence >= max(CLEAR * noise, 1e-4 * span)
        at = at[enough]
        found = _half_widths(coarse, at, prominence[enough])
        # A solvent or a hump must not make the baseline stiff.
        clear = (found >= LEAST_SAMPLES) & (found * scale <= WIDEST_SHARE * (first + at * scale))
        if clear.any():
            result: Array = found[clear] * scale
            return result
        scale *= 2
    return np.zeros(0)


def _apexes(
    smooth: Array, baseline: Array, noise: float, smooth_noise: float, wanted: float, smallest: float
) -> Index:
    """Samples at which the smoothed trace has an apex that counts."""
    above = smooth - baseline
    top = float(above.max())
    at, _ = local_maxima(smooth)
    prominence = prominences(smooth, at)
    high = above[at] >= max(wanted * NOISE_SPAN / 2 * noise * 0.9, 1e-6 * top)
    enough = high & (prominence >= np.maximum(TRUE_VALLEY * smooth_noise, VALLEY_SHARE * above[at]))
    at = at[enough]
    # Half of the prominence is narrower than half of the height where peaks overlap.
    wide = _half_widths(smooth, at, prominence[enough]) >= max(LEAST_WIDTH_SHARE * smallest, 1.0)
    result: Index = at[wide]
    return result


def _half_widths(signal: Array, at: Index, prominence: Array) -> Array:
    """Widths [samples] at half of the prominence; nought of a rise that rounding swallows, of which scipy warns."""
    rises = signal[at] - 0.5 * prominence < signal[at]
    first = np.zeros(
        rises.sum(), dtype=np.intp
    )  # a walk ends where it falls below that level, before any end
    data = (prominence[rises], first, first + len(signal) - 1)
    widths = np.zeros(len(at))
    widths[rises] = peak_widths(signal, at[rises], 0.5, prominence_data=data)[0]
    return widths


def _limits(smooth: Array, baseline: Array, apexes: Index, smooth_noise: float) -> list[tuple[int, int]]:
    """First and last sample of each peak: where it meets the baseline, or the valley to its neighbour."""
    above = smooth - baseline
    limits = []
    for n, at in enumerate(apexes):
        low = 0 if n == 0 else int(apexes[n - 1] + np.argmin(above[apexes[n - 1] : at + 1]))
        high = len(above) - 1
        if n + 1 < len(apexes):
            high = int(at + np.argmin(above[at : apexes[n + 1] + 1]))
        foot = max(FOOT * above[at], smooth_noise)
        half = above[at] / 2
        front = first_below(above[low : at + 1][::-1], half)
        back = first_below(above[at : high + 1], half)
        start = first_below(above[low : at + 1][::-1], foot)
        end = first_below(above[at : high + 1], foot)
        start = min(start, int(FARTHEST * (front + 1)) + 1)
        end = min(end, int(FARTHEST * TAIL * (back + 1)) + 1)
        limits.append((max(at - start, low), min(at + end, high)))
    return limits


def _within(limits: list[tuple[int, int]], count: int) -> Mask:
    taken = np.zeros(count, dtype=bool)
    for start, end in limits:
        taken[start : end + 1] = True
    return taken


def _together(shapes: list[PeakShape], noise: float) -> FoundPeaks:
    def column(name: str) -> Array:
        return np.array([getattr(shape, name) for shape in shapes], dtype=float)

    height = column("height")
    ratio = np.full(len(shapes), np.inf) if noise == 0 else 2 * height / (NOISE_SPAN * noise or 1.0)
    return FoundPeaks(
        column("retention"),
        column("width"),
        height,
        column("area"),
        column("tailing"),
        ratio,
        column("start"),
        column("end"),
        column("front"),
        column("back"),
        column("level"),
        column("base_start"),
        column("base_end"),
        column("cut_off").astype(bool),
    )


def prominences(values: Array, maxima: Index) -> Array:
    """Prominences (M,) of all local maxima of a trace (Q,), M indices in rising order; plateaus count once."""
    result = np.zeros(len(maxima))
    if not len(maxima):
        return result
    lowest = np.minimum.reduceat(values, np.append(0, maxima))  # between neighbours, and before the first
    lowest[-1] = min(lowest[-1], values[-1])
    heights, left = values[maxima], np.arange(len(maxima))
    while len(left) > 2:
        # One that is lower than both of its neighbours is done with, and the lowest points beside it become one.
        inner = np.flatnonzero((heights[1:-1] < heights[:-2]) & (heights[1:-1] < heights[2:])) + 1
        if len(inner) < WORTHWHILE * len(left):
            break
        result[left[inner]] = heights[inner] - np.maximum(lowest[inner], lowest[inner + 1])
        lowest[inner] = np.minimum(lowest[inner], lowest[inner + 1])
        lowest = np.delete(lowest, inner + 1)
        heights, left = np.delete(heights, inner), np.delete(left, inner)
    before = _lowest_before(heights.tolist(), lowest[:-1].tolist())
    after = _lowest_before(heights[::-1].tolist(), lowest[:0:-1].tolist())[::-1]
    result[left] = heights - np.maximum(before, after)
    return result


def _lowest_before(heights: list[float], lowest: list[float]) -> list[float]:
    """Of each maximum the lowest point since the last higher one; `lowest` is that since the last maximum."""
    result: list[float] = []
    higher: list[tuple[float, float]] = []  # maxima before that are higher than all since, with their results
    for height, between in zip(heights, lowest, strict=True):
        least = between
        while higher and higher[-1][0] <= height:
            least = min(least, higher.pop()[1])
        result.append(least)
        higher.append((height, least))
    return result
