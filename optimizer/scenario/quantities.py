"""The quantities of a scenario file: the range of each in the unit of its keys, and the slips that lead outside."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Annotated

from pydantic import AfterValidator, BeforeValidator, Field
from pydantic_core import PydanticCustomError

from optimizer.base.text_files import UNSEEN
from optimizer.runs.detection import MIN_WIDTH_RANGE_S, SIGNAL_TO_NOISE_RANGE
from optimizer.runs.peak_tables import TAILING_RANGE


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
        if math.isnan(value):
            return "nan is no number"
        if math.isinf(value):
            return "a number must be finite, and beyond about 1e308 it counts as infinite"
        for slip in self.slips:
            corrected = slip.factor * value + slip.offset
            if self.low <= corrected <= self.high:
                return (
                    f"{value:g} looks like {slip.unit}, which would be {corrected:.6g} {self.unit}".rstrip()
                )
        return self.below if value < self.low else self.above


NOMINAL = "nominal"
_SHARE_OF_DRAWS = Range(
    0.5,
    0.99,
    'as a share, or "nominal"',
    (Slip("a percentage", 0.01),),
    below='to search without regard to uncertainty, write "nominal"',
    above="certainty cannot be had: ask for at most 0.99",
)


def _share_of_draws(value: object) -> object:
    """A share of draws; 0 for "nominal". What is no number is left to be refused as such."""
    if value == NOMINAL:
        return 0.0
    if isinstance(value, str):
        raise PydanticCustomError("not_a_share", 'expected a share of draws from 0.5 to 0.99, or "nominal"')
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        return _SHARE_OF_DRAWS(float(value))
    return value


POSITIVE_RATE = "a rate is always positive, its direction follows from the target"
TO_PA, TO_PSI, TO_BAR = Slip("Pa", 1e-3), Slip("psi", 6.894757293168), Slip("bar", 100.0)
KELVIN = Slip("K", 1.0, -273.15)

Title = Annotated[str, Field(min_length=1, pattern=f"^[^{UNSEEN}]*$")]
Name = Annotated[str, Field(min_length=1, pattern=rf"^[^\s{UNSEEN}]([^{UNSEEN}]*[^\s{UNSEEN}])?$")]
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
# A detector or vacuum pump may take far more than any column gives.
DetectorFlow = Annotated[
    float, AfterValidator(Range(0.05, 500, "mL/min", (Slip("L/min", 1e3), Slip("µL/min", 1e-3))))
]
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
SignalToNoise = Annotated[
    float,
    AfterValidator(
        Range(*SIGNAL_TO_NOISE_RANGE, "", below="3 is the usual limit of detection, and the default")
    ),
]
MinWidth = Annotated[
    float,
    AfterValidator(
        Range(*MIN_WIDTH_RANGE_S, "s", (Slip("ms", 1e-3),), below="a half-height width is above zero")
    ),
]
Velocity = Annotated[float, AfterValidator(Range(1, 500, "cm/s", (Slip("m/s", 100), Slip("mm/s", 0.1))))]
Resolution = Annotated[
    float, AfterValidator(Range(0.2, 20, "", below="a pair that need not be resolved has ignore = true"))
]
TemperatureDifference = Annotated[
    float,
    AfterValidator(
        Range(
            0, 100, "°C", below="it is given as a difference without a sign", above="a difference is expected"
        )
    ),
]
RoomTemperature = Annotated[
    float, AfterValidator(Range(5, 45, "°C", (KELVIN, Slip("°F", 5 / 9, -160 / 9)), above="that is no room"))
]
BoilingPoint = Annotated[float, AfterValidator(Range(-50, 250, "°C", (KELVIN,)))]
PurgeOn = Annotated[float, AfterValidator(Range(0.05, 10, "min", (Slip("s", 1 / 60),)))]
SplitRatio = Annotated[
    float, AfterValidator(Range(0.1, 10000, "", below='an inlet that does not split has mode = "splitless"'))
]
SeptumPurge = Annotated[
    float, AfterValidator(Range(0, 50, "mL/min", (Slip("L/min", 1e3), Slip("µL/min", 1e-3))))
]
TotalFlow = Annotated[
    float, AfterValidator(Range(1, 2000, "mL/min", (Slip("L/min", 1e3), Slip("µL/min", 1e-3))))
]
Window = Annotated[
    float, AfterValidator(Range(0.01, 1000, "min", (Slip("s", 1 / 60),), below="no two peaks are that near"))
]
RetentionFactor = Annotated[
    float,
    AfterValidator(
        Range(0, 50, "", below="no compound has a negative one", above="above 20 a peak is late and flat")
    ),
]
Shift = Annotated[float, AfterValidator(Range(0.5, 24, "h", (Slip("min", 1 / 60), Slip("s", 1 / 3600))))]
Nanograms = Annotated[
    float, AfterValidator(Range(1e-6, 1e5, "ng", (Slip("pg", 1e-3),), below="an amount is above zero"))
]
Tailing = Annotated[
    float,
    AfterValidator(
        Range(
            *TAILING_RANGE,
            "",
            (Slip("a percentage", 0.01),),
            below="a tailing factor is above 0.5 by definition, and 1 for a symmetrical peak",
        )
    ),
]
ActivationEnergy = Annotated[
    float, AfterValidator(Range(20, 500, "kJ/mol", (Slip("J/mol", 1e-3), Slip("eV", 96.485))))
]
HalfLife = Annotated[float, AfterValidator(Range(1e-6, 1e9, "min"))]
Confidence = Annotated[float, BeforeValidator(_share_of_draws)]
OvenTolerance = Annotated[float, AfterValidator(Range(0, 10, "°C", below="it is given without a sign"))]
Percent = Annotated[
    float,
    AfterValidator(
        Range(0, 20, "%", below="it is given without a sign", above="no instrument is that far off")
    ),
]
Trimmed = Annotated[
    float,
    AfterValidator(Range(0, 10, "m", (Slip("cm", 1e-2), Slip("mm", 1e-3)), below="a length has no sign")),
]
Fraction = Annotated[float, AfterValidator(Range(0, 1, "", (Slip("a percentage", 0.01),)))]
