"""Cool-down: arrays, the floor a degree above the room, and what descents see of it."""

from __future__ import annotations

import numpy as np
import pytest

from models.column.programs import LEAST_EXCESS, cooling_time, time_constant
from models.units import kelvin

ROOM = kelvin(22.0)
TAU = 100.0


def test_the_stated_point_is_met_in_any_room() -> None:
    for room in (kelvin(10.0), kelvin(22.0), kelvin(35.0)):
        tau = time_constant(300.0, kelvin(250.0), kelvin(50.0), room)
        t = cooling_time(tau, np.array(kelvin(250.0)), np.array(kelvin(50.0)), room)
        assert float(t) == pytest.approx(300.0, rel=1e-12)


def test_a_warmer_room_makes_the_last_degrees_longer() -> None:
    hot, cold = np.array(kelvin(250.0)), np.array(kelvin(40.0))
    assert cooling_time(TAU, hot, cold, kelvin(35.0)) > 1.3 * cooling_time(TAU, hot, cold, kelvin(20.0))


def test_arrays_of_any_shapes_that_broadcast() -> None:
    starts, ends = ROOM + np.array([[100.0], [200.0]]), ROOM + np.array([10.0, 20.0, 40.0])
    expected = TAU * np.log([[10.0, 5.0, 2.5], [20.0, 10.0, 5.0]])
    np.testing.assert_allclose(cooling_time(TAU, starts, ends, ROOM), expected, rtol=1e-12)


def test_cooling_in_two_steps_takes_as_long_as_in_one() -> None:
    hot, mild, cold = (np.array(kelvin(t)) for t in (320.0, 150.0, 45.0))
    two = cooling_time(TAU, hot, mild, ROOM) + cooling_time(TAU, mild, cold, ROOM)
    assert float(two) == pytest.approx(float(cooling_time(TAU, hot, cold, ROOM)), rel=1e-12)


def test_an_oven_that_need_not_cool_takes_no_time() -> None:
    """A run that never heats, and one that ends cooler than the next begins."""
    ends = np.array([350.0, 350.0])
    np.testing.assert_array_equal(cooling_time(TAU, np.array([350.0, 340.0]), ends, ROOM), 0.0)
    assert time_constant(300.0, 320.0, 330.0, ROOM) == 0.0


def test_the_room_itself_is_a_degree_away() -> None:
    """Newton's law never gets there; without a floor the time would be endless."""
    below = ROOM + np.array([LEAST_EXCESS, 0.5, 0.0, -5.0])
    t = cooling_time(TAU, np.array(ROOM + 100.0), below, ROOM)
    np.testing.assert_allclose(t, TAU * np.log(100.0), rtol=1e-12)
    tau = time_constant(TAU, ROOM + 100.0, ROOM - 5.0, ROOM)
    assert tau == pytest.approx(TAU / np.log(100.0))


@pytest.mark.parametrize("excess", [2.0, 28.0, 200.0])
def test_descents_get_its_slopes(excess: float) -> None:
    """dt/d(end) = -tau/(end - room) and dt/d(start) = tau/(start - room), by central differences."""
    h = 1e-4
    hot, T = ROOM + 250.0, ROOM + excess
    at_end = np.diff(cooling_time(TAU, np.array(hot), np.array([T - h, T + h]), ROOM))[0] / (2 * h)
    at_start = np.diff(cooling_time(TAU, np.array([hot - h, hot + h]), np.array(T), ROOM))[0] / (2 * h)
    assert at_end == pytest.approx(-TAU / excess, rel=1e-6)
    assert at_start == pytest.approx(TAU / 250.0, rel=1e-6)
