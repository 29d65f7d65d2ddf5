"""What a run would teach about the fit's parameters, and what that means for resolutions: linear and Gaussian.

The fit's parameters (three a compound, and the logarithms of the flow factors) have the covariance C. A run whose
retention times have the derivatives J by them, and errors of variance S each on its own, leaves

    C' = C - C J' (J C J' + S)^-1 J C                                                                  [1]

whatever times it will find. S combines repeatability and model error, as in the fit, and what oven and carrier may be
off on the day of the run, within their tolerances: that is common to its times, and so stands beside the diagonal of S.
A resolution with the derivatives g has the variance g' C g.

[1] is the usual update of a normal posterior by a linear measurement (any text on linear regression).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from models.column.programs import Array, Program, batch_of
from models.column.retention import UNRETAINED
from models.fit.compound_fits import Simulator
from models.fit.fit import MODEL_ERROR, Fit, Run
from models.fit.joint_fit import HOLD_UP_ERROR, TESTABLE_FREEDOM
from models.fit.model_error import extremes
from models.peaks.resolution import HALF_HEIGHT_WIDTH
from models.peaks.sensitivity import sensitivity
from optimizer.goal.covariance import tolerated
from optimizer.goal.goal import Problem
from optimizer.goal.robustness import flow_scatter
from optimizer.scenario.data import Scenario

MERGED = 0.6  # resolution below which two peaks of a run give one apex, and no time of their own


def resolution_slopes(problem: Problem, program: Program, retention: Array, width: Array) -> Array:
    """Derivatives (P, 3 M + F) of the counted pairs' resolutions by the parameters of `with_next_flow`.

    Parameters
    ----------
    retention, width : (M,) arrays  [s], of the program, the latter at half height
    """
    found = problem.robustness.sensitivity(batch_of([program]))
    M = len(retention)
    index = problem.pairs.index
    base = problem.pair_resolutions(
        retention, width, None if found.front is None else problem.tailing_with(found.front[0])
    )
    later = np.sign(retention[index[:, 1]] - retention[index[:, 0]])
    # Widths stay: what is measured of them anchors them whatever becomes of the retention parameters.
    by_time = np.zeros((len(index), M))
    rows = np.arange(len(index))
    apart = np.maximum(np.abs(retention[index[:, 1]] - retention[index[:, 0]]), 1e-6)
    for side, sign in ((0, -1.0), (1, 1.0)):
        by_time[rows, index[:, side]] = sign * later * base / apart
    own = np.stack([by_time * found.by_retention[0, 0, i] for i in range(3)], axis=1)
    flow = by_time @ found.by_shared[0, 0, 0]
    # The next program has the mean of the fitted flows, as when draws are made.
    fit = problem.fit
    count = fit.flows.stop - fit.flows.start
    flows = np.repeat(flow[:, None] / max(count, 1), count, axis=1)
    lag = by_time @ found.by_shared[0, 0, 5]
    lags = np.repeat(lag[:, None], int(fit.lag_fitted), axis=1)
    next_flow = np.zeros((len(index), int(_own_flow(problem.scenario))))
    return np.concatenate([own.reshape(len(index), 3 * M), flows, lags, next_flow], axis=1)


def with_next_flow(fit: Fit, scenario: Scenario) -> Array:
    """The fit's covariance, and, where every run has a flow of its own, how far the next lies from their mean."""
    if not _own_flow(scenario):
        return fit.covariance
    size = len(fit.covariance)
    covariance = np.zeros((size + 1, size + 1))
    covariance[:size, :size] = fit.covariance
    covariance[size, size] = flow_scatter(fit.flow_factors)[1] ** 2
    return covariance


def _own_flow(scenario: Scenario) -> bool:
    return scenario.flow_correction == "run"


def measurement(problem: Problem, program: Program, size: int, hold_up: bool) -> tuple[Array, Array, int]:
    """Derivatives J (L, K) and covariance S (L, L) [s2] of the L times that a run would give, and how many peaks merge.

    Parameters
    ----------
    size : K, of the parameters' covariance
    hold_up : whether the hold-up time is measured in the run
    """
    fit, scenario = problem.fit, problem.scenario
    found = problem.robustness.sensitivity(batch_of([program]))
    t, w = found.base[0, 0], found.base[1, 0] * HALF_HEIGHT_WIDTH
    M = len(t)
    apart = with_own_apex(t, w)
    m = np.arange(M)
    J = np.zeros((M, size))
    for i in range(3):
        J[m, i * M + m] = found.by_retention[0, 0, i]
    by_flow = np.zeros(size)  # of the run's ln flow factor
    by_flow[fit.flows] = 1 / max(fit.flows.stop - fit.flows.start, 1)
    if _own_flow(scenario):
        by_flow[-1] = 1.0
    J += np.outer(found.by_shared[0, 0, 0], by_flow)
    if fit.lag_fitted:
        J[:, fit.flows.stop] = found.by_shared[0, 0, 5]
    repeatability = float(np.median([run.repeatability for run in scenario.runs]))
    sigma = np.hypot(repeatability, MODEL_ERROR * t)
    J, by_shared = J[apart], found.by_shared[0, 0][:, apart]
    sigma = np.asarray(sigma[apart])
    if hold_up:
        t_M, slopes = _hold_up(problem, program)
        J, by_shared = np.concatenate([J, slopes[0] * by_flow[None]]), np.column_stack([by_shared, slopes])
        sigma = np.append(sigma, np.hypot(repeatability, HOLD_UP_ERROR * t_M))
    S = np.diag(sigma**2 * _excess(fit)) + tolerated(
        problem.robustness, program.carrier.controlled, by_shared
    )
    return J, S, int(M - apart.sum())


def gain_of(covariance: Array, J: Array, S: Array) -> Array:
    """What (K, L) a deviation of the L times from what was expected moves the parameters by."""
    spread = covariance @ J.T
    return np.asarray(np.linalg.solve(J @ spread + S, spread.T).T, dtype=float)


def covariance_after(
    problem: Problem, program: Program, covariance: Array, hold_up: bool
) -> tuple[Array, int]:
    """Covariance [1] of the parameters once a run was made, and the number of peaks that merge in it.

    Parameters
    ----------
    hold_up : whether the hold-up time is measured in the run
    """
    J, S, merged = measurement(problem, program, len(covariance), hold_up)
    less = gain_of(covariance, J, S) @ J @ covariance
    return np.asarray(covariance - (less + less.T) / 2), merged


def scouted_with(problem: Problem, programs: Sequence[Program]) -> Fit:
    """The fit, scouted also by the runs of some programs: where their peaks would elute, and as fast."""
    fit = problem.fit
    temperature, velocity = list(fit.scouted), list(fit.scouted_velocity)
    for each in programs:
        found = problem.robustness.sensitivity(batch_of([each]))
        t, w, T = found.base[:3, 0]
        temperature.append(np.where(with_own_apex(t, HALF_HEIGHT_WIDTH * w), T, np.nan))
        velocity.append(found.ln_velocity[0])
    return replace(
        fit, scouted=extremes(np.array(temperature)), scouted_velocity=extremes(np.array(velocity))
    )


def _excess(fit: Fit) -> float:
    """By how much the fit found the stated variances too small, which then holds for the next run as well."""
    if fit.degrees_of_freedom < TESTABLE_FREEDOM:
        return 1.0
    return max(1.0, fit.chi_square / fit.degrees_of_freedom)


def with_own_apex(retention: Array, width: Array) -> NDArray[np.bool_]:
    """Peaks (M,) of a run that elute and have an apex of their own, by their half-height widths [s]."""
    eluted = np.isfinite(retention)
    t, w = np.where(eluted, retention, 0.0), np.where(eluted, width, 1.0)
    M = len(t)
    index = np.array([(i, j) for i in range(M) for j in range(i + 1, M)], dtype=np.intp).reshape(-1, 2)
    close = np.abs(t[index[:, 1]] - t[index[:, 0]]) * 1.18 < MERGED * (w[index[:, 0]] + w[index[:, 1]])
    merged = np.unique(index[close & eluted[index].all(axis=1)])
    result = eluted.copy()
    result[merged] = False
    return result


def _hold_up(problem: Problem, program: Program) -> tuple[float, Array]:
    """Hold-up time [s] of a program and its derivatives by what all peaks share (6,)."""
    controlled = program.carrier.controlled
    nothing = np.full(1, np.nan)
    runs = Simulator(problem.fit.system, [Run("", program, nothing, nothing)])
    zero = problem.robustness.carrier_zero(controlled)
    found = sensitivity(runs.tables(UNRETAINED)[controlled], batch_of([program]), zero)
    return float(found.base[0, 0, 0]), found.by_shared[0, 0, :, 0]
