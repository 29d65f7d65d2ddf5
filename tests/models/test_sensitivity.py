"""Derivatives of times and widths, against simulations with the parameter itself moved, by other steps, both ways."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from models.carrier_gas import carrier_gas
from models.column import Column
from models.migration import Migration, migrate, migration_tables
from models.plate_height import typical_diffusion_constant
from models.programs import CarrierProgram, OvenProgram, Program, Ramp, batch_of
from models.retention import Retention, shifted, with_typical_values
from models.sensitivity import SHARED, sensitivity, sensitivity_tables
from models.system import ColumnSystem
from models.units import flow_si

AMBIENT = 101325.0
SYSTEM = ColumnSystem(Column(30.0, 0.25e-3, 0.25e-6), carrier_gas("helium"), AMBIENT, 1.01, 1.2, 0.4)
COMPOUNDS = with_typical_values(np.array([350.0, 380.0, 410.0, 450.0, 500.0]))
DIFFUSION = typical_diffusion_constant(SYSTEM.gas, COMPOUNDS.T0)
RANGE = (280.0, 620.0)
CARRIERS = (
    CarrierProgram("flow", flow_si(1.2)),
    CarrierProgram("pressure", AMBIENT + 90e3),
    CarrierProgram("pressure", AMBIENT + 60e3, 60.0, (Ramp(300.0, AMBIENT + 200e3, 0.0),)),
)


def program(carrier: CarrierProgram, warmer: float = 0.0, more: float = 0.0) -> Program:
    zero = AMBIENT if carrier.controlled == "pressure" else 0.0

    def moved(value: float) -> float:
        return value + more * (value - zero)

    oven = OvenProgram(323.15 + warmer, 60.0, (Ramp(0.2, 470.0 + warmer, 30.0), Ramp(0.4, 560.0 + warmer)))
    # The corners of the carrier stay where they are in time.
    ramps = tuple(Ramp(ramp.rate * (1 + more), moved(ramp.target), ramp.hold) for ramp in carrier.ramps)
    return Program(oven, CarrierProgram(carrier.controlled, moved(carrier.start), carrier.hold, ramps))


def run(system: ColumnSystem, retention: Retention, made: Program) -> Migration:
    tables = migration_tables(
        system, retention, made.carrier.controlled, *RANGE, step=0.35, diffusion=DIFFUSION
    )
    return migrate(tables, batch_of([made]), "polish")


@pytest.mark.parametrize("carrier", CARRIERS, ids=lambda carrier: carrier.mode)
def test_derivatives_are_those_of_full_simulations(carrier: CarrierProgram) -> None:
    tables = sensitivity_tables(SYSTEM, COMPOUNDS, carrier.controlled, *RANGE, step=1.0, diffusion=DIFFUSION)
    zero = AMBIENT if carrier.controlled == "pressure" else 0.0
    found = sensitivity(tables, batch_of([program(carrier)]), zero)

    def by(move: Callable[[float], Migration], step: float) -> tuple[np.ndarray, np.ndarray]:
        up, down = move(step), move(-step)
        return (
            (up.retention_time - down.retention_time)[0] / (2 * step),
            (up.width - down.width)[0] / (2 * step),
        )

    plain = program(carrier)
    of_retention = [
        by(lambda h: run(SYSTEM, shifted(COMPOUNDS, T0=h), plain), 0.3),
        by(lambda h: run(SYSTEM, shifted(COMPOUNDS, ln_theta=h), plain), 4e-3),
        by(lambda h: run(SYSTEM, shifted(COMPOUNDS, dCp=h), plain), 2.0),
    ]
    for i, (t, w) in enumerate(of_retention):
        np.testing.assert_allclose(found.by_retention[0, 0, i], t, rtol=0.02, atol=1e-3 * np.abs(t).max())
        np.testing.assert_allclose(found.by_retention[1, 0, i], w, rtol=0.1, atol=0.05 * np.abs(w).max())

    def with_flow(h: float) -> Migration:
        return run(replace(SYSTEM, flow_factor=SYSTEM.flow_factor * np.exp(h)), COMPOUNDS, plain)

    def with_plates(h: float) -> Migration:
        return run(
            replace(SYSTEM, plate_height_factor=SYSTEM.plate_height_factor * np.exp(h)), COMPOUNDS, plain
        )

    def with_injection(h: float) -> Migration:
        return run(replace(SYSTEM, injection_width=np.sqrt(0.16 + h)), COMPOUNDS, plain)

    of_shared = [
        by(with_flow, 0.01),
        by(with_plates, 0.02),
        by(with_injection, 0.05),
        by(lambda h: run(SYSTEM, COMPOUNDS, program(carrier, warmer=h)), 0.5),
        by(lambda h: run(SYSTEM, COMPOUNDS, program(carrier, more=h)), 0.01),
    ]
    for k, (t, w) in enumerate(of_shared):
        where = SHARED[k]
        np.testing.assert_allclose(
            found.by_shared[0, 0, k], t, rtol=0.03, atol=2e-3 * np.abs(t).max() + 1e-9, err_msg=where
        )
        np.testing.assert_allclose(
            found.by_shared[1, 0, k], w, rtol=0.1, atol=0.05 * np.abs(w).max() + 1e-9, err_msg=where
        )


def test_a_batch_gives_what_each_program_gives_alone() -> None:
    carrier = CARRIERS[0]
    tables = sensitivity_tables(SYSTEM, COMPOUNDS, "flow", *RANGE, step=1.0, diffusion=DIFFUSION)
    programs = [program(carrier), program(carrier, warmer=12.0), program(carrier, more=0.3)]
    together = sensitivity(tables, batch_of(programs), 0.0)
    for n, each in enumerate(programs):
        alone = sensitivity(tables, batch_of([each]), 0.0)
        np.testing.assert_allclose(together.base[:, n], alone.base[:, 0], rtol=1e-4)
        np.testing.assert_allclose(
            together.by_shared[0, n],
            alone.by_shared[0, 0],
            rtol=0.02,
            atol=1e-2 * np.abs(alone.by_shared[0]).max(),
        )
