"""Packed columns under ramps: the engine against the equations marched in time (own, in tests/reference)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from models.column.carrier_gas import CARRIER_GASES, viscosity
from models.column.pieces import Packing
from models.column.plate_height import terms_of
from models.column.programs import CarrierProgram, Controlled, OvenProgram, Program, Ramp, batch_of
from models.column.retention import Retention
from models.column.system import Column, ColumnSystem
from models.peaks.migration import OWN_DIRECTIONS, migrate, migration_tables
from models.peaks.sensitivity import off_set_points
from models.units import flow_si, kelvin
from tests.reference.adapter import bands_of, stretches_of
from tests.reference.integrator import Tube, follow

RETENTION = Retention(
    np.array([300.0, 350.0, 410.0]), np.array([28.0, 32.0, 36.0]), np.array([0.0, 15.0, -10.0])
)
COLUMN = Column(2.0, 2e-3, 0.0, packing=Packing(163e-6, 0.42, 0.8), adsorbent=True, resistance=2e-3)
SYSTEM = ColumnSystem(
    COLUMN,
    CARRIER_GASES["helium"],
    101325.0,
    flow_factor=1.03,
    plate_height_factor=1.2,
    injection_width=0.4,
    film_diffusion_factor=0.8,
)
VALUES: dict[Controlled, float] = {"pressure": 2.6e5, "flow": flow_si(30.0), "velocity": 0.12}


def program(controlled: Controlled) -> Program:
    oven = OvenProgram(kelvin(50.0), 60.0, (Ramp(10 / 60, kelvin(220.0), 600.0),))
    return Program(oven, CarrierProgram(controlled, VALUES[controlled]))


@pytest.mark.parametrize("controlled", VALUES)
def test_times_and_widths_are_those_of_the_equations_marched_in_time(controlled: Controlled) -> None:
    found = migrate(migration_tables(SYSTEM, RETENTION, controlled), batch_of([program(controlled)]))
    terms = terms_of(COLUMN, SYSTEM.film_diffusion_factor)
    tube = Tube(
        COLUMN.length,
        1e-3,
        0.0,
        SYSTEM.outlet_pressure,
        SYSTEM.flow_factor,
        SYSTEM.plate_height_factor,
        permeability=163e-6**2 * 0.42**3 / (180 * 0.58**2 * 0.8),
        eddy=2 * 1.0 * 163e-6,
        along=2 * 0.7,
        across=0.1 * 163e-6**2,
        resistance=2e-3 / 0.8,
    )
    assert terms.eddy == tube.eddy
    for m, band in enumerate(bands_of(RETENTION, SYSTEM)):
        true = follow(
            tube,
            lambda T: float(viscosity(SYSTEM.gas, T)),
            band,
            stretches_of(program(controlled), SYSTEM),
            steady=controlled == "pressure",
        )
        assert true is not None
        assert found.retention_time[0, m] == pytest.approx(true.time, rel=2e-5)
        assert found.width[0, m] == pytest.approx(true.width, rel=1e-3)


@pytest.mark.parametrize("controlled", VALUES)
def test_slopes_of_widths_are_differences_of_widths(controlled: Controlled) -> None:
    batch = batch_of([program(controlled)])
    peaks = migrate(
        migration_tables(SYSTEM, RETENTION, controlled), batch, directions=off_set_points(batch, 0.0)
    )
    assert peaks.slopes is not None
    own = peaks.slopes.width.shape[1] - len(OWN_DIRECTIONS)

    def width(system: ColumnSystem, retention: Retention = RETENTION) -> np.ndarray:
        # Typical diffusion follows T0, which slopes by T0 hold still; every panel counts, as in slopes.
        diffusion = migration_tables(SYSTEM, RETENTION, controlled).diffusion
        tables = migration_tables(system, retention, controlled, diffusion)
        return migrate(tables, batch, directions=off_set_points(batch, 0.0)).width[0]

    h = 1e-4
    by_flow, by_film = (
        (width(replace(SYSTEM, **{name: at * np.exp(h)})) - width(replace(SYSTEM, **{name: at * np.exp(-h)})))
        / (2 * h)
        for name, at in (("flow_factor", 1.03), ("film_diffusion_factor", 0.8))
    )
    warm, cold = (replace(RETENTION, T0=RETENTION.T0 + 0.02 * sign) for sign in (1, -1))
    by_T0 = (width(SYSTEM, warm) - width(SYSTEM, cold)) / 0.04
    for name, expected in (("ln flow factor", by_flow), ("ln film diffusion", by_film), ("T0", by_T0)):
        found = peaks.slopes.width[0, own + OWN_DIRECTIONS.index(name)]
        np.testing.assert_allclose(found, expected, rtol=2e-3, atol=1e-5)
