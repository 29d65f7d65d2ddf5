"""A scenario as the rest of the program sees it: checked, converted to SI units, frozen."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from models.carrier_gas import CarrierGas
from models.column import Column
from models.fit import FlowCorrection
from models.programs import Program
from optimizer.peak_tables import PeakTable

Role = Literal["target", "internal standard", "matrix", "ignore"]
Minimise = Literal["run time", "cycle time"]
COUNTED_ROLES: tuple[Role, ...] = ("target", "internal standard")


@dataclass(frozen=True)
class Steps:
    """The smallest changes of set points the instrument accepts [K, K/s, s, m3/s, Pa]."""

    temperature: float
    rate: float
    time: float
    flow: float
    pressure: float


@dataclass(frozen=True)
class CoolDown:
    """How long the oven takes to cool from one temperature to another [K, K, s]."""

    from_temperature: float
    to_temperature: float
    duration: float


@dataclass(frozen=True)
class Instrument:
    """What oven and pneumatics can do.

    Attributes
    ----------
    max_inlet_pressure : float  [Pa absolute]
    min_flow, max_flow : float  [m3/s at 25 °C, 101.325 kPa]
    heating_limits : tuple of (temperature up to which the rate holds [K], rate [K/s]), rising in temperature;
        above the last temperature the last rate holds
    cool_down : CoolDown or None when not stated
    equilibration : float  [s]
    steps : Steps
    """

    max_inlet_pressure: float
    min_flow: float
    max_flow: float
    heating_limits: tuple[tuple[float, float], ...]
    cool_down: CoolDown | None
    equilibration: float
    steps: Steps


@dataclass(frozen=True, eq=False)
class ScoutingRun:
    """A run that was made, and its peaks.

    Attributes
    ----------
    hold_up : float or None  [s], measured
    repeatability : float  [s], standard deviation of retention times between like runs
    """

    name: str
    program: Program
    peaks: PeakTable
    hold_up: float | None
    repeatability: float


@dataclass(frozen=True)
class Goal:
    """What is minimised and what must hold: resolution [-] of every counted pair, earliest elution [s]."""

    minimise: Minimise
    min_resolution: float
    earliest_elution: float


@dataclass(frozen=True)
class AnalyteDetail:
    """What a scenario says about one compound."""

    compound: str
    role: Role


@dataclass(frozen=True)
class PairRule:
    """What a scenario says about one pair: a resolution of its own (None: the goal's), or that it is ignored."""

    a: str
    b: str
    min_resolution: float | None
    ignore: bool


@dataclass(frozen=True)
class SearchSettings:
    """How the search is run; `seconds` is its time budget [s]."""

    carrier_modes: tuple[str, ...]
    max_ramps: int
    seconds: float
    candidates: int
    seed: int


@dataclass(frozen=True, eq=False)
class Scenario:
    """Everything a scenario folder states.

    Attributes
    ----------
    path : Path, of the scenario file
    min_temperature, max_temperature, max_programmed_temperature : float  [K], limits of the column
    outlet_pressure, ambient_pressure : float  [Pa absolute]; the outlet is 0 for vacuum
    compounds : tuple of M names, by retention time in the first run, then those the later runs add
    warnings : tuple of str, what is allowed but should be known
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

    def role(self, compound: str) -> Role:
        """The role of a compound; those without a detail are targets."""
        return next((each.role for each in self.analytes if each.compound == compound), "target")

    def required_resolution(self, a: str, b: str) -> float | None:
        """The resolution a pair must reach, None when it does not count.

        A pair counts when at least one of the two is a target or an internal standard, unless a rule says
        otherwise; a rule with a resolution of its own makes any pair count.
        """
        rule = next((each for each in self.pairs if {each.a, each.b} == {a, b}), None)
        if rule is not None:
            return None if rule.ignore else rule.min_resolution
        counts = self.role(a) in COUNTED_ROLES or self.role(b) in COUNTED_ROLES
        return self.goal.min_resolution if counts else None
