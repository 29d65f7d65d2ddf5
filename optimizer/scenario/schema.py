"""The scenario file: its tables, beside those that `scenario_data` and `instrument_data` declare, in SI units.

`docs/scenario.md` describes every key, from these declarations. Pressure keys are in kPa; `scenario_messages` accepts
the same keys in psi and bar and turns them into kPa before these tables see them.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from typing import Annotated, Literal

from pydantic import Field

from models.fit.fit import FlowCorrection
from models.units import REFERENCE_PRESSURE, SECONDS_PER_MINUTE
from optimizer.base.quantities import (
    NUMBER,
    SECOND,
    AmbientPressure,
    AmountFactor,
    Bore,
    Film,
    Flag,
    HoldUp,
    Layer,
    Length,
    Minutes,
    Name,
    Nanograms,
    Quantity,
    Repeatability,
    Resistance,
    Slip,
    StartTemperature,
    Temperature,
    Title,
)
from optimizer.base.tables import Table, key
from optimizer.runs.blank import ColumnBleed
from optimizer.runs.detection import MIN_WIDTH_RANGE_S, SIGNAL_TO_NOISE_RANGE
from optimizer.scenario.data import AnalyteDetail, Goal, Group, PairRule, SearchSettings
from optimizer.scenario.instrument_data import (
    Detector,
    GasName,
    Inlet,
    Instrument,
    Measured,
    OwnedColumn,
    Packed,
    Segment,
    Tolerances,
)
from optimizer.scenario.program_tables import CarrierProgramTable, OvenTable, ProgramTable

UNSTATED_PHASE = "not stated"

SignalToNoise = Annotated[
    float,
    Quantity(*SIGNAL_TO_NOISE_RANGE, NUMBER, below="3 is the usual limit of detection, and the default"),
]
MinWidth = Annotated[
    float,
    Quantity(*MIN_WIDTH_RANGE_S, SECOND, (Slip("ms", 1e-3),), below="a half-height width is above zero"),
]


@dataclass(frozen=True, kw_only=True)
class ColumnTable(Table):
    """The column's dimensions and limits."""

    length: Annotated[Length, key("length_m")]
    """length as it is now, trims taken off"""
    inner_diameter: Annotated[Bore | None, key("inner_diameter_mm", unless_stated="that of `packed`")] = None
    """bore of the bare tube"""
    film_thickness: Annotated[Film | None, key("film_thickness_um", unless_stated="a layer or a packing")] = (
        None
    )
    """film; the phase ratio must be at least 5"""
    layer_thickness: Annotated[Layer | None, key("layer_thickness_um")] = None
    """of a porous-layer column in place of the film; gas flows through the bore that it leaves"""
    packed: Packed | None = None
    """of a packed column in place of bore and film: `[column.packed]`"""
    adsorbent: Annotated[
        Flag | None, key(unless_stated="true of a porous layer; must be stated of `packed`")
    ] = None
    """whether it retains by adsorption: retention then has no heat-capacity term unless the runs ask for one"""
    resistance: Annotated[Resistance | None, key("resistance_ms", unless_stated="by the film, or 1")] = None
    """C in the term C k/(1 + k)² u of the plate height, where a layer or packing slows exchange; `fit` corrects it"""
    segments: tuple[Segment, ...] = ()
    """`[[column.segments]]`, uncoated pieces joined to it, in the order of the gas; `place` is "before" or "after" """
    measured: Annotated[Measured | None, key(unless_stated="from the dimensions")] = None
    """what the column lets through: `[column.measured]`"""
    bleed: ColumnBleed | None = None
    """what it gives off: `[column.bleed]`"""
    phase: Name = UNSTATED_PHASE
    """for the report only"""
    min_temperature: Annotated[StartTemperature, key("min_temperature_C")]
    """lowest temperature of the column"""
    max_temperature: Annotated[Temperature, key("max_temperature_C")]
    """limit for continuous use"""
    max_programmed_temperature: Annotated[
        Temperature | None, key("max_programmed_temperature_C", unless_stated="`max_temperature_C`")
    ] = None
    """limit for a short stay at the end of a ramp; programs go there only with the next key"""
    max_time_above_continuous: Annotated[Minutes, key("max_time_above_continuous_min")] = 0.0
    """longest stay of a run above `max_temperature_C`; at 0 no program goes above it"""
    capacity: Annotated[Nanograms | None, key("capacity_ng")] = None
    """amount that makes a peak 10 % wider at half height; larger ones are warned of"""
    overload: Flag = False
    """amounts move peaks and make them lean, by scouting runs of different `amount_factor`, else by `amount_ng` over
    `capacity_ng`"""


@dataclass(frozen=True)
class CarrierTable(Table):
    """The carrier gas and where it goes."""

    gas: GasName
    """carrier gas of all runs"""
    outlet: Literal["ambient", "vacuum"] = "ambient"
    """write "vacuum" for a mass spectrometer"""
    ambient_pressure: Annotated[AmbientPressure, key("ambient_pressure_kPa")] = REFERENCE_PRESSURE
    """pressure of the room, to which gauge pressures refer"""


@dataclass(frozen=True)
class ColumnsTable(Table):
    """Headings of a peak table whose words do not say what they are."""

    compound: Name | None = None
    """of the names"""
    retention_min: Name | None = None
    """of retention times in minutes"""
    retention_s: Name | None = None
    """of the same in seconds"""
    width_half_min: Name | None = None
    """of widths at half height in minutes"""
    width_half_s: Name | None = None
    """of the same in seconds"""
    area: Name | None = None
    """of areas"""
    tailing: Name | None = None
    """of tailing factors"""

    @property
    def stated(self) -> dict[str, str]:
        """Those there are, by what they mean."""
        return {
            each.name: heading for each in fields(self) if (heading := getattr(self, each.name)) is not None
        }


@dataclass(frozen=True, kw_only=True)
class ScoutingRunTable(Table):
    """A scouting run as the file has it, its peaks still in their own."""

    name: Annotated[Name, key(expected="text, each its own")]
    """how messages and the report call the run"""
    peaks: Annotated[Name, key(expected="file name")]
    """its peak table or recorded trace, relative to the scenario file"""
    columns: Annotated[ColumnsTable, key(unless_stated="what the headings say")] = ColumnsTable()
    """of a peak table: its headings by what they mean, see *Peak tables*"""
    min_signal_to_noise: Annotated[SignalToNoise | None, key(unless_stated="3")] = None
    """of a recorded trace: smallest signal-to-noise of a peak, see *Recorded traces*"""
    min_width_s: Annotated[MinWidth | None, key(unless_stated="0.4 of the narrowest clear peaks")] = None
    """of a recorded trace: smallest half-height width of a peak"""
    from_trace: Flag = False
    """of a recorded trace: peaks are found in it though its file lists some"""
    hold_up: Annotated[HoldUp | None, key("hold_up_min", unless_stated="computed")] = None
    """measured hold-up time in this run"""
    repeatability: Annotated[Repeatability, key("repeatability_min")] = 0.003 * SECONDS_PER_MINUTE
    """standard deviation of retention times between like runs"""
    amount_factor: AmountFactor = 1.0
    """amounts on the column in this run, over those of the method (`amount_ng`); for `overload`"""
    day: Annotated[Name | None, key(unless_stated="all of one day")] = None
    """label of the day it was made on, for instance the date: runs of one day share the errors of their set points,
    those of another may be off by `[tolerances]`"""
    oven: OvenTable
    """see *Programs*"""
    carrier: CarrierProgramTable
    """see *Programs*"""


@dataclass(frozen=True)
class FitTable(Table):
    """How the runs are fitted."""

    flow_correction: FlowCorrection = "column"
    """one correction of the flow for the column, one for each run, or none"""


@dataclass(frozen=True, kw_only=True)
class ScenarioTable(Table):
    """The whole file."""

    title: Annotated[Title | None, key(unless_stated="name of the folder")] = None
    """heading of the report"""
    matching: Annotated[str | None, key(expected="file name")] = None
    """the table that names the peaks of runs without names, see *Peaks without names*"""
    column: ColumnTable
    """`[column]`"""
    carrier: CarrierTable
    """`[carrier]`"""
    # Validated when nothing is stated, too: gauge pressures depend on the room.
    instrument: Annotated[Instrument, Field(validate_default=True)] = field(
        default_factory=dict  # type: ignore[assignment]
    )
    """`[instrument]`"""
    inlet: Annotated[Inlet, key(unless_stated="split, no figures")] = field(default_factory=Inlet)
    """`[inlet]`"""
    detector: Annotated[Detector, key(unless_stated="no figures")] = field(default_factory=Detector)
    """`[detector]`"""
    compounds: Annotated[
        tuple[Name, ...], key(expected="list of names", unless_stated="those of the peak tables")
    ] = ()
    """what is in the sample; once there are runs, names that are in the list or in the peak tables alone are
    warned of"""
    leave_out: Annotated[tuple[Name, ...], key(expected="list of names")] = ()
    """compounds of the peak tables that are taken out of the scenario, with what `[[analytes]]`, `[[pairs]]` and
    `[[groups]]` say of them"""
    scouting_runs: Annotated[
        tuple[ScoutingRunTable, ...], key(expected="1 or more; none yet for `scout`")
    ] = ()
    """`[[scouting_runs]]`, one for each run that was made"""
    current: ProgramTable | None = None
    """`[current]`, the method in use, to compare with"""
    goal: Goal = field(default_factory=Goal)
    """`[goal]`"""
    tolerances: Tolerances = field(default_factory=Tolerances)
    """`[tolerances]`"""
    analytes: tuple[AnalyteDetail, ...] = ()
    """`[[analytes]]`, detail for named compounds"""
    pairs: tuple[PairRule, ...] = ()
    """`[[pairs]]`, rules for single pairs"""
    groups: tuple[Group, ...] = ()
    """`[[groups]]`, compounds determined as a total"""
    columns: tuple[OwnedColumn, ...] = ()
    """`[[columns]]`, columns of the same phase that `adapt --all` tries"""
    fit: FitTable = field(default_factory=FitTable)
    """`[fit]`"""
    search: SearchSettings = field(default_factory=SearchSettings)
    """`[search]`"""
