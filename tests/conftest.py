"""What holds for every test: no search knows the time."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

import optimizer.clock
from tests.optimizer.searches import count_steps


@pytest.fixture(scope="session", autouse=True)
def _budgets_count_steps() -> Iterator[None]:
    """Commands and functions that search get the same number of steps on a busy machine as on an idle one."""
    real = optimizer.clock.perf_counter
    count_steps()
    yield
    optimizer.clock.perf_counter = real
