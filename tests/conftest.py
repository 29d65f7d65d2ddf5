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
