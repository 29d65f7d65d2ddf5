"""Peaks of one run under a wrong name, found by comparison with the other peaks of the run.

What the whole run may be off by - speed of the gas, oven, a common delay - is left free, so that a drift accuses no
peak. What may be the matter with a compound is weighed as for scouting runs (`models.fit.odds`), with the difference
that here the times are predicted for this very program, with all their correlations. A time inside its own 95 %
interval is not called wrong for itself, however well the others fit.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp

from models.column.programs import Array
from models.column.retention import PARAMETER_STEPS
from models.fit.fit import Explanation
from models.fit.named_peaks import AREA_FREEDOM, AREA_SPREAD
from models.fit.odds import (
    EXCHANGED,
    FOREIGN,
    INSIDE,
    LN_ROOT_TWO_PI,
    MISTYPED,
    NAMED,
    NEIGHBOURS,
    OTHER_AREA,
    UNUSUAL,
    WORTH_A_WORD,
    ln_foreign,
    ln_normal,
    probabilities,
    slip_of,
)
from models.fit.typical import heavy, typical_of
from optimizer.goal.covariance import drawn_covariance
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
    """What is, or may be, wrong with a name, and its correction. Compounds are numbered from 0.

    Attributes
    ----------
    kind : "swapped" with the partner's peak; "misnamed", it is the peak of the partner, which has none; "extra", its
        peak is the one listed under the name of none; "mistyped"; "foreign", its peak is another compound's
    compound : int
    partner : int or None, a compound, or for "extra" the number of that peak
    expected : float  [s], where the compound's peak is expected, the run's common shift included
    sigmas : float, the peak as named less expected, in standard deviations
    intended : float or None  [s], of "mistyped"
    ln_weight : float, of its probability against that of a compound like others
    weighed : all that may be the matter with the compound and how probable each is, the likeliest first
    """

    kind: CorrectionKind
    compound: int
    partner: int | None
    expected: float
    sigmas: float
    intended: float | None
    ln_weight: float
    weighed: tuple[tuple[Explanation, float], ...] = ()


@dataclass(frozen=True)
class _State:
    """Peaks as predicted, the run's common shift left free: for the m peaks seen, d (m,), their covariance and P."""

    at: NDArray[np.intp]
    deviation: Array
    covariance: Array
    precision: Array

    @property
    def push(self) -> Array:
        """P d."""
        return self.precision @ self.deviation

    @cached_property
    def ln_density(self) -> float:
        """Of the deviations."""
        return _ln_density(self.deviation, self.covariance)


def wrong_names(
    expected: Expectation, peaks: RunPeaks
) -> tuple[tuple[Correction, ...], tuple[Correction, ...], RunPeaks]:
    """Names that are probably wrong, the clearest first; others that may be; and the peaks with the first corrected."""
    corrections: list[Correction] = []
    doubts: tuple[Correction, ...] = ()
    given, seen = peaks, int(np.isfinite(peaks.time).sum())
    while len(corrections) < MOST and np.isfinite(peaks.time).sum() >= LEAST_PEAKS:
        used = {each.compound for each in corrections} | {
            each.partner for each in corrections if each.kind in ("swapped", "misnamed")
        }
        weighed = [each for each in _weighed(expected, peaks) if each[1].compound not in used]
        doubts = tuple(each for wrong, each in weighed if WORTH_A_WORD < wrong <= NAMED)
        # A wrong name spoils what is expected of its neighbours: first goes what suits the whole run best.
        wrong_ones = [each for wrong, each in weighed if wrong > NAMED]
        if not wrong_ones:
            break
        best = max(wrong_ones, key=lambda each: each.ln_weight)
        corrections.append(best)
        peaks = corrected_by(best, peaks)
    if 3 * len(corrections) > seen:  # the times as a whole disagree
        return (), (), given
    return tuple(corrections), doubts, peaks


def _weighed(expected: Expectation, peaks: RunPeaks) -> list[tuple[float, Correction]]:
    """Of every compound with something wrong to be thought of: how probable that is, and the likeliest of it."""
    state = _state(expected, peaks.time)
    unusual = {int(m): _unusual(expected, state, i) for i, m in enumerate(state.at)}
    cases: dict[int, list[Correction]] = defaultdict(list)
    for case in _cases(expected, peaks, state):
        cases[case.compound].append(case)

    def as_given(case: Correction) -> float:
        """Ln of what the names as given gain where the partner of an exchange is of a wider kind."""
        other = unusual.get(case.partner, {}) if case.kind == "swapped" and case.partner is not None else {}
        return float(logsumexp([0.0, *other.values()]))

    result = []
    for m, wrong in cases.items():
        likely = as_given(max(wrong, key=lambda case: case.ln_weight))
        by_kind: dict[Explanation, list[float]] = defaultdict(list)
        for case in wrong:
            by_kind[case.kind].append(case.ln_weight - max(as_given(case), likely))
        summed = {kind: float(logsumexp(values)) for kind, values in by_kind.items()}
        likeliest = max(summed, key=lambda kind: summed[kind])
        best = max((c for c in wrong if c.kind == likeliest), key=lambda c: c.ln_weight)
        weighed = probabilities({"sound": 0.0, **unusual[m], **summed})
        share = sum(value for kind, value in weighed if kind in summed)
        result.append((share, _told(replace(best, weighed=weighed))))
    return result


def _told(best: Correction) -> Correction:
    """A foreign peak is offered no time that was meant."""
    return replace(best, intended=None) if best.kind == "foreign" else best


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
        time[m] = np.nan if correction.intended is None else correction.intended
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
    # Where most peaks scatter more than predicted, one peak must stand out from that scatter.
    scale = max(1.0, float(np.median((precision @ deviation) ** 2 / np.diag(precision))) / MEDIAN_SQUARE)
    return _State(at, deviation, scale * covariance, precision / scale)


def _ln_density(deviation: Array, covariance: Array) -> float:
    """Of a normal distribution about nought."""
    chi_square = float(deviation @ np.linalg.solve(covariance, deviation))
    size = float(np.linalg.slogdet(covariance)[1])
    return -chi_square / 2 - size / 2 - len(deviation) * LN_ROOT_TWO_PI


def _unusual(expected: Expectation, state: _State, i: int) -> dict[Explanation, float]:
    """Ln of the weights of compound at[i] being of a wider kind, against its being like others.

    The wider kind's ln density over that of others is c + b'd + d'D d/2, d being by how much the compound lies farther
    from typical than fitted. With V = E'CE what is known of d, the fit's covariance C becomes C + C E H D E'C and its
    parameters move by C E H b, where H = (1 - D V)^-1.
    """
    fit, m, M = expected.problem.fit, int(state.at[i]), len(expected.plain[0])
    C, usual = drawn_covariance(fit), typical_of(fit.system.column)
    own = np.array([fit.retention.T0[m], np.log(fit.retention.theta[m]), fit.retention.dCp[m]])
    off, *moved = usual.off(own + np.vstack([np.zeros(3), np.diag(PARAMETER_STEPS)]))
    E = np.zeros((len(C), 2))
    E[[m, M + m, 2 * M + m]] = (np.array(moved) - off) / PARAMETER_STEPS[:, None]
    u = off / usual.spreads
    counted, slope = u.copy(), np.ones(2)
    counted[1], slope[1] = heavy(u[1])
    result: dict[Explanation, float] = {}
    for kind, (odds, wider) in UNUSUAL.items():
        times = np.array(wider)
        rows = np.flatnonzero(times > 1)
        V, spread = E[:, rows].T @ C @ E[:, rows], usual.spreads[rows]
        c = (counted**2 - (u / times) ** 2)[rows].sum() / 2
        b = ((counted * slope - u / times**2)[rows]) / spread
        D = np.diag((slope**2 - 1 / times**2)[rows] / spread**2)
        left = np.eye(len(rows)) - D @ V
        if (
            np.linalg.eigvals(left).real.min() <= 0
        ):  # noise larger than stated: the prior is not what limits it
            continue
        H = np.linalg.inv(left)
        B = (expected.by_parameters @ C @ E[:, rows])[state.at]
        scouted = c + b @ V @ H @ b / 2 - np.linalg.slogdet(left)[1] / 2 - np.log(times[rows]).sum()
        here = _ln_density(state.deviation - B @ H @ b, state.covariance + B @ H @ D @ B.T)
        result[kind] = float(np.log(odds) + scouted + here - state.ln_density)
    return result


def _cases(expected: Expectation, peaks: RunPeaks, state: _State) -> Iterator[Correction]:
    P, push, at = state.precision, state.push, state.at
    own = np.diag(P)
    time, area = peaks.time[at], _area_cost(peaks)
    interval = INSIDE * np.sqrt(np.diag(expected.tolerant_covariance))[at]

    def correction(
        kind: CorrectionKind, i: int, partner: int | None, weight: float, intended: float | None = None
    ) -> Correction:
        off = float(push[i] / own[i])  # of the peak as named from where all others say it should be
        sigmas = off * float(np.sqrt(own[i]))
        return Correction(kind, int(at[i]), partner, float(time[i] - off), sigmas, intended, float(weight))

    exchanged = np.log(EXCHANGED / NEIGHBOURS)
    for i in range(len(at)):
        for j in range(len(at)):
            moved = time[j] - time[i]
            gain = -2 * moved * (push[i] - push[j]) - moved**2 * (own[i] + own[j] - 2 * P[i, j])
            if i == j or gain <= 0:
                continue
            gain += area(at[i], at[i]) + area(at[j], at[j]) - area(at[i], at[j]) - area(at[j], at[i])
            yield correction("swapped", i, int(at[j]), exchanged + gain / 2)
        for e, extra in enumerate(peaks.extra):
            moved = extra - time[i]
            gain = -2 * moved * push[i] - moved**2 * own[i]
            yield correction("extra", i, e, exchanged + gain / 2)
        off, error = float(push[i] / own[i]), float(1 / np.sqrt(own[i]))
        alone = ln_normal(off / error, error)  # ln density of the time, given all others
        if abs(state.deviation[i]) > interval[i]:
            slip = slip_of(float(time[i]), float(time[i] - off), error)
            yield correction("mistyped", i, None, np.log(MISTYPED) + slip.ln_density - alone, slip.time)
            if abs(off) > FOREIGN_WIDTHS * expected.plain[1][at[i]]:
                other = ln_foreign(float(time[i])) + _other_area(peaks, int(at[i]))
                yield correction("foreign", i, None, np.log(FOREIGN) + other - alone)
        if abs(off) < INSIDE * error:
            continue
        for missing in np.flatnonzero(np.isnan(peaks.time) & np.isfinite(expected.plain[0])):
            then = _state(expected, _given_to(peaks.time, int(at[i]), int(missing)))
            gain = 2 * (then.ln_density - state.ln_density)
            gain += area(int(at[i]), int(at[i])) - area(int(missing), int(at[i]))
            yield correction("misnamed", i, int(missing), exchanged + gain / 2)


def _given_to(time: Array, m: int, other: int) -> Array:
    """Times (M,) with the peak of m given to another compound."""
    result = time.copy()
    result[other], result[m] = time[m], np.nan
    return result


def _area_cost(peaks: RunPeaks) -> Callable[[int, int], float]:
    """How improbable it is that compound m has the area found under the name of n; 0 where that is not known."""
    centre, spread = _injected(peaks)

    def cost(m: int, n: int) -> float:
        z = (peaks.ln_area[n] - peaks.usual_ln_area[m] - centre) / spread
        return 0.0 if np.isnan(z) else float((AREA_FREEDOM + 1) * np.log1p(z**2 / AREA_FREEDOM))

    return cost


def _injected(peaks: RunPeaks) -> tuple[float, float]:
    """What was injected against the scouting runs, as ln, and the spread of ln area about it; nan of too few areas."""
    off = peaks.ln_area - peaks.usual_ln_area
    known = off[np.isfinite(off)]
    if len(known) < LEAST_PEAKS:
        return float("nan"), 1.0
    centre = float(np.median(known))
    return centre, float(np.clip(1.4826 * np.median(np.abs(known - centre)), *AREA_SPREAD))


def _other_area(peaks: RunPeaks, m: int) -> float:
    """Ln of how much more probable the area of a peak is as another compound's."""
    centre, spread = _injected(peaks)
    off = float(peaks.ln_area[m] - peaks.usual_ln_area[m] - centre)
    if np.isnan(off):
        return 0.0
    own = ln_normal(0.0, spread) - _area_cost(peaks)(m, m) / 2
    return ln_normal(off / OTHER_AREA, OTHER_AREA) - own
