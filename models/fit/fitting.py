"""From scouting runs to retention parameters and column corrections: one weighted fit of all runs.

Three parameters a compound (T0, ln theta, dCp) and one or more flow factors minimise

    sum ((predicted - measured)/sigma)^2 + sum ((parameter - typical)/spread)^2

over all retention times and measured hold-up times. sigma combines the stated repeatability of a run with a
small model error. The typical values are priors: they carry what the runs cannot say (two ramps hardly see dCp)
and fade where the runs speak; how much of each parameter came from them is reported.

The start is read off a grid of T0 with typical theta and dCp; then T0 and theta are fitted compound by compound,
then dCp is released, then everything is fitted jointly with what is shared (`joint_fit`): a direct start of all
three often ends elsewhere. Efficiency and injected width follow from measured widths, in which they are linear
(variances add).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from scipy.optimize import nnls

from models.column.programs import Array
from models.column.system import ColumnSystem
from models.errors import InvalidInputError
from models.fit.compound_fits import (
    CompoundFits,
    Simulator,
    at,
    fit_each,
    retention_of,
)
from models.fit.diagnosis import warnings_of
from models.fit.fit import (
    ASSUMED_PLATE_HEIGHT_FACTOR,
    ASSUMED_WIDTH_COVARIANCE,
    FARTHEST,
    LEAST_WIDTH_SCATTER,
    MODEL_ERROR,
    USUAL_OVEN_LAG,
    WIDTH_ERROR,
    DayToDay,
    Fit,
    FlowCorrection,
    Run,
    Suspect,
    days_of,
)
from models.fit.joint_fit import Joint, fit_jointly, flow_factors, joint_problem
from models.fit.wrong_peaks import Mask, look_worth, peaks_of, suspects_of
from models.peaks.resolution import HALF_HEIGHT_WIDTH

__all__ = ["Fit", "FlowCorrection", "Run", "fit_retention", "shared_by_all"]

NOISE_ROUNDS, MUCH = 8, 1.1  # joint fits with other noise, and the excess of variance that calls for one


def fit_retention(
    system: ColumnSystem,
    runs: Sequence[Run],
    names: Sequence[str] | None = None,
    flow_correction: FlowCorrection = "column",
    day_to_day: DayToDay | None = None,
) -> Fit:
    """Fit all runs jointly.

    Parameters
    ----------
    system : ColumnSystem with nominal dimensions
    runs : R runs of the same M compounds in the same order
    names : M names for the warnings
    flow_correction : one flow factor for the column, one a run, or none
    day_to_day : how far runs of other days than the first run's are off; None: not at all

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

    day_to_day = day_to_day or DayToDay()
    days = days_of(runs, day_to_day)
    room = FARTHEST * day_to_day.oven if days.count else 0.0
    simulator = Simulator(replace(system, oven_lag=USUAL_OVEN_LAG), runs, room)
    alone = fit_each(simulator, measured, sigma, np.ones(len(runs)))
    joint = fit_jointly(
        joint_problem(simulator, runs, alone.parameters, measured, sigma, flow_correction, days)
    )
    suspects = _suspects(runs, alone, joint)
    for _ in range(NOISE_ROUNDS):
        if joint.excess < MUCH:
            break
        # While it is taken for little, each compound takes noise up; the more it is believed, the more of it shows.
        noise = joint.problem.noise * float(np.sqrt(joint.excess))
        joint = fit_jointly(replace(joint.problem, noise=noise), joint.point)
    return _finished(runs, labels, joint, suspects)


def shared_by_all(
    simulator: Simulator,
    runs: Sequence[Run],
    measured: Array,
    sigma: Array,
    flow_correction: FlowCorrection,
) -> tuple[Array, Simulator]:
    """Flow factor of each run (R,) and the oven's lag, as a simulator with it, from a joint fit.

    `measured` and `sigma` are (R, M) [s]; of `runs` the rest is used, but for their days.
    """
    alone = fit_each(simulator, measured, sigma, np.ones(len(runs)))
    days = days_of(runs, DayToDay())
    joint = fit_jointly(
        joint_problem(simulator, runs, alone.parameters, measured, sigma, flow_correction, days)
    )
    return joint.on_their_days[1], simulator.lagging(joint.lag)


def _suspects(runs: Sequence[Run], alone: CompoundFits, joint: Joint) -> tuple[Suspect, ...]:
    """Peaks that are probably wrong; a closer look only when a compound is improbable in the joint fit."""
    problem = joint.problem
    missing = np.full(problem.measured.shape[1], np.nan)
    areas = np.array([missing if run.area is None else run.area for run in runs])
    peaks = peaks_of(problem.measured, problem.sigma, areas)
    found, factors = joint.on_their_days
    fitted = at(found, joint.parameters, alone.parameters, problem.measured, problem.sigma, factors)
    if not look_worth(fitted.chi_square, peaks).any():
        return ()

    def joint_of(sound: Mask) -> tuple[Array, Array, Simulator]:
        part = fit_jointly(problem.of(sound))
        simulator, factors = part.on_their_days
        return part.parameters, factors, simulator

    return suspects_of(found, peaks, alone, joint_of)


def _finished(
    runs: Sequence[Run],
    names: Sequence[str],
    joint: Joint,
    suspects: tuple[Suspect, ...],
) -> Fit:
    problem, parameters = joint.problem, joint.parameters
    simulator, measured, R = problem.simulator, problem.measured, problem.runs
    retention, covariance = retention_of(parameters), joint.covariance
    variance = np.diag(covariance)[: parameters.size].reshape(3, -1).T
    system = replace(simulator.system, flow_factor=float(np.exp(np.mean(joint.ln_flow))), oven_lag=joint.lag)
    then, factors = joint.on_their_days
    times, widths, injected = then.peaks(simulator.tables(retention), factors)
    bands = _band_width(runs, widths, injected, simulator.system.detector_variance)
    system = replace(
        system, plate_height_factor=bands.plate_height_factor, injection_width=bands.injection_width
    )
    residual = np.where(np.isnan(measured), np.nan, times - measured)
    unretained = problem.unretained
    hold_up = then.times(unretained, factors)[:, 0]
    uncorrected = simulator.lagging(joint.lag).times(unretained, np.ones(R))[:, 0]
    standardised = residual / problem.sigma
    fit = Fit(
        system=system,
        retention=retention,
        standard_error=np.sqrt(variance),
        prior_weight=np.clip(variance * joint.typical_information, 0, 1),
        residual=residual,
        standardised=standardised,
        flow_factors=flow_factors(joint.ln_flow, R),
        covariance=covariance,
        hold_up=hold_up,
        widths_fitted=bands.fitted,
        chi_square=joint.chi_square * problem.noise**2,
        degrees_of_freedom=max(joint.freedom, 0.0),
        testable=bool(np.any((~np.isnan(measured)).sum(axis=0) > 2)),
        warnings=(),
        width_covariance=bands.covariance,
        width_scatter=bands.scatter,
        suspects=suspects,
        lag_fitted=True,
        settled=joint.settled,
    )
    return replace(fit, warnings=tuple(warnings_of(fit, runs, names, uncorrected, problem.flow_correction)))


@dataclass(frozen=True)
class _Bands:
    """What the measured widths say: see the attributes of `Fit`."""

    plate_height_factor: float = ASSUMED_PLATE_HEIGHT_FACTOR
    injection_width: float = 0.0
    fitted: bool = False
    covariance: Array = field(default_factory=lambda: ASSUMED_WIDTH_COVARIANCE)
    scatter: float = WIDTH_ERROR


def _band_width(runs: Sequence[Run], widths: Array, injected: Array, detector: float) -> _Bands:
    """Plate height factor and injected width from measured half-height widths, and how far they scatter.

    Widths are those of a sharp injection, `injected` the share of an injected variance that arrives, both (R, M);
    `detector` is the detector's variance [s2], held in both measured and computed widths.

    Variances add: measured - detector's = factor x (computed - detector's) + (injected width)^2 x its share that
    reaches the outlet, linear and non-negative in both unknowns.
    """
    measured = np.array([run.width_half for run in runs]) / HALF_HEIGHT_WIDTH
    known = np.isfinite(measured) & np.isfinite(widths)
    if known.sum() < 3:
        return _Bands()
    columns = np.stack([widths[known] ** 2 - detector, injected[known]], axis=1)
    variance = measured[known] ** 2
    weight = 1.0 / (2 * WIDTH_ERROR * variance)
    solution, _ = nnls(columns * weight[:, None], (variance - detector) * weight)
    if solution[0] <= 0:
        return _Bands()
    off = variance / (columns @ solution + detector) - 1  # twice the relative error of a width
    freedom = known.sum() - np.count_nonzero(solution)
    scatter = max(float(np.sqrt((off**2).sum() / freedom)) / 2, LEAST_WIDTH_SCATTER)
    by_log = columns * weight[:, None] * np.array([solution[0], 1.0])
    covariance = np.linalg.inv(by_log.T @ by_log) * (scatter / WIDTH_ERROR) ** 2
    return _Bands(float(solution[0]), float(np.sqrt(solution[1])), True, covariance, scatter)
