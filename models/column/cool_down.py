"""How long an oven takes to cool: Newton's law through one stated point.

T(t) = Ta + (T0 - Ta) exp(-t/tau),  so that  t = tau ln((T0 - Ta)/(T - Ta))                          [1]

with Ta the room's temperature. The room's own temperature is never reached: a degree above it counts as cold.

[1] Newton's law of cooling; that ovens follow it is common practice, no source.
"""

from __future__ import annotations

import numpy as np

from models.column.programs import Array

LEAST_EXCESS = 1.0  # K above the room that count as having reached it


def time_constant(duration: float, start: float, end: float, ambient: float) -> float:
    """tau [s] of an oven that takes `duration` [s] from `start` to `end` [K] in a room of `ambient` [K].

    Zero when the stated end is not below the start.
    """
    ratio = max(start - ambient, LEAST_EXCESS) / max(end - ambient, LEAST_EXCESS)
    return float(duration / np.log(ratio)) if ratio > 1 else 0.0


def cooling_time(tau: float, start: Array, end: Array, ambient: float) -> Array:
    """Time [s] from `start` to `end` [K], any shapes that broadcast; zero where the oven need not cool; [1]."""
    hot, cold = np.maximum(start - ambient, LEAST_EXCESS), np.maximum(end - ambient, LEAST_EXCESS)
    result: Array = tau * np.log(np.maximum(hot / cold, 1.0))
    return result
