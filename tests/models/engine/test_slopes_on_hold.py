"""Slopes of peaks that elute while nothing changes, against central differences."""

from __future__ import annotations

import numpy as np

from models.column.carrier_gas import CARRIER_GASES
from models.column.programs import CarrierProgram, OvenProgram, Program, Ramp, batch_of
from models.column.retention import with_typical_values
from models.column.system import Column, ColumnSystem
from models.peaks.migration import Directions, migrate, migration_tables

STEP = 1e-3  # of the set points


def program(start: float, hold: float, end: float) -> Program:
    """An oven held, ramped and held again: start and end [K], hold [s]."""
    return Program(OvenProgram(start, hold, (Ramp(0.3, end, 600.0),)), CarrierProgram("pressure", 2e5))


def test_slopes_of_peaks_on_both_holds_are_central_differences() -> None:
    system = ColumnSystem(Column(30.0, 0.25e-3, 0.25e-6), CARRIER_GASES["helium"], 101325.0)
    tables = migration_tables(system, with_typical_values(np.array([310.0, 330.0, 380.0, 560.0])), "pressure")
    at = np.array([340.0, 400.0, 490.0])  # away from where the engine cuts its ramps otherwise
    one = batch_of([program(*at)])
    beside = [[batch_of([program(*(at + sign * STEP * row))]) for sign in (1, -1)] for row in np.eye(3)]
    names = ("oven_times", "oven_temperatures", "carrier_times", "carrier_values")
    corners = (
        np.stack([(getattr(up, name) - getattr(down, name))[0] / (2 * STEP) for up, down in beside])[None]
        for name in names
    )
    found = migrate(tables, one, "polish", Directions(*corners))
    assert found.slopes is not None
    assert (found.heating_rate[0] == 0).sum() >= 3, "peaks elute on holds"
    for name in ("retention_time", "width"):
        slopes = getattr(found.slopes, name)[0, :3]
        expected = np.array(
            [
                (getattr(migrate(tables, up), name) - getattr(migrate(tables, down), name))[0] / (2 * STEP)
                for up, down in beside
            ]
        )
        assert np.isfinite(slopes).all()
        np.testing.assert_allclose(slopes, expected, rtol=0, atol=1e-6 * np.abs(expected).max())
