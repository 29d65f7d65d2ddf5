"""How well the equipment can separate at all: the largest smallest resolution within every limit and requirement.

The best separation lies far from the fastest program and often in another elution order, so that the climb sets out
from screened programs as well as from the search's ends.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from models.column.programs import Array
from optimizer.base.clock import now, round_done
from optimizer.goal.goal import NEARLY, Problem
from optimizer.goal.limits import RESOLUTION
from optimizer.search.descent import assessed, conceding
from optimizer.search.found import Found
from optimizer.search.front_choice import LARGEST_SHARE, scaled
from optimizer.search.program_space import Family

SCREENED = 256  # programs of each family, anywhere
ROUNDS, CHILDREN, PARENTS = 10, 192, 8  # then rounds of programs around the best of different elution orders
CLIMBED = 2  # of those, the programs of each family from which the climb sets out
BEHIND = 0.4  # in ln(share): programs further behind the best of their family are no starts
LIMIT_WEIGHT = 3.0  # of limits not kept, against ln(share), in the merit of a start
PERTURBATION = (-2.0, -0.5)  # decimal logarithms of the distances of further starts, on the unit cube


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
    shares = _shares(problem, problem.pair_resolutions(assessment.retention, assessment.width_half))
    merit = np.log(np.maximum(shares, 1e-3))
    merit += LIMIT_WEIGHT * np.minimum(assessment.limits, 0.0).sum(axis=1)
    best = dict(known)
    for order, value, point in zip(np.argsort(assessment.retention, axis=1), merit, z, strict=True):
        key = order.tobytes()
        if key not in best or value > best[key][0]:
            best[key] = (float(value), point)
    return best
