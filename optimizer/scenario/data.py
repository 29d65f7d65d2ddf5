"""A scenario as the rest of the program sees it: checked, in SI units, frozen. Its tables are declared here."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from math import comb
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field

from models.column.carrier_gas import CarrierGas
from models.column.programs import Program
from models.column.system import Column
from models.fit.fit import FlowCorrection
from optimizer.base.quantities import (
    ActivationEnergy,
    AreaPercent,
    Confidence,
    Flag,
    Formula,
    Fraction,
    HalfLife,
    HeatingLimitRate,
    Minutes,
    Name,
    Nanograms,
    Resolution,
    RetentionFactor,
    SearchTime,
    Shift,
    ShortWait,
    Tailing,
    Temperature,
    Window,
)
from optimizer.base.tables import Table, key, whole
from optimizer.runs.blank import ColumnBleed
from optimizer.runs.detection import PeakDetection
from optimizer.runs.peak_tables import PeakTable
from optimizer.scenario.instrument_data import (
    NO_DETECTOR,
    UNBOUNDED_INLET,
    USUAL_TOLERANCES,
    Detector,
    Inlet,
    Instrument,
    Measured,
    OwnedColumn,
    Packed,
    Tolerances,
)
from optimizer.scenario.program_tables import CarrierMode

Role = Literal["target", "internal standard", "matrix", "ignore", "solvent"]
Minimise = Literal["run time", "cycle time"]
COUNTED_ROLES: tuple[Role, ...] = ("target", "internal standard")


@dataclass(frozen=True, eq=False)
class ScoutingRun:
    """A run that was made, and its peaks.

    Attributes
    ----------
    hold_up, amount_factor : float or None  [s], measured; float, its amounts over those of the method
    repeatability : float  [s], standard deviation of retention times between like runs
    day : label of the day it was made on; runs of one day share the errors of their set points
    file, detection : what its peaks were read from, as the scenario names it, and what of a trace counts as a peak
    columns : headings of its peak table by what they mean, where the file states them
    """

    name: str
    program: Program
    peaks: PeakTable
    hold_up: float | None
    repeatability: float
    day: str = ""
    file: str = field(default="", compare=False)
    detection: PeakDetection = field(default_factory=PeakDetection, compare=False)
    columns: Mapping[str, str] = field(default_factory=dict, compare=False)
    amount_factor: float = 1.0


@dataclass(frozen=True)
class BakeOut(Table):
    """Heating after the last peak."""

    temperature: Annotated[Temperature, key("at_C")]
    """temperature of the bake-out"""
    hold: Annotated[ShortWait, key("hold_min")]
    """how long it is held"""
    rate: Annotated[
        HeatingLimitRate | None, key("rate_C_per_min", unless_stated="as fast as the oven can")
    ] = None
    """how fast it is reached"""


@dataclass(frozen=True)
class Goal(Table):
    """What is minimised and what must hold; a `confidence` of 0 asks for it nominally only."""

    minimise: Minimise = "run time"
    """what becomes as short as possible"""
    min_resolution: Resolution = 1.5
    """half-height resolution every counted pair must reach"""
    earliest_elution: Annotated[ShortWait, key("earliest_elution_min")] = 0.0
    """no target or internal standard may elute earlier, for example because of the solvent"""
    latest_elution: Annotated[Minutes | None, key("latest_elution_min")] = None
    """no target or internal standard may have its apex later"""
    min_retention_factor: RetentionFactor = 0.0
    """smallest retention factor of targets and internal standards at their elution"""
    unknown_min_area: Annotated[AreaPercent | None, key("unknown_min_area_percent")] = None
    """where stated, peaks that a matching table gives no name are not left out; they, and all that one run alone has
    and no `[[analytes]]` or `[[groups]]` names, are *unknowns*: targets, but ignored below this share of their run's
    largest area, and never a pair with an unknown of another run, which may be the same"""
    bake_out: BakeOut | None = None
    """heating after the last peak; counts in run time and cycle time"""
    shift: Annotated[Shift, key("shift_h")] = 8 * 3600.0
    """length of a shift, for samples per shift"""
    front_points: Annotated[int, whole(0, 12), key(expected="0, or 2 to 12")] = 0
    """programs to show between time and smallest resolution: from half of what the goal asks for up to nearly the best
    that is found, at most four times the goal; where fewer come out a line says why"""
    confidence: Confidence = 0.9
    """required probability of meeting every requirement (simulated); "nominal" judges the predicted
    chromatogram alone, which on the instrument fails more often than not"""


@dataclass(frozen=True)
class Decomposition(Table):
    """First-order decomposition."""

    activation_energy: Annotated[ActivationEnergy, key("activation_energy_kJ_per_mol")]
    """activation energy"""
    half_life: Annotated[HalfLife, key("half_life_min")]
    """half-life at the temperature of the next key"""
    temperature: Annotated[Temperature, key("at_C")]
    """the temperature of that half-life"""


@dataclass(frozen=True)
class TimeAbove(Table):
    """The longest stay in the column above a temperature."""

    temperature: Annotated[Temperature, key("temperature_C")]
    """above which the stay is counted"""
    duration: Annotated[ShortWait, key("min")]
    """longest stay above it"""


@dataclass(frozen=True)
class Near(Table):
    """The compounds an internal standard must elute close to."""

    compounds: Annotated[tuple[Name, ...], Field(min_length=1), key(expected="list of names")]
    """each of these"""
    within: Annotated[Window, key("within_min")]
    """it elutes within this time of each"""


@dataclass(frozen=True)
class AnalyteDetail(Table):
    """What a scenario says about one compound; a decomposition is only reported without a `min_intact_fraction`."""

    compound: Annotated[Name, key(expected="a name in a peak table")]
    """the compound"""
    role: Role = "target"
    """a pair counts when one of its two is a target or an internal standard and neither is ignored; what is ignored
    counts only in pairs under `[[pairs]]`, but must still elute; the time of a "solvent" is where it ends: it is
    ignored, but no target or internal standard may begin before it"""
    max_elution_temperature: Annotated[Temperature | None, key("max_elution_temperature_C")] = None
    """highest column temperature at which it may elute"""
    max_time_above: TimeAbove | None = None
    """longest stay in the hot column"""
    decomposition: Decomposition | None = None
    """first-order kinetics; alone it is only reported"""
    min_intact_fraction: Annotated[Fraction | None, key(expected="0 to below 1")] = None
    """share that must survive the stay in the column; needs `decomposition`"""
    amount: Annotated[Nanograms | None, key("amount_ng")] = None
    """amount on the column"""
    tailing: Annotated[Tailing | None, key(unless_stated="measured, else 1")] = None
    """tailing factor, in place of the measured one"""
    formula: Annotated[Formula | None, key(expected="such as C10H22O")] = None
    """molecular formula, from which its diffusion in the gas is estimated"""
    near: Near | None = None
    """of an internal standard: compounds it must elute close to"""


@dataclass(frozen=True)
class PairRule(Table):
    """What a scenario says about one pair; without a `min_resolution` it needs what it would need without the rule."""

    between: Annotated[tuple[Name, ...], Field(min_length=2, max_length=2), key(expected="two names")]
    """the pair"""
    min_resolution: Resolution | None = None
    """resolution this pair must reach; it then counts whatever the roles"""
    ignore: Flag = False
    """the pair need not be resolved"""
    separable_by: Literal["detector"] | None = None
    """the pair need not be resolved, and is reported as told apart by the detector"""
    in_order: Flag = False
    """the first named must elute before the second"""

    @property
    def a(self) -> str:
        """The compound named first."""
        return self.between[0]

    @property
    def b(self) -> str:
        """The compound named second."""
        return self.between[1]

    @property
    def by_detector(self) -> bool:
        """Whether the detector tells the two apart."""
        return self.separable_by == "detector"


@dataclass(frozen=True)
class Group(Table):
    """Compounds determined as a total: clear of the members of other groups, not of one another."""

    name: Annotated[Name, key(expected="text, each its own")]
    """how messages and the report call the group"""
    members: Annotated[tuple[Name, ...], Field(min_length=1), key(expected="1 or more names")]
    """a compound belongs to at most one group"""
    min_resolution: Annotated[Resolution | None, key(unless_stated="the goal's")] = None
    """resolution from every member of another group"""


@dataclass(frozen=True)
class SearchSettings(Table):
    """How the search is run; at a fixed `oven_temperature` the `max_ramps` of a scenario are 0."""

    carrier_modes: Annotated[
        tuple[CarrierMode, ...],
        Field(min_length=1),
        key(expected="list of modes", unless_stated="those of the scouting runs' kind"),
    ] = ()
    """carrier modes to search"""
    max_ramps: Annotated[int, whole(0, 5), key(unless_stated="3, at most `max_oven_ramps`")] = 3
    """most oven ramps in a program"""
    max_carrier_ramps: Annotated[int, whole(1, 2), key(expected="1 or 2")] = 1
    """most ramps of a flow or pressure program"""
    oven_temperature: Annotated[Temperature | None, key("oven_temperature_C")] = None
    """the oven stays at this temperature, and only the carrier is searched"""
    seconds: SearchTime = 20.0
    """time budget"""
    candidates: Annotated[int, whole(1, 50)] = 5
    """most candidates to show"""
    seed: Annotated[int, whole(0, 2**32 - 1)] = 1
    """the same seed gives the same search"""


@dataclass(frozen=True, eq=False)
class Scenario:
    """Everything a scenario folder states.

    Attributes
    ----------
    min_temperature, max_temperature, max_programmed_temperature : float  [K], limits of the column
    outlet_pressure, ambient_pressure : float  [Pa absolute]; the outlet is 0 for vacuum
    compounds : tuple of M names, by retention time in the first run, then those of later runs; as listed without runs
    warnings : tuple of str, what is allowed but should be known
    max_time_above_continuous : float  [s], longest stay above `max_temperature`; at 0 that is never exceeded
    capacity, overload : float or None  [ng], amount that makes a peak 10 % wider; whether amounts move peaks
    packed, measured, bleed : what fills the column, what it was measured to let through, what it gives off, as stated
    matching, left_out : the table that names the peaks of unnamed runs; compounds that were taken out of the tables
    """

    title: str
    path: Path
    column: Column
    phase: str
    min_temperature: float
    max_temperature: float
    max_programmed_temperature: float
    gas: CarrierGas
    outlet_pressure: float
    ambient_pressure: float
    instrument: Instrument
    runs: tuple[ScoutingRun, ...]
    current: Program | None
    goal: Goal
    analytes: tuple[AnalyteDetail, ...]
    pairs: tuple[PairRule, ...]
    search: SearchSettings
    flow_correction: FlowCorrection
    compounds: tuple[str, ...]
    warnings: tuple[str, ...]
    max_time_above_continuous: float = 0.0
    capacity: float | None = None
    packed: Packed | None = None
    measured: Measured | None = None
    overload: bool = False
    inlet: Inlet = UNBOUNDED_INLET
    detector: Detector = NO_DETECTOR
    groups: tuple[Group, ...] = ()
    tolerances: Tolerances = USUAL_TOLERANCES
    matching: str | None = field(default=None, compare=False)
    left_out: tuple[str, ...] = field(default=(), compare=False)
    columns: tuple[OwnedColumn, ...] = field(default=(), compare=False)
    bleed: ColumnBleed | None = None

    @property
    def highest_temperature(self) -> float:
        """The highest temperature [K] a program may have."""
        programmed = self.max_time_above_continuous > 0
        column = self.max_programmed_temperature if programmed else self.max_temperature
        return min(column, self.instrument.oven_max)

    @property
    def lowest_temperature(self) -> float:
        """The lowest temperature [K] a program may have."""
        return max(self.min_temperature, self.instrument.lowest_oven_temperature)

    @property
    def in_order(self) -> tuple[tuple[str, str], ...]:
        """Pairs of which the first must elute before the second."""
        return tuple((rule.a, rule.b) for rule in self.pairs if rule.in_order)

    @property
    def detector_pairs(self) -> tuple[tuple[str, str], ...]:
        """Pairs that the detector tells apart."""
        return tuple((rule.a, rule.b) for rule in self.pairs if rule.by_detector)

    @property
    def peak_columns(self) -> Mapping[str, str]:
        """Headings of peak tables by what they mean, as the first run that states some has them."""
        return next((run.columns for run in self.runs if run.columns), {})

    @cached_property
    def _details(self) -> dict[str, AnalyteDetail]:  # of two, which reading refuses, the first
        return {each.compound: each for each in reversed(self.analytes)}

    @cached_property
    def _groups(self) -> dict[str, Group]:
        return {member: each for each in reversed(self.groups) for member in each.members}

    @cached_property
    def _rules(self) -> dict[frozenset[str], PairRule]:
        return {frozenset((each.a, each.b)): each for each in reversed(self.pairs)}

    def detail(self, compound: str) -> AnalyteDetail:
        """What is said about a compound; those nothing is said about are targets."""
        return self._details.get(compound) or AnalyteDetail(compound, "target")

    def role(self, compound: str) -> Role:
        """The role of a compound."""
        if compound in self._details:
            return self._details[compound].role
        return "ignore" if compound in self.small_unknowns else "target"

    @cached_property
    def unknowns(self) -> dict[str, int]:
        """Peaks that one run alone has and nothing describes, with the run's number; none unless the goal asks."""
        if self.goal.unknown_min_area is None or len(self.runs) < 2:
            return {}
        seen = [(name, n) for n, run in enumerate(self.runs) for name in run.peaks.compounds]
        runs_with = Counter(name for name, _ in seen)
        known = {*self._details, *self._groups}
        return {name: n for name, n in seen if runs_with[name] == 1 and name not in known}

    @cached_property
    def small_unknowns(self) -> frozenset[str]:
        """Unknowns with less than the stated share of the largest area in their run, ignored peaks not counted."""
        ignored = {each.compound for each in self.analytes if each.role == "ignore"}
        return frozenset(
            name
            for name, n in self.unknowns.items()
            if self.runs[n].peaks.share_of_largest(name, ignored) < (self.goal.unknown_min_area or 0.0)
        )

    @property
    def counted_unknowns(self) -> tuple[str, ...]:
        """Unknowns that are targets."""
        return tuple(name for name in self.unknowns if name not in self.small_unknowns)

    def ignores(self, compound: str) -> bool:
        """Whether a compound counts only in pairs that a rule names."""
        return self.role(compound) in ("ignore", "solvent")

    def tailing(self, compound: str) -> float | None:
        """The tailing factor stated for a compound, None for the measured one."""
        return self.detail(compound).tailing

    def formula(self, compound: str) -> str | None:
        """The formula stated for a compound."""
        return self.detail(compound).formula

    def group(self, compound: str) -> Group | None:
        """The group a compound belongs to."""
        return self._groups.get(compound)

    def required_resolution(self, a: str, b: str) -> float | None:
        """The resolution a pair must reach, None when it does not count.

        A rule for the pair comes first. Else nothing ignored counts. Then groups: none within one, and between two the
        larger resolution they state (the goal's if neither does). Other pairs count when one of the two is a target
        or an internal standard.
        """
        rule = self._rules.get(frozenset((a, b)))
        if rule is not None:
            if rule.ignore or rule.by_detector:
                return None
            if rule.min_resolution is not None:
                return rule.min_resolution
        return self._resolution_without_rule(a, b)

    def _resolution_without_rule(self, a: str, b: str) -> float | None:
        if self.ignores(a) or self.ignores(b) or self._perhaps_the_same(a, b):
            return None
        group_a, group_b = self.group(a), self.group(b)
        if group_a is not None and group_b is not None:
            if group_a is group_b:
                return None
            stated = [each.min_resolution for each in (group_a, group_b) if each.min_resolution is not None]
            return max(stated, default=self.goal.min_resolution)
        return self.goal.min_resolution if self._counted(a) or self._counted(b) else None

    def _perhaps_the_same(self, a: str, b: str) -> bool:
        """Whether two are unknowns of different runs."""
        first, second = self.unknowns.get(a), self.unknowns.get(b)
        return first is not None and second is not None and first != second

    def _counted(self, compound: str) -> bool:
        return self.role(compound) in COUNTED_ROLES

    @property
    def number_of_counted_pairs(self) -> int:
        """How many pairs have a `required_resolution`, from counts of compounds rather than a look at each pair."""
        names = [name for name in self.compounds if not self.ignores(name)]
        uncounted = [name for name in names if not self._counted(name)]
        grouped = Counter(self._groups[name].name for name in names if name in self._groups)
        by_roles = comb(len(names), 2) - comb(len(uncounted), 2)
        across_groups = comb(sum(name in self._groups for name in uncounted), 2)
        within_groups = sum(comb(size, 2) for size in grouped.values())
        unknown = Counter(self.unknowns[name] for name in self.counted_unknowns)
        across_runs = comb(unknown.total(), 2) - sum(comb(size, 2) for size in unknown.values())
        known = set(self.compounds)
        by_rules = sum(
            (self.required_resolution(*pair) is not None) - (self._resolution_without_rule(*pair) is not None)
            for pair in self._rules
            if pair <= known
        )
        return by_roles + across_groups - within_groups - across_runs + by_rules
