"""Why nothing meets a goal: it cannot be met, is not sure enough yet, or was not found in the time given."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Literal

from models.column.programs import Program
from optimizer.base.numbers import MINUTES, percent, probability_beside
from optimizer.base.tables import BESIDE, WrittenBy, key
from optimizer.goal.reliability import Reliability
from optimizer.scenario.program_tables import program_document

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
