"""Margins of programs in every draw of the uncertain quantities, and their pass probability."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from models.column.programs import Array, ProgramBatch, delayed
from models.peaks.resolution import facing_shares, resolution
from optimizer.goal.goal import Assessment, Problem, end_of_peak
from optimizer.goal.limits import LATE, Runs, margins
from optimizer.goal.robustness import Backoff, DrawnPeaks

Index = NDArray[np.intp]

NEAR = 2.0  # relative margin of a pair up to which it is looked at whatever the draws
FAR = 5.0  # standard deviations of their distance beyond which two peaks further apart come nowhere near their limit
OVER = 0.95  # share of draws in which the last peak is over when the program ends; common practice, no source
TELLING = 100  # draws that tell such a spread well enough
NOTHING = 1e-9  # share of a needed resolution that is none
LARGEST_KAPPA = 6.0  # standard deviations; more is never asked for
DRAWN_AT_ONCE = 50_000  # peaks in draws that are judged together: what they take stays near the processor
PAIRS_AT_ONCE = 64  # whose resolutions in draws are worked out together, for the same reason


@dataclass(frozen=True)
class DrawnMargins:
    """N programs in D draws; margins are relative.

    Attributes
    ----------
    peaks : DrawnPeaks
    programs, pairs : (Q,) numbers of program and counted pair where a pair is near enough to matter, program by program
    nominal : (Q,) margins of these as predicted
    pair_margins : (Q, D) array
    requirement_margins : (N, W, D) array, of the requirements beside resolution
    worst : (N, D) array, the smallest margin in each draw
    assured : (N,) array, the smallest margin that is reached with the required probability
    margin : (N,) array, the same with the equipment's limits as they are
    """

    peaks: DrawnPeaks
    programs: Index
    pairs: Index
    nominal: Array
    pair_margins: Array
    requirement_margins: Array
    worst: Array
    assured: Array
    margin: Array

    @property
    def passes(self) -> NDArray[np.bool_]:
        """(N, D) whether every requirement is met."""
        return np.asarray(self.worst >= 0)

    @property
    def pass_probability(self) -> Array:
        """(N,) probability of meeting every requirement: the share of draws that pass."""
        return np.asarray(self.passes.mean(axis=1))


def drawn_margins(
    problem: Problem,
    batch: ProgramBatch,
    assessment: Assessment,
    without: frozenset[str] = frozenset(),
) -> DrawnMargins:
    """N programs and their accurate assessment, held against the goal in every draw.

    Parameters
    ----------
    without : sources of uncertainty (`robustness.SOURCES`) to be left out
    """
    robustness = problem.robustness
    drawn = robustness.peaks(batch, assessment.retention, assessment.width_half, without)
    oven = robustness.draws(batch.controlled, without).shared[:, 3]
    return margins_of_peaks(problem, batch, assessment, drawn, oven)


@dataclass(frozen=True)
class Judged:
    """N programs judged by draws: (N,) arrays.

    Attributes
    ----------
    pass_probability : share of draws that pass
    margin : the smallest margin that is reached with the required probability, or that of the equipment's limits
    later_end : [s], by how much later than predicted the last peak is over in all but a few of the draws
    """

    pass_probability: Array
    margin: Array
    later_end: Array


def programs_at_once(problem: Problem) -> int:
    """How many programs are judged by draws together."""
    return max(DRAWN_AT_ONCE // (len(problem.fit.retention) * problem.robustness.count), 1)


def judged(problem: Problem, batch: ProgramBatch, assessment: Assessment) -> Judged:
    """N programs and their accurate assessment judged by draws, with memory for a few at a time."""
    at_once = programs_at_once(problem)
    parts = [slice(first, first + at_once) for first in range(0, batch.size, at_once)]

    def part(rows: slice) -> tuple[Array, Array, Array]:
        found = drawn_margins(problem, batch[rows], assessment[rows])
        return found.pass_probability, found.margin, _later_end(assessment[rows], found.peaks)

    return Judged(*map(np.concatenate, zip(*map(part, parts), strict=True)))


def margins_of_peaks(
    problem: Problem, batch: ProgramBatch, assessment: Assessment, drawn: DrawnPeaks, oven: Array
) -> DrawnMargins:
    """The same from peaks already drawn, with the oven off by `oven` (D,) [K]."""
    nominal = problem.resolution_margins(assessment)
    programs, pairs = _near(problem, assessment.retention, drawn.retention, nominal)
    pair_margins = signed_resolutions(problem, assessment.retention, drawn, programs, pairs)
    pair_margins /= problem.pairs.needed[pairs, None]
    pair_margins -= 1
    count = len(oven)
    others = np.zeros((batch.size, 0, count))
    if problem.requirements:
        felt = delayed(batch, problem.fit.system.oven_lag)
        others = margins(problem.requirements, _runs(felt, drawn, oven))
        others = others.reshape(batch.size, count, -1).swapaxes(1, 2)
    worst = others.min(axis=1, initial=np.inf)
    for n, (first, stop) in enumerate(pairwise(programs.searchsorted(np.arange(batch.size + 1)))):
        if first < stop:
            np.minimum(worst[n], pair_margins[first:stop].min(axis=0), out=worst[n])
    failing = count - int(np.ceil(problem.confidence * count))  # so many draws may fail
    assured = np.sort(worst, axis=1)[:, min(failing, count - 1)]
    margin = np.minimum(np.minimum(assured, problem.equipment_margin(assessment)), NEAR)
    return DrawnMargins(
        drawn, programs, pairs, nominal[programs, pairs], pair_margins, others, worst, assured, margin
    )


def backoff(problem: Problem, assessment: Assessment, drawn: DrawnMargins) -> Backoff:
    """What gives the margin of a single program."""
    size, names = len(problem.scenario.compounds), drawn.requirement_margins.shape[1]
    spreads, limits = np.zeros((size, size)), np.zeros(assessment.limits.shape[1])
    a, b = problem.pairs.index[drawn.pairs].T
    spreads[a, b] = spreads[b, a] = drawn.pair_margins.std(axis=1)
    if names:
        limits[:names] = np.clip(drawn.requirement_margins[0], -1.0, 10.0).std(axis=1)
    kappa = _kappa(
        np.concatenate([drawn.nominal, assessment.limits[0, :names]]),
        np.concatenate([spreads[a, b], limits[:names]]),
        float(drawn.assured[0]),
    )
    return Backoff(kappa, spreads, limits, float(_later_end(assessment, drawn.peaks)[0]))


def signed_resolutions(
    problem: Problem,
    retention: Array,
    drawn: DrawnPeaks,
    programs: Index | None = None,
    pairs: Index | None = None,
) -> Array:
    """Resolutions (Q, D) of pairs in draws, negative where the two have changed places against the prediction.

    A pair that swaps is not resolved as predicted, however far apart it then is; and an unsigned resolution, which
    turns back at nought, would make a pair about to swap look steadier than it is.

    Parameters
    ----------
    retention : (N, M) array  [s], as predicted; the listed order counts where two coincide
    programs, pairs : (Q,) arrays, numbers of the program and, among those that count, of the pair; all pairs of one
        program if not given
    """
    index = problem.pairs.index if pairs is None else problem.pairs.index[pairs]
    programs = np.zeros(len(index), dtype=np.intp) if programs is None else programs
    if len(index) <= PAIRS_AT_ONCE:
        return _signed(problem, retention, drawn, programs, *index.T)
    result = np.empty((len(index), drawn.retention.shape[2]))
    for first in range(0, len(index), PAIRS_AT_ONCE):
        part = slice(first, first + PAIRS_AT_ONCE)
        result[part] = _signed(problem, retention, drawn, programs[part], *index[part].T)
    return result


def resolution_spread(problem: Problem, retention: Array, drawn: DrawnPeaks) -> Array:
    """Standard deviations (Q,) of all pairs of one program over the draws, worked out for some pairs at a time."""
    a, b = problem.pairs.index.T
    parts = [slice(first, first + PAIRS_AT_ONCE) for first in range(0, len(a), PAIRS_AT_ONCE)]
    spreads = [
        _signed(problem, retention, drawn, np.zeros(len(a[part]), dtype=np.intp), a[part], b[part]).std(
            axis=1
        )
        for part in parts
    ]
    return np.concatenate([np.zeros(0), *spreads])


def _signed(
    problem: Problem, retention: Array, drawn: DrawnPeaks, programs: Index, a: Index, b: Index
) -> Array:
    """The same of compounds a and b (Q,)."""
    in_order = retention[programs, a] <= retention[programs, b]
    first, second = np.where(in_order, a, b), np.where(in_order, b, a)
    M, count = drawn.retention.shape[1:]
    row1, row2 = programs * M + first, programs * M + second
    t1, t2, w1, w2 = (
        of.reshape(-1, count).take(row, axis=0)
        for of in (drawn.retention, drawn.width)
        for row in (row1, row2)
    )
    if problem.tails:
        (front, back), swapped = problem.facing, t2 < t1
        of_first, of_second = np.stack([front[first], back[first]]), np.stack([front[second], back[second]])
        if drawn.front is not None:  # as predicted: draws hardly change how far a peak leans
            front, back = facing_shares(problem.tailing_with(drawn.front))
            of_first = np.stack([front[programs, first], back[programs, first]])
            of_second = np.stack([front[programs, second], back[programs, second]])
        w1 *= np.where(swapped, of_first[0, :, None], of_first[1, :, None])
        w2 *= np.where(swapped, of_second[1, :, None], of_second[0, :, None])
    return resolution(t1, t2, w1, w2)


def _later_end(assessment: Assessment, drawn: DrawnPeaks) -> Array:
    """By how much later than predicted (N,) [s] the last peak is over in all but a few of the draws; not below 0."""
    t = drawn.retention
    ends = np.sort(np.where(t < LATE, end_of_peak(t, drawn.width), 0.0).max(axis=1), axis=1)
    at = OVER * (ends.shape[1] - 1)
    below = int(at)
    end = ends[:, below] + (at - below) * (ends[:, min(below + 1, ends.shape[1] - 1)] - ends[:, below])
    return np.asarray(np.maximum(0.0, end - assessment.run_time))


def _near(problem: Problem, retention: Array, drawn: Array, margins: Array) -> tuple[Index, Index]:
    """Programs and pairs (Q,) near their limit or brought near it by draws (N, M, D) [s], from times and margins."""
    a, b = problem.pairs.index.T
    drawn = drawn[..., :TELLING]
    count = drawn.shape[2]
    off = drawn - np.add.reduce(drawn, axis=2, keepdims=True) / count
    covariance = off @ off.swapaxes(1, 2)  # times the number of draws
    M = covariance.shape[1]
    covariance = covariance.reshape(-1, M * M)
    variance = covariance[:, :: M + 1]
    of_differences = variance.take(a, axis=1) + variance.take(b, axis=1)
    of_differences -= 2 * covariance.take(a * M + b, axis=1)
    apart = retention.take(b, axis=1) - retention.take(a, axis=1)
    beyond = apart * margins / np.maximum(1 + margins, NOTHING)
    near = (margins < NEAR) | (beyond * beyond < FAR**2 / count * of_differences)
    programs, pairs = near.nonzero()
    return programs, pairs


def _runs(batch: ProgramBatch, drawn: DrawnPeaks, oven: Array) -> Runs:
    """The draws of N programs as so many programs, for the requirements."""
    N, M, count = drawn.retention.shape

    def repeated(values: Array) -> Array:
        return np.repeat(values, count, axis=0)

    def in_rows(values: Array) -> Array:
        return values.swapaxes(1, 2).reshape(N * count, M)

    repeats = ProgramBatch(
        batch.controlled,
        repeated(batch.oven_times),
        repeated(batch.oven_temperatures) + np.tile(oven, N)[:, None],
        repeated(batch.carrier_times),
        repeated(batch.carrier_values),
    )
    t, w, T, k = map(in_rows, (drawn.retention, drawn.width, *drawn.at_elution()))
    end = np.where(t < LATE, t, 0.0).max(axis=1)
    nothing = np.zeros((N * count, 0))
    return Runs(repeats, repeats, t, w, T, k, end, nothing, nothing)


def _kappa(margins: Array, spreads: Array, kept: float) -> float:
    """The kappa at which the smallest of margins - kappa spreads equals `kept`, from 0 to LARGEST_KAPPA."""
    moving = spreads > 0
    if not moving.any():
        return 0.0
    # Each item alone would need (margin - kept)/spread; the first to bind decides.
    return float(np.clip(((margins - kept)[moving] / spreads[moving]).min(), 0.0, LARGEST_KAPPA))
