"""The residuals of a fit, drawn: a sign for each compound and run."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from optimizer.results.plot_data import ResidualData
from optimizer.show.pictures.chromatograms import (
    GRID,
    INK,
    LEFT,
    LINE,
    LONGEST_NAME,
    QUIET,
    WIDTH,
    draw_legend,
    drawable,
    dress,
    extent,
    panel,
    sheet,
    text_style,
)
from optimizer.show.pictures.label_placement import shortened, thinned

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

RUN_COLOURS = ("#16324f", "#c2410c", "#00838f", "#8a5fbf", "#6b7a00")
RUN_MARKERS = ("o", "s", "^", "D", "v", "P")


def residual_figure(data: ResidualData) -> Figure:
    """Predicted - measured retention time, for every compound and run."""
    count = len(data.compounds)
    right = 0.15  # inch
    points = (WIDTH - LEFT - right) * 72
    size = float(np.clip(points / (LINE * max(count, 1)), 6.0, 8.0))
    names = [residual_name(name, at) for at, name in enumerate(data.compounds, 1)]
    below = max((extent(name, size) for name in names), default=0.0) / 72 + 0.16
    legend, axis = 0.34, 1.7
    height = legend + axis + below
    figure = sheet(height)
    axes = panel(figure, below, axis, points / 72)
    draw_residuals(data, axes)
    ticks = thinned(count, int(points / (LINE * size) + 1e-6), ())
    axes.set_xticks(ticks, [names[i] for i in ticks], rotation=90, **text_style(size, INK))
    return figure


def residual_name(name: str, number: int) -> str:
    """What stands beneath a compound's residuals: its name where the font has it, else its number."""
    short = shortened(name, LONGEST_NAME)
    return short if drawable(short) else f"compound {number}"


def draw_residuals(data: ResidualData, axes: Axes) -> None:
    """Residuals as signs beside each other, one kind a run, over the band of the repeatability."""
    count = len(data.compounds)
    axes.axhspan(-data.repeatability, data.repeatability, color=GRID, alpha=0.6, linewidth=0)
    axes.axhline(0.0, color=QUIET, linewidth=0.7)
    shifts = np.linspace(-0.22, 0.22, len(data.runs)) if len(data.runs) > 1 else np.zeros(1)
    for r, (run, shift) in enumerate(zip(data.runs, shifts, strict=True)):
        name = shortened(run, 24)
        axes.plot(
            np.arange(count) + shift, data.residual[r], RUN_MARKERS[r % len(RUN_MARKERS)],
            color=RUN_COLOURS[r % len(RUN_COLOURS)], markersize=4, markeredgewidth=0,
            label=name if drawable(name) else f"run {r + 1}",
        )  # fmt: skip
    dress(axes, "predicted -\nmeasured, s", INK)
    axes.set_xlim(-0.7, count - 0.3)
    seen = data.residual[np.isfinite(data.residual)]
    reach = 1.15 * max(float(np.abs(seen).max()) if len(seen) else 0.0, data.repeatability * 1.2, 0.01)
    axes.set_ylim(-reach, reach)
    draw_legend(axes, min(len(data.runs), 5))
