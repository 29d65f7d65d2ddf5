"""What to set at the detector for a program."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

import numpy as np

from models.units import HALF_95
from optimizer.base.numbers import MINUTES
from optimizer.base.tables import key
from optimizer.goal.outcome import Prediction
from optimizer.scenario.data import Scenario


@dataclass(frozen=True)
class DetectorSettings:
    """What to set at the detector for a program; times in s."""

    solvent_delay: Annotated[float | None, MINUTES, key("solvent_delay_min")]
    """when the last of the solvents has ended with 97.5 % probability: the delay to type in; null without one"""

    def lines(self) -> tuple[tuple[str, str], ...]:
        """What to set, as names and texts."""
        if self.solvent_delay is None:
            return ()
        return (("Solvent delay", f"{MINUTES.text(self.solvent_delay)} min, the solvent's end with its ±"),)


def detector_settings(scenario: Scenario, prediction: Prediction) -> DetectorSettings:
    """What to set at the detector for a predicted program."""
    solvents = np.array([scenario.role(name) == "solvent" for name in prediction.compounds])
    ends = prediction.retention + HALF_95 * np.nan_to_num(prediction.retention_sd)
    delay = float(ends[solvents].max()) if solvents.any() else None
    return DetectorSettings(delay)
