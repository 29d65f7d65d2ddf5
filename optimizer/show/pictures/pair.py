"""The critical pair by itself, enlarged, with its resolution and its valley.

matplotlib is slow to import and is imported only where something is drawn.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from models.column.programs import Array
from optimizer.results.plot_data import ChromatogramData
from optimizer.show.pictures.chromatograms import (
    CRITICAL,
    INK,
    MARK,
    SIGNAL,
    draw_legend,
    dress,
    few_ticks,
    label_text,
    mark_cut,
    text_style,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

UNEQUAL = (
    0.2  # of the larger one's height: a smaller peak of the critical pair is then drawn to a scale of its own
)
CUT_AT = 2.5  # times its height


def critical_pair_figure(data: ChromatogramData) -> Figure | None:
    """The critical pair, enlarged; None when there is no pair."""
    from matplotlib.figure import Figure

    if data.window is None:
        return None
    width, height, top, bottom = 3.5, 2.2, 0.5, 0.42  # inch
    figure = Figure(figsize=(width, height), facecolor="white")
    axes = figure.add_axes((0.62 / width, bottom / height, 1 - 0.75 / width, 1 - (top + bottom) / height))
    draw_critical_pair(data, axes)
    axes.yaxis.set_label_coords(-0.13, 0.5)
    axes.set_xlabel("time, min", **text_style(8))
    return figure


def draw_critical_pair(data: ChromatogramData, axes: Axes) -> None:
    """The trace around the critical pair, with each of the two peaks by itself beneath it."""
    assert data.window is not None
    start, end = data.window
    seen = (data.times >= start) & (data.times <= end)
    names = [label_text(each.name, True, i) for i, each in enumerate(data.labels, 1) if each.critical]
    # A critical peak that never elutes has no label and nothing to draw.
    for response, name, line in zip(data.critical_responses, names, ("--", ":"), strict=False):
        axes.fill_between(data.times[seen], 0.0, response[seen], color=CRITICAL, alpha=0.2, linewidth=0)
        axes.plot(
            data.times[seen],
            response[seen],
            color=CRITICAL,
            linewidth=1.2,
            linestyle=line,
            label=name[len(MARK) :],
        )
    axes.plot(data.times[seen], data.response[seen], color=SIGNAL, linewidth=1.2, label="_sum")
    dress(axes, "signal, % of highest", INK)
    axes.set_xlim(start, end)
    highest = float(data.response[seen].max())
    top, note = 1.08 * highest, ""
    heights = sorted(label.height for label in data.labels if label.critical)
    if len(heights) == 2 and heights[0] < UNEQUAL * heights[1]:
        top = CUT_AT * heights[0]
        note = f"cut off: the larger peak is\n{heights[1] / heights[0]:.0f} times as high"
    elif heights and highest > CUT_AT * heights[-1]:  # a solvent, say, within the stretch
        top = CUT_AT * heights[-1]
        note = f"cut off: a peak beside is\n{highest / heights[-1]:.0f} times as high"
    if note:
        axes.text(1.0, 1.03, note, transform=axes.transAxes, ha="right", **text_style(6.5))
    axes.set_ylim(0.0, top)
    mark_cut(axes, _tops(data.times[seen], data.response[seen], top))
    if data.valley_at is not None:
        axes.plot(*data.valley_at, "v", color=INK, markersize=4, clip_on=False, label="_valley")
    axes.text(
        0.98, 0.97, pair_note(data), transform=axes.transAxes, ha="right", va="top",
        bbox={"facecolor": "white", "alpha": 0.8, "edgecolor": "none", "pad": 1.5}, **text_style(8, INK),
    )  # fmt: skip
    axes.xaxis.set_major_locator(few_ticks())
    draw_legend(axes, 1)


def _tops(times: Array, response: Array, top: float) -> list[float]:
    """Where in each stretch above the end of the axis the signal is highest."""
    above = np.flatnonzero(response > top)
    stretches = np.split(above, np.flatnonzero(np.diff(above) > 1) + 1) if above.size else []
    return [float(times[each[int(response[each].argmax())]]) for each in stretches]


def pair_note(data: ChromatogramData) -> str:
    """Resolution and valley of the critical pair, for where it is enlarged."""
    text = f"Rs {data.critical_resolution:.2f}"
    return text + (f"\nvalley {data.valley:.1f} %" if np.isfinite(data.valley) else "")
