"""A scenario as the rest of the program sees it: checked, converted to SI units, frozen."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from functools import cached_property
from math import comb
from pathlib import Path
from typing import Literal

from models.column.carrier_gas import CarrierGas
from models.column.column import Column
from models.column.programs import Program
from models.fit.fit import FlowCorrection
from optimizer.runs.peak_tables import PeakTable
from optimizer.scenario.instrument_data import (
    UNBOUNDED_INLET,
    USUAL_TOLERANCES,
    CoolDown,
    Inlet,
    Instrument,
    Steps,
    Tolerances,
)

Role = Literal["target", "internal standard", "matrix", "ignore"]
Minimise = Literal["run time", "cycle time"]
COUNTED_ROLES: tuple[Role, ...] = ("target", "internal standard")

__all__ = [
    "COUNTED_ROLES",
    "AnalyteDetail",
    "BakeOut",
    "CoolDown",
    "Decomposition",
    "Goal",
    "Group",
    "Inlet",
    "Instrument",
    "Minimise",
    "Near",
    "PairRule",
    "Role",
    "Scenario",
    "ScoutingRun",
    "SearchSettings",
    "Steps",
    "TimeAbove",
    "Tolerances",
]


@dataclass(frozen=True, eq=False)
class ScoutingRun:
    """A run that was made, and its peaks.

    Attributes
    ----------
    hold_up : float or None  [s], measured
    repeatability : float  [s], standard deviation of retention times between like runs
    day : label of the day it was made on; runs of one day share the errors of their set points
    """

    name: str
    program: Program
    peaks: PeakTable
    hold_up: float | None
    repeatability: float
    day: str = ""


@dataclass(frozen=True)
class BakeOut:
    """Heating after the last peak [K, s, K/s]; without a rate as fast as the oven can."""

    temperature: float
    hold: float
    rate: float | None = None


@dataclass(frozen=True)
class Goal:
    """What is minimised and what must hold.

    Attributes
    ----------
    min_resolution : float  [-], of every counted pair without one of its own
    earliest_elution, latest_elution : float  [s], of targets; None when there is no latest
    min_retention_factor : float  [-], of targets, at elution
    bake_out : BakeOut or None, counted in run and cycle time
    shift : float  [s], for samples per shift
    front_points : int, programs on the front between time and smallest resolution; 0 for no front
    confidence : float, share of draws of what is uncertain in which everything must hold; 0: only nominally
    """

    minimise: Minimise
    min_resolution: float
    earliest_elution: float
    latest_elution: float | None = None
    min_retention_factor: float = 0.0
    bake_out: BakeOut | None = None
    shift: float = 8 * 3600.0
    front_points: int = 0
    confidence: float = 0.9


@dataclass(frozen=True)
class Decomposition:
    """First-order decomposition: activation energy [J/mol], and a half-life [s] at a temperature [K]."""

    activation_energy: float
    half_life: float
    temperature: float


@dataclass(frozen=True)
class TimeAbove:
    """The longest stay in the column [s] above a temperature [K]."""

    temperature: float
    duration: float


@dataclass(frozen=True)
class Near:
    """The compounds an internal standard must leave close to, and how close [s]."""

    compounds: tuple[str, ...]
    within: float


@dataclass(frozen=True)
class AnalyteDetail:
    """What a scenario says about one compound.

    Attributes
    ----------
    max_elution_temperature : float or None  [K]
    max_time_above : TimeAbove or None
    decomposition : Decomposition or None, only reported unless there is a `min_intact_fraction`
    min_intact_fraction : float or None  [-], share that survives its stay in the column
    amount : float or None  [ng] on the column
    tailing : float or None  [-], tailing factor instead of the measured one
    near : Near or None, of an internal standard
    """

    compound: str
    role: Role
    max_elution_temperature: float | None = None
    max_time_above: TimeAbove | None = None
    decomposition: Decomposition | None = None
    min_intact_fraction: float | None = None
    amount: float | None = None
    tailing: float | None = None
    near: Near | None = None


@dataclass(frozen=True)
class PairRule:
    """What a scenario says about one pair.

    Attributes
    ----------
    min_resolution : float or None  [-]; None: what the pair would need without the rule
    ignore, by_detector : bool, the pair need not be resolved; if `by_detector` since the detector tells it apart
    in_order : bool, `a` must leave before `b`
    """

    a: str
    b: str
    min_resolution: float | None
    ignore: bool
    by_detector: bool = False
    in_order: bool = False


@dataclass(frozen=True)
class Group:
    """Compounds determined as a total: clear of the members of other groups, not of one another.

    Attributes
    ----------
    min_resolution : float or None  [-], against members of other groups
    """

    name: str
    members: tuple[str, ...]
    min_resolution: float | None = None


@dataclass(frozen=True)
class SearchSettings:
    """How the search is run.

    Attributes
    ----------
    seconds : float  [s], its time budget
    oven_temperature : float or None  [K]; the oven stays at it and `max_ramps` is 0
    """

    carrier_modes: tuple[str, ...]
    max_ramps: int
    seconds: float
    candidates: int
    seed: int
    max_carrier_ramps: int = 1
    oven_temperature: float | None = None


@dataclass(frozen=True, eq=False)
class Scenario:
    """Everything a scenario folder states.

    Attributes
    ----------
    path : Path, of the scenario file
    min_temperature, max_temperature, max_programmed_temperature : float  [K], limits of the column
    outlet_pressure, ambient_pressure : float  [Pa absolute]; the outlet is 0 for vacuum
    compounds : tuple of M names, by retention time in the first run, then those the later runs add; as listed
        where there are no runs yet
    warnings : tuple of str, what is allowed but should be known
    max_time_above_continuous : float  [s], longest stay above `max_temperature`; at 0 that is never exceeded
    capacity : float or None  [ng], largest amount of one peak
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
    inlet: Inlet = UNBOUNDED_INLET
    groups: tuple[Group, ...] = ()
    tolerances: Tolerances = USUAL_TOLERANCES

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
        """Pairs of which the first must leave before the second."""
        return tuple((rule.a, rule.b) for rule in self.pairs if rule.in_order)

    @property
    def detector_pairs(self) -> tuple[tuple[str, str], ...]:
        """Pairs that the detector tells apart."""
        return tuple((rule.a, rule.b) for rule in self.pairs if rule.by_detector)

    # Of two entries for the same compounds, which reading refuses, the first holds.
    @cached_property
    def _details(self) -> dict[str, AnalyteDetail]:
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
        return self.detail(compound).role

    def tailing(self, compound: str) -> float | None:
        """The tailing factor stated for a compound, None for the measured one."""
        return self.detail(compound).tailing

    def group(self, compound: str) -> Group | None:
        """The group a compound belongs to."""
        return self._groups.get(compound)

    def required_resolution(self, a: str, b: str) -> float | None:
        """The resolution a pair must reach, None when it does not count.

        A rule for the pair comes first, then groups: none within one, and between two the larger resolution they
        state (the goal's if neither does). Other pairs count when one of the two is a target or an internal
        standard.
        """
        rule = self._rules.get(frozenset((a, b)))
        if rule is not None:
            if rule.ignore or rule.by_detector:
                return None
            if rule.min_resolution is not None:
                return rule.min_resolution
        return self._resolution_without_rule(a, b)

    def _resolution_without_rule(self, a: str, b: str) -> float | None:
        group_a, group_b = self.group(a), self.group(b)
        if group_a is not None and group_b is not None:
            if group_a is group_b:
                return None
            stated = [each.min_resolution for each in (group_a, group_b) if each.min_resolution is not None]
            return max(stated, default=self.goal.min_resolution)
        return self.goal.min_resolution if self._counted(a) or self._counted(b) else None

    def _counted(self, compound: str) -> bool:
        return self.role(compound) in COUNTED_ROLES

    @property
    def number_of_counted_pairs(self) -> int:
        """How many pairs have a `required_resolution`, from counts of compounds rather than a look at each pair."""
        uncounted = [name for name in self.compounds if not self._counted(name)]
        grouped = Counter(self._groups[name].name for name in self.compounds if name in self._groups)
        by_roles = comb(len(self.compounds), 2) - comb(len(uncounted), 2)
        across_groups = comb(sum(name in self._groups for name in uncounted), 2)
        within_groups = sum(comb(size, 2) for size in grouped.values())
        known = set(self.compounds)
        by_rules = sum(
            (self.required_resolution(*pair) is not None) - (self._resolution_without_rule(*pair) is not None)
            for pair in self._rules
            if pair <= known
        )
        return by_roles + across_groups - within_groups + by_rules
