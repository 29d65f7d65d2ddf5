"""Retention parameters of every compound by itself, all compounds at once, the flow of each run given.

A compound shares nothing with the others but the flow, so with the flow factors fixed each is a small fit of
its own: the way to a good start for the joint fit, and to the question what another peak would make of it.

The start is read off a grid of T0 with typical theta and dCp; then T0 and theta are fitted, then dCp is
released: a direct start of all three often ends elsewhere.
"""

from __future__ import annotations

from collections.abc import Sequence
from copy import copy
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from models.column.programs import Array, Controlled, ProgramBatch, batch_of
from models.column.retention import (
    PARAMETER_STEPS,
    Retention,
)
from models.column.system import ColumnSystem
from models.effort import Accuracy
from models.fit.fit import Run
from models.fit.typical import Typical, typical_of
from models.fit.widths import Bands
from models.peaks.migration import (
    LN_DIFFUSION,
    LN_FILM,
    Migration,
    MigrationTables,
    migrate,
    migration_tables,
)
from models.peaks.sensitivity import SET_POINTS, off_set_points

T0_SPREAD = 50.0  # K, about the first guess: no constraint on a retained compound
COLDEST_T0 = 100.0  # K
NEVER = 1e6  # s, stands for a compound that does not elute
MOST_STEPS = 15  # what has not settled by then contradicts itself and is settled by the joint fit, if at all
LARGEST_STEPS = np.array([25.0, 0.3, 60.0])
# Free parameters of the two stages, and the steps at which each ends, in steps of derivatives.
STAGES = ((np.array([True, True, False]), 5.0), (np.array([True, True, True]), 0.05))


class Simulator:
    """The runs as batches of one, and predictions of them for any set of compounds."""

    def __init__(self, system: ColumnSystem, runs: Sequence[Run], room: float = 0.0) -> None:
        """`room` [K] is by how much the oven may be off in runs that are set off."""
        self.system = system
        self.batches: list[ProgramBatch] = [batch_of([run.program]) for run in runs]
        knots = [np.array(run.program.oven.knots()[1]) for run in runs]
        self.lowest = float(min(T.min() for T in knots)) - 1.0 - room
        self.highest = float(max(T.max() for T in knots)) + 1.0 + room

    def lagging(self, lag: float) -> Simulator:
        """The same runs in an oven with another lag [s]."""
        other = copy(self)
        other.__dict__.pop("typical_curve", None)
        other.system = replace(self.system, oven_lag=lag)
        return other

    def set_off(self, oven: Array, carrier: Array, zeros: Array) -> Simulator:
        """The same runs with ovens off by (R,) [K], and carriers by shares (R,) of what is set above `zeros` (R,)."""
        other = copy(self)
        other.__dict__.pop("typical_curve", None)
        other.batches = [
            replace(
                batch,
                oven_temperatures=batch.oven_temperatures + dT,
                carrier_values=batch.carrier_values + share * (batch.carrier_values - zero),
            )
            for batch, dT, share, zero in zip(self.batches, oven, carrier, zeros, strict=True)
        ]
        return other

    @property
    def typical(self) -> Typical:
        """What retention is typical of the column."""
        return typical_of(self.system.column)

    def tables(self, retention: Retention) -> dict[Controlled, MigrationTables]:
        """Tables of the compounds for every kind of carrier program among the runs."""
        kinds = {batch.controlled for batch in self.batches}
        return {kind: migration_tables(self.system, retention, kind) for kind in kinds}

    def times(self, tables: dict[Controlled, MigrationTables], flow_factors: Array) -> Array:
        """Retention times (R, M) [s]."""
        found = self._migrated(tables, flow_factors, "screen")
        return np.array([np.where(each.eluted[0], each.retention_time[0], NEVER) for each in found])

    def peaks(
        self, tables: dict[Controlled, MigrationTables], flow_factors: Array
    ) -> tuple[Array, Array, Array]:
        """Retention times and widths (standard deviations) [s], and `Migration.injected_share`, each (R, M)."""
        found = self._migrated(tables, flow_factors, "polish")
        times = np.array([np.where(each.eluted[0], each.retention_time[0], NEVER) for each in found])
        widths, shares = ([getattr(each, name)[0] for each in found] for name in ("width", "injected_share"))
        return times, np.array(widths), np.array(shares)

    def bands(
        self, tables: dict[Controlled, MigrationTables], flow_factors: Array
    ) -> tuple[Array, Bands, Array]:
        """Retention times (R, M) [s], what makes the peaks as wide as they are, and temperatures at elution (R, M) [K].

        The latter two are nan where not eluted.

        Of a sharp injection, as the system must have.
        """
        found = self._migrated(tables, flow_factors, "polish", slopes=True)
        times = np.array([np.where(each.eluted[0], each.retention_time[0], NEVER) for each in found])
        eddies = self._eddies(tables, flow_factors, found)
        parts = []
        for each, eddy in zip(found, eddies, strict=True):
            assert each.slopes is not None
            variance = each.width[0] ** 2 - self.system.detector_variance
            twice = 2 * each.width[0]
            by_gas, by_film = (
                twice * each.slopes.width[0, SET_POINTS + row] for row in (LN_DIFFUSION, LN_FILM)
            )
            # the variance by the film falls as that grows, that along as 1/that across
            of_gas = variance + by_film - eddy
            parts.append(
                ((of_gas + by_gas) / 2, (of_gas - by_gas) / 2, -by_film, each.injected_share[0], eddy)
            )
        temperature = np.array([each.elution_temperature[0] for each in found])
        return times, Bands(*(np.array(part) for part in zip(*parts, strict=True))), temperature

    def _eddies(
        self, tables: dict[Controlled, MigrationTables], flow_factors: Array, found: list[Migration]
    ) -> list[Array]:
        """The variances (M,) [s2] by eddies of each run: what a packing without them lacks."""
        if self.system.column.packing is None:
            return [np.zeros_like(each.width[0]) for each in found]
        without = {
            kind: replace(table, system=replace(table.system, eddy_factor=0.0))
            for kind, table in tables.items()
        }
        smooth = self._migrated(without, flow_factors, "polish")
        return [each.width[0] ** 2 - other.width[0] ** 2 for each, other in zip(found, smooth, strict=True)]

    def _migrated(
        self,
        tables: dict[Controlled, MigrationTables],
        flow_factors: Array,
        accuracy: Accuracy,
        slopes: bool = False,
    ) -> list[Migration]:
        """Each run by itself."""
        found = []
        for batch, factor in zip(self.batches, flow_factors, strict=True):
            table = tables[batch.controlled]
            system = replace(table.system, flow_factor=float(factor), oven_lag=self.system.oven_lag)
            directions = off_set_points(batch, 0.0) if slopes else None
            found.append(migrate(replace(table, system=system), batch, accuracy, directions))
        return found

    def slopes(
        self,
        tables: dict[Controlled, MigrationTables],
        flow_factors: Array,
        zeros: Array | None = None,
    ) -> TimeSlopes:
        """Retention times with their derivatives.

        Parameters
        ----------
        zeros : (R,) set values from which a share of the carrier counts; None where derivatives by set points are not
            wanted
        """
        found = []
        for r, (batch, factor) in enumerate(zip(self.batches, flow_factors, strict=True)):
            table = tables[batch.controlled]
            system = replace(table.system, flow_factor=float(factor), oven_lag=self.system.oven_lag)
            zero = 0.0 if zeros is None else float(zeros[r])
            peaks = migrate(replace(table, system=system), batch, "polish", off_set_points(batch, zero))
            assert peaks.slopes is not None
            t = np.where(peaks.eluted[0], peaks.retention_time[0], NEVER)
            oven, carrier, lag, *own, ln_flow, _, _ = np.nan_to_num(peaks.slopes.retention_time[0])
            by_set_points = np.stack([oven, carrier, ln_flow], axis=1)
            found.append((t, np.stack(own, axis=1), ln_flow, lag, by_set_points))
        return TimeSlopes(*(np.array(each) for each in zip(*found, strict=True)))

    @cached_property
    def typical_curve(self) -> tuple[Array, Array]:
        """T0 (G,) [K] and the retention times (R, G) [s] of typical compounds at nominal flow."""
        grid = np.linspace(self.lowest - 150.0, self.highest + 200.0, 120)
        retention = retention_of(self.typical.parameters(grid))
        return grid, self.times(self.tables(retention), np.ones(len(self.batches)))


@dataclass(frozen=True)
class TimeSlopes:
    """Retention times of R runs and M compounds, and their derivatives; NEVER and 0 where not eluted.

    Attributes
    ----------
    times : (R, M) array  [s]
    by_retention : (R, M, 3) array, by the compound's T0 [K], ln theta and dCp [J/mol/K]
    by_ln_flow : (R, M) array  [s], by the logarithm of the run's flow factor
    by_lag : (R, M) array  [-], by the oven's lag
    by_set_points : (R, M, 3) array, by what oven [K] and carrier (share) are off, if asked for, and by ln flow
    """

    times: Array
    by_retention: Array
    by_ln_flow: Array
    by_lag: Array
    by_set_points: Array


@dataclass(frozen=True)
class CompoundFits:
    """Each of M compounds fitted by itself to R runs.

    Attributes
    ----------
    parameters : (M, 3) array of T0, ln theta, dCp
    times : (R, M) array  [s], predicted
    slopes : (R, M, 3) array, derivatives of the times
    distance : (M, R + 3) array, standardised: predicted - measured times (0 where missing), then the priors
    slope : (M, R + 3, 3) array, derivatives of the distances
    """

    parameters: Array
    times: Array
    slopes: Array
    distance: Array
    slope: Array

    @property
    def chi_square(self) -> Array:
        """Sum of squares (M,), the distances from typical values among them."""
        result: Array = (self.distance**2).sum(axis=1)
        return result

    @property
    def time_error(self) -> Array:
        """Standard deviation (R, M) [s] of the predicted times that the parameters' uncertainty leaves."""
        covariance = np.linalg.inv(np.einsum("mri,mrj->mij", self.slope, self.slope))
        result: Array = np.sqrt(np.einsum("rmi,mij,rmj->rm", self.slopes, covariance, self.slopes))
        return result

    @property
    def step(self) -> Array:
        """(M, 3) from the parameters to the least sum of squares, by first derivatives."""
        normal, gradient = (
            np.einsum("mri,mrj->mij", self.slope, self.slope),
            np.einsum("mri,mr->mi", self.slope, self.distance),
        )
        result: Array = -np.linalg.solve(normal, gradient[:, :, None])[:, :, 0]
        return result

    def believed(self, noise: float = 1.0, wider: tuple[float, float] = (1.0, 1.0)) -> CompoundFits:
        """With variances of times so many times as large, and ln theta and dCp so many times as wide about typical."""
        weight = np.ones(self.distance.shape[1])
        R = len(self.times)
        weight[:R], weight[R : R + 2] = 1 / np.sqrt(noise), 1 / np.array(wider)
        return replace(self, distance=self.distance * weight, slope=self.slope * weight[:, None])

    def of(self, which: NDArray[np.intp]) -> CompoundFits:
        """The compounds `which` alone."""
        return CompoundFits(
            self.parameters[which],
            self.times[:, which],
            self.slopes[:, which],
            self.distance[which],
            self.slope[which],
        )

    def put(self, which: NDArray[np.intp], other: CompoundFits) -> CompoundFits:
        """With the compounds `which` replaced by those of another set."""
        arrays = [self.parameters.copy(), self.times.copy(), self.slopes.copy()]
        arrays += [self.distance.copy(), self.slope.copy()]
        arrays[0][which], arrays[1][:, which], arrays[2][:, which] = (
            other.parameters,
            other.times,
            other.slopes,
        )
        arrays[3][which], arrays[4][which] = other.distance, other.slope
        return CompoundFits(*arrays)


def retention_of(parameters: Array) -> Retention:
    """(M, 3) array of T0, ln theta, dCp as Retention."""
    return Retention(parameters[:, 0], np.exp(parameters[:, 1]), parameters[:, 2])


def fit_each(simulator: Simulator, measured: Array, sigma: Array, factors: Array) -> CompoundFits:
    """Every compound fitted by itself.

    Parameters
    ----------
    measured, sigma : (R, M) arrays  [s]; any compounds, nan in `measured` where missing
    factors : (R,) array, flow factor of each run
    """
    start = _start(simulator, measured)
    parameters = start
    for free, tolerance in STAGES:
        fits = _settled(simulator, parameters, start, measured, sigma, factors, free, tolerance)
        parameters = fits.parameters
    return fits


def _start(simulator: Simulator, measured: Array) -> Array:
    """T0 from a grid of typical compounds, interpolated in retention time run by run and averaged."""
    grid, times = simulator.typical_curve
    T0 = np.array([np.interp(row, curve, grid) for row, curve in zip(measured, times, strict=True)])
    T0 = np.nanmean(np.where(np.isnan(measured), np.nan, T0), axis=0)
    return simulator.typical.parameters(T0)


def priors(parameters: Array, start: Array, typical: Typical) -> tuple[Array, Array]:
    """Standardised distances (M, 3) from typical and derivatives (M, 3, 3).

    Of ln theta and dCp, and, loosely, of T0 from where it was read off: an unretained peak says nothing of it.
    """

    def distance(p: Array) -> Array:
        loosely = (p[:, :1] - start[:, :1]) / T0_SPREAD
        return np.concatenate([typical.off(p) / typical.spreads, loosely], axis=1)

    at = distance(parameters)
    slopes = [(distance(parameters + step) - at) / step.sum() for step in np.diag(PARAMETER_STEPS)]
    return at, np.stack(slopes, axis=2)


def kept_possible(parameters: Array) -> Array:
    """Trial parameters (M, 3) with T0 kept above where the equations lose their meaning."""
    parameters[:, 0] = np.maximum(parameters[:, 0], COLDEST_T0)
    return parameters


def at(
    simulator: Simulator, parameters: Array, start: Array, measured: Array, sigma: Array, factors: Array
) -> CompoundFits:
    """Times, distances and derivatives at given parameters (M, 3); `start` (M, 3) is where T0 was read off."""
    found = simulator.slopes(simulator.tables(retention_of(parameters)), factors)
    times, slopes = found.times, found.by_retention
    distance = np.nan_to_num((times - measured) / sigma).T
    slope = np.where(np.isnan(measured)[:, :, None], 0.0, slopes / sigma[:, :, None]).transpose(1, 0, 2)
    prior, prior_slope = priors(parameters, start, simulator.typical)
    return CompoundFits(
        parameters,
        times,
        slopes,
        np.concatenate([distance, prior], axis=1),
        np.concatenate([slope, prior_slope], axis=1),
    )


def _settled(
    simulator: Simulator,
    parameters: Array,
    start: Array,
    measured: Array,
    sigma: Array,
    factors: Array,
    free: NDArray[np.bool_],
    tolerance: float,
) -> CompoundFits:
    """Levenberg-Marquardt for every compound by itself, all at once; only the unsettled are simulated again."""
    damping = np.full(len(parameters), 1e-3)
    fits = at(simulator, parameters, start, measured, sigma, factors)
    moving = np.arange(len(parameters))
    for _ in range(MOST_STEPS):
        J = fits.slope[moving] * free
        normal = np.einsum("mri,mrj->mij", J, J)
        gradient = np.einsum("mri,mr->mi", J, fits.distance[moving])
        diagonal = np.einsum("mii->mi", normal)
        normal = normal + (damping[moving, None] * diagonal + ~free + 1e-12)[:, :, None] * np.eye(3)
        step = -np.linalg.solve(normal, gradient[:, :, None])[:, :, 0] * free
        step = np.clip(step, -LARGEST_STEPS, LARGEST_STEPS)
        trial = at(
            simulator,
            kept_possible(fits.parameters[moving] + step),
            start[moving],
            measured[:, moving],
            sigma[:, moving],
            factors,
        )
        change = trial.chi_square - fits.chi_square[moving]
        better = change < 0
        fits = fits.put(moving[better], trial.of(np.flatnonzero(better)))
        damping[moving] = np.clip(np.where(better, damping[moving] / 5, damping[moving] * 5), 1e-9, 1e9)
        settled = (np.abs(step) < tolerance * PARAMETER_STEPS).all(axis=1)
        # Large residuals are approached slowly, and the last digits of their sum matter to nobody.
        settled |= np.abs(change) < 3e-3 + 1e-3 * trial.chi_square
        moving = moving[~(settled | (damping[moving] > 1e6))]
        if not moving.size:
            break
    return fits
