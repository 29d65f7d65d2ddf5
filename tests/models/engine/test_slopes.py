"""Slopes of times and widths, of one pass of the engine, against central differences of the engine itself."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from models.column.carrier_gas import CARRIER_GASES
from models.column.plate_height import typical_diffusion_constant
from models.column.programs import (
    CarrierProgram,
    Controlled,
    OvenProgram,
    Program,
    ProgramBatch,
    Ramp,
    batch_of,
)
from models.column.retention import shifted, with_typical_values
from models.column.system import Column, ColumnSystem
from models.peaks.migration import Directions, Migration, migrate, migration_tables

RETENTION = with_typical_values(np.linspace(310.0, 590.0, 21))
OVEN = (
    323.0,
    60.0,
    20 / 60,
    450.0,
    30.0,
    0.5,
    593.0,
    100.0,
)  # start, hold, and two ramps: rate, target, hold
CARRIERS: dict[Controlled, tuple[float, ...]] = {  # start, hold, and a ramp
    "pressure": (2e5, 100.0, 50.0, 2.5e5, 30.0),
    "flow": (2e-8, 100.0, 1e-10, 4e-8, 30.0),
    "velocity": (0.3, 100.0, 1e-3, 0.4, 30.0),
}
RAMP = ("rate", "target", "hold")
NAMES = ("start", "hold", *RAMP, *RAMP, "carrier start", "carrier hold", *RAMP)
Change = Callable[[float], Migration]


def batch(controlled: Controlled, x: np.ndarray) -> ProgramBatch:
    """The program of thirteen set points."""
    oven = OvenProgram(x[0], x[1], (Ramp(*x[2:5]), Ramp(*x[5:8])))
    return batch_of([Program(oven, CarrierProgram(controlled, x[8], x[9], (Ramp(*x[10:13]),)))])


def corners(made: ProgramBatch) -> tuple[np.ndarray, ...]:
    return made.oven_times, made.oven_temperatures, made.carrier_times, made.carrier_values


def directions(controlled: Controlled, x: np.ndarray) -> Directions:
    """Changes of the corners by a relative change of each set point, by central differences: corners are simple."""
    step, rows = 1e-6, []
    for i in range(x.size):
        up, down = (
            batch(controlled, x * np.where(np.arange(x.size) == i, 1 + h, 1.0)) for h in (step, -step)
        )
        rows.append([(a - b)[0] / (2 * step) for a, b in zip(corners(up), corners(down), strict=True)])
    return Directions(*(np.array(values)[None] for values in zip(*rows, strict=True)))


def central(change: Change, step: float) -> tuple[np.ndarray, ...]:
    """Derivatives of time, width, temperature and ln k at elution."""
    up, down = change(step), change(-step)
    return (
        (up.retention_time - down.retention_time)[0] / (2 * step),
        (up.width - down.width)[0] / (2 * step),
        (up.elution_temperature - down.elution_temperature)[0] / (2 * step),
        np.log(up.retention_factor / down.retention_factor)[0] / (2 * step),
    )


@pytest.mark.parametrize("outlet", [101325.0, 0.0])
@pytest.mark.parametrize("controlled", list(CARRIERS))
def test_slopes_are_those_of_central_differences(controlled: Controlled, outlet: float) -> None:
    """To 1e-6 of the largest, but for peaks so near a corner that the differences cross it."""
    system = ColumnSystem(
        Column(30.0, 0.25e-3, 0.25e-6), CARRIER_GASES["helium"], outlet, 1.02, 1.1, 0.3, 3.0
    )
    diffusion = typical_diffusion_constant(system.gas, RETENTION.T0)
    x = np.array([*OVEN, *CARRIERS[controlled]])

    def run(
        x: np.ndarray = x,
        system: ColumnSystem = system,
        retention=RETENTION,
        diffusion: np.ndarray = diffusion,
    ) -> Migration:
        return migrate(migration_tables(system, retention, controlled, diffusion), batch(controlled, x))

    tables = migration_tables(system, RETENTION, controlled, diffusion)
    made = batch(controlled, x)
    peaks = migrate(tables, made, "polish", directions(controlled, x))
    found = peaks.slopes
    assert found is not None
    bends = np.concatenate([made.oven_times[0] + system.oven_lag, made.carrier_times[0]])
    away = np.abs(peaks.retention_time[0][:, None] - bends).min(axis=1) > 0.3
    assert away.sum() > 15
    changes: list[tuple[str, Change, float]] = [
        (name, lambda h, i=i: run(x=x * np.where(np.arange(x.size) == i, 1 + h, 1.0)), 2e-6)
        for i, name in enumerate(NAMES)
    ]
    changes += [
        ("T0", lambda h: run(retention=shifted(RETENTION, T0=h)), 1e-3),
        ("ln theta", lambda h: run(retention=shifted(RETENTION, ln_theta=h)), 1e-5),
        ("dCp", lambda h: run(retention=shifted(RETENTION, dCp=h)), 1e-2),
        ("ln flow", lambda h: run(system=replace(system, flow_factor=1.02 * np.exp(h))), 1e-5),
        ("ln diffusion", lambda h: run(diffusion=diffusion * np.exp(h)), 1e-5),
        ("ln film diffusion", lambda h: run(system=replace(system, film_diffusion_factor=np.exp(h))), 1e-4),
    ]
    compared = 0
    for row, (name, change, step) in enumerate(changes):
        given = (
            found.retention_time[0, row],
            found.width[0, row],
            found.elution_temperature[0, row],
            found.ln_retention_factor[0, row],
        )
        for what, values, expected in zip("twTk", given, central(change, step), strict=True):
            largest = np.abs(expected[away]).max()
            # Below this, differences are those of the last digits: the set point comes after the last peak.
            if largest > {"t": 1e-4, "w": 1e-5, "T": 1e-3, "k": 1e-5}[what]:
                np.testing.assert_allclose(
                    values[away], expected[away], rtol=0, atol=1e-6 * largest, err_msg=f"{what} by {name}"
                )
                compared += 1
    assert compared > 50


def test_where_a_set_point_comes_after_a_peak_it_changes_nothing() -> None:
    system = ColumnSystem(Column(30.0, 0.25e-3, 0.25e-6), CARRIER_GASES["helium"], 101325.0)
    x = np.array([*OVEN, *CARRIERS["pressure"]])
    tables = migration_tables(system, RETENTION, "pressure")
    peaks = migrate(tables, batch("pressure", x), "polish", directions("pressure", x))
    assert peaks.slopes is not None
    early = peaks.retention_time[0] < 400.0  # before the second ramp
    assert early.sum() > 3
    assert (peaks.slopes.retention_time[0, 5:8][:, early] == 0.0).all()
    assert (peaks.slopes.width[0, 5:8][:, early] == 0.0).all()
