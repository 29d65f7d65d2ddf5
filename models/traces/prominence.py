"""How far the maxima of a trace stand out, in time that grows with the length of the trace.

The prominence of a maximum is its height above the higher one of the two lowest points that lie between it and the
next higher points before and after it, or the ends. Walking there from every maximum, as is usual, takes time that
grows with the square of the length where a trace rises or repeats itself; here each is looked at a few times.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from models.column.programs import Array

Index = NDArray[np.intp]

WORTHWHILE = (
    0.05  # share of maxima that a round over all of them settles, below which they are taken one by one
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
