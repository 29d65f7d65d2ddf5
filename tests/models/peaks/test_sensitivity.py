"""Derivatives of times and widths, against simulations with the parameter itself moved, by other steps, both ways."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from models.column.carrier_gas import carrier_gas
from models.column.plate_height import typical_diffusion_constant
from models.column.programs import CarrierProgram, OvenProgram, Program, Ramp, batch_of
from models.column.retention import Retention, shifted, with_typical_values
from models.column.system import Column, ColumnSystem
from models.peaks.migration import Migration, migrate, migration_tables
from models.peaks.sensitivity import SHARED, sensitivity
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
    tables = migration_tables(system, retention, made.carrier.controlled, diffusion=DIFFUSION)
    return migrate(tables, batch_of([made]), "polish")


@pytest.mark.parametrize("carrier", CARRIERS, ids=lambda carrier: carrier.mode)
def test_derivatives_are_those_of_full_simulations(carrier: CarrierProgram) -> None:
    tables = migration_tables(SYSTEM, COMPOUNDS, carrier.controlled, diffusion=DIFFUSION)
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
    for i, (t, _) in enumerate(of_retention):
        np.testing.assert_allclose(found.by_retention[0, 0, i], t, rtol=0.02, atol=1e-3 * np.abs(t).max())

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
    tables = migration_tables(SYSTEM, COMPOUNDS, "flow", diffusion=DIFFUSION)
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


@pytest.mark.parametrize("carrier", CARRIERS, ids=lambda carrier: carrier.mode)
def test_how_elution_answers_to_a_compounds_own_parameters(carrier: CarrierProgram) -> None:
    tables = migration_tables(SYSTEM, COMPOUNDS, carrier.controlled, diffusion=DIFFUSION)
    zero = AMBIENT if carrier.controlled == "pressure" else 0.0
    plain = program(carrier)
    found = sensitivity(tables, batch_of([plain]), zero)
    moves = (
        (lambda h: shifted(COMPOUNDS, T0=h), 0.1),
        (lambda h: shifted(COMPOUNDS, ln_theta=h), 2e-3),
        (lambda h: shifted(COMPOUNDS, dCp=h), 1.0),
    )
    for i, (moved, step) in enumerate(moves):
        up, down = run(SYSTEM, moved(step), plain), run(SYSTEM, moved(-step), plain)
        of_temperature = (up.elution_temperature - down.elution_temperature)[0] / (2 * step)
        of_factor = (up.retention_factor - down.retention_factor)[0] / (2 * step)
        np.testing.assert_allclose(found.by_retention[2, 0, i], of_temperature, rtol=0.01)
        scale = np.abs(of_factor).max()
        np.testing.assert_allclose(found.by_retention[3, 0, i], of_factor, rtol=0.02, atol=0.01 * scale)


def test_faster_gas_of_one_program_is_a_system_with_faster_gas() -> None:
    carrier = CARRIERS[2]
    batch = batch_of([program(carrier), program(carrier, warmer=5.0)])
    tables = migration_tables(SYSTEM, COMPOUNDS, "pressure", diffusion=DIFFUSION)
    both = migrate(tables, replace(batch, velocity_factors=np.array([1.0, 1.05])))
    faster = replace(SYSTEM, flow_factor=1.05 * SYSTEM.flow_factor)
    alone = migrate(replace(tables, system=faster), batch[1:])
    np.testing.assert_allclose(both.retention_time[1], alone.retention_time[0], rtol=2e-5)
    np.testing.assert_allclose(both.width[1], alone.width[0], rtol=1e-3)
    np.testing.assert_array_equal(both.retention_time[0] > both.retention_time[1], True)
