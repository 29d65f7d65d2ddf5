"""How the retention times of one run scatter together about their prediction, from first derivatives.

In the errors e of what was fitted, of what the model leaves out and of set points,

    C = J cov(e) J' + m m' * alike + LAG_ERROR^2 l l' + DELAY^2 1 1' + repeatability^2 I    [1]

with J the derivatives of times (`models.peaks.sensitivity`), l those by the oven's lag, m what the model leaves out
and alike its correlations, element by element (`models.fit.model_error`). All but the terms in l and 1 is that of the
draws of `robustness`, without the scatter of their number: with the inverse of a C estimated from draws, chi-square
would have the heavier tails of an F distribution, the more so the more peaks there are.

These two are what the model leaves out of a whole run besides. No oven lags by a pure delay, so that the lag that suits
the scouted rates, however sharply they fix it, is another for other ramps; and the clock does not start with the
injection to the tenth of a second. They move all peaks together and cost no resolution, so that only comparing whole
runs needs them.
"""

from __future__ import annotations

import numpy as np
from scipy.special import ndtr, ndtri, stdtrit

from models.column.passage import length_as_alone
from models.column.programs import Array, Controlled, ProgramBatch
from models.fit.fit import Fit
from models.fit.model_error import alike, model_error
from models.peaks.sensitivity import Sensitivity
from optimizer.goal.robustness import Robustness, flow_scatter
from optimizer.scenario.instrument_data import EVEN

IMPROBABLE = 0.01  # probability below which deviations are more than noise
LAG_ERROR = 0.5  # s, of an oven's lag from program to program; common practice, no source
DELAY = 0.1  # s, of the start signal against the injection from run to run; common practice, no source


def time_covariance(
    robustness: Robustness, batch: ProgramBatch, retention: Array, repeatability: float
) -> tuple[Array, Array]:
    """C [1] of M retention times under a batch of one program: set points exact, and within their tolerances.

    Parameters
    ----------
    retention : (M,) array  [s], predicted; nan where not eluted
    repeatability : float  [s], of the run

    Returns
    -------
    (M, M) array  [s2], of all but the set points
    (M, M) array  [s2], with the tolerances of set points
    """
    slopes = robustness.sensitivity(batch)
    exact = _fitted(robustness, slopes)
    left_out = model_error(robustness.fit, slopes, retention[None])[0]
    exact += np.outer(left_out, left_out) * alike(robustness.fit) + repeatability**2 * np.eye(len(left_out))
    exact += whole_run(slopes)
    return exact, exact + tolerated(robustness, batch.controlled, slopes.by_shared[0, 0])


def _fitted(robustness: Robustness, slopes: Sensitivity) -> Array:
    """(M, M) [s2] by what was fitted: compounds' parameters, flow and lag, and the next run's own flow."""
    fit, flows = robustness.fit, robustness.fit.flows
    J = by_parameters(fit, slopes)
    result: Array = J @ drawn_covariance(fit) @ J.T
    F = flows.stop - flows.start
    if F > 1:
        # The next run's flow has a t distribution, of too few degrees of freedom for a variance: the normal one that
        # is exceeded as seldom where it matters stands for it.
        freedom, scatter = flow_scatter(fit.flow_factors)
        scatter *= float(stdtrit(freedom, 1 - IMPROBABLE / 2) / ndtri(1 - IMPROBABLE / 2))
        flow = np.nan_to_num(slopes.by_shared[0, 0, 0])
        result += np.outer(scatter * flow, scatter * flow)
    return result


def by_parameters(fit: Fit, slopes: Sensitivity) -> Array:
    """J (M, P), derivatives of times by the P parameters of the fit's covariance."""
    M, flows = len(fit.retention), fit.flows
    own = np.nan_to_num(slopes.by_retention[0, 0])
    flow, lag = np.nan_to_num(slopes.by_shared[0, 0, [0, 5]])
    J = np.zeros((M, len(fit.covariance)))
    for i in range(3):
        J[np.arange(M), i * M + np.arange(M)] = own[i]
    F = flows.stop - flows.start
    if F:
        J[:, flows] = flow[:, None] / F
    if fit.lag_fitted:
        J[:, -1] = lag
    return J


def whole_run(slopes: Sensitivity) -> Array:
    """(M, M) [s2] by what the model leaves out of a run as a whole."""
    lag = LAG_ERROR * np.nan_to_num(slopes.by_shared[0, 0, 5])
    return np.outer(lag, lag) + DELAY**2


def drawn_covariance(fit: Fit) -> Array:
    """The covariance of `Fit` as it is drawn from: a lag is never negative, and is held at 0 where it would be.

    With Z normal of variance s2 and a the fitted lag, of max(Z, -a) and any X normal with Z: cov(X, max(Z, -a)) =
    P(Z > -a) cov(X, Z) (C. Stein, Ann. Statist. 9 (1981) 1135). In place of the variance stands the mean square.
    """
    result = fit.covariance.copy()
    if not fit.lag_fitted or result[-1, -1] <= 0:
        return result
    sd, lag = float(np.sqrt(result[-1, -1])), fit.system.oven_lag
    a = lag / sd
    density = float(np.exp(-(a**2) / 2) / np.sqrt(2 * np.pi))
    result[-1, :-1] *= ndtr(a)
    result[:-1, -1] *= ndtr(a)
    result[-1, -1] = sd**2 * (ndtr(a) - a * density) + lag**2 * ndtr(-a)
    return result


def tolerated(robustness: Robustness, controlled: Controlled, by_shared: Array) -> Array:
    """(M, M) [s2] by set points anywhere within their tolerances, as `robustness.draws_of` draws them.

    Parameters
    ----------
    by_shared : (8, M) array, derivatives of times as in `Sensitivity`
    """
    allowed, length = robustness.tolerances, length_as_alone(robustness.fit.system)
    flow, _, _, oven, carrier, *_ = np.nan_to_num(by_shared)
    effects = [
        allowed.oven * oven,
        (allowed.pressure if controlled == "pressure" else allowed.flow) * carrier,
        allowed.hold_up * flow,
        # What is cut off is only ever lost: its mean counts as an error, too.
        2 * np.log1p(allowed.trimmed / length) * flow,
    ]
    result: Array = EVEN * np.sum([np.outer(effect, effect) for effect in effects], axis=0)
    return result
