"""From measured peak widths to efficiency, injected band, and diffusion in gas and film.

The variance of a peak is, exactly, f (A l + B d + C/d + F/(phi c)) + v S: f is the plate height factor, d a compound's
diffusion in the gas over the typical one, phi that in the film for all compounds, c a compound's over that, v the
injected band's variance, l lambda over what is stated; A (of packed columns alone), B, C, F and S come from the
simulation, with times as fitted. ln of measured widths is fitted with

    ln f, ln phi     about typical values
    ln l             about 0; at one flow it can hardly be told from ln f
    v                about a typical value, not below 0
    ln d             of each compound, about its formula's where that is known, else about what compounds of its T0
                     have, give or take an offset that those of one sample share
    ln c             of each compound, about 0
    e                of each compound, what the model leaves out of ln of its width

At one flow near the optimum widths hardly tell d (B d and C/d are alike), and what is known of it stays the prior. How
large e and the noise of measured widths are is what makes the measured ones most probable, all else being integrated
out (D. J. C. MacKay, Neural Computation 4 (1992) 415), with a weak prior of their own. No prediction holds noise.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from scipy.optimize import minimize, nnls

from models.column.carrier_gas import CarrierGas, diffusion_constant
from models.column.formula import diffusion_volume, molar_mass
from models.column.plate_height import typical_diffusion_constant
from models.column.programs import Array
from models.column.retention import Retention
from models.column.system import USUAL_PHASE_RATIO, Column
from models.fit.arrow import Mask, Point, Rows, factored, minimum

ASSUMED_PLATE_HEIGHT_FACTOR = 1.2  # of a column in ordinary condition
LN_PLATE_HEIGHT_SPREAD = 0.2
USUAL_INJECTED, INJECTED_SPREAD = (
    0.3**2,
    0.4**2,
)  # s2, variance of the injected band; common practice, no source
# Degrees of freedom of the t distributions of these two: columns out of order and slow injections are not that rare.
ORDINARY = 4.0
# Of ln of diffusion in the film about `plate_height.film_diffusion`, and of a compound about the phase; from memory
LN_FILM_SPREAD, OWN_FILM_SPREAD = 0.5, 0.25
# Of ln D over that of the n-alkane of the same T0 at a phase ratio of 250: mean, and standard deviations of what the
# compounds of a sample share and of one compound. Fuller's method on 67 compounds of seven kinds, T0 from vapour
# pressures (tests/published/test_diffusion.py): 0.22 on average, sd 0.18, and kinds differ by more than their members
# do; the two together are that and FULLER_SPREAD.
MEAN_EXCESS, SHARED_EXCESS, OWN_EXCESS = 0.22, 0.14, 0.14
FULLER_SPREAD = 0.08  # of ln D measured over Fuller's, of 20 values (the same test)
# Of packed columns and of what is no film less is known, and molecules that an adsorbent keeps are smaller than those
# that a film does: spreads, and what is added to MEAN_EXCESS; from memory.
LN_PACKED_SPREAD, LN_RESISTANCE_SPREAD = 0.4, 1.5
ADSORBED_EXCESS, ADSORBED_SPREAD = 0.4, 0.3
LN_EDDY_SPREAD = 0.35  # of lambda about what is stated: 0.5 to 2 at 95 % about 1; from memory
WIDTHS_NEEDED = 3
PLACES = 41  # of ln d, within four standard deviations of what is known beforehand
HELD = 1e-3  # spread of ln d about its mean that leaves it there
# ln of noise and of what the model leaves out, both as shares of a width: typical values and their spread.
TYPICAL_ERRORS, LN_ERROR_SPREAD = np.log([0.02, 0.01]), 0.7
SMALLEST_ERROR, LARGEST_ERROR = 2e-3, 1.0
LEAST_SCATTER = 0.01  # of a predicted width: what none of these is
ASSUMED_SCATTER = 0.05  # the same where no widths were measured
ROUNDS, SETTLED = 12, 0.02  # fits with other errors, and the change of their logarithms at which these rest

LN_FACTOR, INJECTED, LN_FILM, OFFSET, LN_EDDY = range(5)  # what is shared, the last where there are eddies
LN_D, LN_C, LEFT_OUT = range(3)  # what is a compound's own
TYPICAL = np.array([np.log(ASSUMED_PLATE_HEIGHT_FACTOR), USUAL_INJECTED, 0.0, 0.0, 0.0])
SPREADS = np.array([LN_PLATE_HEIGHT_SPREAD, INJECTED_SPREAD, LN_FILM_SPREAD, SHARED_EXCESS, LN_EDDY_SPREAD])
TAILED = np.array([True, True, False, False, False])


@dataclass(frozen=True)
class Bands:
    """What peaks of R runs and M compounds are made of, at typical diffusion and factors of 1: (R, M) arrays.

    Attributes
    ----------
    along, across, film : [s2], variances by diffusion along the column, across the gas and in the film
    injected : share of the injected variance that arrives
    eddy : [s2], variance by what depends on no velocity
    """

    along: Array
    across: Array
    film: Array
    injected: Array
    eddy: Array


@dataclass(frozen=True)
class DiffusionPrior:
    """What is known of ln of a compound's diffusion in the gas, over the typical one, before any width is.

    Attributes
    ----------
    mean, spread : (M,) arrays
    shares : (M,) array, 1 where the offset that compounds share comes on top, else 0
    """

    mean: Array
    spread: Array
    shares: Array


@dataclass(frozen=True)
class Widths:
    """What the measured widths say; see the attributes of `models.fit.fit.Fit`."""

    plate_height_factor: float
    injection_width: float
    film_diffusion_factor: float
    eddy_factor: float
    ln_diffusion: Array
    covariance: Array
    scatter: float
    fitted: bool


def diffusion_prior(
    gas: CarrierGas, retention: Retention, column: Column, formulas: Sequence[str | None]
) -> DiffusionPrior:
    """The prior of M compounds from T0 and, where they are known, formulas."""
    # on a column of the usual phase ratio
    T0 = retention.T0 + retention.theta * np.log(column.phase_ratio / USUAL_PHASE_RATIO)
    excess, own = MEAN_EXCESS, OWN_EXCESS
    if column.adsorbent:
        excess, own = MEAN_EXCESS + ADSORBED_EXCESS, ADSORBED_SPREAD
    expected = np.exp(excess) * typical_diffusion_constant(gas, T0)
    stated = np.array([formula is not None for formula in formulas])
    for m, formula in enumerate(formulas):
        if formula is not None:
            expected[m] = diffusion_constant(gas, molar_mass(formula), diffusion_volume(formula))
    mean = np.log(expected / typical_diffusion_constant(gas, retention.T0))
    return DiffusionPrior(mean, np.where(stated, FULLER_SPREAD, own), np.where(stated, 0.0, 1.0))


@dataclass(frozen=True)
class _Problem:
    """What is fitted.

    `measured` are ln of widths (R, M), nan where missing; noise and own are shares of a width; `widened` is what the
    spreads of typical values are multiplied by, `spreads` are those of the column.
    """

    bands: Bands
    measured: Array
    prior: DiffusionPrior
    noise: float = 0.03
    own: float = 0.01
    widened: Array = field(default_factory=lambda: np.ones(1))
    spreads: Array = field(default_factory=lambda: SPREADS[:LN_EDDY])

    def rows(self, point: Point) -> Rows:
        """Standardised distances and derivatives; a compound's own are ln d, ln c and e."""
        known = np.isfinite(self.measured)
        R, M = known.shape
        bands, prior, shared = self.bands, self.prior, point.shared
        factor, ln_d = np.exp(shared[LN_FACTOR]), point.own[:, LN_D]
        along, across = factor * bands.along * np.exp(ln_d), factor * bands.across * np.exp(-ln_d)
        film = factor * bands.film * np.exp(-shared[LN_FILM] - point.own[:, LN_C])
        eddy = factor * bands.eddy * np.exp(shared[LN_EDDY:].sum())
        column = eddy + along + across + film
        twice = 2 * np.where(known, column + shared[INJECTED] * bands.injected, 1.0)
        weight = known / self.noise
        ln_width = np.log(twice / 2) / 2 + point.own[:, LEFT_OUT]
        of_widths = np.where(known, ln_width - self.measured, 0.0) / self.noise
        by_shared = np.zeros((M, R + 3, shared.size))
        changes = [column, bands.injected, -film, np.zeros_like(film), eddy]  # no width by the offset itself
        for which, change in enumerate(changes[: shared.size]):
            by_shared[:, :R, which] = np.where(known, weight * change / twice, 0.0).T
        by_shared[:, R, OFFSET] = -prior.shares / prior.spread
        by_own = np.zeros((M, R + 3, 3))
        by_own[:, :R, LN_D] = np.where(known, weight * (along - across) / twice, 0.0).T
        by_own[:, :R, LN_C] = by_shared[:, :R, LN_FILM]
        by_own[:, :R, LEFT_OUT] = weight.T
        spreads = np.column_stack(np.broadcast_arrays(prior.spread, OWN_FILM_SPREAD, self.own))
        by_own[:, R:] = np.eye(3) / spreads[:, :, None]
        expected = np.zeros((M, 3))
        expected[:, LN_D] = prior.mean + prior.shares * shared[OFFSET]
        distance = np.column_stack([of_widths.T, (point.own - expected) / spreads])
        spreads = self.spreads * self.widened
        return Rows(
            distance, by_own, by_shared, (shared - TYPICAL[: shared.size]) / spreads, np.diag(1 / spreads)
        )

    def improbability(self, rows: Rows, ln_errors: Array) -> float:
        """-2 ln probability of the measured widths with other noise and e, but for a constant; rows are at the minimum.

        The model is taken as linear there (Laplace's approximation).
        """
        R, M = self.measured.shape
        ln_noise, ln_own = np.clip(ln_errors, np.log(SMALLEST_ERROR), np.log(LARGEST_ERROR))
        weights = np.ones(R + 3)
        weights[:R], weights[R + LEFT_OUT] = self.noise / np.exp(ln_noise), self.own / np.exp(ln_own)
        weighted = rows.weighted(weights, np.ones(rows.common.size))
        found = factored(weighted)
        own, shared = (np.abs(np.diagonal(each, axis1=-2, axis2=-1)) for each in (found.own, found.shared))
        determinant = 2 * (np.log(own).sum() + np.log(shared).sum())
        errors = 2 * (np.isfinite(self.measured).sum() * ln_noise + M * ln_own)
        hyper = (((ln_errors - TYPICAL_ERRORS) / LN_ERROR_SPREAD) ** 2).sum()
        return float(weighted.after(found.solution).sum_of_squares + determinant + errors + hyper)


def spreads_of(column: Column) -> Array:
    """Standard deviations of what compounds share about typical values: one more where there are eddies."""
    spreads = SPREADS[: LN_EDDY + bool(column.packing and column.packing.eddy)].copy()
    if column.packing is not None:
        spreads[LN_FACTOR] = LN_PACKED_SPREAD
    if not column.wall_coated:
        spreads[LN_FILM] = LN_RESISTANCE_SPREAD
    return spreads


def fit_widths(bands: Bands, measured: Array, prior: DiffusionPrior, spreads: Array | None = None) -> Widths:
    """Efficiency, injected band and diffusion from measured widths (R, M) [s], standard deviations, nan if missing.

    `spreads` are those of `spreads_of`, an ordinary film's unless given.
    """
    spreads = SPREADS[:LN_EDDY] if spreads is None else spreads
    known = np.isfinite(measured) & np.isfinite(bands.along)
    M = measured.shape[1]
    ln_measured = np.where(known, np.log(np.where(known, measured, 1.0)), np.nan)
    problem = _Problem(bands, ln_measured, prior, spreads=spreads)
    start = _start(bands, measured, known, prior, len(spreads)) if known.sum() >= WIDTHS_NEEDED else None
    if start is None:
        return _assumed(prior, spreads)
    low = Point(np.full((M, 3), -np.inf), np.where(np.arange(len(spreads)) == INJECTED, 0.0, -np.inf))
    high = Point(np.full((M, 3), np.inf), np.full(len(spreads), np.inf))
    for _ in range(ROUNDS):
        found = minimum(problem.rows, start, low, high)
        start, rows = found.point, found.rows
        if start.shared[INJECTED] == 0:  # it stays there, whatever the errors are
            free = np.arange(len(spreads)) != INJECTED
            rows = replace(rows, by_shared=rows.by_shared * free, common=rows.common * free)
        before = np.log([problem.noise, problem.own])
        errors = minimize(
            lambda ln_errors, rows=rows, of=problem: of.improbability(rows, ln_errors),
            before,
            method="Nelder-Mead",
            options={"xatol": SETTLED / 4, "fatol": 1e-3},
        ).x
        away = (start.shared - TYPICAL[: len(spreads)]) / spreads
        widened = np.where(TAILED[: len(spreads)], np.sqrt((ORDINARY + away**2) / (ORDINARY + 1)), 1.0)
        noise, own = np.exp(np.clip(errors, np.log(SMALLEST_ERROR), np.log(LARGEST_ERROR)))
        problem = replace(problem, noise=float(noise), own=float(own), widened=widened)
        if np.abs(errors - before).max() < SETTLED:
            break
    found = minimum(problem.rows, start, low, high)
    covariance = factored(found.rows).covariance
    ln_diffusion, error = _diffusion(problem, found.point, covariance[3 * M :, 3 * M :])
    held = DiffusionPrior(ln_diffusion, np.full(M, HELD), np.zeros(M))
    point = minimum(replace(problem, prior=held).rows, found.point, low, high).point
    own_values, shared = point.own, point.shared
    scale = np.ones(len(covariance))
    scale[:M] = error / np.sqrt(np.diag(covariance)[:M])
    covariance *= np.outer(scale, scale)
    # c and e are not put into predictions: that they may be what was found is part of how far these may be off.
    left_out = np.arange(M, 3 * M)
    covariance[left_out, left_out] += own_values[:, LN_C:].T.ravel() ** 2
    order = [*range(3 * M, 3 * M + 3), *range(3 * M), *range(3 * M + LN_EDDY, len(covariance))]
    return Widths(
        float(np.exp(shared[LN_FACTOR])),
        float(np.sqrt(shared[INJECTED])),
        float(np.exp(shared[LN_FILM])),
        float(np.exp(shared[LN_EDDY:].sum())),
        ln_diffusion,
        covariance[np.ix_(order, order)],
        LEAST_SCATTER,
        True,
    )


def _diffusion(problem: _Problem, point: Point, covariance: Array) -> tuple[Array, Array]:
    """Means and standard deviations (M,) of ln d over all that it may be; `covariance` is of what is shared.

    A peak is as wide at the mirror image of d, with diffusion along and across exchanged: its probability may have two
    maxima, and the slope at one of them says nothing of the other. ln c, e and what is shared are integrated out; of
    the offset only what was known beforehand counts, since compounds at the wrong maximum take it along.
    """
    R, prior = len(problem.measured), problem.prior
    spread, centre = np.hypot(prior.spread, prior.shares * SHARED_EXCESS), prior.mean
    places = np.linspace(-4.0, 4.0, PLACES)
    of_own = np.square([OWN_FILM_SPREAD, problem.own])
    ln_probability = np.empty((PLACES, len(centre)))
    for row, place in zip(ln_probability, places, strict=True):
        own = np.zeros((len(centre), 3))
        own[:, LN_D] = centre + place * spread
        rows = problem.rows(Point(own, point.shared))
        off, by_own, by_shared = (
            rows.distance[:, :R],
            rows.by_own[:, :R, LN_C:],
            rows.by_shared[:, :R],
        )
        of_widths = np.eye(R) + by_own * of_own @ by_own.swapaxes(1, 2)
        of_widths += (
            by_shared @ covariance @ by_shared.swapaxes(1, 2)
        )  # no width is moved by the offset itself
        squares = (off * np.linalg.solve(of_widths, off[:, :, None])[:, :, 0]).sum(axis=1)
        row[:] = -(squares + np.linalg.slogdet(of_widths)[1] + place**2) / 2
    probability = np.exp(ln_probability - ln_probability.max(axis=0))
    probability /= probability.sum(axis=0)
    mean = places @ probability
    return centre + spread * mean, spread * np.sqrt(((places[:, None] - mean) ** 2 * probability).sum(axis=0))


def _start(bands: Bands, measured: Array, known: Mask, prior: DiffusionPrior, size: int) -> Point | None:
    """Factor and injected variance, in which variances are linear, at the diffusion that is expected."""
    of_gas = bands.along * np.exp(prior.mean) + bands.across * np.exp(-prior.mean)
    column = bands.eddy + of_gas + bands.film
    columns = np.stack([column[known], bands.injected[known]], axis=1)
    variance = measured[known] ** 2
    (factor, injected), _ = nnls(columns / variance[:, None], np.ones(len(variance)))
    if factor <= 0:
        return None
    own = np.zeros((len(prior.mean), 3))
    own[:, LN_D] = prior.mean
    return Point(own, np.array([np.log(factor), injected, *[0.0] * (size - 2)]))


def _assumed(prior: DiffusionPrior, spreads: Array) -> Widths:
    """Typical values, where too few widths were measured."""
    M = len(prior.mean)
    own = np.concatenate([np.zeros(M), np.full(M, OWN_FILM_SPREAD), np.zeros(M)])
    covariance = np.diag(np.concatenate([spreads[:3], own, spreads[LN_EDDY:]]) ** 2)
    shared = SHARED_EXCESS * prior.shares
    covariance[3 : 3 + M, 3 : 3 + M] = np.diag(prior.spread**2) + np.outer(shared, shared)
    return Widths(ASSUMED_PLATE_HEIGHT_FACTOR, 0.0, 1.0, 1.0, prior.mean, covariance, ASSUMED_SCATTER, False)
