"""From scouting runs to retention parameters and column corrections: one weighted fit of all runs.

Three parameters a compound (T0, ln theta, dCp) and one or more flow factors minimise

    sum ((predicted - measured)/sigma)^2 + sum ((parameter - typical)/spread)^2

over all retention times and measured hold-up times. sigma combines the stated repeatability of a run with a
small model error. The typical values are priors: they carry what the runs cannot say (two ramps hardly see dCp)
and fade where the runs speak; how much of each parameter came from them is reported.

The start is read off a grid of T0 with typical theta and dCp; then T0 and theta are fitted compound by compound,
then dCp is released, then everything is fitted jointly with what is shared (`joint_fit`): a direct start of all
three often ends elsewhere. What measured widths say follows from the times as fitted (`widths`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from models.column.programs import Array
from models.column.scaling import ln_velocities
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
    FARTHEST,
    MODEL_ERROR,
    USUAL_OVEN_LAG,
    DayToDay,
    Fit,
    FlowCorrection,
    Run,
    Suspect,
    days_of,
)
from models.fit.joint_fit import Joint, fit_jointly, flow_factors, joint_problem
from models.fit.model_error import extremes
from models.fit.named_peaks import peaks_of
from models.fit.odds import NAMED
from models.fit.widths import diffusion_prior, fit_widths, spreads_of
from models.fit.wrong_peaks import Mask, look_worth, suspects_of
from models.peaks.detection import without_detector
from models.peaks.resolution import HALF_HEIGHT_WIDTH

__all__ = ["Fit", "FlowCorrection", "Run", "fit_retention", "shared_by_all"]

NOISE_ROUNDS, MUCH = 8, 1.1  # joint fits with other noise, and the excess of variance that calls for one


def fit_retention(
    system: ColumnSystem,
    runs: Sequence[Run],
    names: Sequence[str] | None = None,
    flow_correction: FlowCorrection = "column",
    day_to_day: DayToDay | None = None,
    formulas: Sequence[str | None] | None = None,
) -> Fit:
    """Fit all runs jointly.

    Parameters
    ----------
    system : ColumnSystem with nominal dimensions
    runs : R runs of the same M compounds in the same order
    names : M names for the warnings
    flow_correction : one flow factor for the column, one a run, or none
    day_to_day : how far runs of other days than the first run's are off; None: not at all
    formulas : M formulas of the compounds such as "C10H22O", None where unknown

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
    return _finished(runs, labels, formulas or [None] * len(labels), joint, suspects)


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
    """Peaks that may be wrong; a closer look only when a compound is improbable in the joint fit."""
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
    formulas: Sequence[str | None],
    joint: Joint,
    suspects: tuple[Suspect, ...],
) -> Fit:
    problem, parameters = joint.problem, joint.parameters
    simulator, measured, R = problem.simulator, problem.measured, problem.runs
    retention, covariance = retention_of(parameters), joint.covariance
    variance = np.diag(covariance)[: parameters.size].reshape(3, -1).T
    system = replace(simulator.system, flow_factor=float(np.exp(np.mean(joint.ln_flow))), oven_lag=joint.lag)
    then, factors = joint.on_their_days
    times, bands, temperature = then.bands(simulator.tables(retention), factors)
    widths = fit_widths(
        bands,
        without_detector(
            np.array([run.width_half for run in runs]) / HALF_HEIGHT_WIDTH, system.detector_variance
        ),
        diffusion_prior(system.gas, retention, system.column, formulas),
        spreads_of(system.column),
    )
    system = replace(
        system,
        plate_height_factor=widths.plate_height_factor,
        injection_width=widths.injection_width,
        film_diffusion_factor=widths.film_diffusion_factor,
        eddy_factor=widths.eddy_factor,
    )
    residual = np.where(np.isnan(measured), np.nan, times - measured)
    unretained = problem.unretained
    hold_up = then.times(unretained, factors)[:, 0]
    uncorrected = simulator.lagging(joint.lag).times(unretained, np.full(R, system.column.free_bore_factor))[
        :, 0
    ]
    standardised = residual / problem.sigma
    fit = Fit(
        system=system,
        retention=retention,
        standard_error=np.sqrt(variance),
        prior_weight=joint.prior_weight,
        residual=residual,
        standardised=standardised,
        flow_factors=flow_factors(joint.ln_flow, R),
        covariance=covariance,
        hold_up=hold_up,
        widths_fitted=widths.fitted,
        chi_square=joint.chi_square * problem.noise**2,
        degrees_of_freedom=max(joint.freedom, 0.0),
        testable=bool(np.any((~np.isnan(measured)).sum(axis=0) > 2)),
        warnings=(),
        ln_diffusion=widths.ln_diffusion,
        width_covariance=widths.covariance,
        width_scatter=widths.scatter,
        scouted=extremes(np.where(np.isnan(measured), np.nan, temperature)),
        scouted_velocity=extremes(np.array([ln_velocities(system, each)[0] for each in simulator.batches])),
        suspects=tuple(each for each in suspects if each.wrong > NAMED),
        doubts=tuple(each for each in suspects if each.wrong <= NAMED),
        lag_fitted=True,
        settled=joint.settled,
    )
    return replace(fit, warnings=tuple(warnings_of(fit, runs, names, uncorrected, problem.flow_correction)))
