"""What a search has found so far."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from optimizer.descent import Descent
from optimizer.program_space import Family

Progress = Callable[[float, str], None]  # is told the share of the budget spent and a line of text
FEASIBLE = -1e-6  # margins above this count as kept: a descent ends on its limits to rounding


@dataclass(frozen=True)
class Found:
    """A descent's end in its family."""

    family: Family
    descent: Descent

    @property
    def feasible(self) -> bool:
        """Whether every margin is kept."""
        return self.descent.margin >= FEASIBLE


@dataclass
class Hunt:
    """The state of a search: what was found so far, best first by family."""

    best: dict[int, list[Found]] = field(default_factory=dict)
    programs: int = 0
    interrupted: bool = False
    seconds: float = 0.0

    def all(self) -> list[Found]:
        """Everything found, feasible and fast first."""
        return sorted((found for each in self.best.values() for found in each), key=rank)


def rank(found: Found) -> tuple[bool, float]:
    """Sorting key: feasible ones by run time, then the others by how far off they are."""
    return (not found.feasible, found.descent.cost if found.feasible else -found.descent.margin)
