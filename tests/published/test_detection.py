"""Detectors: needed data rates as makers print them, and computed shapes of sampled and slowly followed peaks."""

from __future__ import annotations

import math

import numpy as np
import pytest

from models.peaks.detection import detector_variance, needed_readings, peak_height, points_across
from models.peaks.resolution import HALF_HEIGHT_WIDTH
from models.units import SECONDS_PER_MINUTE
from optimizer.scenario.instrument_data import USUAL_POINTS
from tests.published.tables import rows


@pytest.mark.parametrize("row", rows("data_rate_published"), ids=lambda row: f"{row['Hz']} Hz")
def test_needed_rates_are_those_of_a_makers_table(row: dict[str, str]) -> None:
    """The narrowest peak printed for a rate gets the points that the table's own rule gives: rate times base width."""
    sigma = float(row["min_peak_width_min"]) * SECONDS_PER_MINUTE / 4
    points = float(row["points_stated"])
    assert points_across(sigma, float(row["Hz"])) == pytest.approx(points, rel=1e-9)
    assert needed_readings(sigma, points) == pytest.approx(float(row["Hz"]), rel=1e-9)


def test_the_usual_points_are_within_the_published_rule() -> None:
    """Rate times width is 10 to 20 in manuals (source in data_rate_published.csv)."""
    assert 10 <= USUAL_POINTS <= 20


@pytest.mark.parametrize(
    "row", [row for row in rows("data_rate") if float(row["points_per_4sigma"]) >= 4], ids=str
)
def test_readings_that_are_means_widen_a_gaussian(row: dict[str, str]) -> None:
    """Computed by sampling a Gaussian at every phase; an independent computation, not a publication."""
    readings = 1 / float(row["dt_over_sigma"])
    assert points_across(1.0, readings) == pytest.approx(float(row["points_per_4sigma"]), rel=1e-6)
    wider = math.sqrt(1 + detector_variance(0.0, readings)) - 1
    assert wider == pytest.approx(float(row["boxcar_broadening"]), abs=1e-6)


@pytest.mark.parametrize("row", rows("detector_time_constant"), ids=lambda row: row["detector"])
def test_a_cell_widens_by_its_time_constant(row: dict[str, str]) -> None:
    """tau = cell volume over flow; cells and flows from manuals, or from memory where the table says so."""
    sigma, tau = float(row["sigma_column_s"]), float(row["tau_s"])
    if float(row["cell_uL"]) > 0:
        assert tau == pytest.approx(float(row["cell_uL"]) * 1e-3 / float(row["flow_mL_min"]) * 60, rel=1e-9)
    seen = math.sqrt(sigma**2 + detector_variance(tau, None))
    assert seen / sigma - 1 == pytest.approx(float(row["sigma_broadening"]), rel=1e-6, abs=1e-8)


@pytest.mark.parametrize(("most", "width", "height"), [(0.3, 0.007, 0.005), (0.5, 0.03, 0.021)])
def test_widths_and_heights_of_exponentially_tailing_peaks(most: float, width: float, height: float) -> None:
    """Exponentially modified Gaussians of scipy: how far the sum of variances is off up to a ratio."""
    for row in rows("emg"):
        ratio = float(row["tau_over_sigma"])
        if ratio > most:
            continue
        sigma = math.sqrt(1 + detector_variance(ratio, None))
        assert sigma**2 == pytest.approx(float(row["variance_over_sigma2"]), rel=1e-6)
        assert 0 <= sigma / float(row["w_half_over_gaussian"]) - 1 < width
        flat = peak_height(1.0, sigma) / peak_height(1.0, 1.0)
        assert 0 <= 1 - flat / float(row["height_over_gaussian"]) < height


def test_a_peaks_height_is_that_of_a_gaussian_of_its_area() -> None:
    """Summed numerically."""
    times = np.linspace(-20.0, 20.0, 4001)
    shape = np.exp(-0.5 * (times / 1.7) ** 2)
    area = float(shape.sum() * (times[1] - times[0]))
    assert peak_height(area, 1.7) == pytest.approx(1.0, rel=1e-9)
    assert pytest.approx(2 * math.sqrt(2 * math.log(2))) == HALF_HEIGHT_WIDTH
