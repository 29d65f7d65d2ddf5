"""The steps in which an instrument takes its set values."""

from __future__ import annotations

from models.column.programs import Controlled
from optimizer.scenario.data import Scenario

VELOCITY_STEP = 1e-3  # m/s; scenarios state no step of their own for velocities. Common practice, no source


def carrier_step(scenario: Scenario, controlled: Controlled) -> tuple[float, float]:
    """Step of what the carrier program sets [Pa, m3/s or m/s], and what is added to its multiples."""
    steps = scenario.instrument.steps
    if controlled == "pressure":
        return steps.pressure, scenario.ambient_pressure
    return (steps.flow, 0.0) if controlled == "flow" else (VELOCITY_STEP, 0.0)


def carrier_rate_step(scenario: Scenario, controlled: Controlled) -> float:
    """Step of the rate [per s] of the carrier's ramps."""
    steps = scenario.instrument.steps
    return {"pressure": steps.pressure_rate, "flow": steps.flow_rate, "velocity": VELOCITY_STEP / 60.0}[
        controlled
    ]


def on_grid(value: float, step: float, offset: float = 0.0) -> float:
    """The multiple of a step nearest to a value, counted from an offset."""
    return round((value - offset) / step) * step + offset
