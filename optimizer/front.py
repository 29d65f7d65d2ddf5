"""The front between what is minimised and resolution: the fastest programs for shares of what every pair needs.

Neighbouring points share their basins more often than not, so each point is descended to from its neighbours' ends
as well as from those of the search.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from itertools import count, pairwise

import numpy as np

from optimizer.candidates import family_name
from optimizer.cycle import cycle_time
from optimizer.descent import HOPELESS, Descent, descend
from optimizer.found import FEASIBLE, Found, Hunt, Progress, rank
from optimizer.goal import Pairs, Problem
from optimizer.predict import predict
from optimizer.results import FrontPoint, Prediction
from optimizer.rounding import settable

LEAST_SHARE = 0.5  # of the needed resolutions: less is no separation anyone asks for
LARGEST_SHARE = 4.0  # a resolution of 6 where 1.5 is needed; nobody waits for more
FIRST_STRIDE, LONGEST_STRIDE, LAST_STRIDE = 0.1, 0.4, 0.012  # in ln(share), towards the end of the range
SIMPLER = 1.005  # cost over the best end's up to which a family with fewer set points is rounded before it
GOAL_TIME = 0.15  # share of the budget in which the goal's own point is rounded
RANGE_TIME = 0.35  # share of the budget in which the end of the range is looked for
WORTH = 1.25  # cost over the best one's beyond which a family's ends are no starts
STARTS = 2  # ends of each family that are starts
PERTURBATION = (-2.0, -0.7)  # decimal logarithms of the distances of further starts, on the unit cube
RETRIES = 4  # of those before a share is taken to be out of reach
KEPT = 3  # ends kept of each point, of different families
ROUNDED = 3  # and how many of the fastest are rounded, since rounding costs some families more than others
DESCENDING = 0.6  # share of a point's time that goes to descents, the rest to rounding
GAIN = 1e-3  # relative; cost below which a point is not rounded again
SAME = 1e-4  # relative; resolutions closer than this are one


@dataclass(frozen=True)
class _Point:
    """A rounded program: what it reaches is the smallest share of a needed resolution."""

    reached: float
    shown: FrontPoint


@dataclass
class _Walk:
    """What is known along the front, by share asked for; grows until the time is out."""

    problem: Problem
    starts: list[Found]
    deadline: float
    rng: np.random.Generator
    ends: dict[float, list[Found]] = field(default_factory=dict)
    points: dict[float, _Point] = field(default_factory=dict)
    closest: Found | None = None  # to a share that was out of reach: its margin says how much less is within

    @property
    def over(self) -> bool:
        return time.perf_counter() >= self.deadline

    def search(self, share: float, until: float, one_will_do: bool = False) -> list[Found]:
        """Descend to a share from its neighbours and from the search's ends; the feasible ends, best first."""
        problem = scaled(self.problem, share)
        # By family: the fastest end each, so that rounding has kinds of programs to choose from.
        best = {found.family.name: found for found in self.ends.get(share, [])}
        nearest: Found | None = None
        for start in self._all_starts(share, RETRIES if one_will_do else None):
            found = Found(start.family, _descended(problem, start))
            known = best.get(found.family.name)
            if found.feasible and (known is None or found.descent.cost < known.descent.cost):
                best[found.family.name] = found
            if (
                not best
                and one_will_do
                and (nearest is None or found.descent.margin > nearest.descent.margin)
            ):
                nearest = found
            if time.perf_counter() >= until or (best and one_will_do):
                break
        self.closest = None if best else nearest
        kept = simpler_first(sorted(best.values(), key=rank)[:KEPT])
        if kept:
            self.ends[share] = kept
        return kept

    def _all_starts(self, share: float, retries: int | None) -> Iterator[Found]:
        """Neighbours' ends, the search's, and then programs around the neighbours', without end or a few."""
        near = self._neighbours(share)
        yield from near
        if self.closest is not None:
            yield self.closest
        yield from (start for start in self.starts if not any(start is each for each in near))
        centres = near or self.starts
        for number in count() if retries is None else range(retries):
            found = centres[number % len(centres)]
            scale = 10 ** self.rng.uniform(*PERTURBATION)
            z = found.descent.z + scale * self.rng.standard_normal(found.family.size)
            yield replace(found, descent=replace(found.descent, z=z))

    def _neighbours(self, share: float) -> list[Found]:
        below = max((known for known in self.ends if known < share), default=None)
        above = min((known for known in self.ends if known > share), default=None)
        return [found for near in (below, above) if near is not None for found in self.ends[near]]

    def highest(self, until: float) -> float:
        """The largest share found within reach, by strides that double on success and halve on failure."""
        top, stride = 1.0, FIRST_STRIDE
        while stride > LAST_STRIDE and top < LARGEST_SHARE and time.perf_counter() < until:
            share = min(top * float(np.exp(stride)), LARGEST_SHARE)
            if self.search(share, until, True):
                top, stride = share, min(2 * stride, LONGEST_STRIDE)
                continue
            stride /= 2
            if self.closest is not None and (less := share * (1 + self.closest.descent.margin)) > top:
                stride = max(stride, float(np.log(less / top)) - LAST_STRIDE / 2)
        return top

    def settle(self, share: float, allotted: float) -> None:
        """Descend to a share and round what was found, within about `allotted` [s]."""
        began = time.perf_counter()
        before = self.ends.get(share, [])
        ends = self.search(share, began + DESCENDING * allotted)
        known = self.points.get(share)
        if known is not None and before and ends[0].descent.cost > (1 - GAIN) * before[0].descent.cost:
            return
        self.round(share, ends, began + allotted)

    def round(self, share: float, ends: list[Found], until: float) -> None:
        """Round ends of descents, the fastest first, and keep the best program for the share."""
        problem = scaled(self.problem, share)
        for found in ends[:ROUNDED]:
            rounded = settable(problem, found.family, found.descent.z, self.problem.scenario.search.seed)
            if rounded.margin >= FEASIBLE:
                prediction = predict(self.problem, rounded.program)
                cost = cost_of(self.problem, prediction)
                known = self.points.get(share)
                if known is None or cost < known.shown.cost:
                    reached = float((prediction.resolution / prediction.needed).min())
                    name = family_name(rounded.program)
                    self.points[share] = _Point(reached, FrontPoint(share, name, prediction, cost))
            if time.perf_counter() >= until:
                break

    def visit(self, shares: list[float], progress: Progress | None, done: float, end: float) -> None:
        """Settle shares one after another, each with its part of the time left to this stretch of the walk."""
        stretch = max(self.deadline - time.perf_counter(), 0.0) * (end - done) / (1.0 - done)
        finish = time.perf_counter() + stretch
        for number, share in enumerate(shares):
            left = finish - time.perf_counter()
            if left <= 0:
                break
            if progress:
                progress(
                    done + (end - done) * number / len(shares), f"front at {share:.2f} of the resolution"
                )
            self.settle(share, left / (len(shares) - number))


def front_of(
    problem: Problem, hunted: Hunt, points: int, seconds: float, progress: Progress | None = None
) -> tuple[FrontPoint, ...]:
    """Up to `points` programs, fastest first, each of which resolves better than the one before it.

    Empty when no pair counts or the search found nothing feasible. Ends after about `seconds`, or at Ctrl-C with
    what there is.
    """
    found = [each for each in hunted.all() if each.feasible]
    if points < 1 or not found or not len(problem.pairs.needed):
        return ()
    began = time.perf_counter()
    rng = np.random.default_rng(np.random.SeedSequence(problem.scenario.search.seed))
    walk = _Walk(problem, _starts(hunted), began + seconds, rng, {1.0: _of_different_families(found)})
    try:
        # The goal itself first, from the search's own ends: they are as polished as they will be.
        walk.round(1.0, [*walk.ends[1.0], *found[1:2]], began + GOAL_TIME * seconds)
        top = walk.highest(began + RANGE_TIME * seconds)
        shares = sorted(spread(top, points), key=lambda share: abs(np.log(share)))
        walk.visit(shares, progress, RANGE_TIME, 0.75)
        walk.visit(sorted(shares), progress, 0.75, 0.85)  # once more, now with neighbours on both sides
        for _ in range(points):
            gap = _widest_gap(undominated(list(walk.points.values())), set(walk.points))
            if walk.over or gap is None or len(undominated(list(walk.points.values()))) >= points:
                break
            walk.settle(gap, walk.deadline - time.perf_counter())
    except KeyboardInterrupt:
        pass
    return tuple(point.shown for point in undominated(list(walk.points.values())))


def _descended(problem: Problem, start: Found) -> Descent:
    """A descent; once more and finer where it ended a little outside, or its elution order changed under way."""
    descent = descend(problem, start.family, start.descent.z)
    if HOPELESS <= descent.margin < FEASIBLE:
        again = descend(problem, start.family, descent.z, 40, 1e-8)
        return again if again.margin > descent.margin else descent
    return descent


def scaled(problem: Problem, share: float) -> Problem:
    """The problem with every needed resolution multiplied."""
    return replace(problem, pairs=Pairs(problem.pairs.index, share * problem.pairs.needed))


def cost_of(problem: Problem, prediction: Prediction) -> float:
    """What is minimised, of a program as shown [s]."""
    if problem.scenario.goal.minimise == "cycle time":
        return cycle_time(problem.scenario, prediction.program, prediction.run_time)
    return prediction.run_time


def spread(top: float, points: int) -> list[float]:
    """Shares in geometric steps from the least one to `top`, the one nearest to the goal moved onto it."""
    shares = np.geomspace(LEAST_SHARE, max(top, 1.0), points)
    shares[np.argmin(np.abs(np.log(shares)))] = 1.0
    return [float(share) for share in shares]


def undominated(points: list[_Point]) -> list[_Point]:
    """Fastest first; only those that resolve better than everything as fast."""
    kept: list[_Point] = []
    for point in sorted(points, key=lambda each: (each.shown.cost, -each.reached)):
        if not kept or point.reached > (1 + SAME) * kept[-1].reached:
            kept.append(point)
    return kept


def _starts(hunted: Hunt) -> list[Found]:
    """Ends of the families worth it, the best of each family first; then those that less resolution may make so."""
    best = hunted.all()[0].descent.cost
    ranked: list[tuple[tuple[int, bool, float], Found]] = []
    for ends in hunted.best.values():
        worth = [each for each in ends if not each.feasible or each.descent.cost <= WORTH * best]
        near = [each for each in worth if each.feasible or each.descent.margin >= LEAST_SHARE - 1]
        ranked += [((place, *rank(each)), each) for place, each in enumerate(near[:STARTS])]
    return [each for _, each in sorted(ranked, key=lambda pair: pair[0])]


def _of_different_families(found: list[Found]) -> list[Found]:
    """The fastest of each family, a few at most."""
    best: dict[str, Found] = {}
    for each in found:
        best.setdefault(each.family.name, each)
    return simpler_first(list(best.values())[:KEPT])


def simpler_first(ends: list[Found]) -> list[Found]:
    """Feasible ends, best first, with simpler families ahead of others that are hardly faster."""
    if not ends:
        return []
    near = SIMPLER * ends[0].descent.cost

    def order(each: Found) -> tuple[bool, float]:
        slower = each.descent.cost > near
        return slower, each.descent.cost if slower else float(each.family.size)

    return sorted(ends, key=order)


def _widest_gap(front: list[_Point], tried: set[float]) -> float | None:
    """A share between the two neighbours that lie furthest apart in cost; None where all of those were tried."""
    gaps = []
    for one, other in pairwise(front):
        low, high = max(one.reached, one.shown.asked), other.shown.asked
        middle = float(np.sqrt(low * high))
        if high > low * (1 + GAIN) and middle not in tried:
            gaps.append((float(np.log(other.shown.cost / one.shown.cost)), middle))
    return max(gaps)[1] if gaps else None
