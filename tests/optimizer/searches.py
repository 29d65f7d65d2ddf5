"""Searches for tests: a number of descents in place of a time, so that the machine's load decides nothing."""

from __future__ import annotations

from itertools import count

from optimizer.found import Hunt
from optimizer.goal import Problem
from optimizer.program_space import Family
from optimizer.search import SCREENED, hunt


def search_of(problem: Problem, families: list[Family], descents: int, seed: int = 1) -> Hunt:
    """What a search finds that screens as much as it ever does and then makes so many descents."""
    ticks = count()  # the search looks at its clock once a batch of 256 programs and once a descent
    seconds = len(families) * SCREENED // 256 + descents
    return hunt(problem, families, float(seconds), seed, clock=lambda: float(next(ticks)))
