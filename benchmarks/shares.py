"""Shares as the tables of results show them: per cent, with a 95 % interval in brackets."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.stats import binomtest

RESAMPLED = 2000  # times that groups are drawn anew for an interval


def _shown(share: float, low: float, high: float) -> str:
    return f"{100 * share:.3g} % ({100 * low:.3g} to {100 * high:.3g})"


def share(good: int, tried: int) -> str:
    """Share of independent trials with Wilson's interval; `-` without a trial."""
    if not tried:
        return "-"
    low, high = binomtest(int(good), int(tried)).proportion_ci(method="wilson")
    return _shown(good / tried, low, high)


def share_by_group(found: Sequence[NDArray[np.bool_]]) -> str:
    """Share of trials of which those of one group (one mixture, say) have much in common; `-` without a trial.

    The interval is that of groups drawn anew; where all trials agree, Wilson's of as many trials as there are groups.
    """
    groups = [each for each in found if each.size]
    if not groups:
        return "-"
    good = np.array([each.sum() for each in groups])
    tried = np.array([each.size for each in groups])
    total = float(good.sum() / tried.sum())
    if total in (0.0, 1.0):
        return share(int(total) * len(groups), len(groups))
    low, high = _drawn_anew(good, tried)
    return _shown(total, low, high)


def rms_by_group(values: Sequence[NDArray[np.float64]]) -> str:
    """Root mean square of values of which those of one group have much in common, with the interval as above."""
    groups = [each for each in values if each.size]
    squares, counts = np.array([(each**2).sum() for each in groups]), np.array([each.size for each in groups])
    low, high = np.sqrt(_drawn_anew(squares, counts))
    return f"{np.sqrt(squares.sum() / counts.sum()):.2f} ({low:.2f} to {high:.2f})"


def _drawn_anew(sums: NDArray[np.float64], counts: NDArray[np.float64]) -> tuple[float, float]:
    """95 % of the mean over groups drawn anew."""
    rng = np.random.default_rng(np.random.SeedSequence(len(sums)))
    drawn = rng.integers(len(sums), size=(RESAMPLED, len(sums)))
    low, high = np.quantile(sums[drawn].sum(axis=1) / counts[drawn].sum(axis=1), (0.025, 0.975))
    return float(low), float(high)
