"""Cool-down: Newton's law through a stated point, against its closed form, an integration, and the trade's figure."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from models.cool_down import cooling_time, time_constant
from models.units import kelvin

ROOM = kelvin(22.0)


def test_the_stated_point_is_met() -> None:
    tau = time_constant(300.0, kelvin(250.0), kelvin(50.0), ROOM)
    assert float(cooling_time(tau, np.array(kelvin(250.0)), np.array(kelvin(50.0)), ROOM)) == pytest.approx(
        300.0
    )
    # Closed form, worked by hand: 5 min/ln(228/28) = 5 min/2.0971 = 2.3842 min.
    assert tau / 60 == pytest.approx(2.3842, abs=1e-4)


def test_against_the_equation_integrated() -> None:
    """dT/dt = -(T - room)/tau marched from 310 °C until the oven is at 60 °C."""
    tau = 130.0

    def warm(t: float, T: np.ndarray) -> float:
        return float(T[0] - kelvin(60.0))

    warm.terminal = True  # type: ignore[attr-defined]
    run = solve_ivp(
        lambda t, T: -(T - ROOM) / tau, (0, 5000), [kelvin(310.0)], events=warm, rtol=1e-11, atol=1e-9
    )
    t = float(cooling_time(tau, np.array(kelvin(310.0)), np.array(kelvin(60.0)), ROOM))
    assert t == pytest.approx(run.t_events[0][0], rel=1e-8)


def test_the_trades_figure() -> None:
    """A time constant of about 1.5 min goes with 300 to 50 °C in 3.4 min (an oven's data sheet; from memory)."""
    tau = time_constant(3.4 * 60, kelvin(300.0), kelvin(50.0), ROOM)
    assert tau / 60 == pytest.approx(1.5, abs=0.1)


def test_an_oven_that_need_not_cool_takes_no_time() -> None:
    assert float(cooling_time(100.0, np.array(350.0), np.array(350.0), ROOM)) == 0.0
    assert float(cooling_time(100.0, np.array(340.0), np.array(350.0), ROOM)) == 0.0
    assert time_constant(300.0, 320.0, 330.0, ROOM) == 0.0


def test_the_room_itself_is_a_degree_away() -> None:
    """Newton's law never gets there; without a floor the time would be endless."""
    t = float(cooling_time(100.0, np.array(ROOM + 100.0), np.array(ROOM - 5.0), ROOM))
    assert t == pytest.approx(100.0 * np.log(100.0))
