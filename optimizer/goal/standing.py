"""How a single program stands against the goal in every draw of what is uncertain: its share of draws that hold."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.column.programs import Array, ProgramBatch, delayed
from models.peaks.resolution import pair_resolution
from optimizer.goal.goal import Assessment, Problem, end_of_peak
from optimizer.goal.limits import LATE, Runs
from optimizer.goal.robustness import Backoff, DrawnPeaks

Index = NDArray[np.intp]

NEAR = 2.0  # relative margin of a pair up to which it is looked at whatever the draws
FAR = 5.0  # standard deviations of their distance beyond which two peaks further apart come nowhere near their limit
OVER = 0.95  # share of draws in which the last peak is over when the program ends; common practice, no source
NOTHING = 1e-9  # share of a needed resolution that is none
LARGEST_KAPPA = 6.0  # standard deviations; more is never asked for


@dataclass(frozen=True)
class Standing:
    """One program in D draws.

    Attributes
    ----------
    peaks : DrawnPeaks, of this program alone
    pairs : (Q,) numbers of the pairs near enough to matter, among those that count
    pair_margins : (D, Q) array, relative
    wish_margins : (D, W) array, of the limits that are wishes
    worst : (D,) array, the smallest margin in each draw
    share : float, of draws in which every pair and wish holds
    margin : float, the smallest margin that the asked share of draws keeps; of the equipment's limits as they are
    backoff : Backoff that gives this margin
    """

    peaks: DrawnPeaks
    pairs: Index
    pair_margins: Array
    wish_margins: Array
    worst: Array
    share: float
    margin: float
    backoff: Backoff

    @property
    def holds(self) -> NDArray[np.bool_]:
        """(D,) whether all of it holds."""
        result: NDArray[np.bool_] = self.worst >= 0
        return result


def standing(
    problem: Problem,
    batch: ProgramBatch,
    assessment: Assessment,
    without: frozenset[str] = frozenset(),
) -> Standing:
    """A batch of one program and its accurate assessment, held against the goal in every draw.

    Parameters
    ----------
    without : sources of uncertainty (`robustness.SOURCES`) to be left out
    """
    robustness = problem.robustness
    drawn = robustness.peaks(batch, assessment.retention, assessment.width_half, without)
    oven = robustness.draws(batch.controlled, without).shared[:, 3]
    return standing_of(problem, batch, assessment, drawn, oven)


def standing_of(
    problem: Problem, batch: ProgramBatch, assessment: Assessment, drawn: DrawnPeaks, oven: Array
) -> Standing:
    """The same from peaks already drawn, with the oven off by `oven` (D,) [K]."""
    t, w = drawn.retention[0], drawn.width[0]
    nominal = problem.resolution_margins(assessment)[0]
    pairs = np.flatnonzero((nominal < NEAR) | _unsteady(problem, assessment.retention[0], t, nominal))
    index = problem.pairs.index[pairs]
    a, b = index.T
    found = signed_resolutions(problem, assessment.retention[0], t, w, index) / problem.pairs.needed[pairs]
    pair_margins = found - 1
    wishes = problem.limits.wishes
    felt = delayed(batch, problem.fit.system.oven_lag)
    wish_margins = wishes(_runs(felt, drawn, oven)) if wishes.names else np.zeros((len(t), 0))

    size = len(problem.scenario.compounds)
    spreads, limits = np.zeros((size, size)), np.zeros(assessment.limits.shape[1])
    spreads[a, b] = spreads[b, a] = found.std(axis=0)
    limits[: len(wishes.names)] = np.clip(wish_margins, -1.0, 10.0).std(axis=0)
    worst = np.minimum(pair_margins.min(axis=1, initial=np.inf), wish_margins.min(axis=1, initial=np.inf))
    failing = len(worst) - int(np.ceil(problem.confidence * len(worst)))  # so many draws may fail
    kept = float(np.sort(worst)[min(failing, len(worst) - 1)])
    equipment = float(problem.equipment_margin(assessment)[0])
    names = len(wishes.names)
    kappa = _kappa(
        np.concatenate([nominal[pairs], assessment.limits[0, :names]]),
        np.concatenate([spreads[a, b], limits[:names]]),
        kept,
    )
    return Standing(
        drawn,
        pairs,
        pair_margins,
        wish_margins,
        worst,
        float(np.mean(worst >= 0)),
        min(kept, equipment, NEAR),
        Backoff(kappa, spreads, limits, _later_end(assessment, drawn)),
    )


def signed_resolutions(
    problem: Problem, retention: Array, drawn: Array, width: Array, index: Index | None = None
) -> Array:
    """Resolutions (D, Q) of pairs in draws, negative where the two have changed places against the prediction.

    A pair that swaps is not resolved as predicted, however far apart it then is; and an unsigned resolution, which
    turns back at nought, would make a pair about to swap look steadier than it is.

    Parameters
    ----------
    retention : (M,) array  [s], as predicted; the listed order counts where two coincide
    drawn, width : (D, M) arrays  [s], retention and width at half height in the draws
    index : (Q, 2) array, the pairs; all that count if not given
    """
    index = problem.pairs.index if index is None else index
    a, b = index.T
    predicted = np.where(retention[b] >= retention[a], 1.0, -1.0)
    signed: Array = predicted * np.sign(drawn[:, b] - drawn[:, a])
    return signed * pair_resolution(drawn, width, index, problem.tailing)


def _later_end(assessment: Assessment, drawn: DrawnPeaks) -> float:
    """By how much later than predicted [s] the last peak is over in all but a few of the draws; not below 0."""
    eluted = drawn.retention[0] < LATE
    ends = np.where(eluted, end_of_peak(drawn.retention[0], drawn.width[0]), 0.0).max(axis=1)
    return max(0.0, float(np.quantile(ends, OVER) - assessment.run_time[0]))


def _unsteady(problem: Problem, retention: Array, drawn: Array, margins: Array) -> NDArray[np.bool_]:
    """Which pairs (P,) draws (D, M) [s] may bring near their limit, from times (M,) [s] and relative margins (P,)."""
    a, b = problem.pairs.index.T
    off = drawn - drawn.mean(axis=0)
    covariance = off.T @ off / len(off)
    variance = np.diag(covariance)
    spread = np.sqrt(np.maximum(variance[a] + variance[b] - 2 * covariance[a, b], 0.0))
    needed_apart = np.abs(retention[b] - retention[a]) / np.maximum(1 + margins, NOTHING)
    result: NDArray[np.bool_] = needed_apart * margins < FAR * spread
    return result


def _runs(batch: ProgramBatch, drawn: DrawnPeaks, oven: Array) -> Runs:
    """The draws of one program as so many programs, for the limits that are wishes."""
    t, count = drawn.retention[0], len(oven)

    def repeated(values: Array) -> Array:
        return np.repeat(values, count, axis=0)

    repeats = ProgramBatch(
        batch.controlled,
        repeated(batch.oven_times),
        batch.oven_temperatures + oven[:, None],
        repeated(batch.carrier_times),
        repeated(batch.carrier_values),
    )
    end = np.where(t < LATE, t, 0.0).max(axis=1)
    nothing = np.zeros((count, 0))
    return Runs(
        repeats,
        repeats,
        t,
        drawn.width[0],
        drawn.elution_temperature[0],
        drawn.retention_factor[0],
        end,
        nothing,
        nothing,
    )


def _kappa(margins: Array, spreads: Array, kept: float) -> float:
    """The kappa at which the smallest of margins - kappa spreads equals `kept`, from 0 to LARGEST_KAPPA."""
    moving = spreads > 0
    if not moving.any():
        return 0.0
    # Each item alone would need (margin - kept)/spread; the first to bind decides.
    return float(np.clip(((margins - kept)[moving] / spreads[moving]).min(), 0.0, LARGEST_KAPPA))
