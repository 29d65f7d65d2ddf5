"""What an injection is worth: the run time expected after it, and the chance that the goal can then be met.

A possible run is made in thought: a draw of the fit's posterior is the truth, the run gives its times with their
errors, and the posterior is updated [1 of `expected_information`]. Then the best program is looked up in a pool: the
first of those in order of run time that passes, with the required probability, in draws of the updated posterior and
of all that stays uncertain. Peaks in draws come from first derivatives, each program's own (`goal.robustness`), so
that what is linear is a program in the parameters' errors, not the choice of the best among them.

Draws of the updated posterior are those of the present one less what the run would have told of them, had each been the
truth (conditioning by kriging, any text on geostatistics).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from models.column.programs import Array, Controlled, Program, ProgramBatch, batch_of
from models.fit.fit import Fit
from models.peaks.sensitivity import Sensitivity
from optimizer.base.interruption import stop_if_asked
from optimizer.goal.asides import MIDDLE
from optimizer.goal.drawn_margins import margins_of_peaks
from optimizer.goal.goal import Assessment, Problem
from optimizer.goal.robustness import Draws, drawn, flow_scatter, root_of
from optimizer.methods.expected_information import gain_of, measurement, scouted_with, with_next_flow
from optimizer.methods.scout_programs import PossibleRun
from optimizer.search.found import FEASIBLE

POOL = 96  # programs at most among which the best is looked up
AT_ONCE = 16  # of them are judged together
OFTEN = 12  # draws in which so many faster programs pass ask for no slower one
INNER = 128  # draws by which they are
FIRST_LOOK, SECOND_LOOK = 12, 48  # outcomes of a run: of every possible run, and of the best of those
LOOKED_AT_TWICE = 4
SEARCHES = 0.05  # standard deviation of ln of what a new search ends with, about the pool's best (benchmarks.campaign)
MIDDLE_OF_TENTHS = (np.arange(10) + 0.5) / 10
NOT_MET = 1.5  # times the best run time now: what counts for a goal that is not met, in the ranking, at least


@dataclass(frozen=True)
class Worth:
    """What a run is worth; times in s.

    Attributes
    ----------
    run : PossibleRun
    loss : mean of `Outcomes.loss` after it
    gain : share of the loss without it by which that is less
    gain_error : standard error of the gain
    expected, low, high : run time after it where the goal is met, mean, and interval of what a search then ends with;
        nan where it never is
    chance : that the goal is met after it by a program of the pool
    """

    run: PossibleRun
    loss: float
    gain: float
    gain_error: float
    expected: float
    low: float
    high: float
    chance: float


@dataclass(frozen=True)
class Outcomes:
    """What is looked up in O outcomes of a run.

    Attributes
    ----------
    cost : (O,) array  [s], of the best program; nan where the goal is not met
    surest : (O,) array, the largest pass probability seen there; of use where the goal is not met
    """

    cost: Array
    surest: Array

    def loss(self, none: float) -> Array:
        """(O,) what is ranked by [s]: the cost, else `none` and more the further the surest program is from sure."""
        return np.where(np.isnan(self.cost), none * (2 - self.surest), self.cost)


@dataclass(frozen=True)
class _Chunk:
    """Programs of one carrier variable, fastest first, ready to be judged."""

    batch: ProgramBatch
    assessment: Assessment
    slopes: Sensitivity


@dataclass(frozen=True)
class Lookup:
    """A pool ready to be looked up.

    Attributes
    ----------
    programs : in order of their cost
    cost : (N,) array  [s]
    chance : (N,) array, pass probability now
    chunks : their parts
    none : float  [s], what a goal that is not met counts for
    """

    problem: Problem
    programs: tuple[Program, ...]
    cost: Array
    chance: Array
    chunks: tuple[_Chunk, ...]
    none: float

    def best(self, fit: Fit, draws: dict[Controlled, Draws]) -> tuple[float, float]:
        """The least cost [s] of a program that passes as probably as required, nan where none does; the largest pass
        probability that was seen until then. Of `fit` only what the model leaves out counts."""
        least, surest = np.inf, 0.0
        for chunk in self.chunks:
            if chunk.assessment.cost[0] >= least:
                continue
            stop_if_asked()
            those = draws[chunk.batch.controlled]
            peaks = drawn(fit, chunk.slopes, those, chunk.assessment.retention, chunk.assessment.width_half)
            found = margins_of_peaks(self.problem, chunk.batch, chunk.assessment, peaks, those.shared[:, 3])
            surest = max(surest, float(found.pass_probability.max()))
            passing = np.flatnonzero(found.pass_probability >= max(self.problem.confidence, 0.5))
            if len(passing):
                least = min(least, float(chunk.assessment.cost[passing[0]]))
        return least if np.isfinite(least) else np.nan, surest


def lookup_of(problem: Problem, programs: Sequence[Program]) -> Lookup | None:
    """The pool without what the equipment cannot run or what is best in no draw; None where nothing is left."""
    kinds: dict[Controlled, list[Program]] = {}
    for each in programs:
        kinds.setdefault(each.carrier.controlled, []).append(each)
    known: list[tuple[float, float, Program, Array]] = []
    for own in kinds.values():
        batch = batch_of(own)
        assessment = problem.assess(batch, "polish")
        settable = problem.equipment_margin(assessment) >= FEASIBLE
        for n in np.flatnonzero(settable & np.isfinite(assessment.cost)):
            one = np.array([n])
            slopes = problem.robustness.sensitivity(batch[one])
            draws = problem.robustness.draws(batch.controlled)
            peaks = drawn(problem.fit, slopes, draws, assessment.retention[one], assessment.width_half[one])
            found = margins_of_peaks(problem, batch[one], assessment[one], peaks, draws.shared[:, 3])
            known.append(
                (float(assessment.cost[n]), float(found.pass_probability[0]), own[n], found.passes[0])
            )
    known.sort(key=lambda each: each[0])
    kept = _of_some_use(known, problem.confidence)
    if not kept:
        return None
    chunks = []
    for kind in kinds:
        own = [each[2] for each in kept if each[2].carrier.controlled == kind]
        for first in range(0, len(own), AT_ONCE):
            batch = batch_of(own[first : first + AT_ONCE])
            chunks.append(
                _Chunk(batch, problem.assess(batch, "polish"), problem.robustness.sensitivity(batch))
            )
    chunks.sort(key=lambda each: float(each.assessment.cost[0]))
    cost, chance = np.array([each[0] for each in kept]), np.array([each[1] for each in kept])
    sure = np.flatnonzero(chance >= max(problem.confidence, 0.5))
    return Lookup(
        problem,
        tuple(each[2] for each in kept),
        cost,
        chance,
        tuple(chunks),
        unmet(cost, sure),
    )


def unmet(cost: Array, sure: NDArray[np.intp]) -> float:
    """What a goal that is not met counts for [s]: more than one met by the slowest program of the pool.

    Parameters
    ----------
    cost : (N,) array  [s], of the pool's programs, rising
    sure : those that meet the goal now
    """
    return max(NOT_MET * float(cost[sure[0]] if len(sure) else np.median(cost)), float(cost[-1]))


def _of_some_use(
    known: list[tuple[float, float, Program, Array]], confidence: float
) -> list[tuple[float, float, Program, Array]]:
    """Those, fastest first, that are among the first to pass in some draws, or pass more probably than all faster ones.

    What is slower by `NOT_MET` than the best now, or than what the median draw asks for, is no answer.
    """
    if not known:
        return []
    passes = np.array([each[3] for each in known])
    chance = np.array([each[1] for each in known])
    cost = np.array([each[0] for each in known])
    sure = np.flatnonzero(chance >= max(confidence, 0.5))
    some = passes.any(axis=0)
    if not some.any():
        return []
    usual = cost[sure[0]] if len(sure) else float(np.median(cost[passes[:, some].argmax(axis=0)]))
    early = (passes & (np.cumsum(passes, axis=0) <= OFTEN)).sum(axis=1)
    surest = np.maximum.accumulate(chance)
    early[chance > np.concatenate([[0.0], surest[:-1]])] = passes.shape[1] + 1
    early[cost > NOT_MET * usual] = 0
    chosen = sorted(int(n) for n in np.argsort(-early, kind="stable")[:POOL] if early[n])
    return [known[n] for n in chosen]


class Thought:
    """Runs made in thought: the same truths and the same draws for every run, so that runs can be compared."""

    def __init__(self, lookup: Lookup, outcomes: int, seed: int) -> None:
        self.lookup, self.outcomes = lookup, outcomes
        problem = lookup.problem
        self.covariance = with_next_flow(problem.fit, problem.scenario)
        self.hold_up = any(run.hold_up is not None for run in problem.scenario.runs)
        self.rng = np.random.default_rng(seed)
        root = root_of(self.covariance)
        size = len(self.covariance)
        self.truths = self.rng.standard_normal((outcomes, size)) @ root.T
        self.draws = self.rng.standard_normal((outcomes, INNER, size)) @ root.T
        self.seed = seed
        flows = problem.fit.flows
        self.scatter = np.zeros((outcomes, INNER))
        if flows.stop - flows.start > 1:
            freedom, scale = flow_scatter(problem.fit.flow_factors)
            self.scatter = scale * self.rng.standard_t(freedom, (outcomes, INNER))
        self.before = self.after(())

    def after(self, programs: Sequence[Program]) -> Outcomes:
        """What is looked up in each outcome once these programs were run."""
        lookup, size = self.lookup, len(self.covariance)
        parts = [measurement(lookup.problem, each, size, self.hold_up)[:2] for each in programs]
        J = np.concatenate([each[0] for each in parts] or [np.zeros((0, size))])
        S = np.zeros((len(J), len(J)))
        at = 0
        for _, own in parts:
            S[at : at + len(own), at : at + len(own)] = own
            at += len(own)
        fit = scouted_with(lookup.problem, programs)
        gain = gain_of(self.covariance, J, S) if len(J) else np.zeros((size, 0))
        root = np.linalg.cholesky(S) if len(J) else S
        rng = np.random.default_rng(self.seed + 1)
        result = np.empty((2, self.outcomes))
        for o in range(self.outcomes):
            found = J @ self.truths[o] + root @ rng.standard_normal(len(J))
            would = self.draws[o] @ J.T + rng.standard_normal((INNER, len(J))) @ root.T
            theta = self.draws[o] - would @ gain.T + gain @ found
            result[:, o] = lookup.best(fit, self._as_draws(theta, o))
        return Outcomes(*result)

    def _as_draws(self, theta: Array, outcome: int) -> dict[Controlled, Draws]:
        """Draws with parameters (INNER, K) in place of the fit's own."""
        problem = self.lookup.problem
        fit, M = problem.fit, len(problem.fit.retention)
        flows = fit.flows
        mean = theta[:, flows].mean(axis=1) if flows.stop > flows.start else np.zeros(INNER)
        made = {}
        for kind in {each.batch.controlled for each in self.lookup.chunks}:
            base = problem.robustness.draws(kind)
            rows = (np.arange(INNER) + INNER * outcome) % len(base.shared)
            fitted = np.zeros_like(base.fitted[rows])
            fitted[:, 0] = mean + self.scatter[outcome]
            if fit.lag_fitted:
                fitted[:, 5] = np.maximum(theta[:, flows.stop], -fit.system.oven_lag)
            shared = base.shared[rows] - base.fitted[rows] + fitted
            retention = theta[:, : 3 * M].reshape(INNER, 3, M)
            own = (base.time, base.width, base.diffusion, base.film)
            made[kind] = Draws(retention, shared, fitted, *(each[rows] for each in own))
        return made

    def worth(self, run: PossibleRun, before: Sequence[Program] = ()) -> Worth:
        """What a run is worth; `before` are others that were made until then."""
        return self.held_against(run, self.after((*before, run.program)), self.before)

    def held_against(self, run: PossibleRun, after: Outcomes, before: Outcomes) -> Worth:
        """The worth by what is looked up after and without a run, outcome by outcome."""
        losses = [each.loss(self.lookup.none) for each in (after, before)]
        less = (losses[1] - losses[0]) / losses[1].mean()
        met = after.cost[np.isfinite(after.cost)]
        found = np.outer(met, np.exp(SEARCHES * ndtri(MIDDLE_OF_TENTHS)))
        low, high = np.quantile(found, MIDDLE) if len(met) else (np.nan, np.nan)
        return Worth(
            run,
            float(losses[0].mean()),
            float(less.mean()),
            float(less.std() / np.sqrt(max(len(less) - 1, 1))),
            float(met.mean()) if len(met) else np.nan,
            float(low),
            float(high),
            len(met) / len(after.cost),
        )
