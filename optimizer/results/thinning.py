"""Curves in as few points as show them."""

from __future__ import annotations

import numpy as np

from models.column.programs import Array


def thinned_curve(times: Array, values: Array, tolerance: float | Array) -> Array:
    """Which points of a curve to keep so that straight lines between them pass all others within a tolerance.

    The point furthest off a line between two kept ones is kept as well, until none is too far (Ramer 1972, Douglas
    and Peucker 1973, with distances along the values).

    Parameters
    ----------
    times, values : (Q,) arrays, the former rising
    tolerance : in the unit of the values, for all points or (Q,) for each

    Returns
    -------
    (K,) array of indices, rising, the first and the last among them
    """
    allowed = np.broadcast_to(tolerance, times.shape)
    kept = {0, len(times) - 1}
    stretches = [(0, len(times) - 1)]
    while stretches:
        first, last = stretches.pop()
        if last - first < 2:
            continue
        between = slice(first + 1, last)
        line = np.interp(times[between], times[[first, last]], values[[first, last]])
        off = np.abs(values[between] - line) / allowed[between]
        furthest = first + 1 + int(np.argmax(off))
        if off[furthest - first - 1] > 1:
            kept.add(furthest)
            stretches += [(first, furthest), (furthest, last)]
    return np.array(sorted(kept), dtype=np.intp)
