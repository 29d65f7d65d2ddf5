"""The pairs that decide whether a candidate meets the goal, and what a further run would teach about them.

How well their resolutions are known is linear and Gaussian (`expected_information`): a run narrows it by an amount
known before it is made. What that is worth, `campaign.worth` says.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated

import numpy as np
from numpy.typing import NDArray

from models.column.programs import Array, Program, batch_of
from optimizer.base.numbers import Rounded
from optimizer.base.tables import key
from optimizer.goal.drawn_margins import resolution_spread
from optimizer.goal.goal import Problem
from optimizer.goal.outcome import Candidate, Prediction
from optimizer.methods.expected_information import covariance_after, resolution_slopes, with_next_flow

LEADING = 3  # candidates whose pairs count
NEAR_NEED = 3.0  # standard deviations between a resolution and what is needed, beyond which a pair is safe
MOST_PAIRS = 6  # critical pairs of one candidate
SD, RESOLUTION = Rounded(digits=3, shown=".3f"), Rounded(decimals=2)


@dataclass(frozen=True)
class Critical:
    """A pair whose resolution decides whether a candidate meets the goal; standard deviations of its resolution.

    Attributes
    ----------
    a, b : the same as numbers of compounds
    """

    candidate: Annotated[int, key()]
    """the number of the candidate"""
    between: Annotated[tuple[str, str], key()]
    """the two names in order of elution"""
    a: int
    b: int
    resolution: Annotated[float, RESOLUTION, key()]
    """as predicted"""
    needed: Annotated[float, Rounded(), key()]
    """what it needs"""
    sd_fit: Annotated[float, SD, key()]
    """standard deviation of the resolution from what the fit does not know: what a run can teach"""
    sd_rest: Annotated[float, SD, key()]
    """the same from tolerances, widths and what the model leaves out: what stays"""

    @property
    def sd(self) -> Annotated[float, SD, key()]:
        """Of both together."""
        return float(np.hypot(self.sd_fit, self.sd_rest))


def leading_pairs(problem: Problem, candidates: Sequence[Candidate]) -> tuple[list[Critical], Array]:
    """The critical pairs of leading candidates, and (Q, K) the derivatives of their resolutions."""
    found = [critical_pairs(problem, each.prediction, each.rank) for each in candidates]
    pairs = [pair for own, _ in found for pair in own]
    return pairs, np.array([row for _, slopes in found for row in slopes])


def critical_pairs(
    problem: Problem, prediction: Prediction, number: int
) -> tuple[list[Critical], list[Array]]:
    """The pairs that decide about a candidate, the most doubtful first, and the derivatives of each resolution.

    The derivatives are by the parameters of `Fit.covariance`, and nought by a flow factor of the next run.
    """
    index = problem.pairs.index
    t, w = prediction.retention, prediction.width_half
    seen: NDArray[np.bool_] = np.isfinite(t[index[:, 0]]) & np.isfinite(t[index[:, 1]])
    if not seen.any():
        return [], []
    batch = batch_of([prediction.program])
    slopes = np.where(seen[:, None], resolution_slopes(problem, prediction.program, t, w), 0.0)
    covariance = with_next_flow(problem.fit, problem.scenario)
    sd_fit = np.sqrt(np.einsum("qi,ij,qj->q", slopes, covariance, slopes))
    others = problem.robustness.peaks(batch, t[None], w[None], frozenset({"retention"}))
    sd_rest = resolution_spread(problem, t[None], others)
    doubt = (prediction.resolution - problem.pairs.needed) / np.maximum(np.hypot(sd_fit, sd_rest), 1e-9)
    ranked = [int(q) for q in np.argsort(doubt, kind="stable") if seen[q]][:MOST_PAIRS]
    chosen = [q for q in ranked if doubt[q] < NEAR_NEED] or ranked[:1]
    found = []
    for q in chosen:
        a, b = sorted((int(m) for m in index[q]), key=lambda m: t[m])
        Rs, needed = float(prediction.resolution[q]), float(problem.pairs.needed[q])
        names = problem.scenario.compounds
        found.append(
            Critical(number, (names[a], names[b]), a, b, Rs, needed, float(sd_fit[q]), float(sd_rest[q]))
        )
    return found, [slopes[q] for q in chosen]


def taught(problem: Problem, program: Program, pairs: Sequence[Critical], slopes: Array) -> float:
    """Share of the variance of these pairs' resolutions, each over what it needs, that a run takes off the fit's part.

    Parameters
    ----------
    slopes : (Q, K) array, derivatives of the resolutions as of `critical_pairs`
    """
    each = slopes / np.array([pair.needed for pair in pairs])[:, None]
    covariance = with_next_flow(problem.fit, problem.scenario)
    hold_up = any(run.hold_up is not None for run in problem.scenario.runs)
    after, _ = covariance_after(problem, program, covariance, hold_up)
    now, then = (float(np.einsum("qi,ij,qj->", each, known, each)) for known in (covariance, after))
    return 1 - then / now if now > 0 else 0.0
