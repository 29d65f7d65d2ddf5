"""What a search is asked beside the best program: one ramp more, the unknowns, and what another injection is worth."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Annotated, NamedTuple

from optimizer.base.numbers import MINUTES, SHARE, percent
from optimizer.base.tables import key

ORDINALS = ("first", "second", "third", "fourth", "fifth")
WORTH = 0.02  # of the run time: an injection that saves less is not worth it
MIDDLE = (0.1, 0.9)  # quantiles of the interval of run times that is given


class RampMore(NamedTuple):
    """What a short search with one oven ramp more than allowed found: the ramps, and how much it saves [s]."""

    ramps: Annotated[int, key()]
    saves: Annotated[float, MINUTES, key("saves_min")]

    @property
    def text(self) -> str:
        """In words."""
        which = f"A {ORDINALS[self.ramps - 1]} oven ramp"
        if not self.saves:
            return f"{which} was tried in a short search, which found nothing faster: no proof that there is nothing."
        return f"{which} would save {MINUTES.text(self.saves)} min: set max_ramps = {self.ramps} to search with it."


class UnknownsCost(NamedTuple):
    """What a short search with the unknowns set aside found: their names, and how much they cost [s]."""

    unknowns: Annotated[tuple[str, ...], key()]
    costs: Annotated[float, MINUTES, key("costs_min")]

    @property
    def text(self) -> str:
        """In words."""
        peaks = "unknown peak" + "s" * (len(self.unknowns) > 1)
        which = f"Resolving {len(self.unknowns)} {peaks} ({', '.join(self.unknowns)})"
        if not self.costs:
            return f"{which} costs nothing that a short search without would save."
        return f"{which} costs {MINUTES.text(self.costs)} min, by a short search without."


def worth_it(gain: float, error: float) -> bool:
    """Whether an injection that saves this share of the run time, with this standard error, is worth making."""
    return gain >= WORTH and gain > error


def gain_in_words(gain: float, error: float) -> str:
    """A share of the run time with its standard error; one that may as well be nought says so."""
    found = f"{100 * gain:.1f} ± {100 * error:.1f} %"
    if gain > error:
        return found
    return f"{found}, {'the standard error covers nought' if gain >= -error else 'no gain'}"


@dataclass(frozen=True)
class AnotherRun:
    """What one more injection is worth, by the programs that the search found."""

    run: Annotated[str, key()]
    """the most valuable of the runs looked at"""
    now: Annotated[float, MINUTES, key("now_min")]
    """run time of the best program; NaN where none meets the goal"""
    probability: Annotated[float, SHARE, key("now_probability")]
    """its pass probability"""
    gain: Annotated[float, SHARE, key()]
    """share of what counts (run time, or more where the goal is not met) that the run is expected to save"""
    gain_error: Annotated[float, SHARE, key()]
    """standard error of the estimate"""
    expected: Annotated[float, MINUTES, key("expected_min")]
    """run time expected after it, where the goal is then met"""
    low: Annotated[float, MINUTES, key("low_min")]
    """10 % quantile of that run time"""
    high: Annotated[float, MINUTES, key("high_min")]
    """its 90 % quantile"""
    chance: Annotated[float, SHARE, key()]
    """that the goal is met after it"""

    @property
    def worth_it(self) -> Annotated[bool, key()]:
        """Whether the gain is 2 % or more, and more than its standard error."""
        return worth_it(self.gain, self.gain_error)

    @property
    def text(self) -> Annotated[str, key()]:
        """In words."""
        met = math.isfinite(self.now)
        start = (
            f"now {MINUTES.text(self.now)} min at {percent(self.probability)}"
            if met
            else "the goal is not met now"
        )
        found = gain_in_words(self.gain, self.gain_error)
        if not math.isfinite(self.expected) or not self.worth_it:
            stop = "confirm the best program" if met else "rampwright next looks further"
            return f"Another injection: {start}; one more run is worth less than {100 * WORTH:.0f} % ({found}): {stop}."
        chance = "" if self.chance == 1 else f", if the goal is then met ({percent(self.chance)})"
        low, expected, high = map(MINUTES.text, (self.low, self.expected, self.high))
        return (
            f"Another injection: {start}; after one more run {expected} min expected ({low} to {high}){chance}, worth "
            f"{found}: rampwright next proposes it."
        )
