"""Which compound is which peak, in runs whose peaks have no names: one run is named, the others are matched to it.

Where a compound elutes in another program follows from its time in the named run with typical values for what
that run cannot say, and how large its peak is from its area there. Every run is matched as a whole: of all
assignments the one of the largest likelihood (linear sum assignment), in which peaks may stay without a
compound and compounds without a peak. Confident matches then sharpen what is expected of the rest: they
give the flow, how far typical values are off for all compounds of this column together, and the compounds'
temperature dependence in further runs. This is repeated until nothing changes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment
from scipy.stats import theilslopes

from models.column.programs import Array, Program
from models.column.system import ColumnSystem
from models.fit.compound_fits import CompoundFits, Simulator, fit_each, retention_of
from models.fit.fit import MODEL_ERROR, USUAL_OVEN_LAG, FlowCorrection, Run
from models.fit.fitting import shared_by_all
from models.fit.typical import LN_THETA_SPREAD

ROUNDS = 6
CONFIDENT = 0.9  # from which a match is used to foresee the others
LN_FLOW_ERROR = 0.02  # of the flow before anything is matched
COMMON_THETA_SHARE = (
    0.07 / LN_THETA_SPREAD
)  # of the spread of ln theta, what is common to all compounds of a column
AREA_ERROR = 0.1  # of ln area in one run against the named one
MISSING = 0.03  # probability that a compound has no peak, or a peak no listed compound
TIME_FREEDOM, AREA_FREEDOM = 8.0, 5.0  # of the t distributions of times and areas: long tails
LARGEST_SCALE = 3.0  # of the errors foreseen, when matches scatter more than they should
LEAST_FOR_A_LINE = 4  # confident matches
IMPOSSIBLE = 1e6
NEGLIGIBLE = 40.0  # cost of a single match above the chosen one's, from which it is no rival

Index = NDArray[np.intp]


@dataclass(frozen=True)
class UnnamedRun:
    """A run of N peaks without names.

    Attributes
    ----------
    retention : (N,) array  [s]
    area : (N,) array  [any unit], nan where missing
    repeatability : float  [s]
    hold_up : float or None  [s], measured
    """

    name: str
    program: Program
    retention: Array
    area: Array
    repeatability: float = 0.18
    hold_up: float | None = None


@dataclass(frozen=True)
class Matching:
    """What is proposed for the N peaks of one run.

    Attributes
    ----------
    compound : (N,) array of int, -1 for a peak of no listed compound
    confidence : (N,) array, probability that this is right
    rival : (N,) array of int, what it would be otherwise; -1 for no listed compound, the same when there is nothing
    expected, error : (M,) arrays  [s], where each compound is expected without looking at this run's match of it
    """

    compound: Index
    confidence: Array
    rival: Index
    expected: Array
    error: Array


def match_peaks(
    system: ColumnSystem,
    named: Run,
    unnamed: Sequence[UnnamedRun],
    flow_correction: FlowCorrection = "column",
) -> tuple[Matching, ...]:
    """A matching for each unnamed run to the M compounds of the named one, all of which have a time there."""
    compounds = len(named.retention)
    nothing = np.full(compounds, np.nan)
    runs = [named] + [
        Run(run.name, run.program, nothing, nothing, run.repeatability, run.hold_up) for run in unnamed
    ]
    simulator = Simulator(replace(system, oven_lag=USUAL_OVEN_LAG), runs)
    times = np.array([run.retention for run in runs])
    factors = np.ones(len(runs))
    flow_error = LN_FLOW_ERROR
    theta_off, scale = 0.0, 1.0
    area_shift = [_first_area_shift(named.area, run.area) for run in unnamed]
    before: list[Index] = []
    for _ in range(ROUNDS):
        foreseen = _foreseen(simulator, runs, times, factors, flow_error, theta_off, scale)
        found = [
            _matched(run, named.area, shift, expected, error)
            for run, shift, (expected, error) in zip(unnamed, area_shift, foreseen, strict=True)
        ]
        now = [matching.compound for matching in found]
        if before and all(np.array_equal(a, b) for a, b in zip(before, now, strict=True)):
            break
        before = now
        times = times.copy()
        for r, (run, matching) in enumerate(zip(unnamed, found, strict=True), 1):
            times[r] = np.nan
            sure = (matching.compound >= 0) & (matching.confidence > CONFIDENT)
            times[r, matching.compound[sure]] = run.retention[sure]
            area_shift[r - 1] = _area_shift(named.area, run.area, matching.compound, sure, area_shift[r - 1])
        if np.isfinite(times[1:]).sum() < 3:
            continue
        sigma = _sigma(runs, times)
        factors, simulator = shared_by_all(simulator, runs, times, sigma, flow_correction)
        flow_error = LN_FLOW_ERROR / np.sqrt(1 + np.isfinite(times[1:]).sum())
        theta_off = _common_theta(
            fit_each(simulator, times, sigma, factors), times, simulator.typical.spreads[0]
        )
        scale = _scale(foreseen, times)
    return tuple(found)


def match_expected(run: UnnamedRun, named_area: Array | None, expected: Array, error: Array) -> Matching:
    """A matching of one run to M compounds whose times in it are foreseen.

    What sets a whole run off (an oven too warm, a flow too low) moves all times alike: once there are confident
    matches, the rest is looked for along the straight line that they follow.

    Parameters
    ----------
    named_area : (M,) array  [any unit], nan where unknown; None when all are
    expected, error : (M,) arrays  [s], the error with all that may set the run off
    """
    shift = _first_area_shift(named_area, run.area)
    now, within = expected, error
    found = _matched(run, named_area, shift, now, within)
    for _ in range(ROUNDS):
        sure = (found.compound >= 0) & (found.confidence > CONFIDENT)
        shift = _area_shift(named_area, run.area, found.compound, sure, shift)
        m = found.compound[sure]
        if len(m) >= LEAST_FOR_A_LINE:
            slope, intercept, *_ = theilslopes(run.retention[sure] - expected[m], expected[m])
            now = expected + intercept + slope * expected
            off = float(np.median(np.abs(run.retention[sure] - now[m])))
            within = np.minimum(error, np.hypot(1.4826 * off, run.repeatability))
        again = _matched(run, named_area, shift, now, within)
        if np.array_equal(again.compound, found.compound):
            return again
        found = again
    return found


def _sigma(runs: Sequence[Run], times: Array) -> Array:
    repeatability = np.array([run.repeatability for run in runs])[:, None]
    result: Array = np.hypot(repeatability, MODEL_ERROR * np.nan_to_num(times))
    return result


def _foreseen(
    simulator: Simulator,
    runs: Sequence[Run],
    times: Array,
    factors: Array,
    flow_error: float,
    theta_off: float,
    scale: float,
) -> list[tuple[Array, Array]]:
    """Expected times and their standard deviations (M,) [s] in each unnamed run, from all runs but that one."""
    R, M = times.shape
    others = np.tile(times, (1, R - 1))
    for r in range(1, R):
        others[r, (r - 1) * M : r * M] = np.nan
    fits = fit_each(simulator, others, _sigma(runs, others), factors)
    covariance = np.linalg.inv(np.einsum("mri,mrj->mij", fits.slope, fits.slope))
    # Were typical thetas off by so much for all, the parameters that the prior leans on would follow.
    moved = covariance[:, :, 1] * theta_off / simulator.typical.spreads[0] ** 2
    by_flow = simulator.slopes(simulator.tables(retention_of(fits.parameters)), factors).by_ln_flow
    result = []
    for r in range(1, R):
        part = slice((r - 1) * M, r * M)
        slopes = fits.slopes[r, part]
        expected = fits.times[r, part] + np.einsum("mi,mi->m", slopes, moved[part])
        own = fits.time_error[r, part] * scale
        # A common change of flow also moved the named run, from which T0 was read: only the rest is left.
        flow = (by_flow[r, part] - by_flow[0, part] * fits.times[r, part] / fits.times[0, part]) * flow_error
        noise = _sigma(runs, fits.times[:, part])[r]
        result.append((expected, np.sqrt(own**2 + flow**2 + noise**2)))
    return result


def _first_area_shift(named: Array | None, area: Array) -> float:
    """ln of the common factor of areas before anything is matched: from the medians."""
    if named is None or not np.isfinite(named).any() or not np.isfinite(area).any():
        return 0.0
    return float(np.nanmedian(np.log(area)) - np.nanmedian(np.log(named)))


def _area_shift(
    named: Array | None, area: Array, compound: Index, sure: NDArray[np.bool_], before: float
) -> float:
    """The same from the confident matches."""
    if named is None:
        return before
    ratios = np.log(area[sure]) - np.log(named[compound[sure]])
    ratios = ratios[np.isfinite(ratios)]
    return float(np.median(ratios)) if ratios.size >= 3 else before


def _common_theta(fits: CompoundFits, times: Array, spread: float) -> float:
    """How far ln theta is from typical for all compounds together, from those in more than one run."""
    several = np.isfinite(times).sum(axis=0) > 1
    if not several.any():
        return 0.0
    off = fits.distance[several, -3] * spread
    weight = several.sum() / (several.sum() + COMMON_THETA_SHARE**-2)
    return float(np.median(off) * weight)


def _scale(foreseen: list[tuple[Array, Array]], times: Array) -> float:
    """By how much confident matches scatter more about what was expected than they should, at least one."""
    off = np.concatenate(
        [(row - expected) / error for row, (expected, error) in zip(times[1:], foreseen, strict=True)]
    )
    off = off[np.isfinite(off)]
    return float(np.clip(1.4826 * np.median(np.abs(off)), 1.0, LARGEST_SCALE)) if off.size >= 5 else 1.0


def _log_t(square: Array, freedom: float) -> Array:
    """Minus twice the logarithm of a t density at a squared deviation, but for its constant: square when small."""
    return (freedom + 1) * np.log1p(square / freedom)


def _matched(
    run: UnnamedRun, named_area: Array | None, area_shift: float, expected: Array, error: Array
) -> Matching:
    """The likeliest assignment of one run as a whole, and how sure each match is.

    Costs are minus twice log likelihoods. A match is as doubtful as the best assignments without it are good, one
    for everything else that the peak could be.
    """
    N, M = len(run.retention), len(expected)
    off = (run.retention[:, None] - expected) / error
    match = _log_t(off**2, TIME_FREEDOM) + 2 * np.log(np.sqrt(2 * np.pi) * error)
    # A peak of no listed compound lies anywhere, with any area found in the run.
    span = max(float(np.ptp(run.retention)), 1.0)
    stray = np.full(N, 2 * np.log(span / MISSING))
    if named_area is not None:
        apart = np.log(run.area)[:, None] - np.log(named_area) - area_shift
        known = np.isfinite(apart)
        unlike = _log_t((np.where(known, apart, 0.0) / AREA_ERROR) ** 2, AREA_FREEDOM)
        match += np.where(known, unlike + 2 * np.log(np.sqrt(2 * np.pi) * AREA_ERROR), 0.0)
        spread = float(np.nanstd(np.log(run.area))) if np.isfinite(run.area).sum() > 1 else 1.0
        usual = max(spread, AREA_ERROR)
        stray += np.where(known.any(axis=1), 2 * np.log(np.sqrt(2 * np.pi * np.e) * usual), 0.0)
    full = np.full((N + M, M + N), IMPOSSIBLE)
    full[:N, :M] = np.minimum(match, IMPOSSIBLE)
    full[np.arange(N), M + np.arange(N)] = stray
    full[N + np.arange(M), np.arange(M)] = -2 * np.log(MISSING)
    full[N:, M:] = 0.0
    best, total = _assigned(full, N)
    rival, confidence = best.copy(), np.empty(N)
    for n, m in enumerate(best):
        others = np.flatnonzero(full[n] < full[n, m] + NEGLIGIBLE)
        others = others[(others != m) & ((others < M) | (others == M + n))]
        gaps = np.array([_assigned_with(full, N, n, int(other)) - total for other in others])
        if gaps.size:
            rival[n] = others[np.argmin(gaps)]
        confidence[n] = 1 / (1 + np.exp(-gaps / 2).sum())
    return Matching(np.where(best < M, best, -1), confidence, np.where(rival < M, rival, -1), expected, error)


def _assigned(cost: Array, peaks: int) -> tuple[Index, float]:
    """The column of each peak (N,), and the total cost."""
    rows, columns = linear_sum_assignment(cost)
    return columns[:peaks].astype(np.intp), float(cost[rows, columns].sum())


def _assigned_with(cost: Array, peaks: int, n: int, column: int) -> float:
    """The total cost of the best assignment in which peak n has this column."""
    kept = cost[n, column]
    forced = cost.copy()
    forced[n] = IMPOSSIBLE
    forced[n, column] = kept
    return _assigned(forced, peaks)[1]
