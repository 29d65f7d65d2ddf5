"""What holds for every test: no search knows the time, and the engine is compiled before the first."""

from __future__ import annotations

import os
from collections.abc import Iterator

import numpy as np
import pytest

import optimizer.base.clock
from models.column.carrier_gas import carrier_gas
from models.column.programs import CarrierProgram, OvenProgram, Program, batch_of
from models.column.retention import with_typical_values
from models.column.system import Column, ColumnSystem
from models.engine.cache import user_caches
from models.peaks.migration import migrate, migration_tables
from models.peaks.sensitivity import sensitivity
from tests.optimizer.searches import count_steps

# Files that take long begin first, so that no core waits for another at the end.
LONG_FILES = (
    "page/test_views_browser", "search/test_islands", "base/test_output_killed", "base/test_output_interrupted",
    "methods/test_budget", "methods/test_rounds", "search/test_search", "methods/test_start_from",
    "scenarios/test_rescued_pair", "tests/test_docs_commands", "search/test_study_postgres", "campaign/test_at_hand",
    "page/test_page_browser", "page/test_campaigning", "app/test_interface", "fuzz/test_fuzz", "scenario/test_sample",
    "results/test_optimize_output", "campaign/test_worth", "app/test_campaign", "search/test_infeasible",
    "methods/test_why_not", "scenarios/test_heat_sensitive", "tests/test_packaging", "tests/test_architecture",
)  # fmt: skip


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Order of files; within one it stays."""

    def place(item: pytest.Item) -> int:
        path = item.path.with_suffix("").as_posix()
        return next((n for n, each in enumerate(LONG_FILES) if path.endswith(each)), len(LONG_FILES))

    items.sort(key=place)


@pytest.fixture(scope="session", autouse=True)
def _budgets_count_steps() -> Iterator[None]:
    """Commands and functions that search get the same number of steps on a busy machine as on an idle one."""
    real = optimizer.base.clock.perf_counter
    count_steps()
    yield
    optimizer.base.clock.perf_counter = real


@pytest.fixture(scope="session", autouse=True)
def _engine_is_compiled() -> None:
    """Commands that tests run find it so, also those with another home, and say nothing of it."""
    caches = user_caches()
    if caches is not None:
        os.environ["XDG_CACHE_HOME"] = str(caches)
    system = ColumnSystem(Column(30.0, 0.25e-3, 0.25e-6), carrier_gas("helium"), 101325.0)
    tables = migration_tables(system, with_typical_values(np.array([400.0])), "pressure")
    batch = batch_of([Program(OvenProgram(400.0), CarrierProgram("pressure", 2e5))])
    migrate(tables, batch)
    sensitivity(tables, batch, 101325.0)
