"""The scenario file: its tables, beside those that `scenario_data` and `instrument_data` declare, in SI units.

`docs/scenario.md` describes every key, from these declarations. Pressure keys are in kPa; `scenario_messages` accepts
the same keys in psi and bar and turns them into kPa before these tables see them.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Annotated, Literal

from pydantic import Field

from models.fit.fit import FlowCorrection
from models.units import REFERENCE_PRESSURE, SECONDS_PER_MINUTE
from optimizer.base.quantities import (
    NUMBER,
    SECOND,
    AmbientPressure,
    Bore,
    Film,
    Flag,
    HoldUp,
    Length,
    Minutes,
    Name,
    Nanograms,
    Quantity,
    Repeatability,
    Slip,
    Temperature,
    Title,
)
from optimizer.base.tables import Table, key
from optimizer.runs.detection import MIN_WIDTH_RANGE_S, SIGNAL_TO_NOISE_RANGE
from optimizer.scenario.data import (
    AnalyteDetail,
    Goal,
    Group,
    Inlet,
    Instrument,
    PairRule,
    SearchSettings,
    Tolerances,
)
from optimizer.scenario.program_tables import CarrierProgramTable, OvenTable, ProgramTable

SignalToNoise = Annotated[
    float,
    Quantity(*SIGNAL_TO_NOISE_RANGE, NUMBER, below="3 is the usual limit of detection, and the default"),
]
MinWidth = Annotated[
    float,
    Quantity(*MIN_WIDTH_RANGE_S, SECOND, (Slip("ms", 1e-3),), below="a half-height width is above zero"),
]
GasName = Literal["helium", "hydrogen", "nitrogen", "argon"]


@dataclass(frozen=True, kw_only=True)
class ColumnTable(Table):
    """The column's dimensions and limits."""

    length: Annotated[Length, key("length_m", "length as it is now, trims taken off")]
    inner_diameter: Annotated[Bore, key("inner_diameter_mm", "bore of the bare tube")]
    film_thickness: Annotated[Film, key("film_thickness_um", "film; the phase ratio must be at least 5")]
    phase: Annotated[Name, key(None, "for the report only")] = "not stated"
    min_temperature: Annotated[Temperature, key("min_temperature_C", "lowest temperature of the column")]
    max_temperature: Annotated[Temperature, key("max_temperature_C", "limit for continuous use")]
    max_programmed_temperature: Annotated[
        Temperature | None,
        key(
            "max_programmed_temperature_C",
            "limit for a short stay at the end of a ramp; programs go there only with the next key",
            unless_stated="`max_temperature_C`",
        ),
    ] = None
    max_time_above_continuous: Annotated[
        Minutes,
        key(
            "max_time_above_continuous_min",
            "longest stay of a run above `max_temperature_C`; at 0 no program goes above it",
        ),
    ] = 0.0
    capacity: Annotated[
        Nanograms | None, key("capacity_ng", "largest amount of one peak; larger ones are warned of")
    ] = None


@dataclass(frozen=True)
class CarrierTable(Table):
    """The carrier gas and where it goes."""

    gas: Annotated[GasName, key(None, "carrier gas of all runs")]
    outlet: Annotated[Literal["ambient", "vacuum"], key(None, '"vacuum" for a mass spectrometer')] = "ambient"
    ambient_pressure: Annotated[
        AmbientPressure,
        key("ambient_pressure_kPa", "pressure of the room, to which gauge pressures refer"),
    ] = REFERENCE_PRESSURE


@dataclass(frozen=True, kw_only=True)
class ScoutingRunTable(Table):
    """A scouting run as the file has it, its peaks still in their own."""

    name: Annotated[
        Name, key(None, "how messages and the report call the run", expected="text, each its own")
    ]
    peaks: Annotated[
        Name,
        key(None, "its peak table or recorded trace, relative to the scenario file", expected="file name"),
    ]
    min_signal_to_noise: Annotated[
        SignalToNoise | None,
        key(
            None,
            "of a recorded trace: smallest signal-to-noise of a peak, see *Recorded traces*",
            unless_stated="3",
        ),
    ] = None
    min_width_s: Annotated[
        MinWidth | None,
        key(
            None,
            "of a recorded trace: smallest half-height width of a peak",
            unless_stated="0.4 of the narrowest clear peaks",
        ),
    ] = None
    from_trace: Annotated[
        Flag, key(None, "of a recorded trace: peaks are found in it though its file lists some")
    ] = False
    hold_up: Annotated[
        HoldUp | None, key("hold_up_min", "measured hold-up time in this run", unless_stated="computed")
    ] = None
    repeatability: Annotated[
        Repeatability,
        key("repeatability_min", "standard deviation of retention times between like runs"),
    ] = 0.003 * SECONDS_PER_MINUTE
    day: Annotated[
        Name | None,
        key(
            None,
            "label of the day it was made on, for instance the date: runs of one day share the errors of their set "
            "points, those of another may be off by `[tolerances]`",
            unless_stated="all of one day",
        ),
    ] = None
    oven: Annotated[OvenTable, key(None, "see *Programs*")]
    carrier: Annotated[CarrierProgramTable, key(None, "see *Programs*")]


@dataclass(frozen=True)
class FitTable(Table):
    """How the runs are fitted."""

    flow_correction: Annotated[
        FlowCorrection, key(None, "one correction of the flow for the column, one for each run, or none")
    ] = "column"


@dataclass(frozen=True, kw_only=True)
class ScenarioTable(Table):
    """The whole file."""

    title: Annotated[Title | None, key(None, "heading of the report", unless_stated="name of the folder")] = (
        None
    )
    matching: Annotated[
        str | None,
        key(
            None,
            "the table that names the peaks of runs without names, see *Peaks without names*",
            expected="file name",
        ),
    ] = None
    column: Annotated[ColumnTable, key(None, "`[column]`")]
    carrier: Annotated[CarrierTable, key(None, "`[carrier]`")]
    # Validated when nothing is stated, too: gauge pressures depend on the room.
    instrument: Annotated[Instrument, Field(validate_default=True), key(None, "`[instrument]`")] = field(
        default_factory=dict  # type: ignore[assignment]
    )
    inlet: Annotated[Inlet, key(None, "`[inlet]`", unless_stated="split, no figures")] = field(
        default_factory=Inlet
    )
    compounds: Annotated[
        tuple[Name, ...],
        key(
            None,
            "what is in the sample; once there are runs, names that are in the list or in the peak tables alone are "
            "warned of",
            expected="list of names",
            unless_stated="those of the peak tables",
        ),
    ] = ()
    scouting_runs: Annotated[
        tuple[ScoutingRunTable, ...],
        key(
            None,
            "`[[scouting_runs]]`, one for each run that was made",
            expected="1 or more; none yet for `scout`",
        ),
    ] = ()
    current: Annotated[ProgramTable | None, key(None, "`[current]`, the method in use, to compare with")] = (
        None
    )
    goal: Annotated[Goal, key(None, "`[goal]`")] = field(default_factory=Goal)
    tolerances: Annotated[Tolerances, key(None, "`[tolerances]`")] = field(default_factory=Tolerances)
    analytes: Annotated[
        tuple[AnalyteDetail, ...], key(None, "`[[analytes]]`, detail for named compounds")
    ] = ()
    pairs: Annotated[tuple[PairRule, ...], key(None, "`[[pairs]]`, rules for single pairs")] = ()
    groups: Annotated[tuple[Group, ...], key(None, "`[[groups]]`, compounds determined as a total")] = ()
    fit: Annotated[FitTable, key(None, "`[fit]`")] = field(default_factory=FitTable)
    search: Annotated[SearchSettings, key(None, "`[search]`")] = field(default_factory=SearchSettings)
