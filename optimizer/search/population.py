"""Populations of programs, judged together by what decides: differential evolution about what is known.

A descent keeps the elution order and the reserves that it began with; a population keeps neither. Its members are held
against the goal as a candidate is, in draws where these decide, and cross from one basin into the next.

Storn and Price, J. Global Optim. 11 (1997) 341; members tried against their parents by feasibility first, Deb, Comput.
Methods Appl. Mech. Eng. 186 (2000) 311.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.column.programs import Array
from optimizer.goal.drawn_margins import judged
from optimizer.goal.goal import Problem
from optimizer.search.program_space import Family

SIZE = 32  # members
NEAREST = 0.002  # how far members begin from where they come from, on the unit cube: as a power between these
FARTHEST = 0.3
LEADERS = 4  # best members, towards one of which each is drawn
WEIGHTS = (0.3, 0.9)  # of differences between members
CROSSED = (0.5, 1.0)  # share of set points that a trial takes from its mutant
EDITED = 0.15  # share of trials in which one set point is put anywhere, or at an end of its range
LACK_WEIGHT, LIMIT_WEIGHT = 1.0, 3.0  # of margins not kept in the violation of a program that fails nominally
FAILING = 1.0  # added to that: programs that fail nominally come after those that fail in draws
NOMINAL = -0.01  # smallest nominal margin down to which a program is judged by draws
BY_FEW = 0.75  # share of generations that few of the draws judge
SETTLED = 1e-6  # spread of ln(cost) below which a population has nothing more to find


@dataclass(frozen=True)
class Members:
    """K programs as a population sees them.

    Attributes
    ----------
    z : (K, D) array on the unit cube
    ln_cost : (K,) array, of what is minimised [s]
    violation : (K,) array, by how much they fail; 0 where they keep everything
    """

    z: Array
    ln_cost: Array
    violation: Array

    @property
    def order(self) -> NDArray[np.intp]:
        """(K,) numbers, best first."""
        return np.lexsort((self.ln_cost, self.violation))


def members(problem: Problem, family: Family, z: Array, than: Members | None = None) -> Members:
    """Points (K, D) on the unit cube judged by what decides.

    Parameters
    ----------
    than : Members that these are tried against: those that lose nominally are not held against draws
    """
    batch = family.batch(family.values(z))
    assessment = problem.assess(batch, "polish")
    pairs = np.minimum(problem.resolution_margins(assessment), 0.0)
    violation = -pairs.sum(axis=1) - LIMIT_WEIGHT * np.minimum(assessment.limits, 0.0).sum(axis=1)
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
    problem: Problem, family: Family, z: Array, generations: int, rng: np.random.Generator
) -> tuple[Array, int]:
    """What a population comes to from its first members (K, D), best first, and how many programs were judged.

    Where draws decide, a few of them tell the way at first.
    """
    if problem.by_draws:
        early = int(BY_FEW * generations)
        z, programs = _bred(problem.by_few_draws, family, z, early, rng)
        last, more = _bred(problem, family, z, generations - early, rng)
        return last, programs + more
    return _bred(problem, family, z, generations, rng)


def _bred(
    problem: Problem, family: Family, z: Array, generations: int, rng: np.random.Generator
) -> tuple[Array, int]:
    now = members(problem, family, z)
    size, programs = len(z), len(z)
    rows = np.arange(size)
    for _ in range(generations):
        leader = now.order[rng.integers(LEADERS, size=size)]
        one, other = rng.integers(size, size=(2, size))
        weight = rng.uniform(*WEIGHTS, (size, 1))
        mutant = now.z + weight * (now.z[leader] - now.z + now.z[one] - now.z[other])
        crossed = rng.random(z.shape) < rng.uniform(*CROSSED, (size, 1))
        trial = np.where(crossed, mutant, now.z)
        edited = rows[rng.random(size) < EDITED]
        trial[edited, rng.integers(family.size, size=len(edited))] = np.clip(
            rng.uniform(-0.5, 1.5, len(edited)), 0.0, 1.0
        )
        tried = members(problem, family, family.ordered(trial), now)
        programs += size
        better = np.where(
            tried.violation == now.violation, tried.ln_cost < now.ln_cost, tried.violation < now.violation
        )
        now = Members(
            np.where(better[:, None], tried.z, now.z),
            np.where(better, tried.ln_cost, now.ln_cost),
            np.where(better, tried.violation, now.violation),
        )
        if np.ptp(now.ln_cost) < SETTLED and not now.violation.any():
            break
    return now.z[now.order], programs
