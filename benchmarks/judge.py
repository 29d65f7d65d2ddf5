"""The judge of the search: a long differential evolution of its own, which shares the engine with it and nothing else.

Populations are judged as batches, feasibility first, then cost; where draws decide, they are made of those programs
alone that could win. Every restart ends in a polish: steps of a linearised problem at several radii and random moves,
judged together as they are. A family is where programs live (bounds, corners); no other part of the search is used.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linprog

from models.column.programs import Array, ProgramBatch
from models.effort import Accuracy
from optimizer.goal.drawn_margins import OVER, DrawnMargins, backoff, drawn_margins, programs_at_once
from optimizer.goal.goal import Assessment, Problem, end_of_peak
from optimizer.goal.limits import LATE
from optimizer.search.found import FEASIBLE
from optimizer.search.program_space import Family, families_of

FAILS = 1e3  # key of a program that is not feasible, plus how far off it is: behind any that is
MEMBERS = (48, 96, 192)  # of a population, one of these
SCREENED = 2048  # programs that a population is chosen from
PRICED = 0.75  # share of restarts with a price on what fails
PRICES = (-0.5, 1.0)  # decimal logarithms of it
PARENTS = 0.1  # share of a population that the others are drawn towards
MEMORY = 6  # places of the memory of successful steps
STALLED = 60  # generations without a gain of GAIN after which a population is given up
GAIN = 1e-4  # in the key
GENERATIONS = 600  # at most
POLISHED = 3  # members of a population that are polished, none within APART of another
APART = 0.05  # on the unit cube
STEP = 1e-5  # on the unit cube, for differences
RADII = (4.0, 1.0, 0.25)  # of the steps of a polish, times the reach of its random moves
RESERVES = (0.95, 1.0, 1.05)  # times the reserve that draws ask for, tried at each radius
ROUNDS, TRIED = 60, 8  # of a polish, at most, and before it is given up
HOPELESS = 0.02  # above the best key of the family
FINEST = 1e-4  # reach at which a polish ends
MET, SLOW = 1e-6, 1e-5  # gain of a round of polish that counts, and below which the reach shrinks
LAST = 1e-2  # share of MET and FINEST at which the best of all is polished once more


@dataclass(frozen=True)
class Judged:
    """N programs, (N,) each.

    Attributes
    ----------
    cost : [s]
    required, equipment : smallest margin of what is required, and of the equipment
    lack : how far off the goal it is: the sum of all margins below 0
    """

    cost: Array
    required: Array
    equipment: Array
    lack: Array

    @property
    def margin(self) -> Array:
        """The smaller of the two margins (N,)."""
        return np.minimum(self.required, self.equipment)


Key = Callable[[Judged], Array]  # the smaller the better


def by_cost(judged: Judged) -> Array:
    """Programs that meet the goal by ln cost, then the others by how far off it they are."""
    return np.where(judged.margin >= FEASIBLE, np.log(judged.cost), FAILS + judged.lack)


def by_resolution(judged: Judged) -> Array:
    """Programs that the equipment can run by the margin of what is required, then the others."""
    return np.where(judged.equipment >= FEASIBLE, -judged.required, FAILS - judged.equipment)


def by_price(price: float) -> Key:
    """Programs by ln cost and a price on how far off the goal they are: what is fast and nearly meets it counts."""
    return lambda judged: np.log(judged.cost) + price * judged.lack


def judged_programs(
    problem: Problem,
    batch: ProgramBatch,
    accuracy: Accuracy = "polish",
    could_win: Callable[[Judged], NDArray[np.bool_]] | None = None,
) -> Judged:
    """Programs against the goal as it is understood: nominally or, where draws decide, by them.

    Parameters
    ----------
    could_win : of what they are nominally, for which of them draws are made, by default for all; the others stay as
        they are nominally, which is at least as good
    """
    assessment = problem.assess(batch, accuracy)
    pairs = problem.resolution_margins(assessment)
    required = np.concatenate([assessment.limits[:, ~problem.equipment], pairs], axis=1).min(
        axis=1, initial=np.inf
    )
    lack = -np.minimum(pairs, 0.0).sum(axis=1) - np.minimum(assessment.limits, 0.0).sum(axis=1)
    nominal = Judged(assessment.cost, required, problem.equipment_margin(assessment), lack)
    if not problem.by_draws:
        return nominal
    rows = np.arange(batch.size) if could_win is None else np.flatnonzero(could_win(nominal))
    cost, required = nominal.cost.copy(), required.copy()
    for part in np.array_split(rows, max(1, -(-len(rows) // programs_at_once(problem)))):
        if part.size:
            drawn = drawn_margins(problem, batch[part], assessment[part])
            late = _end_in_draws(drawn) - assessment.run_time[part]
            end = assessment.run_time[part] + np.maximum(late, 0.0)
            cost[part] = problem.cost(batch[part], end)
            near = np.isfinite(drawn.assured)  # else no draw brings anything near a limit
            required[part] = np.where(near, drawn.assured, required[part])
    return Judged(cost, required, nominal.equipment, np.maximum(lack, -required))


def _end_in_draws(drawn: DrawnMargins) -> Array:
    """When the last peak (N,) [s] is over in all but a few of the draws."""
    t = drawn.peaks.retention
    ends = np.sort(np.where(t < LATE, end_of_peak(t, drawn.peaks.width), 0.0).max(axis=1), axis=1)
    at = OVER * (ends.shape[1] - 1)
    low = int(at)
    high = min(low + 1, ends.shape[1] - 1)
    return np.asarray(ends[:, low] + (at - low) * (ends[:, high] - ends[:, low]))


@dataclass(frozen=True)
class Member:
    """A program of a family: a point (D,) on the unit cube and its key."""

    family: Family
    z: Array
    key: float


class Judge:
    """Differential evolution over the families of a problem, restarted until its time is over."""

    def __init__(self, problem: Problem, key: Key = by_cost, seed: int = 1) -> None:
        self.problem, self.key = problem, key
        self.rng = np.random.default_rng(np.random.SeedSequence(entropy=seed, spawn_key=(13,)))
        families = families_of(problem.scenario)
        ramps = max(family.ramps for family in families)
        self.families = [family for family in families if family.ramps >= max(ramps - 1, min(ramps, 1))]
        self.best: dict[int, Member] = {}  # by number of the family
        self.programs = 0

    def leading(self) -> Member:
        """The best of all."""
        return min(self.best.values(), key=lambda member: member.key)

    def run(self, seconds: float, start: Member | None = None) -> Member:
        """The best found within a time of the processor [s], begun with a program if one is given."""
        began = time.process_time()
        if start is not None:
            for number, family in enumerate(self.families):
                if _kind(family) == _kind(start.family):
                    self._keep(number, self.polished(family, start.z))

        def left() -> bool:
            return time.process_time() - began < seconds

        turn = 0
        while left() or not self.best:
            number = turn % len(self.families) if turn < 2 * len(self.families) else self._drawn_family()
            near = turn >= 2 * len(self.families) and self.rng.random() < 0.3
            self._evolve(number, near, left)
            turn += 1
        leading = self.leading()
        return self.polished(leading.family, leading.z, precision=LAST)

    def _drawn_family(self) -> int:
        """A family to go on with: the better its best, the more likely."""
        order = sorted(self.best, key=lambda number: self.best[number].key)
        place = min(int(self.rng.geometric(0.5)) - 1, len(order) - 1)
        return order[place]

    def _keep(self, number: int, member: Member) -> None:
        if number not in self.best or member.key < self.best[number].key:
            self.best[number] = member

    def keys(
        self, key: Key, family: Family, z: Array, worst: Array | float = np.inf, fine: bool = False
    ) -> Array:
        """Keys (N,) of points (N, D); exact where they are below `worst`, else perhaps only a bound."""
        self.programs += len(z)
        judged = judged_programs(
            self.problem,
            family.batch(family.values(z)),
            "polish" if fine else "screen",
            lambda nominal: key(nominal) < worst,
        )
        return key(judged)

    def _population(self, number: int, near: bool, key: Key) -> tuple[Array, Array]:
        """Points (N, D) and their keys (N,): half the best of many, half any of them, and simpler programs' copies."""
        family, rng = self.families[number], self.rng
        size = int(rng.choice(MEMBERS))
        if near and number in self.best:
            spread = 10 ** rng.uniform(-2.0, -0.5, (size, 1))
            z = self.best[number].z + spread * rng.standard_normal((size, family.size))
            z[0] = self.best[number].z
            z = family.ordered(z)
            return z, self.keys(key, family, z)
        z = family.ordered(rng.random((SCREENED, family.size)))
        nominal = judged_programs(
            self.problem,
            family.batch(family.values(z)),
            "screen",
            lambda nominal: np.zeros(SCREENED, dtype=bool),
        )
        # Feasibility first would choose the slow alone.
        order = np.argsort((by_price(2.0) if key is by_cost else key)(nominal))
        chosen = np.concatenate([order[: size // 2], rng.choice(order[size // 2 :], size // 2, False)])
        z = z[chosen]
        copies = [
            self._embedded(self.best[other].family, self.best[other].z, family)
            for other in self.best
            if _holds(family, self.best[other].family) and rng.random() < 0.5
        ]
        if copies:
            z[-len(copies) :] = copies
        z = family.ordered(z)
        return z, self.keys(key, family, z)

    def _embedded(self, simple: Family, z: Array, family: Family) -> Array:
        """A program (d,) of a simpler family in a wider one: ramps cut in two, carrier ramps that lead nowhere."""
        values = list(simple.values(z))
        oven, carrier = values[: simple.carrier_at], values[simple.carrier_at :]
        for ramps in range(simple.ramps, family.ramps):
            cut = int(self.rng.integers(ramps))
            at = 2 + 3 * cut  # of the rate
            before = oven[0] if cut == 0 else oven[at - 2]
            between = before + self.rng.random() * (oven[at + 1] - before)
            oven[at:at] = [oven[at], between, 0.0]
        for _ in range(simple.carrier_ramps, family.carrier_ramps):
            free = family.values(self.rng.random(family.size))[family.carrier_at :]
            carrier += [free[1], free[2], carrier[-1]]
        return family.points(np.array([*oven, *carrier]))

    def _evolve(self, number: int, near: bool, left: Callable[[], bool]) -> None:
        """One population from its start until it stalls, then polished.

        Steps towards one of the best members with an archive of parents that were beaten, their size and the share of
        coordinates that change drawn around what succeeded before.
        """
        family, rng = self.families[number], self.rng
        key = self.key
        if key is by_cost and rng.random() < PRICED:
            key = by_price(float(10 ** rng.uniform(*PRICES)))
        z, keys = self._population(number, near, key)
        members, size = z.shape
        archive = z[:0]
        scales, shares, place = np.full(MEMORY, 0.5), np.full(MEMORY, 0.7), 0
        best, stalled = float(keys.min()), 0
        for _ in range(GENERATIONS):
            if not left() or stalled >= STALLED:
                break
            drawn = rng.integers(MEMORY, size=members)
            F = np.clip(scales[drawn] + 0.1 * rng.standard_cauchy(members), 0.05, 1.0)[:, None]
            CR = np.clip(shares[drawn] + 0.1 * rng.standard_normal(members), 0.0, 1.0)[:, None]
            leaders = np.argsort(keys)[: max(2, int(PARENTS * members))]
            towards = z[rng.choice(leaders, members)]
            one = z[rng.integers(members, size=members)]
            others = np.concatenate([z, archive])
            other = others[rng.integers(len(others), size=members)]
            trial = z + F * (towards - z) + F * (one - other)
            changed = rng.random((members, size)) < CR
            changed[np.arange(members), rng.integers(size, size=members)] = True
            trial = np.where(changed, trial, z)
            # What leaves the cube comes back half-way between the bound and where it came from.
            trial = np.where(trial < 0, z / 2, np.where(trial > 1, (1 + z) / 2, trial))
            trial = family.ordered(trial)
            found = self.keys(key, family, trial, keys)
            won = found < keys
            if won.any():
                gain = np.minimum(keys[won] - found[won], 1.0)
                weight = gain / gain.sum() if gain.sum() > 0 else np.full(gain.shape, 1 / gain.size)
                f = F[won, 0]
                scales[place] = float((weight * f**2).sum() / (weight * f).sum())
                shares[place] = float((weight * CR[won, 0]).sum())
                place = (place + 1) % MEMORY
                archive = np.concatenate([archive, z[won]])
                archive = archive[rng.permutation(len(archive))[:members]]
                z[won], keys[won] = trial[won], found[won]
            stalled = 0 if keys.min() < best - GAIN else stalled + 1
            best = min(best, float(keys.min()))
        self._polish(number, z, keys)

    def _polish(self, number: int, z: Array, keys: Array) -> None:
        """Polish some of the best points (N, D) by their keys (N,)."""
        family = self.families[number]
        taken: list[Array] = []
        for n in np.argsort(keys):
            if len(taken) == POLISHED:
                break
            if all(np.abs(z[n] - other).max() > APART for other in taken):
                taken.append(z[n])
                best = self.best[number].key if number in self.best else np.inf
                self._keep(number, self.polished(family, z[n], best + HOPELESS))

    def polished(self, family: Family, z: Array, hopeless: float = np.inf, precision: float = 1.0) -> Member:
        """Where steps and random moves from a point lead, all judged as they are.

        Given up where some rounds leave the key above `hopeless`.
        """
        rng, size = self.rng, family.size
        z = family.ordered(z)
        key, reach = float(self.keys(self.key, family, z[None], fine=True)[0]), 0.05
        for done in range(ROUNDS):
            if reach < precision * FINEST or (done == TRIED and key > hopeless):
                break
            moves = reach * rng.standard_normal((2 * size, size))
            moves *= rng.random(moves.shape) < rng.choice([0.2, 0.5, 1.0], (len(moves), 1))
            axes = np.concatenate([reach * np.eye(size), -reach * np.eye(size)])
            steps, radii = self._steps(family, z, [reach * times for times in RADII])
            trial = family.ordered(np.concatenate([z + moves, z + axes, steps]))
            radii = np.concatenate([np.full(len(moves) + len(axes), reach), radii])
            found = self.keys(self.key, family, trial, key, fine=True)
            at = int(np.argmin(found))
            if found[at] < key - precision * MET:
                slow = key - found[at] < SLOW
                z, key = trial[at], float(found[at])
                reach = min(float(radii[at]), 0.3) * (0.5 if slow else 1.0)
            else:
                reach /= 5
        return Member(family, z, key)

    def _steps(self, family: Family, z: Array, radii: Sequence[float]) -> tuple[Array, Array]:
        """Ends (n, D) of steps of the linearised problem within some radii, and those (n,), where it has a solution."""
        problem, size = self.problem, family.size
        sign = np.where(z + STEP > 1, -1.0, 1.0)
        batch = family.batch(family.values(np.concatenate([z[None], z + STEP * np.diag(sign)])))
        assessment = problem.assess(batch, "polish")
        self.programs += size + 1
        pairs, limits, pair_reserve, limit_reserve = self._margins(batch, assessment)
        costs = np.log(assessment.cost)
        pair_slopes, limit_slopes, cost_slope = (
            ((each[1:] - each[0]) / (STEP * sign).reshape(-1, *[1] * (each.ndim - 1))).T
            for each in (pairs, limits, costs)
        )
        # Free are the step and one slack that every margin may be short by, at a price; or that all rise by.
        raising = self.key is by_resolution
        traded = np.concatenate(
            [
                np.ones(len(pairs[0])),
                np.where(problem.equipment, 0.0, 1.0) if raising else np.ones(limits.shape[1]),
            ]
        )
        slopes = np.concatenate([pair_slopes, limit_slopes])
        ends, reached = [z], [radii[-1]]
        for radius in radii:
            for share in RESERVES if problem.by_draws else (1.0,):
                margins = np.concatenate([pairs[0] - share * pair_reserve, limits[0] - share * limit_reserve])
                objective = np.append(np.zeros(size) if raising else cost_slope, 1.0 if raising else 100.0)
                solved = linprog(
                    objective,
                    A_ub=-np.concatenate([slopes, traded[:, None]], axis=1),
                    b_ub=margins,
                    bounds=[
                        *zip(np.maximum(-radius, -z), np.minimum(radius, 1 - z), strict=True),
                        (None if raising else 0.0, None),
                    ],
                    method="highs",
                )
                if solved.x is not None:
                    ends.append(z + solved.x[:size])
                    reached.append(radius)
        return np.array(ends), np.array(reached)

    def _margins(self, batch: ProgramBatch, assessment: Assessment) -> tuple[Array, Array, Array, Array]:
        """Margins of near pairs (N, P) and limits (N, K) of a program and its neighbours, and its reserves."""
        problem = self.problem
        a, b = problem.pairs.index.T
        t = assessment.retention
        direction = np.where(t[:1, a] <= t[:1, b], 1.0, -1.0)
        # A pair that changes places among the neighbours is followed through nought.
        same = np.where((t[:, b] - t[:, a]) * direction >= 0, 1.0, -1.0)
        pairs = same * (problem.resolution_margins(assessment) + 1) - 1
        pair_reserve, limit_reserve = np.zeros(pairs.shape[1]), np.zeros(assessment.limits.shape[1])
        if problem.by_draws:
            only = np.array([0])
            drawn = drawn_margins(problem, batch[only], assessment[only])
            held = backoff(problem, assessment[only], drawn)
            pair_reserve, limit_reserve = held.kappa * held.pairs[a, b], held.kappa * held.limits
        near = pairs[0] - pair_reserve < 1.0
        return pairs[:, near], assessment.limits, pair_reserve[near], limit_reserve


def _kind(family: Family) -> tuple[int, str, int]:
    return family.ramps, family.controlled, family.carrier_ramps


def _holds(family: Family, simple: Family) -> bool:
    """Whether programs of a family can be written in another one as well."""
    same = family.controlled == simple.controlled
    return same and 0 < simple.ramps <= family.ramps and simple.carrier_ramps <= family.carrier_ramps


def reachable(problem: Problem, seconds: float, seed: int = 1) -> tuple[float, Member]:
    """The largest smallest resolution of any program, or that which it keeps in the draws asked for, and the program.

    Found in a time of the processor [s].
    """
    needed = 4.0  # of which margins are told apart up to three times as much
    asking = replace(problem, pairs=replace(problem.pairs, needed=np.full_like(problem.pairs.needed, needed)))
    member = Judge(asking, by_resolution, seed).run(seconds)
    return needed * (1 - member.key), member
