"""Peaks that belong to another compound: swapped between two, mistyped, or of a compound that is not on the list.

Every compound is fitted by itself with the flow that the others ask for, so a wrong peak spoils nobody else.
What a compound says against its peaks is chi-square of its times and of its distance from typical values, and,
where areas were measured, of how far its area departs from a common factor between the runs. Hypotheses are
judged by how far this sum falls: an exchange with a peak near where the compound is expected, the peak given
to a compound that lacks one, or the peak left out. Each pays for the freedom it takes; the best one is
named when it wins clearly. Nothing is changed in the data.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtri

from models.column.programs import Array
from models.fit.compound_fits import CompoundFits, Simulator, at, fit_each
from models.fit.fit import Kind, Suspect
from models.units import SECONDS_PER_MINUTE

DECIMALS = 4  # of a retention time in minutes
NEAR = 3.0  # standard deviations from the expected time within which a time may have been meant
CHANCE = 0.2  # probability of a plausible slip by accident, above which it tells nothing
LOOK = 3e-3  # probability of a compound's chi-square below which it is looked into
CLEAR = 10.0  # by how much chi-square must fall, the price of the hypothesis taken off
# Prices: twice the logarithm of the number of alternatives that a hypothesis stands for, roughly.
EXCHANGE_PRICE, LEFT_OUT_PRICE = 4.0, 11.0
TIE = 6.0  # difference of chi-square below which two runs could both hold the wrong peak
PARTNERS = 8  # exchanges tried for a compound
FARTHEST_PARTNER = 5.0  # standard deviations from where the compound is expected
AREA_SPREAD = (0.05, 0.3)  # least and largest spread of ln area about a common factor between runs
AREA_FREEDOM = 5.0  # of the t distribution of areas: overlap and poor integration make outliers
FOREIGN_AREA = 8.0  # chi-square of areas from which the area, too, is another compound's
MOST_SUSPECT = 0.5  # share of compounds beyond which the runs are at fault and not single peaks
SCALE_DOUBT = 10.0  # compounds whose weight the stated errors have against those found
FLOW_ROUNDS = 3

Mask = NDArray[np.bool_]
JointFit = Callable[[Mask], tuple[Array, Array, Simulator]]


@dataclass(frozen=True)
class Peaks:
    """Peaks of R runs under the names of M compounds.

    Attributes
    ----------
    times, sigma : (R, M) arrays  [s], nan in `times` where missing
    ln_area : (R, M) array, less what is common to a run; nan where missing
    area_spread : float, standard deviation of `ln_area` about a compound's mean
    """

    times: Array
    sigma: Array
    ln_area: Array
    area_spread: float

    @property
    def freedom(self) -> NDArray[np.intp]:
        """Degrees of freedom of each compound (M,): typical values predict all times from one."""
        result: NDArray[np.intp] = np.maximum((~np.isnan(self.times)).sum(axis=0) - 1, 0)
        return result

    def of(self, compounds: NDArray[np.intp]) -> Peaks:
        """Copies of the peaks of some compounds, which may be named more than once."""
        return Peaks(
            self.times[:, compounds], self.sigma[:, compounds], self.ln_area[:, compounds], self.area_spread
        )

    def put(self, run: int, column: int, source: Peaks, other: int | None) -> None:
        """The peak of compound `other` of a source in place of that of a column, or none."""
        if other is None:
            self.times[run, column] = self.ln_area[run, column] = np.nan
            return
        self.times[run, column] = source.times[run, other]
        self.sigma[run, column] = source.sigma[run, other]
        self.ln_area[run, column] = source.ln_area[run, other]


@dataclass(frozen=True)
class _Hypothesis:
    """What would correct compound m in run r, and how far chi-square falls for it, the price taken off.

    `area_gain` is the part of the areas.
    """

    m: int
    r: int
    partner: int | None
    gain: float
    area_gain: float = 0.0

    @property
    def compounds(self) -> set[int]:
        return {self.m} if self.partner is None else {self.m, self.partner}


def peaks_of(times: Array, sigma: Array, areas: Array) -> Peaks:
    """Peaks with areas (R, M) on a common scale; what is common to a run is found from the medians."""
    with np.errstate(divide="ignore", invalid="ignore"):
        ln_area = np.log(areas)
    complete = np.isfinite(ln_area).all(axis=0)
    if len(ln_area) < 2 or complete.sum() < 3:
        return Peaks(times, sigma, np.full(times.shape, np.nan), AREA_SPREAD[1])
    own = ln_area[:, complete] - ln_area[:, complete].mean(axis=0)
    common = np.median(own, axis=1)[:, None]
    # The median of absolute deviations, as a standard deviation; a mean of R values takes up one R-th of the variance.
    spread = 1.4826 * np.median(np.abs(own - common)) / np.sqrt(1 - 1 / len(own))
    return Peaks(times, sigma, ln_area - common, float(np.clip(spread, *AREA_SPREAD)))


def area_chi_square(peaks: Peaks) -> Array:
    """How far each compound's areas depart from their mean (M,), on the scale of chi-square but with long tails."""
    known = np.isfinite(peaks.ln_area)
    count = known.sum(axis=0)
    values = np.where(known, peaks.ln_area, 0.0)
    mean = values.sum(axis=0) / np.maximum(count, 1)
    chi_square = (np.where(known, values - mean, 0.0) ** 2).sum(axis=0) / peaks.area_spread**2
    result: Array = (AREA_FREEDOM + np.maximum(count - 1, 0)) * np.log1p(chi_square / AREA_FREEDOM)
    return result


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
    given = times_alone + area_chi_square(peaks)
    hypotheses = [
        _Hypothesis(m, r, None, float(times_alone[m] - left_out.chi_square[k] - LEFT_OUT_PRICE))
        for k, (m, r) in enumerate(left_out.which)
    ]
    hypotheses += _exchanges(peaks, left_out, state, given)
    chosen = sorted((h for h in hypotheses if h.gain > CLEAR), key=lambda h: -h.gain)
    suspects: list[Suspect] = []
    explained: set[int] = set()
    for best in chosen:
        if best.compounds & explained:
            continue
        explained |= best.compounds
        suspects.append(_described(best, chosen, peaks, left_out))
    return tuple(suspects)


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

    `expected` and `error` (K,) [s] are the time of the peak left out and its standard deviation.
    """

    which: list[tuple[int, int]]
    chi_square: Array
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
            return _LeftOut([], np.zeros(0), np.zeros(0), np.zeros(0))
        trial = peaks.of(np.array([m for m, _ in which]))
        for k, (_, r) in enumerate(which):
            trial.put(r, k, peaks, None)
        fits = fit_each(simulator, trial.times, trial.sigma, factors)
        rows = np.array([r for _, r in which]), np.arange(len(which))
        error = np.hypot(fits.time_error[rows], trial.sigma[rows]) * np.sqrt(scale)
        return _LeftOut(which, fits.chi_square / scale, fits.times[rows], error)

    def index(self, m: int, r: int) -> int:
        """The place of a compound and run."""
        return self.which.index((m, r))


def _exchanges(peaks: Peaks, left_out: _LeftOut, state: _State, given: Array) -> list[_Hypothesis]:
    """Exchanges of a doubtful compound's peak with those near where it is expected."""
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
    area = area_chi_square(trial).reshape(2, -1).sum(axis=0)
    exchanged = (fits.chi_square / state.scale).reshape(2, -1).sum(axis=0) + area
    gain = given[first] + given[second] - exchanged - EXCHANGE_PRICE
    as_given = area_chi_square(peaks)
    area_gain = as_given[first] + as_given[second] - area
    return [
        _Hypothesis(m, r, x, float(g), float(a))
        for (m, x, r), g, a in zip(tried, gain, area_gain, strict=True)
    ]


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


def _described(best: _Hypothesis, chosen: list[_Hypothesis], peaks: Peaks, left_out: _LeftOut) -> Suspect:
    """A hypothesis with what a person needs to know of it."""
    m, partner = best.m, best.partner
    alike = [
        h for h in chosen if h.compounds == best.compounds and h.r != best.r and h.gain > best.gain - TIE
    ]
    other_run = alike[0].r if alike else None
    # Of an exchange the compound is named that was looked into; of two, the one that has a peak in this run.
    names = [m] if partner is None else [m, partner]
    named = [n for n in names if (n, best.r) in left_out.which and not np.isnan(peaks.times[best.r, n])]
    if named and named[0] != m:
        m, partner = named[0], m
    k = left_out.index(m, best.r)
    time, expected, error = peaks.times[best.r, m], left_out.expected[k], left_out.error[k]
    intended = None
    kind: Kind = "foreign"
    if partner is not None:
        kind = "misnamed" if np.isnan(peaks.times[best.r, partner]) else "swapped"
    else:
        slip, same_area = intended_time(float(time), float(expected), float(error)), _area_says(peaks, m)
        if slip is not None and same_area is not False:
            intended = slip.time
            if same_area or slip.telling:
                kind = "mistyped"
    return Suspect(
        compound=m,
        run=best.r,
        other_run=other_run,
        kind=kind,
        partner=partner,
        time=float(time),
        seconds=float(time - expected),
        sigmas=float((time - expected) / error),
        expected=float(expected),
        expected_error=float(error),
        intended=intended,
        gain=best.gain,
        area_gain=best.area_gain,
    )


def _area_says(peaks: Peaks, m: int) -> bool | None:
    """Whether a compound's areas agree between runs; None when there are not two."""
    if np.isfinite(peaks.ln_area[:, m]).sum() < 2:
        return None
    return bool(area_chi_square(peaks)[m] < FOREIGN_AREA)


@dataclass(frozen=True)
class Slip:
    """The time [s] probably meant; `telling` when it is unlikely to come out as near by accident."""

    time: float
    telling: bool


def intended_time(time: float, expected: float, error: float) -> Slip | None:
    """The time that differs from a given one by one slip of typing and is where it is expected [s].

    None when there is none, or when several would do.
    """
    text = f"{time / SECONDS_PER_MINUTE:.{DECIMALS}f}".rstrip("0")
    for kind in (_moved_digits, _other_digit):  # the likelier first: of these there are only a few
        given = sorted({value * SECONDS_PER_MINUTE for value in kind(text)})
        near = [value for value in given if abs(value - expected) < NEAR * error]
        if not near:
            continue
        best = min(near, key=lambda value: abs(value - expected))
        # Slips of the last digits lie close together: then any time has one near by, and it says nothing.
        if any(value != best and abs(value - expected) < 2 * abs(best - expected) + error for value in near):
            return None
        # Were the expected time anywhere within twice its distance, how often would a slip come to lie near it?
        reach = 2 * abs(time - expected)
        chance = sum(abs(value - time) < reach for value in given) * NEAR * error / reach
        return Slip(best, chance < CHANCE)
    return None


def _moved_digits(text: str) -> Iterator[float]:
    """Two neighbouring digits exchanged, or the point one place off."""
    for i in range(len(text) - 1):
        j = i + 2 if text[i + 1] == "." else i + 1
        if text[i] != "." and j < len(text) and text[j] != text[i]:
            yield float(text[:i] + text[j] + text[i + 1 : j] + text[i] + text[j + 1 :])
    yield float(text) * 10
    yield float(text) / 10


def _other_digit(text: str) -> Iterator[float]:
    """One digit another."""
    for i, digit in enumerate(text):
        if digit != ".":
            for other in "0123456789":
                if other != digit:
                    yield float(text[:i] + other + text[i + 1 :])
