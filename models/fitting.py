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
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from scipy.optimize import least_squares, nnls

from models.compound_fits import (
    COLDEST_T0,
    DCP_SPREAD,
    CompoundFits,
    Simulator,
    at,
    fit_each,
    priors,
    retention_of,
)
from models.days import FARTHEST, Days, DayToDay, days_of
from models.errors import InvalidInputError
from models.fit import (
    ASSUMED_PLATE_HEIGHT_FACTOR,
    ASSUMED_WIDTH_COVARIANCE,
    LEAST_WIDTH_SCATTER,
    LN_FLOW_SPREAD,
    LN_THETA_SPREAD,
    MODEL_ERROR,
    OVEN_LAG_SPREAD,
    USUAL_OVEN_LAG,
    WIDTH_ERROR,
    Fit,
    FlowCorrection,
    Run,
    Suspect,
)
from models.fit_diagnosis import warnings_of
from models.programs import Array
from models.resolution import HALF_HEIGHT_WIDTH
from models.retention import (
    UNRETAINED,
)
from models.system import ColumnSystem
from models.wrong_peaks import Mask, look_worth, peaks_of, suspects_of

__all__ = ["Fit", "FlowCorrection", "Run", "fit_retention", "shared_by_all"]

HOLD_UP_ERROR = 0.005  # of a measured hold-up time, beside the run's repeatability
# How far ln theta and dCp [J/mol/K] of a phase lie from typical on the whole, within the spreads of single compounds.
OFFSET_SPREADS = (0.11, 14.0)
SPREADS = np.array([LN_THETA_SPREAD, DCP_SPREAD])
OWN_SHARE = np.sqrt(1 - (np.array(OFFSET_SPREADS) / SPREADS) ** 2)  # of the spread, a compound's own
LARGEST_LAG = 60.0  # s
TOLERANCE = 1e-6  # of the sum of squares; a hundredth of it changes the last digit of nothing
MOST_EVALUATIONS = 150
NOISE_ROUNDS, MUCH = 8, 1.1  # joint fits with other noise, and the excess of variance that calls for one
TESTABLE_FREEDOM = 3.0  # degrees of freedom from which residuals say something of the noise


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
    joint = _jointly(simulator, runs, alone.parameters, measured, sigma, flow_correction, days)
    suspects = _suspects(simulator, runs, alone, joint, measured, sigma, flow_correction, days)
    for _ in range(NOISE_ROUNDS):
        if joint.excess < MUCH:
            break
        # While it is taken for little, each compound takes noise up; the more it is believed, the more of it shows.
        noise = joint.noise * float(np.sqrt(joint.excess))
        joint = _jointly(simulator, runs, alone.parameters, measured, sigma, flow_correction, days, noise)
    return _finished(simulator, runs, labels, joint, measured, sigma, flow_correction, suspects)


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
    joint = _jointly(simulator, runs, alone.parameters, measured, sigma, flow_correction, days)
    return joint.factors, simulator.lagging(joint.lag)


def _suspects(
    simulator: Simulator,
    runs: Sequence[Run],
    alone: CompoundFits,
    joint: _Joint,
    measured: Array,
    sigma: Array,
    flow_correction: FlowCorrection,
    days: Days,
) -> tuple[Suspect, ...]:
    """Peaks that are probably wrong; a closer look only when a compound is improbable in the joint fit."""
    missing = np.full(measured.shape[1], np.nan)
    areas = np.array([missing if run.area is None else run.area for run in runs])
    peaks = peaks_of(measured, sigma, areas)
    found = joint.simulator
    fitted = at(found, joint.parameters, alone.parameters, measured, sigma, joint.factors)
    if not look_worth(fitted.chi_square, peaks).any():
        return ()

    def joint_of(sound: Mask) -> tuple[Array, Array, Simulator]:
        start, times, errors = alone.parameters[sound], measured[:, sound], sigma[:, sound]
        part = _jointly(simulator, runs, start, times, errors, flow_correction, days)
        return part.parameters, part.factors, part.simulator

    return suspects_of(found, peaks, alone, joint_of)


@dataclass(frozen=True)
class _Joint:
    """A joint estimate: parameters (M, 3), ln flow factors (F,), the oven's lag [s], normal matrix and its prior part.

    The last rows of the matrices are of what typical values have in common and of the days' errors, see `_jointly`.
    `simulator` and `factors` (R,) are those of the runs with the lag and on their days.

    `noise` is what the stated errors were multiplied by, `chi_square` the sum of squares of the `count` measured values
    alone, over that; `settled` whether the fit came to rest.
    """

    parameters: Array
    ln_flow: Array
    lag: float
    simulator: Simulator
    factors: Array
    normal: Array
    prior_normal: Array
    chi_square: float
    count: int
    settled: bool
    noise: float

    @cached_property
    def freedom(self) -> float:
        """Of all that was measured, what the effective number of parameters leaves over to test the fit."""
        return self.count - float(np.trace(np.linalg.solve(self.normal, self.normal - self.prior_normal)))

    @property
    def excess(self) -> float:
        """By how much variances are larger than they were taken for; 1 where too little is left over to tell."""
        return self.chi_square / self.freedom if self.freedom >= TESTABLE_FREEDOM else 1.0


def _factors(ln_flow: Array, runs: int) -> Array:
    """Flow factor of each run (R,) from the F fitted logarithms."""
    result: Array = np.exp(np.broadcast_to(ln_flow, (runs,)))
    return result


def _jointly(
    simulator: Simulator,
    runs: Sequence[Run],
    parameters: Array,
    measured: Array,
    sigma: Array,
    flow_correction: FlowCorrection,
    days: Days,
    noise: float = 1.0,
) -> _Joint:
    """All compounds and what they share together, by a trust region (scipy's, after Branch, Coleman and Li).

    They share F ln flow factors, the oven's lag [s], and how far the phase's ln theta and dCp lie from typical on
    the whole: without the last two, many compounds together would seem to know typical theta far better than one
    does, and the lag, which two ramps tell from theta hardly at all, would follow. Runs of one day share its errors.
    """
    start = parameters
    R, M = measured.shape
    F, E = R if flow_correction == "run" else 1, days.count
    middle = np.array([*np.zeros(F), USUAL_OVEN_LAG, 0.0, 0.0, *np.zeros(E)])
    flow_spread = np.full(F, LN_FLOW_SPREAD[flow_correction])
    spread = np.array([*flow_spread, OVEN_LAG_SPREAD, *OFFSET_SPREADS, *np.ones(E)])
    zeros = days.zeros if E else None
    scatter = SPREADS * OWN_SHARE
    rescale = np.array([*(1 / OWN_SHARE), 1.0])
    hold_up = np.array([np.nan if run.hold_up is None else run.hold_up for run in runs])
    hold_up_sigma = np.hypot([run.repeatability for run in runs], HOLD_UP_ERROR * np.nan_to_num(hold_up))
    sigma, hold_up_sigma = noise * sigma, noise * hold_up_sigma
    unretained = simulator.tables(UNRETAINED)
    known = ~np.isnan(measured)

    size = 3 * M + F + 3 + E
    offsets = slice(3 * M + F + 1, 3 * M + F + 3)

    def on_their_days(shared: Array) -> tuple[Simulator, Array]:
        """The runs, and their flow factors, with what they share."""
        factors, lagging = _factors(shared[:F], R), simulator.lagging(float(shared[F]))
        if not E:
            return lagging, factors
        off = days.off(shared[F + 3 :])
        return lagging.set_off(off[:, 0], off[:, 1], days.zeros), factors * np.exp(off[:, 2])

    def evaluate(p: Array, shared: Array) -> tuple[Array, Array, int]:
        """Standardised distances and derivatives, the measured ones first; the count of those."""
        then, factors = on_their_days(shared)
        found = then.slopes(simulator.tables(retention_of(p)), factors, zeros)
        air = then.slopes(unretained, factors, zeros)
        J = np.zeros((R, M, size))
        J[:, :, 3 * M + F] = found.by_lag
        m = np.arange(M)
        for i in range(3):
            J[:, m, i * M + m] = found.by_retention[:, :, i]
        J_air = np.zeros((R, size))
        for r in range(R):
            J[r, :, 3 * M + (r if F > 1 else 0)] = found.by_ln_flow[r]
            J_air[r, 3 * M + (r if F > 1 else 0)] = air.by_ln_flow[r, 0]
        if E:
            J[:, :, -E:] = days.slopes(found.by_set_points)
            J_air[:, -E:] = days.slopes(air.by_set_points)[:, 0]
        prior, prior_slope = priors(p, start, simulator.phase_ratio)
        prior, prior_slope = rescale * prior, rescale[:, None] * prior_slope
        prior[:, :2] -= shared[F + 1 : F + 3] / scatter
        J_prior = np.zeros((M, 3, size))
        for i in range(3):
            J_prior[m, :, i * M + m] = prior_slope[:, :, i]
        J_prior[:, [0, 1], np.arange(size)[offsets]] = -1 / scatter
        J_shared = np.zeros((F + 3 + E, size))
        J_shared[:, 3 * M :] = np.diag(1 / spread)
        has_air = ~np.isnan(hold_up)
        distance = [
            ((found.times - measured) / sigma)[known],
            ((air.times[:, 0] - hold_up) / hold_up_sigma)[has_air],
            prior.ravel(),
            (shared - middle) / spread,
        ]
        slope = [
            (J / sigma[:, :, None])[known],
            (J_air / hold_up_sigma[:, None])[has_air],
            J_prior.reshape(3 * M, -1),
            J_shared,
        ]
        return np.concatenate(distance), np.concatenate(slope), int(known.sum() + has_air.sum())

    def unpacked(x: Array) -> tuple[Array, Array]:
        return x[: 3 * M].reshape(3, M).T, x[3 * M :]

    latest: dict[bytes, tuple[Array, Array, int]] = {}

    def evaluated(x: Array) -> tuple[Array, Array, int]:
        """`evaluate` at a point, kept for the derivatives that are asked for after the distances."""
        key = x.tobytes()
        if key not in latest:
            latest.clear()
            latest[key] = evaluate(*unpacked(x))
        return latest[key]

    low, high = np.full(size, -np.inf), np.full(size, np.inf)
    low[:M], low[3 * M + F], high[3 * M + F] = COLDEST_T0, 0.0, LARGEST_LAG
    low[size - E :], high[size - E :] = -FARTHEST, FARTHEST
    solution = least_squares(
        lambda x: evaluated(x)[0],
        np.clip(np.concatenate([parameters.T.ravel(), middle]), low, high),
        jac=lambda x: evaluated(x)[1],
        bounds=(low, high),
        x_scale="jac",
        ftol=TOLERANCE,
        xtol=1e-10,
        gtol=1e-10,
        max_nfev=MOST_EVALUATIONS,
    )
    parameters, shared = unpacked(solution.x)
    distance, J, count = evaluated(solution.x)
    chi_square = float(distance[:count] @ distance[:count])
    normal, prior_normal = J.T @ J, J[count:].T @ J[count:]
    settled = bool(solution.status > 0)
    then, factors = on_their_days(shared)
    lag = float(shared[F])
    return _Joint(
        parameters, shared[:F], lag, then, factors, normal, prior_normal, chi_square, count, settled, noise
    )


def _finished(
    simulator: Simulator,
    runs: Sequence[Run],
    names: Sequence[str],
    joint: _Joint,
    measured: Array,
    sigma: Array,
    flow_correction: FlowCorrection,
    suspects: tuple[Suspect, ...],
) -> Fit:
    R, M = measured.shape
    retention, F = retention_of(joint.parameters), len(joint.ln_flow)
    # Where residuals are larger than stated, so is the uncertainty; typical values know what they knew before.
    measured_normal = (joint.normal - joint.prior_normal) / max(joint.excess, 1.0)
    covariance = np.linalg.inv(measured_normal + joint.prior_normal).astype(np.float64)
    covariance = covariance[: 3 * M + F + 1, : 3 * M + F + 1]
    # What typical values say of one compound by itself, its share in what they have in common included.
    typical = np.diag(joint.prior_normal)[: 3 * M].reshape(3, M) * np.array([1.0, *OWN_SHARE**2])[:, None]
    system = replace(simulator.system, flow_factor=float(np.exp(np.mean(joint.ln_flow))), oven_lag=joint.lag)
    times, widths, injected = joint.simulator.peaks(simulator.tables(retention), joint.factors)
    bands = _band_width(runs, widths, injected)
    system = replace(
        system, plate_height_factor=bands.plate_height_factor, injection_width=bands.injection_width
    )
    residual = np.where(np.isnan(measured), np.nan, times - measured)
    unretained = simulator.tables(UNRETAINED)
    hold_up = joint.simulator.times(unretained, joint.factors)[:, 0]
    uncorrected = simulator.lagging(joint.lag).times(unretained, np.ones(R))[:, 0]
    standardised = residual / sigma
    fit = Fit(
        system=system,
        retention=retention,
        standard_error=np.sqrt(np.diag(covariance)[: 3 * M]).reshape(3, M).T,
        prior_weight=np.clip(np.diag(covariance)[: 3 * M].reshape(3, M) * typical, 0, 1).T,
        residual=residual,
        standardised=standardised,
        flow_factors=_factors(joint.ln_flow, R),
        covariance=covariance,
        hold_up=hold_up,
        widths_fitted=bands.fitted,
        chi_square=joint.chi_square * joint.noise**2,
        degrees_of_freedom=max(joint.freedom, 0.0),
        testable=bool(np.any((~np.isnan(measured)).sum(axis=0) > 2)),
        warnings=(),
        width_covariance=bands.covariance,
        width_scatter=bands.scatter,
        suspects=suspects,
        lag_fitted=True,
        settled=joint.settled,
    )
    return replace(fit, warnings=tuple(warnings_of(fit, runs, names, uncorrected, flow_correction)))


@dataclass(frozen=True)
class _Bands:
    """What the measured widths say: see the attributes of `Fit`."""

    plate_height_factor: float = ASSUMED_PLATE_HEIGHT_FACTOR
    injection_width: float = 0.0
    fitted: bool = False
    covariance: Array = field(default_factory=lambda: ASSUMED_WIDTH_COVARIANCE)
    scatter: float = WIDTH_ERROR


def _band_width(runs: Sequence[Run], widths: Array, injected: Array) -> _Bands:
    """Plate height factor and injected width from measured half-height widths, and how far they scatter.

    Widths are those of a sharp injection, `injected` the share of an injected variance that arrives, both (R, M).

    Variances add: measured = factor x computed + (injected width)^2 x its share that reaches the outlet, linear
    and non-negative in both unknowns.
    """
    measured = np.array([run.width_half for run in runs]) / HALF_HEIGHT_WIDTH
    known = np.isfinite(measured) & np.isfinite(widths)
    if known.sum() < 3:
        return _Bands()
    columns = np.stack([widths[known] ** 2, injected[known]], axis=1)
    variance = measured[known] ** 2
    weight = 1.0 / (2 * WIDTH_ERROR * variance)
    solution, _ = nnls(columns * weight[:, None], variance * weight)
    if solution[0] <= 0:
        return _Bands()
    off = variance / (columns @ solution) - 1  # twice the relative error of a width
    freedom = known.sum() - np.count_nonzero(solution)
    scatter = max(float(np.sqrt((off**2).sum() / freedom)) / 2, LEAST_WIDTH_SCATTER)
    by_log = columns * weight[:, None] * np.array([solution[0], 1.0])
    covariance = np.linalg.inv(by_log.T @ by_log) * (scatter / WIDTH_ERROR) ** 2
    return _Bands(float(solution[0]), float(np.sqrt(solution[1])), True, covariance, scatter)
