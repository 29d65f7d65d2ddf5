"""Swept values on the steps in which the instrument takes them, so that the best run can be typed in."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from models.programs import Controlled
from optimizer.instrument_steps import carrier_rate_step, carrier_step
from optimizer.scenario_data import Scenario
from optimizer.set_point_names import SetPoint
from optimizer.sweep import Axis

DUST = 1e-6  # of a step
NEAR = 1e-3  # of a step; values closer to one than this are that step


def on_steps(scenario: Scenario, axes: tuple[Axis, ...], controlled: Controlled) -> tuple[Axis, ...]:
    """Axes whose values hold the instrument's steps, within the range asked for.

    Values are moved to the nearest step. Where the steps are coarser than the values of a single axis, these are kept
    for the sake of the curve, and those on the steps are put between them.

    Parameters
    ----------
    controlled : what the carrier program sets
    """
    single = len(axes) == 1
    return tuple(_on_steps(axis, step_of(scenario, axis.point, controlled), single) for axis in axes)


def _on_steps(axis: Axis, step: float, single: bool) -> Axis:
    low, high = (axis.values[at] / step for at in (0, -1))
    first, last = np.ceil(low - DUST), np.floor(high + DUST)
    count = int(last - first) + 1
    if count < 2 or (single and count < len(axis.values)):
        grid = np.arange(first, last + 1) * step
        between = [value for value in axis.values if not np.any(np.abs(grid - value) < NEAR * step)]
        return replace(axis, values=np.sort([*between, *grid]), step=step)
    settable = np.unique(np.clip(np.round(axis.values / step), first, last))
    return replace(axis, values=settable * step, step=step)


def step_of(scenario: Scenario, point: SetPoint, controlled: Controlled) -> float:
    """The instrument's step for a set point, in the unit of its values.

    Values here are counted as instruments count them, temperatures in °C and pressures from the room's: their steps
    start at zero.
    """
    steps = scenario.instrument.steps
    if point.field == "hold":
        step = steps.time
    elif point.part == "oven":
        step = steps.rate if point.field == "rate" else steps.temperature
    elif point.field == "rate":
        step = carrier_rate_step(scenario, controlled)
    else:
        step, _ = carrier_step(scenario, controlled)
    return step / point.scale
