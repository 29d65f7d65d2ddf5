"""Numbers as documents hold them: rounded, in trade units, None where there is none."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from models.units import HALF_95
from optimizer.base.quantities import MINUTE, NUMBER, SECOND, Unit

NONE = "–"  # on screens, where there is no number


def number(value: float | np.floating[Any], digits: int = 4) -> float | None:
    """A number for JSON: rounded to significant digits, None where there is none."""
    value = float(value)
    if not math.isfinite(value):
        return None
    if value == 0:
        return 0.0
    return round(value, max(digits - 1 - math.floor(math.log10(abs(value))), 0))


def percent(share: float) -> str:
    """A share of draws in %: none and all are said only where that is so."""
    rounded = f"{100 * share:.0f}"
    if rounded == "100" and share < 1:
        return "over 99 %"
    return "under 1 %" if rounded == "0" and share > 0 else f"{rounded} %"


def probability_beside(probability: float, required: float) -> str:
    """A pass probability in %, cut to hundredths where it would else read like the required one and is below it."""
    if probability < required and percent(probability) == percent(required):
        return f"{math.floor(1e4 * probability + 1e-6) / 100:g} %"
    return percent(probability)


@dataclass(frozen=True)
class Rounded:
    """How a number of a result is written: in a unit, to significant digits or to decimals; to fewer where it is shown.

    It stands in the annotation of the number, which itself is in SI.
    """

    unit: Unit = NUMBER
    digits: int = 4
    decimals: int | None = None
    shown: str = ".2f"

    def written(self, value: float, ambient_pressure: float = 0.0) -> float | None:
        """A value in SI as a document has it, None where there is no number."""
        in_unit = self.unit.of_si(float(value), ambient_pressure)
        if self.decimals is None or not math.isfinite(in_unit):
            return number(in_unit, self.digits)
        return round(in_unit, self.decimals) + 0.0  # no minus before a zero

    def text(self, value: float | None) -> str:
        """The same value on every screen: what the document has, cut to what is read; a dash where there is none."""
        found = None if value is None else self.written(value)
        if found is None:
            return NONE
        text = format(found, self.shown)
        return text if float(text) else format(0.0, self.shown)  # no minus before a zero

    def interval(self, value: float | None, sd: float | None) -> str:
        """The same with half of its 95 % interval, e.g. "6.283 ± 0.021"."""
        difference = replace(self, unit=replace(self.unit, zero=0.0))  # of two temperatures: no zero counts
        text = self.text(value)
        half = "–" if sd is None or text == "–" else difference.text(HALF_95 * sd)
        return text if half == "–" else f"{text} ± {half}"


MINUTES = Rounded(MINUTE, decimals=4)
SECONDS = Rounded(SECOND, digits=3, shown="+.1f")
RESOLUTION = Rounded(digits=6)
NEEDED = Rounded()
MARGIN = SHARE = Rounded(digits=3)
VALLEY = Rounded(digits=3, shown=".1f")  # % of the smaller apex
SAMPLES = Rounded(shown=".0f")
TWO_DECIMALS = Rounded(decimals=2)


def beside_needed(resolution: float, needed: float) -> str:
    """A resolution beside what is needed."""
    return f"{RESOLUTION.text(resolution)} ({NEEDED.text(needed)} needed)"
