"""A lower split ratio where the total flow holds the column flow down: hydrogen's cautious limit, for instance.

    total = F (1 + S) + purge                                                            [1]

At the same total flow the gas through the inlet, and with it the injected band, stays what it is; what changes is the
amount on the column, as 1/(1 + S).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from models.column.scaling import speed_optimised_flow
from models.units import flow_mL_min
from optimizer.goal.outcome import Prediction
from optimizer.scenario.data import Scenario

WORTH = (
    1.05  # times the column flow that must not fit for the limit to hold it, and that a lower ratio must give
)


@dataclass(frozen=True)
class LowerSplit:
    """A lower split ratio and what it allows; flows in m3/s.

    Attributes
    ----------
    limit : largest total flow
    flow : largest column flow of the program as it is
    old_ratio, ratio : as stated, and the one that would do
    allowed : column flow that it allows within the limit
    amount : times as much of the sample on the column; 1 where the vent is shut at the injection
    held_by : what keeps the ratio from being lower still; empty where nothing does
    """

    limit: float
    flow: float
    old_ratio: float
    ratio: float
    allowed: float
    amount: float
    held_by: str = ""

    @property
    def words(self) -> str:
        """What it gives."""
        column = f"a split ratio of {self.ratio:g}:1 in place of {self.old_ratio:g}:1"
        more = f", with {self.amount:.2g} times as much on the column" if self.amount > 1 else ""
        held = f" ({self.held_by} allows no lower one)" if self.held_by else ""
        return f"{column} would allow {flow_mL_min(self.allowed):.2g} mL/min{more}{held}"

    @property
    def text(self) -> str:
        """The whole as a sentence."""
        return (
            f"The largest total flow of {flow_mL_min(self.limit):g} mL/min holds the column flow at "
            f"{flow_mL_min(self.flow):.2g} mL/min: {self.words}."
        )


def lower_split(scenario: Scenario, prediction: Prediction) -> LowerSplit | None:
    """The ratio that would allow the usual speed-optimised column flow; None where the total flow holds nothing down.

    It is no lower than `min_split_ratio`, nor than what keeps stated amounts within the column's capacity.
    """
    inlet, instrument = scenario.inlet, scenario.instrument
    limit, ratio, flow = inlet.max_total_flow, inlet.split_ratio, float(prediction.flow.max())
    if limit is None or ratio is None or inlet.total_flow(WORTH * flow) < limit:
        return None
    wanted = min(speed_optimised_flow(scenario.column, scenario.gas), instrument.largest_column_flow)
    room = limit - inlet.septum_purge
    best, held_by = math.floor(room / wanted - 1), ""
    for least, name in _bounds(scenario, ratio):
        if least > best:
            best, held_by = math.ceil(least), name
    if best <= 0 or best >= ratio or room / (1 + best) < WORTH * flow:
        return None
    amount = (1 + ratio) / (1 + best) if inlet.mode == "split" else 1.0
    return LowerSplit(limit, flow, ratio, best, min(room / (1 + best), wanted), amount, held_by)


def _bounds(scenario: Scenario, ratio: float) -> list[tuple[float, str]]:
    """Split ratios that a lower one may not pass, and what says so."""
    inlet, capacity = scenario.inlet, scenario.capacity
    bounds = [(inlet.min_split_ratio, "inlet.min_split_ratio")] if inlet.min_split_ratio is not None else []
    amounts = [detail.amount for detail in scenario.analytes if detail.amount is not None]
    if inlet.mode == "split" and capacity is not None and amounts:
        bounds.append((max(amounts) / capacity * (1 + ratio) - 1, "column.capacity_ng"))
    return bounds
