"""What to set at the detector for a program."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

import numpy as np

from models.column.programs import Array
from models.peaks.detection import BASE_SIGMAS, needed_readings
from models.peaks.resolution import HALF_HEIGHT_WIDTH
from models.units import HALF_95
from optimizer.base.numbers import MINUTES, SECONDS, Rounded
from optimizer.base.tables import key
from optimizer.goal.outcome import Prediction
from optimizer.scenario.data import COUNTED_ROLES, Scenario


@dataclass(frozen=True)
class DetectorSettings:
    """What to set at the detector for a program; times in s."""

    narrowest: Annotated[str | None, key()]
    """the target with the narrowest peak; null where none elutes"""
    base_width: Annotated[float | None, SECONDS, key("base_width_s")]
    """its width at the base, four standard deviations"""
    points: Annotated[int, key()]
    """readings it is to have: `min_points`, or 10"""
    needed: Annotated[float | None, Rounded(digits=3), key("needed_readings_per_s")]
    """readings a second for so many"""
    solvent_delay: Annotated[float | None, MINUTES, key("solvent_delay_min")]
    """when the last of the solvents has ended with 97.5 % probability: the delay to type in; null without one"""

    bleed: Annotated[float | None, Rounded(digits=3), key("bleed_at_last_per_s")] = None
    """level of the bleed when the last target or internal standard elutes, in the unit of the areas per second"""

    def lines(self) -> tuple[tuple[str, str], ...]:
        """What to set, as names and texts."""
        rows = []
        if self.needed is not None:
            text = f"at least {self.needed:.3g} readings a second, for {self.points} across {self.narrowest}"
            rows.append(("Data rate", f"{text} ({self.base_width:.2g} s wide at the base)"))
        if self.solvent_delay is not None:
            rows.append(
                ("Solvent delay", f"{MINUTES.text(self.solvent_delay)} min, the solvent's end with its ±")
            )
        if self.bleed is not None:
            rows.append(("Bleed at the last peak", f"{self.bleed:.3g} (unit of the areas per second)"))
        return tuple(rows)


def bleed_between(prediction: Prediction, bleed: Array, times: Array) -> Array:
    """Level of the bleed at times [s], any shape: its logarithm is nearly straight between the traces' points."""
    return np.exp(np.interp(times, prediction.trace_times, np.log(bleed)))


def detector_settings(scenario: Scenario, prediction: Prediction) -> DetectorSettings:
    """What to set at the detector for a predicted program."""
    roles = [scenario.role(name) for name in prediction.compounds]
    solvents = np.array([role == "solvent" for role in roles])
    ends = prediction.retention + HALF_95 * np.nan_to_num(prediction.retention_sd)
    delay = float(ends[solvents].max()) if solvents.any() else None
    counted = np.array([role in COUNTED_ROLES for role in roles])
    eluted = prediction.retention[counted & np.isfinite(prediction.retention)]
    bleed = None
    if prediction.bleed is not None and eluted.size:
        bleed = float(bleed_between(prediction, prediction.bleed, eluted.max(keepdims=True))[0])
    sigma = prediction.width_half / HALF_HEIGHT_WIDTH
    sigma = np.where(counted, sigma, np.nan)
    points = scenario.detector.points
    if np.isnan(sigma).all():
        return DetectorSettings(None, None, points, None, delay, bleed)
    m = int(np.nanargmin(sigma))
    least = float(sigma[m])
    base, needed = BASE_SIGMAS * least, needed_readings(least, points)
    return DetectorSettings(prediction.compounds[m], base, points, needed, delay, bleed)
