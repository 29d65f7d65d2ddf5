"""Steps from one elution order into the next, and what tells ends of a search apart."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from scipy.optimize import linprog

from benchmarks.mixtures import mixture
from optimizer.search.descent import HOPELESS, assessed, descend, descended
from optimizer.search.found import Found
from optimizer.search.local import CAP, CLOSE, REACH, crossed
from optimizer.search.program_space import family
from optimizer.search.search import keep


def by_enumeration(z, low, high, margins, slopes, pairs, required) -> float:
    """The largest smallest margin of all ways round that close pairs may be."""
    close = np.flatnonzero(margins[:pairs] < CLOSE)
    best = -np.inf
    for ways in product((1.0, -1.0), repeat=len(close)):
        signs = np.ones(len(margins))
        signs[close] = ways
        wanted = np.where(signs > 0, margins, -margins - 2)
        found = linprog(
            np.append(np.zeros(z.size), -1.0),
            A_ub=np.concatenate([-signs[:, None] * slopes, 1.0 * required[:, None]], axis=1),
            b_ub=np.where(required, wanted, np.maximum(wanted, 0.0)),
            bounds=[
                *zip(np.maximum(low - z, -REACH), np.minimum(high - z, REACH), strict=True),
                (None, CAP),
            ],
        )
        if found.x is not None:
            best = max(best, found.x[-1])
    return best


@pytest.mark.parametrize("seed", range(8))
def test_the_best_of_all_ways_round_is_found(seed: int) -> None:
    rng = np.random.default_rng(seed)
    size, pairs, others = 5, 8, 2
    z = rng.uniform(0.1, 0.9, size)
    margins = np.concatenate([rng.uniform(-1.0, 0.5, pairs), rng.uniform(0.0, 0.5, others)])
    slopes = rng.normal(0.0, 8.0, (pairs + others, size))
    required = np.arange(pairs + others) < pairs
    given = (z, np.zeros(size), np.ones(size), margins, slopes, pairs, required)
    end = crossed(*given)
    assert end is not None
    assert np.abs(end - z).max() <= REACH + 1e-9
    after = margins + slopes @ (end - z)
    close = margins < CLOSE
    after[:pairs] = np.where(close[:pairs], np.abs(after[:pairs] + 1) - 1, after[:pairs])
    assert after[~required].min() >= -1e-9
    assert min(after[required].min(), CAP) >= by_enumeration(*given) - 0.011


def test_without_a_close_pair_there_is_no_step() -> None:
    z = np.full(2, 0.5)
    assert crossed(z, z - 0.5, z + 0.5, np.array([-0.2, 0.3]), np.eye(2), 2, np.array([True, True])) is None


def test_a_descent_leaves_an_order_that_holds_no_program(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of the same starts more end at programs that keep everything than where pairs keep their order."""
    problem = mixture(30, 2, 2)
    two = family(problem.scenario, 2, "flow")
    best = min(
        (descend(problem, two, z) for z in two.ordered(np.random.default_rng(1).random((12, two.size)))),
        key=lambda end: (end.margin < 0, end.cost),
    )
    starts = two.ordered(best.z + 0.15 * np.random.default_rng(2).standard_normal((72, two.size)))

    def kept() -> int:
        ends = (descended(problem, two, z, 25, 1e-4, 0.0)[0] for z in starts)
        return sum(assessed(problem, two, z).margin >= HOPELESS for z in ends)

    crossing = kept()
    monkeypatch.setattr("optimizer.search.descent.CROSSINGS", 0)
    assert crossing > kept()


def test_ends_that_are_one_program_count_once() -> None:
    """Whatever the set points say of the time after the last peak; two programs are two."""
    problem = mixture(6, 1, 2)
    two = family(problem.scenario, 2, "flow")
    z = two.ordered(np.array([0.2, 0.1, 0.9, 0.8, 0.1, 0.7, 0.9, 0.5]))
    end = Found(two, assessed(problem, two, z))
    late = z.copy()
    late[6] = 1.0  # the last target, which is reached after the run
    same = Found(two, assessed(problem, two, late))
    assert end.descent.cost == pytest.approx(same.descent.cost, rel=1e-4)
    assert end.alike(same)
    cold = z.copy()
    cold[0] = 0.05
    other = Found(two, assessed(problem, two, cold))
    assert not end.alike(other)
    ends: list[Found] = []
    for each in (end, same, other, end):
        keep(ends, each)
    assert len(ends) == 2
    better = Found(two, replace(end.descent, z=late, cost=0.99 * end.descent.cost))
    keep(ends, better)
    assert better in ends
    assert len(ends) == 2
