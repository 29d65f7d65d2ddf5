"""The front between what is minimised and resolution: the fastest programs for shares of what every pair needs.

First the best separation that can be had is looked for, then programs for shares up to it. Neighbouring
points share their basins more often than not, so each point is descended to from its neighbours' ends as well as from
those of the search. More points are made than asked for, and those shown that lie most evenly (`front_choice`).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from itertools import count, zip_longest

import numpy as np

from optimizer.base.clock import Progress, now, round_done
from optimizer.goal.goal import Problem
from optimizer.goal.outcome import FrontPoint, Prediction
from optimizer.goal.predict import predict
from optimizer.search.candidates import family_name
from optimizer.search.descent import HOPELESS, Descent, assessed, descend
from optimizer.search.found import FEASIBLE, Found, Searched, rank
from optimizer.search.front.front_choice import (
    LARGEST_SHARE,
    LEAST_SHARE,
    Point,
    Reached,
    climb,
    cost_of,
    farthest_first,
    furthest,
    scaled,
    spread,
    thinned,
    undominated,
    widest_gap,
)
from optimizer.search.rounding import ALMOST, settable

NEARLY_ALL = 0.985  # of the best share is asked for: the last per cent costs time and is lost in rounding
LESS = 0.95  # of a share that rounding does not keep is asked for instead
SIMPLER = 1.005  # cost over the best end's up to which a family with fewer set points is rounded before it
GOAL_TIME = 0.1  # share of the budget in which the goal's own point is rounded, unless it is known
REACH_TIME = 0.3  # share of the budget at which the search for the best separation ends
FIRST_TIME, AGAIN_TIME = 0.65, 0.8  # and the first and the second walk along the front
WORTH = 1.25  # cost over the best one's beyond which a family's ends are no starts
STARTS = 2  # ends of each family that are starts
PERTURBATION = (-2.0, -0.7)  # decimal logarithms of the distances of further starts, on the unit cube
LEAST_DESCENTS = 2  # to a share, however short the time: one from below, one from above
KEPT = 3  # ends kept of each point, of different families
ROUNDED = 3  # and how many of the fastest are rounded, since rounding costs some families more than others
CLOSE = 1.05  # cost over the fastest one's beyond which rounding cannot make an end the fastest
DESCENDING = 0.6  # share of a point's time that goes to descents, the rest to rounding
OUTSIDE = (
    -0.2
)  # smallest margin at a descent's end from which it is worth going on in the order as it is there
SLACK = 1e-3  # reserve of margins in the last try to end inside
FINER = (40, 1e-8)  # iterations and tolerance of a descent that did not come out well
GAIN = 1e-3  # relative; cost below which a point is not rounded again
FURTHER = 2  # of the largest shares, whose ends are where the best separation is looked for again
MORE = 2  # times as many points as asked for are made, if there is time


@dataclass(frozen=True)
class Front:
    """Points, fastest first, each better resolved than the one before it.

    Attributes
    ----------
    points : programs
    note : how far they reach, and why there are fewer than asked for; empty where no front was asked for
    """

    points: tuple[FrontPoint, ...] = ()
    note: str = ""


@dataclass
class _Walk:
    """What is known along the front, by share asked for; grows until the time is out."""

    problem: Problem
    starts: list[Found]
    deadline: float
    rng: np.random.Generator
    ends: dict[float, list[Found]] = field(default_factory=dict)
    points: dict[float, Point] = field(default_factory=dict)
    reached: list[Reached] = field(default_factory=list)  # best separated programs, best first

    @property
    def over(self) -> bool:
        return now() >= self.deadline

    @property
    def best_share(self) -> float:
        """The largest share that anything found reaches."""
        return max([*(each.share for each in self.reached[:1]), *self.ends, 1.0])

    @property
    def top(self) -> float:
        """The largest share to ask for."""
        best = self.best_share
        return LARGEST_SHARE if best >= LARGEST_SHARE else max(NEARLY_ALL * best, 1.0)

    @property
    def front(self) -> list[Point]:
        return undominated(self.points.values())

    def search(self, share: float, until: float) -> list[Found]:
        """Descend to a share from its neighbours and from the search's ends; the feasible ends, best first."""
        problem = scaled(self.problem, share)
        # By family: the fastest end each, so that rounding has kinds of programs to choose from.
        best = {found.family.name: found for found in self.ends.get(share, [])}
        for each in self.reached:
            # Slow, but it separates well enough: something is known even where every descent fails.
            again = replace(each.found, descent=assessed(problem, each.found.family, each.found.descent.z))
            if again.descent.margin >= ALMOST:
                best.setdefault(again.family.name, again)
        for number, start in enumerate(self._all_starts(share), 1):
            found = Found(start.family, _descended(problem, start))
            known = best.get(found.family.name)
            # One that is outside by very little still counts: rounding brings it back inside.
            if found.descent.margin >= ALMOST and (known is None or rank(found) < rank(known)):
                best[found.family.name] = found
            if number >= LEAST_DESCENTS and now() >= until:
                break
        fastest = min((found.descent.cost for found in best.values()), default=0.0)
        worth = [found for found in best.values() if found.descent.cost <= WORTH * fastest]
        kept = simpler_first(sorted(worth, key=rank)[:KEPT])
        if kept:
            self.ends[share] = kept
        return kept

    def _all_starts(self, share: float) -> Iterator[Found]:
        """Neighbours' ends, the search's, and then programs around the neighbours', without end."""
        near = self._neighbours(share)
        yield from near
        yield from (each.found for each in self.reached if each.share >= share)
        yield from (start for start in self.starts if not any(start is each for each in near))
        centres = near or self.starts
        for number in count():
            found = centres[number % len(centres)]
            scale = 10 ** self.rng.uniform(*PERTURBATION)
            z = found.descent.z + scale * self.rng.standard_normal(found.family.size)
            yield replace(found, descent=replace(found.descent, z=z))

    def _neighbours(self, share: float) -> list[Found]:
        """Ends of the shares below and above, in turn."""
        below = max((known for known in self.ends if known < share), default=None)
        above = min((known for known in self.ends if known > share), default=None)
        near = [self.ends[known] for known in (below, above) if known is not None]
        if above is None:
            near.append([each.found for each in self.reached if each.share >= share])
        return [found for row in zip_longest(*near) for found in row if found is not None]

    def settle(self, share: float, allotted: float) -> None:
        """Descend to a share and round what was found, within about `allotted` [s]."""
        began = now()
        before = self.ends.get(share, [])
        ends = self.search(share, began + DESCENDING * allotted)
        known = self.points.get(share)
        if known is not None and before and ends[0].descent.cost > (1 - GAIN) * before[0].descent.cost:
            return
        self.round(share, ends, began + allotted)

    def round(self, share: float, ends: list[Found], until: float) -> None:
        """Round ends of descents, the fastest first, and keep the best program for the share."""
        problem = scaled(self.problem, share)
        fastest = min((found.descent.cost for found in ends), default=0.0)
        for found in [each for each in ends if each.descent.cost <= CLOSE * fastest][:ROUNDED]:
            rounded = self._rounded(problem, share, found)
            if rounded is not None and now() < until:
                # Steps on the grid got out of a basin: downhill from there, and once more onto the grid.
                self.ends[share] = [rounded, *(each for each in self.ends[share] if each is not found)]
                self._rounded(problem, share, rounded)
            if now() >= until:
                break
        if share not in self.points and share > 1 and ends:
            # Near the best separation the grid may have no program that reaches the share: a little less will do.
            less = max(LESS * share, 1.0)
            self.ends.setdefault(less, ends[:1])
            if less > 1:
                self._rounded(scaled(self.problem, less), less, ends[0])

    def _rounded(self, problem: Problem, share: float, found: Found) -> Found | None:
        """Keep an end as rounded; where that is the faster one, the end of a descent from it."""
        family = found.family
        rounded = settable(problem, family, found.descent.z, self.problem.scenario.search.seed)
        round_done()
        if rounded.margin < FEASIBLE:
            return None
        prediction = predict(self.problem, rounded.program)
        self.keep(share, prediction)
        if cost_of(self.problem, prediction) > found.descent.cost:
            return None
        here = replace(found, descent=assessed(problem, family, family.points(rounded.values)))
        further = replace(found, descent=_descended(problem, here))
        return min(
            (each for each in (here, further) if each.descent.cost < found.descent.cost),
            key=rank,
            default=None,
        )

    def keep(self, share: float, prediction: Prediction) -> None:
        """A program that reaches a share, if it is the fastest so far."""
        cost = cost_of(self.problem, prediction)
        known = self.points.get(share)
        if known is None or cost < known.shown.cost:
            reached = float((prediction.resolution / prediction.needed).min())
            shown = FrontPoint(share, family_name(prediction.program), prediction, cost)
            self.points[share] = Point(reached, shown)

    def visit(self, shares: list[float], progress: Progress | None, done: float, end: float) -> None:
        """Settle shares one after another, each with its part of the time left to this stretch of the walk."""
        stretch = max(self.deadline - now(), 0.0) * (end - done) / (1.0 - done)
        finish = now() + stretch
        for number, share in enumerate(shares):
            left = finish - now()
            if left <= 0:
                break
            if progress:
                progress(
                    done + (end - done) * number / len(shares), f"front at {share:.2f} of the resolution"
                )
            self.settle(share, left / (len(shares) - number))

    def climb_further(self) -> None:
        """Look for better separation from where the walk came to; descents cross from basin to basin."""
        for share in sorted(self.ends)[-FURTHER:]:
            for found in self.ends[share]:
                reached = climb(self.problem, found.family, found.descent.z)
                if reached is not None:
                    self.reached.append(reached)
        self.reached.sort(key=lambda each: -each.share)

    def fill(self, points: int) -> None:
        """Settle shares in the widest gaps, until there are enough points or the time is out."""
        for _ in range(MORE * points):
            gap = widest_gap(self.front, set(self.points) | set(self.ends), self.top)
            if self.over or gap is None or len(self.front) >= MORE * points:
                break
            left = self.deadline - now()
            lacking = points - len(self.front)
            self.settle(gap, left / (lacking if lacking > 0 else points))


def front_of(
    problem: Problem,
    searched: Searched,
    points: int,
    seconds: float,
    progress: Progress | None = None,
    known: Sequence[Prediction] = (),
) -> Front:
    """Up to `points` programs, fastest first, each of which resolves better than the one before it.

    No points when no pair counts or the search found nothing feasible. Ends after about `seconds`, or at Ctrl-C with
    what there is. `known` are settable programs that meet the goal, best first: the first is what the front shows
    for it unless it finds a faster one.
    """
    found = [each for each in searched.all() if each.feasible]
    if points < 1:
        return Front()
    if not found or not len(problem.pairs.needed):
        why = (
            "nothing was found that meets the goal"
            if len(problem.pairs.needed)
            else "no pair needs a resolution"
        )
        return Front(note=f"No front: {why}.")
    began = now()
    rng = np.random.default_rng(np.random.SeedSequence(problem.scenario.search.seed))
    walk = _Walk(problem, _starts(searched), began + seconds, rng, {1.0: _of_different_families(found)})
    interrupted = False
    try:
        for prediction in known:
            walk.keep(1.0, prediction)
        if not known:
            # The goal itself first, from the search's own ends: they are as polished as they will be.
            walk.round(1.0, [*walk.ends[1.0], *found[1:2]], began + GOAL_TIME * seconds)
        if progress:
            progress(GOAL_TIME, "front: looking for the best separation")
        ends = [each for one in searched.best.values() for each in one[:1]]
        walk.reached = furthest(problem, ends, began + REACH_TIME * seconds, rng)
        shares = spread(walk.top, points)
        walk.visit(
            [share for share in farthest_first(shares) if share != 1.0], progress, REACH_TIME, FIRST_TIME
        )
        walk.climb_further()
        # Once more, now with neighbours on both sides.
        walk.visit(shares, progress, FIRST_TIME, AGAIN_TIME)
        walk.fill(points)
    except KeyboardInterrupt:
        interrupted = True
    shown = thinned(walk.front, points)
    return Front(tuple(point.shown for point in shown), _note(walk, shown, points, interrupted))


def _note(walk: _Walk, shown: list[Point], points: int, interrupted: bool) -> str:
    """How far the points reach, and why there are fewer than asked for."""
    if not shown:
        return "No program for the front was found in its time; a longer search may find some."
    last, best = shown[-1].shown.asked, walk.best_share
    reach = f"The points reach {last:.2f} times the resolution that the goal asks for; "
    if best >= LARGEST_SHARE:
        reach += f"more can be had, but the front ends at {LARGEST_SHARE:g} times."
    else:
        reach += f"nothing was found that reaches more than {best:.2f} times."
    if len(shown) >= points:
        return reach
    why = "no further program that the instrument can be set to is slower and resolves better"
    if interrupted:
        why = "the search was interrupted"
    elif walk.over:
        why = "the time for the front ran out; a longer search gives more"
    return f"{reach} {len(shown)} of {points} points: {why}."


def _descended(problem: Problem, start: Found) -> Descent:
    """A descent; once more where another elution order left it outside, and never worse than a start within."""
    family, z = start.family, start.descent.z
    descent = descend(problem, family, z)
    round_done()
    if OUTSIDE <= descent.margin < FEASIBLE:
        again = descend(problem, family, descent.z, *(FINER if descent.margin >= HOPELESS else ()))
        descent = again if again.margin > descent.margin else descent
    if OUTSIDE <= descent.margin < FEASIBLE:
        again = descend(problem, family, descent.z, *FINER, SLACK)
        descent = again if again.margin > descent.margin else descent
    if descent.margin < ALMOST or descent.cost >= start.descent.cost:
        here = assessed(problem, family, z)
        if here.margin >= ALMOST and (descent.margin < ALMOST or here.cost <= descent.cost):
            return here
    return descent


def _starts(searched: Searched) -> list[Found]:
    """Ends of the families worth it, the best of each family first; then those that less resolution may make so."""
    best = searched.all()[0].descent.cost
    ranked: list[tuple[tuple[int, bool, bool, float], Found]] = []
    for ends in searched.best.values():
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
