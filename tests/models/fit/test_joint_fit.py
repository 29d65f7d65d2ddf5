"""The joint fit rests at the minimum of its own sum of squares, its derivatives being those of its distances."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from models.column.programs import Array, CarrierProgram, OvenProgram, Program, Ramp
from models.column.retention import UNRETAINED
from models.fit.arrow import Point, factored
from models.fit.compound_fits import Simulator, fit_each
from models.fit.fit import USUAL_OVEN_LAG, DayToDay, FlowCorrection, Run, days_of
from models.fit.joint_fit import Joint, fit_jointly, joint_problem
from tests.models.fit.test_arrow import dense, vector
from tests.models.fit.test_fitting import NOMINAL, TRUE, truth

PRESSURE = 2.2e5  # Pa; at constant pressure the engine has hardly any noise
HOLD = 30.0  # s, less than the hold-up time, so that the lag changes that, too
LAG = 3.0
USUAL = DayToDay(0.3, 0.01, 0.01, 0.01, 101325.0)


def runs_of(rates: tuple[float, ...], repeatability: float = 0.18, noise: float = 0.18) -> list[Run]:
    programs = [
        Program(
            OvenProgram(323.15, HOLD, (Ramp(rate / 60, 573.15, 600.0),)), CarrierProgram("pressure", PRESSURE)
        )
        for rate in rates
    ]
    missing = np.full(len(truth()), np.nan)
    runs = [
        Run(f"{rate:g}", program, missing, missing) for rate, program in zip(rates, programs, strict=True)
    ]
    simulator = Simulator(replace(TRUE, oven_lag=LAG), runs)
    factors = np.full(len(runs), TRUE.flow_factor)
    times = simulator.peaks(simulator.tables(truth()), factors)[0]
    times += np.random.default_rng(4).normal(0.0, noise, times.shape)
    air = simulator.times(simulator.tables(UNRETAINED), factors)[:, 0]
    return [
        replace(run, retention=t, hold_up=float(a), repeatability=repeatability, day=str(r % 2))
        for r, (run, t, a) in enumerate(zip(runs, times, air, strict=True))
    ]


def fitted(runs: list[Run], flow_correction: FlowCorrection, day_to_day: DayToDay) -> Joint:
    simulator = Simulator(replace(NOMINAL, oven_lag=USUAL_OVEN_LAG), runs, 2.0)
    measured = np.array([run.retention for run in runs])
    sigma = np.array([[run.repeatability] for run in runs]) * np.ones(measured.shape)
    first = fit_each(simulator, measured, sigma, np.ones(len(runs))).parameters
    days = days_of(runs, day_to_day)
    return fit_jointly(joint_problem(simulator, runs, first, measured, sigma, flow_correction, days))


@pytest.mark.parametrize("rates", [(4.0, 15.0), (3.0, 10.0, 40.0)])
@pytest.mark.parametrize("flow_correction", ["column", "run", "none"])
def test_nothing_is_left_to_gain(rates: tuple[float, ...], flow_correction: FlowCorrection) -> None:
    joint = fitted(runs_of(rates), flow_correction, USUAL)
    assert joint.settled
    r, J = dense(joint.problem.rows(joint.point))
    scale = np.linalg.norm(J, axis=0)
    step = np.linalg.lstsq(J / scale, -r, rcond=None)[0]
    assert np.linalg.norm((J / scale) @ step) < 1e-7  # standard deviations


def test_the_sum_of_squares_is_least_in_every_direction() -> None:
    joint = fitted(runs_of((3.0, 10.0, 40.0)), "column", USUAL)
    least, sd = joint.rows.sum_of_squares, vector(factored(joint.rows).standard_deviations)
    M = len(joint.parameters)
    for i in range(vector(joint.point).size):
        step = np.zeros_like(sd)
        step[i] = 0.1 * sd[i]
        moved = [_sum_at(joint, sign * step, M) for sign in (-1.0, 1.0)]
        # A parabola's foot is where its sides are level: here within a hundredth of a standard deviation.
        assert min(moved) > least
        assert abs(moved[1] - moved[0]) < 0.04 * (moved[0] + moved[1] - 2 * least)


def _sum_at(joint: Joint, step: Array, M: int) -> float:
    move = Point(step[: 3 * M].reshape(3, M).T, step[3 * M :])
    return joint.problem.rows(joint.point + move).sum_of_squares


def test_derivatives_are_those_of_the_distances() -> None:
    """Those of the hold-up times by the oven's lag among them."""
    joint = fitted(runs_of((4.0, 15.0)), "run", USUAL)
    M, size = len(joint.parameters), vector(joint.point).size
    J, sd = dense(joint.rows)[1], vector(factored(joint.rows).standard_deviations)
    for i in range(size):
        step = np.zeros(size)
        step[i] = 0.05 * sd[i]
        move = Point(step[: 3 * M].reshape(3, M).T, step[3 * M :])
        back = Point(-move.own, -move.shared)
        ahead, behind = (dense(joint.problem.rows(joint.point + each))[0] for each in (move, back))
        slope = (ahead - behind) / (2 * step[i])
        np.testing.assert_allclose(J[:, i], slope, atol=2e-3 * np.abs(slope).max())
    lag = 3 * M + joint.problem.flows
    assert np.abs(J[-joint.rows.common.size :][:2, lag]).min() > 1e-3


def test_covariance_and_freedom_are_those_of_the_dense_matrix() -> None:
    joint = fitted(runs_of((2.0, 5.0, 12.0, 40.0), repeatability=0.05), "column", DayToDay())
    assert joint.freedom > 3
    assert joint.excess > 1.1
    measured, typical = (
        (J := dense(joint.weighted(*weights))[1]).T @ J for weights in ((1.0, 0.0), (0.0, 1.0))
    )
    deciding = np.trace(np.linalg.solve(measured + typical, measured))
    assert joint.freedom == pytest.approx(joint.problem.count - deciding, rel=1e-8)
    covariance = np.linalg.inv(measured / joint.excess + typical)
    size = len(joint.covariance)
    assert size == 3 * len(joint.parameters) + 2
    sd = np.sqrt(np.diag(joint.covariance))
    np.testing.assert_allclose(
        joint.covariance / np.outer(sd, sd), covariance[:size, :size] / np.outer(sd, sd), atol=1e-8
    )
