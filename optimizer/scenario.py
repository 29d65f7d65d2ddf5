"""Reading a scenario: from a folder of files in trade units to one checked, frozen `Scenario` in SI units."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from models.carrier_gas import carrier_gas
from models.column import Column
from models.programs import CarrierProgram, OvenProgram, Program, Ramp
from models.units import PA_PER_KPA, SECONDS_PER_MINUTE, absolute_pressure, flow_si, kelvin
from optimizer.errors import ScenarioError
from optimizer.peak_tables import PeakTable, read_peak_table
from optimizer.run_checks import run_problems, run_warnings
from optimizer.scenario_checks import (
    ambient_pascal,
    below_vacuum,
    oven_problems,
    table_problems,
    table_warnings,
)
from optimizer.scenario_data import (
    AnalyteDetail,
    CoolDown,
    Goal,
    Instrument,
    PairRule,
    Scenario,
    ScoutingRun,
    SearchSettings,
    Steps,
)
from optimizer.scenario_messages import parse_file
from optimizer.scenario_schema import (
    CarrierProgramTable,
    ConstantFlowTable,
    ConstantPressureTable,
    ConstantVelocityTable,
    FlowProgramTable,
    InstrumentTable,
    OvenTable,
    ProgramTable,
    ScenarioTable,
)

SCENARIO_FILE = "scenario.toml"

__all__ = [
    "AnalyteDetail",
    "CoolDown",
    "Goal",
    "Instrument",
    "PairRule",
    "Scenario",
    "ScoutingRun",
    "SearchSettings",
    "Steps",
    "load_scenario",
    "read_program",
]


def load_scenario(path: Path | str) -> Scenario:
    """The scenario in a folder (its scenario.toml) or a file, with the peak tables it names.

    Raises
    ------
    ScenarioError : with up to five lines, each naming file, key, value, what was expected and the likely slip
    """
    file = _scenario_file(Path(path))
    table, written = parse_file(file, ScenarioTable)
    problems = [f"{file}: {problem}" for problem in table_problems(table, written)]
    if problems:
        raise ScenarioError(problems)
    peak_files = [file.parent / run.peaks for run in table.scouting_runs]
    peaks = _read_all(file, peak_files)
    scenario = _convert(file, table, peaks)
    problems = run_problems(scenario, [str(each) for each in peak_files])
    if problems:
        raise ScenarioError(problems)
    return replace(scenario, warnings=(*table_warnings(table), *run_warnings(scenario)))


def read_program(path: Path | str, ambient_pressure: float) -> Program:
    """The program in a TOML file that holds the two tables `oven` and `carrier`.

    Parameters
    ----------
    ambient_pressure : float  [Pa absolute], to which the gauge pressures of the file refer

    Raises
    ------
    ScenarioError : as `load_scenario`
    """
    file = Path(path)
    table, written = parse_file(file, ProgramTable)
    problems = [
        *oven_problems("oven", table.oven),
        *below_vacuum("carrier", table.carrier, ambient_pressure / PA_PER_KPA, written),
    ]
    if problems:
        raise ScenarioError([f"{file}: {problem}" for problem in problems])
    return _program(table.oven, table.carrier, ambient_pressure)


def _scenario_file(path: Path) -> Path:
    if not path.is_dir():
        return path
    file = path / SCENARIO_FILE
    if not file.exists():
        others = sorted(each.name for each in path.glob("*.toml"))
        hint = f"; it holds {', '.join(others)}, name one of them" if others else ""
        raise ScenarioError(f"{path}: this folder holds no {SCENARIO_FILE}{hint}")
    return file


def _read_all(file: Path, peak_files: list[Path]) -> list[PeakTable]:
    """All peak tables, or what is wrong with any of them in one error."""
    tables: list[PeakTable] = []
    problems: list[str] = []
    for number, each in enumerate(peak_files, 1):
        try:
            tables.append(read_peak_table(each, f"{file}: scouting_runs[{number}].peaks"))
        except ScenarioError as error:
            problems += error.problems
    if problems:
        raise ScenarioError(problems)
    return tables


def _convert(file: Path, table: ScenarioTable, peaks: list[PeakTable]) -> Scenario:
    ambient = ambient_pascal(table)
    column = table.column
    programmed = column.max_programmed_temperature_C
    runs = tuple(
        ScoutingRun(
            run.name,
            _program(run.oven, run.carrier, ambient),
            peak_table,
            None if run.hold_up_min is None else run.hold_up_min * SECONDS_PER_MINUTE,
            run.repeatability_min * SECONDS_PER_MINUTE,
        )
        for run, peak_table in zip(table.scouting_runs, peaks, strict=True)
    )
    search = table.search
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
        current=None
        if table.current is None
        else _program(table.current.oven, table.current.carrier, ambient),
        goal=Goal(
            table.goal.minimise,
            table.goal.min_resolution,
            table.goal.earliest_elution_min * SECONDS_PER_MINUTE,
        ),
        analytes=tuple(AnalyteDetail(each.compound, each.role) for each in table.analytes),
        pairs=tuple(
            PairRule(each.between[0], each.between[1], each.min_resolution, each.ignore)
            for each in table.pairs
        ),
        search=SearchSettings(
            tuple(dict.fromkeys(search.carrier_modes or _modes_of(runs))),
            search.max_ramps,
            search.seconds,
            search.candidates,
            search.seed,
        ),
        flow_correction=table.fit.flow_correction,
        compounds=tuple(dict.fromkeys(name for run in runs for name in run.peaks.compounds)),
        warnings=(),
    )


def _modes_of(runs: tuple[ScoutingRun, ...]) -> list[str]:
    """The searched carrier modes when none are stated: those of the runs' kind."""
    kinds = {"pressure": "constant pressure", "flow": "constant flow", "velocity": "constant flow"}
    return [kinds[run.program.carrier.controlled] for run in runs]


def _instrument(table: InstrumentTable, ambient: float) -> Instrument:
    steps, cool_down = table.steps, table.cool_down
    return Instrument(
        max_inlet_pressure=absolute_pressure(table.max_inlet_pressure_kPa, ambient),
        min_flow=flow_si(table.min_flow_mL_min),
        max_flow=flow_si(table.max_flow_mL_min),
        heating_limits=tuple(
            (kelvin(band.up_to_C), band.rate_C_per_min / SECONDS_PER_MINUTE) for band in table.heating_limits
        ),
        cool_down=None
        if cool_down is None
        else CoolDown(kelvin(cool_down.from_C), kelvin(cool_down.to_C), cool_down.min * SECONDS_PER_MINUTE),
        equilibration=table.equilibration_min * SECONDS_PER_MINUTE,
        steps=Steps(
            steps.temperature_C,
            steps.rate_C_per_min / SECONDS_PER_MINUTE,
            steps.time_min * SECONDS_PER_MINUTE,
            flow_si(steps.flow_mL_min),
            steps.pressure_kPa * PA_PER_KPA,
        ),
    )


def _program(oven: OvenTable, carrier: CarrierProgramTable, ambient: float) -> Program:
    ramps = tuple(
        Ramp(ramp.rate_C_per_min / SECONDS_PER_MINUTE, kelvin(ramp.to_C), ramp.hold_min * SECONDS_PER_MINUTE)
        for ramp in oven.ramps
    )
    hold = oven.hold_min * SECONDS_PER_MINUTE
    return Program(OvenProgram(kelvin(oven.start_C), hold, ramps), _carrier(carrier, ambient))


def _carrier(table: CarrierProgramTable, ambient: float) -> CarrierProgram:
    if isinstance(table, ConstantFlowTable):
        return CarrierProgram("flow", flow_si(table.flow_mL_min))
    if isinstance(table, ConstantPressureTable):
        return CarrierProgram("pressure", absolute_pressure(table.inlet_kPa, ambient))
    if isinstance(table, ConstantVelocityTable):
        return CarrierProgram("velocity", table.velocity_cm_s * 1e-2)
    hold = table.hold_min * SECONDS_PER_MINUTE
    if isinstance(table, FlowProgramTable):
        ramps = tuple(
            Ramp(
                flow_si(ramp.rate_mL_per_min2) / SECONDS_PER_MINUTE,
                flow_si(ramp.to_mL_min),
                ramp.hold_min * SECONDS_PER_MINUTE,
            )
            for ramp in table.ramps
        )
        return CarrierProgram("flow", flow_si(table.start_mL_min), hold, ramps)
    ramps = tuple(
        Ramp(
            ramp.rate_kPa_per_min * PA_PER_KPA / SECONDS_PER_MINUTE,
            absolute_pressure(ramp.to_kPa, ambient),
            ramp.hold_min * SECONDS_PER_MINUTE,
        )
        for ramp in table.ramps
    )
    return CarrierProgram("pressure", absolute_pressure(table.start_kPa, ambient), hold, ramps)
