"""Programs as corners in time."""

from __future__ import annotations

import numpy as np
import pytest

from models.column.programs import CarrierProgram, OvenProgram, Program, Ramp, batch_of, values_at
from models.errors import InvalidInputError

OVEN = OvenProgram(320.0, 60.0, (Ramp(0.5, 420.0, 30.0), Ramp(2.0, 400.0, 0.0), Ramp(0.1, 400.0, 15.0)))


def test_corners() -> None:
    times, values = OVEN.knots()
    assert times == [0, 60, 260, 290, 300, 300, 300, 315]
    assert values == [320, 320, 420, 420, 400, 400, 400, 400]
    assert OVEN.duration == 315
    assert OVEN.highest == 420


def test_values_between_corners_agree_with_numpy() -> None:
    rng = np.random.default_rng(3)
    programs = []
    for _ in range(20):
        ramps = tuple(
            Ramp(float(rng.uniform(0.05, 2)), float(rng.uniform(300, 600)), float(rng.uniform(1, 200)))
            for _ in range(rng.integers(0, 4))
        )
        oven = OvenProgram(float(rng.uniform(300, 400)), float(rng.uniform(1, 100)), ramps)
        programs.append(Program(oven, CarrierProgram("flow", 2e-8)))
    batch = batch_of(programs)
    times = np.sort(rng.uniform(-10, 5000, (20, 50)), axis=1)
    ours = values_at(times, batch.oven_times, batch.oven_temperatures)
    for n, program in enumerate(programs):
        np.testing.assert_allclose(ours[n], np.interp(times[n], *program.oven.knots()), rtol=1e-12)


def test_a_batch_pads_with_the_last_corner_and_slices() -> None:
    carrier = CarrierProgram("pressure", 2e5, 10.0, (Ramp(1e3, 3e5),))
    batch = batch_of([Program(OVEN, carrier), Program(OvenProgram(350.0), carrier)])
    assert batch.size == 2
    assert batch.oven_times.shape == (2, 8)
    assert np.all(batch.oven_temperatures[1] == 350.0)
    assert batch[1:].size == 1
    assert batch[1:].carrier_values.tolist() == [[2e5, 2e5, 3e5, 3e5]]


def test_modes_in_words() -> None:
    assert CarrierProgram("velocity", 0.3).mode == "constant velocity"
    assert CarrierProgram("pressure", 2e5, 0.0, (Ramp(1e3, 3e5),)).mode == "pressure program"


@pytest.mark.parametrize(
    ("start", "hold", "ramps"),
    [
        (-1.0, 0.0, ()),
        (0.0, 0.0, ()),
        (float("nan"), 0.0, ()),
        (320.0, -1.0, ()),
        (320.0, 0.0, (Ramp(0.0, 400.0),)),
        (320.0, 0.0, (Ramp(-0.5, 300.0),)),
        (320.0, 0.0, (Ramp(0.5, -400.0),)),
        (320.0, 0.0, (Ramp(0.5, 400.0, -1.0),)),
        (320.0, 0.0, (Ramp(float("nan"), 400.0),)),
    ],
)
def test_impossible_programs_are_refused(start: float, hold: float, ramps: tuple[Ramp, ...]) -> None:
    with pytest.raises(InvalidInputError, match="oven program"):
        OvenProgram(start, hold, ramps)
    with pytest.raises(InvalidInputError, match="carrier program"):
        CarrierProgram("flow", start, hold, ramps)


def test_batches_that_make_no_sense_are_refused() -> None:
    with pytest.raises(InvalidInputError, match="at least one"):
        batch_of([])
    mixed = [Program(OVEN, CarrierProgram("flow", 2e-8)), Program(OVEN, CarrierProgram("pressure", 2e5))]
    with pytest.raises(InvalidInputError, match="flow, pressure"):
        batch_of(mixed)
