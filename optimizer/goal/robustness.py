"""How a program stands up to uncertainty and set-point error: draws of what it may give, and the share that holds.

A draw is one possible truth: retention parameters and flow from the fit's posterior, efficiency, injected band and
diffusion from theirs, what the model leaves out of single peaks, and the instrument off its set points within the
scenario's tolerances. The draws are made once and serve every program, so that one program can be compared with another
and the search has something smooth to follow. Peaks in a draw come from first derivatives (`models.peaks.sensitivity`).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from models.column.passage import length_as_alone
from models.column.programs import Array, Controlled, ProgramBatch
from models.fit.fit import Fit
from models.fit.model_error import alike, model_error
from models.peaks.migration import MigrationTables
from models.peaks.resolution import HALF_HEIGHT_WIDTH
from models.peaks.sensitivity import SHARED, Sensitivity, sensitivity
from optimizer.goal.limits import LATE
from optimizer.scenario.instrument_data import Tolerances

DRAWS = 400  # that a search follows
FEW_DRAWS = 100  # the first of these, which tell the way
FRESH_DRAWS, FRESH_SEED = (
    2000,
    1_000_003,
)  # by which what it found is judged, and what is added to its seed for them
OTHER_DRAWS, OTHER_SEED = 1000, 2_000_003  # the same of those that programs are rounded by
SOURCES = ("retention", "widths", "model", "oven", "carrier", "hold-up", "trim")
FLOW_SCATTER = 0.02  # of ln flow between runs that have flows of their own; common practice, no source
JITTERS = (
    1e-12,
    1e-10,
    1e-8,
    1e-6,
)  # added to correlations of 1, until rounding leaves them positive definite
FILM, EDDY = SHARED.index("ln film diffusion"), SHARED.index("ln eddy")
LARGEST_WIDTH_CHANGE = 1.0  # in ln w: first derivatives say nothing beyond


@dataclass(frozen=True)
class Draws:
    """D draws of all uncertain quantities for M compounds, in the order of `models.peaks.sensitivity`.

    Attributes
    ----------
    retention : (D, 3, M) array, added to T0 [K], ln theta, dCp [J/mol/K]
    shared : (D, 8) array, added to ln flow factor, ln plate height factor, injected variance [s2], oven [K],
        carrier (share of the set value), the oven's lag [s], ln diffusion in the film and ln lambda of a packing
    fitted : (D, 8) array, the part of `shared` that is the fit's own error of flow and lag
    time : (D, M) array, what the model leaves out of retention times, over its standard deviation (`model_error`)
    width : (D, M) array, relative errors of widths that the model leaves out
    diffusion, film : (D, M) arrays, added to ln diffusion of a compound in the gas and in the film
    """

    retention: Array
    shared: Array
    fitted: Array
    time: Array
    width: Array
    diffusion: Array
    film: Array

    @cached_property
    def own(self) -> Array:
        """(M, 5, D) what is a compound's own: added to its T0, ln theta and dCp, a one, and `time`."""
        rest = np.stack([np.ones(self.time.shape[::-1]), self.time.T], axis=1)
        # Draw by draw in memory, as products of matrices like it.
        return np.ascontiguousarray(np.concatenate([self.retention.transpose(2, 1, 0), rest], axis=1))

    @cached_property
    def of_widths(self) -> tuple[Array, Array]:
        """What moves widths: the part of `shared` that does, (8, D), and each compound's own, ln diffusion in gas and
        film and what the model leaves out, (M, 3, D)."""
        own = np.stack([self.diffusion.T, self.film.T, self.width.T], axis=1)
        return np.ascontiguousarray((self.shared - self.fitted).T), np.ascontiguousarray(own)


@dataclass(frozen=True)
class DrawnPeaks:
    """M peaks of N programs in D draws: (N, M, D) arrays.

    Attributes
    ----------
    retention, width : [s], the latter at half height; LATE and 1 where not eluted
    at_elution : gives temperature [K] and retention factor [-] at elution, nan where not eluted; few ask for them
    front : (N, M) array, see `models.peaks.overload.Shape`; None where amounts move nothing
    """

    retention: Array
    width: Array
    at_elution: Callable[[], tuple[Array, Array]]
    front: Array | None = None


@dataclass(frozen=True)
class Backoff:
    """The reserve that margins need for the draws to pass: `kappa` standard deviations of each.

    Attributes
    ----------
    kappa : float
    pairs : (M, M) array, symmetric, standard deviations of the relative margins of near pairs, else 0
    limits : (K,) array, the same of the limits; 0 for those of the equipment
    end : float  [s], by how much later than predicted the last peak may be over
    """

    kappa: float
    pairs: Array
    limits: Array
    end: float = 0.0


def draws_of(
    fit: Fit,
    tolerances: Tolerances,
    controlled: Controlled,
    length: float,
    count: int = DRAWS,
    seed: int = 1,
    without: frozenset[str] = frozenset(),
) -> Draws:
    """Draws from a fit and the tolerances of set points.

    Parameters
    ----------
    controlled : the carrier variable that is set, whose tolerance counts
    length : float  [m], by whose share a cut counts: `length_as_alone`
    without : sources of uncertainty, of SOURCES, to be left out; the others stay draw for draw what they were
    """
    M = len(fit.retention)
    size, flows = len(fit.covariance), fit.flows
    streams = np.random.SeedSequence(seed).spawn(len(SOURCES))
    rngs = dict(zip(SOURCES, map(np.random.default_rng, streams), strict=True))
    on = {source: float(source not in without) for source in SOURCES}

    fitted = rngs["retention"].standard_normal((count, size)) @ root_of(fit.covariance).T
    fitted *= on["retention"]
    shared = np.zeros((count, len(SHARED)))
    if flows.stop > flows.start:
        shared[:, 0] = fitted[:, flows].mean(axis=1)
    if fit.lag_fitted:
        shared[:, 5] = np.maximum(fitted[:, -1], -fit.system.oven_lag)
    if flows.stop - flows.start > 1:
        # Each run has a flow of its own, and so will the next.
        freedom, scatter = flow_scatter(fit.flow_factors)
        shared[:, 0] += on["retention"] * scatter * rngs["retention"].standard_t(freedom, count)
    widths = (
        rngs["widths"].standard_normal((count, len(fit.width_covariance))) @ root_of(fit.width_covariance).T
    )
    widths *= on["widths"]
    own_errors = shared.copy()
    shared[:, 1:3], shared[:, 6] = widths[:, :2], widths[:, 2]
    shared[:, EDDY] = widths[:, 3 + 3 * M :].sum(axis=1)  # none of an open tube
    shared[:, 2] = np.maximum(shared[:, 2], -(fit.system.injection_width**2))

    def even(source: str, tolerance: float) -> Array:
        """Anything within +- a tolerance."""
        result: Array = on[source] * tolerance * rngs[source].uniform(-1.0, 1.0, count)
        return result

    shared[:, 3] = even("oven", tolerances.oven)
    shared[:, 4] = even("carrier", tolerances.pressure if controlled == "pressure" else tolerances.flow)
    shared[:, 0] += even("hold-up", tolerances.hold_up)
    # What is cut off quickens the gas as the square of the length, and leaves fewer plates.
    cut = np.log1p(on["trim"] * tolerances.trimmed / length * rngs["trim"].uniform(0.0, 1.0, count))
    shared[:, 0] += 2 * cut
    shared[:, 1] += cut
    return Draws(
        retention=fitted[:, : 3 * M].reshape(count, 3, M),
        shared=shared,
        fitted=own_errors,
        time=on["model"] * rngs["model"].standard_normal((count, M)) @ root_of(alike(fit)).T,
        width=widths[:, 3 + 2 * M : 3 + 3 * M]
        + on["widths"] * fit.width_scatter * rngs["widths"].standard_normal((count, M)),
        diffusion=widths[:, 3 : 3 + M],
        film=widths[:, 3 + M : 3 + 2 * M],
    )


def flow_scatter(flow_factors: Array) -> tuple[int, float]:
    """Degrees of freedom and scale of the t distribution of the next run's ln flow about the mean of those fitted (R,).

    The scatter of two or three runs says little of the spread between runs: FLOW_SCATTER counts as one more of them.
    Their mean is off by its own scatter, and the next run comes on top of that (any text on prediction intervals).
    """
    ln_flow = np.log(flow_factors)
    freedom = len(ln_flow)
    squares = FLOW_SCATTER**2 + float(((ln_flow - ln_flow.mean()) ** 2).sum())
    return freedom, float(np.sqrt((1 + 1 / len(ln_flow)) * squares / freedom))


def root_of(covariance: Array) -> Array:
    """A matrix R with R R' = covariance, which need not be of full rank.

    Cholesky's, of the correlations: unlike one from eigenvectors, whose signs are anybody's choice, it is the same on
    every machine, and so are the draws.
    """
    sd = np.sqrt(np.diag(covariance))
    scale = np.where(sd > 0, sd, 1.0)
    correlations = covariance / np.outer(scale, scale)
    unit = np.diag(np.where(sd > 0, 1.0, 0.0))
    for jitter in JITTERS:
        try:
            root = np.linalg.cholesky(correlations + jitter * unit + np.diag(np.where(sd > 0, 0.0, 1.0)))
        except np.linalg.LinAlgError:
            continue
        return np.where(sd[:, None] > 0, scale[:, None] * root, 0.0)
    raise ValueError("a covariance must not have negative eigenvalues")


@dataclass(frozen=True)
class Robustness:
    """Draws of a fit, ready to be applied to programs.

    Attributes
    ----------
    fit : Fit
    tolerances : Tolerances
    ambient : float  [Pa], where gauge pressure is zero
    tables : MigrationTables for each carrier variable
    seed : int
    count : int, of draws
    """

    fit: Fit
    tolerances: Tolerances
    ambient: float
    tables: dict[Controlled, MigrationTables]
    seed: int
    count: int = DRAWS
    _draws: dict[tuple[Controlled, frozenset[str]], Draws] = field(default_factory=dict, repr=False)

    def draws(self, controlled: Controlled, without: frozenset[str] = frozenset()) -> Draws:
        """Made when first asked for."""
        key = controlled, without
        if key not in self._draws:
            self._draws[key] = draws_of(
                self.fit,
                self.tolerances,
                controlled,
                length_as_alone(self.fit.system),
                self.count,
                self.seed,
                without=without,
            )
        return self._draws[key]

    def carrier_zero(self, controlled: Controlled) -> float:
        """The set value from which a relative error of the carrier counts: pressure is read as gauge."""
        return self.ambient if controlled == "pressure" else 0.0

    def sensitivity(self, batch: ProgramBatch) -> Sensitivity:
        """Derivatives under N programs."""
        return sensitivity(self.tables[batch.controlled], batch, self.carrier_zero(batch.controlled))

    def peaks(
        self, batch: ProgramBatch, retention: Array, width: Array, without: frozenset[str] = frozenset()
    ) -> DrawnPeaks:
        """Peaks of N programs in every draw, about the accurate `retention` and half-height `width` (N, M) [s]."""
        draws = self.draws(batch.controlled, without)
        return drawn(self.fit, self.sensitivity(batch), draws, retention, width)


def drawn(fit: Fit, slopes: Sensitivity, draws: Draws, retention: Array, width: Array) -> DrawnPeaks:
    """Peaks in every draw, about the accurate `retention` and half-height `width` (N, M) [s].

    Errors of what retention times were fitted with (the compounds' parameters, flow, lag) leave widths as they are: the
    measured widths anchor those through the plate height factor, which takes up what such an error would do to them.
    """
    out = ~(np.isfinite(slopes.base[0]) & (retention < LATE))
    left_out = model_error(fit, slopes, np.where(out, np.nan, retention))
    own = np.concatenate([slopes.by_retention[0], np.stack([retention, left_out], axis=1)], axis=1)
    t = _moved(slopes.by_shared[0], draws.shared.T, own, draws.own)
    # Widths are drawn in their logarithm: no draw can make one negative.
    shared, of_each = draws.of_widths
    over = HALF_HEIGHT_WIDTH / width
    by_shared = slopes.by_shared[1] * over[:, None]
    by_own = np.ones((len(over), 3, over.shape[1]))
    by_own[:, 0], by_own[:, 1] = slopes.by_diffusion * over, by_shared[:, FILM]
    w = _moved(by_shared, shared, by_own, of_each)
    np.maximum(w, -LARGEST_WIDTH_CHANGE, out=w)
    np.minimum(w, LARGEST_WIDTH_CHANGE, out=w)
    np.exp(w, out=w)
    w *= width[:, :, None]
    if out.any():
        t[out], w[out] = LATE, 1.0

    def at_elution() -> tuple[Array, Array]:
        T, k = (
            slopes.base[row][:, :, None]
            + _moved(slopes.by_shared[row], draws.shared.T, slopes.by_retention[row], draws.own[:, :3])
            for row in (2, 3)
        )
        T[out] = k[out] = np.nan
        return T, np.maximum(k, 0.0)

    front = None if slopes.front is None else np.where(out, 1.0, slopes.front)
    return DrawnPeaks(t, w, at_elution, front)


def _moved(by_shared: Array, shared: Array, by_own: Array, own: Array) -> Array:
    """Changes (N, M, D) by what all compounds share, (N, 8, M) of (8, D), and their own, (N, K, M) of (M, K, D)."""
    result: Array = by_shared.swapaxes(1, 2) @ shared
    result += (by_own.transpose(2, 0, 1) @ own).swapaxes(0, 1)
    return result
