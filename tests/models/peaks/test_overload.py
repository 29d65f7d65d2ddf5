"""Derivatives of peaks that lean, against simulations with the parameter itself moved."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from models.column.programs import CarrierProgram, batch_of
from models.column.retention import Retention, shifted
from models.column.system import ColumnSystem
from models.peaks.migration import Migration, migrate, migration_tables
from models.peaks.overload import shape_of
from models.peaks.sensitivity import sensitivity
from tests.models.peaks.test_sensitivity import AMBIENT, CARRIERS, COMPOUNDS, DIFFUSION, SYSTEM, program

LOAD = np.array([2e-4, 0.0, 5e-5, -1e-4, 2e-5])
SEEN = replace(SYSTEM, detector_variance=0.3)


def run(
    system: ColumnSystem, retention: Retention, made: object, load: np.ndarray | None = LOAD
) -> Migration:
    made = made if made is not None else program(CARRIERS[0])
    tables = migration_tables(system, retention, made.carrier.controlled, DIFFUSION, load)  # type: ignore[attr-defined]
    return migrate(tables, batch_of([made]), "polish")  # type: ignore[list-item]


def test_only_those_with_an_amount_move_and_the_rest_stay_to_the_last_digit() -> None:
    plain, leant = run(SEEN, COMPOUNDS, None, None), run(SEEN, COMPOUNDS, None)
    assert leant.retention_time[0, 1] == plain.retention_time[0, 1]
    assert leant.width[0, 1] == pytest.approx(plain.width[0, 1], rel=1e-12)
    later = (leant.retention_time - plain.retention_time)[0]
    assert (later[[0, 2, 4]] > 0.05).all()
    assert later[3] < -0.05
    assert plain.lean is None


@pytest.mark.parametrize("R", [-30.0, -0.3, 0.0, 0.02, 3.0, 80.0])
def test_derivatives_of_the_shape(R: float) -> None:
    h = 1e-3
    up, down, at = (shape_of(np.array(R + each)) for each in (h, -h, 0.0))
    assert at.apex_by_R == pytest.approx((up.apex - down.apex) / (2 * h), rel=1e-4, abs=1e-5)
    assert at.width_by_R == pytest.approx((up.width - down.width) / (2 * h), rel=1e-3, abs=1e-4)


@pytest.mark.parametrize("carrier", CARRIERS, ids=lambda carrier: carrier.mode)
@pytest.mark.parametrize("decay", [0.0, 0.8])
def test_derivatives_are_those_of_full_simulations(carrier: CarrierProgram, decay: float) -> None:
    """Amounts also change how a peak leans, and that what the system's decay makes of it."""
    shown = replace(SEEN, time_constant=decay)
    tables = migration_tables(shown, COMPOUNDS, carrier.controlled, DIFFUSION, LOAD)
    zero, plain = (AMBIENT if carrier.controlled == "pressure" else 0.0), program(carrier)
    found = sensitivity(tables, batch_of([plain]), zero)

    def by(move: Callable[[float], Migration], step: float) -> np.ndarray:
        up, down = move(step), move(-step)
        return np.array([up.retention_time - down.retention_time, up.width - down.width])[:, 0] / (2 * step)

    def system(name: str, value: float) -> Migration:
        return run(replace(shown, **{name: value}), COMPOUNDS, plain)

    moved = [
        (found.by_retention[:2, 0, 0], by(lambda h: run(shown, shifted(COMPOUNDS, T0=h), plain), 0.3)),
        (found.by_shared[:2, 0, 0], by(lambda h: system("flow_factor", 1.01 * np.exp(h)), 0.01)),
        (found.by_shared[:2, 0, 1], by(lambda h: system("plate_height_factor", 1.2 * np.exp(h)), 0.02)),
        (found.by_shared[:2, 0, 2], by(lambda h: system("injection_width", np.sqrt(0.16 + h)), 0.05)),
        (found.by_shared[:2, 0, 3], by(lambda h: run(shown, COMPOUNDS, program(carrier, warmer=h)), 0.5)),
        (found.by_shared[:2, 0, 4], by(lambda h: run(shown, COMPOUNDS, program(carrier, more=h)), 0.01)),
        (found.by_shared[:2, 0, 6], by(lambda h: system("film_diffusion_factor", np.exp(h)), 0.05)),
    ]
    for number, (ours, stepped) in enumerate(moved):
        for what, mine, theirs in zip(("time", "width"), ours, stepped, strict=True):
            scale = np.abs(theirs).max()
            np.testing.assert_allclose(
                mine, theirs, rtol=0.03, atol=0.02 * scale + 1e-9, err_msg=f"{number}, {what}"
            )
