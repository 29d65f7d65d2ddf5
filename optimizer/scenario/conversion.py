"""From the tables of a scenario file to a `Scenario`; nothing is checked here."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any, Literal, cast

from models.column.carrier_gas import carrier_gas
from models.column.passage import passage_of
from models.column.pieces import Bare, Packing
from models.column.system import Column, ColumnSystem
from models.units import flow_si
from optimizer.runs.blank import on_column
from optimizer.runs.detection import PeakDetection
from optimizer.runs.peak_tables import PeakTable
from optimizer.scenario.data import Scenario, ScoutingRun, SearchSettings
from optimizer.scenario.instrument_data import GasName, Segment
from optimizer.scenario.program_tables import CarrierMode, program_of
from optimizer.scenario.schema import (
    CarrierTable,
    ColumnTable,
    FitTable,
    ScenarioTable,
    ScoutingRunTable,
)

# Total flow of hydrogen unless the scenario states a limit: leaking into a closed oven of ordinary size it needs
# eleven minutes to explode, not two (the arithmetic is in `cautions`).
HYDROGEN_TOTAL_FLOW_ML_MIN = 50.0


def scenario_of(file: Path, table: ScenarioTable, peaks: list[PeakTable]) -> Scenario:
    """The scenario of a checked file and the peak tables of its runs, in order; no warnings yet."""
    column, room = table.column, table.carrier.ambient_pressure
    programmed = column.max_programmed_temperature
    runs = tuple(_run(run, peak_table) for run, peak_table in zip(table.scouting_runs, peaks, strict=True))
    current = table.current
    return Scenario(
        title=table.title or file.resolve().parent.name,
        path=file,
        column=column_of(table),
        phase=column.phase,
        min_temperature=column.min_temperature,
        max_temperature=column.max_temperature,
        max_programmed_temperature=column.max_temperature if programmed is None else programmed,
        gas=carrier_gas(table.carrier.gas),
        outlet_pressure=outlet_of(table),
        ambient_pressure=room,
        instrument=table.instrument,
        runs=runs,
        current=None if current is None else program_of(current.oven, current.carrier),
        goal=table.goal,
        analytes=table.analytes,
        pairs=table.pairs,
        search=_search(table, runs),
        flow_correction=table.fit.flow_correction,
        compounds=tuple(dict.fromkeys(name for run in runs for name in run.peaks.compounds))
        or tuple(name for name in table.compounds if name not in table.leave_out),
        warnings=(),
        max_time_above_continuous=column.max_time_above_continuous,
        capacity=column.capacity,
        packed=column.packed,
        measured=column.measured,
        overload=column.overload,
        inlet=replace(table.inlet, max_total_flow=total_flow_limit(table)),
        detector=table.detector,
        groups=table.groups,
        tolerances=table.tolerances,
        matching=table.matching,
        left_out=table.leave_out,
        columns=table.columns,
        bleed=column.bleed,
    )


def column_of(table: ScenarioTable) -> Column:
    """The column of a checked file, with what is joined to it."""
    column = _coated(table)
    before, after = (
        tuple(
            Bare(each.length, each.inner_diameter, each.temperature)
            for each in table.column.segments
            if each.place == place
        )
        for place in ("before", "after")
    )
    return replace(column, before=before, after=after) if before or after else column


def _coated(table: ScenarioTable) -> Column:
    stated, packed, measured = table.column, table.column.packed, table.column.measured
    if packed is not None:
        packing = Packing(
            packed.diameter,
            packed.between,
            packed.total,
            packed.eddy,
            packed.obstruction,
            packed.transfer,
        )
        column = Column(
            stated.length,
            packed.inner_diameter,
            0.0,
            packing=packing,
            adsorbent=bool(stated.adsorbent),
            resistance=stated.resistance,
        )
    else:
        porous = stated.layer_thickness is not None
        column = Column(
            stated.length,
            stated.inner_diameter or 0.0,
            stated.layer_thickness or stated.film_thickness or 0.0,
            porous=porous,
            adsorbent=porous if stated.adsorbent is None else stated.adsorbent,
            resistance=stated.resistance,
        )
    if measured is None:
        return column
    passage = passage_of(
        column,
        carrier_gas(table.carrier.gas),
        measured.temperature,
        measured.inlet_pressure,
        outlet_of(table),
        measured.hold_up,
        measured.flow,
    )
    return replace(column, measured=passage)


def outlet_of(table: ScenarioTable) -> float:
    """Pressure at the column's outlet [Pa absolute]; 0 for vacuum."""
    return 0.0 if table.carrier.outlet == "vacuum" else table.carrier.ambient_pressure


def tables_of(scenario: Scenario) -> dict[str, Any]:
    """The tables of its file that stand there once, by name, with the defaults of what the file does not state."""
    column = scenario.column
    on_wall = column.film_thickness or None
    return {
        "column": ColumnTable(
            length=column.length,
            inner_diameter=None if column.packing else column.inner_diameter,
            film_thickness=None if column.porous else on_wall,
            layer_thickness=on_wall if column.porous else None,
            packed=scenario.packed,
            adsorbent=None if column.wall_coated else column.adsorbent,
            resistance=column.resistance,
            measured=scenario.measured,
            segments=(
                *(_segment("before", each) for each in column.before),
                *(_segment("after", each) for each in column.after),
            ),
            bleed=scenario.bleed,
            phase=scenario.phase,
            min_temperature=scenario.min_temperature,
            max_temperature=scenario.max_temperature,
            max_programmed_temperature=scenario.max_programmed_temperature,
            max_time_above_continuous=scenario.max_time_above_continuous,
            capacity=scenario.capacity,
            overload=scenario.overload,
        ),
        "carrier": CarrierTable(
            cast(GasName, scenario.gas.name),
            "vacuum" if scenario.outlet_pressure == 0 else "ambient",
            scenario.ambient_pressure,
        ),
        "instrument": scenario.instrument,
        "inlet": scenario.inlet,
        "detector": scenario.detector,
        "goal": scenario.goal,
        "tolerances": scenario.tolerances,
        "fit": FitTable(scenario.flow_correction),
        "search": scenario.search,
    }


def _segment(place: Literal["before", "after"], piece: Bare) -> Segment:
    L, d, temperature = piece
    return Segment(place=place, length=L, inner_diameter=d, temperature=temperature)


def on_system(scenario: Scenario, system: ColumnSystem) -> Scenario:
    """The scenario with the column, gas and outlet of a system, limits left as they are."""
    return replace(
        scenario,
        column=system.column,
        gas=system.gas,
        outlet_pressure=system.outlet_pressure,
        bleed=on_column(scenario.bleed, scenario.column, system.column),
    )


def detection_of(run: ScoutingRunTable) -> PeakDetection:
    """What of a run's trace counts as a peak."""
    return PeakDetection(run.min_signal_to_noise, run.min_width_s, run.from_trace)


def total_flow_limit(table: ScenarioTable) -> float | None:
    """The largest total flow [m3/s]: what is stated, a cautious value for hydrogen, or none."""
    stated = table.inlet.max_total_flow
    return (
        flow_si(HYDROGEN_TOTAL_FLOW_ML_MIN) if stated is None and table.carrier.gas == "hydrogen" else stated
    )


def _run(run: ScoutingRunTable, peaks: PeakTable) -> ScoutingRun:
    program = program_of(run.oven, run.carrier)
    return ScoutingRun(
        run.name,
        program,
        peaks,
        run.hold_up,
        run.repeatability,
        run.day or "",
        run.peaks,
        detection_of(run),
        run.columns.stated,
        run.amount_factor,
    )


def _search(table: ScenarioTable, runs: tuple[ScoutingRun, ...]) -> SearchSettings:
    """What is searched: no more ramps than the instrument knows, none of the oven at a fixed temperature."""
    search, instrument = table.search, table.instrument
    fixed = search.oven_temperature is not None
    return replace(
        search,
        carrier_modes=tuple(dict.fromkeys(search.carrier_modes or _modes_of(runs))),
        max_ramps=0 if fixed else min(search.max_ramps, instrument.max_oven_ramps),
        max_carrier_ramps=min(search.max_carrier_ramps, instrument.max_carrier_ramps),
    )


def _modes_of(runs: tuple[ScoutingRun, ...]) -> list[CarrierMode]:
    """The searched carrier modes when none are stated: those of the runs' kind."""
    kinds: dict[str, CarrierMode] = {
        "pressure": "constant pressure", "flow": "constant flow", "velocity": "constant flow"
    }  # fmt: skip
    return [kinds[run.program.carrier.controlled] for run in runs] or ["constant flow"]
