"""The joint fit: all compounds, and what they share, against all runs.

Beside T0, ln theta and dCp of M compounds the fit finds F ln flow factors, the oven's lag [s], how far the phase's
ln theta and dCp lie from typical on the whole, and E errors of days, in this order. Without the offsets many compounds
together would seem to know typical theta far better than one does, and the lag, which two ramps tell from theta hardly
at all, would follow. Runs of one day share its errors.

Rows of a compound are its R times (0 where missing) and three distances from typical values; common rows are R hold-up
times (0 where missing) and the distances of what is shared. The Jacobian is the arrow of `models.fit.arrow`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from models.column.programs import Array, Controlled
from models.column.retention import UNRETAINED
from models.fit.arrow import Mask, Point, Rows, factored, minimum
from models.fit.compound_fits import COLDEST_T0, Simulator, TimeSlopes, priors, retention_of
from models.fit.fit import (
    FARTHEST,
    OVEN_LAG_SPREAD,
    USUAL_OVEN_LAG,
    Days,
    FlowCorrection,
    Run,
)
from models.fit.typical import heavy, ln_flow_spread
from models.peaks.migration import MigrationTables

HOLD_UP_ERROR = 0.005  # of a measured hold-up time, beside the run's repeatability
LARGEST_LAG = 60.0  # s
TESTABLE_FREEDOM = 3.0  # degrees of freedom from which residuals say something of the noise


@dataclass(frozen=True)
class JointProblem:
    """What is fitted jointly.

    Attributes
    ----------
    simulator : of the R runs, which need no lag
    first : (M, 3) array, where T0 was read off
    measured, sigma : (R, M) arrays  [s], nan in `measured` where missing
    hold_up, hold_up_sigma : (R,) arrays  [s], likewise
    flow_correction : one flow factor for the column, one a run, or none
    days : of the runs
    noise : what the stated errors are multiplied by
    """

    simulator: Simulator
    first: Array
    measured: Array
    sigma: Array
    hold_up: Array
    hold_up_sigma: Array
    flow_correction: FlowCorrection
    days: Days
    noise: float = 1.0

    @property
    def runs(self) -> int:
        """R."""
        return len(self.measured)

    @property
    def flows(self) -> int:
        """F, of ln flow factors."""
        return self.runs if self.flow_correction == "run" else 1

    @property
    def middle(self) -> Array:
        """(B,) typical values of what is shared."""
        flow = np.full(self.flows, np.log(self.simulator.system.column.free_bore_factor))
        return np.array([*flow, USUAL_OVEN_LAG, 0.0, 0.0, *np.zeros(self.days.count)])

    @property
    def spread(self) -> Array:
        """(B,) standard deviations of what is shared about typical values."""
        column = self.simulator.system.column
        flow = np.full(self.flows, ln_flow_spread(column, self.flow_correction))
        return np.array([*flow, OVEN_LAG_SPREAD, *self.simulator.typical.offsets, *np.ones(self.days.count)])

    @property
    def bounds(self) -> tuple[Point, Point]:
        """Least and largest values."""
        F, E = self.flows, self.days.count
        own = np.full(self.first.shape, np.inf)
        low, high = Point(-own, np.full(F + 3 + E, -np.inf)), Point(own, np.full(F + 3 + E, np.inf))
        low.own[:, 0] = COLDEST_T0
        low.shared[F], high.shared[F] = 0.0, LARGEST_LAG
        low.shared[F + 3 :], high.shared[F + 3 :] = -FARTHEST, FARTHEST
        return low, high

    @cached_property
    def count(self) -> int:
        """Of measured values."""
        return int((~np.isnan(self.measured)).sum() + (~np.isnan(self.hold_up)).sum())

    @cached_property
    def unretained(self) -> dict[Controlled, MigrationTables]:
        """Tables of what marks the hold-up time."""
        return self.simulator.tables(UNRETAINED)

    def of(self, compounds: Mask) -> JointProblem:
        """The compounds of a mask alone."""
        return replace(
            self,
            first=self.first[compounds],
            measured=self.measured[:, compounds],
            sigma=self.sigma[:, compounds],
        )

    def on_their_days(self, shared: Array) -> tuple[Simulator, Array]:
        """The runs, and their flow factors (R,), with what they share."""
        F = self.flows
        factors, lagging = flow_factors(shared[:F], self.runs), self.simulator.lagging(float(shared[F]))
        if not self.days.count:
            return lagging, factors
        off = self.days.off(shared[F + 3 :])
        return lagging.set_off(off[:, 0], off[:, 1], self.days.zeros), factors * np.exp(off[:, 2])

    def rows(self, point: Point) -> Rows:
        """Standardised distances and derivatives."""
        then, factors = self.on_their_days(point.shared)
        zeros = self.days.zeros if self.days.count else None
        found = then.slopes(self.simulator.tables(retention_of(point.own)), factors, zeros)
        air = then.slopes(self.unretained, factors, zeros)
        sigma, air_sigma = self.noise * self.sigma, self.noise * self.hold_up_sigma
        known, has_air = ~np.isnan(self.measured), ~np.isnan(self.hold_up)
        times = np.where(known, (found.times - self.measured) / sigma, 0.0)
        hold_up = np.where(has_air, (air.times[:, 0] - self.hold_up) / air_sigma, 0.0)
        weight, air_weight = known / sigma, has_air / air_sigma

        typical = self.simulator.typical
        own_share = typical.own_share
        prior, prior_slope = priors(point.own, self.first, typical)
        rescale, scatter = np.array([*(1 / own_share), 1.0]), typical.spreads * own_share
        offsets = slice(self.flows + 1, self.flows + 3)
        prior = rescale * prior
        prior[:, :2] -= point.shared[offsets] / scatter
        by_offset = np.zeros((*prior.shape, point.shared.size))
        by_offset[:, :2, offsets] = -np.diag(1 / scatter)
        prior[:, 1], steeper = heavy(prior[:, 1])
        prior_slope[:, 1] *= steeper[:, None]
        by_offset[:, 1] *= steeper[:, None]
        return Rows(
            np.concatenate([times.T, prior], axis=1),
            np.concatenate(
                [(weight[:, :, None] * found.by_retention).swapaxes(0, 1), rescale[:, None] * prior_slope],
                axis=1,
            ),
            np.concatenate([(weight[:, :, None] * self._by_shared(found)).swapaxes(0, 1), by_offset], axis=1),
            np.concatenate([hold_up, (point.shared - self.middle) / self.spread]),
            np.concatenate([air_weight[:, None] * self._by_shared(air)[:, 0], np.diag(1 / self.spread)]),
        )

    def _by_shared(self, found: TimeSlopes) -> Array:
        """Derivatives of times (R, M, B)."""
        R, F, E = self.runs, self.flows, self.days.count
        result = np.zeros((*found.times.shape, F + 3 + E))
        result[np.arange(R), :, np.arange(R) if F > 1 else 0] = found.by_ln_flow
        result[:, :, F] = found.by_lag
        if E:
            result[:, :, -E:] = self.days.slopes(found.by_set_points)
        return result


@dataclass(frozen=True)
class Joint:
    """A joint estimate.

    Attributes
    ----------
    problem : what was fitted
    point : parameters (M, 3), and what is shared
    rows : distances and derivatives there
    settled : bool, whether the fit came to rest
    """

    problem: JointProblem
    point: Point
    rows: Rows
    settled: bool

    @property
    def parameters(self) -> Array:
        """T0, ln theta and dCp (M, 3)."""
        return self.point.own

    @property
    def ln_flow(self) -> Array:
        """Ln flow factors (F,)."""
        return self.point.shared[: self.problem.flows]

    @property
    def lag(self) -> float:
        """Of the oven [s]."""
        return float(self.point.shared[self.problem.flows])

    @cached_property
    def on_their_days(self) -> tuple[Simulator, Array]:
        """The runs with the lag and on their days, and their flow factors (R,)."""
        return self.problem.on_their_days(self.point.shared)

    @cached_property
    def chi_square(self) -> float:
        """Sum of squares of the measured values alone."""
        return self.weighted(1.0, 0.0).sum_of_squares

    @cached_property
    def freedom(self) -> float:
        """Of all that was measured, what the effective number of parameters leaves over to test the fit."""
        return self.problem.count - factored(self.rows).share(self.weighted(1.0, 0.0))

    @property
    def excess(self) -> float:
        """By how much variances are larger than they were taken for; 1 where too little is left over to tell."""
        return self.chi_square / self.freedom if self.freedom >= TESTABLE_FREEDOM else 1.0

    @property
    def covariance(self) -> Array:
        """Of T0 of all compounds, ln theta, dCp, ln flow factors and lag, (3 M + F + 1)^2.

        Where residuals are larger than stated, so is the uncertainty; typical values know what they knew before.
        """
        weighted = self.weighted(1 / np.sqrt(max(self.excess, 1.0)), 1.0)
        size = self.parameters.size + self.problem.flows + 1
        return factored(weighted).covariance[:size, :size]

    @property
    def prior_weight(self) -> Array:
        """Share (M, 3) of what is known of T0, and of ln theta and dCp less typical ones, that is known before.

        It is their variance over that of the prior, which includes what all compounds have in common.
        """
        at = np.arange(self.parameters.size).reshape(3, -1)
        own = self.covariance[at[:, None], at[None]]
        slopes = priors(self.parameters, self.problem.first, self.problem.simulator.typical)[1]
        result: Array = np.einsum("mki,ijm,mkj->mk", slopes, own, slopes)[:, [2, 0, 1]]
        return np.clip(result, 0, 1)

    def weighted(self, measured: float, typical: float) -> Rows:
        """The rows of measured and of typical values, each times a weight."""
        return self.rows.weighted(
            *(
                np.where(np.arange(size) < self.problem.runs, measured, typical)
                for size in (self.rows.distance.shape[1], self.rows.common.size)
            )
        )


def joint_problem(
    simulator: Simulator,
    runs: Sequence[Run],
    first: Array,
    measured: Array,
    sigma: Array,
    flow_correction: FlowCorrection,
    days: Days,
) -> JointProblem:
    """The problem of R runs; see `JointProblem`."""
    hold_up = np.array([np.nan if run.hold_up is None else run.hold_up for run in runs])
    error = np.hypot([run.repeatability for run in runs], HOLD_UP_ERROR * np.nan_to_num(hold_up))
    return JointProblem(simulator, first, measured, sigma, hold_up, error, flow_correction, days)


def fit_jointly(problem: JointProblem, start: Point | None = None) -> Joint:
    """The least sum of squares, from every compound fitted by itself and typical values where no start is given."""
    found = minimum(problem.rows, start or Point(problem.first, problem.middle), *problem.bounds)
    return Joint(problem, found.point, found.rows, found.settled)


def flow_factors(ln_flow: Array, runs: int) -> Array:
    """Flow factor of each run (R,) from the F fitted logarithms."""
    return np.exp(np.broadcast_to(ln_flow, (runs,)))
