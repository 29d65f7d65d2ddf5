"""Exponential tails: computed shapes (scipy), and the published formulas of Foley and Dorsey, from memory."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import exponnorm

from models.column.programs import Array
from models.peaks.chromatogram import detector_trace, trace_times
from models.peaks.overload import shape_of
from models.peaks.resolution import HALF_HEIGHT_WIDTH, leaning_too
from models.peaks.tails import Tail, before_decay, seen
from tests.published.tables import rows

ONE = np.ones(1)


def drawn(times: Array, tau: float, sigma: float = 1.0, own: float = 1.0, apex: float = 0.0) -> Array:
    """A peak of area 1 that was `sigma` wide before the decay, as the trace draws it."""
    found = seen(sigma * ONE, tau, own * ONE)
    width, tail = found.width * HALF_HEIGHT_WIDTH, Tail(tau, own * ONE)
    return detector_trace(times, apex * ONE, width, ONE, found.tailing, tail=tail)


@pytest.mark.parametrize("row", rows("emg"), ids=lambda row: row["tau_over_sigma"])
def test_apex_width_and_tailing_are_those_of_the_modified_gaussian(row: dict[str, str]) -> None:
    """An independent computation: scipy's density searched for apex, half height and 5 %."""
    found = seen(ONE, float(row["tau_over_sigma"]), ONE)
    assert found.shift[0] == pytest.approx(float(row["apex_shift_over_sigma"]), abs=2e-6)
    assert found.width[0] == pytest.approx(float(row["w_half_over_gaussian"]), rel=1e-6)
    assert found.tailing[0] == pytest.approx(float(row["tailing_factor_5pct"]), rel=1e-5)


@pytest.mark.parametrize("tau", [0.01, 0.2, 1.0, 7.0])
def test_traces_are_modified_gaussians(tau: float) -> None:
    """Against scipy's density, which the trace shares no code with."""
    sigma, apex = 0.7, 100.0
    times = np.linspace(95.0, 100.0 + 10 * sigma + 12 * tau, 4001)
    mean = apex - seen(sigma * ONE, tau, ONE).shift[0]
    expected = exponnorm.pdf(times, tau / sigma, loc=mean, scale=sigma)
    assert drawn(times, tau, sigma, apex=apex) == pytest.approx(expected, abs=1e-5 * expected.max())


@pytest.mark.parametrize("own", [0.7, 1.0, 1.4, 2.5])
@pytest.mark.parametrize("tau", [0.3, 1.5])
def test_a_tail_of_the_columns_own_is_folded_numerically_alike(own: float, tau: float) -> None:
    """Two half Gaussians summed over their past with an exponential weight: apex, half width and 5 % as tabulated."""
    step = 1e-3
    before = np.arange(-8.0, 12.0 + 12 * tau, step)
    front = 1 / own
    back = 2 - front
    entered = np.exp(-0.5 * (before / np.where(before < 0, front, back)) ** 2)
    weights = np.exp(-np.arange(0.0, 14 * tau, step) / tau)
    left = np.convolve(entered, weights / weights.sum())[: len(before)]
    top = int(left.argmax())

    def crossing(level: float, rising: bool) -> float:
        part = slice(0, top + 1) if rising else slice(top, None)
        sign = 1 if rising else -1
        return float(np.interp(sign * level * left[top], sign * left[part], before[part]))

    found = seen(ONE, tau, own * ONE)
    assert found.shift[0] == pytest.approx(before[top], abs=3 * step)
    assert found.width[0] * HALF_HEIGHT_WIDTH == pytest.approx(
        crossing(0.5, False) - crossing(0.5, True), rel=2e-3
    )
    foot, heel = crossing(0.05, True), crossing(0.05, False)
    assert found.tailing[0] == pytest.approx((heel - foot) / (2 * (before[top] - foot)), rel=3e-3)


@pytest.mark.parametrize("tau", [0.7, 1.0, 1.5, 2.0, 3.0])
def test_drawn_peaks_keep_the_rules_of_foley_and_dorsey(tau: float) -> None:
    """J. P. Foley and J. G. Dorsey, Anal. Chem. 55 (1983) 730, from memory: with a the ratio of back to front at 10 %
    of the height, the variance is W0.1^2/(1.764 a^2 - 11.15 a + 28) within 1.5 % for a of 1 to 2.8, and sigma
    W0.1/(3.27 a + 1.2) within 1 % for a of 1.1 to 2.8."""
    sigma = 2.0
    times = np.linspace(-20.0, 60.0, 80001)
    signal = drawn(times, tau * sigma, sigma)
    top = int(signal.argmax())
    foot = np.interp(0.1 * signal[top], signal[: top + 1], times[: top + 1])
    heel = np.interp(-0.1 * signal[top], -signal[top:], times[top:])
    a, width = (heel - times[top]) / (times[top] - foot), heel - foot
    assert 1.1 < a < 2.8
    assert width**2 / (1.764 * a**2 - 11.15 * a + 28) == pytest.approx(sigma**2 * (1 + tau**2), rel=0.015)
    assert width / (3.27 * a + 1.2) == pytest.approx(sigma, rel=0.01)


def test_decay_moves_the_mean_and_adds_its_square_to_the_variance() -> None:
    """Sternberg's rule for any shape (Adv. Chromatogr. 2, 1966, 205; from memory), here of one that tails before."""
    tau, own = 0.8, 1.6
    times = np.linspace(-10.0, 40.0, 100001)

    def moments(signal: Array) -> tuple[float, float]:
        mean = (times * signal).sum() / signal.sum()
        return float(mean), float(((times - mean) ** 2 * signal).sum() / signal.sum())

    plain = detector_trace(times, 0 * ONE, HALF_HEIGHT_WIDTH * ONE, ONE, own * ONE)
    shift = float(seen(ONE, tau, own * ONE).shift[0])
    before, after = moments(plain), moments(drawn(times, tau, own=own))
    assert after[0] + shift - before[0] == pytest.approx(tau, rel=1e-4)
    assert after[1] - before[1] == pytest.approx(tau**2, rel=1e-3)


@pytest.mark.parametrize("tau", [0.4, 1.0, 3.0])
@pytest.mark.parametrize("R", [-8.0, -2.0, 2.0, 8.0])
def test_a_leaning_peak_is_drawn_with_its_tail(R: float, tau: float) -> None:
    """Beside that without a decay, summed over its past with an exponential weight."""
    step, area = 2e-3, 5.0
    times = np.arange(0.0, 100.0, step)
    shape = shape_of(R * ONE)
    plain = detector_trace(times, 40 * ONE, shape.width * HALF_HEIGHT_WIDTH, area * ONE, ONE, R * ONE)
    weights = np.exp(-np.arange(0.0, 14 * tau, step) / tau)
    expected = np.convolve(plain, weights / weights.sum())[: len(times)]
    apex = times[expected.argmax()]
    found = seen(shape.width, tau, leaning_too(ONE, shape.front))
    signal = detector_trace(
        times, apex * ONE, found.width * HALF_HEIGHT_WIDTH, area * ONE, found.tailing, R * ONE, Tail(tau, ONE)
    )
    assert signal == pytest.approx(expected, abs=0.01 * expected.max())
    assert signal.sum() * step == pytest.approx(area, rel=1e-3)
    # How wide and late it is said to be, as two half Gaussians are, is close to that.
    above = times[expected > expected.max() / 2]
    assert found.width * HALF_HEIGHT_WIDTH == pytest.approx(above[-1] - above[0], rel=0.06)
    assert found.shift == pytest.approx(apex - 40.0, abs=0.15)


@pytest.mark.parametrize("tau", [0.05, 1.0, 20.0])
@pytest.mark.parametrize("own", [0.5, 0.7, 1.0, 2.5, 12.0])
def test_slopes_by_width_and_tailing_are_differences(own: float, tau: float) -> None:
    """Of peaks that are found independently above."""
    found, h = seen(ONE, tau, own * ONE), 1e-3
    wide, narrow = (seen(np.exp(step) * ONE, tau, own * ONE) for step in (h, -h))
    steep, flat = (seen(ONE, tau, (1 + (2 * own - 1) * np.exp(step)) / 2 * ONE) for step in (h, -h))
    for by, more, less in (("sigma", wide, narrow), ("steepness", steep, flat)):
        for what in ("shift", "width"):
            expected = (getattr(more, what) - getattr(less, what)) / (2 * h)
            assert getattr(found, f"{what}_by_{by}") == pytest.approx(expected, rel=1e-3, abs=1e-5)


def test_widths_go_back_to_what_they_were() -> None:
    sigma = np.array([0.1, 0.3, 1.0, 5.0])
    for tau in (0.1, 0.8):
        assert before_decay(seen(sigma, tau, 1.2 * np.ones(4)).width, tau, 1.2 * np.ones(4)) == pytest.approx(
            sigma, rel=1e-3
        )
    narrow = 0.8 * math.log(2) / HALF_HEIGHT_WIDTH  # half-height width of the decay alone, over 2.355
    assert np.isnan(before_decay(0.9 * narrow * ONE, 0.8, ONE)).all()


def test_a_trace_is_sampled_as_far_as_its_tail_goes() -> None:
    found = seen(0.3 * ONE, 2.0, ONE)
    times = trace_times(600.0, 100.0 * ONE, found.width * HALF_HEIGHT_WIDTH, found.tailing, time_constant=2.0)
    tail = times[(times > 105.0) & (times < 115.0)]
    assert np.diff(tail).max() < 1.0
