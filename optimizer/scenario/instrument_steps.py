"""The steps in which an instrument takes its set values."""

from __future__ import annotations

from models.column.programs import CarrierProgram, Controlled, OvenProgram, Program, Ramp
from models.units import ZERO_CELSIUS
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


def snapped(scenario: Scenario, program: Program) -> Program:
    """The program with every set point at the nearest of the instrument's steps."""
    steps, oven = scenario.instrument.steps, program.oven
    return Program(
        OvenProgram(
            on_grid(oven.start, steps.temperature, ZERO_CELSIUS),
            on_grid(oven.hold, steps.time),
            _snapped_ramps(scenario, oven.ramps, steps.rate, steps.temperature, ZERO_CELSIUS),
        ),
        settable_carrier(scenario, program.carrier),
    )


def settable_carrier(scenario: Scenario, carrier: CarrierProgram) -> CarrierProgram:
    """A carrier program on the instrument's steps."""
    step, offset = carrier_step(scenario, carrier.controlled)
    rate_step = carrier_rate_step(scenario, carrier.controlled)
    return CarrierProgram(
        carrier.controlled,
        max(on_grid(carrier.start, step, offset), offset + step),
        on_grid(carrier.hold, scenario.instrument.steps.time),
        _snapped_ramps(scenario, carrier.ramps, rate_step, step, offset),
    )


def _snapped_ramps(
    scenario: Scenario, ramps: tuple[Ramp, ...], rate_step: float, step: float, offset: float
) -> tuple[Ramp, ...]:
    """Ramps on the instrument's steps; a rate is at least one of them."""
    return tuple(
        Ramp(
            max(on_grid(ramp.rate, rate_step), rate_step),
            on_grid(ramp.target, step, offset),
            on_grid(ramp.hold, scenario.instrument.steps.time),
        )
        for ramp in ramps
    )
