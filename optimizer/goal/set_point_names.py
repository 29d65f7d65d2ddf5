"""The set points of a program by name, in the bench's units: `start_C`, `rate1_C_per_min`, `inlet_kPa`, ...

The names are the keys of a scenario file; ramps carry their number, and what the carrier ramps begins with `carrier_`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any, Literal

from pydantic import ValidationError

from models.column.programs import CarrierProgram, OvenProgram, Program
from models.units import M3_PER_S_PER_ML_MIN, PA_PER_KPA, SECONDS_PER_MINUTE, ZERO_CELSIUS
from optimizer.base.tables import read_table
from optimizer.scenario.program_tables import ProgramTable, program_document

Field = Literal["start", "hold", "rate", "target"]
Part = Literal["oven", "carrier"]


@dataclass(frozen=True)
class SetPoint:
    """One set point of a program.

    Attributes
    ----------
    name : as typed
    key : of a scenario file, in the table of its schedule or ramp
    label : in words, for tables and axes
    unit : the unit of its values here
    part : "oven" or "carrier"
    field : which of its values
    ramp : number of the ramp from 0, None for start and first hold
    scale, offset : value in SI = scale * value here + offset
    """

    name: str
    key: str
    label: str
    unit: str
    part: Part
    field: Field
    ramp: int | None
    scale: float
    offset: float = 0.0

    def value(self, program: Program) -> float:
        """What the program sets."""
        schedule = getattr(program, self.part)
        owner = schedule if self.ramp is None else schedule.ramps[self.ramp]
        return (float(getattr(owner, self.field)) - self.offset) / self.scale

    def moved(self, program: Program, value: float) -> Program:
        """The program with another value of this set point."""
        schedule: OvenProgram | CarrierProgram = getattr(program, self.part)
        change: dict[str, Any] = {self.field: self.scale * value + self.offset}
        if self.ramp is not None:
            ramps = list(schedule.ramps)
            ramps[self.ramp] = replace(ramps[self.ramp], **change)
            change = {"ramps": tuple(ramps)}
        whole: dict[str, Any] = {self.part: replace(schedule, **change)}
        return replace(program, **whole)


@dataclass(frozen=True)
class _Units:
    """How a program's start and targets are written: key suffix, unit, scale to SI and offset; then its rates'."""

    key: str
    unit: str
    scale: float
    offset: float
    rate_key: str
    rate_unit: str
    constant: str = ""
    words: str = ""


def set_points_of(program: Program, ambient_pressure: float) -> tuple[SetPoint, ...]:
    """Every set point the program has; pressures in kPa gauge.

    Parameters
    ----------
    ambient_pressure : float  [Pa absolute]
    """
    oven = _Units("C", "°C", 1.0, ZERO_CELSIUS, "C_per_min", "°C/min", words="temperature")
    return (
        *_schedule("oven", "", program.oven, oven),
        *_schedule("carrier", "carrier_", program.carrier, _carrier_units(program.carrier, ambient_pressure)),
    )


def _carrier_units(carrier: CarrierProgram, ambient_pressure: float) -> _Units:
    if carrier.controlled == "flow":
        return _Units(
            "mL_min", "mL/min", M3_PER_S_PER_ML_MIN, 0.0, "mL_per_min2", "mL/min per min", "flow_mL_min",
            "column flow",
        )  # fmt: skip
    if carrier.controlled == "pressure":
        return _Units(
            "kPa", "kPa gauge", PA_PER_KPA, ambient_pressure, "kPa_per_min", "kPa/min", "inlet_kPa",
            "inlet pressure",
        )  # fmt: skip
    return _Units(
        "cm_s", "cm/s", 1e-2, 0.0, "cm_s_per_min", "cm/s per min", "velocity_cm_s", "average velocity"
    )


def _schedule(
    part: Part, prefix: str, schedule: OvenProgram | CarrierProgram, units: _Units
) -> list[SetPoint]:
    which = "carrier " if prefix else ""

    def value(stem: str, label: str, field: Field, ramp: int | None = None) -> SetPoint:
        key = f"{stem}_{units.key}"
        name = _name(prefix, stem, units.key, ramp)
        return SetPoint(name, key, label, units.unit, part, field, ramp, units.scale, units.offset)

    def hold(label: str, ramp: int | None = None) -> SetPoint:
        name = _name(prefix, "hold", "min", ramp)
        return SetPoint(name, "hold_min", label, "min", part, "hold", ramp, SECONDS_PER_MINUTE)

    def rate(label: str, ramp: int) -> SetPoint:
        name, key = _name(prefix, "rate", units.rate_key, ramp), f"rate_{units.rate_key}"
        scale = units.scale / SECONDS_PER_MINUTE
        return SetPoint(name, key, label, units.rate_unit, part, "rate", ramp, scale)

    if not schedule.ramps:
        if units.constant:
            name = units.constant
            return [
                SetPoint(name, name, units.words, units.unit, part, "start", None, units.scale, units.offset)
            ]
        return [value("start", f"oven {units.words}", "start")]
    points = [value("start", f"start {units.words}", "start"), hold(f"first {which}hold")]
    for i in range(len(schedule.ramps)):
        ramp = f"{which}ramp {i + 1}"
        points += [
            rate(f"rate of {ramp}", i),
            value("to", f"{units.words} after {ramp}", "target", i),
            hold(f"hold after {ramp}", i),
        ]
    # Past its last corner a program keeps its last value until the last peak is out: a last hold changes nothing.
    return points[:-1]


def _name(prefix: str, stem: str, suffix: str, ramp: int | None) -> str:
    return f"{prefix}{stem}{'' if ramp is None else ramp + 1}_{suffix}"


def range_problem(point: SetPoint, program: Program, value: float, ambient_pressure: float) -> str:
    """Why a scenario file could not state such a value, or an empty string."""
    document = program_document(program, ambient_pressure)
    table = document[point.part]
    (table if point.ramp is None else table["ramps"][point.ramp])[point.key] = value
    try:
        read_table(ProgramTable, document, ambient_pressure)
    except ValidationError as error:
        for each in error.errors(include_url=False):
            if each["loc"][-1] == point.key:
                hint = each.get("ctx", {}).get("hint", "")
                return f"{value:g} is {each['msg']}" + (f"; {hint}" if hint else "")
    return ""


def no_such_run(program: Program, base: Program, outlet_pressure: float) -> str:
    """Why a variation of `base` is no program that can be run, or an empty string.

    Parameters
    ----------
    outlet_pressure : float  [Pa absolute]
    """
    turned = _turned(base.oven, program.oven)
    if turned:
        return turned
    if program.carrier.controlled == "pressure" and min(program.carrier.knots()[1]) <= outlet_pressure:
        return "the inlet pressure is not above the outlet's: nothing flows"
    return ""


def _turned(base: OvenProgram, oven: OvenProgram) -> str:
    """Which heating ramp would have to cool, or the other way round."""
    for number, (before, now) in enumerate(zip(_rises(base), _rises(oven), strict=True), 1):
        if before > 0 > now:
            return f"ramp {number} heats, but its target lies below the temperature before it"
        if before < 0 < now:
            return f"ramp {number} cools, but its target lies above the temperature before it"
    return ""


def _rises(oven: OvenProgram) -> list[float]:
    """What each ramp changes the temperature by [K]."""
    return [b - a for a, b in pairwise([oven.start, *(ramp.target for ramp in oven.ramps)])]
