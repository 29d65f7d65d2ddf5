"""Budgets of searches in steps in place of time, so that the machine's load decides nothing.

A step is a look at the clock that budgets are held against: a batch of programs screened, a descent, a climb, a
rounding. All tests run with that clock counting its looks (`tests/conftest.py`): `--seconds 1` is 15 steps.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import count
from math import pi

import models.cores
import optimizer.base.clock
from models.column.programs import Program
from optimizer.goal.goal import Problem
from optimizer.search.found import Searched
from optimizer.search.islands import SCREENED, search
from optimizer.search.program_space import Family

STEP = 0.2 / pi  # s; no budget is a whole number of them, so that no rounding decides on a last step


def count_steps() -> None:
    """Let each look at the clock of searches count as one step, all in this process."""
    ticks = count()
    models.cores.cores_here = lambda: 1
    optimizer.base.clock.perf_counter = lambda: STEP * next(ticks)


def steps(number: int) -> float:
    """The budget [s] of so many steps."""
    return (number + 0.5) * STEP


def search_of(
    problem: Problem, families: list[Family], descents: int, seed: int = 1, given: Sequence[Program] = ()
) -> Searched:
    """What a search finds that screens as much as it ever does and then makes so many descents."""
    ticks = count()  # the search looks at its clock once a batch of 256 programs and once a descent
    seconds = len(families) * SCREENED // 256 + descents
    return search(problem, families, float(seconds), seed, clock=lambda: float(next(ticks)), given=given)
