"""Which points make a front: how far it reaches, shares to ask for, gaps worth filling, and the few that are shown.

The best separation that the equipment can give lies far from the fastest program and often in another elution order,
so that the climb to it sets out from screened programs as well as from the search's ends.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from models.column.programs import Array
from optimizer.base.clock import now, round_done
from optimizer.goal.cycle import cycle_time
from optimizer.goal.goal import NEARLY, Pairs, Problem
from optimizer.goal.limits import RESOLUTION
from optimizer.goal.outcome import FrontPoint, Prediction
from optimizer.search.descent import assessed, conceding
from optimizer.search.found import Found
from optimizer.search.program_space import Family

LEAST_SHARE = 0.5  # of the needed resolutions: less is no separation anyone asks for
LARGEST_SHARE = 4.0  # a resolution of 6 where 1.5 is needed; nobody waits for more
SAME = 1e-4  # relative; resolutions closer than this are one
FILLED = 1.02  # shares nearer to one another than this leave no gap between them
SPARE = 0.02  # of the range of time and resolution: gaps narrower than this are left
SCREENED = 256  # programs of each family, anywhere
ROUNDS, CHILDREN, PARENTS = 10, 192, 8  # then rounds of programs around the best of different elution orders
CLIMBED = 2  # of those, the programs of each family from which the climb sets out
BEHIND = 0.4  # in ln(share): programs further behind the best of their family are no starts
LIMIT_WEIGHT = 3.0  # of limits not kept, against ln(share), in the merit of a start
PERTURBATION = (-2.0, -0.5)  # decimal logarithms of the distances of further starts, on the unit cube


@dataclass(frozen=True)
class Point:
    """A rounded program: what it reaches is the smallest share of a needed resolution."""

    reached: float
    shown: FrontPoint


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


def farthest_first(shares: Sequence[float]) -> list[float]:
    """Shares (N,), the goal's first and then always the one furthest from all before it in ln(share).

    Whenever the time runs out, those that were visited lie as evenly as may be.
    """
    order = [1.0]
    left = [share for share in shares if share != 1.0]
    while left:
        # Of equally far ones the largest: better separation is what a front is asked for.
        order.append(max(left, key=lambda share: (min(abs(np.log(share / known)) for known in order), share)))
        left.remove(order[-1])
    return order


def undominated(points: Collection[Point]) -> list[Point]:
    """Fastest first; only those that resolve better than everything as fast."""
    kept: list[Point] = []
    for point in sorted(points, key=lambda each: (each.shown.cost, -each.reached)):
        if not kept or point.reached > (1 + SAME) * kept[-1].reached:
            kept.append(point)
    return kept


def thinned(front: Sequence[Point], points: int) -> list[Point]:
    """At most `points` of an undominated front, as evenly spread as may be.

    Both ends stay, and the fastest point that meets the goal; of two points, the last and that one.
    """
    kept = list(front)
    goal = next((point for point in front if point.shown.asked >= 1), None)
    held = [goal, *front[-1:], *front[:1]][: max(points, 1)]
    while len(kept) > points:
        gaps = {}
        for at, point in enumerate(kept):
            before, after = kept[max(at - 1, 0)], kept[min(at + 1, len(kept) - 1)]
            if not any(point is each for each in held):
                gaps[at] = distance(before, after, front)
        if not gaps:
            # Fewer were asked for than are held: the first goes, then what lies after the goal.
            kept.pop(0 if kept[0] not in held else -1)
            continue
        kept.pop(min(gaps, key=lambda at: gaps[at]))
    return kept


def distance(one: Point, other: Point, front: Sequence[Point]) -> float:
    """How far apart two points lie, in ln(time) and ln(share), each as a part of what the front spans."""
    spans = np.array([_logs(front[-1]) - _logs(front[0])]).ravel()
    parts = np.abs(_logs(other) - _logs(one)) / np.where(spans > 0, spans, 1.0)
    return float(np.hypot(*parts))


def widest_gap(front: Sequence[Point], tried: Collection[float], top: float) -> float | None:
    """A share in the middle of the widest gap, the one below `top` included; None where all of those were tried."""
    gaps = []
    for one, other in pairwise(front):
        low, high = one.shown.asked, other.shown.asked
        middle = float(np.sqrt(low * high))
        apart = distance(one, other, front)
        if high > FILLED * low and middle not in tried and apart > SPARE:
            gaps.append((apart, middle))
    if front and top > FILLED * front[-1].shown.asked:
        last = front[-1].shown.asked
        middle = float(np.sqrt(top * last))
        across = float(np.log(top / min(front[0].shown.asked, last)))
        if middle not in tried:
            gaps.append((float(np.log(top / last)) / across, middle))
    return max(gaps)[1] if gaps else None


def _logs(point: Point) -> np.ndarray:
    return np.log([point.shown.cost, point.reached])


@dataclass(frozen=True)
class Reached:
    """A program near the best separation of its basin: the share of every needed resolution, and where it lies."""

    share: float
    found: Found


def furthest(
    problem: Problem, ends: Sequence[Found], until: float, rng: np.random.Generator
) -> list[Reached]:
    """The best separated program found of each family that `ends` has, best first; none above `LARGEST_SHARE`.

    Ends at `until` on the clock of `now`, or when the largest share worth showing is reached.
    """
    best: dict[str, Reached] = {}
    for family, z in _starts(problem, ends, best, rng):
        reached = climb(problem, family, z)
        known = best.get(family.name)
        if reached is not None and (known is None or reached.share > known.share):
            best[family.name] = reached
        if now() >= until or (reached is not None and reached.share >= LARGEST_SHARE):
            break
    return sorted(best.values(), key=lambda each: -each.share)


def climb(problem: Problem, family: Family, z: Array) -> Reached | None:
    """The largest share near a point (D,), everything else being kept; None where the climb ends outside a limit."""
    end = conceding(scaled(problem, LARGEST_SHARE), family, z, {RESOLUTION})
    round_done()
    share = LARGEST_SHARE * (1 + min(end.margin, 0.0))
    for _ in range(2):  # margins held in draws do not quite scale with the share
        if share <= 0:
            return None
        descent = assessed(scaled(problem, share), family, end.z)
        if descent.margin >= NEARLY:
            return Reached(share, Found(family, descent))
        share *= 1 + descent.margin
    return None


def _shares(problem: Problem, resolutions: Array) -> Array:
    """Smallest share of a needed resolution (N,), of resolutions (N, P)."""
    result: Array = (resolutions / problem.pairs.needed).min(axis=1)
    return result


def _starts(
    problem: Problem, ends: Sequence[Found], best: dict[str, Reached], rng: np.random.Generator
) -> Iterator[tuple[Family, Array]]:
    """Screened programs of each family, families with most set points first; then programs around the best so far."""
    families = {found.family.name: found.family for found in ends}
    for family in sorted(families.values(), key=lambda each: -each.size):
        known = np.array([found.descent.z for found in ends if found.family is family])
        starts = _screened(problem, family, known, rng) if family.ramps else known
        yield from ((family, z) for z in starts)
    while best:
        near = list(best.values())
        # The better a family separates, the more of the time it gets, and by far.
        weights = np.array([each.share for each in near]) ** 8
        found = near[rng.choice(len(near), p=weights / weights.sum())].found
        scale = 10 ** rng.uniform(*PERTURBATION)
        yield found.family, found.descent.z + scale * rng.standard_normal(found.family.size)


def _screened(problem: Problem, family: Family, ends: Array, rng: np.random.Generator) -> list[Array]:
    """Well separated programs (D,) of different elution orders, bred from ends (K, D) and random ones."""
    anywhere = rng.random((SCREENED, family.size))
    known = _best_of_each_order(problem, family, np.concatenate([ends, anywhere]), {})
    for _ in range(ROUNDS):
        parents = np.array([z for _, z in _ranked(known)[:PARENTS]])
        chosen = parents[rng.integers(len(parents), size=CHILDREN)]
        scale = 10 ** rng.uniform(*PERTURBATION, (CHILDREN, 1))
        children = chosen + scale * rng.standard_normal(chosen.shape)
        known = _best_of_each_order(problem, family, children, known)
    ranked = _ranked(known)
    return [z for merit, z in ranked[:CLIMBED] if merit > ranked[0][0] - BEHIND]


def _ranked(known: dict[bytes, tuple[float, Array]]) -> list[tuple[float, Array]]:
    return sorted(known.values(), key=lambda each: -each[0])


def _best_of_each_order(
    problem: Problem, family: Family, z: Array, known: dict[bytes, tuple[float, Array]]
) -> dict[bytes, tuple[float, Array]]:
    """The best separated program of each elution order and its merit, of those known and further ones (N, D)."""
    z = family.ordered(z)
    assessment = problem.assess(family.batch(family.values(z)), "screen")
    shares = _shares(problem, problem.resolutions(assessment))
    merit = np.log(np.maximum(shares, 1e-3))
    merit += LIMIT_WEIGHT * np.minimum(assessment.limits, 0.0).sum(axis=1)
    best = dict(known)
    for order, value, point in zip(np.argsort(assessment.retention, axis=1), merit, z, strict=True):
        key = order.tobytes()
        if key not in best or value > best[key][0]:
            best[key] = (float(value), point)
    return best
