"""From a descent's end to set points the instrument accepts: a local search on the grid of its steps."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from models.column.programs import Array, Program, batch_of
from optimizer.base.clock import now
from optimizer.goal.cycle import with_bake_out
from optimizer.goal.drawn_margins import judged
from optimizer.goal.goal import Problem, nominal_problem
from optimizer.goal.predict import predict
from optimizer.goal.reliability import Reliability
from optimizer.goal.uncertainty import with_uncertainty
from optimizer.search.descent import assessed, descend, judgement
from optimizer.search.found import FEASIBLE, how_far
from optimizer.search.population import FAILING, NOMINAL
from optimizer.search.program_space import Family

CORNERS = 256  # of the grid cell that holds the descent's end
MOVES = 25  # at most
STRICTER = (1.02, 1.05)  # shares of the needed resolutions to go on from
ALMOST = -1e-3  # smallest margin of a descent's end that is worth it
TURNS = 4  # of asking for another share of draws that may fail
USED, AIM = 0.93, 0.97  # of the share that may fail: made use of well enough, and what is aimed for
KINDER = 1.5  # times that share, with which the grid is searched where first derivatives find nothing on it
MOST_FAILING = 0.6
LEADING = 12  # of the fastest on the grid, held against the clock's grid


@dataclass(frozen=True)
class Settable:
    """A program on the instrument's grid.

    Attributes
    ----------
    family : Family
    z : (D,) array on the unit cube, the end of the descent that was rounded
    values : (D,) array  [SI], as rounded
    program : Program, ended after its last peak or its bake-out
    margin : float, smallest of all margins as rounded
    equipment : float, smallest of those of the equipment's limits
    shortfall : float, how much is missed of what is required
    spare : float, what the pass probability in draws that no search has seen has above the required one
    reliability : Reliability or None, of those draws, if it was judged by them
    """

    family: Family
    z: Array
    values: Array
    program: Program
    margin: float
    equipment: float
    shortfall: float
    spare: float = 0.0
    reliability: Reliability | None = None

    @property
    def feasible(self) -> bool:
        """Whether every margin is kept, as probably as asked."""
        return self.margin >= FEASIBLE and self.spare >= 0

    @property
    def how_far(self) -> tuple[bool, float]:
        """Sorting key among programs that are not feasible."""
        return how_far(self.shortfall, self.equipment)


def settable(
    problem: Problem, family: Family, z: Array, seed: int, until: float = np.inf, sure: bool = False
) -> Settable:
    """The fastest program on the grid near a point (D,) of the unit cube that keeps every limit.

    When none near it does, the search goes on from where a little more resolution is asked for; and when that does not
    help either, the program that comes closest within the equipment's limits is the answer. After `until` [s], on the
    clock of searches, the grid is searched no further than it has been; with `sure`, unless nothing
    there keeps the limits yet.
    """
    if problem.by_draws:
        return _settable_by_draws(problem, family, z, seed, until, sure)
    best = _on_grid(problem, family, z, seed, until, sure)
    if best.feasible or assessed(problem, family, z).margin < ALMOST:
        return best
    for share in STRICTER:
        strict = replace(problem, pairs=replace(problem.pairs, needed=share * problem.pairs.needed))
        again = _on_grid(problem, family, descend(strict, family, z).z, seed, until, sure)
        if again.how_far < best.how_far:
            best = again
        if best.feasible:
            break
    return best


def _settable_by_draws(
    problem: Problem, family: Family, z: Array, seed: int, until: float, sure: bool
) -> Settable:
    """The same where draws decide: those that the grid is searched with, and then others that no search has seen.

    First derivatives may be too strict or too kind to a program, and what was chosen by some draws does better in them
    than in others: the share of them that may fail is asked for anew until that of the others is made use of.
    """
    found, allowed, share = [], 1 - problem.confidence, 1.0
    values = family.rounded(family.values(z))
    if np.allclose(values, family.values(z), rtol=1e-9, atol=0.0):  # a given program, which may do as it is
        found.append(_verified(problem, _ended(problem, family, z, values)))
    for _ in range(TURNS):
        asked = replace(problem.scenario.goal, confidence=1 - min(share * allowed, MOST_FAILING))
        strict = replace(problem, scenario=replace(problem.scenario, goal=asked))
        rounded = _on_grid(strict, family, z, seed, until, sure)
        if rounded.margin < FEASIBLE:
            if share >= KINDER:
                break
            share = KINDER
            continue
        found.append(_verified(problem, rounded))
        used = (allowed - found[-1].spare) / allowed
        if USED <= used <= 1 or (now() > until and any(each.feasible for each in found)):
            break
        share *= float(np.clip(AIM / max(used, 0.1), 0.5, 2.0))
    feasible = [each for each in found if each.feasible]
    if feasible:
        return min(feasible, key=lambda each: each.program.oven.duration)
    return max(found, key=lambda each: each.spare) if found else rounded


def _verified(problem: Problem, rounded: Settable) -> Settable:
    """With its nominal margin, and what its pass probability in draws that no search has seen has to spare."""
    _, reliability = with_uncertainty(problem, predict(problem, rounded.program), exact=True, sources=False)
    nominal = judgement(nominal_problem(problem), batch_of([rounded.program])).margin
    spare = reliability.share - problem.confidence
    return replace(rounded, margin=nominal, spare=spare, reliability=reliability)


def _on_grid(problem: Problem, family: Family, z: Array, seed: int, until: float, sure: bool) -> Settable:
    """`settable`, near the point alone."""
    values = family.values(z)
    grid = family.step
    counts = (values - family.offset) / grid
    low = np.floor(counts)
    share = counts - low
    rng, all_corners = np.random.default_rng(np.random.SeedSequence(seed)), 2**family.size
    some = all_corners > CORNERS
    numbers = rng.choice(all_corners, CORNERS, replace=False) if some else np.arange(all_corners)
    corners = ((numbers[:, None] >> np.arange(family.size)[::-1]) & 1).astype(float)
    if some:
        corners[0] = np.round(share)
    points = family.rounded((low + corners) * grid + family.offset)
    moves = _moves(family)
    best = _best(problem, family, points)
    for _ in range(MOVES):
        if now() >= until and (best.margin >= FEASIBLE or not sure):
            break
        trial = _best(problem, family, family.rounded(best.values + moves * grid))
        if not _better(trial, best):
            break
        best = trial
    return _ended(problem, family, z, best.values)


def _moves(family: Family) -> Array:
    """One or two set points moved by a step, and one by two or five."""
    unit = np.eye(family.size)
    single = [sign * far * row for row in unit for sign in (1, -1) for far in (1, 2, 5)]
    double = [
        s * unit[a] + r * unit[b]
        for a in range(family.size)
        for b in range(a + 1, family.size)
        for s in (1, -1)
        for r in (1, -1)
    ]
    return np.array(single + double)


@dataclass(frozen=True)
class _Scored:
    """A grid point (D,): cost [s] as cut on the clock's grid and uncut, smallest margin, and how far off it is."""

    values: Array
    settable_cost: float
    cost: float
    margin: float
    how_far: tuple[bool, float]


def _best(problem: Problem, family: Family, points: Array) -> _Scored:
    """The best of some grid points (K, D)."""
    batch = family.batch(points)
    assessment = problem.assess(batch, "polish")
    margin = problem.smallest_margin(assessment)
    shortfall = problem.shortfall(assessment)
    near = np.flatnonzero(margin >= NOMINAL)
    if problem.by_draws:
        shortfall += FAILING
    if problem.by_draws and near.size:
        found = judged(problem, batch[near], assessment[near])
        margin[near] = np.minimum(margin[near], found.margin)
        missed = np.maximum(-found.margin, 0.0)
        shortfall[near] += missed / (1 + missed) - FAILING
        run_time = assessment.run_time.copy()
        run_time[near] += found.later_end
        assessment = replace(assessment, run_time=run_time, cost=problem.cost(batch, run_time))
    feasible = np.flatnonzero(margin >= FEASIBLE)
    if not feasible.size:
        equipment = problem.equipment_margin(assessment)
        far = [how_far(float(s), float(e)) for s, e in zip(shortfall, equipment, strict=True)]
        at = min(range(len(far)), key=far.__getitem__)
        return _Scored(points[at], np.inf, float(assessment.cost[at]), float(margin[at]), far[at])
    # A program ends on a multiple of the clock's step: what that makes of the fastest decides among them.
    leading = feasible[np.argsort(assessment.cost[feasible], kind="stable")[:LEADING]]
    scored = []
    for at in leading:
        programs = _cut(problem, family, points[at], float(assessment.run_time[at]))
        ends = np.array([program.oven.duration for program in programs])
        cut = float(problem.cost(batch_of(programs), ends).min())
        cost = float(assessment.cost[at])
        scored.append(_Scored(points[at], cut, cost, float(margin[at]), (False, 0.0)))
    return min(scored, key=lambda each: (round(each.settable_cost, 6), each.cost))


def _cut(problem: Problem, family: Family, values: Array, end: float) -> list[Program]:
    """The programs that set values (D,) may become when they end at `end` [s] on the clock's and the oven's grid."""
    step = problem.scenario.instrument.steps.time
    programs = [family.program(values, end, step, eased) for eased in (False, True)]
    return programs[: 1 + (programs[1].oven.duration < programs[0].oven.duration)]


def _better(a: _Scored, b: _Scored) -> bool:
    if (a.margin >= FEASIBLE) != (b.margin >= FEASIBLE):
        return a.margin >= FEASIBLE
    if a.margin < FEASIBLE:
        return a.how_far < (b.how_far[0], b.how_far[1] - 1e-6)
    return (a.settable_cost, a.cost) < (b.settable_cost - 1e-6, b.cost) or (
        a.settable_cost < b.settable_cost + 1e-6 and a.cost < b.cost - 1e-6
    )


def _ended(problem: Problem, family: Family, z: Array, values: Array) -> Settable:
    """The program cut at its end, assessed again as it will be typed in."""
    held = problem
    if problem.by_draws:
        backoff = judgement(problem, family.batch(values[None])).backoff
        held = problem if backoff is None else problem.holding(backoff)
    full = held.assess(family.batch(values[None]), "polish")
    made = []
    for program in _cut(problem, family, values, float(full.run_time[0])):
        program = with_bake_out(problem.scenario, _long_enough(held, program))
        judged = judgement(problem, batch_of([program]))
        made.append(Settable(family, z, values, program, judged.margin, judged.equipment, judged.shortfall))
    return min(
        made, key=lambda each: (not each.feasible, each.program.oven.duration if each.feasible else 0.0)
    )


def _long_enough(held: Problem, program: Program) -> Program:
    """A program with its last hold such that the last peak is over before it ends."""
    step = held.scenario.instrument.steps.time
    late = float(held.assess(batch_of([program]), "polish").run_time[0]) - program.oven.duration
    if late <= 0:
        return program
    oven = program.oven
    more = float(np.ceil(late / step - 1e-6) * step)
    if not oven.ramps:
        return replace(program, oven=replace(oven, hold=oven.hold + more))
    last = replace(oven.ramps[-1], hold=oven.ramps[-1].hold + more)
    return replace(program, oven=replace(oven, ramps=(*oven.ramps[:-1], last)))
