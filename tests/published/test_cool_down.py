"""Cool-down: Newton's law through a stated point, against its closed form, an integration, and the trade's figures.

That ovens cool by Newton's law is common practice, no source.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from models.column.programs import cooling_time, time_constant
from models.units import kelvin
from tests.published.tables import half_unit

ROOM = kelvin(22.0)


def test_the_time_constant_worked_by_hand() -> None:
    """From 250 to 50 °C in 5 min in a room of 22 °C: 5 min/ln(228/28) = 5 min/2.0971 = 2.3842 min."""
    tau = time_constant(300.0, kelvin(250.0), kelvin(50.0), ROOM)
    assert tau / 60 == pytest.approx(2.3842, abs=1e-4)


@pytest.mark.parametrize("end", [150.0, 60.0, 24.0])
def test_against_the_equation_integrated(end: float) -> None:
    """dT/dt = -(T - room)/tau marched from 310 °C until the oven is at `end` °C."""
    tau = 130.0

    def warm(t: float, T: np.ndarray) -> float:
        return float(T[0] - kelvin(end))

    warm.terminal = True  # type: ignore[attr-defined]
    run = solve_ivp(
        lambda t, T: -(T - ROOM) / tau, (0, 5000), [kelvin(310.0)], events=warm, rtol=1e-11, atol=1e-9
    )
    t = float(cooling_time(tau, np.array(kelvin(310.0)), np.array(kelvin(end)), ROOM))
    assert t == pytest.approx(run.t_events[0][0], rel=1e-8)


def test_the_trades_figure() -> None:
    """300 to 50 °C in 3.4 min (an oven's data sheet; from memory) is a time constant of 1.5 min, as rounded."""
    tau = time_constant(3.4 * 60, kelvin(300.0), kelvin(50.0), ROOM)
    assert tau / 60 == pytest.approx(1.5, abs=half_unit(1))


def test_older_ovens() -> None:
    """Theirs is about 2.5 min (common practice, no source); by hand 2.5 min x ln(278/28) = 2.5 x 2.2954 = 5.74 min."""
    t = float(cooling_time(2.5 * 60, np.array(kelvin(300.0)), np.array(kelvin(50.0)), ROOM))
    assert t / 60 == pytest.approx(5.74, abs=half_unit(2))
