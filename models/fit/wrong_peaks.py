"""Peaks that belong to another compound: swapped between two, mistyped, or of a compound that is not on the list.

Every compound is fitted by itself with the flow that the others ask for, so a wrong peak spoils nobody else.
Compounds whose chi-square of times and distance from typical values, or of areas between the runs, is improbable are
looked into. Then all that may be the matter is weighed (`odds`): nothing, an unusual compound, an exchange with a peak
near where the compound is expected, the peak given to a compound that lacks one, a mistyped time, another compound's
peak. A peak is named when something is probably wrong with it. Nothing is changed in the data.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtri, expit, logsumexp

from models.column.programs import Array
from models.fit.compound_fits import CompoundFits, Simulator, at, fit_each
from models.fit.fit import Explanation, Kind, Suspect
from models.fit.named_peaks import AREA_FREEDOM, Peaks, area_chi_square, ln_other_area
from models.fit.odds import (
    EXCHANGED,
    FOREIGN,
    INSIDE,
    MISTYPED,
    NAMED,
    NEIGHBOURS,
    WORTH_A_WORD,
    Evidence,
    evidence,
    ln_foreign,
    meant,
    probabilities,
    slip_of,
)

LOOK = 3e-3  # probability of a compound's chi-square below which it is looked into
TIE = 20.0  # times as probable, up to which two runs could both hold the wrong peak
PARTNERS = 8  # exchanges tried for a compound
FARTHEST_PARTNER = 5.0  # standard deviations from where the compound is expected
MOST_SUSPECT = 0.5  # share of compounds beyond which the runs are at fault and not single peaks
SCALE_DOUBT = 10.0  # compounds whose weight the stated errors have against those found
FLOW_ROUNDS = 3

Mask = NDArray[np.bool_]
JointFit = Callable[[Mask], tuple[Array, Array, Simulator]]


@dataclass(frozen=True)
class _Case:
    """Something wrong with the peak of compound m in run r, and ln of its weight against a compound like others.

    `area_gain` is the fall of the areas' chi-square, `intended` [s] the time that was meant.
    """

    m: int
    r: int
    kind: Kind
    partner: int | None
    ln_weight: float
    area_gain: float = 0.0
    intended: float | None = None

    @property
    def compounds(self) -> set[int]:
        return {self.m} if self.partner is None else {self.m, self.partner}


def look_worth(chi_square: Array, peaks: Peaks) -> Mask:
    """Compounds (M,) whose times or areas are improbable enough to be looked into."""
    area = area_chi_square(peaks)
    freedom, area_freedom = peaks.freedom, np.maximum(np.isfinite(peaks.ln_area).sum(axis=0) - 1, 0)

    def improbable(value: Array, degrees: NDArray[np.intp]) -> Mask:
        result: Mask = (degrees > 0) & (value > chdtri(np.maximum(degrees, 1), LOOK))
        return result

    either = improbable(chi_square, freedom) | improbable(area, area_freedom)
    return (freedom > 0) & (either | improbable(chi_square + area, freedom + area_freedom))


def suspects_of(
    simulator: Simulator, peaks: Peaks, alone: CompoundFits, joint_of: JointFit
) -> tuple[Suspect, ...]:
    """The peaks that are probably wrong, the clearest first.

    Parameters
    ----------
    alone : every compound fitted by itself at nominal flow
    joint_of : the joint fit of the S compounds in a mask: parameters (S, 3), flow factors (R,), and the simulator with
        the oven's lag
    """
    state = _with_flow_of_the_sound(simulator, peaks, alone, joint_of)
    if state is None:
        return ()
    scale = state.scale
    times_alone = state.fits.chi_square / scale
    doubtful = np.flatnonzero(look_worth(times_alone, peaks))
    if doubtful.size > max(2, MOST_SUSPECT * peaks.times.shape[1]):
        return ()
    left_out = _LeftOut.fitted(state.simulator, peaks, doubtful, state.factors, scale)
    as_given = evidence(state.fits, peaks.times, peaks.sigma, scale)
    cases = [*_left_out_cases(peaks, left_out, as_given), *_exchanges(peaks, left_out, state, as_given)]
    found = [_Weighed.of(int(m), as_given, [c for c in cases if c.m == m]) for m in doubtful]
    suspects: list[Suspect] = []
    explained: set[int] = set()
    for each in sorted(found, key=lambda each: -each.ln_odds):
        if each.best is None or each.wrong < WORTH_A_WORD or each.best.compounds & explained:
            continue
        if each.wrong > NAMED:
            explained |= each.best.compounds
        suspects.append(_described(each, each.best, peaks, left_out))
    return tuple(each for each in suspects if each.wrong > NAMED or not {each.compound} & explained)


@dataclass(frozen=True)
class _Weighed:
    """All that may be the matter with a compound: the cases of something wrong, and the probability of each kind."""

    cases: list[_Case]
    weighed: tuple[tuple[Explanation, float], ...]
    ln_odds: float

    @staticmethod
    def of(m: int, given: Evidence, cases: list[_Case]) -> _Weighed:
        usual = float(given.usual[m])
        by_kind: dict[Explanation, list[float]] = defaultdict(list)
        by_kind["sound"].append(0.0)
        for kind, value in given.unusual.items():
            by_kind[kind].append(float(value[m]) - usual)
        right = float(logsumexp([value for each in by_kind.values() for value in each]))
        for case in cases:
            by_kind[case.kind].append(case.ln_weight)
        wrong = float(logsumexp([c.ln_weight for c in cases])) if cases else -np.inf
        summed = {kind: float(logsumexp(values)) for kind, values in by_kind.items()}
        return _Weighed(cases, probabilities(summed), wrong - right)

    @property
    def wrong(self) -> float:
        """Probability that something is wrong."""
        return float(expit(self.ln_odds))

    @property
    def best(self) -> _Case | None:
        """The likeliest case of the likeliest kind of something wrong."""
        kind = next((k for k, _ in self.weighed if any(c.kind == k for c in self.cases)), None)
        return max((c for c in self.cases if c.kind == kind), key=lambda c: c.ln_weight, default=None)


def _left_out_cases(peaks: Peaks, left_out: _LeftOut, given: Evidence) -> list[_Case]:
    """Times mistyped, and peaks of other compounds; none of a time that is where it may be."""
    cases = []
    for k, (m, r) in enumerate(left_out.which):
        time, expected, error = map(float, (peaks.times[r, m], left_out.expected[k], left_out.error[k]))
        if np.isnan(time) or abs(time - expected) < INSIDE * error:
            continue
        rest = float(left_out.mixed[k] - given.usual[m])
        slip = slip_of(time, expected, error)
        mistyped = float(np.log(MISTYPED)) + rest + slip.ln_density
        foreign = float(np.log(FOREIGN)) + rest + ln_foreign(time) + ln_other_area(peaks, m, r)
        cases.append(_Case(m, r, "mistyped", None, mistyped, intended=slip.time))
        cases.append(_Case(m, r, "foreign", None, foreign, intended=meant(time, expected, error)))
    return cases


@dataclass(frozen=True)
class _State:
    """Every compound fitted by itself at the flow factors (R,) of the sound ones, and the scale of chi-square.

    The scale is the median over the compounds against what it should be: a model that is poorer than stated is poorer
    for all.
    """

    simulator: Simulator
    fits: CompoundFits
    factors: Array
    scale: float


def _with_flow_of_the_sound(
    simulator: Simulator, peaks: Peaks, alone: CompoundFits, joint_of: JointFit
) -> _State | None:
    """The compounds at the flow that the unsuspicious of them ask for; None when most are suspicious."""
    state = _State(simulator, alone, np.ones(len(peaks.times)), _scale(alone.chi_square, peaks.freedom))
    sound = np.zeros(peaks.times.shape[1], dtype=bool)
    for _ in range(FLOW_ROUNDS):
        now = ~look_worth(state.fits.chi_square / state.scale, peaks)
        if np.array_equal(now, sound):
            break
        sound = now
        if (~sound).sum() > max(2, MOST_SUSPECT * sound.size):
            return None
        parameters, factors, simulator = joint_of(sound)
        good, others = np.flatnonzero(sound), np.flatnonzero(~sound)
        start, times, sigma = alone.parameters[good], peaks.times[:, good], peaks.sigma[:, good]
        fits = alone.put(good, at(simulator, parameters, start, times, sigma, factors))
        if others.size:
            other_fits = fit_each(simulator, peaks.times[:, others], peaks.sigma[:, others], factors)
            fits = fits.put(others, other_fits)
        state = _State(simulator, fits, factors, _scale(fits.chi_square, peaks.freedom))
    return state


def _scale(chi_square: Array, freedom: NDArray[np.intp]) -> float:
    """Median of chi-square over its expected median, at least one; of few compounds it says little."""
    testable = freedom > 0
    count = int(testable.sum())
    if not count:
        return 1.0
    median = float(np.median(chi_square[testable] / chdtri(freedom[testable], 0.5)))
    return max(1.0, (count * median + SCALE_DOUBT) / (count + SCALE_DOUBT))


@dataclass(frozen=True)
class _LeftOut:
    """Doubtful compounds refitted without the peak of one run; K such (compound, run).

    `expected` and `error` (K,) [s] are the time of the peak left out and its standard deviation; `mixed` (K,) is the
    evidence of the others, whatever the compound is.
    """

    which: list[tuple[int, int]]
    chi_square: Array
    mixed: Array
    expected: Array
    error: Array

    @staticmethod
    def fitted(
        simulator: Simulator, peaks: Peaks, doubtful: NDArray[np.intp], factors: Array, scale: float
    ) -> _LeftOut:
        present = ~np.isnan(peaks.times)
        which = [
            (int(m), r)
            for m in doubtful
            for r in range(len(present))
            if present[:, m].sum() - present[r, m] > 0
        ]
        if not which:
            return _LeftOut([], *4 * (np.zeros(0),))
        trial = peaks.of(np.array([m for m, _ in which]))
        for k, (_, r) in enumerate(which):
            trial.put(r, k, peaks, None)
        fits = fit_each(simulator, trial.times, trial.sigma, factors)
        rows = np.array([r for _, r in which]), np.arange(len(which))
        error = np.hypot(fits.time_error[rows], trial.sigma[rows]) * np.sqrt(scale)
        mixed = evidence(fits, trial.times, trial.sigma, scale).mixed
        return _LeftOut(which, fits.chi_square / scale, mixed, fits.times[rows], error)

    def index(self, m: int, r: int) -> int:
        """The place of a compound and run."""
        return self.which.index((m, r))


def _exchanges(peaks: Peaks, left_out: _LeftOut, state: _State, given: Evidence) -> list[_Case]:
    """Exchanges of a doubtful compound's peak with those near where it is expected; both are judged together."""
    tried = sorted(
        {
            (min(m, x), max(m, x), r)
            for m in dict.fromkeys(m for m, _ in left_out.which)
            for r, x in _partners(m, peaks, left_out, state)
        }
    )
    if not tried:
        return []
    first, second, _ = np.array(tried).T
    trial = peaks.of(np.concatenate([first, second]))
    for k, (m, x, r) in enumerate(tried):
        trial.put(r, k, peaks, x)
        trial.put(r, k + len(tried), peaks, m)
    fits = fit_each(state.simulator, trial.times, trial.sigma, state.factors)
    exchanged = evidence(fits, trial.times, trial.sigma, state.scale).mixed.reshape(2, -1).sum(axis=0)
    area, as_given = area_chi_square(trial).reshape(2, -1).sum(axis=0), area_chi_square(peaks)
    cases = []
    for k, (a, b, r) in enumerate(tried):
        area_gain = float(as_given[a] + as_given[b] - area[k])
        kind: Kind = "misnamed" if np.isnan(peaks.times[r, [a, b]]).any() else "swapped"
        for m, x in ((a, b), (b, a)):
            weight = (
                np.log(EXCHANGED / NEIGHBOURS)
                + exchanged[k]
                - given.mixed[x]
                - given.usual[m]
                + area_gain / 2
            )
            cases.append(_Case(m, r, kind, x, float(weight), area_gain))
    return cases


def _partners(m: int, peaks: Peaks, left_out: _LeftOut, state: _State) -> list[tuple[int, int]]:
    """Runs and compounds with which compound m may have exchanged peaks, the most promising ones.

    Chi-square after the exchange is foreseen from derivatives, for m about the fit without that peak, for the others
    about their own fits.
    """
    promising: list[tuple[float, int, int]] = []
    for r, time in enumerate(peaks.times):
        if (m, r) not in left_out.which:
            continue
        k = left_out.index(m, r)
        off = (time - left_out.expected[k]) / left_out.error[k]
        cost = np.where(np.isnan(off), 0.0, off**2) + _with_time(state, peaks, r, time[m])
        # One of the two must have a peak here, and either one elsewhere.
        possible = (np.abs(np.nan_to_num(off)) < FARTHEST_PARTNER) & ~(np.isnan(time) & np.isnan(time[m]))
        possible &= (~np.isnan(np.delete(peaks.times, r, axis=0))).any(axis=0)
        if np.isnan(time[m]):  # then the other's peak is the one in doubt
            possible &= np.isin(np.arange(possible.size), [x for x, run in left_out.which if run == r])
        possible[m] = False
        own, other = np.delete(peaks.ln_area, r, axis=0), peaks.ln_area[r]
        apart = (_mean(own[:, [m]]) - other) ** 2 + (_mean(own) - other[m]) ** 2
        cost += AREA_FREEDOM * np.log1p(np.nan_to_num(apart) / (2 * peaks.area_spread**2 * AREA_FREEDOM))
        promising += [(float(cost[x] + left_out.chi_square[k]), r, int(x)) for x in np.flatnonzero(possible)]
    return [(r, x) for _, r, x in sorted(promising)[:PARTNERS]]


def _with_time(state: _State, peaks: Peaks, r: int, time: float) -> Array:
    """Chi-square (M,) of times foreseen when every compound has its peak in run r at another time, nan for none."""
    J = state.fits.slope
    known = ~np.isnan(peaks.times[r])
    # Without its peak in run r, and the share of the variance there that the other runs leave open.
    rest = J.copy()
    rest[:, r] = 0.0
    distance = state.fits.distance.copy()
    distance[:, r] = 0.0
    covariance = np.linalg.inv(np.einsum("mri,mrj->mij", rest, rest))
    step = -np.einsum("mij,mrj,mr->mi", covariance, rest, distance)
    left = ((distance + np.einsum("mri,mi->mr", rest, step)) ** 2).sum(axis=1)
    slopes = state.fits.slopes[r]
    expected = state.fits.times[r] + np.einsum("mi,mi->m", slopes, step)
    variance = np.einsum("mi,mij,mj->m", slopes, covariance, slopes) + np.nanmean(peaks.sigma[r][known]) ** 2
    off = 0.0 if np.isnan(time) else (time - expected) ** 2 / variance
    result: Array = (left + off - state.fits.chi_square) / state.scale
    return result


def _mean(values: Array) -> Array:
    """Mean over the first axis of what is known, nan where nothing is."""
    known = np.isfinite(values)
    with np.errstate(invalid="ignore"):
        result: Array = np.where(known, values, 0.0).sum(axis=0) / known.sum(axis=0)
    return result


def _described(found: _Weighed, best: _Case, peaks: Peaks, left_out: _LeftOut) -> Suspect:
    """What is the matter with a peak, with what a person needs to know of it."""
    m, partner = best.m, best.partner
    alike = [
        c
        for c in found.cases
        if c.compounds == best.compounds and c.r != best.r and c.ln_weight > best.ln_weight - np.log(TIE)
    ]
    # Of an exchange the compound is named that was looked into; of two, the one that has a peak in this run.
    names = [m] if partner is None else [m, partner]
    named = [n for n in names if (n, best.r) in left_out.which and not np.isnan(peaks.times[best.r, n])]
    if named and named[0] != m:
        m, partner = named[0], m
    k = left_out.index(m, best.r)
    time, expected, error = peaks.times[best.r, m], left_out.expected[k], left_out.error[k]
    return Suspect(
        compound=m,
        run=best.r,
        other_run=max(alike, key=lambda c: c.ln_weight).r if alike else None,
        kind=best.kind,
        partner=partner,
        time=float(time),
        seconds=float(time - expected),
        sigmas=float((time - expected) / error),
        expected=float(expected),
        expected_error=float(error),
        intended=best.intended,
        area_gain=best.area_gain,
        weighed=found.weighed,
    )
