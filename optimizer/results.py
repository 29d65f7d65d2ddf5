"""What the commands hand on: predictions, candidates and outcomes of a search, frozen and in SI units."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.programs import Array, Program


@dataclass(frozen=True)
class Prediction:
    """The chromatogram a program is expected to give; arrays are in the order of `compounds`.

    Attributes
    ----------
    program : Program
    compounds : names, M of them
    retention : (M,) array  [s]
    retention_sd : (M,) array  [s], standard deviation from the fit and the set points' tolerances; nan where unknown
    width_half : (M,) array  [s], at half height
    elution_temperature : (M,) array  [K]
    retention_factor : (M,) array  [-], at elution
    tailing, area : (M,) arrays  [-], for drawing: 1 where nothing is known
    counted_pairs : (P, 2) array of indices into `compounds`: the pairs that matter
    needed : (P,) array, resolution each of them needs
    resolution : (P,) array, resolution each of them has
    critical : index into the pairs, of the smallest resolution less what is needed; None without pairs
    intact_fraction : (M,) array  [-], share that survives the stay in the column; nan where no kinetics are stated
    time_above : (M,) array  [s], spent above the analyte's own temperature limit; nan without one
    run_time : float  [s], end of the oven program
    inlet_pressure, flow : (Q,) arrays  [Pa absolute], [m3/s at reference conditions], at `trace_times` [s]
    """

    program: Program
    compounds: tuple[str, ...]
    retention: Array
    retention_sd: Array
    width_half: Array
    elution_temperature: Array
    retention_factor: Array
    tailing: Array
    area: Array
    counted_pairs: NDArray[np.intp]
    needed: Array
    resolution: Array
    critical: int | None
    intact_fraction: Array
    time_above: Array
    run_time: float
    trace_times: Array
    inlet_pressure: Array
    flow: Array

    @property
    def order(self) -> NDArray[np.intp]:
        """Compounds in order of elution."""
        return np.argsort(self.retention)

    @property
    def min_resolution(self) -> float:
        """Resolution of the critical pair; infinite when no pair counts."""
        return float("inf") if self.critical is None else float(self.resolution[self.critical])

    @property
    def critical_pair(self) -> tuple[str, str] | None:
        """Names of the critical pair in order of elution."""
        if self.critical is None:
            return None
        a, b = sorted(self.counted_pairs[self.critical], key=lambda m: self.retention[m])
        return self.compounds[a], self.compounds[b]


@dataclass(frozen=True)
class LimitMargin:
    """One limit of a candidate: what it is, the limit and the value in the reader's units, and whether it binds.

    `text` reads as a sentence fragment, e.g. "resolution of decane and limonene: 1.52 (needs 1.50)".
    """

    name: str
    text: str
    margin: float  # relative, >= 0 when kept
    binding: bool


@dataclass(frozen=True)
class Candidate:
    """A program worth showing, as rounded to the instrument's steps, with the reasons for it."""

    rank: int
    family: str
    prediction: Prediction
    cycle_time: float  # s; nan when it would need a cool-down that the scenario does not state
    samples_per_shift: float  # whole cycles; nan where the cycle time is
    margins: tuple[LimitMargin, ...]
    feasible: bool
    pass_probability: (
        float  # share of draws of fit and set points that keep every pair and the earliest elution
    )
    next_seconds: str  # what a slightly shorter run would cost; empty where nothing is to be said
    compared: tuple[str, ...]  # with the method in use
    warnings: tuple[str, ...]

    @property
    def limited_by(self) -> tuple[str, ...]:
        """Names of the limits that bind."""
        return tuple(margin.name for margin in self.margins if margin.binding)


@dataclass(frozen=True)
class FrontPoint:
    """One program on the front between time and smallest resolution, as rounded to the instrument's steps.

    Attributes
    ----------
    asked : float, share of every needed resolution that was asked for
    family : str
    prediction : Prediction
    cost : float  [s], run or cycle time, whichever is minimised
    """

    asked: float
    family: str
    prediction: Prediction
    cost: float


@dataclass(frozen=True)
class WhatIf:
    """One single change that was tried because nothing met the goal.

    Attributes
    ----------
    change : str, e.g. "hydrogen instead of helium"
    cost : float  [s], run or cycle time of the fastest program then found; nan when the goal is still not met
    margin : float, smallest margin then reached, negative when the goal is still not met
    family : str, of that program
    """

    change: str
    cost: float
    margin: float
    family: str


@dataclass(frozen=True)
class SearchOutcome:
    """What a search found.

    Attributes
    ----------
    feasible : bool, whether any candidate keeps every limit
    candidates : best first; when nothing is feasible, the programs with the largest smallest margin
    blocking : sentences saying what blocks and how far off it is; empty when feasible
    current : prediction of the method in use, if the scenario states one
    families : what was tried: each family's name and its best run time [s], nan when it had nothing feasible
    programs_tried : int, simulated programs
    seconds : float, wall time of the search
    interrupted : bool
    front : points on the front between time and smallest resolution, fastest first; empty unless asked for
    what_ifs : single changes tried when nothing met the goal, the most helpful first
    """

    feasible: bool
    candidates: tuple[Candidate, ...]
    blocking: tuple[str, ...]
    current: Prediction | None
    families: tuple[tuple[str, float], ...]
    programs_tried: int
    seconds: float
    interrupted: bool
    front: tuple[FrontPoint, ...] = ()
    what_ifs: tuple[WhatIf, ...] = ()
