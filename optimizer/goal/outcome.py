"""What the commands hand on: predictions, candidates and outcomes of a search, frozen and in SI units.

What has a `key` is written into candidates.json, with the meaning that docs/results.md gives.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Annotated, NamedTuple

import numpy as np
from numpy.typing import NDArray

from models.column.programs import Array, Program
from models.peaks.tails import Tail
from optimizer.base.numbers import (
    MARGIN,
    MINUTES,
    NEEDED,
    RESOLUTION,
    SAMPLES,
    SHARE,
    VALLEY,
    Rounded,
)
from optimizer.base.quantities import KPA, KPA_GAUGE
from optimizer.base.tables import BESIDE, OR_NULL, WrittenBy, key
from optimizer.goal.asides import AnotherRun, NotMet, RampMore, UnknownsCost
from optimizer.goal.reliability import MovedTogether, Pair, Reliability, SetPointTolerance
from optimizer.scenario.program_tables import program_document

NOMINAL_GOAL = "nominal, without regard to uncertainty"  # a diagnosis, no change of the method
KEPT = 1e-6  # by which a margin may be below zero: descents end on limits to rounding
LEAST_TAILING = 0.55  # a fronting peak drawn steeper than this would be a step
VALLEY_POINTS = 401  # of the trace between the apexes of the critical pair


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
    elution_temperature, retention_factor : (M,) arrays  [K], [-], the latter at elution
    tailing, area : (M,) arrays  [-], for drawing: 1 where nothing is known
    counted_pairs : (P, 2) array of indices into `compounds`: the pairs that matter
    needed, resolution : (P,) arrays, resolution each of them needs and has
    resolution_sd : (P,) array, its standard deviation, a resolution being negative where the two have changed places;
        nan where unknown
    critical : index into the pairs, of the smallest resolution less what is needed; None without pairs
    intact_fraction : (M,) array  [-], share that survives the stay in the column; nan where no kinetics are stated
    time_above : (M,) array  [s], spent above the analyte's own temperature limit; nan without one
    run_time : float  [s]
    inlet_pressure, flow : (Q,) arrays  [Pa absolute], [m3/s at reference conditions], at `trace_times` [s]
    ignored : (M,) array, which of them a picture's scale leaves out
    bleed : (Q,) array  [unit of the areas per s], at `trace_times`; None unless stated
    overload, apex_shift : (M,) arrays, R of `models.peaks.overload` [-], and by how much it and the system make apexes
        late [s], or 0
    tail : Tail, what peaks are before the system's decay; None without one
    """

    program: Annotated[Program, WrittenBy(program_document), key(BESIDE)]
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
    run_time: Annotated[float, MINUTES, key("run_time_min")]
    """end of its oven program, a bake-out included, or of its last peak if that is later"""
    trace_times: Array
    inlet_pressure: Array
    flow: Array
    ignored: NDArray[np.bool_]
    overload: Array
    apex_shift: Array
    bleed: Array | None = None
    tail: Tail | None = None

    @property
    def scaling(self) -> NDArray[np.bool_]:
        """Which of the compounds (M,) a picture's scale is made for: all of them where all are ignored."""
        return self.ignored if self.ignored.all() else ~self.ignored

    @property
    def order(self) -> NDArray[np.intp]:
        """Compounds in order of elution."""
        return np.argsort(self.retention)

    @property
    def min_resolution(self) -> Annotated[float, RESOLUTION, key("min_resolution")]:
        """Half-height resolution of the critical pair, the one nearest to what it needs or furthest below; where pairs
        need different resolutions another may have less; infinite when no pair counts."""
        return float("inf") if self.critical is None else float(self.resolution[self.critical])

    @property
    def critical_pair(self) -> Annotated[Pair | None, key("critical_pair")]:
        """The two names in order of elution: the pair that is shortest of what it needs."""
        if self.critical is None:
            return None
        a, b = sorted(self.counted_pairs[self.critical], key=lambda m: self.retention[m])
        return self.compounds[a], self.compounds[b]

    @property
    def critical_needed(self) -> Annotated[float, NEEDED, key("critical_pair_needs")]:
        """Resolution that the critical pair needs; nan when no pair counts."""
        return float("nan") if self.critical is None else float(self.needed[self.critical])

    @property
    def valley(self) -> Annotated[float, VALLEY, key("valley_percent")]:
        """Lowest point of the trace between the critical pair, % of the smaller apex; nan when no pair counts.

        The lowest point of the whole trace between the two retention times, over the lower of the two heights there:
        100 where one peak is a mere shoulder of the other, 0 where they are parted down to the baseline.
        """
        from models.peaks.chromatogram import detector_trace  # here: it takes scipy, which check does without

        if self.critical is None:
            return float("nan")
        pair = self.counted_pairs[self.critical]
        t, w = self.retention, self.width_half
        if not np.isfinite([*t[pair], *w[pair]]).all():
            return float("nan")
        between = np.linspace(t[pair].min(), t[pair].max(), VALLEY_POINTS)
        tailing = np.maximum(self.tailing, LEAST_TAILING)
        trace = detector_trace(between, t, w, self.area, tailing, self.overload, self.tail)
        return float(100 * trace.min() / min(trace[0], trace[-1]))

    @property
    def least_intact(self) -> float:
        """Smallest share of an analyte that survives; nan where no kinetics are stated."""
        return float(np.nanmin(self.intact_fraction)) if self.sensitive else float("nan")

    @property
    def sensitive(self) -> bool:
        """Whether any analyte is known to decompose."""
        return bool(np.isfinite(self.intact_fraction).any())


@dataclass(frozen=True)
class LimitMargin:
    """One limit of a candidate.

    Attributes
    ----------
    text : a sentence fragment in the reader's units: "resolution of decane and limonene: 1.52 (needs 1.50)"
    margin : relative, >= 0 when kept
    binding : whether it is near enough to zero to hold the program where it is
    pair : the two compounds in order of elution, where it is the resolution of a pair
    """

    name: Annotated[str, key("limit")]
    text: Annotated[str, key()]
    margin: Annotated[float, MARGIN, key()]
    binding: Annotated[bool, key()]
    pair: Pair | None = None

    @property
    def kept(self) -> bool:
        """Whether it is, but for rounding."""
        return self.margin >= -KEPT


def both_scales(gauge: Rounded, absolute: Rounded) -> WrittenBy:
    """A pressure [Pa absolute] counted from the room's and from vacuum."""
    return WrittenBy(
        lambda pressure, ambient: {
            "gauge_kPa": gauge.written(pressure, ambient),
            "absolute_kPa": absolute.written(pressure),
        }
    )


_BOTH_SCALES = both_scales(Rounded(KPA_GAUGE), Rounded(KPA))


class InletPressure(NamedTuple):
    """Inlet pressures over a run [Pa absolute]."""

    start: Annotated[float, _BOTH_SCALES, key()]
    highest: Annotated[float, _BOTH_SCALES, key()]
    end: Annotated[float, _BOTH_SCALES, key()]


@dataclass(frozen=True)
class Candidate:
    """A program worth showing, as rounded to the instrument's steps, with the reasons for it."""

    rank: Annotated[int, key()]
    """1 is the best"""
    family: Annotated[str, key()]
    """kind of program in words"""
    prediction: Annotated[Prediction, key(BESIDE)]
    cycle_time: Annotated[float, MINUTES, key("cycle_time_min")]
    """from injection to injection; nan where the oven must cool and no `cool_down` is stated"""
    samples_per_shift: Annotated[float, SAMPLES, key()]
    """whole cycles in `shift_h`; nan where the cycle time is"""
    margins: Annotated[tuple[LimitMargin, ...], key()]
    """the tightest pairs and every limit: its name (`limit`), the `text` with value and limit, the relative `margin`
    (negative: not kept), and whether it is `binding`"""
    feasible: Annotated[bool, key()]
    """whether it keeps everything asked"""
    reliability: Annotated[Reliability, key()]
    """pass probability with its reasons, see *Reliability*"""
    next_seconds: Annotated[str, key()]
    """a sentence: what a slightly shorter run would cost; may be empty"""
    compared: Annotated[tuple[str, ...], key()]
    """sentences: what changes against the method in use"""
    warnings: Annotated[tuple[str, ...], key()]
    """sentences to know before trusting it"""
    order_changes: Annotated[tuple[str, ...], key()] = ()
    """those of them on compounds that change places against the method in use, or without one against the first
    scouting run"""
    missed: Annotated[tuple[str, ...], key()] = ()
    """sentences: what the program does not keep and by how much, the furthest off first; empty when all is kept"""
    set_points: Annotated[tuple[SetPointTolerance, ...], key("set_point_tolerances")] = ()
    """which set point is critical, see *Set-point tolerances*"""
    together: tuple[MovedTogether, ...] = ()

    @property
    def pass_probability(self) -> Annotated[float, SHARE, key()]:
        """Probability of meeting every requirement: the share of draws of fit and set points in which it does."""
        return self.reliability.share

    @property
    def pass_interval(
        self,
    ) -> Annotated[tuple[float, float], Rounded(decimals=3), key("pass_probability_interval")]:
        """Its 95 % interval."""
        return self.reliability.interval

    @property
    def inlet_pressure(self) -> Annotated[InletPressure, key()]:
        """At `start`, `highest` and `end`: `gauge_kPa` (kPa gauge) and `absolute_kPa` (kPa absolute)."""
        pressure = self.prediction.inlet_pressure
        return InletPressure(float(pressure[0]), float(pressure.max()), float(pressure[-1]))

    @property
    def limited_by(self) -> Annotated[tuple[str, ...], key()]:
        """Names of the limits that hold it where it is."""
        return tuple(margin.name for margin in self.margins if margin.binding)

    @property
    def other_warnings(self) -> tuple[str, ...]:
        """Warnings but for those that compounds change places."""
        return tuple(text for text in self.warnings if text not in self.order_changes)

    @property
    def most_critical(self) -> SetPointTolerance | None:
        """The first set point that breaks the goal by itself; else the one that costs most resolution."""
        breaking = [each for each in self.set_points if each.breaks]
        return next(iter(breaking or self.set_points), None)


@dataclass(frozen=True)
class InUse:
    """The method in use as predicted; its numbers as of a candidate."""

    prediction: Annotated[Prediction, key(BESIDE)]
    """its numbers, as of a candidate"""
    cycle_time: Annotated[float, MINUTES, key("cycle_time_min")]
    """from injection to injection; nan where the oven must cool and no `cool_down` is stated"""
    samples_per_shift: Annotated[float, SAMPLES, key()]
    """whole cycles in `shift_h`; nan where the cycle time is"""
    breaks: Annotated[tuple[str, ...], key()]
    """sentences: limits of column, instrument and goal that it does not keep, and compounds that elute after its end"""
    reliability: Annotated[Reliability | None, key()] = None
    """as of a candidate"""
    breaks_equipment: Annotated[tuple[str, ...], key()] = ()
    """those limits of column and instrument that it does not keep, each with its value"""

    @property
    def pass_probability(self) -> Annotated[float | None, SHARE, key()]:
        """Probability of meeting every requirement."""
        return None if self.reliability is None else self.reliability.share

    @property
    def pass_interval(
        self,
    ) -> Annotated[tuple[float, float] | None, Rounded(decimals=3), key("pass_probability_interval")]:
        """Its 95 % interval."""
        return None if self.reliability is None else self.reliability.interval


@dataclass(frozen=True)
class FrontPoint:
    """One program on the front between time and smallest resolution, as rounded to the instrument's steps."""

    asked: Annotated[float, Rounded(), key("asked_share")]
    """share of the resolutions the goal asks for that was asked for here"""
    family: Annotated[str, key()]
    """kind of program"""
    prediction: Annotated[Prediction, key(BESIDE)]
    cost: Annotated[float, MINUTES, key("cost_min")]
    """what is minimised: run time or cycle time"""


@dataclass(frozen=True)
class WhatIf:
    """One single change that was tried because nothing met the goal."""

    change: Annotated[str, key()]
    """the change in words; with hydrogen the total flow that its program takes, and such changes come after those
    without a hazard. "Nominal, without regard to uncertainty" is a diagnosis, no change of the method; it comes last"""
    cost: Annotated[float, MINUTES, key("cost_min")]
    """what is minimised, of the fastest program then found; nan when the goal is still not met"""
    shortfall: float
    """how much of the requirements is then still missed; zero when the goal is met"""
    family: Annotated[str, key()]
    """kind of program it was tried with"""
    missed: Annotated[str, OR_NULL, key()] = ""
    """by which requirements the goal is still missed, and by how much; None when it is met"""
    cautions: tuple[str, ...] = ()
    """what must be borne in mind beside, as the change brings a hazard"""
    improves: Annotated[bool, key()] = True
    """whether its program comes closer to the goal as changed than the closest candidate does to the goal as it is; by
    draws, only a hundredth of them more counts"""

    @property
    def meets(self) -> bool:
        """Whether the goal is met with it."""
        return math.isfinite(self.cost)

    @property
    def gives(self) -> Annotated[str, key()]:
        """Run or cycle time, or what is missed, in words."""
        if self.meets:
            return f"{MINUTES.text(self.cost)} min"
        return f"{'still missed' if self.improves else 'no improvement found'}: {self.missed or '-'}"


@dataclass(frozen=True)
class StudyNote:
    """What is said about the shared study of a search; `own` and `unstored` are descents of this worker."""

    name: Annotated[str, key()]
    place: Annotated[str, key()]
    worker: Annotated[int, key()]
    descents: Annotated[int, key()]
    own: Annotated[int, key()]
    unstored: Annotated[int, key()]

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


class Tried(NamedTuple):
    """A kind of program and the least found of what is minimised [s]: nan where none of it met the goal."""

    family: Annotated[str, key()]
    cost: Annotated[float, MINUTES, key("cost_min")]


@dataclass(frozen=True)
class SearchOutcome:
    """What a search found.

    Attributes
    ----------
    feasible : whether any candidate meets the goal
    candidates : best first; when nothing is feasible, the closest of those that keep the equipment's limits
    blocking : sentences saying what blocks and how far off it is; empty when feasible
    candidates_note : why fewer candidates are shown than were asked for; empty where they are not
    not_met : which kind of no it is; None when feasible
    current : the method in use as predicted, if the scenario states one
    families : what was tried, before or after rounding
    programs_tried : simulated programs
    seconds : wall time of the search
    rounds : its budget in descents; None where it was a time
    front : points on the front between time and smallest resolution, fastest first; empty unless asked for
    front_note : how far they reach, and why there are fewer than asked for; empty unless a front was asked for
    what_ifs : single changes tried when nothing met the goal, the most helpful first
    study : None unless the search was part of a shared study
    ramp_more : what one oven ramp more would save; None where no program needs all that are allowed
    unknowns : what resolving the unknowns costs; None where there are none, or nothing meets the goal
    another_run : what another injection is worth; None where that was not asked
    """

    feasible: Annotated[bool, key()]
    candidates: tuple[Candidate, ...]
    blocking: Annotated[tuple[str, ...], key()]
    current: Annotated[InUse | None, key()]
    families: tuple[Tried, ...]
    programs_tried: int
    seconds: float
    interrupted: bool
    front: Annotated[tuple[FrontPoint, ...], key()] = ()
    front_note: Annotated[str, OR_NULL, key()] = ""
    what_ifs: Annotated[tuple[WhatIf, ...], key()] = ()
    study: StudyNote | None = None
    rounds: int | None = None
    ramp_more: RampMore | None = None
    unknowns: UnknownsCost | None = None
    another_run: AnotherRun | None = None
    not_met: Annotated[NotMet | None, key()] = None
    candidates_note: Annotated[str, OR_NULL, key()] = ""
