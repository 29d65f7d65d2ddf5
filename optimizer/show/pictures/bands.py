"""How sure retention times are, as light bands behind a drawn chromatogram."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from models.column.programs import Array
from optimizer.goal.outcome import Prediction

if TYPE_CHECKING:
    from matplotlib.axes import Axes

BAND = "#9fb4c4"
STRENGTH = 0.28  # of the tint: seen in print, and the trace plain above it
BAND_NOTE = "light bands: where each apex lies in 95 % of draws"


def band_caption(prediction: Prediction) -> str:
    """What the bands of a picture are; empty where there are none."""
    if not np.isfinite(prediction.retention_sd).any():
        return ""
    return (
        "Light bands: where each apex lies in 95 % of draws of fit, set points and what the model leaves out. "
        "Neighbours mostly move together, so that bands may overlap where the peaks stay resolved."
    )


def draw_bands(axes: Axes, times: Array, halves: Array) -> None:
    """Bands as high as the axes, behind everything else.

    Parameters
    ----------
    times, halves : (M,) arrays  [min], apexes and halves of their 95 % intervals, nan where unknown
    """
    known = np.isfinite(halves)
    for start, end in zip((times - halves)[known], (times + halves)[known], strict=True):
        axes.axvspan(start, end, color=BAND, alpha=STRENGTH, linewidth=0, zorder=0)
