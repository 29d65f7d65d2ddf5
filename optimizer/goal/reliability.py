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
    """A source of uncertainty."""

    text: Annotated[str, key("source")]
    """what it is"""
    share_without: Annotated[float, SHARE, key()]
    """pass probability without it"""
    gain: Annotated[Gain, key()]
    """whether that is more than with it: "clear", "unclear" (perhaps by chance), "none" if not"""
    main_risk: Annotated[bool, key("costliest")]
    """whether it costs most, or cannot be told from the one that does by these draws; none where no gain is clear"""


class Failure(NamedTuple):
    """A requirement, and the share of draws in which it is missed."""

    what: Annotated[str, key()]
    share: Annotated[float, SHARE, key()]


class PairAtRisk(NamedTuple):
    """The counted pair that fails most often, in order of elution, and the share of draws in which it does."""

    pair: Annotated[Pair, key()]
    share: Annotated[float, SHARE, key()]


@dataclass(frozen=True)
class Reliability:
    """How probably a program meets every requirement, all that is uncertain being drawn."""

    share: Annotated[float, SHARE, key()]
    """the pass probability: share of draws in which every requirement is met; of a program that is
    shown in draws that no search has followed, those nearest to its limits simulated outright"""
    draws: Annotated[int, key()]
    """how many there were"""
    by_derivatives: Annotated[float | None, SHARE, key("share_by_derivatives")]
    """the same share by first derivatives alone; None where `share` itself is by them"""
    failures: tuple[Failure, ...]
    """what is missed, the most frequent first"""
    sources: Annotated[tuple[Source, ...], key()]
    """of error, the main risk first"""
    pair_at_risk: Annotated[PairAtRisk | None, key()] = None
    """the counted `pair` that is missed most often, and in what `share` of the draws; None where none is"""

    @property
    def simulated(self) -> Annotated[bool, key()]:
        """Whether `share` is simulated; else it is by first derivatives, 1 to 4 points off (`certainty="quick"`)."""
        return self.by_derivatives is not None

    @property
    def interval(self) -> Annotated[tuple[float, float], Rounded(decimals=3), key("share_interval")]:
        """95 % interval of `share`.

        Wilson, J. Am. Stat. Assoc. 22 (1927) 209: it stays within 0 and 1 and says something where all or none pass.
        """
        from scipy.stats import binomtest  # here, since most that imports this module judges nothing

        found = binomtest(round(self.share * self.draws), self.draws).proportion_ci(LEVEL, method="wilson")
        return float(found.low), float(found.high)

    @property
    def most_missed(self) -> Annotated[tuple[Failure, ...], key("failures")]:
        """`what` is missed and in what `share` of the draws, the most frequent first, five at most."""
        return self.failures[:LISTED]

    @property
    def main_risks(self) -> tuple[Source, ...]:
        """The sources that cost most, the first of them or all that the draws cannot tell from it."""
        return tuple(each for each in self.sources if each.main_risk)


@dataclass(frozen=True)
class Moved:
    """A program with one set point moved."""

    run_time_change: Annotated[float, SECONDS, key("run_time_change_s")]
    """by which the last peak ends later"""
    resolution: Annotated[float, Rounded(), key("min_resolution")]
    """of the pair that is then shortest of what it needs"""
    needed: Annotated[float, NEEDED, key("critical_pair_needs")]
    """what this pair needs; nan when no pair counts"""
    pair: Annotated[Pair | None, key("critical_pair")]
    """its names"""
    margin: Annotated[float, MARGIN, key()]
    """relative, of this pair; negative when it is short, or has changed places"""
    breaks: Annotated[tuple[str, ...], key()]
    """requirements that are met without the move and missed with it"""


@dataclass(frozen=True)
class SetPointTolerance:
    """One set point, how far a run may be off it, and what that alone does."""

    name: Annotated[str, key("set_point")]
    """its name as for `sweep --vary`"""
    label: Annotated[str, key()]
    """the same in words"""
    unit: Annotated[str, key()]
    """of the next two"""
    value: Annotated[float, Rounded(digits=6, shown="g"), key()]
    """what it is set to"""
    tolerance: Annotated[float, Rounded(digits=3, shown=".2g"), key()]
    """how far it may be off"""
    lower: Annotated[Moved | None, key()]
    """with it moved down, None where there is no such program"""
    higher: Annotated[Moved | None, key()]
    """with it moved up, likewise"""
    loss: Annotated[float, MARGIN, key("margin_lost")]
    """the larger loss, of the two ways, of the smallest resolution over what its pair needs; 0 when no pair counts"""

    @property
    def moves(self) -> tuple[Moved, ...]:
        """Those of the two programs that there are."""
        return tuple(each for each in (self.lower, self.higher) if each is not None)

    @property
    def breaks(self) -> Annotated[tuple[str, ...], key()]:
        """Requirements, met otherwise, that are then missed; empty: this alone breaks nothing."""
        return tuple(dict.fromkeys(name for each in self.moves for name in each.breaks))

    @property
    def worse(self) -> Moved:
        """The move that leaves less resolution, or, where no pair counts, the one that changes the time more."""
        return min(
            self.moves,
            key=lambda each: (0.0 if math.isnan(each.margin) else each.margin, -abs(each.run_time_change)),
        )


class MovedTogether(NamedTuple):
    """Two set points off by their tolerances at once.

    Attributes
    ----------
    first, second : of the two
    moved : both down, first down and second up, first up and second down, both up; None where there is no such program
    """

    first: SetPointTolerance
    second: SetPointTolerance
    moved: tuple[Moved | None, ...]
