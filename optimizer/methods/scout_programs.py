"""Programs worth running to learn from: the first two of a column nothing is known of, and those that may come next.

Heating rates are counted in degrees per hold-up time: about 10 is near the optimum for a phase ratio of 250 (Blumberg
and Klee, J. Microcol. Sep. 12 (2000) 508), and ramps on both sides of it see every compound at two temperatures.
All set points lie on the instrument's steps and within the limits of column, oven, inlet and pneumatics.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Annotated, Any

import numpy as np

from models.column.programs import CarrierProgram, OvenProgram, Program, Ramp, batch_of
from models.column.scaling import hold_up_at, speed_optimised_flow
from models.column.system import ColumnSystem, flow, inlet_pressure
from models.errors import InvalidInputError
from models.peaks.migration import migrate
from models.peaks.resolution import HALF_HEIGHT_WIDTH
from models.units import REFERENCE_PRESSURE, celsius, flow_mL_min, gauge_kPa, kelvin
from optimizer.base.numbers import MINUTES, Rounded
from optimizer.base.quantities import MINUTE
from optimizer.base.tables import BESIDE, WrittenBy, key, written
from optimizer.goal.goal import Problem, end_of_peak
from optimizer.goal.limits import heating_limit
from optimizer.goal.predict import hold_up_time_of
from optimizer.scenario.data import Scenario
from optimizer.scenario.instrument_data import Instrument
from optimizer.scenario.instrument_steps import carrier_step, on_grid
from optimizer.scenario.program_tables import program_document
from optimizer.search.found import FEASIBLE

FIRST_HEATING = {"slow": 5.0, "fast": 20.0}  # K per hold-up time
SPREAD = FIRST_HEATING["fast"] / FIRST_HEATING["slow"]
NEXT_HEATING = (2.5, 5.0, 10.0, 20.0, 40.0)  # K per hold-up time
FIRST_START = kelvin(40.0)  # unless a limit says otherwise: the usual first look. Common practice, no source
END_MARGIN = 10.0  # K below the column's continuous limit, where a first run ends
LAST_HOLD = 600.0  # s, at least: the usual first look. Common practice, no source
LAST_HOLD_UPS = 10.0  # and in hold-up times: what has k = 1 some 90 K above the end leaves by then
LONGEST_RUN = 90 * 60.0  # s; a longer run is not proposed unless a scouting run took as long
ISOTHERMAL_STEP = 10.0  # K between the isothermal runs that are looked at
ISOTHERMALS = 4  # of those are proposed
HEATED_OUT = 2  # isothermal for the critical pairs alone, the rest heated out
END_ROOM = 1.05  # of the predicted end of the last peak: what is run to learn from is not yet well predicted
ZERO_C = kelvin(0.0)
NEVER = 6 * 3600.0  # s, of a last hold while it is not yet known when the last peak elutes


LENGTH = Rounded(MINUTE, decimals=4, shown=".1f")


def _with_length(program: Program, ambient_pressure: float) -> dict[str, Any]:
    """A program and its length."""
    return program_document(program, ambient_pressure) | {"run_min": LENGTH.written(program.oven.duration)}


@dataclass(frozen=True)
class FirstRun:
    """A run to begin with.

    Attributes
    ----------
    clipped : bool, whether the oven's limit made it slower than wanted
    """

    name: Annotated[str, key()]
    """to be called so"""
    program: Annotated[Program, WrittenBy(_with_length), key(BESIDE)]
    """the program"""
    hold_up: Annotated[float, MINUTES, key("hold_up_min")]
    """hold-up time, computed from the column's dimensions"""
    heating: Annotated[float, Rounded(digits=3, shown=".3g"), key("heating_C_per_hold_up")]
    """rate of the ramp in degrees for each hold-up time, in its middle"""
    clipped: bool


@dataclass(frozen=True)
class PossibleRun:
    """A run that might come next; it ends after its last peak.

    Attributes
    ----------
    kind : "ramp", "isothermal", "heated out" (isothermal for the critical pairs, then a ramp), "candidate" or "bold"
    """

    name: str
    kind: str
    program: Program


def first_runs(scenario: Scenario) -> tuple[FirstRun, ...]:
    """Two ramps whose heating rates differ by a factor of four.

    Raises
    ------
    InvalidInputError : when the limits leave no ramp
    """
    if scenario.instrument.max_oven_ramps < 1:
        raise InvalidInputError(
            f"{scenario.path}: instrument.max_oven_ramps = 0 allows no ramp, and the first runs are ramps; make two "
            "isothermal runs 30 °C apart instead"
        )
    steps, inlet = scenario.instrument.steps, scenario.inlet
    start = _start(scenario)
    end = _down(
        min(scenario.max_temperature, scenario.instrument.oven_max) - END_MARGIN, steps.temperature, ZERO_C
    )
    if end <= start:
        raise InvalidInputError(
            f"{scenario.path}: no room for a ramp between a start at {celsius(start):g} °C and "
            f"{END_MARGIN:g} °C below the highest temperature; check [column], [instrument] and [inlet]"
        )
    system = ColumnSystem(scenario.column, scenario.gas, scenario.outlet_pressure)
    carrier = _first_carrier(scenario, system, start, end)
    hold_up = hold_up_at(system, carrier.controlled, carrier.start, (start + end) / 2)
    wanted = FIRST_HEATING["fast"] / hold_up
    limit = float(heating_limit(scenario.instrument.heating_limits, np.array(start), np.array(end)))
    fast = max(_down(min(wanted, limit), steps.rate), steps.rate)
    slow = max(on_grid(min(fast / SPREAD, FIRST_HEATING["slow"] / hold_up), steps.rate), steps.rate)
    last = _up(max(LAST_HOLD, LAST_HOLD_UPS * hold_up), steps.time)
    runs = []
    for name, rate in (("slow", slow), ("fast", fast)):
        oven = OvenProgram(start, _up(inlet.shortest_first_hold, steps.time), (Ramp(rate, end, last),))
        program = Program(oven, carrier)
        runs.append(
            FirstRun(name, program, hold_up_time_of(system, program), rate * hold_up, wanted > limit + 1e-9)
        )
    return tuple(runs)


def possible_runs(
    problem: Problem, leading: Mapping[int, Program], critical: Sequence[int]
) -> list[PossibleRun]:
    """Runs that might come next, within all limits.

    Parameters
    ----------
    leading : programs of the leading candidates by their numbers, each a possible run itself
    critical : compounds of the critical pairs
    """
    scenario = problem.scenario
    longest = max([LONGEST_RUN, *(run.program.oven.duration for run in scenario.runs)])
    carrier = scenario.runs[0].program.carrier
    runs = _settable_runs(problem, carrier, critical)
    if not runs:  # the scouting runs' own carrier breaks a limit
        ends = _start(scenario), min(scenario.max_temperature, scenario.highest_temperature) - END_MARGIN
        runs = _settable_runs(problem, _first_carrier(scenario, problem.fit.system, *ends), critical)
    runs += [PossibleRun(f"candidate {n}", "candidate", program) for n, program in leading.items()]
    return [
        run
        for run in runs
        if run.program.oven.duration <= longest
        and not any(same_program(scenario, run.program, made.program) for made in scenario.runs)
    ]


def same_program(scenario: Scenario, program: Program, made: Program) -> bool:
    """Whether a program, as long as it lasts, is one that was run, on the instrument's steps; that may have gone on."""
    if program.carrier.controlled != made.carrier.controlled:
        return False
    end = program.oven.duration
    steps = scenario.instrument.steps
    size = carrier_step(scenario, program.carrier.controlled)[0]
    ovens = program.oven, made.oven, steps.temperature
    for one, other, step in (ovens, (program.carrier, made.carrier, size)):
        corners = np.array([*one.knots()[0], *other.knots()[0], end])
        at = np.unique(np.minimum(corners[np.isfinite(corners)], end))
        apart = np.interp(at, *one.knots()) - np.interp(at, *other.knots())
        if np.abs(apart).max() > step / 2:
            return False
    return True


def _settable_runs(problem: Problem, carrier: CarrierProgram, critical: Sequence[int]) -> list[PossibleRun]:
    """Ramps and isothermal runs with a carrier, within all limits."""
    runs = [*_ramps(problem, carrier), *_isothermals(problem, carrier, critical)]
    return [run for run in runs if _allowed(problem, run.program)]


def _allowed(problem: Problem, program: Program) -> bool:
    """Whether column, oven, inlet and pneumatics allow it."""
    found = problem.assess(batch_of([program]))
    return bool(problem.equipment_margin(found)[0] >= FEASIBLE)


def _start(scenario: Scenario) -> float:
    """Where the first runs start [K]: at 40 °C, or as near to it as column, oven and solvent allow."""
    step, highest = scenario.instrument.steps.temperature, scenario.inlet.highest_start
    start = _up(max(FIRST_START, scenario.lowest_temperature), step, ZERO_C)
    if highest is not None and start > highest:
        start = _down(highest, step, ZERO_C)
    if start < scenario.lowest_temperature - 1e-6:  # the grid has no point between the two limits
        start = scenario.lowest_temperature
    return start


@dataclass(frozen=True)
class _Bound:
    """A bound of the column flow [m3/s]: the limit it comes from, and the temperature [K] at which it is that flow."""

    flow: float
    text: str
    T: float | None = None

    def in_words(self) -> str:
        at = "" if self.T is None else f" at {celsius(self.T):g} °C"
        return f"{flow_mL_min(self.flow):.2g} mL/min{at}"


def _limit(key: str, value: float | np.floating[Any]) -> str:
    """A limit of the instrument as it is entered, and whether it is what it is unless stated."""
    value = round(float(value), 6)
    usual = " (the default)" if value == written(Instrument(), REFERENCE_PRESSURE)[key] else ""
    return f"instrument.{key} = {value:g}{usual}"


def _first_carrier(scenario: Scenario, system: ColumnSystem, start: float, end: float) -> CarrierProgram:
    """The usual speed-optimised flow, as near as pneumatics, detector and inlet allow; the mode that is searched."""
    instrument, inlet, step = scenario.instrument, scenario.inlet, scenario.instrument.steps.flow

    def flow_at(pressure: float, T: float) -> float:
        return float(flow(system.column, system.gas, T, pressure, system.outlet_pressure))

    # A constant flow needs the most pressure where the column is hottest, the least where it is coldest.
    least = max(instrument.min_inlet_pressure, scenario.ambient_pressure)
    least_kPa, most_kPa = (
        float(gauge_kPa(each, scenario.ambient_pressure)) for each in (least, instrument.max_inlet_pressure)
    )
    lows = [_Bound(instrument.min_flow, _limit("min_flow_mL_min", flow_mL_min(instrument.min_flow)))]
    if least > system.outlet_pressure:
        lows.append(_Bound(flow_at(least, start), _limit("min_inlet_pressure_kPa", least_kPa), start))
    largest, detector = instrument.largest_column_flow, instrument.largest_column_flow < instrument.max_flow
    key = "detector_max_flow_mL_min" if detector else "max_flow_mL_min"
    highs = [
        _Bound(largest, _limit(key, flow_mL_min(largest))),
        _Bound(flow_at(instrument.max_inlet_pressure, end), _limit("max_inlet_pressure_kPa", most_kPa), end),
    ]
    if inlet.max_total_flow is not None:
        most = (inlet.max_total_flow - inlet.septum_purge) / (1 + (inlet.split_ratio or 0.0))
        highs.append(_Bound(most, f"inlet.max_total_flow_mL_min = {flow_mL_min(inlet.max_total_flow):g}"))
    low, high = max(lows, key=lambda each: each.flow), min(highs, key=lambda each: each.flow)
    lowest, highest = low.flow, high.flow
    if lowest > highest:
        raise InvalidInputError(
            f"{scenario.path}: no column flow keeps all limits on this column: {low.text} asks for at least "
            f"{low.in_words()}, and {high.text} allows at most {high.in_words()}; where a default stands in the way, "
            "state what the instrument can do, else check the column's length and bore"
        )
    wanted = float(np.clip(speed_optimised_flow(system.column, system.gas), lowest, highest))
    if all("pressure" in mode for mode in scenario.search.carrier_modes):
        # At constant pressure the flow is largest where the column is coldest.
        middle, cold = (
            float(inlet_pressure(system, "flow", np.array(F), np.array(T)))
            for F, T in ((wanted, (start + end) / 2), (highest, start))
        )
        size, offset = carrier_step(scenario, "pressure")
        return CarrierProgram("pressure", _down(min(middle, cold), size, offset))
    on_step = on_grid(wanted, step)
    if on_step > highest + 1e-15:
        on_step -= step
    return CarrierProgram("flow", on_step if on_step >= lowest - 1e-15 else wanted)


def _ramps(problem: Problem, carrier: CarrierProgram) -> list[PossibleRun]:
    """Ramps like those made, at several heating rates, slowest first."""
    scenario, system = problem.scenario, problem.fit.system
    steps = scenario.instrument.steps
    ramped = [run.program.oven for run in scenario.runs if run.program.oven.ramps]
    hottest = scenario.max_temperature - END_MARGIN
    end = min(max((oven.highest for oven in ramped), default=hottest), scenario.max_temperature)
    end = _down(min(end, scenario.highest_temperature), steps.temperature, ZERO_C)
    start = ramped[0].start if ramped else _start(scenario)
    if scenario.inlet.highest_start is not None:
        start = min(start, scenario.inlet.highest_start)
    start = max(start, scenario.lowest_temperature)
    hold = max(ramped[0].hold if ramped else 0.0, _up(scenario.inlet.shortest_first_hold, steps.time))
    if end <= start:
        return []
    hold_up = hold_up_at(system, carrier.controlled, carrier.start, (start + end) / 2)
    limit = float(heating_limit(scenario.instrument.heating_limits, np.array(start), np.array(end)))
    rates = sorted(
        {max(_down(min(heating / hold_up, limit), steps.rate), steps.rate) for heating in NEXT_HEATING}
    )
    programs = [
        ended(problem, Program(OvenProgram(start, hold, (Ramp(rate, end, NEVER),)), carrier))
        for rate in rates
    ]
    return [
        PossibleRun(f"ramp at {60 * rate:.4g} °C/min", "ramp", program)
        for rate, program in zip(rates, programs, strict=True)
        if program is not None
    ]


def _isothermals(problem: Problem, carrier: CarrierProgram, critical: Sequence[int]) -> list[PossibleRun]:
    """Isothermal runs, coldest first; colder ones for the critical pairs alone, then heated out."""
    scenario = problem.scenario
    lowest = _up(scenario.lowest_temperature, ISOTHERMAL_STEP, ZERO_C)
    highest = min(scenario.max_temperature, scenario.instrument.oven_max) - END_MARGIN
    temperatures = np.arange(lowest, highest + 1e-6, ISOTHERMAL_STEP)
    if scenario.inlet.highest_start is not None:
        temperatures = temperatures[temperatures <= scenario.inlet.highest_start]
    if not len(temperatures):
        return []
    batch = batch_of([_isothermal(carrier, float(T)) for T in temperatures])
    peaks = migrate(problem.tables[batch.controlled], batch, "screen")
    end = end_of_peak(
        np.nan_to_num(peaks.retention_time, nan=np.inf),
        np.nan_to_num(peaks.width) * HALF_HEIGHT_WIDTH,
    )
    retained = np.nanmedian(np.where(peaks.eluted, peaks.retention_factor, np.inf), axis=1) >= 1
    whole = temperatures[(end.max(axis=1) * END_ROOM <= LONGEST_RUN) & retained]
    runs = []
    for T in _spread(whole, ISOTHERMALS):
        program = ended(problem, _isothermal(carrier, T))
        if program is not None:
            runs.append(PossibleRun(f"isothermal at {celsius(T):.4g} °C", "isothermal", program))
    coldest = whole.min() if len(whole) else np.inf
    soon = (temperatures < coldest) & (end[:, list(critical)].max(axis=1, initial=0.0) <= LONGEST_RUN / 3)
    for T in _spread(temperatures[soon & retained], HEATED_OUT):
        seen = float(end[temperatures == T][0, list(critical)].max(initial=0.0))
        program = ended(problem, _heated_out(problem, carrier, T, seen))
        if program is not None:
            name = f"isothermal at {celsius(T):.4g} °C for the critical pairs, then heated out"
            runs.append(PossibleRun(name, "heated out", program))
    return sorted(runs, key=lambda run: run.program.oven.start)


def _heated_out(problem: Problem, carrier: CarrierProgram, T: float, seen: float) -> Program:
    """Isothermal until the critical peaks are over [s], then a fast ramp to the highest temperature of the runs."""
    scenario = problem.scenario
    steps = scenario.instrument.steps
    end = max(run.program.oven.highest for run in scenario.runs)
    end = max(
        _down(min(end, scenario.max_temperature, scenario.highest_temperature), steps.temperature, ZERO_C), T
    )
    hold_up = hold_up_at(problem.fit.system, carrier.controlled, carrier.start, (T + end) / 2)
    limit = float(heating_limit(scenario.instrument.heating_limits, np.array(T), np.array(end)))
    rate = max(_down(min(FIRST_HEATING["fast"] / hold_up, limit), steps.rate), steps.rate)
    ramps = (Ramp(rate, end, NEVER),) if end > T else ()
    return Program(OvenProgram(T, _up(END_ROOM * seen, steps.time), ramps), carrier)


def _isothermal(carrier: CarrierProgram, T: float) -> Program:
    return Program(OvenProgram(T, NEVER), carrier)


def ended(problem: Problem, program: Program) -> Program | None:
    """A program whose last hold is infinite, ended soon after its last peak; None when something never elutes."""
    peaks = migrate(problem.tables[program.carrier.controlled], batch_of([program]), "screen")
    if not np.all(peaks.eluted):
        return None
    end = END_ROOM * float(end_of_peak(peaks.retention_time, peaks.width * HALF_HEIGHT_WIDTH).max())
    steps, oven = problem.scenario.instrument.steps, program.oven
    if not oven.ramps:
        return replace(program, oven=replace(oven, hold=_up(end, steps.time)))
    times, temperatures = oven.knots()
    last, arrival = oven.ramps[-1], times[-2]
    if end >= arrival:
        ramp = replace(last, hold=_up(end - arrival, steps.time))
    else:
        reached = float(np.interp(end, times, temperatures))
        ramp = replace(last, target=min(_up(reached, steps.temperature, ZERO_C), last.target), hold=0.0)
        if ramp.target <= oven.start:
            return replace(program, oven=OvenProgram(oven.start, _up(end, steps.time)))
    return replace(program, oven=replace(oven, ramps=(*oven.ramps[:-1], ramp)))


def _spread(values: np.ndarray, count: int) -> list[float]:
    """Some of the values, evenly spread from the first to the last."""
    if not len(values):
        return []
    at = np.unique(np.round(np.linspace(0, len(values) - 1, min(count, len(values)))).astype(int))
    return [float(values[i]) for i in at]


def _down(value: float, step: float, offset: float = 0.0) -> float:
    """The largest multiple of a step, counted from an offset, that is not above a value."""
    return float(np.floor((value - offset) / step + 1e-9)) * step + offset


def _up(value: float, step: float, offset: float = 0.0) -> float:
    """The smallest multiple of a step, counted from an offset, that is not below a value."""
    return float(np.ceil((value - offset) / step - 1e-9)) * step + offset
