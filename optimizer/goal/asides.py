"""What a search says beside its programs: why nothing meets the goal, what one ramp more or the unknowns make of it,
and what another injection is worth."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Annotated, Literal, NamedTuple

from models.column.programs import Program
from optimizer.base.numbers import MINUTES, SHARE, percent, probability_beside
from optimizer.base.tables import BESIDE, WrittenBy, key
from optimizer.goal.reliability import Reliability
from optimizer.scenario.program_tables import program_document

ORDINALS = ("first", "second", "third", "fourth", "fifth")
WORTH = 0.02  # of the run time: an injection that saves less is not worth it
MIDDLE = (0.1, 0.9)  # quantiles of the interval of run times that is given

Kind = Literal["cannot be met", "not sure enough yet", "not found in this time"]


@dataclass(frozen=True)
class Nominal:
    """The best program that meets every requirement nominally."""

    family: Annotated[str, key()]
    """kind of program in words"""
    program: Annotated[Program, WrittenBy(program_document), key(BESIDE)]
    """the program"""
    cost: Annotated[float, MINUTES, key("cost_min")]
    """run or cycle time, whichever is minimised"""
    reliability: Annotated[Reliability, key()]
    """pass probability with its reasons; what the fit's ignorance costs is asked of it"""


@dataclass(frozen=True)
class NotMet:
    """Why nothing meets the goal.

    Attributes
    ----------
    required : pass probability that is asked for; 0 where the nominal program decides
    """

    kind: Annotated[Kind, key()]
    """which kind of no it is. "cannot be met": one requirement stays out of reach with nothing else required, by
    more than 10 %, in three independent searches (six with carrier ramps) over all kinds of programs that agree
    within 0.5 %; "not sure enough yet": a program meets every requirement nominally, none with the required
    probability; "not found in this time": neither was shown"""
    required: float
    requirement: Annotated[str, key()] = ""
    """what cannot be met; empty elsewhere"""
    best_reachable: Annotated[str, key()] = ""
    """the best of it that was reached, in words"""
    limited_by: Annotated[tuple[str, ...], key()] = ()
    """limits of column and instrument that bind there"""
    nominal: Annotated[Nominal | None, key()] = None
    """the fastest program known that meets every requirement nominally: `family`, program, `cost_min` (min),
    `reliability`; None without one"""

    closest: Annotated[str, key()] = ""
    """what the closest program misses, and by how much, the furthest off first"""
    longer: Annotated[str, key()] = ""
    """options with which `optimize` searches four times as long"""

    @property
    def text(self) -> Annotated[str, key()]:
        """The same as a sentence, the first line of console and report."""
        if self.kind == "cannot be met":
            limits = f"limited by {', '.join(self.limited_by)}" if self.limited_by else "no limit binds there"
            return (
                f"Cannot be met: {self.requirement}. The best reachable, with nothing else required, is "
                f"{self.best_reachable}; {limits}. Independent searches agree."
            )
        if self.nominal is not None:
            known = self.nominal.reliability
            text = (
                f"Not sure enough yet: {MINUTES.text(self.nominal.cost)} min meets every requirement nominally, with "
                f"{probability_beside(known.share, self.required)} probability; required: {percent(self.required)}."
            )
            if known.main_risks:
                first = known.main_risks[0]
                text += f" Main risk: {first.text} (with it known exactly, {percent(first.share_without)})."
            return text
        closest = f"; the closest misses {self.closest}" if self.closest else ""
        on = (
            f"; to search on from here: {self.longer} --start-from FOLDER (of this result)"
            if self.longer
            else ""
        )
        return (
            f"Not found in this time: no program that was tried meets the goal{closest}. That it cannot be met was not "
            f"shown{on}."
        )


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


def gain_in_words(gain: float, error: float, of: str = "") -> str:
    """A share, of what `of` says, with its standard error; one that may as well be nought says so."""
    found = f"{100 * gain:.1f} %{of}, standard error {100 * error:.1f} %"
    if gain > error:
        return found
    return f"{found}: {'may be none' if gain >= -error else 'no gain'}"


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
    """that any program then meets the goal"""

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
            return f"Another injection: {start}; one more run is worth less than {100 * WORTH:.0f} % ({found}); {stop}."
        chance = (
            ""
            if self.chance == 1
            else f", if any program then meets the goal ({percent(self.chance)} chance)"
        )
        low, expected, high = map(MINUTES.text, (self.low, self.expected, self.high))
        return (
            f"Another injection: {start}; after one more run {expected} min expected ({low} to {high}){chance}, worth "
            f"{found}: rampwright next proposes it."
        )
