"""From scouting runs to retention parameters and column corrections: one weighted fit of all runs.

Three parameters a compound (T0, ln theta, dCp) and one or more flow factors minimise

    sum ((predicted - measured)/sigma)^2 + sum ((parameter - typical)/spread)^2

over all retention times and measured hold-up times. sigma combines the stated repeatability of a run with a
small model error. The typical values are priors: they carry what the runs cannot say (two ramps hardly see dCp)
and fade where the runs speak; how much of each parameter came from them is reported.

The start is read off a grid of T0 with typical theta and dCp; then T0 and theta are fitted compound by compound,
then dCp is released, then everything is fitted jointly with the flow factors: a direct start of all three
often ends elsewhere. Efficiency and injected width follow from measured widths, in which they are linear
(variances add).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import nnls

from models.errors import InvalidInputError
from models.fit import (
    ASSUMED_PLATE_HEIGHT_FACTOR,
    LN_FLOW_SPREAD,
    LN_THETA_SPREAD,
    Fit,
    FlowCorrection,
    Run,
)
from models.fit_diagnosis import warnings_of
from models.migration import MigrationTables, migrate, migration_tables
from models.programs import Array, Controlled, ProgramBatch, batch_of
from models.resolution import HALF_HEIGHT_WIDTH
from models.retention import (
    PARAMETER_STEPS,
    Retention,
    typical_dCp,
    typical_theta,
    with_moved_parameters,
    with_typical_values,
)
from models.system import ColumnSystem

__all__ = ["Fit", "FlowCorrection", "Run", "fit_retention"]

MODEL_ERROR = 2e-4  # of a retention time: what the physics leaves out, as a standard deviation
DCP_SPREAD = 20.0  # J/mol/K
T0_SPREAD = 50.0  # K, about the first guess: no constraint on a retained compound
COLDEST_T0 = 100.0  # K
HOLD_UP_ERROR = 0.005  # of a measured hold-up time, beside the run's repeatability
WIDTH_ERROR = 0.05  # of a measured width
TABLE_STEP = 1.0  # K; times within 1e-8
TESTABLE_FREEDOM = 3.0  # degrees of freedom from which residuals say something of the noise
NEVER = 1e6  # s, stands for a compound that does not elute
_LARGEST_STEPS = np.array([25.0, 0.3, 60.0])
_UNRETAINED = Retention(np.array([60.0]), np.array([4.0]), np.array([0.0]))  # k < 1e-5 above room temperature


class _Simulator:
    """The runs as batches of one, and predictions of them for any set of compounds."""

    def __init__(self, system: ColumnSystem, runs: Sequence[Run]) -> None:
        self.system = system
        self.batches: list[ProgramBatch] = [batch_of([run.program]) for run in runs]
        knots = [np.array(run.program.oven.knots()[1]) for run in runs]
        self.lowest = float(min(T.min() for T in knots)) - 1.0
        self.highest = float(max(T.max() for T in knots)) + 1.0

    def tables(self, retention: Retention) -> dict[Controlled, MigrationTables]:
        kinds = {batch.controlled for batch in self.batches}
        return {
            kind: migration_tables(self.system, retention, kind, self.lowest, self.highest, TABLE_STEP)
            for kind in kinds
        }

    def times(
        self, tables: dict[Controlled, MigrationTables], flow_factors: Array, widths: bool = False
    ) -> tuple[Array, Array]:
        """Retention times and, when asked for, widths (standard deviations), both (R, M) [s]."""
        times, sigmas = [], []
        for batch, factor in zip(self.batches, flow_factors, strict=True):
            table = tables[batch.controlled]
            table = replace(table, system=replace(table.system, flow_factor=float(factor)))
            result = migrate(table, batch, "polish" if widths else "screen")
            times.append(np.where(result.eluted[0], result.retention_time[0], NEVER))
            sigmas.append(result.width[0])
        return np.array(times), np.array(sigmas)


def fit_retention(
    system: ColumnSystem,
    runs: Sequence[Run],
    names: Sequence[str] | None = None,
    flow_correction: FlowCorrection = "column",
) -> Fit:
    """Fit all runs jointly.

    Parameters
    ----------
    system : ColumnSystem with nominal dimensions
    runs : R runs of the same M compounds in the same order
    names : M names for the warnings
    flow_correction : one flow factor for the column, one a run, or none

    Raises
    ------
    InvalidInputError : without runs, or when a compound is in none of them
    """
    if not runs:
        raise InvalidInputError("a fit needs at least one scouting run")
    measured = np.array([run.retention for run in runs])
    labels = list(names) if names is not None else [f"compound {m + 1}" for m in range(measured.shape[1])]
    absent = [label for label, column in zip(labels, measured.T, strict=True) if np.all(np.isnan(column))]
    if absent:
        raise InvalidInputError(f"no run has a retention time for {', '.join(absent)}")
    repeatability = np.array([run.repeatability for run in runs])[:, None]
    sigma = np.hypot(repeatability, MODEL_ERROR * np.nan_to_num(measured))

    simulator = _Simulator(system, runs)
    beta = system.column.phase_ratio
    factors = np.ones(len(runs))
    parameters = _start(simulator, measured, sigma, factors, beta)
    for free in (np.array([True, True, False]), np.array([True, True, True])):
        parameters = _each_compound(simulator, parameters, measured, sigma, factors, beta, free)
    joint = _jointly(simulator, runs, parameters, measured, sigma, beta, flow_correction)
    return _finished(simulator, runs, labels, joint, measured, sigma, beta, flow_correction)


def _retention(parameters: Array) -> Retention:
    """(M, 3) array of T0, ln theta, dCp as Retention."""
    return Retention(parameters[:, 0], np.exp(parameters[:, 1]), parameters[:, 2])


def _start(simulator: _Simulator, measured: Array, sigma: Array, factors: Array, beta: float) -> Array:
    """T0 from a grid of typical compounds, interpolated in retention time run by run and averaged."""
    grid = np.linspace(simulator.lowest - 150.0, simulator.highest + 200.0, 120)
    typical = with_typical_values(grid, beta)
    times, _ = simulator.times(simulator.tables(typical), factors)
    T0 = np.array([np.interp(row, curve, grid) for row, curve in zip(measured, times, strict=True)])
    T0 = np.nanmean(np.where(np.isnan(measured), np.nan, T0), axis=0)
    return np.stack([T0, np.log(typical_theta(T0, beta)), typical_dCp(T0)], axis=1)


def _priors(parameters: Array, start: Array, beta: float) -> tuple[Array, Array]:
    """Standardised distances (M, 3) from typical and derivatives (M, 3, 3).

    Of ln theta and dCp, and, loosely, of T0 from where it was read off: an unretained peak says nothing of it.
    """

    def distance(p: Array) -> Array:
        return np.stack(
            [
                (p[:, 1] - np.log(typical_theta(p[:, 0], beta))) / LN_THETA_SPREAD,
                (p[:, 2] - typical_dCp(p[:, 0])) / DCP_SPREAD,
                (p[:, 0] - start[:, 0]) / T0_SPREAD,
            ],
            axis=1,
        )

    at = distance(parameters)
    slopes = [(distance(parameters + step) - at) / step.sum() for step in np.diag(PARAMETER_STEPS)]
    return at, np.stack(slopes, axis=2)


def _kept_possible(parameters: Array) -> Array:
    """Trial parameters (M, 3) with T0 kept above where the equations lose their meaning."""
    parameters[:, 0] = np.maximum(parameters[:, 0], COLDEST_T0)
    return parameters


def _with_derivatives(
    simulator: _Simulator, parameters: Array, factors: Array
) -> tuple[Array, Array, dict[Controlled, MigrationTables]]:
    """Times (R, M) and their derivatives (R, M, 3), from one set of tables of 4 M compounds."""
    base = _retention(parameters)
    tables = simulator.tables(with_moved_parameters(base))
    times, _ = simulator.times(tables, factors)
    blocks = times.reshape(times.shape[0], 4, len(base))
    slopes = (blocks[:, 1:] - blocks[:, :1]) / PARAMETER_STEPS[:, None]
    return blocks[:, 0], slopes.transpose(0, 2, 1), tables


def _each_compound(
    simulator: _Simulator,
    parameters: Array,
    measured: Array,
    sigma: Array,
    factors: Array,
    beta: float,
    free: NDArray[np.bool_],
) -> Array:
    """Levenberg-Marquardt for every compound by itself, all at once; flow factors stay."""
    start = parameters

    def evaluate(p: Array) -> tuple[Array, Array]:
        """Standardised distances (M, R+2) and derivatives (M, R+2, 3)."""
        times, slopes, _ = _with_derivatives(simulator, p, factors)
        distance = np.nan_to_num((times - measured) / sigma).T
        slope = np.where(np.isnan(measured)[:, :, None], 0.0, slopes / sigma[:, :, None]).transpose(1, 0, 2)
        prior, prior_slope = _priors(p, start, beta)
        return np.concatenate([distance, prior], axis=1), np.concatenate([slope, prior_slope], axis=1)

    damping = np.full(len(parameters), 1e-3)
    distance, slope = evaluate(parameters)
    for _ in range(40):
        J = slope * free
        normal = np.einsum("mri,mrj->mij", J, J)
        gradient = np.einsum("mri,mr->mi", J, distance)
        diagonal = np.einsum("mii->mi", normal)
        normal = normal + (damping[:, None] * diagonal + ~free + 1e-12)[:, :, None] * np.eye(3)
        step = -np.linalg.solve(normal, gradient[:, :, None])[:, :, 0] * free
        step = np.clip(step, -_LARGEST_STEPS, _LARGEST_STEPS)
        trial = _kept_possible(parameters + step)
        trial_distance, trial_slope = evaluate(trial)
        better = (trial_distance**2).sum(axis=1) < (distance**2).sum(axis=1)
        parameters = np.where(better[:, None], trial, parameters)
        distance = np.where(better[:, None], trial_distance, distance)
        slope = np.where(better[:, None, None], trial_slope, slope)
        damping = np.clip(np.where(better, damping / 5, damping * 5), 1e-9, 1e9)
        settled = (np.abs(step) < 0.05 * PARAMETER_STEPS).all(axis=1)
        if np.all(settled | (damping > 1e6)):
            break
    return parameters


@dataclass(frozen=True)
class _Joint:
    """A joint estimate: parameters (M, 3), ln flow factors (F,), normal matrix and its prior part.

    `chi_square` is the sum of squares of the `count` measured values alone.
    """

    parameters: Array
    ln_flow: Array
    normal: Array
    prior_normal: Array
    chi_square: float
    count: int


def _factors(ln_flow: Array, runs: int) -> Array:
    """Flow factor of each run (R,) from the F fitted logarithms."""
    result: Array = np.exp(np.broadcast_to(ln_flow, (runs,)))
    return result


def _jointly(
    simulator: _Simulator,
    runs: Sequence[Run],
    parameters: Array,
    measured: Array,
    sigma: Array,
    beta: float,
    flow_correction: FlowCorrection,
) -> _Joint:
    """Gauss-Newton with damping on all compounds and the flow factors."""
    start = parameters
    R, M = measured.shape
    F = R if flow_correction == "run" else 1
    spread = LN_FLOW_SPREAD[flow_correction]
    hold_up = np.array([np.nan if run.hold_up is None else run.hold_up for run in runs])
    hold_up_sigma = np.hypot([run.repeatability for run in runs], HOLD_UP_ERROR * np.nan_to_num(hold_up))
    unretained = simulator.tables(_UNRETAINED)
    known = ~np.isnan(measured)

    def evaluate(p: Array, ln_flow: Array) -> tuple[Array, Array, int]:
        """Standardised distances and derivatives, the measured ones first; the count of those."""
        factors = _factors(ln_flow, R)
        times, slopes, tables = _with_derivatives(simulator, p, factors)
        h = 1e-4
        moved = simulator.times(tables, factors * np.exp(h))[0][:, :M]
        air, air_moved = (simulator.times(unretained, f)[0][:, 0] for f in (factors, factors * np.exp(h)))
        J = np.zeros((R, M, 3 * M + F))
        m = np.arange(M)
        for i in range(3):
            J[:, m, i * M + m] = slopes[:, :, i]
        J_air = np.zeros((R, 3 * M + F))
        for r in range(R):
            J[r, :, 3 * M + (r if F > 1 else 0)] = (moved[r] - times[r]) / h
            J_air[r, 3 * M + (r if F > 1 else 0)] = (air_moved[r] - air[r]) / h
        prior, prior_slope = _priors(p, start, beta)
        J_prior = np.zeros((M, 3, 3 * M + F))
        for i in range(3):
            J_prior[m, :, i * M + m] = prior_slope[:, :, i]
        J_flow = np.zeros((F, 3 * M + F))
        J_flow[:, 3 * M :] = np.eye(F) / spread
        has_air = ~np.isnan(hold_up)
        distance = [
            ((times - measured) / sigma)[known],
            ((air - hold_up) / hold_up_sigma)[has_air],
            prior.ravel(),
            ln_flow / spread,
        ]
        slope = [
            (J / sigma[:, :, None])[known],
            (J_air / hold_up_sigma[:, None])[has_air],
            J_prior.reshape(3 * M, -1),
            J_flow,
        ]
        return np.concatenate(distance), np.concatenate(slope), int(known.sum() + has_air.sum())

    ln_flow = np.zeros(F)
    damping = 1e-6
    distance, J, count = evaluate(parameters, ln_flow)
    for _ in range(25):
        normal = J.T @ J
        damped = normal + np.diag(damping * np.diag(normal))
        step = -np.linalg.solve(damped, J.T @ distance)
        blocks = step[: 3 * M].reshape(3, M).T
        trial = _kept_possible(parameters + np.clip(blocks, -_LARGEST_STEPS, _LARGEST_STEPS))
        trial_flow = ln_flow + np.clip(step[3 * M :], -0.1, 0.1)
        trial_distance, trial_J, _ = evaluate(trial, trial_flow)
        gain = float(distance @ distance - trial_distance @ trial_distance)
        if gain > 0:
            parameters, ln_flow, distance, J = trial, trial_flow, trial_distance, trial_J
            damping = max(damping / 10, 1e-9)
        else:
            damping *= 10
        if abs(gain) < 1e-6 * float(distance @ distance) + 1e-9 or damping > 1e3:
            break
    chi_square = float(distance[:count] @ distance[:count])
    return _Joint(parameters, ln_flow, J.T @ J, J[count:].T @ J[count:], chi_square, count)


def _finished(
    simulator: _Simulator,
    runs: Sequence[Run],
    names: Sequence[str],
    joint: _Joint,
    measured: Array,
    sigma: Array,
    beta: float,
    flow_correction: FlowCorrection,
) -> Fit:
    R, M = measured.shape
    retention = _retention(joint.parameters)
    factors = _factors(joint.ln_flow, R)
    covariance = np.linalg.inv(joint.normal).astype(np.float64)
    # Of all that was measured, what the effective number of parameters leaves over tests the fit; where the
    # residuals are larger than stated, so is the uncertainty.
    effective = float(np.trace(covariance @ (joint.normal - joint.prior_normal)))
    freedom = joint.count - effective
    excess = joint.chi_square / freedom if freedom >= TESTABLE_FREEDOM else 1.0
    covariance *= max(1.0, excess)
    system = replace(simulator.system, flow_factor=float(np.exp(np.mean(joint.ln_flow))))

    tables = simulator.tables(retention)
    times, widths = simulator.times(tables, factors, widths=True)
    plate_height_factor, injection_width, widths_fitted = _band_width(
        simulator, runs, tables, factors, widths
    )
    system = replace(system, plate_height_factor=plate_height_factor, injection_width=injection_width)
    residual = np.where(np.isnan(measured), np.nan, times - measured)
    hold_up = simulator.times(simulator.tables(_UNRETAINED), factors)[0][:, 0]
    uncorrected = simulator.times(simulator.tables(_UNRETAINED), np.ones(R))[0][:, 0]
    standardised = residual / sigma
    fit = Fit(
        system=system,
        retention=retention,
        standard_error=np.sqrt(np.diag(covariance)[: 3 * M]).reshape(3, M).T,
        prior_weight=np.clip((np.diag(covariance) * np.diag(joint.prior_normal))[: 3 * M], 0, 1)
        .reshape(3, M)
        .T,
        residual=residual,
        standardised=standardised,
        flow_factors=factors,
        covariance=covariance,
        hold_up=hold_up,
        widths_fitted=widths_fitted,
        chi_square=joint.chi_square,
        degrees_of_freedom=max(freedom, 0.0),
        testable=bool(np.any((~np.isnan(measured)).sum(axis=0) > 2)),
        warnings=(),
    )
    return replace(fit, warnings=tuple(warnings_of(fit, runs, names, uncorrected, flow_correction)))


def _band_width(
    simulator: _Simulator,
    runs: Sequence[Run],
    tables: dict[Controlled, MigrationTables],
    factors: Array,
    widths: Array,
) -> tuple[float, float, bool]:
    """Plate height factor and injected width from measured half-height widths.

    Variances add: measured = factor x computed + (injected width)^2 x its share that reaches the outlet, linear
    and non-negative in both unknowns.
    """
    measured = np.array([run.width_half for run in runs]) / HALF_HEIGHT_WIDTH
    known = np.isfinite(measured) & np.isfinite(widths)
    if known.sum() < 3:
        return ASSUMED_PLATE_HEIGHT_FACTOR, 0.0, False
    second = {
        kind: replace(table, system=replace(table.system, injection_width=1.0))
        for kind, table in tables.items()
    }
    with_injection = simulator.times(second, factors, widths=True)[1]
    columns = np.stack([widths[known] ** 2, (with_injection**2 - widths**2)[known]], axis=1)
    weight = 1.0 / (2 * WIDTH_ERROR * measured[known] ** 2)
    solution, _ = nnls(columns * weight[:, None], measured[known] ** 2 * weight)
    if solution[0] <= 0:
        return ASSUMED_PLATE_HEIGHT_FACTOR, 0.0, False
    return float(solution[0]), float(np.sqrt(solution[1])), True
