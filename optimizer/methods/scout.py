"""Which further scouting run would teach most for the goal at hand.

What is asked is how well the resolution of the critical pairs is known at the leading candidates. In the linear,
Gaussian case (`expected_information`) a run narrows that by an amount known before it is made. Runs are ranked by the
fall of the variance summed over the critical pairs of all leading candidates, each resolution over what its pair needs.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Annotated, Any

import numpy as np
from numpy.typing import NDArray

from models.column.programs import Array, Program, batch_of
from optimizer.base.numbers import MINUTES, SHARE, Rounded
from optimizer.base.tables import BESIDE, WrittenBy, key
from optimizer.goal.cycle import cycle_time
from optimizer.goal.drawn_margins import resolution_spread
from optimizer.goal.goal import Problem
from optimizer.goal.outcome import Prediction
from optimizer.goal.predict import predict
from optimizer.goal.uncertainty import with_uncertainty
from optimizer.methods.expected_information import covariance_after, resolution_slopes, with_next_flow
from optimizer.methods.scout_programs import PossibleRun, possible_runs
from optimizer.scenario.data import Scenario
from optimizer.scenario.program_tables import program_document
from optimizer.search.reasons import missed_nominally, shortfalls

LEADING = 3  # candidates that count, of those that are not hopeless
LOOKED_AT = 6  # candidates among which those are looked for
NEAR_NEED = 3.0  # standard deviations between a resolution and what is needed, beyond which a pair is safe
MOST_PAIRS = 6  # critical pairs of one candidate
WORTH = 0.1  # of all variance of the critical resolutions, tolerances included: a run that takes less is not worth it
AS_GOOD = 0.8  # of the best run's fall, from which the shorter run is suggested


SD, RESOLUTION = Rounded(digits=3, shown=".3f"), Rounded(decimals=2)
EACH_SD = WrittenBy(lambda sds, _: [SD.written(sd) for sd in sds])
FALL = Rounded(digits=3)


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

    @property
    def doubt(self) -> float:
        """How many standard deviations the resolution lies above what is needed; negative below."""
        return (self.resolution - self.needed) / max(self.sd, 1e-9)


def _in_short(prediction: Prediction, ambient_pressure: float) -> dict[str, Any]:
    """A program, its run time and its smallest resolution."""
    return {
        **program_document(prediction.program, ambient_pressure),
        "run_time_min": MINUTES.written(prediction.run_time),
        "min_resolution": RESOLUTION.written(prediction.min_resolution),
    }


@dataclass(frozen=True)
class Leading:
    """A leading candidate."""

    rank: Annotated[int, key()]
    """its number among all candidates, from 1"""
    prediction: Annotated[Prediction, WrittenBy(_in_short), key(BESIDE)]
    """its program, `run_time_min` and `min_resolution`"""
    probability: Annotated[float, SHARE, key("holds")]
    """pass probability"""
    probability_then: Annotated[float, SHARE, key("holds_then")]
    """the same once the suggested run was made, should it leave the best guess where it is"""
    missed: Annotated[tuple[str, ...], key()]
    """sentences: what it does not keep; empty when it meets the goal"""


@dataclass(frozen=True)
class RunValue:
    """What a run would teach, in the order of the Q critical pairs.

    Attributes
    ----------
    sd_fit : (Q,) array, of what the fit would then not know, without the hold-up time measured in the run
    """

    run: Annotated[PossibleRun, key(BESIDE)]
    """the run"""
    sd_fit: Array
    sd_fit_with_hold_up: Annotated[Array, EACH_SD, key("sd_fit_then")]
    """`sd_fit` of each pair of `critical_pairs` once the run was made with its hold-up time measured"""
    fall: Annotated[float, FALL, key()]
    """share by which the summed variance from the fit falls"""
    fall_with_hold_up: Annotated[float, FALL, key()]
    """the same with the hold-up time measured in the run"""
    fall_of_all: Annotated[float, FALL, key()]
    """the larger of the two as a share of all variance, what stays included"""
    merged: Annotated[int, key("merged_peaks")]
    """peaks that would have no apex of their own"""
    cycle_time: Annotated[float, MINUTES, key("cycle_min")]
    """from injection to injection; nan where the oven must cool and no `cool_down` is stated"""


@dataclass(frozen=True)
class Scouted:
    """The answer: candidates, their critical pairs, and runs by what they teach, best first.

    `suggested` numbers the run to make next; None where no run is worth it. `left_out` are the numbers, from 1, of
    candidates that are hopeless beside the others.
    """

    problem: Problem
    leading: Annotated[tuple[Leading, ...], key("candidates")]
    pairs: tuple[Critical, ...]
    runs: tuple[RunValue, ...]
    suggested: int | None
    left_out: Annotated[tuple[int, ...], key()] = ()

    @property
    def scenario(self) -> Scenario:
        """What is scouted."""
        return self.problem.scenario

    @property
    def best(self) -> RunValue | None:
        """The suggested run; None where no run is worth it."""
        return None if self.suggested is None else self.runs[self.suggested]


def scout(problem: Problem, programs: Sequence[Program]) -> Scouted:
    """What to run next, the candidates being these programs, the best first; the first of any promise count."""
    leading, left_out = _leading(problem, programs)
    pairs: list[Critical] = []
    slopes: list[Array] = []
    for each in leading:
        own, own_slopes = critical_pairs(problem, each.prediction, each.rank)
        pairs += own
        slopes += own_slopes
    compounds = sorted({m for pair in pairs for m in (pair.a, pair.b)})
    if not pairs:
        return Scouted(problem, leading, (), (), None, left_out)
    possible = possible_runs(problem, {each.rank: each.prediction.program for each in leading}, compounds)
    covariance = with_next_flow(problem.fit, problem.scenario)
    runs = [value_of(problem, run, pairs, np.array(slopes), covariance) for run in possible]
    runs.sort(key=lambda each: -max(each.fall, each.fall_with_hold_up))
    suggested = _suggested(runs)
    if suggested is not None:
        learnt = covariance_after(problem, runs[suggested].run.program, covariance, hold_up=True)[0]
        kept = len(problem.fit.covariance)
        then = replace(problem, fit=replace(problem.fit, covariance=learnt[:kept, :kept]))
        leading = tuple(
            replace(each, probability_then=with_uncertainty(then, each.prediction, exact=True)[1].share)
            for each in leading
        )
    return Scouted(problem, leading, tuple(pairs), tuple(runs), suggested, left_out)


def _leading(problem: Problem, programs: Sequence[Program]) -> tuple[tuple[Leading, ...], tuple[int, ...]]:
    """The first candidates that are not hopeless beside the others, and the numbers of those passed over.

    Hopeless is what misses the goal nominally while another does not, or passes in no draw while another does in some:
    what a run teaches of its pairs helps nobody.
    """
    seen = []
    for rank, program in enumerate(programs[:LOOKED_AT], 1):
        prediction, reliability = with_uncertainty(problem, predict(problem, program), exact=True)
        probability, nominal = reliability.share, not missed_nominally(problem, prediction)
        each = Leading(
            rank, prediction, probability, probability, shortfalls(problem, prediction, probability)
        )
        seen.append((each, nominal))
        if sum(good and known.probability > 0 for known, good in seen) == LEADING:
            break
    some_pass = any(each.probability > 0 for each, _ in seen)
    some_nominal = any(nominal for _, nominal in seen)
    kept = [
        each
        for each, nominal in seen
        if (nominal or not some_nominal) and (each.probability > 0 or not some_pass)
    ]
    kept = kept or [each for each, _ in seen]
    ranks = {each.rank for each in kept}
    left_out = tuple(each.rank for each, _ in seen if each.rank not in ranks)
    return tuple(kept[:LEADING]), left_out


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
        cycle_time(problem.scenario, run.program, run.program.oven.duration),
    )


def _suggested(runs: Sequence[RunValue]) -> int | None:
    """The shortest of the runs that teach nearly as much as the best; None when that is not worth a run."""
    if not runs or max(run.fall_of_all for run in runs) < WORTH:
        return None
    best = max(run.fall_of_all for run in runs)
    good = [n for n, run in enumerate(runs) if run.fall_of_all >= AS_GOOD * best]
    return min(good, key=lambda n: runs[n].run.program.oven.duration)
