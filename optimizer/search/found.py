"""What a search has found so far."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from models.column.programs import Array, values_at
from optimizer.goal.goal import NEARLY
from optimizer.goal.outcome import KEPT, StudyNote
from optimizer.search.descent import Descent
from optimizer.search.program_space import Family

FEASIBLE = -KEPT  # margins above this count as kept
MOMENTS = 24  # of a run, at which two programs are compared
SAME_OVEN, SAME_CARRIER = 3.0, 0.03  # K and share by which the courses of one program may differ, on average


@dataclass(frozen=True)
class Found:
    """A descent's end in its family."""

    family: Family
    descent: Descent

    @property
    def feasible(self) -> bool:
        """Whether every margin is kept."""
        return self.descent.margin >= FEASIBLE

    @cached_property
    def course(self) -> Array:
        """(2, MOMENTS) what oven and carrier do in the run, in units of SAME_OVEN and SAME_CARRIER."""
        batch = self.family.batch(self.family.values(self.descent.z[None]))
        moments = np.linspace(0.0, self.descent.cost, MOMENTS)[None]
        oven = values_at(moments, batch.oven_times, batch.oven_temperatures)[0]
        carrier = values_at(moments, batch.carrier_times, batch.carrier_values)[0]
        return np.array([oven / SAME_OVEN, np.log(carrier) / SAME_CARRIER])

    def alike(self, other: Found) -> bool:
        """Whether another end of the family is the same program, however its set points say so."""
        apart: Array = np.sqrt(((self.course - other.course) ** 2).mean(axis=1))
        return bool(apart.max() < 1)


@dataclass
class Searched:
    """The state of a search: what was found so far, best first by family.

    Where draws decide, `nominal` has the best by nominal margins; empty elsewhere. `refused` is the shortest that met
    the goal by first derivatives but not in simulated draws: on the grid it may become better than what descents made.
    `late` is what of the budget was spent [s] before all its processes were at work, as far as it counts.
    """

    best: dict[int, list[Found]] = field(default_factory=dict)
    programs: int = 0
    interrupted: bool = False
    seconds: float = 0.0
    study: StudyNote | None = None
    given: list[Found] = field(default_factory=list)  # that it began from and that may do
    nominal: dict[int, list[Found]] = field(default_factory=dict)
    refused: Found | None = None
    late: float = 0.0

    def refuse(self, found: Found) -> None:
        """Remember an end that simulated draws refuse, if none that was is shorter."""
        self.refused = found if self.refused is None else min(self.refused, found, key=rank)

    def all(self) -> list[Found]:
        """Everything found, feasible and fast first."""
        return sorted((found for each in self.best.values() for found in each), key=rank)


def with_ends(searched: Searched, ends: list[Found]) -> Searched:
    """The state of a search with further ends of descents in the families it knows."""
    best = {
        number: sorted([*known, *(end for end in ends if end.family.name == known[0].family.name)], key=rank)
        for number, known in searched.best.items()
        if known
    }
    return replace(searched, best=best)


def rank(found: Found) -> tuple[bool, bool, float]:
    """Sorting key: feasible ones by run time, then the others by how far off they are."""
    descent = found.descent
    if found.feasible:
        return False, False, descent.cost
    return True, *how_far(descent.shortfall, descent.equipment, NEARLY)


def how_far(shortfall: float, equipment: float, kept: float = FEASIBLE) -> tuple[bool, float]:
    """Sorting key of programs that miss the goal: those the equipment can run come first, however much else they miss.

    Parameters
    ----------
    shortfall : float, how much is missed of what is required
    equipment : float, the smallest of the equipment's limits, which count as kept down to `kept`
    """
    broken = equipment < kept
    return broken, -equipment if broken else shortfall
