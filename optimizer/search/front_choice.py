"""Which points make a front: shares to ask for, gaps worth filling, and the few that are shown of those found."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from optimizer.goal.cycle import cycle_time
from optimizer.goal.goal import Pairs, Problem
from optimizer.goal.outcome import FrontPoint, Prediction

LEAST_SHARE = 0.5  # of the needed resolutions: less is no separation anyone asks for
LARGEST_SHARE = 4.0  # a resolution of 6 where 1.5 is needed; nobody waits for more
SAME = 1e-4  # relative; resolutions closer than this are one
FILLED = 1.02  # shares nearer to one another than this leave no gap between them
SPARE = 0.02  # of the range of time and resolution: gaps narrower than this are left


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
