"""The front between time and smallest resolution as a picture.

matplotlib is slow to import and is imported only where something is drawn.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from models.units import SECONDS_PER_MINUTE
from optimizer.plots import CRITICAL, INK, LEFT, SIGNAL, WIDTH, dress, text_style
from optimizer.results import FrontPoint

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def front_figure(front: Sequence[FrontPoint], minimise: str, asked: float) -> Figure:
    """Time along, smallest resolution up; between two points nothing is claimed but the slower one's.

    Parameters
    ----------
    minimise : "run time" or "cycle time"
    asked : float  [-], the resolution the goal asks for
    """
    from matplotlib.figure import Figure

    height, bottom, top, right = 2.6, 0.45, 0.35, 0.3  # inch
    figure = Figure(figsize=(WIDTH, height), facecolor="white")
    axes = figure.add_axes(
        (
            LEFT / WIDTH,
            bottom / height,
            (WIDTH - LEFT - right) / WIDTH,
            (height - top - bottom) / height,
        )
    )
    cost = np.array([point.cost for point in front]) / SECONDS_PER_MINUTE
    Rs = np.array([point.prediction.min_resolution for point in front])
    axes.axhline(asked, color=CRITICAL, linewidth=0.9, linestyle=(0, (6, 2)))
    axes.plot(cost, Rs, color=SIGNAL, linewidth=1.0, drawstyle="steps-post", alpha=0.6)
    axes.plot(cost, Rs, "D", color=SIGNAL, markersize=5, markeredgewidth=0)
    dress(axes, "smallest Rs", INK)
    span = float(np.ptp(cost)) or 1.0
    low, high = min(float(Rs.min()), asked), max(float(Rs.max()), asked)
    room = 0.12 * (high - low or 1.0)
    axes.set_xlim(cost.min() - 0.05 * span, cost.max() + 0.05 * span)
    axes.set_ylim(low - room, high + 2 * room)
    axes.set_xlabel(f"{minimise}, min", **text_style(8))
    axes.text(
        1.0, asked, f"asked for: {asked:g}", transform=axes.get_yaxis_transform(), ha="right", va="bottom",
        **text_style(7, CRITICAL),
    )  # fmt: skip
    for number, (x, y) in enumerate(zip(cost, Rs, strict=True), 1):
        axes.annotate(
            f"{number}", (x, y), (0, 5), textcoords="offset points", ha="center", **text_style(7, INK)
        )
    return figure
