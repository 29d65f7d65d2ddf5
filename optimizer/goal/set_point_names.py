"""The set points of a program by name, in the bench's units: `start_C`, `rate1_C_per_min`, `inlet_kPa`, ...

The names are the keys of a scenario file; ramps carry their number, and what the carrier ramps begins with `carrier_`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Annotated, Any, Literal

from pydantic import ValidationError

from models.column.programs import CarrierProgram, OvenProgram, Program
from optimizer.base.tables import key as written_key
from optimizer.base.tables import keys_of, read_table, tables_in, unit_of
from optimizer.scenario.program_tables import CARRIER_TABLES, OvenTable, ProgramTable, program_document

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

    name: Annotated[str, written_key()]
    key: str
    label: Annotated[str, written_key()]
    unit: Annotated[str, written_key()]
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


WORDS = {"pressure": "inlet pressure", "flow": "column flow", "velocity": "average velocity"}


def set_points_of(program: Program, ambient_pressure: float) -> tuple[SetPoint, ...]:
    """Every set point the program has; pressures in kPa gauge.

    Parameters
    ----------
    ambient_pressure : float  [Pa absolute]
    """
    carrier = program.carrier
    table = CARRIER_TABLES[carrier.mode]
    return (
        *_schedule("oven", program.oven, OvenTable, "temperature", ambient_pressure),
        *_schedule("carrier", carrier, table, WORDS[carrier.controlled], ambient_pressure),
    )


def _schedule(
    part: Part, schedule: OvenProgram | CarrierProgram, table: type, words: str, ambient_pressure: float
) -> list[SetPoint]:
    which = "" if part == "oven" else "carrier "

    def point(owner: type, field: Field, label: str, ramp: int | None = None) -> SetPoint:
        key, unit = unit_of(owner, field)
        stem, _, suffix = key.partition("_")
        name = f"{which.strip()}{'_' if which else ''}{stem}{'' if ramp is None else ramp + 1}_{suffix}"
        offset = ambient_pressure if unit.gauge else unit.zero
        return SetPoint(name, key, label, unit.text, part, field, ramp, unit.times / unit.over, offset)

    if not schedule.ramps:
        only = point(table, "start", words if which else f"oven {words}")
        return [replace(only, name=only.key)]
    (of_ramp,) = tables_in(keys_of(table)["ramps"].annotation)
    points = [point(table, "start", f"start {words}"), point(table, "hold", f"first {which}hold")]
    for i in range(len(schedule.ramps)):
        ramp = f"{which}ramp {i + 1}"
        points += [
            point(of_ramp, "rate", f"rate of {ramp}", i),
            point(of_ramp, "target", f"{words} after {ramp}", i),
            point(of_ramp, "hold", f"hold after {ramp}", i),
        ]
    # Past its last corner a program keeps its last value until the last peak is out: a last hold changes nothing.
    return points[:-1]


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
