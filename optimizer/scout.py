"""Which further scouting run would teach most for the goal at hand.

What is asked is how well the resolution of the critical pairs is known at the leading candidates. In the linear,
Gaussian case (`expected_information`) a run narrows that by an amount known before it is made. Runs are ranked by the
fall of the variance summed over the critical pairs of all leading candidates, each resolution over what its pair needs.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from models.programs import Array, Program, batch_of
from optimizer.expected_information import covariance_after, resolution_slopes, with_next_flow
from optimizer.goal import Problem
from optimizer.predict import covering, predict
from optimizer.results import Prediction
from optimizer.scenario_data import Scenario
from optimizer.scout_programs import PossibleRun, possible_runs
from optimizer.shortfalls import shortfalls
from optimizer.uncertainty import with_uncertainty

LEADING = 3  # candidates that count
NEAR_NEED = 3.0  # standard deviations between a resolution and what is needed, beyond which a pair is safe
MOST_PAIRS = 6  # critical pairs of one candidate
WORTH = 0.1  # of all variance of the critical resolutions, tolerances included: a run that takes less is not worth it
AS_GOOD = 0.8  # of the best run's fall, from which the shorter run is suggested


@dataclass(frozen=True)
class Critical:
    """A pair whose resolution decides whether a candidate meets the goal; standard deviations of its resolution.

    Attributes
    ----------
    candidate : int, from 0, of the leading ones
    a, b : int, compounds in order of elution
    sd_fit : float, from what the fit does not know of retention and flow: what a run can teach
    sd_rest : float, from set-point tolerances, widths and what the model leaves out: what stays
    """

    candidate: int
    a: int
    b: int
    resolution: float
    needed: float
    sd_fit: float
    sd_rest: float

    @property
    def sd(self) -> float:
        """Of both together."""
        return float(np.hypot(self.sd_fit, self.sd_rest))

    @property
    def doubt(self) -> float:
        """How many standard deviations the resolution lies above what is needed; negative below."""
        return (self.resolution - self.needed) / max(self.sd, 1e-9)


@dataclass(frozen=True)
class Leading:
    """A leading candidate.

    Attributes
    ----------
    prediction : Prediction
    share : float, of draws that hold
    share_then : float, the same once the suggested run was made, should it leave the best guess where it is
    missed : what it does not keep of the goal, and by how much; empty when it meets it
    """

    prediction: Prediction
    share: float
    share_then: float
    missed: tuple[str, ...]


@dataclass(frozen=True)
class RunValue:
    """What a run would teach, in the order of the Q critical pairs.

    Attributes
    ----------
    sd_fit, sd_fit_with_hold_up : (Q,) arrays, of what the fit would then not know, without and with the hold-up time
        measured in the run
    fall, fall_with_hold_up : float, share by which the summed variance from the fit falls
    fall_of_all : float, the larger of the two as a share of all variance, what stays included
    merged : int, peaks that would have no apex of their own
    """

    run: PossibleRun
    sd_fit: Array
    sd_fit_with_hold_up: Array
    fall: float
    fall_with_hold_up: float
    fall_of_all: float
    merged: int


@dataclass(frozen=True)
class Scouted:
    """The answer: candidates, their critical pairs, and runs by what they teach, best first.

    `suggested` numbers the run to make next; None where no run is worth it.
    """

    scenario: Scenario
    leading: tuple[Leading, ...]
    pairs: tuple[Critical, ...]
    runs: tuple[RunValue, ...]
    suggested: int | None


def scout(problem: Problem, programs: Sequence[Program]) -> Scouted:
    """What to run next, the leading candidates being these programs, the best first."""
    for program in programs:
        problem = covering(problem, [program])
    seen = [with_uncertainty(problem, predict(problem, program)) for program in programs[:LEADING]]
    pairs: list[Critical] = []
    slopes: list[Array] = []
    for number, (prediction, _) in enumerate(seen):
        own, own_slopes = critical_pairs(problem, prediction, number)
        pairs += own
        slopes += own_slopes
    compounds = sorted({m for pair in pairs for m in (pair.a, pair.b)})
    missed = [shortfalls(problem, prediction) for prediction, _ in seen]
    if not pairs:
        leading = [Leading(p, r.share, r.share, short) for (p, r), short in zip(seen, missed, strict=True)]
        return Scouted(problem.scenario, tuple(leading), (), (), None)
    possible = possible_runs(problem, [prediction.program for prediction, _ in seen], compounds)
    covariance = with_next_flow(problem.fit, problem.scenario)
    runs = [value_of(problem, run, pairs, np.array(slopes), covariance) for run in possible]
    runs.sort(key=lambda each: -max(each.fall, each.fall_with_hold_up))
    suggested = _suggested(runs)
    then = problem
    if suggested is not None:
        learnt = covariance_after(problem, runs[suggested].run.program, covariance, hold_up=True)[0]
        kept = len(problem.fit.covariance)
        then = replace(problem, fit=replace(problem.fit, covariance=learnt[:kept, :kept]))
    leading = [
        Leading(prediction, reliability.share, with_uncertainty(then, prediction)[1].share, short)
        for (prediction, reliability), short in zip(seen, missed, strict=True)
    ]
    return Scouted(problem.scenario, tuple(leading), tuple(pairs), tuple(runs), suggested)


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
    drawn = problem.pair_resolutions(others.retention[0], others.width[0])
    # A pair that swaps counts as negative: an unsigned resolution would look steadier than it is.
    order = np.sign(t[index[:, 1]] - t[index[:, 0]])
    drawn *= order * np.sign(others.retention[0][:, index[:, 1]] - others.retention[0][:, index[:, 0]])
    sd_rest = drawn.std(axis=0)
    doubt = (prediction.resolution - problem.pairs.needed) / np.maximum(np.hypot(sd_fit, sd_rest), 1e-9)
    ranked = [int(q) for q in np.argsort(doubt, kind="stable") if seen[q]][:MOST_PAIRS]
    chosen = [q for q in ranked if doubt[q] < NEAR_NEED] or ranked[:1]
    found = []
    for q in chosen:
        a, b = sorted((int(m) for m in index[q]), key=lambda m: t[m])
        Rs, needed = float(prediction.resolution[q]), float(problem.pairs.needed[q])
        found.append(Critical(number, a, b, Rs, needed, float(sd_fit[q]), float(sd_rest[q])))
    return found, [slopes[q] for q in chosen]


def value_of(
    problem: Problem, run: PossibleRun, pairs: Sequence[Critical], slopes: Array, covariance: Array
) -> RunValue:
    """What a run would teach about the critical pairs, whose resolutions have these derivatives (Q, K)."""
    before = np.array([pair.sd_fit for pair in pairs])
    rest = np.array([pair.sd_rest for pair in pairs])
    needed = np.array([pair.needed for pair in pairs])
    sds = []
    merged = 0
    for hold_up in (False, True):
        after, merged = covariance_after(problem, run.program, covariance, hold_up)
        sds.append(np.sqrt(np.maximum(np.einsum("qi,ij,qj->q", slopes, after, slopes), 0.0)))
    known = float(((before / needed) ** 2).sum())
    everything = known + float(((rest / needed) ** 2).sum())
    falls = [known - float(((sd / needed) ** 2).sum()) for sd in sds]
    return RunValue(
        run,
        sds[0],
        sds[1],
        falls[0] / known if known else 0.0,
        falls[1] / known if known else 0.0,
        max(falls) / everything if everything else 0.0,
        merged,
    )


def _suggested(runs: Sequence[RunValue]) -> int | None:
    """The shortest of the runs that teach nearly as much as the best; None when that is not worth a run."""
    if not runs or max(run.fall_of_all for run in runs) < WORTH:
        return None
    best = max(run.fall_of_all for run in runs)
    good = [n for n, run in enumerate(runs) if run.fall_of_all >= AS_GOOD * best]
    return min(good, key=lambda n: runs[n].run.program.oven.duration)
