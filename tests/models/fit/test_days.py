"""Runs of several days: what oven and carrier were off on each does not pass for a property of a compound."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from models.column.programs import CarrierProgram, Program
from models.fit.compound_fits import Simulator
from models.fit.fit import DayToDay, days_of
from models.fit.fitting import Fit, Run, fit_retention
from tests.models.fit.test_fitting import LAG, NAMES, NOMINAL, TRUE, lagging, measured, ramp, truth
from tests.reference.adapter import reference_peak

# Anything within +- 1 °C and +- 1 % as a standard deviation
USUAL = DayToDay(oven=1 / 3**0.5, flow=0.01 / 3**0.5, pressure=0.01 / 3**0.5, ambient=101325.0)
OFF = (0.8, -0.007)  # of the oven [K] and of the flow on the other day


def off(program: Program, oven: float, flow: float) -> Program:
    """What the column feels when oven and set flow are off."""
    ramps = tuple(replace(each, target=each.target + oven) for each in program.oven.ramps)
    return Program(
        replace(program.oven, start=program.oven.start + oven, ramps=ramps),
        CarrierProgram("flow", program.carrier.start * (1 + flow)),
    )


@pytest.fixture(scope="module")
def runs() -> list[Run]:
    """Two ramps of one day and one of another, by the reference integrator, without noise."""
    of_one_day = [measured(ramp(rate), f"{rate:g}", hold_up=True) for rate in (3.0, 12.0)]
    other = ramp(6.0)
    felt = off(lagging(other, LAG), *OFF)
    peaks = [reference_peak(TRUE, truth(), m, felt) for m in range(len(NAMES))]
    times = np.array([peak.time for peak in peaks if peak])
    assert len(times) == len(NAMES)
    return [*of_one_day, Run("6", other, times, np.full(len(NAMES), np.nan), 0.18)]


def t0_off(fit: Fit) -> float:
    return float(np.abs(fit.retention.T0 - truth().T0).max())


def lag_off(fit: Fit) -> float:
    """In its standard deviations."""
    return float(abs(fit.system.oven_lag - LAG) / np.sqrt(fit.covariance[-1, -1]))


def test_a_run_of_another_day_teaches_without_bending_what_was_known(runs: list[Run]) -> None:
    labelled = [replace(run, day=day) for run, day in zip(runs, ("monday", "monday", "friday"), strict=True)]
    two = fit_retention(NOMINAL, runs[:2], NAMES)
    as_one_day, as_two = (fit_retention(NOMINAL, each, NAMES, day_to_day=USUAL) for each in (runs, labelled))
    # A run that is off by 0.8 °C bends what two sound ones had right, when it passes for one of them.
    assert t0_off(as_one_day) > 3 * t0_off(two)
    assert abs(as_one_day.system.oven_lag - LAG) > 5
    assert lag_off(as_two) < 2
    assert t0_off(as_two) < 0.5 * t0_off(as_one_day)
    assert as_two.chi_square < 0.1 * as_one_day.chi_square
    assert np.all(np.abs(as_two.retention.T0 - truth().T0) < 2 * as_two.standard_error[:, 0])
    assert np.all(np.abs(as_two.residual) < 0.1)


def test_of_one_day_nothing_is_told_apart(runs: list[Run]) -> None:
    plain = fit_retention(NOMINAL, runs, NAMES)
    labelled = fit_retention(NOMINAL, [replace(run, day="monday") for run in runs], NAMES, day_to_day=USUAL)
    assert np.array_equal(plain.retention.T0, labelled.retention.T0)
    assert np.array_equal(plain.covariance, labelled.covariance)


def test_days_that_are_never_off_are_one_day(runs: list[Run]) -> None:
    plain = fit_retention(NOMINAL, runs, NAMES)
    labelled = [replace(run, day=run.name) for run in runs]
    exact = fit_retention(NOMINAL, labelled, NAMES, day_to_day=DayToDay())
    assert pytest.approx(plain.retention.T0, abs=0.01) == exact.retention.T0
    assert exact.standard_error == pytest.approx(plain.standard_error, rel=0.01)


def test_less_is_known_of_runs_that_are_all_of_different_days(runs: list[Run]) -> None:
    sound = [*runs[:2], measured(ramp(6.0), "6")]
    one, three = (
        fit_retention(NOMINAL, each, NAMES, day_to_day=USUAL)
        for each in (sound, [replace(run, day=run.name) for run in sound])
    )
    assert np.all(three.standard_error[:, 0] > one.standard_error[:, 0])
    assert np.all(np.abs(three.retention.T0 - truth().T0) < 2 * three.standard_error[:, 0])


def test_slopes_by_the_errors_of_days_are_what_the_times_do() -> None:
    """At constant pressure and constant flow, by differences of runs set off."""
    pressure = Program(ramp(10.0).oven, CarrierProgram("pressure", 251325.0))
    nothing = np.full(len(NAMES), np.nan)
    runs = [
        Run("flow", ramp(10.0), nothing, nothing, day="a"),
        Run("pressure", pressure, nothing, nothing, day="b"),
    ]
    days = days_of(runs, replace(USUAL, hold_up=0.01))
    assert days.count == 6
    simulator = Simulator(NOMINAL, runs, room=5.0)
    tables = simulator.tables(truth())

    def times(errors: np.ndarray) -> np.ndarray:
        by_run = days.off(errors)
        then = simulator.set_off(by_run[:, 0], by_run[:, 1], days.zeros)
        return then.times(tables, np.exp(by_run[:, 2]))

    found = days.slopes(simulator.slopes(tables, np.ones(2), days.zeros).by_set_points)
    for e, step in enumerate(0.05 * np.eye(6)):
        expected = (times(step) - times(-step)) / 0.1
        assert found[:, :, e] == pytest.approx(expected, rel=0.02, abs=0.01)
    # A gauge pressure of 150 kPa that is 1 % off is off by 1.5 kPa.
    assert days.zeros.tolist() == [0.0, 101325.0]
