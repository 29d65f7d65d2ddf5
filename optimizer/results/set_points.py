"""A program as a person types it into an instrument: the oven's and the carrier's set points, in trade units."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Annotated

import numpy as np

from models.column.pieces import Bare
from models.column.programs import Array, CarrierProgram, OvenProgram, Program, Ramp
from models.column.system import Column, ColumnSystem
from models.units import PA_PER_KPA, PA_PER_PSI, SECONDS_PER_MINUTE, celsius, flow_mL_min, gauge_kPa
from optimizer.base.given_values import inline_toml
from optimizer.base.numbers import Rounded
from optimizer.base.quantities import (
    CELSIUS,
    CM_S,
    KPA_GAUGE,
    KPA_PER_MINUTE,
    ML_MIN,
    ML_MIN2,
    PER_MINUTE,
    Unit,
)
from optimizer.base.tables import key
from optimizer.base.workbooks import Cell
from optimizer.goal.outcome import Prediction
from optimizer.goal.split import ChosenSplit, chosen_split, inlet_of
from optimizer.scenario.data import Scenario
from optimizer.scenario.instrument_data import Inlet
from optimizer.scenario.program_tables import program_document

NO_RATE = "-"


@dataclass(frozen=True)
class Step:
    """One row of a table of set points: the texts as typed.

    Attributes
    ----------
    name : "start", "ramp 1", ...
    rate : per minute, `NO_RATE` in the first row
    to : the value started at or ramped to
    beside : the same value in other units or counted from elsewhere, for whoever needs those
    hold : min
    """

    name: str
    rate: str
    to: str
    beside: tuple[str, ...]
    hold: str


@dataclass(frozen=True)
class SetPoints:
    """A table of set points with the headings of its columns."""

    title: str
    rate_unit: str
    to_unit: str
    beside_units: tuple[str, ...]
    steps: tuple[Step, ...]


def typed(value: float, digits: int = 4) -> str:
    """A number as one types it: no more decimals than it has, and no rounding dust."""
    text = f"{value:.{digits}f}".rstrip("0").rstrip(".") if digits else f"{value:.0f}"
    return "0" if text == "-0" else text


@dataclass(frozen=True)
class _Typed:
    """The units in which values and rates of a schedule are typed, and the decimals of these."""

    unit: Unit
    decimals: int
    rate_unit: Unit
    rate_decimals: int


_OVEN = _Typed(CELSIUS, 2, PER_MINUTE, 3)
_CARRIER = {
    "flow": _Typed(ML_MIN, 4, ML_MIN2, 4),
    "velocity": _Typed(CM_S, 4, Unit("cm/s per min", CM_S.times, 60), 4),
    "pressure": _Typed(KPA_GAUGE, 3, KPA_PER_MINUTE, 3),
}


def oven_set_points(oven: OvenProgram, bake_out_ramp: bool = False) -> SetPoints:
    """The oven table: rate in °C/min, to °C, hold min; `bake_out_ramp` says that the last ramp is the bake-out."""
    table = _table("Oven", oven, _OVEN)
    if not bake_out_ramp:
        return table
    *steps, last = table.steps
    return replace(table, steps=(*steps, replace(last, name=f"{last.name} (bake-out)")))


def carrier_set_points(carrier: CarrierProgram, ambient_pressure: float) -> SetPoints:
    """The carrier table: column flow in mL/min, velocity in cm/s, or inlet pressure in kPa gauge.

    Parameters
    ----------
    ambient_pressure : float  [Pa absolute], to which gauge pressures refer
    """
    table = _table(f"Carrier, {carrier.mode}", carrier, _CARRIER[carrier.controlled], ambient_pressure)
    if carrier.controlled != "pressure":
        return table

    def beside(step: Step, ramp: Ramp | None) -> tuple[str, ...]:
        pa = carrier.start if ramp is None else ramp.target
        cells = (typed(pa / PA_PER_KPA, 1), psi_gauge(pa, ambient_pressure))
        if not carrier.ramps:
            return cells
        sign = "-" if step.rate.startswith("-") else ""
        psi = 0.0 if ramp is None else ramp.rate / PA_PER_PSI * SECONDS_PER_MINUTE
        return (*cells, NO_RATE if ramp is None else sign + typed(psi, 3))

    steps = zip(table.steps, (None, *carrier.ramps), strict=True)
    return replace(
        table,
        beside_units=("kPa absolute", "psi gauge", *(("psi/min",) if carrier.ramps else ())),
        steps=tuple(replace(step, beside=beside(step, ramp)) for step, ramp in steps),
    )


def psi_gauge(absolute: float, ambient_pressure: float) -> str:
    """A pressure [Pa absolute] as text in psi gauge."""
    return f"{(absolute - ambient_pressure) / PA_PER_PSI:.2f}"


def pressure_text(absolute: float, ambient_pressure: float) -> str:
    """A pressure [Pa absolute] counted from the ambient one and from vacuum, with psi beside."""
    gauge = gauge_kPa(absolute, ambient_pressure)
    psi = psi_gauge(absolute, ambient_pressure)
    return f"{gauge:.1f} kPa gauge ({absolute / PA_PER_KPA:.1f} kPa absolute, {psi} psi gauge)"


def set_point_lines(
    program: Program, ambient_pressure: float, bake_out_ramp: bool = False, column: Column | None = None
) -> tuple[str, ...]:
    """Both tables as plain lines, for a notebook or a terminal, and what a column's line is to be set to."""
    tables = (
        oven_set_points(program.oven, bake_out_ramp),
        carrier_set_points(program.carrier, ambient_pressure),
    )
    behind = () if column is None else line_to_set(column)
    return (
        *(line for table in tables for line in _lines(table)),
        *(f"{name}: {text}" for name, text in behind),
    )


def one_line(table: SetPoints) -> str:
    """A table of set points as one phrase: "60 °C (1 min), 12 °C/min to 180 °C"."""
    parts = []
    for step in table.steps:
        part = f"{step.to} {table.to_unit}"
        if step.rate != NO_RATE:
            part = f"{step.rate} {table.rate_unit} to {part}"
        parts.append(part if step.hold == "0" else f"{part} ({step.hold} min)")
    return ", ".join(parts)


def program_lines(program: Program, ambient_pressure: float) -> tuple[str, str]:
    """A program's oven and carrier, each as one phrase."""
    carrier = one_line(carrier_set_points(program.carrier, ambient_pressure))
    return one_line(oven_set_points(program.oven)), f"{program.carrier.mode}, {carrier}"


def dimensions(column: Column, times: str = "×", about: str = "") -> str:
    """A column's dimensions in words, what else is known of it, and what is joined to it."""

    def pieces(joined: tuple[Bare, ...]) -> str:
        return " and ".join(
            f"{L:g} m {times} {d * 1e3:g} mm uncoated" + ("" if T is None else f" at {celsius(T):g} °C")
            for L, d, T in joined
        )

    first = f"{pieces(column.before)}, then " if column.before else ""
    last = f"{';' if about else ','} then {pieces(column.after)}" if column.after else ""
    return f"{first}{_coated(column, times)}{about}{last}"


def line_to_set(column: Column) -> tuple[tuple[str, str], ...]:
    """Temperatures to set behind the oven, as names and texts; empty without a line there."""
    return tuple(
        ("Line behind the oven", f"{celsius(T):g} °C ({L:g} m × {d * 1e3:g} mm)")
        for L, d, T in column.line
        if T is not None
    )


def _coated(column: Column, times: str) -> str:
    size = f"{column.length:g} m {times} {column.inner_diameter * 1e3:g} mm"
    if column.packing is not None:
        return f"{size} packed with {column.packing.particle * 1e6:g} µm particles"
    return f"{size} {times} {column.film_thickness * 1e6:g} µm{' porous layer' if column.porous else ''}"


def program_file(program: Program, system: ColumnSystem, ambient_pressure: float) -> bytes:
    """A program as a TOML file that `--program` reads; its head says for which column and gas."""
    column = system.column
    outlet = "vacuum" if system.outlet_pressure == 0 else "ambient"
    lines = [
        f"# For a column of {dimensions(column, 'x')} with {system.gas.name}, outlet {outlet}. "
        "`--program` runs it on the",
        "# column and gas of whatever scenario it is given with.",
    ]
    document = program_document(program, ambient_pressure)
    lines += [f"{name} = {inline_toml(table)}" for name, table in document.items()]
    return ("\n".join(lines) + "\n").encode()


def _table(
    title: str, schedule: OvenProgram | CarrierProgram, as_typed: _Typed, ambient_pressure: float = 0.0
) -> SetPoints:
    def to(value: float) -> str:
        return typed(as_typed.unit.of_si(value, ambient_pressure), as_typed.decimals)

    steps = [Step("start", NO_RATE, to(schedule.start), (), _hold(schedule.hold))]
    before = schedule.start
    for number, ramp in enumerate(schedule.ramps, 1):
        falling = "-" if ramp.target < before else ""  # instruments take the direction from sign or target
        rate = falling + typed(as_typed.rate_unit.of_si(ramp.rate), as_typed.rate_decimals)
        steps.append(Step(f"ramp {number}", rate, to(ramp.target), (), _hold(ramp.hold)))
        before = ramp.target
    return SetPoints(title, as_typed.rate_unit.text, as_typed.unit.text, (), tuple(steps))


def _hold(seconds: float) -> str:
    return typed(seconds / SECONDS_PER_MINUTE, 3)


def _lines(table: SetPoints) -> list[str]:
    """Aligned columns under a title; a single row without ramps is shown on one line."""
    if len(table.steps) == 1 and not table.rate_unit.startswith("°"):
        step = table.steps[0]
        others = ", ".join(
            f"{value} {unit}" for value, unit in zip(step.beside, table.beside_units, strict=True)
        )
        return [f"{table.title}: {step.to} {table.to_unit}" + (f" ({others})" if others else "")]
    heading = ("", table.rate_unit, f"to {table.to_unit}", *table.beside_units, "hold min")
    rows = [heading, *((s.name, s.rate, s.to, *s.beside, s.hold) for s in table.steps)]
    widths = [max(len(row[at]) for row in rows) for at in range(len(heading))]
    lines = [
        "  "
        + row[0].ljust(widths[0])
        + "".join(f"  {cell:>{w}}" for cell, w in zip(row[1:], widths[1:], strict=True))
        for row in rows
    ]
    return [table.title, *lines]


SET_POINT_KEYS = ("program", "what", "step", "rate", "rate unit", "to", "unit", "hold_min")


def set_point_rows(
    program: Program, ambient_pressure: float, name: str, inlet: SplitLine | None
) -> list[dict[str, Cell]]:
    """A program's set points and the inlet's flows as rows below `SET_POINT_KEYS`, numbers as they are typed."""
    rows: list[tuple[Cell, ...]] = []
    for table in (oven_set_points(program.oven), carrier_set_points(program.carrier, ambient_pressure)):
        for step in table.steps:
            rate = None if step.rate == NO_RATE else float(step.rate)
            unit = None if rate is None else table.rate_unit
            rows.append((table.title, step.name, rate, unit, float(step.to), table.to_unit, float(step.hold)))
    rows += [
        ("Inlet", what, None, None, text, None, None)
        for what, text in (inlet.lines() if inlet is not None else ())
    ]
    return [dict(zip(SET_POINT_KEYS, (name, *row), strict=True)) for row in rows]


STEADY = 0.005  # relative change of a flow below which it is shown as one figure


@dataclass(frozen=True)
class Flow:
    """A flow of the inlet over a run [mL/min]: at the start, at its smallest and at its largest."""

    start: Annotated[float, Rounded(), key()]
    smallest: Annotated[float, Rounded(), key()]
    largest: Annotated[float, Rounded(), key()]

    def text(self) -> str:
        """One figure where it hardly changes, else the start and the range."""
        start = _figure(self.start)
        if self.largest - self.smallest <= STEADY * self.largest:
            return f"{start} mL/min"
        return (
            f"{start} mL/min at the start, {_figure(self.smallest)} to {_figure(self.largest)} over the run"
        )


@dataclass(frozen=True)
class SplitLine:
    """Flows of the inlet during a program.

    Attributes
    ----------
    column, total : Flow
    split : Flow or None where there is no split, or its ratio is not stated
    septum_purge : float  [mL/min]
    chosen : how the split ratio was chosen; None where it is as stated
    """

    inlet: Inlet
    column: Annotated[Flow, key("column_mL_min")]
    split: Annotated[Flow | None, key("split_mL_min")]
    septum_purge: Annotated[float, Rounded(), key("septum_purge_mL_min")]
    total: Annotated[Flow, key("total_mL_min")]
    chosen: Annotated[ChosenSplit | None, key("chosen_split")] = None

    @property
    def mode(self) -> Annotated[str, key()]:
        """Of the inlet."""
        return self.inlet.mode

    @property
    def split_ratio(self) -> Annotated[float | None, key()]:
        """As it is to be set."""
        return self.inlet.split_ratio

    def lines(self) -> tuple[tuple[str, str], ...]:
        """What to set, as names and texts."""
        inlet = self.inlet
        rows = [("Inlet", inlet.mode), ("Column flow", self.column.text())]
        if inlet.mode == "splitless":
            opens = (
                ""
                if inlet.purge_on is None
                else f", opens at {typed(inlet.purge_on / SECONDS_PER_MINUTE)} min"
            )
            rows.append(("Split vent", f"closed at injection{opens}"))
        if self.split is not None:
            after = " once the vent is open" if inlet.mode == "splitless" else ""
            rows.append(("Split", f"ratio {inlet.split_ratio:.4g}:1, {self.split.text()}{after}"))
        if self.chosen is not None:
            rows.append(("Split ratio chosen", self.chosen.text))
        if inlet.gas_saver is not None:
            vent, at = flow_mL_min(inlet.gas_saver.vent_flow), inlet.gas_saver.after / SECONDS_PER_MINUTE
            rows.append(("Gas saver", f"{typed(vent)} mL/min out of the split vent from {typed(at)} min"))
        rows.append(("Septum purge", f"{typed(self.septum_purge)} mL/min"))
        rows.append(("Total flow", self.total.text()))
        return tuple(rows)


def inlet_line(scenario: Scenario, prediction: Prediction) -> SplitLine | None:
    """The flows of the inlet during a predicted program; None when nothing is known of it."""
    inlet, chosen = inlet_of(scenario, prediction), chosen_split(scenario, prediction)
    return split_line(inlet, prediction.flow, prediction.trace_times, chosen)


def split_line(
    inlet: Inlet, column_flow: Array, times: Array | None = None, chosen: ChosenSplit | None = None
) -> SplitLine | None:
    """The flows of an inlet; None when nothing is known of it.

    A split ratio is taken to be held until a gas saver begins, so that split and total flow follow the column flow.

    Parameters
    ----------
    column_flow : (Q,) array  [m3/s], over a run
    times : (Q,) array  [s], of these; None: without a gas saver they do not matter
    """
    if inlet.mode == "split" and inlet.split_ratio is None:
        return None
    when = np.zeros(len(column_flow)) if times is None else times
    return SplitLine(
        inlet,
        _over(column_flow),
        None if not inlet.split_ratio else _over(inlet.vent_flow(column_flow, when)),
        float(flow_mL_min(inlet.septum_purge)),
        _over(inlet.flow_taken(column_flow, when)),
        chosen,
    )


def _over(flow: Array) -> Flow:
    values = flow_mL_min(flow)
    return Flow(float(values[0]), float(values.min()), float(values.max()))


def _figure(value: float) -> str:
    return f"{value:.2f}" if value < 10 else f"{value:.1f}"
