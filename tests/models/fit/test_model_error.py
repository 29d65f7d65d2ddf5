"""What the model leaves out of times: its size within and beyond what was scouted, and what compounds share of it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats
from scipy.integrate import quad

from models.column.programs import CarrierProgram, OvenProgram, Program, Ramp, batch_of
from models.column.retention import Retention
from models.fit.fit import MODEL_ERROR, Fit
from models.fit.fitting import fit_retention
from models.fit.model_error import ALIKE, BEYOND, FASTER, alike, beyond, extremes, model_error, size_of
from models.peaks.migration import migration_tables
from models.peaks.sensitivity import sensitivity
from models.units import flow_si
from tests.models.fit.test_fitting import LAG, NAMES, NOMINAL, TRUE, lagging, measured, ramp, truth
from tests.reference.adapter import reference_peak

RATES = (4.0, 12.0)


@pytest.fixture(scope="module")
def fit() -> Fit:
    return fit_retention(NOMINAL, [measured(ramp(rate), f"{rate:g}") for rate in RATES], NAMES)


def test_the_scouted_range_is_that_of_the_elution_temperatures(fit: Fit) -> None:
    expected = np.empty((len(RATES), len(NAMES)))
    for r, rate in enumerate(RATES):
        for m in range(len(NAMES)):
            peak = reference_peak(TRUE, truth(), m, lagging(ramp(rate)))
            assert peak is not None
            expected[r, m] = peak.temperature
    # Two ramps hardly tell the lag, and the times fix what the column feels less that.
    late = np.array(RATES)[:, None] / 60 * (fit.system.oven_lag - LAG)
    np.testing.assert_allclose(fit.scouted + late, expected, atol=0.02)


def test_a_run_without_the_peak_scouts_nothing() -> None:
    runs = [measured(ramp(rate), f"{rate:g}") for rate in RATES]
    lacking = replace(runs[1], retention=np.where(np.arange(len(NAMES)) == 2, np.nan, runs[1].retention))
    low, high = fit_retention(NOMINAL, [runs[0], lacking], NAMES).scouted
    assert low[2] == high[2]
    assert np.all(np.delete(high - low, 2) > 10)
    np.testing.assert_array_equal(
        extremes(np.array([[400.0, np.nan], [380.0, 500.0]])), [[380.0, 500.0], [400.0, 500.0]]
    )


def errors(fit: Fit, program: Program) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Model errors, times and elution temperatures of a program, (M,) each."""
    tables = migration_tables(fit.system, fit.retention, program.carrier.controlled)
    slopes = sensitivity(tables, batch_of([program]), 0.0, "polish")
    return model_error(fit, slopes, slopes.base[0])[0], slopes.base[0, 0], slopes.base[2, 0]


def test_within_the_scouted_range_it_is_a_share_of_the_time(fit: Fit) -> None:
    error, t, T = errors(fit, ramp(8.0))
    assert np.all((fit.scouted[0] < T) & (fit.scouted[1] > T))
    np.testing.assert_allclose(error, MODEL_ERROR * t, rtol=1e-12)


def test_beyond_it_grows_as_an_error_of_T0(fit: Fit) -> None:
    """An isothermal run far below: the time's slope by T0 from two runs of the reference integrator."""
    T, step, m = 390.0, 0.05, 3
    program = Program(OvenProgram(T), CarrierProgram("flow", float(flow_si(1.2))))
    error, t, at = errors(fit, program)
    away = fit.scouted[0, m] - T
    assert away > 20
    assert at[m] == pytest.approx(T)
    times = []
    for by in (-step, step):
        own = replace(fit.retention, T0=fit.retention.T0 + by)
        peak = reference_peak(fit.system, own, m, program)
        assert peak is not None
        times.append(peak.time)
    slope = (times[1] - times[0]) / (2 * step)
    expected = np.sqrt((MODEL_ERROR * t[m]) ** 2 + (BEYOND * away / 100 * slope) ** 2)
    assert error[m] == pytest.approx(expected, rel=2e-3)


def test_it_grows_as_faster_gas_does(fit: Fit) -> None:
    """Twice the flow is not twice the velocity: hold-up times by the reference integrator say how much it is."""
    times = []
    for flow in (1.2, 2.4):
        program = Program(OvenProgram(373.15), CarrierProgram("flow", float(flow_si(flow))))
        unretained = Retention(np.array([50.0]), np.array([3.0]), np.array([0.0]))
        air = reference_peak(NOMINAL, unretained, 0, program)
        assert air is not None
        times.append(air.time)
    faster = replace(ramp(8.0), carrier=CarrierProgram("flow", float(flow_si(2.4))))
    everywhere = replace(fit, scouted=np.array([[-np.inf], [np.inf]]))
    error, t, _ = errors(everywhere, faster)
    tables = migration_tables(fit.system, fit.retention, "flow")
    by_T0 = sensitivity(tables, batch_of([faster]), 0.0, "polish").by_retention[0, 0, 0]
    expected = np.hypot(MODEL_ERROR * t, FASTER * np.log(times[0] / times[1]) * by_T0)
    np.testing.assert_allclose(error, expected, rtol=1e-3)
    scouted = replace(everywhere, scouted_velocity=fit.scouted_velocity + np.array([0.0, 1.0]))
    np.testing.assert_allclose(errors(scouted, faster)[0], MODEL_ERROR * t)


def test_the_distance_counts_to_the_nearer_end_and_not_within() -> None:
    scouted = np.array([[400.0, 400.0], [420.0, 420.0]])
    found = beyond(scouted, np.array([[390.0, 410.0], [425.0, np.nan], [420.0, 400.0]]))
    np.testing.assert_array_equal(found, [[10.0, 0.0], [5.0, 0.0], [0.0, 0.0]])
    without = np.array([[-np.inf, np.nan], [np.inf, np.nan]])
    np.testing.assert_array_equal(beyond(without, np.array([300.0, 300.0])), 0.0)


def test_nothing_is_left_out_of_what_does_not_elute(fit: Fit) -> None:
    short = Program(
        OvenProgram(303.15, 0.0, (Ramp(1.0, 313.15, 0.0),)), CarrierProgram("flow", float(flow_si(1.2)))
    )
    tables = migration_tables(fit.system, fit.retention, "flow")
    slopes = sensitivity(tables, batch_of([short]), 0.0)
    slopes.base[:, 0, -1] = slopes.by_retention[:, 0, :, -1] = np.nan
    assert model_error(fit, slopes, slopes.base[0])[0, -1] == 0


@pytest.mark.parametrize(("chi_square", "freedom"), [(3.0, 12.0), (12.0, 12.0), (80.0, 12.0), (5.0, 0.5)])
def test_the_size_is_what_residuals_leave_of_ten_degrees_of_freedom(
    fit: Fit, chi_square: float, freedom: float
) -> None:
    """1/size^2 is the mean of 1/variance where the stated one counts as chi-square of ten degrees (numerically)."""
    three = replace(fit, testable=True, chi_square=chi_square, degrees_of_freedom=freedom)

    def weight(precision: float) -> float:
        """Of a precision, 1 as stated: gamma with ten degrees of freedom, times the likelihood of chi-square."""
        prior = stats.gamma(5.0, scale=1 / 5.0).pdf(precision)
        return float(prior * precision * stats.chi2(freedom).pdf(chi_square * precision))

    total, mean = (
        quad(lambda p, n=power: p**n * weight(p), 0, np.inf, epsabs=0, epsrel=1e-9)[0] for power in (0, 1)
    )
    assert size_of(three) == pytest.approx(np.sqrt(total / mean), rel=1e-6)
    assert size_of(replace(three, testable=False)) == 1.0
    program = ramp(30.0)
    np.testing.assert_allclose(errors(three, program)[0], size_of(three) * errors(fit, program)[0])


def test_neighbours_share_as_far_as_they_are_alike(fit: Fit) -> None:
    correlation = alike(fit)
    apart = abs(fit.retention.T0[0] - fit.retention.T0[1])
    assert correlation[0, 1] == pytest.approx(np.exp(-apart / ALIKE))
    assert np.all(np.diag(correlation) == 1)
    assert np.linalg.eigvalsh(correlation).min() > 0
    # Along T0 it is the correlation of a first-order autoregression: through a compound between, nothing is added.
    order = np.argsort(fit.retention.T0)[:3]
    a, b, c = order
    assert correlation[a, c] == pytest.approx(correlation[a, b] * correlation[b, c])
