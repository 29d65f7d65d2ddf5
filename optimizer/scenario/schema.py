"""The scenario file as it is written: tables, keys, units, ranges and defaults, before any conversion.

`docs/scenario.md` describes every key. Pressure keys are declared in kPa; `scenario.messages` accepts the
same keys in psi and bar and turns them into kPa before these models see them.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field

from optimizer.scenario.quantities import (
    TO_PA,
    ActivationEnergy,
    AmbientPressure,
    BoilingPoint,
    Bore,
    Confidence,
    DetectorFlow,
    Film,
    Flow,
    FlowRate,
    Fraction,
    GaugePressure,
    HalfLife,
    HeatingRate,
    HoldUp,
    LargestPressure,
    Length,
    Minutes,
    MinWidth,
    Name,
    Nanograms,
    OvenTolerance,
    Percent,
    PressureRate,
    PurgeOn,
    Range,
    Repeatability,
    Resolution,
    RetentionFactor,
    RoomTemperature,
    SeptumPurge,
    Shift,
    SignalToNoise,
    Slip,
    SplitRatio,
    Tailing,
    Temperature,
    TemperatureDifference,
    Title,
    TotalFlow,
    Trimmed,
    Velocity,
    Window,
)


class Table(BaseModel):
    """Base of all tables: unknown keys are errors, text is no number; a range refuses what is not finite."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


class ColumnTable(Table):
    length_m: Length
    inner_diameter_mm: Bore
    film_thickness_um: Film
    phase: Name = "not stated"
    min_temperature_C: Temperature
    max_temperature_C: Temperature
    max_programmed_temperature_C: Temperature | None = None
    max_time_above_continuous_min: Minutes = 0.0
    capacity_ng: Nanograms | None = None


class CarrierTable(Table):
    gas: Literal["helium", "hydrogen", "nitrogen", "argon"]
    outlet: Literal["ambient", "vacuum"] = "ambient"
    ambient_pressure_kPa: AmbientPressure = 101.325


class HeatingLimitTable(Table):
    up_to_C: Temperature
    rate_C_per_min: HeatingRate


class CoolDownTable(Table):
    from_C: Temperature
    to_C: Temperature
    min: Minutes


class StepsTable(Table):
    temperature_C: Annotated[float, AfterValidator(Range(0.01, 10, "°C"))] = 1.0
    rate_C_per_min: Annotated[float, AfterValidator(Range(0.01, 10, "°C/min"))] = 0.5
    time_min: Annotated[float, AfterValidator(Range(0.001, 2, "min", (Slip("s", 1 / 60),)))] = 0.1
    flow_mL_min: Annotated[float, AfterValidator(Range(0.001, 1, "mL/min"))] = 0.05
    pressure_kPa: Annotated[float, AfterValidator(Range(0.01, 50, "kPa", (TO_PA,)))] = 1.0
    flow_rate_mL_per_min2: Annotated[float, AfterValidator(Range(0.001, 10, "mL/min per min"))] = 0.1
    pressure_rate_kPa_per_min: Annotated[float, AfterValidator(Range(0.01, 50, "kPa/min"))] = 1.0


class InstrumentTable(Table):
    max_inlet_pressure_kPa: LargestPressure = 400.0
    min_inlet_pressure_kPa: GaugePressure = 0.0
    max_pressure_rate_kPa_per_min: PressureRate = 300.0
    min_flow_mL_min: Flow = 0.5
    max_flow_mL_min: Flow = 5.0
    max_flow_rate_mL_per_min2: FlowRate = 10.0
    detector_max_flow_mL_min: DetectorFlow | None = None
    oven_min_C: Temperature | None = None
    oven_max_C: Temperature = 450.0
    ambient_C: RoomTemperature = 25.0
    above_ambient_C: TemperatureDifference = 10.0
    cryogenic: bool = False
    heating_limits: Annotated[list[HeatingLimitTable], Field(min_length=1)] = [
        HeatingLimitTable(up_to_C=450.0, rate_C_per_min=30.0)
    ]
    cool_down: CoolDownTable | None = None
    equilibration_min: Minutes = 1.0
    max_oven_ramps: Annotated[int, Field(ge=0, le=50)] = 20
    max_carrier_ramps: Annotated[int, Field(ge=0, le=50)] = 3
    steps: StepsTable = StepsTable()


class InletTable(Table):
    mode: Literal["split", "splitless", "on-column"] = "split"
    solvent_boiling_point_C: BoilingPoint | None = None
    below_solvent_C: TemperatureDifference = 15.0
    purge_on_min: PurgeOn | None = None
    split_ratio: SplitRatio | None = None
    septum_purge_mL_min: SeptumPurge = 3.0
    max_total_flow_mL_min: TotalFlow | None = None


class OvenRampTable(Table):
    rate_C_per_min: HeatingRate
    to_C: Temperature
    hold_min: Minutes = 0.0
    cooling: bool = False


class OvenTable(Table):
    start_C: Temperature
    hold_min: Minutes = 0.0
    ramps: list[OvenRampTable] = []


class ConstantFlowTable(Table):
    mode: Literal["constant flow"]
    flow_mL_min: Flow


class ConstantPressureTable(Table):
    mode: Literal["constant pressure"]
    inlet_kPa: GaugePressure


class ConstantVelocityTable(Table):
    mode: Literal["constant velocity"]
    velocity_cm_s: Velocity


class FlowRampTable(Table):
    rate_mL_per_min2: FlowRate
    to_mL_min: Flow
    hold_min: Minutes = 0.0


class FlowProgramTable(Table):
    mode: Literal["flow program"]
    start_mL_min: Flow
    hold_min: Minutes = 0.0
    ramps: Annotated[list[FlowRampTable], Field(min_length=1)]


class PressureRampTable(Table):
    rate_kPa_per_min: PressureRate
    to_kPa: GaugePressure
    hold_min: Minutes = 0.0


class PressureProgramTable(Table):
    mode: Literal["pressure program"]
    start_kPa: GaugePressure
    hold_min: Minutes = 0.0
    ramps: Annotated[list[PressureRampTable], Field(min_length=1)]


CarrierProgramTable = Annotated[
    ConstantFlowTable
    | ConstantPressureTable
    | ConstantVelocityTable
    | FlowProgramTable
    | PressureProgramTable,
    Field(discriminator="mode"),
]
CARRIER_MODES = (
    "constant flow",
    "constant pressure",
    "constant velocity",
    "flow program",
    "pressure program",
)
CarrierMode = Literal[
    "constant flow", "constant pressure", "constant velocity", "flow program", "pressure program"
]


class ProgramTable(Table):
    """A program file, and the `[current]` table of a scenario."""

    oven: OvenTable
    carrier: CarrierProgramTable


class ScoutingRunTable(Table):
    name: Name
    peaks: Name
    min_signal_to_noise: SignalToNoise | None = None
    min_width_s: MinWidth | None = None
    from_trace: bool = False
    hold_up_min: HoldUp | None = None
    repeatability_min: Repeatability = 0.003
    day: Name | None = None
    oven: OvenTable
    carrier: CarrierProgramTable


class BakeOutTable(Table):
    at_C: Temperature
    hold_min: Minutes
    rate_C_per_min: HeatingRate | None = None


class GoalTable(Table):
    minimise: Literal["run time", "cycle time"] = "run time"
    min_resolution: Resolution = 1.5
    earliest_elution_min: Minutes = 0.0
    latest_elution_min: Minutes | None = None
    min_retention_factor: RetentionFactor = 0.0
    bake_out: BakeOutTable | None = None
    shift_h: Shift = 8.0
    front_points: Annotated[int, Field(ge=0, le=12)] = 0
    confidence: Confidence = 0.9


class TolerancesTable(Table):
    oven_C: OvenTolerance = 1.0
    flow_percent: Percent = 1.0
    pressure_percent: Percent = 1.0
    hold_up_percent: Percent = 0.0
    trimmed_m: Trimmed = 0.0


class TimeAboveTable(Table):
    temperature_C: Temperature
    min: Minutes


class DecompositionTable(Table):
    activation_energy_kJ_per_mol: ActivationEnergy
    half_life_min: HalfLife
    at_C: Temperature


class NearTable(Table):
    compounds: Annotated[list[Name], Field(min_length=1)]
    within_min: Window


class AnalyteTable(Table):
    compound: Name
    role: Literal["target", "internal standard", "matrix", "ignore"] = "target"
    max_elution_temperature_C: Temperature | None = None
    max_time_above: TimeAboveTable | None = None
    decomposition: DecompositionTable | None = None
    min_intact_fraction: Fraction | None = None
    amount_ng: Nanograms | None = None
    tailing: Tailing | None = None
    near: NearTable | None = None


class PairTable(Table):
    between: Annotated[list[Name], Field(min_length=2, max_length=2)]
    min_resolution: Resolution | None = None
    ignore: bool = False
    separable_by: Literal["detector"] | None = None
    in_order: bool = False


class GroupTable(Table):
    name: Name
    members: Annotated[list[Name], Field(min_length=1)]
    min_resolution: Resolution | None = None


class FitTable(Table):
    flow_correction: Literal["column", "run", "none"] = "column"


class SearchTable(Table):
    carrier_modes: Annotated[list[CarrierMode], Field(min_length=1)] | None = None
    max_ramps: Annotated[int, Field(ge=0, le=3)] = 2
    max_carrier_ramps: Annotated[int, Field(ge=1, le=2)] = 1
    oven_temperature_C: Temperature | None = None
    seconds: Annotated[float, AfterValidator(Range(0.1, 86400, "s"))] = 20.0
    candidates: Annotated[int, Field(ge=1, le=50)] = 5
    seed: Annotated[int, Field(ge=0, le=2**32 - 1)] = 1


class ScenarioTable(Table):
    """The whole file."""

    title: Title | None = None
    matching: str | None = None
    column: ColumnTable
    carrier: CarrierTable
    instrument: InstrumentTable = InstrumentTable()
    inlet: InletTable = InletTable()
    compounds: list[Name] = []
    scouting_runs: list[ScoutingRunTable] = []
    current: ProgramTable | None = None
    goal: GoalTable = GoalTable()
    tolerances: TolerancesTable = TolerancesTable()
    analytes: list[AnalyteTable] = []
    pairs: list[PairTable] = []
    groups: list[GroupTable] = []
    fit: FitTable = FitTable()
    search: SearchTable = SearchTable()
