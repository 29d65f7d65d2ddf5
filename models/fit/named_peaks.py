"""Peaks of several runs under the names of compounds, and what their areas say of the names."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.column.programs import Array
from models.fit.odds import OTHER_AREA, ln_normal

AREA_SPREAD = (0.05, 0.3)  # least and largest spread of ln area about a common factor between runs
AREA_FREEDOM = 5.0  # of the t distribution of areas: overlap and poor integration make outliers


@dataclass(frozen=True)
class Peaks:
    """Peaks of R runs under the names of M compounds.

    Attributes
    ----------
    times, sigma : (R, M) arrays  [s], nan in `times` where missing
    ln_area : (R, M) array, less what is common to a run; nan where missing
    area_spread : float, standard deviation of `ln_area` about a compound's mean
    """

    times: Array
    sigma: Array
    ln_area: Array
    area_spread: float

    @property
    def freedom(self) -> NDArray[np.intp]:
        """Degrees of freedom of each compound (M,): typical values predict all times from one."""
        result: NDArray[np.intp] = np.maximum((~np.isnan(self.times)).sum(axis=0) - 1, 0)
        return result

    def of(self, compounds: NDArray[np.intp]) -> Peaks:
        """Copies of the peaks of some compounds, which may be named more than once."""
        return Peaks(
            self.times[:, compounds], self.sigma[:, compounds], self.ln_area[:, compounds], self.area_spread
        )

    def put(self, run: int, column: int, source: Peaks, other: int | None) -> None:
        """The peak of compound `other` of a source in place of that of a column, or none."""
        if other is None:
            self.times[run, column] = self.ln_area[run, column] = np.nan
            return
        self.times[run, column] = source.times[run, other]
        self.sigma[run, column] = source.sigma[run, other]
        self.ln_area[run, column] = source.ln_area[run, other]


def peaks_of(times: Array, sigma: Array, areas: Array) -> Peaks:
    """Peaks with areas (R, M) on a common scale; what is common to a run is found from the medians."""
    with np.errstate(divide="ignore", invalid="ignore"):
        ln_area = np.log(areas)
    complete = np.isfinite(ln_area).all(axis=0)
    if len(ln_area) < 2 or complete.sum() < 3:
        return Peaks(times, sigma, np.full(times.shape, np.nan), AREA_SPREAD[1])
    own = ln_area[:, complete] - ln_area[:, complete].mean(axis=0)
    common = np.median(own, axis=1)[:, None]
    # The median of absolute deviations, as a standard deviation; a mean of R values takes up one R-th of the variance.
    spread = 1.4826 * np.median(np.abs(own - common)) / np.sqrt(1 - 1 / len(own))
    return Peaks(times, sigma, ln_area - common, float(np.clip(spread, *AREA_SPREAD)))


def area_chi_square(peaks: Peaks) -> Array:
    """How far each compound's areas depart from their mean (M,), on the scale of chi-square but with long tails."""
    known = np.isfinite(peaks.ln_area)
    count = known.sum(axis=0)
    values = np.where(known, peaks.ln_area, 0.0)
    mean = values.sum(axis=0) / np.maximum(count, 1)
    chi_square = (np.where(known, values - mean, 0.0) ** 2).sum(axis=0) / peaks.area_spread**2
    result: Array = (AREA_FREEDOM + np.maximum(count - 1, 0)) * np.log1p(chi_square / AREA_FREEDOM)
    return result


def ln_other_area(peaks: Peaks, m: int, r: int) -> float:
    """Ln of how much more probable the area of a peak is as another compound's."""
    others = np.delete(peaks.ln_area[:, m], r)
    known = int(np.isfinite(others).sum())
    if not known or np.isnan(peaks.ln_area[r, m]):
        return 0.0
    off = float(peaks.ln_area[r, m] - np.nanmean(others))
    own = peaks.area_spread * np.sqrt(1 + 1 / known)
    tail = -(AREA_FREEDOM + 1) / 2 * np.log1p((off / own) ** 2 / AREA_FREEDOM)
    return float(ln_normal(off / OTHER_AREA, OTHER_AREA) - tail - ln_normal(0.0, own))
