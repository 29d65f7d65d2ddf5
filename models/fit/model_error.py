"""What the model leaves out of retention times, beside what was fitted: its size, and what compounds share of it.

Of a compound whose elution temperature in a program lies d beyond those in the runs that its parameters were fitted to,
and of a program whose ln velocity lies e beyond theirs,

    m = s hypot(MODEL_ERROR t, hypot(BEYOND d/100 K, FASTER e) dt/dT0)      [1]

is the standard deviation, s `size_of` the fit. Within the runs the parameters have taken up most of it; beyond, it
grows as an error of T0 does, as where a heat capacity is no constant, or pressure along the column does something.
Compounds of near T0 elute under near conditions, so that what the model leaves out of two is correlated by

    exp(-|difference of T0| / ALIKE)                        [2]

MODEL_ERROR, BEYOND, FASTER and ALIKE were chosen by how well intervals hold the truth on simulated instruments that are
not the model (`benchmarks.calibration`); no source.
"""

from __future__ import annotations

import numpy as np

from models.column.programs import Array
from models.fit.fit import MODEL_ERROR, Fit
from models.peaks.sensitivity import Sensitivity

BEYOND = 1.2  # K of T0 for 100 K beyond the scouted elution temperatures
FASTER = 0.1  # K of T0 for e times the velocity
ALIKE = 30.0  # K
KNOWN_BEFORE = 10.0  # degrees of freedom that the stated size counts as, beside those of the fit


def size_of(fit: Fit) -> float:
    """s of [1]: by how much the fit's residuals say that errors are larger or smaller than stated; 1 of two runs."""
    if not fit.testable:
        return 1.0
    return float(np.sqrt((KNOWN_BEFORE + fit.chi_square) / (KNOWN_BEFORE + fit.degrees_of_freedom)))


def beyond(scouted: Array, value: Array) -> Array:
    """By how much a value lies beyond the least and the largest scouted (2, ...); 0 within, and where it is nan."""
    low, high = scouted
    result: Array = np.nan_to_num(np.maximum(np.maximum(low - value, value - high), 0.0))
    return result


def model_error(fit: Fit, slopes: Sensitivity, retention: Array) -> Array:
    """m [1] (N, M) [s] of retention times (N, M) [s]; 0 where not eluted."""
    by_T0 = np.nan_to_num(slopes.by_retention[0, :, 0])
    hotter = BEYOND * beyond(fit.scouted, slopes.base[2]) / 100.0
    faster = FASTER * beyond(fit.scouted_velocity, slopes.ln_velocity)
    far = np.hypot(hotter, faster[:, None]) * by_T0
    result: Array = size_of(fit) * np.hypot(MODEL_ERROR * np.nan_to_num(retention), far)
    return result


def alike(fit: Fit) -> Array:
    """Correlations [2] (M, M) of what the model leaves out of compounds."""
    T0 = fit.retention.T0
    result: Array = np.exp(-np.abs(T0[:, None] - T0) / ALIKE)
    return result


def extremes(values: Array) -> Array:
    """The least and the largest (2, ...) of values (R, ...), nan where there is none."""
    return np.stack([np.fmin.reduce(values), np.fmax.reduce(values)])
