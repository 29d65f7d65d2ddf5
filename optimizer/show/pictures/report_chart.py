"""A chromatogram as data for the page's own script, which draws it for a reader who zooms."""

from __future__ import annotations

from typing import Any

import numpy as np

from models.column.programs import Array
from models.units import SECONDS_PER_MINUTE, celsius
from optimizer.goal.outcome import Prediction
from optimizer.results.plot_data import ChromatogramData
from optimizer.show.pictures.chromatograms import LEAST_SPANS, SIGNAL_RANGE, roomy_range
from optimizer.show.pictures.label_placement import shortened

SIGNAL_TOLERANCE = (
    0.01  # % of the highest signal by which a thinned trace may be off: unseen when enlarged 50 times
)
TRACE_TOLERANCE = 5e-4  # of the axis' range, likewise of oven, pressure and flow
TIME_DECIMALS = 5  # of a minute: a hundredth of the sharpest peak
LONGEST_NAME = 24  # characters, of a label above a peak
BASE = 0.85  # of the width at half height, from the apex to where a tangent meets the base line
# name, unit and decimals of what is drawn below the signal
TRACES = {
    "oven": ("oven", "°C", 1),
    "pressure": ("inlet", "kPa gauge", 1),
    "flow": ("column flow", "mL/min", 2),
}


def chart_view(prediction: Prediction, data: ChromatogramData) -> dict[str, Any]:
    """What the script draws, in the reader's units: numbers, and names that are nothing but text."""
    row = {name: m for m, name in enumerate(prediction.compounds)}
    numbers = {prediction.compounds[m]: number for number, m in enumerate(prediction.order, 1)}
    beneath = {
        "oven": (data.oven_times, data.oven),
        "pressure": (data.trace_times, data.pressure),
        "flow": (data.trace_times, data.flow),
    }
    return {
        "end": _rounded(data.end, TIME_DECIMALS),
        "signal_range": list(SIGNAL_RANGE),
        "signal": _curve(data.times, data.response, SIGNAL_TOLERANCE, 3),
        "critical": [_curve(data.times, each, SIGNAL_TOLERANCE, 3) for each in data.critical_responses],
        "window": None if data.window is None else [_rounded(t, TIME_DECIMALS) for t in data.window],
        "peaks": [
            {
                "number": numbers[label.name],
                "name": label.name,
                "label": shortened(label.name, LONGEST_NAME),
                "time": _rounded(label.time, TIME_DECIMALS),
                "height": _rounded(label.height, 3),
                "reach": _rounded(
                    BASE * prediction.width_half[row[label.name]] / SECONDS_PER_MINUTE, TIME_DECIMALS
                ),
                "half": _rounded(float(half), TIME_DECIMALS) if np.isfinite(half) else None,
                "temperature": _rounded(celsius(prediction.elution_temperature[row[label.name]]), 2),
                "critical": label.critical,
            }
            for label, half in zip(data.labels, data.half_intervals, strict=True)
        ],
        "traces": [
            _trace(kind, *beneath[kind], data.ambient if kind == "pressure" else None)
            for kind in TRACES
            if np.isfinite(beneath[kind][1]).any()
        ],
    }


def _trace(kind: str, times: Array, values: Array, ambient: float | None) -> dict[str, Any]:
    name, unit, decimals = TRACES[kind]
    low, high = roomy_range(values, LEAST_SPANS[kind])
    return {
        "kind": kind,
        "name": name,
        "unit": unit,
        "decimals": decimals,
        "ambient": None if ambient is None else _rounded(ambient, 3),
        "range": [_rounded(low, 3), _rounded(high, 3)],
        **_curve(times, values, TRACE_TOLERANCE * (high - low), 3),
    }


def _curve(times: Array, values: Array, tolerance: float, decimals: int) -> dict[str, list[float]]:
    seen = np.isfinite(values)
    times, values = times[seen], values[seen]
    kept = thinned_curve(times, values, tolerance)
    return {
        "times": [_rounded(float(t), TIME_DECIMALS) for t in times[kept]],
        "values": [_rounded(float(y), decimals) for y in values[kept]],
    }


def _rounded(value: float, decimals: int) -> float:
    """As few digits as it has: whole numbers without a point."""
    number = round(float(value), decimals)
    return int(number) if number == int(number) else number


def thinned_curve(times: Array, values: Array, tolerance: float) -> Array:
    """Which points of a curve to keep so that straight lines between them pass all others within a tolerance.

    The point furthest off a line between two kept ones is kept as well, until none is too far (Ramer 1972, Douglas
    and Peucker 1973, with distances along the values).

    Parameters
    ----------
    times, values : (Q,) arrays, the former rising; tolerance in the unit of the values

    Returns
    -------
    (K,) array of indices, rising, the first and the last among them
    """
    kept = {0, len(times) - 1}
    stretches = [(0, len(times) - 1)]
    while stretches:
        first, last = stretches.pop()
        if last - first < 2:
            continue
        between = slice(first + 1, last)
        line = np.interp(times[between], times[[first, last]], values[[first, last]])
        off = np.abs(values[between] - line)
        furthest = first + 1 + int(np.argmax(off))
        if off[furthest - first - 1] > tolerance:
            kept.add(furthest)
            stretches += [(first, furthest), (furthest, last)]
    return np.array(sorted(kept), dtype=np.intp)
