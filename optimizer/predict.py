"""A program's predicted chromatogram, and how sure it is given the fit and the set points' tolerances."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from models.carrier_flow import flow
from models.migration import MigrationTables, migrate, migration_tables
from models.programs import Array, OvenProgram, Program, ProgramBatch, batch_of, values_at
from models.resolution import HALF_HEIGHT_WIDTH
from models.retention import PARAMETER_STEPS, with_moved_parameters
from models.system import inlet_pressure
from models.thermal_exposure import intact_fraction, time_above
from optimizer.goal import TABLE_MARGIN, Problem, end_of_peak, measured_mean
from optimizer.limits import decomposition_of, first_elution
from optimizer.results import Prediction

TRACE_POINTS = 400
OVEN_TOLERANCE = 1.0  # K, +- on the whole oven program; common practice, no source
FLOW_TOLERANCE = 0.01  # +- on column flow; common practice, no source
DRAWS = 400
_OVEN_STEP, _LN_FLOW_STEP = 0.1, 1e-3


def tables_for(problem: Problem, program: Program) -> MigrationTables:
    """Tables that cover a program, made when the problem has none for its carrier variable."""
    T = program.oven.knots()[1]
    ready = problem.tables.get(program.carrier.controlled)
    if ready is not None:
        covered = ready.antiderivatives
        if covered.lowest <= min(T) and max(T) <= covered.highest:
            return ready
    low, high = min(T) - TABLE_MARGIN, max(T) + TABLE_MARGIN
    return migration_tables(problem.fit.system, problem.fit.retention, program.carrier.controlled, low, high)


def predict(problem: Problem, program: Program) -> Prediction:
    """The chromatogram of a program, from the accurate engine."""
    scenario, fit = problem.scenario, problem.fit
    batch = batch_of([program])
    peaks = migrate(tables_for(problem, program), batch, "polish")
    t, w = peaks.retention_time[0], peaks.width[0] * HALF_HEIGHT_WIDTH
    Rs = np.nan_to_num(problem.pair_resolutions(t, w))  # what never elutes is resolved from nothing
    lack = Rs / problem.pairs.needed
    intact, above = _exposure(problem, batch, t)
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
        width_half=w,
        elution_temperature=peaks.elution_temperature[0],
        retention_factor=peaks.retention_factor[0],
        tailing=problem.tailing,
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


def with_uncertainty(
    problem: Problem,
    prediction: Prediction,
    seed: int,
    oven_tolerance: float = OVEN_TOLERANCE,
    flow_tolerance: float = FLOW_TOLERANCE,
) -> tuple[Prediction, float]:
    """The prediction with standard deviations of retention, and the share of draws that keep every pair.

    Draws are linear in the fit's parameters (their posterior covariance), with the oven off by anything up to its
    tolerance [K] and the flow by anything up to its own (a share); widths are kept.
    """
    program, fit = prediction.program, problem.fit
    M = len(prediction.retention)
    T = program.oven.knots()[1]
    system, kind = fit.system, program.carrier.controlled
    diffusion = np.tile(tables_for(problem, program).diffusion, 4)
    moved = with_moved_parameters(fit.retention)
    tables = migration_tables(system, moved, kind, min(T) - 5, max(T) + 5, 1.0, diffusion)

    def times(tables: MigrationTables, program: Program) -> Array:
        row: Array = migrate(tables, batch_of([program]), "screen").retention_time[0]
        return row

    base = times(tables, program).reshape(4, M)
    slopes = (base[1:] - base[0]) / PARAMETER_STEPS[:, None]
    faster = replace(system, flow_factor=system.flow_factor * np.exp(_LN_FLOW_STEP))
    by_flow = (times(replace(tables, system=faster), program)[:M] - base[0]) / _LN_FLOW_STEP
    by_oven = (times(tables, _warmer(program, _OVEN_STEP))[:M] - base[0]) / _OVEN_STEP

    factors = fit.covariance.shape[0] - 3 * M
    jacobian = np.zeros((M, 3 * M + factors))
    for i in range(3):
        jacobian[np.arange(M), i * M + np.arange(M)] = slopes[i]
    jacobian[:, 3 * M :] = by_flow[:, None] / factors
    covariance = jacobian @ fit.covariance @ jacobian.T
    eluted = np.isfinite(prediction.retention)
    covariance = np.where(eluted[:, None] & eluted[None, :], np.nan_to_num(covariance), 0.0)
    if factors > 1:
        # Each run has a flow of its own, and so will the next: the scatter of the fitted ones is added.
        scatter = float(np.var(np.log(fit.flow_factors), ddof=1))
        covariance = covariance + scatter * np.outer(np.nan_to_num(by_flow), np.nan_to_num(by_flow))
    # An even spread of +-a has the variance a^2/3.
    set_points = ((oven_tolerance * by_oven) ** 2 + (flow_tolerance * by_flow) ** 2) / 3
    sd = np.where(eluted, np.sqrt(np.maximum(np.diag(covariance), 0.0) + np.nan_to_num(set_points)), np.nan)
    prediction = replace(prediction, retention_sd=sd)

    rng = np.random.default_rng(np.random.SeedSequence(seed))
    values, vectors = np.linalg.eigh(covariance)
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    noise = rng.standard_normal((DRAWS, M)) @ root.T
    noise += rng.uniform(-oven_tolerance, oven_tolerance, (DRAWS, 1)) * by_oven
    noise += rng.uniform(-flow_tolerance, flow_tolerance, (DRAWS, 1)) * by_flow
    t, w = prediction.retention + noise, prediction.width_half
    kept = problem.pair_resolutions(t, w) >= prediction.needed
    first = first_elution(t, w, problem.targets) >= problem.scenario.goal.earliest_elution
    return prediction, float(np.mean(kept.all(axis=1) & first))


def _warmer(program: Program, kelvin: float) -> Program:
    oven = program.oven
    ramps = tuple(replace(ramp, target=ramp.target + kelvin) for ramp in oven.ramps)
    return replace(program, oven=OvenProgram(oven.start + kelvin, oven.hold, ramps))
