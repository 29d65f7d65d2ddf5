"""The measures of one peak in a recorded trace: apex, height, area, half-height width, tailing factor."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import trapezoid
from scipy.interpolate import CubicSpline
from scipy.optimize import minimize_scalar

from models.column.programs import Array
from models.traces.baseline import smoothed

Index = NDArray[np.intp]

RIDER = 10.0  # times lower than the highest of its group a peak rides on its tail,
TAIL_RIDER = 2.0  # or so many times the last peak of a group,
LIFTED = 0.05  # if the tail is higher on both sides of it than this share of its height,
LASTING = 0.2  # and on the one side than this share of what it is on the other
TOP, CLEAN_TOP = 0.6, 0.85  # share of the height from which points give the apex, of noisy and of clean peaks
CLEAN = 300.0  # height over noise of a clean peak
TAILING_LEVEL, HALF = 0.05, 0.5
FLAT = 4  # equal readings at the top of a peak that was cut off by the detector


@dataclass(frozen=True)
class PeakShape:
    """One peak; times in s, `front`, `back` and `level` those of half height, nan where they are hidden."""

    retention: float
    height: float
    area: float
    start: float
    end: float
    cut_off: bool
    front: float
    back: float
    level: float
    tailing: float
    base_start: float
    base_end: float

    @property
    def width(self) -> float:
        """At half height  [s]."""
        return self.back - self.front


def peak_shape(
    times: Array,
    signal: Array,
    trace: Array,
    baseline: Array,
    limits: list[tuple[int, int]],
    apexes: Index,
    n: int,
    noise: float,
    interval: float,
) -> PeakShape | None:
    """The measures of one peak of a signal whose smoothed form is `trace`, None where nothing is left of it."""
    skimmed = _skimmed(times, trace, trace - baseline, limits, apexes, n)
    start, end = limits[n] if skimmed is None else skimmed
    part = slice(start, end + 1)
    t = times[part]
    base = baseline[part]
    if end - start < 3:
        return None
    if skimmed is not None:
        base = base + _tail(trace[start] - baseline[start], trace[end] - baseline[end], len(t))
    y = signal[part] - base
    # A slope beneath a peak moves its apex.
    at = int(apexes[n]) - start if skimmed is None else int(np.argmax(trace[part] - base))
    rough = float(y[at])
    if rough <= 0:
        return None
    count = first_below(y[at:], rough / 2) + first_below(y[: at + 1][::-1], rough / 2)
    smooth, gain = smoothed(y, 0.4 * count)
    at += int(np.argmax(smooth[max(at - 2, 0) : at + 3])) - min(at, 2)
    clean = rough > CLEAN * noise
    retention, height = _apex(t, y if clean else smooth, smooth, at, interval, CLEAN_TOP if clean else TOP)
    curve = CubicSpline(t, smooth)
    fine = np.linspace(t[0], t[-1], 8 * len(t))
    values = curve(fine)
    centre = int(np.argmin(np.abs(fine - retention)))

    def crossing(level: float, after: bool) -> float:
        side = slice(centre, None) if after else slice(centre, None, -1)
        below = np.flatnonzero(values[side] < level)
        if not len(below) or below[0] == 0:
            return float("nan")
        x, v = fine[side][below[0] - 1 : below[0] + 1], values[side][below[0] - 1 : below[0] + 1]
        return float(x[0] + (level - v[0]) / (v[1] - v[0]) * (x[1] - x[0]))

    front, back = crossing(HALF * height, False), crossing(HALF * height, True)
    tailing = float("nan")
    if TAILING_LEVEL * height > 2 * noise * gain:
        foot, heel = crossing(TAILING_LEVEL * height, False), crossing(TAILING_LEVEL * height, True)
        if retention > foot:
            tailing = (heel - foot) / (2 * (retention - foot))
    top = signal[part] >= signal[part].max()
    return PeakShape(
        retention,
        height,
        float(trapezoid(y, t)),
        float(t[0]),
        float(t[-1]),
        int(top.sum()) >= FLAT and bool(np.all(np.diff(np.flatnonzero(top)) == 1)),
        front,
        back,
        float(np.interp(retention, t, base)) + HALF * height,
        tailing,
        float(base[0]),
        float(base[-1]),
    )


def _skimmed(
    times: Array, trace: Array, above: Array, limits: list[tuple[int, int]], apexes: Index, n: int
) -> tuple[int, int] | None:
    """Where a straight line touches the trace before and after a peak on the tail of one many times its height.

    None for a peak that rides on no other.
    """
    first = last = n
    while first > 0 and limits[first - 1][1] >= limits[first][0] - 1:
        first -= 1
    while last + 1 < len(apexes) and limits[last + 1][0] <= limits[last][1] + 1:
        last += 1
    at = int(apexes[n])
    highest = float(above[apexes[first : last + 1]].max())
    if highest <= above[at]:
        return None
    low = int(apexes[n - 1]) if n > first else limits[n][0]
    high = int(apexes[n + 1]) if n < last else limits[n][1]
    start, end = limits[n]
    if not low < at < high:
        return None
    for _ in range(3):
        after = np.arange(at + 1, high + 1)
        end = int(after[np.argmin((trace[after] - trace[start]) / (times[after] - times[start]))])
        before = np.arange(low, at)
        start = int(before[np.argmax((trace[end] - trace[before]) / (times[end] - times[before]))])
    height = float(trace[at] - np.interp(times[at], times[[start, end]], trace[[start, end]]))
    # A tail goes on beyond what rides on it; the flank of a neighbour does not.
    low_side, high_side = sorted((float(above[start]), float(above[end])))
    if low_side <= max(LIFTED * height, LASTING * high_side):
        return None
    return (start, end) if highest > (TAIL_RIDER if n == last else RIDER) * height else None


def _tail(first: float, last: float, count: int) -> Array:
    """From one height above the baseline to another: exponentially, as tails fall, where both are above it."""
    share = np.linspace(0.0, 1.0, count)
    if first > 0 and last > 0:
        return np.asarray(first * (last / first) ** share)
    return np.asarray(first + (last - first) * share)


def _apex(t: Array, y: Array, smooth: Array, at: int, interval: float, top: float) -> tuple[float, float]:
    """Time and height of the apex: of two half Gaussians that meet there, through the points near the top.

    A parabola through the top of a skewed peak is off by a good part of a sampling interval: front and back do not
    bend alike. For a given apex, the logarithm is linear in the height's and in both curvatures.
    """
    level = top * smooth[at]
    low = at - first_below(smooth[: at + 1][::-1], level)
    high = at + first_below(smooth[at:], level)
    low, high = max(min(low + 1, at - 1), 0), min(max(high - 1, at + 1), len(y) - 1)
    x, v = (t[low : high + 1] - t[at]) / interval, y[low : high + 1]
    good = v > 0.3 * smooth[at]
    x, v = x[good], v[good]
    if len(x) < 3:
        return float(t[at]), float(smooth[at])
    if len(x) < 5:
        return _parabola(t, y, at, interval)
    logs, weight = np.log(v), v / v.max()

    def fitted(apex: float) -> tuple[float, Array]:
        off = x - apex
        columns = np.column_stack(
            [np.ones(len(x)), np.where(off < 0, off**2, 0.0), np.where(off >= 0, off**2, 0.0)]
        )
        solution = np.linalg.lstsq(columns * weight[:, None], logs * weight, rcond=None)[0]
        return float(np.sum((weight * (columns @ solution - logs)) ** 2)), solution

    # Beyond this one of the two halves has too few points to have a curvature.
    reach = np.array([max(float(x[0]) + 1.5, -0.35 * len(x)), min(float(x[-1]) - 1.5, 0.35 * len(x))])
    if reach[1] - reach[0] < 0.5:
        return _parabola(t, y, at, interval)
    trials = np.linspace(reach[0], reach[1], 9)
    best = int(np.argmin([fitted(float(trial))[0] for trial in trials]))
    bounds = (float(trials[max(best - 1, 0)]), float(trials[min(best + 1, 8)]))
    found = minimize_scalar(
        lambda apex: fitted(float(apex))[0], bounds=bounds, method="bounded", options={"xatol": 1e-3}
    )
    solution = fitted(float(found.x))[1]
    if solution[1] >= 0 or solution[2] >= 0:
        return _parabola(t, y, at, interval)
    return float(t[at] + found.x * interval), float(np.exp(solution[0]))


def _parabola(t: Array, y: Array, at: int, interval: float) -> tuple[float, float]:
    """Apex of the parabola through a sample and its neighbours."""
    if not 0 < at < len(y) - 1:
        return float(t[at]), float(y[at])
    before, here, after = y[at - 1 : at + 2]
    bend = before - 2 * here + after
    if bend >= 0:
        return float(t[at]), float(here)
    shift = float(np.clip((before - after) / (2 * bend), -1, 1))
    return float(t[at] + shift * interval), float(here - (before - after) * shift / 4)


def first_below(values: Array, level: float) -> int:
    """How many samples from the first until the values are below a level; all of them when they never are."""
    below = np.flatnonzero(values < level)
    return int(below[0]) if len(below) else len(values) - 1
