"""Inside one basin: a smooth non-linear program on the set points of a family, with the elution order fixed.

Minimise ln(run or cycle time) subject to margins >= 0; or, where nothing is feasible, maximise the smallest margin
of the requirements subject to those of the equipment >= 0: a program that cannot be run is no answer.
Values and gradients of everything come from one simulation of the point with its slopes by every set point.
"""

from __future__ import annotations

from collections.abc import Callable, Set
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

from models.column.programs import Array, ProgramBatch
from optimizer.goal.drawn_margins import backoff, drawn_margins
from optimizer.goal.goal import NEARLY, Problem
from optimizer.goal.limits import Requirement
from optimizer.goal.outcome import KEPT
from optimizer.goal.robustness import Backoff
from optimizer.goal.uncertainty import simulated_margins
from optimizer.search.local import CAP, RAISING_TOLERANCE, Drawn, Local, crossed
from optimizer.search.program_space import Family

OUTSIDE = -0.05  # a smallest margin below this is first raised
OUTSIDE_HELD = -0.25  # the same where margins are lessened by what draws ask for
CROSSINGS = 3  # steps from there in which pairs may change places, at most
HOPELESS = -0.01  # and when it stays below this, the basin holds no program that keeps every limit
FURTHEST = -50.0  # smallest margin from which raising it begins
CONCEDING_SLACK = 2e-3  # reserve of what is kept, for rounding to keep it too
STEADY = 1e-3  # smallest margin that the draws keep, below which a descent need not be repeated
OVERSHOOT = 1.2
REACHES = (1.0, 0.1)  # how far set points may move: short steps where long ones passed nothing better
# Where the share of failing draws is held:
SOFTNESSES = (0.17, 0.06)  # in standard deviations, by which it is smoothed, one after the other
FIRST_REACH, LEAST_REACH = 0.1, 0.01  # on the unit cube: how far set points may move in a first round
STILL = 1e-6  # a move by less is none
STUCK, NEARER, FURTHER = 0.3, 0.6, 1.5  # times that after a round that moved nothing, failed, or gained
IN_VAIN = 3  # rounds in a row without a gain, after which it is smoothed by less, or ends
WORTHWHILE = 1e-3  # share of the cost that is a gain
ASTRAY = -0.02  # smallest margin of an end below which the next round begins from the best one
ITERATIONS_BY_DRAWS, TOLERANCE_BY_DRAWS = 30, 1e-6  # of the optimiser
MODEL_KEPT = 1e-5  # a constraint missed by less counts as kept
GIVEN_UP = -0.5  # margin below which no further descent is tried


@dataclass(frozen=True)
class Descent:
    """Where a descent ended.

    Attributes
    ----------
    z : (D,) array on the unit cube
    cost : float  [s], what is minimised
    margin : float, the smallest of all, every counted pair and limit, with the order as it then was
    equipment : float, the smallest of the equipment's limits, which are among them
    shortfall : float, how much is missed of what is required
    evaluations : int, programs simulated
    backoff : Backoff or None, the reserve that margins need there; where draws decide, `margin` is the smallest that
        is kept with the required probability
    """

    z: Array
    cost: float
    margin: float
    equipment: float
    shortfall: float
    evaluations: int
    backoff: Backoff | None = None


def descend(
    problem: Problem,
    family: Family,
    start: Array,
    iterations: int = 25,
    tolerance: float = 1e-4,
    slack: float = 0.0,
    rounds: int = 2,
    simulated: bool = False,
) -> Descent:
    """The fastest program of the basin that holds `start`, a point (D,) on the unit cube; `start` where none is better.

    Margins are asked to be `slack`, as the optimiser ends with constraints broken by a little. A start far outside the
    limits is first brought inside them; when that fails the descent ends there.

    Other pairs may be near where a descent ends than where it began, and draws may ask for more there: it goes on from
    its end, for at most `rounds` descents. What one fell short by in the draws the next is asked for besides. Draws are
    worked out by first derivatives, or `simulated` outright, which takes longer.
    """
    begun = assessed(problem, family, family.ordered(start), simulated=simulated)
    return descend_from(problem, family, begun, iterations, tolerance, slack, rounds, simulated)


def descend_from(
    problem: Problem,
    family: Family,
    begun: Descent,
    iterations: int = 25,
    tolerance: float = 1e-4,
    slack: float = 0.0,
    rounds: int = 2,
    simulated: bool = False,
) -> Descent:
    """The same from a point that is assessed already, by the same draws."""
    best = end = begun
    more = 0.0
    for _ in range(rounds):
        end = descend_once(problem, family, end, iterations, tolerance, slack + more, simulated)
        best = min(best, end, key=preference)
        if end.backoff is None:
            if not HOPELESS <= end.margin < -KEPT:
                break
        elif 0 <= end.margin < STEADY or end.margin < GIVEN_UP:
            break
        else:
            more = max(0.0, -OVERSHOOT * end.margin)
    return replace(best, evaluations=end.evaluations)


def descend_once(
    problem: Problem,
    family: Family,
    begun: Descent,
    iterations: int = 25,
    tolerance: float = 1e-4,
    slack: float = 0.0,
    simulated: bool = False,
) -> Descent:
    """Where a single descent ends, which may be worse than where it began.

    Where draws decide, every margin keeps as many standard deviations in reserve as the required probability takes;
    those are read off where it began.
    """
    held = problem if begun.backoff is None else problem.holding(begun.backoff)
    z, evaluations = descended(held, family, begun.z, iterations, tolerance, slack)
    return assessed(problem, family, z, begun.evaluations + evaluations, simulated)


def descend_by_draws(problem: Problem, family: Family, begun: Descent, simulated: bool = False) -> Descent:
    """The best that comes of a point whose draws allow it, or nearly, with the share of those that fail held.

    Reserves of `kappa` standard deviations ask as much of every pair, and ask what draws ask for where a descent began:
    in a thin valley it ends where these agree, not where the program is the shortest. Here a pair may be less sure
    where others are surer. Each round goes on from where the last one ended, as far as its draws proved to tell.
    """
    best = end = begun
    reach, more, evaluations = FIRST_REACH, 0.0, begun.evaluations
    for softness in SOFTNESSES:
        vain, reach = 0, max(reach, LEAST_REACH)
        while end.backoff is not None and vain < IN_VAIN and reach > STILL:
            drawn = Drawn(problem, family, end.z, end.backoff, softness, more)
            z = _shortest_by_draws(drawn, end.z, reach)
            evaluations += drawn.local.evaluations
            moved = float(np.abs(z - end.z).max())
            vain += 1
            if moved < STILL:
                reach *= STUCK
                continue
            end = assessed(problem, family, z, 1, simulated)
            more = min(max(0.0, -OVERSHOOT * end.margin), STEADY)
            if end.margin < -KEPT:
                reach = NEARER * min(reach, moved)
            if _gains(end, best):
                vain = 0
                reach *= FURTHER if end.margin >= -KEPT else 1.0
            best = min(best, end, key=preference)
            if end.margin < min(ASTRAY, best.margin):
                end = best
    return replace(best, evaluations=evaluations)


def _gains(new: Descent, old: Descent) -> bool:
    """Whether an end is so much better than another that it is worth going on."""
    if preference(new)[:2] != preference(old)[:2]:
        return preference(new) < preference(old)
    kept = new.margin >= -KEPT
    return new.cost < (1 - WORTHWHILE) * old.cost if kept else new.margin > old.margin + STEADY


def _shortest_by_draws(drawn: Drawn, z: Array, reach: float) -> Array:
    """The best point (D,) passed on the way to the shortest program, as `drawn` sees it."""
    local = drawn.local

    def margins() -> Array:
        return np.append(local.margins[drawn.kept], drawn.allowed - drawn.failing()[0])

    def slopes() -> Array:
        return np.vstack([local.slopes[drawn.kept], -drawn.failing()[1]])

    def key() -> tuple[float, ...]:
        missed = -float(margins().min())
        return (0.0, local.time) if missed <= MODEL_KEPT else (1.0, missed)

    local.remember(z, key)
    shortest(local, z, reach, margins, slopes, ITERATIONS_BY_DRAWS, TOLERANCE_BY_DRAWS)
    best: Array = np.clip(local.best[1], local.low, local.high)
    return best


def _held_at(problem: Problem, family: Family, z: Array) -> Backoff:
    """The reserve that margins need at a point."""
    batch = family.batch(family.values(z[None]))
    assessment = problem.assess(batch, "polish")
    return backoff(problem, assessment, drawn_margins(problem, batch, assessment))


def preference(end: Descent) -> tuple[bool, float, float]:
    """Sorting key of ends in one basin: those that keep everything by cost, then the others by how close they come.

    Of the others those within the equipment's limits come first.
    """
    kept = end.margin >= -KEPT
    broken = max(NEARLY - end.equipment, 0.0)
    return not kept, broken, end.cost if kept else -end.margin


def descended(
    problem: Problem,
    family: Family,
    start: Array,
    iterations: int,
    tolerance: float,
    slack: float,
) -> tuple[Array, int]:
    """The best point (D,) that a descent comes past, margins being as they are, and the programs simulated."""
    start = family.ordered(start)
    outside = OUTSIDE if problem.backoff is None else OUTSIDE_HELD
    local = _begun(problem, family, start, slack)
    for _ in range(CROSSINGS):
        if local.margins.min() >= outside:
            break
        end = crossed(
            start, local.low, local.high, local.margins, local.slopes, len(local.first), local.requirements
        )
        if end is None:
            break
        start = family.ordered(end)
        local = _begun(problem, family, start, slack, local.evaluations)
    z = start
    if local.margins.min() < outside:
        z = raise_margin(local, z, iterations)
        local.update(z)
        if local.margins.min() < HOPELESS:
            return z, local.evaluations

    def key() -> tuple[float, ...]:
        kept = local.margins.min() >= -KEPT
        return (0.0, local.time) if kept else (1.0, *local.misses(local.requirements))

    # The optimiser's tolerance is also how far an end may break a constraint.
    reserve = tolerance * local.requirements
    local.remember(z, key)
    for reach in REACHES:
        shortest(
            local, z, reach, lambda: local.margins - reserve, lambda: local.slopes, iterations, tolerance
        )
        if local.best[1] is not z:
            break
    return np.clip(local.best[1], local.low, local.high), local.evaluations


def shortest(
    local: Local,
    z: Array,
    reach: float,
    margins: Callable[[], Array],
    slopes: Callable[[], Array],
    iterations: int,
    tolerance: float,
) -> None:
    """Minimise ln(cost) from `z` (D,) with set points moved by `reach` at most and some margins (C,) of `local` kept.

    `local` remembers the best point that the optimiser comes past.
    """

    def at(z: Array, what: Callable[[], Array | float]) -> Array | float:
        local.update(z)
        return what()

    low, high = np.maximum(z - reach, local.low), np.minimum(z + reach, local.high)
    minimize(
        lambda z: at(z, lambda: local.time),
        z,
        jac=lambda z: at(z, lambda: local.time_slope),
        method="SLSQP",
        bounds=list(zip(low, high, strict=True)),
        constraints={"type": "ineq", "fun": lambda z: at(z, margins), "jac": lambda z: at(z, slopes)},
        options={"maxiter": iterations, "ftol": tolerance},
    )


def _begun(problem: Problem, family: Family, start: Array, slack: float, evaluations: int = 0) -> Local:
    local = Local(problem, family, start, slack)
    local.evaluations = evaluations
    local.update(start)
    return local


def fastest_margin(problem: Problem, family: Family, start: Array, cost: float) -> Array:
    """The point (D,) closest to what is required among those near `start` that cost no more than `cost` [s]."""
    start = family.ordered(start)
    if problem.by_draws:
        # The cost is that of a bare prediction.
        problem = problem.holding(replace(_held_at(problem, family, start), end=0.0))
    local = Local(problem, family, start)
    return raise_margin(local, start, 40, ln_cost=float(np.log(cost)))


def conceding(problem: Problem, family: Family, start: Array, given_up: Set[Requirement]) -> Descent:
    """The program near `start` that comes closest to some requirements while it keeps everything else.

    Parameters
    ----------
    start : (D,) array on the unit cube, a program that keeps everything else
    given_up : those requirements; RESOLUTION for that of all pairs
    """
    start = family.ordered(start)
    held = problem.holding(_held_at(problem, family, start)) if problem.by_draws else problem
    local = Local(held, family, start, CONCEDING_SLACK)
    z = raise_margin(local, start, 40, local.among(given_up))
    return assessed(problem, family, z, local.evaluations)


def raise_margin(
    local: Local,
    start: Array,
    iterations: int,
    raised: NDArray[np.bool_] | None = None,
    ln_cost: float = np.inf,
) -> Array:
    """Maximise a slack variable below the margins to be raised (K,), by default all required ones; the others are kept.

    A cost, if one is given, is kept too. The best point (D,) that the optimiser came past, the start among them.
    """
    size = start.size
    raised = local.requirements if raised is None else raised
    local.remember(start, lambda: local.misses(raised, ln_cost))
    traded = raised.astype(float)
    lowest = float(np.clip(local.margins[raised].min(initial=CAP), FURTHEST, CAP))

    def margins(x: Array) -> Array:
        local.update(x[:size])
        above: Array = local.margins - traded * x[size]
        return above if np.isinf(ln_cost) else np.append(above, ln_cost - local.time)

    def slopes(x: Array) -> Array:
        local.update(x[:size])
        above = np.concatenate([local.slopes, -traded[:, None]], axis=1)
        return above if np.isinf(ln_cost) else np.vstack([above, np.append(-local.time_slope, 0.0)])

    upwards = np.zeros(size + 1)
    upwards[size] = -1.0
    minimize(
        lambda x: -x[size],
        np.append(start, lowest),
        jac=lambda x: upwards,
        method="SLSQP",
        bounds=[*zip(local.low, local.high, strict=True), (2 * FURTHEST, CAP)],
        constraints={"type": "ineq", "fun": margins, "jac": slopes},
        options={"maxiter": iterations, "ftol": RAISING_TOLERANCE},
    )
    result: Array = np.clip(local.best[1], local.low, local.high)
    return result


def assessed(
    problem: Problem, family: Family, z: Array, evaluations: int = 1, simulated: bool = False
) -> Descent:
    """A point held against every pair and limit, whatever its elution order."""
    judged = judgement(problem, family.batch(family.values(z[None])), simulated)
    return Descent(
        z, judged.cost, judged.margin, judged.equipment, judged.shortfall, evaluations, judged.backoff
    )


@dataclass(frozen=True)
class Judgement:
    """A single program against the goal: the attributes of `Descent` that are not the search's."""

    cost: float
    margin: float
    equipment: float
    shortfall: float
    backoff: Backoff | None


def judgement(problem: Problem, batch: ProgramBatch, simulated: bool = False) -> Judgement:
    """A batch of one program held against every pair and limit, by draws, `simulated` or not, where these decide."""
    assessment = problem.assess(batch, "polish")
    margin, in_hand, judged = float(problem.smallest_margin(assessment)[0]), None, problem
    if problem.by_draws:
        drawn = drawn_margins(problem, batch, assessment)
        if simulated:  # the worse of both: a search that follows one comes to where that flatters
            drawn = min(drawn, simulated_margins(problem, batch, assessment), key=lambda each: each.margin[0])
        margin, in_hand = float(drawn.margin[0]), backoff(problem, assessment, drawn)
        judged = problem.holding(in_hand)
        cost = judged.cost(batch, assessment.run_time + in_hand.end)
        assessment = replace(judged.held(assessment), cost=cost)
    return Judgement(
        float(assessment.cost[0]),
        margin,
        float(judged.equipment_margin(assessment)[0]),
        float(judged.shortfall(assessment)[0]),
        in_hand,
    )
