"""What one peak is does not depend on what else is in the batch, and no number that is not finite passes for a peak."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import pytest

from models.column.carrier_gas import CARRIER_GASES
from models.column.programs import (
    CarrierProgram,
    Controlled,
    OvenProgram,
    Program,
    ProgramBatch,
    Ramp,
    batch_of,
)
from models.column.retention import Retention, with_typical_values
from models.column.system import Column, ColumnSystem
from models.effort import Accuracy
from models.errors import EngineError
from models.peaks.migration import Migration, MigrationTables, Slopes, migrate, migration_tables
from models.peaks.sensitivity import off_set_points
from models.units import flow_si
from tests.reference.cases import ACCURACIES, AMBIENT, CONTROLLED, FASTEST, OUTLETS

COLUMN = Column(30.0, 0.25e-3, 0.25e-6)
# Hardly retained to never eluted.
RETENTION = with_typical_values(np.array([160.0, 330.0, 380.0, 420.0, 470.0, 530.0, 600.0, 900.0]))
RANGES: dict[Controlled, tuple[float, float]] = {
    "pressure": (AMBIENT + 20e3, AMBIENT + 250e3),
    "flow": (float(flow_si(0.5)), float(flow_si(8.0))),
    "velocity": (0.15, 1.0),
}


def tables_of(controlled: Controlled, outlet: float, retention: Retention = RETENTION) -> MigrationTables:
    return migration_tables(ColumnSystem(COLUMN, CARRIER_GASES["helium"], outlet), retention, controlled)


def programs_of(controlled: Controlled) -> list[Program]:
    """A gentle program, and others that need more work, elute nothing, or change as fast as they may."""
    low, high = RANGES[controlled]
    fastest = FASTEST[controlled]
    gentle = OvenProgram(330.0, 60.0, (Ramp(0.2, 570.0, 300.0),))
    programs = [
        Program(gentle, CarrierProgram(controlled, (low + high) / 2)),
        Program(gentle, CarrierProgram(controlled, low, 120.0, (Ramp((high - low) / 600, high),))),
        Program(OvenProgram(393.0), CarrierProgram(controlled, low, 240.0, (Ramp(fastest, high),))),
        Program(gentle, CarrierProgram(controlled, high, 30.0, (Ramp(fastest, low),))),
        Program(OvenProgram(423.0, 0.0, (Ramp(5 / 60, 373.0),)), CarrierProgram(controlled, low)),
        Program(OvenProgram(560.0, 20.0, (Ramp(0.5, 310.0),)), CarrierProgram(controlled, high)),
        Program(OvenProgram(310.0, 5.0, (Ramp(5.0, 620.0, 60.0),)), CarrierProgram(controlled, low)),
        Program(OvenProgram(223.15), CarrierProgram(controlled, low)),
    ]
    rng = np.random.default_rng(6)
    for _ in range(200):
        start, stop = rng.uniform(low, high, 2).tolist()
        cold, hot = sorted(rng.uniform(310, 600, 2).tolist())
        rate = float(10 ** rng.uniform(-1.5, 0.7))
        oven = OvenProgram(cold, float(rng.uniform(0, 300)), (Ramp(rate, hot, 60.0), Ramp(rate, cold)))
        carrier = CarrierProgram(controlled, start, float(rng.uniform(0, 300)), (Ramp(fastest * 0.02, stop),))
        programs.append(Program(oven, carrier))
    return programs


def peaks_with_slopes(
    tables: MigrationTables, batch: ProgramBatch, accuracy: Accuracy
) -> dict[str, np.ndarray]:
    """All that a migration says, with slopes by the set points, by name: (N, ...) arrays with compounds last."""
    found = migrate(tables, batch, accuracy, off_set_points(batch, 0.0))
    assert found.slopes is not None
    plain = {f.name: getattr(found, f.name) for f in fields(Migration) if f.name not in ("slopes", "lean")}
    return plain | {f"slopes of {f.name}": getattr(found.slopes, f.name) for f in fields(Slopes)}


def assert_same(one: dict[str, np.ndarray], other: dict[str, np.ndarray], at: tuple[object, ...]) -> None:
    """`one` at a program and compounds is all of `other`, to 1e-10 of a value, or of the largest of its slopes."""
    for name, values in one.items():
        here = values[at]
        scale = np.nanmax(np.abs(here), initial=0.0) if name.startswith("slopes") else 0.0
        np.testing.assert_allclose(here, other[name][0], rtol=1e-10, atol=1e-10 * scale, err_msg=name)


@pytest.mark.parametrize("accuracy", ACCURACIES)
@pytest.mark.parametrize("outlet", OUTLETS)
@pytest.mark.parametrize("controlled", CONTROLLED)
def test_a_program_alone_and_among_others(controlled: Controlled, outlet: float, accuracy: Accuracy) -> None:
    tables, programs = tables_of(controlled, outlet), programs_of(controlled)
    order = np.random.default_rng(8).permutation(len(programs))
    together = peaks_with_slopes(tables, batch_of([programs[i] for i in order]), accuracy)
    assert 0 < together["eluted"].sum() < together["eluted"].size
    for number in range(12):
        alone = peaks_with_slopes(tables, batch_of([programs[number]]), accuracy)
        assert_same(together, alone, (int(np.flatnonzero(order == number)[0]),))


@pytest.mark.parametrize("accuracy", ACCURACIES)
@pytest.mark.parametrize("outlet", OUTLETS)
@pytest.mark.parametrize("controlled", CONTROLLED)
def test_a_compound_alone_and_among_others(controlled: Controlled, outlet: float, accuracy: Accuracy) -> None:
    programs = programs_of(controlled)[:10]
    together = peaks_with_slopes(tables_of(controlled, outlet), batch_of(programs), accuracy)
    for m in range(len(RETENTION)):
        tables = tables_of(controlled, outlet, RETENTION[np.array([m])])
        for number, program in enumerate(programs):
            alone = peaks_with_slopes(tables, batch_of([program]), accuracy)
            assert_same(together, alone, (number, ..., slice(m, m + 1)))


def _spoilt(batch: ProgramBatch, name: str) -> ProgramBatch:
    """The second corner of the second of three programs is no number; or its factor."""
    if name == "velocity_factors":
        return replace(batch, velocity_factors=np.array([1.0, np.nan, 1.0]))
    values = getattr(batch, name).copy()
    values[1, 1] = np.nan
    return replace(batch, **{name: values})


@pytest.mark.parametrize("accuracy", ACCURACIES)
@pytest.mark.parametrize("outlet", OUTLETS)
@pytest.mark.parametrize("controlled", CONTROLLED)
@pytest.mark.parametrize(
    "name", ["oven_times", "oven_temperatures", "carrier_times", "carrier_values", "velocity_factors"]
)
def test_a_set_point_that_is_no_number_names_program_and_compound(
    name: str, controlled: Controlled, outlet: float, accuracy: Accuracy
) -> None:
    batch = batch_of(programs_of(controlled)[1:2] * 3)
    with pytest.raises(EngineError, match=r"program 2\b.*compound [1-8]\b"):
        migrate(tables_of(controlled, outlet), _spoilt(batch, name), accuracy)


@pytest.mark.parametrize("accuracy", ACCURACIES)
@pytest.mark.parametrize("outlet", OUTLETS)
@pytest.mark.parametrize("controlled", CONTROLLED)
def test_a_property_that_is_no_number_names_its_compound(
    controlled: Controlled, outlet: float, accuracy: Accuracy
) -> None:
    system = ColumnSystem(COLUMN, CARRIER_GASES["helium"], outlet)
    diffusion = np.full(len(RETENTION), 3e-3)
    diffusion[2] = np.nan
    tables = migration_tables(system, RETENTION, controlled, diffusion=diffusion)
    with pytest.raises(EngineError, match=r"program 1\b.*compound 3\b"):
        migrate(tables, batch_of(programs_of(controlled)[:2]), accuracy)
