"""The instrument of a scenario: what its oven, pneumatics and inlet can do, and what fills its column, in SI units."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass
from typing import Annotated, Any, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray
from pydantic import Field, model_validator

from models.peaks.detection import detector_variance
from models.units import (
    M3_PER_S_PER_ML_MIN,
    PA_PER_KPA,
    REFERENCE_PRESSURE,
    SECONDS_PER_MINUTE,
    ZERO_CELSIUS,
    Number,
)
from optimizer.base.quantities import (
    BoilingPoint,
    Bore,
    DetectorFlow,
    Film,
    Flag,
    Flow,
    FlowRate,
    FlowRateStep,
    FlowStep,
    GasShare,
    GasVolume,
    GaugePressure,
    HeatingLimitRate,
    HeatingRateStep,
    HoldUp,
    LargestPressure,
    Length,
    LineTemperature,
    MakeUp,
    Mesh,
    Name,
    Nanograms,
    OvenTolerance,
    PackedBore,
    Particle,
    PeakHeight,
    Percent,
    PlateConstant,
    PressureRate,
    PressureRateStep,
    PressureStep,
    PurgeOn,
    Readings,
    ResponseTime,
    RoomTemperature,
    SegmentLength,
    SeptumPurge,
    ShortWait,
    SplitRatio,
    StartTemperature,
    Temperature,
    TemperatureDifference,
    TemperatureStep,
    TimeStep,
    TotalFlow,
    Trimmed,
    VentFlow,
    mean_particle,
)
from optimizer.base.tables import Table, key, whole

USUAL_POINTS = 10  # rate times base width is 10 to 20 in makers' manuals (tests/published/test_detection.py)
Flows = NDArray[np.float64]
GasName = Literal["helium", "hydrogen", "nitrogen", "argon"]
InletMode = Literal["split", "splitless", "on-column"]
# In the keys' own unit: what they are in SI depends on the room.
GAUGE_DEFAULTS_KPA = {"max_inlet_pressure_kPa": 400.0, "min_inlet_pressure_kPa": 0.0}


@dataclass(frozen=True)
class Steps(Table):
    """The smallest changes of set points the instrument accepts."""

    temperature: Annotated[TemperatureStep, key("temperature_C")] = 1.0
    rate: Annotated[HeatingRateStep, key("rate_C_per_min")] = 0.5 / SECONDS_PER_MINUTE
    time: Annotated[TimeStep, key("time_min")] = 0.1 * SECONDS_PER_MINUTE
    flow: Annotated[FlowStep, key("flow_mL_min")] = 0.05 * M3_PER_S_PER_ML_MIN
    pressure: Annotated[PressureStep, key("pressure_kPa")] = PA_PER_KPA
    """a difference, not gauge"""
    flow_rate: Annotated[FlowRateStep, key("flow_rate_mL_per_min2")] = (
        0.1 * M3_PER_S_PER_ML_MIN / SECONDS_PER_MINUTE
    )
    pressure_rate: Annotated[PressureRateStep, key("pressure_rate_kPa_per_min")] = (
        PA_PER_KPA / SECONDS_PER_MINUTE
    )


@dataclass(frozen=True)
class Tolerances(Table):
    """How far a run may be off what is entered; errors lie anywhere within. Common practice, no source."""

    oven: Annotated[OvenTolerance, key("oven_C")] = 1.0
    """the whole oven program too cold or too hot by up to this"""
    flow: Annotated[Percent, key("flow_percent")] = 0.01
    """a set column flow or velocity"""
    pressure: Annotated[Percent, key("pressure_percent")] = 0.01
    """a set gauge pressure"""
    hold_up: Annotated[Percent, key("hold_up_percent")] = 0.0
    """drift of the hold-up time since the scouting runs"""
    trimmed: Annotated[Trimmed, key("trimmed_m")] = 0.0
    """how much may be cut off the column before it is run again"""
    bore: Annotated[Percent, key("bore_percent")] = 0.02
    """bore of a new column, against its tag"""
    film: Annotated[Percent, key("film_percent")] = 0.1
    """film of a new column, against its tag"""


USUAL_TOLERANCES = Tolerances()
EVEN = 1 / 3  # variance of an error anywhere within +- 1; also the mean square of one from 0 to 1


@dataclass(frozen=True, kw_only=True)
class Packed(Table):
    """What fills a packed column; constants of the plate height are from memory, `fit` scales it and fits lambda."""

    inner_diameter: Annotated[PackedBore, key("inner_diameter_mm")]
    """bore of the empty tube"""
    particle: Annotated[Particle | None, key("particle_um", unless_stated="from `mesh`")] = None
    """mean diameter of the particles"""
    mesh: Annotated[Mesh | None, key(expected='two sieves as "80/100"', unless_stated="`particle_um`")] = None
    """sieves between which the particles lie"""
    between: Annotated[GasShare, key("gas_between")] = 0.4
    """share of the cross-section that is gas between particles"""
    total: Annotated[GasShare, key("gas_total")] = 0.8
    """share that is gas at all, pores included; of solid beads as `gas_between`"""
    eddy: PlateConstant = 1.0
    """lambda of the plate height 2 lambda d + 2 gamma D/u + omega d² u/D + C k/(1 + k)² u"""
    obstruction: PlateConstant = 0.7
    """gamma"""
    transfer: PlateConstant = 0.1
    """omega"""

    @property
    def diameter(self) -> float:
        """Of the particles [m]."""
        return self.particle if self.particle is not None else mean_particle(self.mesh or "")


@dataclass(frozen=True, kw_only=True)
class Segment(Table):
    """A piece of uncoated tube joined to the column."""

    place: Literal["before", "after"]
    """before the column (guard column, retention gap) or after it (restrictor, transfer line)"""
    length: Annotated[SegmentLength, key("length_m")]
    """length as it is now; trims are cut off the first one before the column"""
    inner_diameter: Annotated[Bore, key("inner_diameter_mm")]
    """bore"""
    temperature: Annotated[LineTemperature | None, key("temperature_C", unless_stated="the oven's")] = None
    """of a transfer line behind the oven, the last pieces alone; hot zones burn"""


@dataclass(frozen=True, kw_only=True)
class Measured(Table):
    """One measurement of the hold-up time at rest, from which permeability and gas cross-section follow."""

    hold_up: Annotated[HoldUp, key("hold_up_min")]
    """of an unretained peak, the oven at one temperature"""
    inlet_pressure: Annotated[GaugePressure, key("inlet_kPa")]
    """the inlet pressure then"""
    temperature: Annotated[Temperature, key("temperature_C")]
    """the oven's temperature then"""
    flow: Annotated[Flow | None, key("flow_mL_min", unless_stated="from the dimensions")] = None
    """column flow then, by a flow meter, at 25 °C and 101.325 kPa"""


@dataclass(frozen=True)
class CoolDown(Table):
    """How long the oven takes to cool from one temperature to another."""

    from_temperature: Annotated[Temperature, key("from_C")]
    """where cooling begins"""
    to_temperature: Annotated[Temperature, key("to_C")]
    """where it ends"""
    duration: Annotated[ShortWait, key("min")]
    """how long it takes"""


@dataclass(frozen=True)
class HeatingLimit(Table):
    """The fastest heating up to a temperature."""

    up_to: Annotated[Temperature, key("up_to_C")]
    rate: Annotated[HeatingLimitRate, key("rate_C_per_min")]

    def __iter__(self) -> Iterator[float]:
        return iter((self.up_to, self.rate))


@dataclass(frozen=True)
class Instrument(Table):
    """What oven and pneumatics can do; above the last of `heating_limits` its rate holds."""

    max_inlet_pressure: Annotated[LargestPressure, key("max_inlet_pressure_kPa")] = (
        REFERENCE_PRESSURE + GAUGE_DEFAULTS_KPA["max_inlet_pressure_kPa"] * PA_PER_KPA
    )
    """highest inlet pressure"""
    min_inlet_pressure: Annotated[GaugePressure, key("min_inlet_pressure_kPa")] = (
        REFERENCE_PRESSURE + GAUGE_DEFAULTS_KPA["min_inlet_pressure_kPa"] * PA_PER_KPA
    )
    """lowest inlet pressure"""
    max_pressure_rate: Annotated[PressureRate, key("max_pressure_rate_kPa_per_min")] = (
        300.0 * PA_PER_KPA / SECONDS_PER_MINUTE
    )
    """steepest pressure ramp"""
    min_flow: Annotated[Flow, key("min_flow_mL_min")] = 0.5 * M3_PER_S_PER_ML_MIN
    """lowest column flow"""
    max_flow: Annotated[Flow, key("max_flow_mL_min")] = 5.0 * M3_PER_S_PER_ML_MIN
    """highest column flow"""
    max_flow_rate: Annotated[FlowRate, key("max_flow_rate_mL_per_min2")] = (
        10.0 * M3_PER_S_PER_ML_MIN / SECONDS_PER_MINUTE
    )
    """steepest flow ramp"""
    detector_max_flow: Annotated[DetectorFlow | None, key("detector_max_flow_mL_min")] = None
    """largest column flow that the detector or the vacuum pump takes"""
    oven_min: Annotated[StartTemperature | None, key("oven_min_C")] = None
    """lowest temperature of the oven"""
    oven_max: Annotated[Temperature, key("oven_max_C")] = 450.0 + ZERO_CELSIUS
    """highest temperature of the oven"""
    ambient_temperature: Annotated[RoomTemperature, key("ambient_C")] = 25.0 + ZERO_CELSIUS
    """temperature of the room"""
    above_ambient: Annotated[TemperatureDifference, key("above_ambient_C")] = 10.0
    """how far above the room the oven still holds a temperature"""
    cryogenic: Flag = False
    """the oven has a coolant; without it no program goes below `ambient_C` + `above_ambient_C`"""
    heating_limits: Annotated[
        tuple[HeatingLimit, ...], Field(min_length=1), key(unless_stated="one band: 30 °C/min up to 450 °C")
    ] = (HeatingLimit(450.0 + ZERO_CELSIUS, 30.0 / SECONDS_PER_MINUTE),)
    """bands with rising `up_to_C` and the fastest `rate_C_per_min` up to there; above the last band its rate holds"""
    cool_down: CoolDown | None = None
    """how long cooling takes; used for the cycle time, and needed to minimise it"""
    equilibration: Annotated[ShortWait, key("equilibration_min")] = 1.0 * SECONDS_PER_MINUTE
    """wait before the next injection; used for the cycle time"""
    max_oven_ramps: Annotated[int, whole(0, 50)] = 20
    """most oven ramps in a program"""
    max_carrier_ramps: Annotated[int, whole(0, 50)] = 3
    """most pressure or flow ramps in a program"""
    steps: Steps = Steps()
    """the finest set points the instrument accepts"""

    @model_validator(mode="before")
    @classmethod
    def _gauge_defaults(cls, keys: Any) -> Any:
        return {**GAUGE_DEFAULTS_KPA, **keys} if isinstance(keys, dict) else keys

    @property
    def lowest_oven_temperature(self) -> float:
        """The lowest temperature [K] the oven can be asked for; 0 when nothing bounds it."""
        uncooled = 0.0 if self.cryogenic else self.ambient_temperature + self.above_ambient
        return max(self.oven_min or 0.0, uncooled)

    @property
    def largest_column_flow(self) -> float:
        """The largest column flow [m3/s] that pneumatics and detector both withstand."""
        if self.detector_max_flow is None:
            return self.max_flow
        return min(self.max_flow, self.detector_max_flow)


@dataclass(frozen=True)
class Detector(Table):
    """What the detector does to peaks and which flows it takes; it is that of the scouting runs, too."""

    response_time: Annotated[ResponseTime, key("response_time_s")] = 0.0
    """time constant of the exponential decay behind the column: cell, electronics, valve, transfer volume together;
    rising from 10 to 90 % takes 2.2 of it. Peaks tail, widen and come late by it, beside their tailing factors"""
    readings: Annotated[Readings | None, key("readings_per_s")] = None
    """readings a second, or scans, each the mean over its interval"""
    min_points: Annotated[int | None, whole(3, 200), key(expected="3 to 200")] = None
    """readings that the base (four standard deviations) of every target must have; needs `readings_per_s`. The rate
    that is needed is shown for so many, for 10 unless stated"""
    make_up: Annotated[MakeUp, key("make_up_mL_min")] = 0.0
    """make-up gas"""
    min_total_flow: Annotated[DetectorFlow | None, key("min_total_flow_mL_min")] = None
    """smallest flow it takes, column and make-up together"""
    max_total_flow: Annotated[DetectorFlow | None, key("max_total_flow_mL_min")] = None
    """largest flow it takes, column and make-up together"""
    max_height: Annotated[PeakHeight | None, key("max_height_per_s")] = None
    """end of its linear range as the height of a peak, in the unit of the areas per second; higher peaks are warned of,
    taken from the areas of the scouting runs: they must have been linear, and areas must not depend on the flow"""
    min_amount: Annotated[Nanograms | None, key("min_amount_ng")] = None
    """smallest amount on the column of a target that it shows; bounds the split ratio with `choose_split`"""

    @property
    def readings_variance(self) -> float:
        """What its readings add to the variance of a peak [s2]."""
        return detector_variance(0.0, self.readings)

    @property
    def points(self) -> int:
        """Readings across a peak for which the needed rate is shown."""
        return USUAL_POINTS if self.min_points is None else self.min_points


NO_DETECTOR = Detector()  # of which nothing is stated


@dataclass(frozen=True, kw_only=True)
class OwnedColumn(Table):
    """A column of the same phase that the laboratory owns; `adapt --all` tries each."""

    name: Annotated[Name, key(expected="text, each its own")]
    """how results call it"""
    length: Annotated[Length, key("length_m")]
    """length"""
    inner_diameter: Annotated[Bore, key("inner_diameter_mm")]
    """bore of the bare tube"""
    film_thickness: Annotated[Film, key("film_thickness_um")]
    """film; the phase ratio must be at least 5"""
    min_temperature: Annotated[
        StartTemperature | None, key("min_temperature_C", unless_stated="that of `[column]`")
    ] = None
    """lowest temperature"""
    max_temperature: Annotated[Temperature, key("max_temperature_C")]
    """limit for continuous use, from its tag: thicker films withstand less"""
    capacity: Annotated[Nanograms | None, key("capacity_ng")] = None
    """largest amount of one peak"""
    gases: Annotated[
        tuple[GasName, ...],
        Field(min_length=1),
        key(expected="list of gases", unless_stated="that of `[carrier]`"),
    ] = ()
    """carrier gases to try on it"""


@dataclass(frozen=True)
class GasSaver(Table):
    """Less gas out of the split vent, once the sample is on the column."""

    after: Annotated[PurgeOn, key("after_min")]
    """when it begins"""
    vent_flow: Annotated[VentFlow, key("vent_flow_mL_min")]
    """flow out of the split vent from then on"""


class SplitBound(NamedTuple):
    """A split ratio that may not be passed, and the key that says so."""

    ratio: float
    name: str


@dataclass(frozen=True)
class Inlet(Table):
    """How the sample gets onto the column."""

    mode: InletMode = "split"
    """how the sample gets onto the column"""
    solvent_boiling_point: Annotated[BoilingPoint | None, key("solvent_boiling_point_C")] = None
    """splitless and on-column: focuses the solvent at the start, see the next key"""
    below_solvent: Annotated[TemperatureDifference, key("below_solvent_C")] = 15.0
    """splitless and on-column: a program starts at least so far below the solvent's boiling point"""
    purge_on: Annotated[PurgeOn | None, key("purge_on_min")] = None
    """splitless: when the split vent opens; the first hold of the oven is at least as long"""
    split_ratio: SplitRatio | None = None
    """split and splitless: flow out of the split vent over column flow; amounts and areas are those at this ratio"""
    choose_split: Flag = False
    """split: every program gets the stated ratio, or the nearest within the bounds of capacity, detection, injected
    band and total flow; the search then counts the lowest"""
    min_split_ratio: SplitRatio | None = None
    """split and splitless: the lowest ratio that may be chosen, or suggested where the total flow holds the column flow
    down"""
    max_split_ratio: SplitRatio | None = None
    """split: the highest ratio that may be chosen"""
    injected_volume: Annotated[GasVolume | None, key("injected_volume_mL")] = None
    """split: volume of the vaporised injection at the inlet's temperature and pressure; the standard deviation of the
    band it makes is then kept within 0.3 of that of the narrowest target"""
    temperature: Annotated[Temperature, key("temperature_C")] = ZERO_CELSIUS + 250.0
    """temperature of the inlet, which counts for that band"""
    gas_saver: GasSaver | None = None
    """split: less gas after the injection; counts for total flow and gas a run"""
    septum_purge: Annotated[SeptumPurge, key("septum_purge_mL_min")] = 3.0 * M3_PER_S_PER_ML_MIN
    """flow of the septum purge"""
    max_total_flow: Annotated[
        TotalFlow | None, key("max_total_flow_mL_min", unless_stated="none; 50 with hydrogen")
    ] = None
    """largest total flow: column flow x (1 + `split_ratio`) + septum purge"""

    @property
    def highest_start(self) -> float | None:
        """The highest oven temperature [K] a program may start at; None when the inlet sets no bound."""
        if self.mode == "split" or self.solvent_boiling_point is None:
            return None
        return self.solvent_boiling_point - self.below_solvent

    @property
    def shortest_first_hold(self) -> float:
        """The shortest first hold of the oven [s]."""
        return self.purge_on or 0.0 if self.mode == "splitless" else 0.0

    @property
    def split_unknown(self) -> bool:
        """Whether gas may go out by a split vent without its ratio being stated."""
        return self.split_ratio is None and self.mode != "on-column"

    def total_flow(self, column_flow: Number) -> Number:
        """Flow the inlet takes [m3/s] at a column flow [m3/s], any shape; without a split ratio, no split."""
        return column_flow * (1 + (self.split_ratio or 0.0)) + self.septum_purge

    def vent_flow(self, column_flow: Flows, time: Flows) -> Flows:
        """Flow out of the split vent [m3/s] at column flows [m3/s] and times [s] since the injection, any one shape."""
        split = column_flow * (self.split_ratio or 0.0)
        if self.gas_saver is None:
            return split
        return np.where(time < self.gas_saver.after, split, self.gas_saver.vent_flow)

    def flow_taken(self, column_flow: Flows, time: Flows) -> Flows:
        """The total flow [m3/s] at column flows [m3/s] and times [s] since the injection, any one shape."""
        return column_flow + self.vent_flow(column_flow, time) + self.septum_purge

    def lowest_split(self, amounts: Collection[float], capacity: float | None) -> SplitBound | None:
        """The lowest ratio for amounts on the column at the stated one [ng]; None where nothing bounds it."""
        bounds = []
        if self.min_split_ratio is not None:
            bounds.append(SplitBound(self.min_split_ratio, "inlet.min_split_ratio"))
        if self.mode == "split" and capacity is not None and amounts and self.split_ratio is not None:
            ratio = max(amounts) / capacity * (1 + self.split_ratio) - 1
            bounds.append(SplitBound(ratio, "column.capacity_ng"))
        return max(bounds, default=None)

    def highest_split(self, amounts: Collection[float], least: float | None) -> SplitBound | None:
        """The highest ratio for amounts of targets [ng], of which the detector needs the least; None: no bound."""
        bounds = []
        if self.max_split_ratio is not None:
            bounds.append(SplitBound(self.max_split_ratio, "inlet.max_split_ratio"))
        if least is not None and amounts and self.split_ratio is not None:
            ratio = min(amounts) / least * (1 + self.split_ratio) - 1
            bounds.append(SplitBound(ratio, "detector.min_amount_ng"))
        return min(bounds, default=None)


UNBOUNDED_INLET = Inlet()  # a split inlet of which nothing is known
