"""The split ratio as a lever: the one that is chosen for a program, and a lower one that would allow more flow.

total = F (1 + S) + purge,   amount on the column ~ 1/(1 + S)
"""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import dataclass, replace
from typing import Annotated, get_args

import numpy as np

from models.column.programs import Array
from models.peaks.injection import NARROW_BAND, flow_for_band
from models.peaks.resolution import HALF_HEIGHT_WIDTH
from models.units import Number, flow_mL_min
from optimizer.base.numbers import Rounded
from optimizer.base.tables import key
from optimizer.goal.outcome import Prediction
from optimizer.scenario.data import COUNTED_ROLES, Role, Scenario
from optimizer.scenario.instrument_data import Inlet, SplitBound

# Times the column flow that must not fit for the limit to hold it, and that a lower split ratio must give.
WORTH = 1.05
TOTAL = "inlet.max_total_flow_mL_min"
BAND = "inlet.injected_volume_mL"


@dataclass(frozen=True)
class ChosenSplit:
    """A split ratio chosen for a program within bounds, each with the key it comes from."""

    stated: Annotated[float, Rounded(), key()]
    """the ratio of the scouting runs"""
    ratio: Annotated[float, Rounded(), key()]
    """the ratio to set"""
    lowest: Annotated[float, Rounded(), key()]
    """no lower one would do"""
    lowest_by: Annotated[str, key()]
    """what bounds it below"""
    highest: Annotated[float, Rounded(), key()]
    """no higher one would do; infinite without a bound"""
    highest_by: Annotated[str, key()]
    """what bounds it above; may be empty"""

    @property
    def possible(self) -> bool:
        """Whether the bounds leave a ratio."""
        return self.lowest <= self.highest

    @property
    def text(self) -> str:
        """The bounds in words."""
        above = "" if math.isinf(self.highest) else f", at most {self.highest:.3g}:1 ({self.highest_by})"
        return f"at least {self.lowest:.3g}:1 ({self.lowest_by}){above}; {self.stated:g}:1 was scouted"


def amounts_of(scenario: Scenario, roles: Collection[Role] = get_args(Role)) -> list[float]:
    """Amounts on the column [ng] at the stated split ratio, of compounds of some roles; all unless given."""
    return [each.amount for each in scenario.analytes if each.amount is not None and each.role in roles]


def lowest_split(scenario: Scenario) -> float:
    """The split ratio that the search counts: the stated one, or the lowest that may be chosen; 0 without a split."""
    inlet = scenario.inlet
    bound = inlet.lowest_split(amounts_of(scenario), scenario.capacity) if inlet.choose_split else None
    return (inlet.split_ratio or 0.0) if bound is None else bound.ratio


def lowest_inlet(scenario: Scenario) -> Inlet:
    """The inlet at that ratio."""
    return replace(scenario.inlet, split_ratio=lowest_split(scenario) or None)


def _room(inlet: Inlet) -> float:
    """What the limit of the total flow leaves to column and split vent [m3/s]; infinite without one."""
    return math.inf if inlet.max_total_flow is None else inlet.max_total_flow - inlet.septum_purge


def flow_within_total(scenario: Scenario) -> float:
    """The largest column flow [m3/s] that the total flow allows; infinite without a limit."""
    return _room(scenario.inlet) / (1 + lowest_split(scenario))


def _highest(scenario: Scenario) -> SplitBound | None:
    amounts = amounts_of(scenario, COUNTED_ROLES)
    return scenario.inlet.highest_split(amounts, scenario.detector.min_amount)


def band_margin(scenario: Scenario, flow: Array, pressure: Array, sigma: Array) -> Array:
    """(N,) relative margin of the injected band at the highest split ratio that may be chosen; 1 without a bound.

    Parameters
    ----------
    flow, pressure : (N, Q) arrays over the run  [m3/s], [Pa absolute]
    sigma : (N,) array  [s], of the narrowest target
    """
    inlet, highest = scenario.inlet, _highest(scenario)
    most = np.full(len(sigma), math.inf if highest is None else 1 + highest.ratio)
    most = np.minimum(most, _room(inlet) / flow.max(axis=1))
    needed = _per_column_flow(inlet, flow[:, 0], pressure[:, 0], sigma)
    return np.asarray(np.minimum(most / needed - 1, 1.0))


def _per_column_flow(inlet: Inlet, flow: Number, pressure: Number, sigma: Number) -> Number:
    """1 + S that keeps the injected band within `NARROW_BAND` of sigma [s], flow and pressure those at the start."""
    assert inlet.injected_volume is not None
    return flow_for_band(inlet.injected_volume, NARROW_BAND * sigma, inlet.temperature, pressure) / flow


def narrowest(scenario: Scenario, width_half: Array) -> Array:
    """Standard deviation [s] of the narrowest target, from (..., M) widths at half height [s]; nan: none elutes."""
    counts = [scenario.role(name) in COUNTED_ROLES for name in scenario.compounds]
    widths = width_half[..., counts] if any(counts) else width_half
    return np.asarray(np.fmin.reduce(widths, axis=-1) / HALF_HEIGHT_WIDTH)


def chosen_split(scenario: Scenario, prediction: Prediction) -> ChosenSplit | None:
    """The ratio nearest to the stated one that keeps every bound; None where none is to be chosen.

    Where the bounds leave none, the lowest that the total flow allows.
    """
    inlet = scenario.inlet
    low = inlet.lowest_split(amounts_of(scenario), scenario.capacity)
    if not inlet.choose_split or inlet.split_ratio is None or low is None:
        return None
    highs = [each for each in [_highest(scenario)] if each is not None]
    flow, early = prediction.flow, np.ones(len(prediction.flow), dtype=bool)
    if inlet.gas_saver is not None:
        early = prediction.trace_times < inlet.gas_saver.after
        early[0] = True
    if inlet.max_total_flow is not None:
        highs.append(SplitBound(float(_room(inlet) / flow[early].max()) - 1, TOTAL))
    sigma = float(narrowest(scenario, prediction.width_half))
    if inlet.injected_volume is not None and math.isfinite(sigma):
        needed = _per_column_flow(inlet, float(flow[0]), float(prediction.inlet_pressure[0]), sigma) - 1
        low = max(low, SplitBound(needed, BAND))
    high = min(highs, default=SplitBound(math.inf, ""))
    ratio = inlet.split_ratio
    if low.ratio > ratio:
        ratio = min(math.ceil(low.ratio), max(high.ratio, low.ratio))
    elif high.ratio < ratio:
        ratio = max(math.floor(high.ratio), low.ratio)
    if low.ratio > high.ratio:
        ratio = min([low.ratio, *(each.ratio for each in highs if each.name == TOTAL)])
    return ChosenSplit(inlet.split_ratio, ratio, low.ratio, low.name, high.ratio, high.name)


def inlet_of(scenario: Scenario, prediction: Prediction) -> Inlet:
    """The inlet as it is set for a program."""
    chosen = chosen_split(scenario, prediction)
    return scenario.inlet if chosen is None else replace(scenario.inlet, split_ratio=chosen.ratio)


def more_on_column(scenario: Scenario, prediction: Prediction) -> float:
    """Times the amount on the column at the stated split ratio."""
    chosen = chosen_split(scenario, prediction)
    return 1.0 if chosen is None else (1 + chosen.stated) / (1 + chosen.ratio)


def largest_total_flow(scenario: Scenario, prediction: Prediction) -> float:
    """The largest total flow [m3/s] over a program."""
    inlet = inlet_of(scenario, prediction)
    return float(inlet.flow_taken(prediction.flow, prediction.trace_times).max())


def about_split(scenario: Scenario, prediction: Prediction) -> list[str]:
    """A sentence where the bounds leave no ratio, or where a lower one would allow more column flow."""
    chosen = chosen_split(scenario, prediction)
    if chosen is not None and not chosen.possible:
        return [f"No split ratio keeps every bound: {chosen.text}."]
    lower = lower_split(scenario, float(prediction.flow.max()))
    return [] if lower is None else [lower.text]


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


def lower_split(scenario: Scenario, flow: float) -> LowerSplit | None:
    """The ratio that would allow the usual speed-optimised flow; None where the total flow holds nothing down.

    total = F (1 + S) + purge: at the same total the injected band stays what it is, and the amount goes as 1/(1 + S).
    `flow` [m3/s] is the largest column flow of a program. The ratio is no lower than `min_split_ratio`, nor than what
    keeps stated amounts within the column's capacity.
    """
    from models.column.scaling import speed_optimised_flow  # takes scipy, which check does without

    inlet, instrument = scenario.inlet, scenario.instrument
    limit, ratio = inlet.max_total_flow, inlet.split_ratio
    if limit is None or ratio is None or inlet.choose_split or inlet.total_flow(WORTH * flow) < limit:
        return None
    wanted = min(speed_optimised_flow(scenario.column, scenario.gas), instrument.largest_column_flow)
    room = _room(inlet)
    best, held_by = math.floor(room / wanted - 1), ""
    bound = inlet.lowest_split(amounts_of(scenario), scenario.capacity)
    if bound is not None and bound.ratio > best:
        best, held_by = math.ceil(bound.ratio), bound.name
    if best <= 0 or best >= ratio or room / (1 + best) < WORTH * flow:
        return None
    amount = (1 + ratio) / (1 + best) if inlet.mode == "split" else 1.0
    return LowerSplit(limit, flow, ratio, best, min(room / (1 + best), wanted), amount, held_by)
