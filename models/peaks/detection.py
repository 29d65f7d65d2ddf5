"""What a detector does to a peak: its response and its readings widen it, and its height follows from area and width.

    sigma_seen^2 = sigma^2 + tau^2 + 1/(12 f^2)                                          [1]
    points = 4 sigma_seen f                                                              [2]
    height = area/(sigma_seen (2 pi)^(1/2))                                              [3]

tau is the time constant of a first-order response, f the readings a second, each the mean over its interval. Variances
of convolved shapes add: tau^2 of an exponential, 1/(12 f^2) of an interval (Sternberg, Adv. Chromatogr. 2, 1966, 205;
from memory). [3] is the Gaussian's. Up to tau = 0.3 sigma the half-height width by [1] is 0.6 % above that of the
skewed shape, at 0.5 sigma 3 %, at sigma 15 %.
"""

from __future__ import annotations

import math

import numpy as np

from models.column.programs import Array
from models.units import Number

SLOW_RESPONSE = 0.3  # tau over sigma, above which the shape is skewed; common practice, no source
BASE_SIGMAS = 4.0  # standard deviations between the tangents of a Gaussian peak at its base


def detector_variance(response_time: float, readings: float | None) -> float:
    """Variance [s2] that a response time [s] and readings a second [1/s] add, those None where unknown; eq. [1]."""
    return response_time**2 + (0.0 if readings is None else 1 / (12 * readings**2))


def points_across(sigma: Number, readings: float) -> Number:
    """Readings across the base of a peak [-] of standard deviation sigma [s], any shape; eq. [2]."""
    return BASE_SIGMAS * sigma * readings


def needed_readings(sigma: float, points: float) -> float:
    """Readings a second [1/s] for so many points across the base of a peak of standard deviation sigma [s]; eq. [2]."""
    return points / (BASE_SIGMAS * sigma)


def peak_height(area: Number, sigma: Number) -> Number:
    """Height [unit of the area per s] from area and standard deviation [s], any shape; eq. [3]."""
    return area / (sigma * math.sqrt(2 * math.pi))


def without_detector(sigma: Array, variance: float) -> Array:
    """Standard deviations [s] before the detector, whose variance [s2] is given; nan where it alone is as wide."""
    if variance <= 0:
        return sigma
    rest = sigma**2 - variance
    return np.sqrt(np.where(rest > 0, rest, np.nan))
