"""The detector trace: area, half-height width and tailing factor come out as they went in."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import trapezoid

from models.column.programs import Array
from models.errors import InvalidInputError
from models.peaks.chromatogram import detector_trace, peak_signals, standard_deviations, trace_times

TIMES = np.linspace(0.0, 200.0, 200_001)
APEX = 100.0


def one_peak(width: float, tailing: float, area: float = 3.0) -> Array:
    return detector_trace(TIMES, *(np.array([value]) for value in (APEX, width, area, tailing)))


def crossings(signal: Array, share: float) -> tuple[float, float]:
    """Times before and after the apex at which a signal passes a share of its height."""
    above = np.flatnonzero(signal >= share * signal.max())
    return float(TIMES[above[0]]), float(TIMES[above[-1]])


@pytest.mark.parametrize("tailing", [0.7, 1.0, 1.3, 2.5])
def test_area_half_height_width_and_tailing_factor(tailing: float) -> None:
    signal = one_peak(4.0, tailing)
    assert trapezoid(signal, TIMES) == pytest.approx(3.0, rel=1e-6)
    assert TIMES[np.argmax(signal)] == pytest.approx(APEX)
    start, end = crossings(signal, 0.5)
    assert end - start == pytest.approx(4.0, abs=0.003)
    # USP <621>: tailing factor = width at 5 % of the height over twice the distance from front to apex
    start, end = crossings(signal, 0.05)
    assert (end - start) / (2 * (APEX - start)) == pytest.approx(tailing, rel=1e-3)


def test_a_symmetrical_peak_is_a_gaussian() -> None:
    sigma = 1.7
    width = sigma * 2.354820045  # half-height width of a Gaussian, 2 (2 ln 2)^(1/2) sigma
    gaussian = 3.0 / (sigma * np.sqrt(2 * np.pi)) * np.exp(-0.5 * ((TIMES - APEX) / sigma) ** 2)
    assert one_peak(width, 1.0) == pytest.approx(gaussian, abs=1e-9)


def test_valley_between_equal_gaussian_peaks() -> None:
    """Valley over peak height: 65, 27, 9, 2 % at Rs 0.75, 1.0, 1.25, 1.5; own arithmetic on Gaussians."""
    for wanted, valley in ((0.75, 0.65), (1.0, 0.27), (1.25, 0.09), (1.5, 0.02)):
        distance = wanted * 2 * 1.0 / 1.18
        pair = np.array([50.0, 50.0 + distance])
        signal = detector_trace(TIMES, pair, np.ones(2), np.ones(2), np.ones(2))
        between = np.abs(TIMES - pair.mean()) < distance / 2
        assert signal[between].min() / signal.max() == pytest.approx(valley, abs=0.01)


def test_peaks_add_and_missing_ones_have_no_signal() -> None:
    retention = np.array([40.0, np.nan, 60.0])
    width, area, tailing = np.array([2.0, 2.0, np.nan]), np.ones(3), np.ones(3)
    each = peak_signals(TIMES, retention, width, area, tailing)
    assert each.shape == (len(TIMES), 3)
    assert np.all(each[:, 1:] == 0)
    assert detector_trace(TIMES, retention, width, area, tailing) == pytest.approx(each[:, 0])


def test_sampling_is_close_over_peaks_and_complete() -> None:
    retention, width, tailing = np.array([30.0, 5000.0, np.nan]), np.array([0.6, 9.0, 1.0]), np.ones(3)
    times = trace_times(5400.0, retention, width, tailing)
    assert times[0] == 0
    assert times[-1] == 5400.0
    assert np.all(np.diff(times) > 0)
    assert {30.0, 5000.0} <= set(times)
    for t, w in zip(retention[:2], width[:2], strict=True):
        assert np.sum(np.abs(times - t) < w) >= 12
    # The areas survive: the trapezoids of so few points are within half a percent of two.
    signal = detector_trace(times, retention, width, np.ones(3), tailing)
    assert trapezoid(signal, times) == pytest.approx(2.0, rel=5e-3)
    assert len(times) < 300


def test_impossible_shapes_are_refused() -> None:
    with pytest.raises(InvalidInputError, match=r"tailing factor is above 0\.5, got 0\.4"):
        standard_deviations(np.array([1.0]), np.array([0.4]))
    with pytest.raises(InvalidInputError, match="width must be above zero"):
        standard_deviations(np.array([0.0]), np.array([1.0]))
