"""Programs as scenario and program files have them, and the programs of `models` they are."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Any, Literal, get_args

from pydantic import Field

from models.column.programs import CarrierProgram, Controlled, OvenProgram, Program, Ramp
from optimizer.base.quantities import (
    Flag,
    Flow,
    FlowRate,
    GaugePressure,
    HeatingRate,
    Minutes,
    PressureRate,
    StartTemperature,
    Temperature,
    Velocity,
)
from optimizer.base.tables import Table, key, written

CarrierMode = Literal[
    "constant flow", "constant pressure", "constant velocity", "flow program", "pressure program"
]
CARRIER_MODES: tuple[str, ...] = get_args(CarrierMode)
Hold = Annotated[Minutes, key("hold_min")]


@dataclass(frozen=True)
class OvenRampTable(Table):
    """One ramp of the oven and its hold."""

    rate: Annotated[HeatingRate, key("rate_C_per_min")]
    """always positive"""
    target: Annotated[Temperature, key("to_C")]
    """temperature it leads to"""
    hold: Hold = 0.0
    """hold after the ramp"""
    cooling: Flag = False
    """a ramp to a lower temperature must say so"""


@dataclass(frozen=True)
class OvenTable(Table):
    """An oven program; past its last hold the oven stays where it is."""

    start: Annotated[StartTemperature, key("start_C")]
    """temperature at the start"""
    hold: Hold = 0.0
    """hold at the start"""
    ramps: tuple[OvenRampTable, ...] = ()
    """ramps, one after the other"""


@dataclass(frozen=True)
class ConstantFlowTable(Table):
    """A constant column flow."""

    mode: Literal["constant flow"]
    start: Annotated[Flow, key("flow_mL_min")]
    """column flow"""


@dataclass(frozen=True)
class ConstantPressureTable(Table):
    """A constant inlet pressure."""

    mode: Literal["constant pressure"]
    start: Annotated[GaugePressure, key("inlet_kPa")]
    """inlet pressure; at least 1 kPa when the outlet is ambient, above vacuum otherwise"""


@dataclass(frozen=True)
class ConstantVelocityTable(Table):
    """A constant average velocity."""

    mode: Literal["constant velocity"]
    start: Annotated[Velocity, key("velocity_cm_s")]
    """the average over the column"""


@dataclass(frozen=True)
class FlowRampTable(Table):
    """One ramp of the column flow and its hold; the flow may fall."""

    rate: Annotated[FlowRate, key("rate_mL_per_min2")]
    """always positive"""
    target: Annotated[Flow, key("to_mL_min")]
    """column flow it leads to"""
    hold: Hold = 0.0
    """hold after the ramp"""


@dataclass(frozen=True, kw_only=True)
class FlowProgramTable(Table):
    """A program of the column flow."""

    mode: Literal["flow program"]
    start: Annotated[Flow, key("start_mL_min")]
    """column flow at the start"""
    hold: Hold = 0.0
    """hold at the start"""
    ramps: Annotated[tuple[FlowRampTable, ...], Field(min_length=1)]
    """ramps, one after the other"""


@dataclass(frozen=True)
class PressureRampTable(Table):
    """One ramp of the inlet pressure and its hold; the pressure may fall."""

    rate: Annotated[PressureRate, key("rate_kPa_per_min")]
    """always positive"""
    target: Annotated[GaugePressure, key("to_kPa")]
    """inlet pressure it leads to"""
    hold: Hold = 0.0
    """hold after the ramp"""


@dataclass(frozen=True, kw_only=True)
class PressureProgramTable(Table):
    """A program of the inlet pressure."""

    mode: Literal["pressure program"]
    start: Annotated[GaugePressure, key("start_kPa")]
    """inlet pressure at the start"""
    hold: Hold = 0.0
    """hold at the start"""
    ramps: Annotated[tuple[PressureRampTable, ...], Field(min_length=1)]
    """ramps, one after the other"""


CarrierProgramTable = Annotated[
    ConstantFlowTable
    | ConstantPressureTable
    | ConstantVelocityTable
    | FlowProgramTable
    | PressureProgramTable,
    Field(discriminator="mode"),
]


@dataclass(frozen=True)
class ProgramTable(Table):
    """A program file, and the `[current]` table of a scenario."""

    oven: OvenTable
    """see *Programs*"""
    carrier: CarrierProgramTable
    """see *Programs*"""


CARRIER_TABLES: dict[str, Any] = dict(
    zip(CARRIER_MODES, get_args(get_args(CarrierProgramTable)[0]), strict=True)
)
_CONTROLLED: dict[str, Controlled] = {
    mode: next(each for each in get_args(Controlled) if each in mode) for mode in CARRIER_MODES
}


def program_of(oven: OvenTable, carrier: CarrierProgramTable) -> Program:
    """The program of two tables."""
    controlled = _CONTROLLED[carrier.mode]
    if isinstance(carrier, FlowProgramTable | PressureProgramTable):
        gas = CarrierProgram(controlled, carrier.start, carrier.hold, _ramps(carrier.ramps))
    else:
        gas = CarrierProgram(controlled, carrier.start)
    return Program(OvenProgram(oven.start, oven.hold, _ramps(oven.ramps)), gas)


def _ramps(
    ramps: tuple[OvenRampTable, ...] | tuple[FlowRampTable, ...] | tuple[PressureRampTable, ...],
) -> tuple[Ramp, ...]:
    return tuple(Ramp(ramp.rate, ramp.target, ramp.hold) for ramp in ramps)


def oven_document(oven: OvenProgram) -> dict[str, Any]:
    """An oven program with the keys of a scenario file, which asks for a word where a ramp cools."""
    before = (oven.start, *(ramp.target for ramp in oven.ramps))
    ramps = tuple(
        OvenRampTable(ramp.rate, ramp.target, ramp.hold, ramp.target < came_from)
        for ramp, came_from in zip(oven.ramps, before, strict=False)
    )
    document = written(OvenTable(oven.start, oven.hold, ramps))
    for ramp in document["ramps"]:
        if not ramp["cooling"]:
            del ramp["cooling"]
    return document


def carrier_document(carrier: CarrierProgram, ambient_pressure: float) -> dict[str, Any]:
    """A carrier program with the keys of a scenario file; pressures in kPa gauge."""
    table = CARRIER_TABLES[carrier.mode]
    if not carrier.ramps:
        return written(table(carrier.mode, carrier.start), ambient_pressure)
    ramp = FlowRampTable if carrier.controlled == "flow" else PressureRampTable
    ramps = tuple(ramp(each.rate, each.target, each.hold) for each in carrier.ramps)
    return written(
        table(mode=carrier.mode, start=carrier.start, hold=carrier.hold, ramps=ramps), ambient_pressure
    )


def program_document(program: Program, ambient_pressure: float) -> dict[str, Any]:
    """Oven and carrier."""
    return {
        "oven": oven_document(program.oven),
        "carrier": carrier_document(program.carrier, ambient_pressure),
    }
