"""What follows the last peak: bake-out, cool-down and equilibration, and how many samples a shift holds."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from models.column.programs import Array, Program, Ramp, cooling_time, time_constant
from optimizer.goal.limits import heating_limit
from optimizer.scenario.data import BakeOut, Scenario


def after_run(scenario: Scenario, start: Array, last: Array) -> tuple[Array, Array]:
    """Bake-out, and cool-down with equilibration (N,) [s], of runs from `start` to `last` (N,) [K].

    The second is nan where the oven must cool and no cool-down is stated.
    """
    bake, instrument = scenario.goal.bake_out, scenario.instrument
    hottest, baking = last, np.zeros_like(last)
    if bake is not None:
        hottest = np.maximum(last, bake.temperature)
        baking = (hottest - last) / _bake_out_rate(scenario, bake, last, hottest) + bake.hold
    stated = instrument.cool_down
    room = instrument.ambient_temperature
    if stated is None:
        cooling = np.where(hottest > start, np.nan, 0.0)
    else:
        tau = time_constant(stated.duration, stated.from_temperature, stated.to_temperature, room)
        cooling = cooling_time(tau, hottest, start, room)
    return baking, cooling + instrument.equilibration


def _bake_out_rate(scenario: Scenario, bake: BakeOut, start: Array, end: Array) -> Array:
    """Heating rate [K/s] of a bake-out from `start` to `end` [K]: as stated, or as fast as the oven can."""
    limit = heating_limit(scenario.instrument.heating_limits, start, end)
    return limit if bake.rate is None else np.minimum(bake.rate, limit)


def cycle_time(scenario: Scenario, program: Program, run_time: float) -> float:
    """From one injection to the next [s]; nan when the oven must cool and no cool-down is stated."""
    knots = program.oven.knots()[1]
    without = replace(scenario, goal=replace(scenario.goal, bake_out=None))  # a shown program holds its own
    _, turnaround = after_run(without, np.array([knots[0]]), np.array([knots[-1]]))
    return run_time + float(turnaround[0])


def samples_per_shift(scenario: Scenario, cycle: float) -> float:
    """Whole cycles in a shift; nan where the cycle time is."""
    return float(np.floor(scenario.goal.shift / cycle + 1e-9))


def with_bake_out(scenario: Scenario, program: Program) -> Program:
    """A program that ends with its last peak, followed by the bake-out that the scenario asks for."""
    bake, oven = scenario.goal.bake_out, program.oven
    if bake is None:
        return program
    last = oven.knots()[1][-1]
    if bake.temperature <= last:
        if not oven.ramps:
            return replace(program, oven=replace(oven, hold=oven.hold + bake.hold))
        end = replace(oven.ramps[-1], hold=oven.ramps[-1].hold + bake.hold)
        return replace(program, oven=replace(oven, ramps=(*oven.ramps[:-1], end)))
    rate = float(_bake_out_rate(scenario, bake, np.array(last), np.array(bake.temperature)))
    step = scenario.instrument.steps.rate
    settable = max(np.floor(rate / step + 1e-9) * step, min(step, rate))
    ramp = Ramp(float(settable), bake.temperature, bake.hold)
    return replace(program, oven=replace(oven, ramps=(*oven.ramps, ramp)))
