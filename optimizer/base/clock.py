"""The clock that the budget of a search is held against.

What spends a budget looks at it once a step: a batch of programs screened, a descent, a climb, a rounding. Where each
look is counted as so much time, a search depends on its input alone: the tests run so.
"""

from __future__ import annotations

from time import perf_counter


def now() -> float:
    """Time [s] since some moment."""
    return perf_counter()
