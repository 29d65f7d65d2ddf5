"""Runs of several days: what oven, carrier and the gas's way are off on each is fitted, too.

What the set points of one day are off, the parameters fitted to its runs take up, and nobody could tell. Runs of two
days tell: fitted as if they were of one, they would bend parameters, and the oven's lag most of all, to explain what
changed from day to day, and would seem to know them well.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.column.programs import Array
from models.fit.fit import Run

ERRORS = 3  # of each day: oven, carrier, ln flow
FARTHEST = 5.0  # standard deviations


@dataclass(frozen=True)
class DayToDay:
    """How far the runs of a day are off what is set, as standard deviations.

    Attributes
    ----------
    oven : float  [K], of the whole oven program
    flow, pressure : float, shares of a set flow (or velocity), and of a set pressure above `ambient`
    hold_up : float, of ln hold-up time by what no set point says
    ambient : float  [Pa]
    """

    oven: float = 0.0
    flow: float = 0.0
    pressure: float = 0.0
    hold_up: float = 0.0
    ambient: float = 0.0


@dataclass(frozen=True)
class Days:
    """The days of R runs, and E = 3 standardised errors for each; none where all are of one day.

    Attributes
    ----------
    of_run : (R,) array, numbers of the runs' days, from 0
    scale : (R, 3) array, what a standard deviation of each error is: oven [K], share of the carrier, ln flow
    zeros : (R,) array, set values from which a share of the carrier counts
    """

    of_run: NDArray[np.intp]
    scale: Array
    zeros: Array

    @property
    def count(self) -> int:
        """E, of errors in all."""
        days = int(self.of_run.max(initial=0)) + 1
        return ERRORS * days if days > 1 else 0

    def off(self, errors: Array) -> Array:
        """(R, 3) how far each run is off, from the errors (E,)."""
        result: Array = self.scale * errors.reshape(-1, ERRORS)[self.of_run]
        return result

    def slopes(self, by_set_point: Array) -> Array:
        """Derivatives (R, M, E) by the errors, from those by what each run is off (R, M, 3)."""
        R, M = by_set_point.shape[:2]
        result = np.zeros((R, M, self.count // ERRORS, ERRORS))
        for r, day in enumerate(self.of_run):
            result[r, :, day] = self.scale[r] * by_set_point[r]
        return result.reshape(R, M, -1)


def days_of(runs: Sequence[Run], day_to_day: DayToDay) -> Days:
    """The days of runs, by their labels."""
    labels = list(dict.fromkeys(run.day for run in runs))
    pressure = np.array([run.program.carrier.controlled == "pressure" for run in runs])
    every = np.ones(len(runs))
    carrier = np.where(pressure, day_to_day.pressure, day_to_day.flow)
    return Days(
        np.array([labels.index(run.day) for run in runs], dtype=np.intp),
        np.stack([day_to_day.oven * every, carrier, day_to_day.hold_up * every], axis=1),
        np.where(pressure, day_to_day.ambient, 0.0),
    )
