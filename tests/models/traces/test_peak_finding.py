"""Peaks found in a trace: what a simulated run was made of comes out again."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.random import default_rng
from scipy.ndimage import gaussian_filter1d
from scipy.signal import find_peaks as local_maxima
from scipy.signal import peak_prominences, savgol_filter
from scipy.special import erfcx

from models.column.programs import Array
from models.errors import InvalidInputError
from models.peaks.chromatogram import detector_trace
from models.traces import baseline as trace_baseline
from models.traces.finding import NOISE_SPAN, find_peaks, prominences
from models.traces.shape import peak_shape

INTERVAL = 0.2
TIMES = np.arange(0.0, 1800.0, INTERVAL)
RETENTION = np.linspace(100.0, 1650.0, 12) + default_rng(2).uniform(-20, 20, 12)
WIDTH = np.linspace(4.0, 8.0, 12)
TAILING = np.tile([1.0, 1.2, 1.5, 0.9], 3)
AREA = np.full(12, 50.0) * WIDTH
HEIGHT = 50.0 / 1.0645  # of the widths above: a half-height width times height is 0.9394 of the area


def run(noise: float, drift: float = 0.0, seed: int = 0) -> Array:
    """Twelve resolved peaks, on a baseline that rises by `drift`."""
    clean = detector_trace(TIMES, RETENTION, WIDTH, AREA, TAILING)
    return clean + default_rng(seed).normal(0, noise, len(TIMES)) + 3 + drift * (TIMES / TIMES[-1]) ** 2


@pytest.mark.parametrize("drift", [0.0, 4 * HEIGHT])
def test_what_went_in_comes_out_at_a_signal_to_noise_of_a_thousand(drift: float) -> None:
    for seed in range(5):
        peaks = find_peaks(TIMES, run(2 * HEIGHT / NOISE_SPAN / 1000, drift, seed)).peaks
        assert len(peaks.retention) == 12
        assert np.abs(peaks.retention - RETENTION).max() < INTERVAL / 10
        np.testing.assert_allclose(peaks.width_half, WIDTH, rtol=0.02)
        np.testing.assert_allclose(peaks.area, AREA, rtol=0.015)
        np.testing.assert_allclose(peaks.tailing, TAILING, rtol=0.05)
        np.testing.assert_allclose(peaks.height, HEIGHT, rtol=0.005)
        assert np.all((peaks.signal_to_noise > 500) & (peaks.signal_to_noise < 1100))


def test_noise_makes_it_worse_by_degrees() -> None:
    errors = []
    for ratio in (1000, 100, 30, 10):
        noise = 2 * HEIGHT / NOISE_SPAN / ratio
        found = [find_peaks(TIMES, run(noise, seed=seed)) for seed in range(3)]
        assert [len(each.peaks.retention) for each in found] == [12, 12, 12], ratio
        assert [each.noise / noise for each in found] == pytest.approx([1.0] * 3, abs=0.25)
        area = [np.abs(each.peaks.area / AREA - 1).mean() for each in found]
        time = [np.abs(each.peaks.retention - RETENTION).mean() for each in found]
        errors.append((np.mean(area), np.mean(time)))
    area_errors, time_errors = np.array(errors).T
    assert np.all(np.diff(area_errors) > 0)
    assert np.all(np.diff(time_errors) > 0)
    assert area_errors[-1] < 0.1
    assert time_errors[-1] < 0.1 * WIDTH.mean()


def test_the_tailing_factor_is_left_out_where_noise_hides_the_foot() -> None:
    search = find_peaks(TIMES, run(HEIGHT / 15))
    assert len(search.peaks.retention) == 12
    assert np.isnan(search.peaks.tailing).sum() >= 10
    assert np.isfinite(search.peaks.width_half).all()


def test_noise_alone_has_no_peaks() -> None:
    times = np.arange(6000) * 0.1
    for seed in range(10):
        white = default_rng(seed).normal(0, 1, len(times))
        filtered = gaussian_filter1d(white, 3)  # a detector's time constant
        for noise in (white, filtered / filtered.std()):
            trace = noise + 50 * times / times[-1] + 20 * np.sin(times / 200)
            assert len(find_peaks(times, trace).peaks.retention) == 0


@pytest.mark.parametrize(("resolution", "apexes"), [(0.4, 1), (0.48, 1), (0.75, 2), (1.0, 2), (1.5, 2)])
@pytest.mark.parametrize("noise", [0.001, 0.01])
def test_two_that_merge_to_one_apex_are_one_peak(resolution: float, apexes: int, noise: float) -> None:
    """Two equal Gaussians have one apex up to a distance of two standard deviations, Rs 0.50."""
    times = np.arange(0.0, 300.0, 0.2)
    second = 150.0 + resolution * 8.0 / 1.18
    retention = np.array([60.0, 150.0, second])
    clean = detector_trace(times, retention, np.full(3, 4.0), np.full(3, 4.2577), np.ones(3))
    peaks = find_peaks(times, clean + default_rng(1).normal(0, noise, len(times))).peaks
    assert len(peaks.retention) == 1 + apexes
    assert peaks.area[1:].sum() == pytest.approx(2 * 4.2577, rel=0.02)
    if apexes == 1:
        assert peaks.retention[1] == pytest.approx((150 + second) / 2, abs=0.2)
    else:
        np.testing.assert_allclose(peaks.area[1:], 4.2577, rtol=0.02)
        # Below Rs 0.9 or so a neighbour hides the half height; what is not seen is not made up.
        assert np.isnan(peaks.width_half[1:]).all() == (resolution < 0.8)
        assert np.isnan(peaks.tailing[1:]).any() == (resolution < 1.5)


def test_a_shoulder_is_not_a_peak() -> None:
    times = np.arange(0.0, 300.0, 0.2)
    clean = detector_trace(
        times, np.array([150.0, 155.0]), np.array([4.0, 4.0]), np.array([100.0, 12.0]), np.ones(2)
    )
    slope = np.diff(clean[(times > 151) & (times < 162)])
    assert np.all(slope < 0)  # a shoulder: no second apex
    assert len(find_peaks(times, clean + default_rng(1).normal(0, 0.02, len(times))).peaks.retention) == 1


def test_widths_that_grow_thirtyfold_as_in_an_isothermal_run() -> None:
    times = np.arange(0.0, 4800.0, 0.5)
    retention = np.array([90, 103, 118, 140, 170, 230, 300, 420, 600, 900, 1500, 2500, 4000.0])
    width, height = retention * 0.0165, (retention / 90) ** -0.7
    area = height * width * 1.0645
    noise = default_rng(3).normal(0, height.min() / 150, len(times))
    trace = detector_trace(times, retention, width, area, np.ones(13)) + noise
    peaks = find_peaks(times, trace).peaks
    np.testing.assert_allclose(peaks.retention, retention, rtol=0.001)
    np.testing.assert_allclose(peaks.width_half, width, rtol=0.02)
    np.testing.assert_allclose(peaks.area, area, rtol=0.02)


@pytest.mark.parametrize("tau", [0.5, 1.0, 2.0, 4.0])
def test_peaks_of_another_shape(tau: float) -> None:
    """A Gaussian with an exponential tail; apex, width and tailing factor on a fine grid."""
    sigma, times, fine = 1.7, np.arange(0.0, 300.0, 0.2), np.arange(140.0, 200.0, 0.0005)

    def shape(t: Array) -> Array:
        z = (sigma / tau - (t - 150.0) / sigma) / np.sqrt(2)
        return np.exp(-0.5 * ((t - 150.0) / sigma) ** 2) * erfcx(np.maximum(z, -20.0))

    exact = shape(fine)
    top = exact.max()
    apex, half, foot = fine[np.argmax(exact)], fine[exact > top / 2], fine[exact > 0.05 * top]
    area = float(shape(np.arange(100.0, 260.0, 0.001)).sum()) * 0.001
    trace = shape(times) / top + default_rng(4).normal(0, 1 / 3000, len(times))
    peaks = find_peaks(times, trace).peaks
    assert len(peaks.retention) == 1
    assert peaks.retention[0] == pytest.approx(apex, abs=0.03 * sigma)
    assert peaks.width_half[0] == pytest.approx(half[-1] - half[0], rel=0.02)
    assert peaks.area[0] == pytest.approx(area / top, rel=0.015)
    assert peaks.tailing[0] == pytest.approx((foot[-1] - foot[0]) / 2 / (apex - foot[0]), rel=0.05)


@pytest.mark.parametrize("height", [300.0, 1000.0])
def test_small_peaks_on_the_tail_of_a_solvent(height: float) -> None:
    times = np.arange(0.0, 600.0, 0.1)
    solvent = height * np.where(times < 60, 0.0, np.exp(-np.maximum(times - 60, 0) / 25))
    retention, area = np.array([100.0, 130.0, 200.0]), np.array([100.0, 300.0, 300.0])
    trace = solvent + detector_trace(times, retention, np.full(3, 3.0), area, np.ones(3))
    peaks = find_peaks(times, trace + default_rng(5).normal(0, 0.2, len(times))).peaks
    late = peaks.retention > 90
    np.testing.assert_allclose(peaks.retention[late], retention, atol=0.1)
    np.testing.assert_allclose(peaks.area[late], area, rtol=0.03)
    np.testing.assert_allclose(peaks.width_half[late], 3.0, rtol=0.02)


def test_limits_are_stated_or_found() -> None:
    trace = run(0.01) + detector_trace(TIMES, np.array([40.0]), np.array([0.6]), np.array([30.0]), np.ones(1))
    by_itself = find_peaks(TIMES, trace)
    assert by_itself.peaks.retention[0] > 50  # 0.6 s is too narrow for the others
    assert 1.0 < by_itself.least_width < 3.0
    stated = find_peaks(TIMES, trace, least_width=0.5)
    assert stated.peaks.retention[0] == pytest.approx(40.0, abs=0.1)
    small = detector_trace(TIMES, np.array([40.0]), np.array([4.0]), np.array([1.0]), np.ones(1))
    assert len(find_peaks(TIMES, run(0.01) + small).peaks.retention) == 13
    assert len(find_peaks(TIMES, run(0.01) + small, least_signal_to_noise=50).peaks.retention) == 12


def test_a_top_cut_off_by_the_detector_is_told() -> None:
    clean = detector_trace(TIMES, RETENTION, WIDTH, AREA, np.ones(12))
    clean[np.abs(TIMES - RETENTION[3]) < 20] *= 3
    peaks = find_peaks(TIMES, np.minimum(clean, 1.5 * HEIGHT)).peaks
    assert np.flatnonzero(peaks.cut_off).tolist() == [3]


def test_dips_and_spikes_are_no_peaks() -> None:
    trace = run(0.01)
    trace[5000] += 100.0
    trace[5600:5650] -= 20.0
    peaks = find_peaks(TIMES, trace).peaks
    assert len(peaks.retention) == 12
    np.testing.assert_allclose(peaks.area, AREA, rtol=0.03)


@pytest.mark.parametrize("constant", [0.0, 5.0])
def test_nothing_is_found_in_nothing(constant: float) -> None:
    assert len(find_peaks(TIMES, np.full(len(TIMES), constant)).peaks.retention) == 0


def test_what_is_no_trace_is_refused() -> None:
    with pytest.raises(InvalidInputError, match="at least 20 points, got 19"):
        find_peaks(TIMES[:19], TIMES[:19])
    find_peaks(TIMES[:20], np.zeros(20))
    with pytest.raises(InvalidInputError, match="finite numbers only"):
        find_peaks(TIMES, np.where(TIMES > 100, np.nan, 0.0))


def test_a_small_peak_on_the_flank_of_another_is_parted_at_the_valley() -> None:
    times = np.arange(0.0, 300.0, 0.1)
    area = np.array([600.0, 130.0])
    trace = detector_trace(times, np.array([150.0, 156.5]), np.full(2, 4.0), area, np.ones(2))
    peaks = find_peaks(times, trace + default_rng(6).normal(0, 0.05, len(times))).peaks
    assert len(peaks.retention) == 2
    np.testing.assert_allclose(peaks.area, area, rtol=0.15)
    assert peaks.area.sum() == pytest.approx(730.0, rel=0.005)


@pytest.mark.parametrize("coarse", [False, True])
@pytest.mark.parametrize("wandering", [False, True])
def test_prominences_are_those_found_by_walking(coarse: bool, wandering: bool) -> None:
    """Outside value: scipy, which walks from every maximum; also where heights are the same."""
    rng = default_rng(4)
    for _ in range(200):
        values = rng.normal(size=rng.integers(3, 200))
        values = np.cumsum(values) if wandering else values
        values = np.round(values) if coarse else values
        at, _ = local_maxima(values)
        np.testing.assert_array_equal(prominences(values, at), peak_prominences(values, at)[0])


def test_long_windows_are_smoothed_like_short_ones(monkeypatch: pytest.MonkeyPatch) -> None:
    signal = 1e4 + np.cumsum(default_rng(5).normal(size=3000))
    monkeypatch.setattr(trace_baseline, "DIRECT", 1)
    smooth, _ = trace_baseline.smoothed(signal, 300.0)
    np.testing.assert_allclose(smooth, savgol_filter(signal, 301, 2), rtol=1e-10)


def test_a_peak_that_begins_at_its_apex_rides_on_no_tail() -> None:
    """As in a trace of coarse steps: nothing is left between the start of a group and the apex of its first peak."""
    times = np.arange(60.0)
    trace = np.where(times < 20, 1.0, 2.0) + 90 * np.exp(-(((times - 40) / 6) ** 2))
    baseline = np.zeros(60)
    shape = peak_shape(times, trace, trace, baseline, [(20, 26), (26, 59)], np.array([20, 40]), 0, 0.1, 1.0)
    assert shape is not None
    assert (shape.start, shape.end) == (20.0, 26.0)


def test_a_signal_that_rounding_swallows_is_searched_without_a_warning() -> None:
    """A trace whose scale factor is the smallest number there is."""
    times = np.arange(0, 260, 0.1)
    bands = sum(
        height * np.exp(-((times - at) ** 2) / 2) for at, height in ((30, 700.0), (90, 5.0), (150, 60.0))
    )
    noisy = bands + default_rng(0).normal(0.0, 0.02, len(times))
    assert find_peaks(times, 5e-324 * noisy).peaks.retention[:1] == pytest.approx([30.0], abs=0.5)
