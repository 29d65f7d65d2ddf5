"""From a descent's end to set points the instrument accepts: a local search on the grid of its steps."""

from __future__ import annotations

from collections.abc import Sequence, Set
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
OPENED, IDLE = 25, 6  # points whose neighbours are judged, at most, and in a row without anything better
FAR = (1, 2, 3, 5)  # steps by which one set point is moved
WIDE = (1, 2, 4, 8, 16, 32)  # steps by which two are moved where such moves lead no further
WIDER = 6  # times this is tried, at most
DRAWN = 32  # of the points tried, the most promising
AT_ONCE = 1024  # points simulated together
PRICES = (1.0, 4.0)  # in ln(cost), of a margin missed, in turn
STRICTER = (1.02, 1.05)  # shares of the needed resolutions to go on from
ALMOST = -1e-3  # smallest margin of a descent's end that is worth it
TURNS = 10  # of asking for another share of draws that may fail
LATE = 5  # the last of these, counted from 0, when time is over, although nothing holds yet
HALF_SURE = 3  # turns after which none is checked any more that seems to fall short
FEWER = 0.5  # may fail than before, at least, and inversely at most
UNSURE = 0.005  # of pass probability, by which a program may seem to fall short and is checked all the same
KINDER = 1.5  # times that share, with which the grid is searched where first derivatives find nothing on it
MOST_FAILING = 0.6


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

    def cost(self, problem: Problem) -> float:
        """What is minimised [s], of the program as it ends."""
        end = np.array([self.program.oven.duration])
        return float(problem.cost(batch_of([self.program]), end)[0])

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
    """The same where draws decide: others than the search followed, and then others again.

    What was chosen by some draws does better in them than in others, and first derivatives may be too strict or too
    kind to a program: by how much shows in the program checked last, and is asked for of the next.
    """
    found: list[Settable] = []
    values = family.rounded(family.values(z))
    if np.allclose(values, family.values(z), rtol=1e-9, atol=0.0):  # a given program, which may do as it is
        found.append(_verified(problem, _ended(problem, family, z, values)))
    others, asked, corrected = problem.by_other_draws, problem.confidence, 0.0
    grid, checked = _Grid(others, family, z, seed), set[bytes]()
    fastest = np.inf  # s, of those that hold
    for turn in range(TURNS):
        grid.search(asked, until, sure)
        point = grid.leading(checked)
        if point is None or (
            fastest < np.inf and (not grid.keeps(point) or grid.end(point) > fastest - 1e-6)
        ):
            break
        if not grid.keeps(point) and point.share < 1 - min(KINDER * (1 - asked), MOST_FAILING):
            break
        checked.add(point.key)
        made = _ended(others, family, z, point.values)
        share = _share(problem.afresh, made.program) + corrected
        if share >= problem.confidence - UNSURE or not grid.keeps(point):
            found.append(_verified(problem, made))
            if found[-1].feasible:
                fastest = min(fastest, grid.end(point))
            known = found[-1].reliability
            assert known is not None
            assert known.by_derivatives is not None
            share, corrected = known.share, known.share - known.by_derivatives
        failing = 1 - problem.confidence - point.share + share + UNSURE * (1 - turn / HALF_SURE)
        asked = 1 - float(np.clip(failing, FEWER * (1 - asked), min((1 - asked) / FEWER, MOST_FAILING)))
        if now() > until and (turn >= LATE or any(each.feasible for each in found)):
            break
    feasible = [each for each in found if each.feasible]
    if feasible:
        return min(feasible, key=lambda each: each.program.oven.duration)
    return max(found, key=lambda each: each.spare) if found else _ended(others, family, z, grid.best.values)


def _share(problem: Problem, program: Program) -> float:
    """Pass probability by first derivatives."""
    batch = batch_of([program])
    return float(judged(problem, batch, problem.assess(batch, "polish")).pass_probability[0])


def _verified(problem: Problem, rounded: Settable) -> Settable:
    """With its nominal margin, and what its pass probability in draws that no search has seen has to spare."""
    _, reliability = with_uncertainty(problem, predict(problem, rounded.program), exact=True, sources=False)
    nominal = judgement(nominal_problem(problem), batch_of([rounded.program])).margin
    spare = reliability.share - problem.confidence
    return replace(rounded, margin=nominal, spare=spare, reliability=reliability)


def _on_grid(problem: Problem, family: Family, z: Array, seed: int, until: float, sure: bool) -> Settable:
    """`settable`, near the point alone."""
    grid = _Grid(problem, family, z, seed)
    grid.search(problem.confidence, until, sure)
    return _ended(problem, family, z, grid.best.values)


def _moves(size: int, far: Sequence[int], both: Sequence[int]) -> Array:
    """One of `size` set points moved by `far` steps either way, and two by `both`."""
    unit = np.eye(size)
    single = [step * row for row in unit for step in _either_way(far)]
    first, second = np.triu_indices(size, 1)
    double = [s * unit[first] + r * unit[second] for s in _either_way(both) for r in _either_way(both)]
    return np.concatenate([single, *double])


def _either_way(steps: Sequence[int]) -> list[int]:
    return [sign * step for step in steps for sign in (1, -1)]


@dataclass(frozen=True)
class _Point:
    """A grid point (D,) as judged.

    Attributes
    ----------
    values : (D,) array  [SI]
    end, cost : float  [s], when its last peak is over, and what is minimised, before it is cut on the clock's grid
    margin : float, smallest of all nominal ones
    equipment : float, smallest of the equipment's
    shortfall : float, how much is missed of what is required
    lack : float, by how much the smallest margin falls short, in draws where these decide
    share : float, pass probability where draws decide
    """

    values: Array
    end: float
    cost: float
    margin: float
    equipment: float
    shortfall: float
    lack: float
    share: float = 1.0

    @property
    def key(self) -> bytes:
        """What tells grid points apart."""
        return self.values.tobytes()


class _Grid:
    """Points of a family's grid around `z` (D,), judged together, from the best and the most promising on."""

    def __init__(self, problem: Problem, family: Family, z: Array, seed: int) -> None:
        self.problem, self.family, self.asked = problem, family, problem.confidence
        self.points: dict[bytes, _Point] = {}
        self.ends: dict[bytes, float] = {}
        self.moves = _moves(family.size, FAR, (1,)) * family.step
        self.wide_moves = _moves(family.size, WIDE, WIDE) * family.step
        self.seed = seed
        self.begin(z)

    def begin(self, z: Array) -> None:
        """Judge the corners of the cell that holds a point (D,) of the unit cube; of very many, some."""
        family = self.family
        values = family.values(z)
        self.held = self.reserve(values)
        low = np.floor((values - family.offset) / family.step)
        share = (values - family.offset) / family.step - low
        rng, all_corners = np.random.default_rng(np.random.SeedSequence(self.seed)), 2**family.size
        some = all_corners > CORNERS
        numbers = rng.choice(all_corners, CORNERS, replace=False) if some else np.arange(all_corners)
        corners = ((numbers[:, None] >> np.arange(family.size)[::-1]) & 1).astype(float)
        if some:
            corners[0] = np.round(share)
        self.judge(family.rounded((low + corners) * family.step + family.offset))

    def reserve(self, values: Array) -> Problem | None:
        """The problem with the reserve that draws ask for at a point (D,), which tells the promising ones about it."""
        backoff = judgement(self.problem, self.family.batch(values[None])).backoff
        return None if backoff is None else self.problem.holding(backoff)

    def judge(self, values: Array) -> None:
        """Add grid points (K, D), but for those known, those that cannot win and unpromising ones of many."""
        values = np.unique(values, axis=0)
        values = values[[row.tobytes() not in self.points for row in values]]
        if not len(values):
            return
        problem, batch = self.problem, self.family.batch(values)
        assessment = problem.assess(batch, "polish")
        worst = self.end(self.best) if self.points and self.keeps(self.best) else np.inf
        rows = np.flatnonzero(assessment.cost < worst)
        if self.held is not None and len(rows) > DRAWN:
            margin = self.held.smallest_margin(self.held.held(assessment[rows]))
            promise = np.log(assessment.cost[rows]) + PRICES[0] * np.maximum(-margin, 0.0)
            rows = rows[np.argsort(promise, kind="stable")[:DRAWN]]
        values, batch, assessment = values[rows], batch[rows], assessment[rows]
        margin, equipment = problem.smallest_margin(assessment), problem.equipment_margin(assessment)
        shortfall, lack, end = (
            problem.shortfall(assessment),
            np.maximum(-margin, 0.0),
            assessment.run_time.copy(),
        )
        share = np.ones(len(rows))
        if problem.by_draws:
            near = np.flatnonzero(margin >= NOMINAL)
            lack, share = lack + FAILING, np.zeros(len(rows))
            if near.size:
                found = judged(problem, batch[near], assessment[near])
                lack[near], share[near] = np.maximum(-found.margin, 0.0), found.pass_probability
                end[near] += found.later_end
        cost = problem.cost(batch, end)
        for each in zip(values, end, cost, margin, equipment, shortfall, lack, share, strict=True):
            point = _Point(each[0], *map(float, each[1:]))
            self.points[point.key] = point

    def keeps(self, point: _Point) -> bool:
        """Whether a point keeps every limit, as probably as is asked at the moment."""
        return point.margin >= FEASIBLE and point.share >= self.asked

    def end(self, point: _Point) -> float:
        """What is minimised [s], the program being cut on the clock's grid."""
        if point.key not in self.ends:
            programs = _cut(self.problem, self.family, point.values, point.end)
            cuts = np.array([program.oven.duration for program in programs])
            self.ends[point.key] = float(self.problem.cost(batch_of(programs), cuts).min())
        return self.ends[point.key]

    @property
    def best(self) -> _Point:
        """The fastest that keeps everything, else the closest."""
        best = self.leading(set())
        assert best is not None
        return best

    def leading(self, but: Set[bytes]) -> _Point | None:
        """The same but for some."""
        points = [each for key, each in self.points.items() if key not in but]
        kept = sorted((each for each in points if self.keeps(each)), key=lambda each: each.cost)
        if not kept:
            return min(points, key=self.how_far, default=None)
        best = kept[0]
        for each in kept[1:]:
            if each.cost >= self.end(best) - 1e-6:
                break
            if self.end(each) < self.end(best) - 1e-6:
                best = each
        return best

    def how_far(self, point: _Point) -> tuple[bool, float]:
        """Sorting key of points that do not keep everything."""
        return how_far(point.shortfall + self.missed(point), point.equipment)

    def missed(self, point: _Point) -> float:
        """How much is missed in draws, where these decide."""
        if not self.problem.by_draws:
            return 0.0
        return point.lack / (1 + point.lack) + max(self.asked - point.share, 0.0)

    def promise(self, point: _Point, price: float) -> float:
        """A price on what is missed makes points promising that are fast and nearly keep everything."""
        short = max(self.asked - point.share, 0.0) if self.problem.by_draws else 0.0
        return float(np.log(point.cost)) + price * (point.lack + short)

    def search(self, asked: float, until: float, sure: bool) -> None:
        """Go downhill, and on from what wide moves find, until these give nothing better any more."""
        self.downhill(asked, until, sure)
        for _ in range(WIDER):
            best = self.best
            if now() >= until:
                break
            self.leap(best)
            if not self.better(self.best, best):
                break
            self.downhill(asked, until, sure)

    def leap(self, best: _Point) -> None:
        """Judge the fastest that seem to keep everything, and the most promising, of all wide moves from the best.

        A set point in large steps (a flow, a rate) is often paid for by another in many small ones.
        """
        problem = self.held or self.problem
        values = np.unique(self.family.rounded(best.values + self.wide_moves), axis=0)
        cost, margin = np.empty(len(values)), np.empty(len(values))
        for first in range(0, len(values), AT_ONCE):
            part = slice(first, first + AT_ONCE)
            assessment = problem.assess(self.family.batch(values[part]), "polish")
            cost[part], margin[part] = assessment.cost, problem.smallest_margin(assessment)
        kept = np.where(margin >= FEASIBLE, cost, np.inf)
        promise = np.log(cost) + PRICES[0] * np.maximum(-margin, 0.0)
        rows = [np.argsort(key, kind="stable")[: DRAWN // 2] for key in (kept, promise)]
        self.judge(values[np.concatenate(rows)])

    def downhill(self, asked: float, until: float, sure: bool) -> None:
        """Go on from the best and the most promising points, in turn, until that gives nothing better any more."""
        self.asked, opened, idle = asked, set[bytes](), 0
        self.held = self.reserve(self.best.values)
        for turn in range(OPENED):
            best = self.best
            if idle >= IDLE or (until < np.inf and now() >= until and (self.keeps(best) or not sure)):
                break
            if turn % 2:
                rest = [each for key, each in self.points.items() if key not in opened]
                price = PRICES[turn // 2 % len(PRICES)]
                point = min(rest, key=lambda each: self.promise(each, price), default=None)
            else:
                point = self.leading(opened)
            if point is None:
                break
            opened.add(point.key)
            self.judge(self.family.rounded(point.values + self.moves))
            idle = 0 if self.better(self.best, best) else idle + 1

    def better(self, a: _Point, b: _Point) -> bool:
        """Whether a point is better than another by more than rounding of numbers."""
        if self.keeps(a) and self.keeps(b):
            return (self.end(a), a.cost) < (self.end(b) - 1e-6, b.cost) or (
                self.end(a) < self.end(b) + 1e-6 and a.cost < b.cost - 1e-6
            )
        far = self.how_far(b)
        return self.keeps(a) or (not self.keeps(b) and self.how_far(a) < (far[0], far[1] - 1e-6))


def _cut(problem: Problem, family: Family, values: Array, end: float) -> list[Program]:
    """The programs that set values (D,) may become when they end at `end` [s] on the clock's and the oven's grid."""
    step = problem.scenario.instrument.steps.time
    programs = [family.program(values, end, step, eased) for eased in (False, True)]
    return programs[: 1 + (programs[1].oven.duration < programs[0].oven.duration)]


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
