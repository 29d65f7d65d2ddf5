"""The quantities a person writes: unit, conversion to SI, range, and the slips that lead outside it.

Each is a type for pydantic: validation takes a number in the unit of the key and gives it in SI, serialisation writes
it back. Gauge pressures need the room's pressure, `context={"ambient_pressure": ...}` [Pa], in both directions.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Annotated, Any, get_args

from pydantic import (
    AfterValidator,
    BeforeValidator,
    Field,
    GetCoreSchemaHandler,
    GetJsonSchemaHandler,
    PlainSerializer,
    WithJsonSchema,
)
from pydantic_core import CoreSchema, PydanticCustomError, core_schema

from models.column.formula import atoms_of
from models.errors import InvalidInputError
from models.units import M3_PER_S_PER_ML_MIN, PA_PER_BAR, PA_PER_KPA, PA_PER_PSI, ZERO_CELSIUS
from optimizer.base.text_files import UNSEEN

WRITTEN_DIGITS = 10  # of a number written back: as many as people write, fewer than rounding touches


@dataclass(frozen=True)
class Unit:
    """A trade unit: value in SI = value * times / over + zero, and the room's pressure on top if `gauge`."""

    text: str
    times: float = 1.0
    over: float = 1.0
    zero: float = 0.0
    gauge: bool = False

    def si(self, value: float, ambient_pressure: float = 0.0) -> float:
        """A value of this unit in SI."""
        return value * self.times / self.over + (ambient_pressure if self.gauge else self.zero)

    def of_si(self, value: float, ambient_pressure: float = 0.0) -> float:
        """A value in SI in this unit."""
        return (value - (ambient_pressure if self.gauge else self.zero)) * self.over / self.times


@dataclass(frozen=True)
class Slip:
    """A unit people write by mistake: right value = factor * value + offset."""

    unit: str
    factor: float
    offset: float = 0.0


@dataclass(frozen=True)
class Quantity:
    """The values a key may have, in its unit, the slips that lead outside, and decimals when written in results.

    `usual` are the values that practice has (common practice, no source): outside them, 0 apart, a slip is asked about.
    """

    low: float
    high: float
    unit: Unit
    slips: tuple[Slip, ...] = ()
    below: str = ""
    above: str = ""
    decimals: int | None = None
    usual: tuple[float, float] = (-math.inf, math.inf)

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.with_info_after_validator_function(
            lambda value, info: self.unit.si(self.checked(value), self._ambient(info.context)),
            core_schema.float_schema(strict=True),
            serialization=core_schema.plain_serializer_function_ser_schema(
                lambda value, info: self.written(value, self._ambient(info.context)),
                info_arg=True,
                when_used="unless-none",
            ),
        )

    def __get_pydantic_json_schema__(
        self, schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        return {"type": "number", "minimum": self.low, "maximum": self.high, "x-unit": self.unit.text}

    def _ambient(self, context: Any) -> float:
        # Without the room's pressure a gauge pressure means nothing: that fails here rather than is guessed.
        return context["ambient_pressure"] if self.unit.gauge else 0.0

    def checked(self, value: float) -> float:
        """The value itself, in the unit of the key; an error of pydantic's when it lies outside."""
        if self.low <= value <= self.high:
            return value
        raise PydanticCustomError(
            "out_of_range",
            "outside {low} to {high} {unit}",
            {"low": self.low, "high": self.high, "unit": self.unit.text, "hint": self.hint(value)},
        )

    def hint(self, value: float) -> str:
        """The likely slip behind a value outside the range, or an empty string."""
        if math.isnan(value):
            return "nan is no number"
        if math.isinf(value):
            return "a number must be finite, and beyond about 1e308 it counts as infinite"
        meant = self._meant(value, self.usual) or self._meant(value, (self.low, self.high))
        if meant:
            each = [f"{unit}, which would be {right:.6g} {self.unit.text}".rstrip() for unit, right in meant]
            return f"{value:g} looks like {', or '.join(each)}"
        return self.below if value < self.low else self.above

    def question(self, value: float) -> str:
        """What a value that is allowed but unusual may have been meant to be, or an empty string."""
        least, most = self.usual
        meant = [] if value == 0 or least <= value <= most else self._meant(value, self.usual)
        each = [f"{value:g} {unit}, {right:.4g} {self.unit.text}" for unit, right in meant]
        return f"did you mean {', or '.join(each)}?" if meant else ""

    def _meant(self, value: float, within: tuple[float, float]) -> list[tuple[str, float]]:
        """The slip that leads within these values and the range: its unit, and the value that was meant; of other
        degrees, between which a figure cannot choose, each that does."""
        low, high = max(self.low, within[0]), min(self.high, within[1])
        right = [(slip, slip.factor * value + slip.offset) for slip in self.slips]
        found = [(slip, each) for slip, each in right if low <= each <= high]
        return [(slip.unit, each) for slip, each in found if slip is found[0][0] or slip.offset]

    def written(self, value: float, ambient_pressure: float = 0.0) -> float:
        """A value in SI as a file has it."""
        trade = float(f"{self.unit.of_si(float(value), ambient_pressure):.{WRITTEN_DIGITS}g}")
        return trade if self.decimals is None else round(trade, self.decimals)


def quantity_of(annotation: Any) -> Quantity:
    """The quantity in one of the types below."""
    return next(each for each in get_args(annotation) if isinstance(each, Quantity))


NUMBER, METRE, MM, UM = Unit(""), Unit("m"), Unit("mm", 1e-3), Unit("µm", 1e-6)
CELSIUS, KELVINS, PER_MINUTE = Unit("°C", zero=ZERO_CELSIUS), Unit("°C"), Unit("°C/min", over=60)
PER_SECOND = Unit("1/s")
SECOND, MINUTE, HOUR = Unit("s"), Unit("min", 60), Unit("h", 3600)
ML_MIN, ML_MIN2 = Unit("mL/min", M3_PER_S_PER_ML_MIN), Unit("mL/min per min", M3_PER_S_PER_ML_MIN, 60)
KPA, KPA_GAUGE = Unit("kPa", PA_PER_KPA), Unit("kPa gauge", PA_PER_KPA, gauge=True)
KPA_ABSOLUTE, KPA_PER_MINUTE = Unit("kPa absolute", PA_PER_KPA), Unit("kPa/min", PA_PER_KPA, 60)
MILLISECOND = Unit("ms", 1e-3)
MILLILITRE = Unit("mL", 1e-6)
CM_S, PERCENT, NANOGRAM, KJ_MOL = Unit("cm/s", 1e-2), Unit("%", over=100), Unit("ng"), Unit("kJ/mol", 1e3)

# Other spellings of the keys in kPa: kPa in one of the unit.
KPA_PER = {"psi": PA_PER_PSI / PA_PER_KPA, "bar": PA_PER_BAR / PA_PER_KPA}
TO_PA, TO_PSI, TO_BAR = Slip("Pa", 1e-3), Slip("psi", KPA_PER["psi"]), Slip("bar", KPA_PER["bar"])
OF_DEGREES = (Slip("K", 1.0, -ZERO_CELSIUS), Slip("°F", 5 / 9, -160 / 9))
OF_SECONDS = (Slip("s", 1 / 60),)
OF_SHORTER, OF_PERCENT = (Slip("cm", 1e-2), Slip("mm", 1e-3)), (Slip("a percentage", 0.01),)
OF_FRACTION = (Slip("as a fraction", 100.0),)
OF_FLOW = (Slip("L/min", 1e3), Slip("µL/min", 1e-3))
POSITIVE_RATE = "a rate is always positive, its direction follows from the target"
NO_SIGN = "it is given without a sign"

Title = Annotated[str, Field(min_length=1, pattern=f"^[^{UNSEEN}]*$")]
Name = Annotated[str, Field(min_length=1, pattern=rf"^[^\s{UNSEEN}]([^{UNSEEN}]*[^\s{UNSEEN}])?$")]
Flag = Annotated[bool, Field(strict=True)]

Length = Annotated[float, Quantity(0.5, 200, METRE, OF_SHORTER)]
Trimmed = Annotated[float, Quantity(0, 10, METRE, OF_SHORTER, below="a length has no sign")]
Bore = Annotated[float, Quantity(0.05, 0.8, MM, (Slip("µm", 1e-3), Slip("m", 1e3)))]
Film = Annotated[float, Quantity(0.02, 15, UM, (Slip("nm", 1e-3), Slip("mm", 1e3)))]
SegmentLength = Annotated[float, Quantity(0.05, 50, METRE, OF_SHORTER, usual=(0.05, 12))]
Layer = Annotated[float, Quantity(0.5, 100, UM, (Slip("nm", 1e-3), Slip("mm", 1e3)))]
PackedBore = Annotated[float, Quantity(0.5, 10, MM, (Slip("µm", 1e-3), Slip("inches", 25.4)))]
Particle = Annotated[float, Quantity(20, 1000, UM, (Slip("mm", 1e3),))]
Resistance = Annotated[
    float,
    Quantity(0, 100, MILLISECOND, (Slip("s", 1e3),), below="a time cannot be negative", usual=(0.02, 100)),
]

Temperature = Annotated[float, Quantity(-80, 450, CELSIUS, OF_DEGREES, decimals=3)]
# Where a program or an oven begins; such temperatures in K are those of hot holds.
StartTemperature = Annotated[float, Quantity(-80, 450, CELSIUS, OF_DEGREES, decimals=3, usual=(-80, 260))]
LineTemperature = Annotated[float, Quantity(-80, 450, CELSIUS, OF_DEGREES, decimals=3, usual=(100, 380))]
BoilingPoint = Annotated[float, Quantity(-50, 250, CELSIUS, OF_DEGREES)]
RoomTemperature = Annotated[float, Quantity(5, 45, CELSIUS, OF_DEGREES, above="that is no room")]
TemperatureDifference = Annotated[
    float,
    Quantity(
        0, 100, KELVINS, below="it is given as a difference without a sign", above="a difference is expected"
    ),
]
OvenTolerance = Annotated[float, Quantity(0, 10, KELVINS, below=NO_SIGN)]
TemperatureStep = Annotated[float, Quantity(0.01, 10, KELVINS)]
HeatingRate = Annotated[
    float,
    Quantity(
        0.1,
        300,
        PER_MINUTE,
        (Slip("°C/s", 60), Slip("°C/h", 1 / 60)),
        below="a rate is always positive; a ramp that cools says so with cooling = true",
        decimals=4,
        usual=(0.5, 300),
    ),
]
HeatingLimitRate = Annotated[
    float,
    Quantity(0.1, 300, PER_MINUTE, (Slip("°C/s", 60),), below="a rate is always positive", usual=(3, 300)),
]
HeatingRateStep = Annotated[float, Quantity(0.01, 10, PER_MINUTE)]

Minutes = Annotated[
    float,
    Quantity(0, 1000, MINUTE, OF_SECONDS, below="a time cannot be negative", decimals=4, usual=(0.01, 240)),
]
# Bake-out, equilibration, cool-down, the solvent's delay: minutes rather than hours.
ShortWait = Annotated[
    float,
    Quantity(0, 1000, MINUTE, OF_SECONDS, below="a time cannot be negative", decimals=4, usual=(0.1, 45)),
]
Window = Annotated[
    float, Quantity(0.01, 1000, MINUTE, OF_SECONDS, below="no two peaks are that near", usual=(0.01, 45))
]
HoldUp = Annotated[float, Quantity(0.01, 60, MINUTE, OF_SECONDS, usual=(0.05, 12))]
PurgeOn = Annotated[float, Quantity(0.05, 10, MINUTE, OF_SECONDS, usual=(0.1, 5))]
Repeatability = Annotated[
    float, Quantity(1e-4, 1, MINUTE, OF_SECONDS, below="no run repeats that well", usual=(1e-4, 0.05))
]
TimeStep = Annotated[float, Quantity(0.001, 2, MINUTE, OF_SECONDS, usual=(0.001, 0.2))]
HalfLife = Annotated[float, Quantity(1e-6, 1e9, MINUTE)]
Shift = Annotated[float, Quantity(0.5, 24, HOUR, (Slip("min", 1 / 60), Slip("s", 1 / 3600)))]
ResponseTime = Annotated[
    float, Quantity(0, 10, SECOND, (Slip("ms", 1e-3),), below="a time cannot be negative", usual=(0.001, 3))
]
Readings = Annotated[float, Quantity(0.1, 1000, PER_SECOND, (Slip("a minute", 1 / 60),))]
PeakHeight = Annotated[float, Quantity(1e-6, 1e15, NUMBER)]
SearchTime = Annotated[float, Quantity(0.1, 86400, SECOND)]

Flow = Annotated[float, Quantity(0.05, 50, ML_MIN, OF_FLOW, decimals=5)]
# A detector or vacuum pump may take far more than any column gives.
DetectorFlow = Annotated[float, Quantity(0.05, 500, ML_MIN, OF_FLOW)]
MakeUp = Annotated[float, Quantity(0, 500, ML_MIN, OF_FLOW)]
SeptumPurge = Annotated[float, Quantity(0, 50, ML_MIN, OF_FLOW)]
VentFlow = Annotated[float, Quantity(0, 500, ML_MIN, OF_FLOW)]
GasVolume = Annotated[float, Quantity(0.001, 10, MILLILITRE, (Slip("µL", 1e-3),), usual=(0.01, 3))]
TotalFlow = Annotated[float, Quantity(1, 2000, ML_MIN, OF_FLOW)]
FlowStep = Annotated[float, Quantity(0.001, 1, ML_MIN)]
FlowRate = Annotated[float, Quantity(0.01, 100, ML_MIN2, below=POSITIVE_RATE, decimals=5)]
FlowRateStep = Annotated[float, Quantity(0.001, 10, ML_MIN2)]
Velocity = Annotated[float, Quantity(1, 500, CM_S, (Slip("m/s", 100), Slip("mm/s", 0.1)), decimals=4)]

GaugePressure = Annotated[
    float,
    Quantity(-95, 1500, KPA_GAUGE, (TO_PA,), below="a gauge pressure cannot lie below vacuum", decimals=5),
]
LargestPressure = Annotated[float, Quantity(10, 1500, KPA_GAUGE, (TO_PA, TO_PSI, TO_BAR), usual=(200, 1500))]
PressureRate = Annotated[float, Quantity(0.1, 1000, KPA_PER_MINUTE, below=POSITIVE_RATE, decimals=5)]
PressureStep = Annotated[float, Quantity(0.01, 50, KPA, (TO_PA,))]
PressureRateStep = Annotated[float, Quantity(0.01, 50, KPA_PER_MINUTE)]
AmbientPressure = Annotated[
    float,
    Quantity(
        50,
        110,
        KPA_ABSOLUTE,
        # mmHg before hPa: 760 is far more often the former, and 1013 can only be the latter.
        (TO_PA, Slip("bar or atm", 100.0), TO_PSI, Slip("mmHg", 0.133322), Slip("hPa", 0.1)),
        below="ambient pressure is absolute, about 101.325 kPa at sea level; a gauge pressure was given?",
    ),
]

Resolution = Annotated[
    float, Quantity(0.2, 20, NUMBER, below="a pair that need not be resolved has ignore = true")
]
RetentionFactor = Annotated[
    float,
    Quantity(0, 50, NUMBER, below="no compound has a negative one", above="above 20 a peak is late and flat"),
]
SplitRatio = Annotated[
    float, Quantity(0.1, 10000, NUMBER, below='an inlet that does not split has mode = "splitless"')
]
# A USP tailing factor is above 0.5 by definition; beyond 10 no peak is reported.
Tailing = Annotated[
    float,
    Quantity(
        0.55,
        10,
        NUMBER,
        OF_PERCENT,
        below="a tailing factor is above 0.5 by definition, and 1 for a symmetrical peak",
    ),
]
Fraction = Annotated[float, Quantity(0, 1, NUMBER, OF_PERCENT)]
GasShare = Annotated[float, Quantity(0.2, 0.95, NUMBER, OF_PERCENT)]
PlateConstant = Annotated[float, Quantity(0, 10, NUMBER, below="a plate height is never negative")]
AreaPercent = Annotated[float, Quantity(0, 100, PERCENT, OF_FRACTION, below=NO_SIGN, usual=(0.05, 100))]
Percent = Annotated[
    float,
    Quantity(
        0, 20, PERCENT, OF_FRACTION, below=NO_SIGN, above="no instrument is that far off", usual=(0.05, 20)
    ),
]
Nanograms = Annotated[
    float, Quantity(1e-6, 1e5, NANOGRAM, (Slip("pg", 1e-3),), below="an amount is above zero")
]
AmountFactor = Annotated[
    float, Quantity(1e-4, 1e4, NUMBER, below="a run without any of the sample has no peaks to give")
]
ActivationEnergy = Annotated[float, Quantity(20, 500, KJ_MOL, (Slip("J/mol", 1e-3), Slip("eV", 96.485)))]

NOMINAL = "nominal"
_SHARE_OF_DRAWS = Quantity(
    0.5,
    0.99,
    Unit('as a share, or "nominal"'),
    OF_PERCENT,
    below='to search without regard to uncertainty, write "nominal"',
    above="the maximum is 0.99",
)


def _share_of_draws(value: object) -> object:
    """The required probability; 0 for "nominal". What is no number is left to be refused as such."""
    if value == NOMINAL:
        return 0.0
    if isinstance(value, str):
        raise PydanticCustomError("not_a_share", 'expected a probability from 0.5 to 0.99, or "nominal"')
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        return _SHARE_OF_DRAWS.checked(float(value))
    return value


def _known_formula(value: str) -> str:
    """The formula itself; refused where no diffusion follows from it."""
    try:
        atoms_of(value)
    except InvalidInputError as error:
        raise PydanticCustomError("no_formula", "{reason}", {"reason": str(error)}) from None
    return value


Formula = Annotated[str, AfterValidator(_known_formula)]

# Openings of sieves [µm] by mesh, ASTM E11 as it was for long; from memory.
SIEVES = {
    40: 420,
    45: 354,
    50: 297,
    60: 250,
    70: 210,
    80: 177,
    100: 149,
    120: 125,
    140: 105,
    170: 88,
    200: 74,
}


def mean_particle(mesh: str) -> float:
    """Mean diameter [m] of particles between two sieves, as "80/100"."""
    coarse, fine = (SIEVES[int(each)] for each in mesh.split("/"))
    return (coarse + fine) / 2 * 1e-6


def _known_mesh(value: str) -> str:
    """The mesh itself; refused where no diameter follows from it."""
    parts = value.split("/")
    known = len(parts) == 2 and all(each.isdigit() and int(each) in SIEVES for each in parts)
    if not known or int(parts[0]) >= int(parts[1]):
        raise PydanticCustomError(
            "no_mesh",
            'expected two sieves, the coarser first, as "80/100"; known are {sieves}',
            {"sieves": ", ".join(map(str, SIEVES))},
        )
    return value


Mesh = Annotated[str, AfterValidator(_known_mesh)]

Confidence = Annotated[
    float,
    Field(strict=True),
    BeforeValidator(_share_of_draws),
    WithJsonSchema(
        {
            "anyOf": [{"type": "number", "minimum": 0.5, "maximum": 0.99}, {"const": NOMINAL}],
            "x-range": f'0.5 to 0.99, or "{NOMINAL}"',
        }
    ),
    PlainSerializer(lambda share: share or NOMINAL),
]
