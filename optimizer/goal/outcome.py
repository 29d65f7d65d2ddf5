"""What the commands hand on: predictions, candidates and outcomes of a search, frozen and in SI units."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from models.column.programs import Array, Program

Gain = Literal["clear", "unclear", "none"]

ON_PAPER = "on paper, without regard to uncertainty"  # a diagnosis, no change of the method


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
    width_sd : (M,) array  [s], its standard deviation; nan where unknown
    elution_temperature : (M,) array  [K]
    retention_factor : (M,) array  [-], at elution
    tailing, area : (M,) arrays  [-], for drawing: 1 where nothing is known
    counted_pairs : (P, 2) array of indices into `compounds`: the pairs that matter
    needed : (P,) array, resolution each of them needs
    resolution : (P,) array, resolution each of them has
    resolution_sd : (P,) array, its standard deviation, a resolution being negative where the two have changed places;
        nan where unknown
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
    width_sd: Array
    elution_temperature: Array
    retention_factor: Array
    tailing: Array
    area: Array
    counted_pairs: NDArray[np.intp]
    needed: Array
    resolution: Array
    resolution_sd: Array
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
    def critical_needed(self) -> float:
        """Resolution that the critical pair needs; nan when no pair counts."""
        return float("nan") if self.critical is None else float(self.needed[self.critical])

    @property
    def critical_pair(self) -> tuple[str, str] | None:
        """Names of the critical pair in order of elution."""
        if self.critical is None:
            return None
        a, b = sorted(self.counted_pairs[self.critical], key=lambda m: self.retention[m])
        return self.compounds[a], self.compounds[b]


@dataclass(frozen=True)
class Source:
    """A source of uncertainty.

    Attributes
    ----------
    text : what it is
    share_without : float, share of draws that would hold without it
    gain : whether that is more than with it: beyond chance, perhaps by chance, or not at all
    costliest : whether it is the one that costs most, or one of those that the draws cannot tell from it
    """

    text: str
    share_without: float
    gain: Gain
    costliest: bool


@dataclass(frozen=True)
class Reliability:
    """How often a program meets the goal, all that is uncertain being drawn.

    Attributes
    ----------
    share : float, of draws in which every counted pair and every wish holds
    draws : int, how many there were
    by_derivatives : float or None, the share by the first derivatives that the search follows, where draws that were
        simulated outright corrected it; None where none were
    failures : what is missed and in what share of draws, the most frequent first
    sources : of uncertainty, the costliest first
    """

    share: float
    draws: int
    by_derivatives: float | None
    failures: tuple[tuple[str, float], ...]
    sources: tuple[Source, ...]


@dataclass(frozen=True)
class Moved:
    """A program with one set point moved.

    Attributes
    ----------
    run_time_change : float  [s], by which the last peak ends later
    resolution, needed, pair : of the pair that is then shortest of what it needs; nan and None when no pair counts
    margin : float, relative, of this pair; negative when it is short, or has changed places
    breaks : pairs and wishes that are kept without the move and missed with it
    """

    run_time_change: float
    resolution: float
    needed: float
    pair: tuple[str, str] | None
    margin: float
    breaks: tuple[str, ...]


@dataclass(frozen=True)
class SetPointTolerance:
    """One set point, how far a run may be off it, and what that alone does.

    Attributes
    ----------
    name, label, unit : as of `set_point_names.SetPoint`
    value, tolerance : float  [unit]
    lower, higher : the program with it moved down and up; None where there is no such program
    loss : float, the larger loss of smallest relative resolution margin of the two; 0 when no pair counts
    """

    name: str
    label: str
    unit: str
    value: float
    tolerance: float
    lower: Moved | None
    higher: Moved | None
    loss: float

    @property
    def breaks(self) -> tuple[str, ...]:
        """What this set point alone breaks within its tolerance."""
        moves = [each for each in (self.lower, self.higher) if each is not None]
        return tuple(dict.fromkeys(name for each in moves for name in each.breaks))


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
    reliability: Reliability
    next_seconds: str  # what a slightly shorter run would cost; empty where nothing is to be said
    compared: tuple[str, ...]  # with the method in use
    warnings: tuple[str, ...]
    order_changes: tuple[str, ...] = ()  # those of the warnings that say that compounds change places
    missed: tuple[str, ...] = ()  # what it does not keep, and by how much; empty when feasible
    set_points: tuple[SetPointTolerance, ...] = ()  # what each being off does, the most critical first

    @property
    def pass_probability(self) -> float:
        """Share of draws in which every pair and every wish holds."""
        return self.reliability.share

    @property
    def limited_by(self) -> tuple[str, ...]:
        """Names of the limits that bind."""
        return tuple(margin.name for margin in self.margins if margin.binding)


@dataclass(frozen=True)
class InUse:
    """The method in use as predicted.

    Attributes
    ----------
    prediction : Prediction
    cycle_time : float  [s], nan when it would need a cool-down that the scenario does not state
    samples_per_shift : float, whole cycles; nan where the cycle time is
    breaks : sentences on limits of column, instrument and goal that it does not keep
    reliability : Reliability, None where it is not known
    """

    prediction: Prediction
    cycle_time: float
    samples_per_shift: float
    breaks: tuple[str, ...]
    reliability: Reliability | None = None


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
    shortfall : float, how much of the wishes is then still missed; zero when the goal is met
    family : str, of that program
    missed : str, by which wishes the goal is still missed, and by how much; empty when it is met
    cautions : what must be borne in mind beside, as the change brings a hazard
    improves : bool, whether its program comes closer to the goal as changed than the closest did to the goal as it was
    """

    change: str
    cost: float
    shortfall: float
    family: str
    missed: str = ""
    cautions: tuple[str, ...] = ()
    improves: bool = True


@dataclass(frozen=True)
class StudyNote:
    """What is said about the shared study of a search.

    Attributes
    ----------
    name, place : str, fit to be shown
    worker : int, number of this worker, from 1
    descents, own : int, in the study, and of this worker
    unstored : int, descents of this worker that are not in the study, since it could not be reached
    """

    name: str
    place: str
    worker: int
    descents: int
    own: int
    unstored: int

    @property
    def text(self) -> str:
        """In words."""
        said = (
            f'Study "{self.name}" in {self.place}: {self.descents} descents, {self.own - self.unstored} of them by '
            f"this worker (number {self.worker})."
        )
        if self.unstored:
            said += (
                f" The study could not be reached at the end: {self.unstored} descents of this worker are not in it, "
                "but in these results."
            )
        return said


@dataclass(frozen=True)
class SearchOutcome:
    """What a search found.

    Attributes
    ----------
    feasible : bool, whether any candidate keeps every limit
    candidates : best first; when nothing is feasible, the closest of those that keep the equipment's limits
    blocking : sentences saying what blocks and how far off it is; empty when feasible
    current : the method in use as predicted, if the scenario states one
    families : what was tried: each kind of program and the least found of what is minimised [s], before or after
        rounding; nan when nothing was found that meets the goal
    programs_tried : int, simulated programs
    seconds : float, wall time of the search
    rounds : int or None, its budget in descents where it was not a time
    interrupted : bool
    front : points on the front between time and smallest resolution, fastest first; empty unless asked for
    front_note : how far they reach, and why there are fewer than asked for; empty unless a front was asked for
    what_ifs : single changes tried when nothing met the goal, the most helpful first
    study : StudyNote or None, when the search was part of a shared study
    """

    feasible: bool
    candidates: tuple[Candidate, ...]
    blocking: tuple[str, ...]
    current: InUse | None
    families: tuple[tuple[str, float], ...]
    programs_tried: int
    seconds: float
    interrupted: bool
    front: tuple[FrontPoint, ...] = ()
    front_note: str = ""
    what_ifs: tuple[WhatIf, ...] = ()
    study: StudyNote | None = None
    rounds: int | None = None
