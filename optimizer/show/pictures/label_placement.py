"""Where labels along an axis go so that none covers another, as near to their places as that allows."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.optimize import isotonic_regression

from models.column.programs import Array


def spaced(places: Array, sizes: Array, low: float, high: float) -> Array:
    """Positions of items on a line, apart by their sizes, with the smallest sum of squared displacements.

    With c the running sum of the least distances, positions less c must not decrease: least squares under that
    condition is isotonic regression (pool adjacent violators), and the bounds only clip its result.

    Parameters
    ----------
    places : (K,) array, wanted positions of the centres, rising
    sizes : (K,) array, room each item needs, in the same unit
    low, high : the line's ends

    Returns
    -------
    (K,) array of centres; when the line is too short for all, they are squeezed evenly
    """
    if not len(places):
        return places
    distances = np.concatenate([[0.0], (sizes[1:] + sizes[:-1]) / 2])
    room, needed = high - low, float(sizes.sum())
    if needed > room:
        distances = distances * room / needed
        sizes = sizes * room / needed
    ahead = np.cumsum(distances)
    level = isotonic_regression(places - ahead).x
    result: Array = np.clip(level, low + sizes[0] / 2, high - sizes[-1] / 2 - ahead[-1]) + ahead
    return result


def shortened(text: str, longest: int) -> str:
    """Text on one line, with an ellipsis in its middle when longer than allowed.

    Long names of related compounds often differ only at their ends.
    """
    line = " ".join(text.split())
    if len(line) <= longest:
        return line
    tail = (longest - 1) // 3
    return line[: longest - 1 - tail].rstrip() + "…" + line[len(line) - tail :].lstrip()


def thinned(count: int, room: int, keep: Sequence[int]) -> list[int]:
    """Which of `count` items get a label when only `room` fit: those to keep, then an even choice of the rest."""
    if count <= room:
        return list(range(count))
    kept = list(dict.fromkeys(keep))[:room]
    others = [at for at in range(count) if at not in kept]
    free = room - len(kept)
    even = [others[round(at)] for at in np.linspace(0, len(others) - 1, free)] if free else []
    return sorted({*kept, *even})
