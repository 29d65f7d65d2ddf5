"""How sure a program is: its pass probability, what that is lowered by, and what each set point being off does."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Annotated, Literal, NamedTuple

from optimizer.base.numbers import MARGIN, NEEDED, SECONDS, SHARE, Rounded
from optimizer.base.tables import key

Gain = Literal["clear", "unclear", "none"]
Pair = tuple[str, str]

LISTED = 5  # requirements named of those that are missed in some draws
LEVEL = 0.95  # of the interval beside a share of draws


@dataclass(frozen=True)
class Source:
    """A source of uncertainty.

    Attributes
    ----------
    text : what it is
    share_without : pass probability without it
    gain : whether that is more than with it: beyond chance, perhaps by chance, or not at all
    main_risk : whether it is the one that costs most, or one of those that the draws cannot tell from it
    """

    text: Annotated[str, key("source")]
    share_without: Annotated[float, SHARE, key()]
    gain: Annotated[Gain, key()]
    main_risk: Annotated[bool, key("costliest")]


class Failure(NamedTuple):
    """A requirement, and the share of draws in which it is missed."""

    what: Annotated[str, key()]
    share: Annotated[float, SHARE, key()]


@dataclass(frozen=True)
class Reliability:
    """How probably a program meets every requirement, all that is uncertain being drawn.

    Attributes
    ----------
    share : the pass probability: share of draws in which every requirement is met, that of each pair among them
    draws : how many there were
    by_derivatives : the share by the first derivatives that the search follows, where draws that were simulated
        outright corrected it; None where none were
    failures : what is missed, the most frequent first
    sources : of uncertainty, the main risk first
    """

    share: Annotated[float, SHARE, key()]
    draws: Annotated[int, key()]
    by_derivatives: Annotated[float | None, SHARE, key("share_by_derivatives")]
    failures: tuple[Failure, ...]
    sources: Annotated[tuple[Source, ...], key()]

    @property
    def interval(self) -> Annotated[tuple[float, float], Rounded(decimals=3), key("share_interval")]:
        """95 % interval of the share: what so many draws leave open.

        Wilson, J. Am. Stat. Assoc. 22 (1927) 209: it stays within 0 and 1 and says something where all or none pass.
        """
        from scipy.stats import binomtest  # here, since most that imports this module judges nothing

        found = binomtest(round(self.share * self.draws), self.draws).proportion_ci(LEVEL, method="wilson")
        return float(found.low), float(found.high)

    @property
    def most_missed(self) -> Annotated[tuple[Failure, ...], key("failures")]:
        """The most frequent of the failures."""
        return self.failures[:LISTED]

    @property
    def main_risks(self) -> tuple[Source, ...]:
        """The sources that cost most, the first of them or all that the draws cannot tell from it."""
        return tuple(each for each in self.sources if each.main_risk)


@dataclass(frozen=True)
class Moved:
    """A program with one set point moved.

    Attributes
    ----------
    run_time_change : [s], by which the last peak ends later
    resolution, pair, needed : of the pair that is then shortest of what it needs; nan and None when no pair counts
    margin : relative, of this pair; negative when it is short, or has changed places
    breaks : requirements that are met without the move and missed with it
    """

    run_time_change: Annotated[float, SECONDS, key("run_time_change_s")]
    resolution: Annotated[float, Rounded(), key("min_resolution")]
    needed: Annotated[float, NEEDED, key("critical_pair_needs")]
    pair: Annotated[Pair | None, key("critical_pair")]
    margin: Annotated[float, MARGIN, key()]
    breaks: Annotated[tuple[str, ...], key()]


@dataclass(frozen=True)
class SetPointTolerance:
    """One set point, how far a run may be off it, and what that alone does.

    Attributes
    ----------
    name, label, unit : as of `set_point_names.SetPoint`
    value, tolerance : [unit]
    lower, higher : the program with it moved down and up; None where there is no such program
    loss : the larger loss of smallest relative resolution margin of the two; 0 when no pair counts
    """

    name: Annotated[str, key("set_point")]
    label: Annotated[str, key()]
    unit: Annotated[str, key()]
    value: Annotated[float, Rounded(digits=6, shown="g"), key()]
    tolerance: Annotated[float, Rounded(digits=3, shown=".2g"), key()]
    lower: Annotated[Moved | None, key()]
    higher: Annotated[Moved | None, key()]
    loss: Annotated[float, MARGIN, key("margin_lost")]

    @property
    def moves(self) -> tuple[Moved, ...]:
        """Those of the two programs that there are."""
        return tuple(each for each in (self.lower, self.higher) if each is not None)

    @property
    def breaks(self) -> Annotated[tuple[str, ...], key()]:
        """What this set point alone breaks within its tolerance."""
        return tuple(dict.fromkeys(name for each in self.moves for name in each.breaks))

    @property
    def worse(self) -> Moved:
        """The move that leaves less resolution, or, where no pair counts, the one that changes the time more."""
        return min(
            self.moves,
            key=lambda each: (0.0 if math.isnan(each.margin) else each.margin, -abs(each.run_time_change)),
        )
