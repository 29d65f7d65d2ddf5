"""Which part of a program shown is the bake-out: the method ends before it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.units import SECONDS_PER_MINUTE, celsius
from optimizer.goal import end_of_peak
from optimizer.results import Prediction
from optimizer.scenario_data import Scenario
from optimizer.set_points import typed


@dataclass(frozen=True)
class BakeOutPart:
    """The end of an oven program that only cleans the column.

    Attributes
    ----------
    begins : float  [s]
    own_ramp : bool, whether the last ramp belongs to it; else it is the last part of the last hold
    hold : float  [s]
    temperature : float  [K]
    """

    begins: float
    own_ramp: bool
    hold: float
    temperature: float

    def words(self, ramps: int) -> str:
        """One line for people, of a program with so many oven ramps."""
        hold = f"{typed(self.hold / SECONDS_PER_MINUTE, 3)} min at {typed(celsius(self.temperature), 2)} °C"
        begins = f"begins at {self.begins / SECONDS_PER_MINUTE:.2f} min"
        if self.own_ramp:
            return f"ramp {ramps} and its hold, {hold}; {begins}"
        return f"the last {hold}, part of the {'last ' if ramps else ''}hold; {begins}"


def bake_out_part(scenario: Scenario, prediction: Prediction) -> BakeOutPart | None:
    """The bake-out of a program that a search of the scenario gave, None where it asks for none."""
    bake, oven = scenario.goal.bake_out, prediction.program.oven
    if bake is None:
        return None
    times, temperatures = oven.knots()
    hold = bake.hold
    if oven.ramps:
        rising = times[-3]
        last = float(np.max(end_of_peak(prediction.retention, prediction.width_half)))
        if rising > last - scenario.instrument.steps.time / 2:  # the method ended on the clock's grid
            return BakeOutPart(rising, True, hold, temperatures[-1])
    return BakeOutPart(oven.duration - hold, False, hold, temperatures[-1])
