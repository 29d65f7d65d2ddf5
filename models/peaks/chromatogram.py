"""The detector trace: a sum of peaks, each with its area, width at half height and tailing factor.

A peak is two half Gaussians that meet at the apex (retention time tR), of front and back standard deviation
a and b:

    y(t) = A (2/pi)^(1/2)/(a + b) exp(-(t - tR)^2/(2 s^2)),  s = a before the apex, b after it    [1]

Its area is A. Both halves fall to a given share of the height at distances proportional to a and b, so that the
tailing factor T = (front + back)/(2 front), taken at 5 % of the height (USP <621>; symmetry factor of
Ph. Eur. 2.2.46), gives

    b/a = 2 T - 1,                                                                                  [2]

and the width at half height is (2 ln 2)^(1/2) (a + b), whatever T.                                 [3]

A peak that leans by its amount has the shape of `overload` eq. [1] with the same apex and width. Where a system's decay
gives all peaks tails (`tails`), these are the shapes before it, and folded.
"""

from __future__ import annotations

import numpy as np

from models.column.programs import Array
from models.errors import InvalidInputError
from models.peaks.overload import peak, shape_of
from models.peaks.resolution import leaning_too
from models.peaks.tails import LARGEST, LEAST, Tail, apex_of, before_decay, decayed, folded
from models.peaks.tails import REACH as REACH_OF_DECAY

NONE = np.zeros(())
_HALF_WIDTH_PER_SD = np.sqrt(2.0 * np.log(2.0))  # of one half Gaussian, from the apex to half height
LEAN_STEP = 0.02  # standard deviations of a trace between the readings of a leaning peak that are folded
REACH = 5.0  # standard deviations from the apex at which a peak ends: 4e-6 of its height


def standard_deviations(width_half: Array, tailing: Array) -> tuple[Array, Array]:
    """Front and back standard deviations of peaks; eq. [2] and [3].

    Parameters
    ----------
    width_half : (M,) array  [s], at half height
    tailing : (M,) array  [-], above 0.5: at 0.5 the back of a peak would be upright

    Returns
    -------
    front, back : (M,) arrays  [s]

    Raises
    ------
    InvalidInputError : for a tailing factor of 0.5 or less, or a width that is not above zero
    """
    width_half, tailing = np.asarray(width_half, dtype=float), np.asarray(tailing, dtype=float)
    if np.any(tailing <= 0.5):
        raise InvalidInputError(f"a tailing factor is above 0.5, got {np.nanmin(tailing):g}")
    if np.any(width_half <= 0):
        raise InvalidInputError(f"a peak width must be above zero, got {np.nanmin(width_half):g} s")
    front: Array = width_half / (_HALF_WIDTH_PER_SD * 2.0 * tailing)
    back: Array = front * (2.0 * tailing - 1.0)
    return front, back


def peak_signals(
    times: Array,
    retention: Array,
    width_half: Array,
    area: Array,
    tailing: Array,
    overload: Array = NONE,
    tail: Tail | None = None,
) -> Array:
    """The signal of every peak by itself; eq. [1].

    Parameters
    ----------
    times : (Q,) array  [s]
    retention, width_half : (M,) arrays  [s]; a peak whose retention or width is nan has no signal
    area : (M,) array  [signal s]
    tailing : (M,) array  [-], above 0.5
    overload : (M,) array  [-], R of peaks that lean by their amount; the others are zero, or all are
    tail : Tail or None, the system's decay, in place of `tailing`

    Returns
    -------
    (Q, M) array  [signal]
    """
    retention, area = np.asarray(retention, dtype=float), np.asarray(area, dtype=float)
    seen = np.isfinite(retention) & np.isfinite(width_half)
    distance = np.asarray(times, dtype=float)[:, None] - np.where(seen, retention, 0.0)
    width = np.where(seen, width_half, 1.0)
    if tail is not None:
        width, tailing = _entering(width, tail, tail.own), tail.own
    front, back = standard_deviations(width, tailing)
    height = np.where(seen, area, 0.0) * np.sqrt(2.0 / np.pi) / (front + back)
    if tail is not None:
        tau = tail.time_constant
        result: Array = height * decayed(distance + apex_of(front, back, tau), front, back, tau)
    else:
        z = distance / np.where(distance < 0, front, back)
        result = height * np.exp(-0.5 * z * z)
    if overload.any():
        lean = np.flatnonzero(seen & (overload != 0))
        R = overload[lean]
        shape, width = shape_of(R), width_half[lean]
        if tail is not None:
            width = _entering(width, tail, leaning_too(tail.own[lean], shape.front))
        sigma = width / (2 * _HALF_WIDTH_PER_SD * shape.width)
        if tail is None:
            heights = peak(distance[:, lean] / sigma + shape.apex, R)
        else:
            each = zip(distance[:, lean].T / sigma[:, None], R, tail.time_constant / sigma, strict=True)
            heights = np.stack([_lean_folded(*one) for one in each], axis=1)
        result[:, lean] = area[lean] / sigma * heights
    return result


def _entering(width_half: Array, tail: Tail, tailing: Array) -> Array:
    """Widths at half height [s] before the system's decay, of peaks of such tailing factors then."""
    before = before_decay(width_half, tail.time_constant * 2 * _HALF_WIDTH_PER_SD, tailing)
    return np.where(np.isnan(before), LEAST * width_half, before)


def _lean_folded(x: Array, R: float, tau: float) -> Array:
    """A leaning peak after a decay at x (Q,) from its apex, all in standard deviations of its trace."""
    reach, tau = 2 * (np.sqrt(2 * abs(R)) + 10.0), min(tau, LARGEST)
    places = np.arange(-reach, reach + REACH_OF_DECAY * tau, LEAN_STEP)
    heights = folded(peak(places, np.array(R)), LEAN_STEP, tau)
    result: Array = np.interp(x + places[heights.argmax()], places, heights, 0.0, 0.0)
    return result


def detector_trace(
    times: Array,
    retention: Array,
    width_half: Array,
    area: Array,
    tailing: Array,
    overload: Array = NONE,
    tail: Tail | None = None,
) -> Array:
    """The sum of all peaks at given times: (Q,) array; parameters as `peak_signals`."""
    result: Array = peak_signals(times, retention, width_half, area, tailing, overload, tail).sum(axis=1)
    return result


def trace_times(
    end: float,
    retention: Array,
    width_half: Array,
    tailing: Array,
    per_peak: int = 31,
    between: int = 200,
    time_constant: float = 0.0,
) -> Array:
    """Times at which a trace is worth sampling: evenly over the run, and closely over every peak.

    An even grid fine enough for the sharpest peak of a long run would have tens of thousands of points.

    Parameters
    ----------
    end : float  [s], of the trace, which starts at zero
    retention, width_half : (M,) arrays  [s]; tailing : (M,) array  [-]
    per_peak : int, odd, points over each peak, one of them at its apex
    between : int, points of the even grid
    time_constant : float  [s], of the system's decay

    Returns
    -------
    (Q,) array  [s], rising, from 0 to `end`
    """
    seen = np.isfinite(retention) & np.isfinite(width_half)
    front, back = standard_deviations(width_half[seen], tailing[seen])
    steps = np.linspace(-REACH, REACH, per_peak)
    spread = np.where(steps < 0, front[:, None], back[:, None]) * steps
    behind = np.linspace(0.0, REACH_OF_DECAY * time_constant, per_peak) if time_constant else np.empty(0)
    close = (retention[seen][:, None] + np.hstack([spread, np.tile(behind, (len(spread), 1))])).ravel()
    inside = close[(close > 0) & (close < end)]
    return np.unique(np.concatenate([np.linspace(0.0, end, between), inside]))
