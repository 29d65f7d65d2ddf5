"""Populations of programs, judged together by what decides: differential evolution about what is known.

A descent keeps the elution order and the reserves that it began with; a population keeps neither. Its members are held
against the goal as a candidate is, in draws where these decide, and cross from one basin into the next.

Storn and Price, J. Global Optim. 11 (1997) 341; members tried against their parents by feasibility first, Deb, Comput.
Methods Appl. Mech. Eng. 186 (2000) 311.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.column.programs import Array
from optimizer.goal.drawn_margins import judged
from optimizer.goal.goal import Assessment, Problem
from optimizer.search.program_space import Family

SIZE = 32  # members
NEAREST = 0.002  # how far members begin from where they come from, on the unit cube: as a power between these
FARTHEST = 0.3
LEADERS = 4  # best members, towards one of which each is drawn
WEIGHTS = (0.3, 0.9)  # of differences between members
CROSSED = (0.5, 1.0)  # share of set points that a trial takes from its mutant
EDITED = 0.15  # share of trials in which one set point is put anywhere, or at an end of its range
LIMIT_WEIGHT = 3.0  # of limits not kept, against pairs, in what a program lacks nominally
FAILING = 1.0  # added to that: programs that fail nominally come after those that fail in draws
NOMINAL = -0.01  # smallest nominal margin down to which a program is judged by draws
EARLY = 0.75  # share of generations in which what fails has a price, and few of the draws judge
PRICES = (-0.3, 1.0)  # decimal logarithms of it, in ln(cost) for a margin
BEYOND = 100.0  # more than any ln(cost)
SETTLED = 1e-6  # spread of ln(cost) below which a population has nothing more to find


@dataclass(frozen=True)
class Members:
    """K programs as a population sees them.

    Attributes
    ----------
    z : (K, D) array on the unit cube
    ln_cost : (K,) array, of what is minimised [s]
    violation : (K,) array, by how much they fail; 0 where they keep everything
    bred : int, programs judged to get them from their first ones
    """

    z: Array
    ln_cost: Array
    violation: Array
    bred: int = 0

    def merit(self, price: float) -> Array:
        """(K,) what they are compared by: ln(cost) and a price on the violation, which may be infinite."""
        if np.isinf(price):
            return np.where(self.violation > 0, BEYOND + self.violation, self.ln_cost)
        return self.ln_cost + price * self.violation


def lack(problem: Problem, assessment: Assessment) -> Array:
    """(N,) by how much programs fail nominally: the sum of the margins that they do not keep, without its sign."""
    pairs = np.minimum(problem.resolution_margins(assessment), 0.0)
    return np.asarray(-pairs.sum(axis=1) - LIMIT_WEIGHT * np.minimum(assessment.limits, 0.0).sum(axis=1))


def members(problem: Problem, family: Family, z: Array, than: Members | None = None) -> Members:
    """Points (K, D) on the unit cube judged by what decides.

    Parameters
    ----------
    than : Members that these are tried against: those that lose nominally are not held against draws
    """
    batch = family.batch(family.values(z))
    assessment = problem.assess(batch, "polish")
    violation = lack(problem, assessment)
    ln_cost = np.log(assessment.cost)
    if not problem.by_draws:
        return Members(z, ln_cost, violation)
    promising = problem.smallest_margin(assessment) > NOMINAL
    if than is not None:
        promising &= (than.violation > 0) | (ln_cost < than.ln_cost)
    violation += FAILING
    at = np.flatnonzero(promising)
    if at.size:
        found = judged(problem, batch[at], assessment[at])
        violation[at] = np.maximum(-found.margin, 0.0)
        ln_cost[at] = np.log(problem.cost(batch[at], assessment.run_time[at] + found.later_end))
    return Members(z, ln_cost, violation)


def about(family: Family, known: Array, size: int, rng: np.random.Generator) -> Array:
    """Points (size, D) at all distances from some known ones (S, D), which are among them."""
    far = np.exp(rng.uniform(np.log(NEAREST), np.log(FARTHEST), (size, 1)))
    z = known[np.arange(size) % len(known)] + far * rng.standard_normal((size, family.size))
    z[: len(known)] = known[:size]
    return family.ordered(z)


def evolved(
    problem: Problem,
    family: Family,
    z: Array,
    generations: int,
    rng: np.random.Generator,
    refining: bool = False,
) -> tuple[Array, int]:
    """What a population comes to from its first members (K, D), best first, and how many programs were judged.

    At first what fails has a price, lest programs that keep everything, but slowly, drive out all others, and few draws
    tell the way. In the end, or from the beginning where what is known is refined, what keeps everything comes first.
    """
    few = problem.by_few_draws if problem.by_draws else problem
    early = 0 if refining else int(EARLY * generations)
    now, programs = members(few if early else problem, family, z), len(z)
    if early:
        now = _bred(few, family, now, early, float(10 ** rng.uniform(*PRICES)), rng)
        if problem.by_draws:
            now, programs = members(problem, family, now.z), programs + now.bred + len(z)
    now = _bred(problem, family, now, generations - early, np.inf, rng)
    return now.z[np.argsort(now.merit(np.inf), kind="stable")], programs + now.bred


def _bred(
    problem: Problem, family: Family, now: Members, generations: int, price: float, rng: np.random.Generator
) -> Members:
    size, shape = len(now.z), now.z.shape
    rows = np.arange(size)
    for _ in range(generations):
        leader = np.argsort(now.merit(price), kind="stable")[rng.integers(LEADERS, size=size)]
        one, other = rng.integers(size, size=(2, size))
        weight = rng.uniform(*WEIGHTS, (size, 1))
        mutant = now.z + weight * (now.z[leader] - now.z + now.z[one] - now.z[other])
        crossed = rng.random(shape) < rng.uniform(*CROSSED, (size, 1))
        trial = np.where(crossed, mutant, now.z)
        edited = rows[rng.random(size) < EDITED]
        trial[edited, rng.integers(family.size, size=len(edited))] = np.clip(
            rng.uniform(-0.5, 1.5, len(edited)), 0.0, 1.0
        )
        tried = members(problem, family, family.ordered(trial), now)
        better = tried.merit(price) < now.merit(price)
        now = Members(
            np.where(better[:, None], tried.z, now.z),
            np.where(better, tried.ln_cost, now.ln_cost),
            np.where(better, tried.violation, now.violation),
            now.bred + size,
        )
        if np.ptp(now.ln_cost) < SETTLED and not now.violation.any():
            break
    return now
