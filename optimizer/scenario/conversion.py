"""From the tables of a scenario file, in trade units, to a `Scenario` in SI units; nothing is checked here."""

from __future__ import annotations

from pathlib import Path

from models.column.carrier_gas import carrier_gas
from models.column.column import Column
from models.column.programs import CarrierProgram, OvenProgram, Program, Ramp
from models.units import PA_PER_KPA, SECONDS_PER_MINUTE, absolute_pressure, flow_si, kelvin
from optimizer.runs.peak_tables import PeakTable
from optimizer.scenario.data import (
    AnalyteDetail,
    BakeOut,
    CoolDown,
    Decomposition,
    Goal,
    Group,
    Inlet,
    Instrument,
    Near,
    PairRule,
    Scenario,
    ScoutingRun,
    SearchSettings,
    Steps,
    TimeAbove,
    Tolerances,
)
from optimizer.scenario.schema import (
    AnalyteTable,
    CarrierProgramTable,
    ConstantFlowTable,
    ConstantPressureTable,
    ConstantVelocityTable,
    FlowProgramTable,
    GoalTable,
    InstrumentTable,
    OvenTable,
    ScenarioTable,
    StepsTable,
    TolerancesTable,
)

# Total flow of hydrogen unless the scenario states a limit: leaking into a closed oven of ordinary size it needs
# eleven minutes to explode, not two (the arithmetic is in `cautions`).
HYDROGEN_TOTAL_FLOW_ML_MIN = 50.0


def scenario_of(file: Path, table: ScenarioTable, peaks: list[PeakTable]) -> Scenario:
    """The scenario of a checked file and the peak tables of its runs, in order; no warnings yet."""
    ambient = ambient_pascal(table)
    column = table.column
    programmed = column.max_programmed_temperature_C
    runs = tuple(
        ScoutingRun(
            run.name,
            program_of(run.oven, run.carrier, ambient),
            peak_table,
            None if run.hold_up_min is None else _seconds(run.hold_up_min),
            _seconds(run.repeatability_min),
            run.day or "",
        )
        for run, peak_table in zip(table.scouting_runs, peaks, strict=True)
    )
    current = table.current
    return Scenario(
        title=table.title or file.resolve().parent.name,
        path=file,
        column=Column(column.length_m, column.inner_diameter_mm * 1e-3, column.film_thickness_um * 1e-6),
        phase=column.phase,
        min_temperature=kelvin(column.min_temperature_C),
        max_temperature=kelvin(column.max_temperature_C),
        max_programmed_temperature=kelvin(column.max_temperature_C if programmed is None else programmed),
        gas=carrier_gas(table.carrier.gas),
        outlet_pressure=0.0 if table.carrier.outlet == "vacuum" else ambient,
        ambient_pressure=ambient,
        instrument=_instrument(table.instrument, ambient),
        runs=runs,
        current=None if current is None else program_of(current.oven, current.carrier, ambient),
        goal=_goal(table.goal),
        analytes=tuple(_analyte(each) for each in table.analytes),
        pairs=tuple(
            PairRule(
                each.between[0],
                each.between[1],
                each.min_resolution,
                each.ignore,
                each.separable_by == "detector",
                each.in_order,
            )
            for each in table.pairs
        ),
        search=_search(table, runs),
        flow_correction=table.fit.flow_correction,
        compounds=tuple(dict.fromkeys(name for run in runs for name in run.peaks.compounds))
        or tuple(table.compounds),
        warnings=(),
        max_time_above_continuous=_seconds(column.max_time_above_continuous_min),
        capacity=column.capacity_ng,
        inlet=_inlet(table),
        groups=tuple(Group(each.name, tuple(each.members), each.min_resolution) for each in table.groups),
        tolerances=_tolerances(table.tolerances),
    )


def program_of(oven: OvenTable, carrier: CarrierProgramTable, ambient: float) -> Program:
    """A program, its gauge pressures taken from the ambient pressure [Pa absolute]."""
    ramps = tuple(
        Ramp(_per_second(ramp.rate_C_per_min), kelvin(ramp.to_C), _seconds(ramp.hold_min))
        for ramp in oven.ramps
    )
    return Program(
        OvenProgram(kelvin(oven.start_C), _seconds(oven.hold_min), ramps), _carrier(carrier, ambient)
    )


def ambient_pascal(table: ScenarioTable) -> float:
    """Ambient pressure [Pa absolute]."""
    return table.carrier.ambient_pressure_kPa * PA_PER_KPA


def total_flow_limit(table: ScenarioTable) -> float | None:
    """The largest total flow [mL/min]: what is stated, a cautious value for hydrogen, or none."""
    stated = table.inlet.max_total_flow_mL_min
    return HYDROGEN_TOTAL_FLOW_ML_MIN if stated is None and table.carrier.gas == "hydrogen" else stated


def searched_ramps(table: ScenarioTable) -> int:
    """The most oven ramps that are searched: none at a fixed temperature, never more than the oven knows."""
    if table.search.oven_temperature_C is not None:
        return 0
    return min(table.search.max_ramps, table.instrument.max_oven_ramps)


def _seconds(minutes: float) -> float:
    return minutes * SECONDS_PER_MINUTE


def _per_second(per_minute: float) -> float:
    return per_minute / SECONDS_PER_MINUTE


def _goal(table: GoalTable) -> Goal:
    bake, latest = table.bake_out, table.latest_elution_min
    rate = None if bake is None or bake.rate_C_per_min is None else _per_second(bake.rate_C_per_min)
    return Goal(
        table.minimise,
        table.min_resolution,
        _seconds(table.earliest_elution_min),
        None if latest is None else _seconds(latest),
        table.min_retention_factor,
        None if bake is None else BakeOut(kelvin(bake.at_C), _seconds(bake.hold_min), rate),
        table.shift_h * 60 * SECONDS_PER_MINUTE,
        table.front_points,
        table.confidence,
    )


def _tolerances(table: TolerancesTable) -> Tolerances:
    return Tolerances(
        table.oven_C,
        table.flow_percent / 100,
        table.pressure_percent / 100,
        table.hold_up_percent / 100,
        table.trimmed_m,
    )


def _analyte(table: AnalyteTable) -> AnalyteDetail:
    highest, above, near = table.max_elution_temperature_C, table.max_time_above, table.near
    kinetics = table.decomposition
    return AnalyteDetail(
        table.compound,
        table.role,
        None if highest is None else kelvin(highest),
        None if above is None else TimeAbove(kelvin(above.temperature_C), _seconds(above.min)),
        None
        if kinetics is None
        else Decomposition(
            kinetics.activation_energy_kJ_per_mol * 1e3,
            _seconds(kinetics.half_life_min),
            kelvin(kinetics.at_C),
        ),
        table.min_intact_fraction,
        table.amount_ng,
        table.tailing,
        None if near is None else Near(tuple(near.compounds), _seconds(near.within_min)),
    )


def _search(table: ScenarioTable, runs: tuple[ScoutingRun, ...]) -> SearchSettings:
    search, fixed = table.search, table.search.oven_temperature_C
    return SearchSettings(
        tuple(dict.fromkeys(search.carrier_modes or _modes_of(runs))),
        searched_ramps(table),
        search.seconds,
        search.candidates,
        search.seed,
        min(search.max_carrier_ramps, table.instrument.max_carrier_ramps),
        None if fixed is None else kelvin(fixed),
    )


def _modes_of(runs: tuple[ScoutingRun, ...]) -> list[str]:
    """The searched carrier modes when none are stated: those of the runs' kind."""
    kinds = {"pressure": "constant pressure", "flow": "constant flow", "velocity": "constant flow"}
    return [kinds[run.program.carrier.controlled] for run in runs] or ["constant flow"]


def _inlet(table: ScenarioTable) -> Inlet:
    inlet, largest = table.inlet, total_flow_limit(table)
    boiling = inlet.solvent_boiling_point_C
    return Inlet(
        inlet.mode,
        None if boiling is None else kelvin(boiling),
        inlet.below_solvent_C,
        None if inlet.purge_on_min is None else _seconds(inlet.purge_on_min),
        inlet.split_ratio,
        flow_si(inlet.septum_purge_mL_min),
        None if largest is None else flow_si(largest),
    )


def _instrument(table: InstrumentTable, ambient: float) -> Instrument:
    cool_down, detector = table.cool_down, table.detector_max_flow_mL_min
    return Instrument(
        max_inlet_pressure=absolute_pressure(table.max_inlet_pressure_kPa, ambient),
        min_flow=flow_si(table.min_flow_mL_min),
        max_flow=flow_si(table.max_flow_mL_min),
        heating_limits=tuple(
            (kelvin(band.up_to_C), _per_second(band.rate_C_per_min)) for band in table.heating_limits
        ),
        cool_down=None
        if cool_down is None
        else CoolDown(kelvin(cool_down.from_C), kelvin(cool_down.to_C), _seconds(cool_down.min)),
        equilibration=_seconds(table.equilibration_min),
        steps=_steps(table.steps),
        min_inlet_pressure=absolute_pressure(table.min_inlet_pressure_kPa, ambient),
        max_pressure_rate=_per_second(table.max_pressure_rate_kPa_per_min * PA_PER_KPA),
        max_flow_rate=_per_second(flow_si(table.max_flow_rate_mL_per_min2)),
        detector_max_flow=None if detector is None else flow_si(detector),
        oven_min=None if table.oven_min_C is None else kelvin(table.oven_min_C),
        oven_max=kelvin(table.oven_max_C),
        ambient_temperature=kelvin(table.ambient_C),
        above_ambient=table.above_ambient_C,
        cryogenic=table.cryogenic,
        max_oven_ramps=table.max_oven_ramps,
        max_carrier_ramps=table.max_carrier_ramps,
    )


def _steps(table: StepsTable) -> Steps:
    return Steps(
        table.temperature_C,
        _per_second(table.rate_C_per_min),
        _seconds(table.time_min),
        flow_si(table.flow_mL_min),
        table.pressure_kPa * PA_PER_KPA,
        _per_second(flow_si(table.flow_rate_mL_per_min2)),
        _per_second(table.pressure_rate_kPa_per_min * PA_PER_KPA),
    )


def _carrier(table: CarrierProgramTable, ambient: float) -> CarrierProgram:
    if isinstance(table, ConstantFlowTable):
        return CarrierProgram("flow", flow_si(table.flow_mL_min))
    if isinstance(table, ConstantPressureTable):
        return CarrierProgram("pressure", absolute_pressure(table.inlet_kPa, ambient))
    if isinstance(table, ConstantVelocityTable):
        return CarrierProgram("velocity", table.velocity_cm_s * 1e-2)
    hold = _seconds(table.hold_min)
    if isinstance(table, FlowProgramTable):
        ramps = tuple(
            Ramp(
                _per_second(flow_si(ramp.rate_mL_per_min2)),
                flow_si(ramp.to_mL_min),
                _seconds(ramp.hold_min),
            )
            for ramp in table.ramps
        )
        return CarrierProgram("flow", flow_si(table.start_mL_min), hold, ramps)
    ramps = tuple(
        Ramp(
            _per_second(ramp.rate_kPa_per_min * PA_PER_KPA),
            absolute_pressure(ramp.to_kPa, ambient),
            _seconds(ramp.hold_min),
        )
        for ramp in table.ramps
    )
    return CarrierProgram("pressure", absolute_pressure(table.start_kPa, ambient), hold, ramps)
