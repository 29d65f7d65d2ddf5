"""The scenario file as it is written: tables, keys, units, ranges and defaults, before any conversion.

`docs/scenario.md` describes every key. Pressure keys are declared in kPa; `scenario_messages` accepts the
same keys in psi and bar and turns them into kPa before these models see them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field
from pydantic_core import PydanticCustomError


@dataclass(frozen=True)
class Slip:
    """A unit people write by mistake: right value = factor * value + offset."""

    unit: str
    factor: float
    offset: float = 0.0


@dataclass(frozen=True)
class Range:
    """Validator: the values a key may have, in the unit of the key, and the slips that lead outside."""

    low: float
    high: float
    unit: str
    slips: tuple[Slip, ...] = ()
    below: str = ""
    above: str = ""

    def __call__(self, value: float) -> float:
        if self.low <= value <= self.high:
            return value
        raise PydanticCustomError(
            "out_of_range",
            "outside {low} to {high} {unit}",
            {"low": self.low, "high": self.high, "unit": self.unit, "hint": self.hint(value)},
        )

    def hint(self, value: float) -> str:
        """The likely slip behind a value outside the range, or an empty string."""
        for slip in self.slips:
            corrected = slip.factor * value + slip.offset
            if self.low <= corrected <= self.high:
                return f"{value:g} looks like {slip.unit}, which would be {corrected:.6g} {self.unit}"
        return self.below if value < self.low else self.above


POSITIVE_RATE = "a rate is always positive, its direction follows from the target"
TO_PA, TO_PSI, TO_BAR = Slip("Pa", 1e-3), Slip("psi", 6.894757293168), Slip("bar", 100.0)
KELVIN = Slip("K", 1.0, -273.15)

Title = Annotated[str, Field(min_length=1)]
Name = Annotated[str, Field(min_length=1, pattern=r"^\S(.*\S)?$")]
Length = Annotated[float, AfterValidator(Range(0.5, 200, "m", (Slip("cm", 1e-2), Slip("mm", 1e-3))))]
Bore = Annotated[float, AfterValidator(Range(0.05, 0.8, "mm", (Slip("µm", 1e-3), Slip("m", 1e3))))]
Film = Annotated[float, AfterValidator(Range(0.02, 15, "µm", (Slip("nm", 1e-3), Slip("mm", 1e3))))]
Temperature = Annotated[float, AfterValidator(Range(-80, 450, "°C", (KELVIN,)))]
Minutes = Annotated[
    float, AfterValidator(Range(0, 1000, "min", (Slip("s", 1 / 60),), below="a time cannot be negative"))
]
HoldUp = Annotated[float, AfterValidator(Range(0.01, 60, "min", (Slip("s", 1 / 60),)))]
Repeatability = Annotated[
    float, AfterValidator(Range(1e-4, 1, "min", (Slip("s", 1 / 60),), below="no run repeats that well"))
]
HeatingRate = Annotated[
    float,
    AfterValidator(
        Range(
            0.1,
            300,
            "°C/min",
            (Slip("°C/s", 60), Slip("°C/h", 1 / 60)),
            below="a rate is always positive; a ramp that cools says so with cooling = true",
        )
    ),
]
Flow = Annotated[float, AfterValidator(Range(0.05, 50, "mL/min", (Slip("L/min", 1e3), Slip("µL/min", 1e-3))))]
FlowRate = Annotated[float, AfterValidator(Range(0.01, 100, "mL/min per min", below=POSITIVE_RATE))]
GaugePressure = Annotated[
    float,
    AfterValidator(Range(-95, 1500, "kPa gauge", (TO_PA,), below="a gauge pressure cannot lie below vacuum")),
]
LargestPressure = Annotated[float, AfterValidator(Range(10, 1500, "kPa gauge", (TO_PA, TO_BAR)))]
PressureRate = Annotated[float, AfterValidator(Range(0.1, 1000, "kPa/min", below=POSITIVE_RATE))]
AmbientPressure = Annotated[
    float,
    AfterValidator(
        Range(
            50,
            110,
            "kPa absolute",
            # mmHg before hPa: 760 is far more often the former, and 1013 can only be the latter.
            (TO_PA, Slip("bar or atm", 100.0), TO_PSI, Slip("mmHg", 0.133322), Slip("hPa", 0.1)),
            below="ambient pressure is absolute, about 101.325 kPa at sea level; a gauge pressure was given?",
        )
    ),
]
Velocity = Annotated[float, AfterValidator(Range(1, 500, "cm/s", (Slip("m/s", 100), Slip("mm/s", 0.1))))]
Resolution = Annotated[
    float, AfterValidator(Range(0.2, 20, "", below="a pair that need not be resolved has ignore = true"))
]


class Table(BaseModel):
    """Base of all tables: unknown keys are errors, text is no number, every number is finite."""

    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False, frozen=True)


class ColumnTable(Table):
    length_m: Length
    inner_diameter_mm: Bore
    film_thickness_um: Film
    phase: Name = "not stated"
    min_temperature_C: Temperature
    max_temperature_C: Temperature
    max_programmed_temperature_C: Temperature | None = None


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


class InstrumentTable(Table):
    max_inlet_pressure_kPa: LargestPressure = 400.0
    min_flow_mL_min: Flow = 0.5
    max_flow_mL_min: Flow = 5.0
    heating_limits: Annotated[list[HeatingLimitTable], Field(min_length=1)] = [
        HeatingLimitTable(up_to_C=450.0, rate_C_per_min=30.0)
    ]
    cool_down: CoolDownTable | None = None
    equilibration_min: Minutes = 1.0
    steps: StepsTable = StepsTable()


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
    hold_up_min: HoldUp | None = None
    repeatability_min: Repeatability = 0.003
    oven: OvenTable
    carrier: CarrierProgramTable


class GoalTable(Table):
    minimise: Literal["run time", "cycle time"] = "run time"
    min_resolution: Resolution = 1.5
    earliest_elution_min: Minutes = 0.0


class DecompositionTable(Table):
    activation_energy_kJ_per_mol: Annotated[
        float, AfterValidator(Range(20, 500, "kJ/mol", (Slip("J/mol", 1e-3),)))
    ]
    half_life_min: Annotated[float, AfterValidator(Range(1e-6, 1e9, "min"))]
    at_C: Temperature


class AnalyteTable(Table):
    compound: Name
    role: Literal["target", "internal standard", "matrix", "ignore"] = "target"
    max_elution_temperature_C: Temperature | None = None
    decomposition: DecompositionTable | None = None
    min_intact_fraction: (
        Annotated[float, AfterValidator(Range(0, 1, "", (Slip("a percentage", 0.01),)))] | None
    ) = None


class PairTable(Table):
    between: Annotated[list[Name], Field(min_length=2, max_length=2)]
    min_resolution: Resolution | None = None
    ignore: bool = False


class FitTable(Table):
    flow_correction: Literal["column", "run", "none"] = "column"


class SearchTable(Table):
    carrier_modes: Annotated[list[CarrierMode], Field(min_length=1)] | None = None
    max_ramps: Annotated[int, Field(ge=0, le=3)] = 2
    seconds: Annotated[float, AfterValidator(Range(0.1, 86400, "s"))] = 20.0
    candidates: Annotated[int, Field(ge=1, le=50)] = 5
    seed: Annotated[int, Field(ge=0, le=2**32 - 1)] = 1


class ScenarioTable(Table):
    """The whole file."""

    title: Title | None = None
    column: ColumnTable
    carrier: CarrierTable
    instrument: InstrumentTable = InstrumentTable()
    scouting_runs: Annotated[list[ScoutingRunTable], Field(min_length=1)]
    current: ProgramTable | None = None
    goal: GoalTable = GoalTable()
    analytes: list[AnalyteTable] = []
    pairs: list[PairTable] = []
    fit: FitTable = FitTable()
    search: SearchTable = SearchTable()


# Keys that are part of the format and are checked, but that the search does not take into account yet: None
# stands for any value, a tuple for the values concerned. Ignoring such a key would be a wrong answer.
NOT_YET_HONOURED: dict[str, tuple[str, ...] | None] = {
    "goal.minimise": ("cycle time",),
    "analytes.max_elution_temperature_C": None,
    "analytes.decomposition": None,
    "analytes.min_intact_fraction": None,
    "search.carrier_modes": ("constant velocity", "flow program", "pressure program"),
}
