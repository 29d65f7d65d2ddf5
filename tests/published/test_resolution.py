"""Resolution and plate count at half height, and what they look like in a trace.

Sources: USP <621> Chromatography and Ph. Eur. 2.2.46 (the formulae; the worked numbers are done by hand here); widths
of a Gaussian and valleys between two equal Gaussians are own arithmetic.
"""

from __future__ import annotations

import numpy as np
import pytest

from models.peaks.resolution import (
    BASE_WIDTH_PER_HALF,
    HALF_HEIGHT_WIDTH,
    pair_resolution,
    plate_count,
    resolution,
)


def test_resolution_worked_by_hand() -> None:
    # t 5.00 and 5.20 min, widths 0.070 and 0.078 min: 1.18 x 0.20 / 0.148 = 0.236/0.148 = 1.594594...
    value = resolution(np.array(5.00), np.array(5.20), np.array(0.070), np.array(0.078))
    assert float(value) == pytest.approx(236 / 148, rel=1e-12)
    # t 12.0 and 12.5, widths 0.1 and 0.1: 1.18 x 0.5 / 0.2 = 2.95; the same pair the other way round is negative.
    value = resolution(np.array(12.0), np.array(12.5), np.array(0.1), np.array(0.1))
    assert float(value) == pytest.approx(2.95, rel=1e-12)
    value = resolution(np.array(12.5), np.array(12.0), np.array(0.1), np.array(0.1))
    assert float(value) == pytest.approx(-2.95, rel=1e-12)
    # ... and counts as resolved, whichever comes first.
    pair = pair_resolution(np.array([12.5, 12.0]), np.array([0.1, 0.1]), np.array([[0, 1]]))
    assert float(pair[0]) == pytest.approx(2.95, rel=1e-12)


def test_plate_count_worked_by_hand() -> None:
    # tR 10.0 min, width 0.05 min: 5.54 x 200^2 = 5.54 x 40000 = 221600.
    assert float(plate_count(np.array(10.0), np.array(0.05))) == pytest.approx(221_600, rel=1e-12)
    # tR 6.00 min, width 0.06 min: 5.54 x 100^2 = 55400.
    assert float(plate_count(np.array(6.00), np.array(0.06))) == pytest.approx(55_400, rel=1e-12)


def test_constants_of_a_gaussian() -> None:
    """The formulae carry 1.18 and 5.54: the Gaussian's own 1.1774 rounded and 5.5452 cut off after two decimals."""
    assert pytest.approx(2.3548, abs=5e-5) == HALF_HEIGHT_WIDTH
    # Base width by tangents over that at half height.
    assert pytest.approx(1.699, abs=5e-4) == BASE_WIDTH_PER_HALF
    sigma, t = 0.5, 100.0
    exact = (t / sigma) ** 2
    ours = float(plate_count(np.array(t), np.array(HALF_HEIGHT_WIDTH * sigma)))
    assert ours == pytest.approx(exact, rel=0.01 / 5.54)
    # 1.18 dt/(w1 + w2) is dt/(4 sigma) for equal peaks, to the digits of 1.18.
    half = np.array(HALF_HEIGHT_WIDTH * sigma)
    Rs = float(resolution(np.array(0.0), np.array(4 * sigma), half, half))
    assert Rs == pytest.approx(1.0, rel=0.005 / 1.18)


@pytest.mark.parametrize(("Rs", "valley_percent"), [(0.75, 65), (0.90, 40), (1.0, 27), (1.25, 9), (1.5, 2)])
def test_valley_between_equal_gaussians(Rs: float, valley_percent: int) -> None:
    """Height of the valley over that of one peak, read off a trace whose resolution by our formula is Rs.

    Tolerance: half a unit of the printed percentage, and what 1.18 for 1.1774 does to the distance of the peaks.
    """
    sigma = 1.0
    half = np.array(HALF_HEIGHT_WIDTH * sigma)
    distance = Rs / float(resolution(np.array(0.0), np.array(1.0), half, half))
    t = np.linspace(-6.0, distance + 6.0, 20_001)
    trace = np.exp(-(t**2) / 2) + np.exp(-((t - distance) ** 2) / 2)
    inside = (t > 0.3 * distance) & (t < 0.7 * distance)
    valley = 100 * trace[inside].min()
    # valley ~ exp(-distance^2/8): a relative change x of the distance changes it by the factor distance^2/4 x.
    from_constant = valley * distance**2 / 4 * (1.18 / 1.17741 - 1)
    assert abs(valley - valley_percent) <= 0.5 + from_constant
