"""From one elution order into the next: steps of the linearised problem in which pairs may change places.

A descent keeps the order that it began in. Where that holds no program that keeps every limit, some pair is the wrong
way round: its resolution, which has a sign, is followed through nought. Which pairs are to change places is found by
branch and bound, pairs not yet decided being left out: those that end up close are tried both ways round.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linprog

from models.column.programs import Array

REACH = 0.1  # on the unit cube: how far a step goes
CLOSE = -0.3  # margin of pairs below which they may change places
ENOUGH = 0.02  # a margin beyond which raising it further is not asked for
NODES = 40  # of the branch and bound, at most
GAP = 0.01  # in the smallest margin, by which another choice must be better to be looked for


def crossed(
    z: Array, low: Array, high: Array, margins: Array, slopes: Array, pairs: int, required: NDArray[np.bool_]
) -> Array | None:
    """The end (D,) of a step that raises the smallest margin the most, close pairs being either way round.

    None where no pair is close enough to change places.

    Parameters
    ----------
    z, low, high : (D,) arrays, a point and its bounds on the unit cube
    margins, slopes : (K,) and (K, D) arrays there; the first `pairs` are resolutions, signed as the peaks come
    required : (K,) array, which of them are raised; the others are kept, or not made worse
    """
    close = np.flatnonzero(margins[:pairs] < CLOSE)
    if not close.size:
        return None
    undecided = np.ones(len(margins))
    undecided[close] = 0.0
    best, end, waiting = -np.inf, None, [undecided]
    for _ in range(NODES):
        if not waiting:
            break
        signs = waiting.pop()
        found = _step(z, low, high, margins, slopes, signs, required)
        if found is None or found[-1] < best + GAP:
            continue
        free = close[signs[close] == 0]
        resolution = margins[free] + 1 + slopes[free] @ found[:-1]
        short = found[-1] - (np.abs(resolution) - 1)
        if not free.size or short.max() <= 0:
            best, end = float(found[-1]), z + found[:-1]
            continue
        at = int(np.argmax(short))
        for sign in (-1.0, 1.0) if resolution[at] >= 0 else (1.0, -1.0):  # the last is tried first
            decided = signs.copy()
            decided[free[at]] = sign
            waiting.append(decided)
    return end


def _step(
    z: Array,
    low: Array,
    high: Array,
    margins: Array,
    slopes: Array,
    signs: Array,
    required: NDArray[np.bool_],
) -> Array | None:
    """The step (D,) that raises the smallest margin the most, and that margin; pairs are resolved with their signs."""
    wanted = np.where(signs > 0, margins, -margins - 2)
    held = signs != 0
    found = linprog(
        np.append(np.zeros(z.size), -1.0),
        A_ub=np.concatenate([-signs[:, None] * slopes, 1.0 * required[:, None]], axis=1)[held],
        b_ub=np.where(required, wanted, np.maximum(wanted, 0.0))[held],
        bounds=np.stack(
            [
                np.append(np.clip(low - z, -REACH, 0.0), -np.inf),
                np.append(np.clip(high - z, 0.0, REACH), ENOUGH),
            ],
            axis=1,
        ),
        method="highs",
    )
    return None if found.x is None else np.asarray(found.x)
