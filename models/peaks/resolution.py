"""Resolution of neighbouring peaks and related figures of merit.

Rs = 1.18 (t2 - t1)/(w1 + w2), widths at half height                                    [1]
N  = 5.54 (tR/w)^2                                                                       [1]

A peak that tails stands with its back, not with its front, in the way of the next. With the two half Gaussians of
`chromatogram`, the front of a peak of tailing factor T takes the share 1/(2T) of its width at half height and the back
the rest; twice the half that faces the other peak stands for w in [1], which leaves symmetrical peaks as they are.

[1] USP <621> Chromatography; Ph. Eur. 2.2.46 Chromatographic separation techniques.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from models.column.programs import Array

HALF_HEIGHT_WIDTH = 2.0 * np.sqrt(2.0 * np.log(2.0))  # of a Gaussian, in standard deviations
BASE_WIDTH_PER_HALF = 4.0 / HALF_HEIGHT_WIDTH  # tangent base width over half-height width: 1.699


def resolution(t1: Array, t2: Array, width1: Array, width2: Array) -> Array:
    """Half-height resolution, negative when the second peak comes first; [1].

    All arguments broadcast; times and half-height widths in the same unit.
    """
    return 1.18 * (t2 - t1) / (width1 + width2)


def plate_count(retention_time: Array, width_half: Array) -> Array:
    """Plate count from retention time and half-height width in the same unit; [1]."""
    return 5.54 * (retention_time / width_half) ** 2


def facing_shares(tailing: Array) -> tuple[Array, Array]:
    """Twice the shares of the half-height width in front of the apex and behind it, from tailing factors."""
    front = 1.0 / tailing
    return front, 2.0 - front


def leaning_too(tailing: Array, front: Array) -> Array:
    """Tailing factors (..., M) of peaks that tail by factors (M,) and lean by their amount.

    `front` (..., M) is twice the share of its width that a leaning peak has in front of its apex; ratios of halves
    multiply.
    """
    before, behind = facing_shares(tailing)
    before, behind = before * front, behind * (2 - front)
    result: Array = (before + behind) / (2 * before)
    return result


def front_for(tailing: Array, own: Array) -> Array:
    """The inverse: what gives peaks of tailing factors `own` those of `tailing`; shapes broadcast."""
    result: Array = 2 / (1 + (2 * tailing - 1) / (2 * own - 1))
    return result


def pair_resolution(
    retention: Array, width_half: Array, pairs: NDArray[np.intp], tailing: Array | None = None
) -> Array:
    """Unsigned resolution of given pairs.

    Parameters
    ----------
    retention, width_half : (..., M) arrays in one unit
    pairs : (P, 2) array of compound indices
    tailing : (M,) array of tailing factors, above 0.5, or (..., M); None for symmetrical peaks

    Returns
    -------
    (..., P) array
    """
    a, b = pairs[:, 0], pairs[:, 1]
    t1, t2, w1, w2 = (of.take(at, axis=-1) for of in (retention, width_half) for at in (a, b))
    if tailing is not None:
        front, back = facing_shares(tailing)
        a_first = t1 <= t2
        w1 = w1 * np.where(a_first, back[..., a], front[..., a])
        w2 = w2 * np.where(a_first, front[..., b], back[..., b])
    return np.abs(resolution(t1, t2, w1, w2))


def order_changes(before: Array, after: Array) -> list[tuple[int, int]]:
    """Pairs (a, b) of compounds of which a came first and now b does, by the order before.

    `before` and `after` are times (M,) in one unit, nan where a compound was not seen.
    """
    order = [int(m) for m in np.argsort(before) if np.isfinite(before[m])]
    return [
        (a, b)
        for at, a in enumerate(order)
        for b in order[at + 1 :]
        if before[b] > before[a] and after[b] < after[a]
    ]


def linear_retention_index(t: float, t_before: float, n_before: int, t_after: float, n_after: int) -> float:
    """Linear retention index between two n-alkanes, for ramped runs.

    I = 100 (n + (N - n)(t - tn)/(tN - tn)).
    Source: van den Dool and Kratz, J. Chromatogr. 11 (1963) 463.
    """
    return 100 * (n_before + (n_after - n_before) * (t - t_before) / (t_after - t_before))


def isothermal_retention_index(
    t: float, hold_up: float, t_before: float, n_before: int, t_after: float, n_after: int
) -> float:
    """Retention index of an isothermal run, on the logarithm of adjusted retention times.

    Source: Kovats, Helv. Chim. Acta 41 (1958) 1915.
    """
    x, a, b = (float(np.log(value - hold_up)) for value in (t, t_before, t_after))
    return 100 * (n_before + (n_after - n_before) * (x - a) / (b - a))
