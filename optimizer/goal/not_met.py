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
    """The best program that meets every requirement nominally.

    Attributes
    ----------
    cost : [s], run or cycle time, whichever is minimised
    """

    family: Annotated[str, key()]
    program: Annotated[Program, WrittenBy(program_document), key(BESIDE)]
    cost: Annotated[float, MINUTES, key("cost_min")]
    reliability: Annotated[Reliability, key()]


@dataclass(frozen=True)
class NotMet:
    """Why nothing meets the goal.

    Attributes
    ----------
    required : pass probability that is asked for; 0 where the nominal program decides
    requirement : what cannot be met even if nothing else is asked; empty elsewhere
    best_reachable : the best of it that was reached, in words
    limited_by : limits of column and instrument that bind there
    nominal : None where no program meets every requirement nominally
    """

    kind: Annotated[Kind, key()]
    required: float
    requirement: Annotated[str, key()] = ""
    best_reachable: Annotated[str, key()] = ""
    limited_by: Annotated[tuple[str, ...], key()] = ()
    nominal: Annotated[Nominal | None, key()] = None

    @property
    def text(self) -> Annotated[str, key()]:
        """In a sentence."""
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
        return "Not found in this time: no program that was tried meets the goal. That it cannot be met was not shown."
