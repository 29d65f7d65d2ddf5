"""A program's predicted chromatogram, and how sure it is given the fit and the set points' tolerances."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from models.column.programs import Array, Program, ProgramBatch, batch_of, delayed, values_at
from models.column.retention import UNRETAINED
from models.column.system import ColumnSystem, flow, inlet_pressure
from models.peaks.migration import migrate, migration_tables
from models.peaks.resolution import HALF_HEIGHT_WIDTH
from models.peaks.thermal_exposure import intact_fraction, time_above
from optimizer.goal.goal import Problem, end_of_peak, measured_mean
from optimizer.goal.outcome import Prediction
from optimizer.goal.requirements import bleed_of, decomposition_of

TRACE_POINTS = 400


def predict(problem: Problem, program: Program) -> Prediction:
    """The chromatogram of a program, from the accurate engine."""
    scenario, fit = problem.scenario, problem.fit
    batch = batch_of([program])
    peaks = migrate(problem.tables[program.carrier.controlled], batch, "polish")
    t, w = peaks.retention_time[0], peaks.width[0] * HALF_HEIGHT_WIDTH
    lean = peaks.lean
    tailing = problem.tailing if lean is None else problem.tailing_with(np.nan_to_num(lean.front[0], nan=1.0))
    Rs = np.nan_to_num(problem.pair_resolutions(t, w, tailing))  # what never elutes is resolved from nothing
    lack = Rs / problem.pairs.needed
    felt = delayed(batch, fit.system.oven_lag)
    intact, above = _exposure(problem, felt, t)
    end = float(np.nanmax(end_of_peak(t, w))) if np.any(peaks.eluted) else 0.0
    run_time = max(program.oven.duration, end)
    trace = np.linspace(0.0, run_time, TRACE_POINTS)[None]
    T = values_at(trace, batch.oven_times, batch.oven_temperatures)
    value = values_at(trace, batch.carrier_times, batch.carrier_values)
    pressure = inlet_pressure(fit.system, program.carrier.controlled, value, T)
    column = fit.system.column
    return Prediction(
        program=program,
        compounds=scenario.compounds,
        retention=t,
        retention_sd=np.full(t.shape, np.nan),
        width_sd=np.full(t.shape, np.nan),
        resolution_sd=np.full(Rs.shape, np.nan),
        width_half=w,
        elution_temperature=peaks.elution_temperature[0],
        retention_factor=peaks.retention_factor[0],
        tailing=tailing,
        area=measured_mean(problem.scenario, "area"),
        counted_pairs=problem.pairs.index,
        needed=problem.pairs.needed,
        resolution=Rs,
        critical=int(np.argmin(lack)) if len(lack) else None,
        intact_fraction=intact,
        time_above=above,
        run_time=run_time,
        trace_times=trace[0],
        inlet_pressure=pressure[0],
        flow=flow(column, fit.system.gas, T, pressure, fit.system.outlet_pressure)[0],
        ignored=np.array([scenario.ignores(name) for name in scenario.compounds]),
        overload=np.zeros(t.shape) if lean is None else np.nan_to_num(lean.R[0]),
        apex_shift=np.zeros(t.shape) if lean is None else np.nan_to_num(lean.shift[0]),
        tail=problem.tail,
        bleed=None if scenario.bleed is None else bleed_of(scenario, fit.system, felt, trace)[0],
    )


def _exposure(problem: Problem, batch: ProgramBatch, retention: Array) -> tuple[Array, Array]:
    """Intact fractions [-] and times above their own limits [s] of the analytes that have them, (M,)."""
    scenario, times = problem.scenario, retention[None]
    intact, above = np.full(retention.size, np.nan), np.full(retention.size, np.nan)
    for m, name in enumerate(scenario.compounds):
        detail, at = scenario.detail(name), np.array([m])
        if detail.decomposition is not None:
            intact[m] = intact_fraction(batch, times, at, decomposition_of(scenario, (name,)))[0, 0]
        if detail.max_time_above is not None:
            above[m] = time_above(batch, times, at, np.array([detail.max_time_above.temperature]))[0, 0]
    return intact, above


def hold_up_time_of(system: ColumnSystem, program: Program) -> float:
    """Hold-up time [s] under a program, oven and carrier as they run; nan when nothing leaves in reasonable time."""
    tables = migration_tables(replace(system, time_constant=0.0), UNRETAINED, program.carrier.controlled)
    return float(migrate(tables, batch_of([program]), "polish").retention_time[0, 0])
