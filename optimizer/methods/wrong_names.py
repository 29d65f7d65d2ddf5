"""Peaks of one run under a wrong name, found by comparison with the other peaks of the run.

What the whole run may be off by - speed of the gas, oven, a common delay - is left free, so that a drift accuses no
peak. A hypothesis is judged by how far it lowers chi-square of the times, and of the areas against the scouting runs
where there are areas, less a price for the freedom it takes; as for scouting runs (`models.fit.wrong_peaks`), with the
difference that here the times are predicted for this very program, with all their correlations.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from models.column.programs import Array
from models.fit.wrong_peaks import (
    AREA_FREEDOM,
    AREA_SPREAD,
    CLEAR,
    EXCHANGE_PRICE,
    FOREIGN_AREA,
    LEFT_OUT_PRICE,
    intended_time,
)
from optimizer.goal.shared_cause import KINDS, CauseKind, Expectation

CorrectionKind = Literal["swapped", "misnamed", "extra", "mistyped", "foreign"]
FREE: dict[CauseKind, float] = {
    "gas": 0.1,
    "oven": 5.0,
    "delay": 10.0,
}  # spreads of what a whole run may be off by
MOST = 3  # corrections of a run: where more names seem wrong, the run is
LEAST_PEAKS = 4
MEDIAN_SQUARE = 0.455  # of a standard normal deviate
FOREIGN_WIDTHS = 1.0  # half-height widths by which a peak must be off to be called another compound's


@dataclass(frozen=True)
class RunPeaks:
    """The peaks of a run under the names of M compounds; nan where missing.

    Attributes
    ----------
    time, width : (M,) arrays  [s], the latter at half height
    ln_area, usual_ln_area : (M,) arrays, ln of the areas in this run, and of the mean ones in the scouting runs
    extra, extra_width : (E,) arrays  [s], of peaks under none of these names
    """

    time: Array
    width: Array
    ln_area: Array
    usual_ln_area: Array
    extra: Array
    extra_width: Array


@dataclass(frozen=True)
class Correction:
    """A wrong name and its correction. Compounds are numbered from 0.

    Attributes
    ----------
    kind : "swapped" with the partner's peak; "misnamed", it is the peak of the partner, which has none; "extra", its
        peak is the one listed under the name of none; "mistyped"; "foreign", its peak is another compound's
    compound : int
    partner : int or None, a compound, or for "extra" the number of that peak
    expected : float  [s], where the compound's peak is expected, the run's common shift included
    sigmas : float, the peak as named less expected, in standard deviations
    intended : float or None  [s], of "mistyped"
    gain : float, by how much chi-square falls, less the price
    """

    kind: CorrectionKind
    compound: int
    partner: int | None
    expected: float
    sigmas: float
    intended: float | None
    gain: float


@dataclass(frozen=True)
class _State:
    """Peaks as predicted, the run's common shift left free: for the m peaks seen, u = P d and P (m, m)."""

    at: NDArray[np.intp]
    deviation: Array
    precision: Array
    scale: float

    @property
    def push(self) -> Array:
        return self.precision @ self.deviation


def wrong_names(expected: Expectation, peaks: RunPeaks) -> tuple[tuple[Correction, ...], RunPeaks]:
    """Names that are probably wrong, the clearest first, and the peaks with these corrected."""
    corrections: list[Correction] = []
    given, seen = peaks, int(np.isfinite(peaks.time).sum())
    while len(corrections) < MOST and np.isfinite(peaks.time).sum() >= LEAST_PEAKS:
        state = _state(expected, peaks.time)
        used = {each.compound for each in corrections} | {
            each.partner for each in corrections if each.kind in ("swapped", "misnamed")
        }
        tried = [each for each in _hypotheses(expected, peaks, state) if each.compound not in used]
        best = max(tried, key=lambda each: each.gain, default=None)
        if best is None or best.gain < CLEAR:
            break
        if best.kind == "foreign":
            best = _mistyped(best, peaks)
        corrections.append(best)
        peaks = corrected_by(best, peaks)
    if 3 * len(corrections) > seen:  # the times as a whole disagree
        return (), given
    return tuple(corrections), peaks


def corrected_by(correction: Correction, peaks: RunPeaks) -> RunPeaks:
    """The peaks with one correction made."""
    time, width, area = peaks.time.copy(), peaks.width.copy(), peaks.ln_area.copy()
    extra, extra_width = peaks.extra.copy(), peaks.extra_width.copy()
    m, other = correction.compound, correction.partner
    if correction.kind in (
        "swapped",
        "misnamed",
    ):  # of two, one may have no peak: then nan goes the other way
        assert other is not None
        for values in (time, width, area):
            values[[m, other]] = values[[other, m]]
    elif correction.kind == "extra":
        assert other is not None
        time[m], extra[other] = extra[other], time[m]
        width[m], extra_width[other] = extra_width[other], width[m]
        area[m] = np.nan
    elif correction.kind == "mistyped":
        assert correction.intended is not None
        time[m] = correction.intended
    else:
        time[m] = width[m] = area[m] = np.nan
    return replace(peaks, time=time, width=width, ln_area=area, extra=extra, extra_width=extra_width)


def _state(expected: Expectation, time: Array) -> _State:
    """The deviations that remain without the run's common shift."""
    at = np.flatnonzero(np.isfinite(time) & np.isfinite(expected.plain[0]))
    covariance = expected.covariance[np.ix_(at, at)].copy()
    for kind in KINDS:
        slope = FREE[kind] * np.nan_to_num(expected.slope(kind)[at])
        covariance += np.outer(slope, slope)
    precision: Array = np.linalg.inv(covariance).astype(np.float64)
    deviation = (time - expected.plain[0])[at]
    push = precision @ deviation
    # Where most peaks scatter more than predicted, one peak must stand out from that scatter.
    scale = max(1.0, float(np.median(push**2 / np.diag(precision))) / MEDIAN_SQUARE)
    return _State(at, deviation, precision / scale, scale)


def _hypotheses(expected: Expectation, peaks: RunPeaks, state: _State) -> Iterator[Correction]:
    P, push, at = state.precision, state.push, state.at
    own = np.diag(P)
    time, area = peaks.time[at], _area_cost(peaks)

    def correction(kind: CorrectionKind, i: int, partner: int | None, gain: float) -> Correction:
        off = float(push[i] / own[i])  # of the peak as named from where all others say it should be
        return Correction(
            kind, int(at[i]), partner, float(time[i] - off), off * float(np.sqrt(own[i])), None, float(gain)
        )

    for i in range(len(at)):
        for j in range(i + 1, len(at)):
            moved = time[j] - time[i]
            gain = -2 * moved * (push[i] - push[j]) - moved**2 * (own[i] + own[j] - 2 * P[i, j])
            if gain <= 0:
                continue
            gain += area(at[i], at[i]) + area(at[j], at[j]) - area(at[i], at[j]) - area(at[j], at[i])
            yield correction("swapped", i, int(at[j]), gain - EXCHANGE_PRICE)
        for e, extra in enumerate(peaks.extra):
            moved = extra - time[i]
            gain = -2 * moved * push[i] - moved**2 * own[i]
            yield correction("extra", i, e, gain - EXCHANGE_PRICE)
        alone = push[i] ** 2 / own[i]  # what the peak itself adds to chi-square
        if abs(push[i] / own[i]) > FOREIGN_WIDTHS * expected.plain[1][at[i]]:
            yield correction("foreign", i, None, alone - LEFT_OUT_PRICE)
        if alone < CLEAR:
            continue
        for missing in np.flatnonzero(np.isnan(peaks.time) & np.isfinite(expected.plain[0])):
            given = _given_to(peaks.time, int(at[i]), int(missing))
            other = _state(expected, given)
            after = float(other.deviation @ other.push) * other.scale / state.scale
            before = float(state.deviation @ push)
            gain = before - after + area(int(at[i]), int(at[i])) - area(int(missing), int(at[i]))
            yield correction("misnamed", i, int(missing), gain - EXCHANGE_PRICE)


def _given_to(time: Array, m: int, other: int) -> Array:
    """Times (M,) with the peak of m given to another compound."""
    result = time.copy()
    result[other], result[m] = time[m], np.nan
    return result


def _mistyped(correction: Correction, peaks: RunPeaks) -> Correction:
    """A foreign peak whose time is one slip of typing from where it is expected."""
    error = abs((peaks.time[correction.compound] - correction.expected) / correction.sigmas)
    slip = intended_time(float(peaks.time[correction.compound]), correction.expected, error)
    m = correction.compound
    known = bool(np.isfinite(peaks.ln_area[m] - peaks.usual_ln_area[m]))
    own_area = _area_cost(peaks)(m, m) < FOREIGN_AREA
    if slip is None or not (own_area if known else slip.telling):
        return correction
    return replace(correction, kind="mistyped", intended=slip.time)


def _area_cost(peaks: RunPeaks) -> Callable[[int, int], float]:
    """How improbable it is that compound m has the area found under the name of n; 0 where that is not known."""
    off = peaks.ln_area - peaks.usual_ln_area
    known = off[np.isfinite(off)]
    if len(known) < LEAST_PEAKS:
        return lambda m, n: 0.0
    centre = float(np.median(known))  # what was injected, against the scouting runs
    spread = float(np.clip(1.4826 * np.median(np.abs(known - centre)), *AREA_SPREAD))

    def cost(m: int, n: int) -> float:
        z = (peaks.ln_area[n] - peaks.usual_ln_area[m] - centre) / spread
        return 0.0 if np.isnan(z) else float((AREA_FREEDOM + 1) * np.log1p(z**2 / AREA_FREEDOM))

    return cost
