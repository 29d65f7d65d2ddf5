"""The readings of a recorded trace: brought onto an even grid, and what is odd about them."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from models.column.programs import Array
from models.traces.baseline import LEAST_POINTS
from models.units import SECONDS_PER_MINUTE
from optimizer.base.errors import ScenarioError

MOST_POINTS = 12_000_000  # six hours at 500 Hz, more than detectors of gas chromatographs give
KEPT_POINTS = (
    1_000_000  # of longer traces the means of groups: in two hours 7 ms, a tenth of the narrowest peaks
)
INTERVALS = (1e-5, 600.0)  # s, between readings
LATEST = 1e7  # s, after the start of the run: sixteen weeks
UNEVEN = 0.6  # sampling intervals by which rounded times may be off an even grid
LEAST_GAP = 20  # times the usual step between readings
LONGEST_GAP = 0.5  # of the whole time; beyond it, it is not one run
MOSTLY_DOWN = 3  # times as far down as up: no peaks but dips
MOST_ADDED = 100  # points of an even grid for every reading; more are made up, not interpolated


def evenly(path: Path, times: Array, signal: Array) -> tuple[Array, Array, tuple[str, ...]]:
    """Readings on an even grid: as they are when only rounded times are uneven, else interpolated; and what is odd.

    When the grid would have more than `MOST_ADDED` points a reading, the times are taken for a mistake. Of more than
    `KEPT_POINTS` readings neighbours are averaged.
    """
    if not np.isfinite(times).all():
        raise ScenarioError(f"{path}: a time is no number; export the run again")
    count = len(times)
    if count > KEPT_POINTS and not np.any(np.diff(times) < 0):
        size = -(-count // KEPT_POINTS)
        whole = count // size * size
        times, signal = (each[:whole].reshape(-1, size).mean(axis=1) for each in (times, signal))
        times, signal, notes = evenly(path, times, signal)
        return times, signal, (f"{path}: of its {count} readings the means of {size} each are used", *notes)
    if np.abs(times).max() > LATEST:
        raise ScenarioError(
            f"{path}: a reading at {times[np.argmax(np.abs(times))]:g} s; expected at most {LATEST:g} s: is the unit "
            "of time right?"
        )
    steps = np.diff(times)
    if np.any(steps < 0) or times[-1] <= times[0]:
        at = int(np.argmin(steps)) + 2
        raise ScenarioError(f"{path}: time goes back at reading {at}; expected times that rise")
    interval = float(times[-1] - times[0]) / (len(times) - 1)
    usual = float(np.median(steps))  # one leap is another mistake than a wrong unit
    if interval < INTERVALS[0] or usual > INTERVALS[1]:
        raise ScenarioError(
            f"{path}: its readings are {max(interval, usual):g} s apart; expected {INTERVALS[0]:g} to "
            f"{INTERVALS[1]:g} s: is the unit of time right?"
        )
    # A line through all times: the first and last are rounded, too.
    number = np.arange(len(times)) - (len(times) - 1) / 2
    slope = float(number @ times) / float(number @ number)
    grid = times.mean() + slope * number
    if np.abs(times - grid).max() <= UNEVEN * interval:
        return grid, signal, _odd(path, times, signal)
    if np.any(steps == 0):
        at = int(np.argmin(steps)) + 2
        raise ScenarioError(
            f"{path}: the time of reading {at} is that of the one before; export the times with more digits"
        )
    points = round(float(times[-1] - times[0]) / usual) + 1
    leap = float(steps.max())
    at = int(np.argmax(steps))
    too_far = leap > usual * LEAST_GAP and leap > float(times[-1] - times[0]) * LONGEST_GAP
    if too_far or points > min(MOST_ADDED * len(times), 4 * KEPT_POINTS):
        raise ScenarioError(
            f"{path}: the times leap from {times[at]:g} to {times[at + 1]:g} s though most readings are {usual:.3g} s "
            "apart; are they all of one run?"
        )
    grid = np.linspace(times[0], times[-1], max(points, LEAST_POINTS))
    return grid, np.interp(grid, times, signal), _odd(path, times, signal)


def _odd(path: Path, times: Array, signal: Array) -> tuple[str, ...]:
    """What is odd about readings that can be used all the same."""
    notes = []
    steps = np.diff(times)
    at = int(np.argmax(steps))
    if steps[at] > LEAST_GAP * float(np.median(steps)):
        first, last = times[at : at + 2] / SECONDS_PER_MINUTE
        notes.append(
            f"{path}: there are no readings from {first:.3f} to {last:.3f} min; a peak there is not seen"
        )
    if times[0] < -float(steps[0]):
        notes.append(
            f"{path}: its readings begin at {times[0] / SECONDS_PER_MINUTE:.3f} min; retention times count from 0, "
            "which must be the injection, and what elutes before is left out"
        )
    level = float(np.median(signal))
    down, up = level - float(signal.min()), float(signal.max()) - level
    if down > MOSTLY_DOWN * up:
        notes.append(
            f"{path}: the signal falls {down:.3g} below its usual level and rises only {up:.3g} above it: is it upside "
            "down? Only what rises counts as a peak"
        )
    return tuple(notes)
