"""Pictures on axes that somebody else made, of any width; with the labels that figures of our own set by themselves."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from models.traces.finding import PeakSearch
from optimizer.methods.sweep import Sweep
from optimizer.results.plot_data import ChromatogramData, ResidualData
from optimizer.runs.trace_peaks import Picked
from optimizer.show.pictures.chromatograms import (
    AXES_WIDTH,
    GRID,
    INK,
    LINE,
    QUIET,
    draw_signal,
    text_style,
    width_of,
)
from optimizer.show.pictures.label_placement import thinned
from optimizer.show.pictures.pair import draw_critical_pair
from optimizer.show.pictures.peaks import draw_stretch
from optimizer.show.pictures.residuals import draw_residuals, residual_name
from optimizer.show.pictures.sweep_curves import draw_resolution, draw_run_time, style

if TYPE_CHECKING:
    from matplotlib.axes import Axes

LABEL_DISTANCE = 0.075 * AXES_WIDTH  # inch, of the label of a vertical axis from it
NAME_SIZE = 7.0  # points


def draw_over_time(
    draw: Callable[[ChromatogramData, Axes], None], data: ChromatogramData, axes: Axes
) -> None:
    """One of the traces, with its time axis [min]."""
    draw(data, axes)
    axes.set_xlim(0.0, data.end)
    axes.set_xlabel("time, min", **text_style(8))
    _set_label_apart(axes)


def draw_named_signal(data: ChromatogramData, axes: Axes) -> None:
    """The detector trace with its time axis [min]; names stand above the axes."""
    draw_over_time(draw_signal, data, axes)


def draw_pair(data: ChromatogramData, axes: Axes) -> None:
    """The trace around the critical pair with its time axis [min]."""
    draw_critical_pair(data, axes)
    axes.set_xlabel("time, min", **text_style(8))
    _set_label_apart(axes)


def draw_named_residuals(data: ResidualData, axes: Axes) -> None:
    """Residuals [s] with the names of the compounds beneath."""
    draw_residuals(data, axes)
    names = [residual_name(name, at) for at, name in enumerate(data.compounds, 1)]
    room = max(int(width_of(axes) * 72 / (LINE * NAME_SIZE)), 1)
    ticks = thinned(len(names), room, ())
    axes.set_xticks(ticks, [names[i] for i in ticks], rotation=90, **text_style(NAME_SIZE, INK))
    _set_label_apart(axes)


def draw_swept_resolution(swept: Sweep, axes: Axes) -> None:
    """Smallest resolution over one set point, with a legend above."""
    with style():
        draw_resolution(swept, axes)
        axes.legend(
            loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=3, borderaxespad=0.2, fontsize=7, frameon=False
        )
    _dress_curve(axes)


def draw_swept_run_time(swept: Sweep, axes: Axes) -> None:
    """Run time [min] over one set point."""
    with style():
        draw_run_time(swept, axes)
    _dress_curve(axes)


def draw_peaks(picked: Picked, search: PeakSearch, start: float, end: float, axes: Axes) -> None:
    """A stretch of a recorded trace [min] with the numbers of its peaks above."""
    draw_stretch(axes, picked, search, start, end)
    axes.set_xlabel("time, min", **text_style(8))
    _set_label_apart(axes)


def _dress_curve(axes: Axes) -> None:
    """Ticks, frame and grid as of the other pictures; those of ready-made axes look as their maker's do."""
    axes.tick_params(which="both", labelsize=7, colors=QUIET, length=2.5)
    axes.xaxis.label.set(**text_style(8))
    axes.yaxis.label.set(**text_style(8, INK))
    axes.grid(True, color=GRID, linewidth=0.5)
    axes.set_axisbelow(True)
    for name, side in axes.spines.items():
        side.set_visible(name in ("left", "bottom"))
        side.set(color=QUIET, linewidth=0.6)
    _set_label_apart(axes)


def _set_label_apart(axes: Axes) -> None:
    """The label of the vertical axis at one printed distance, also after a layout has moved the axes."""
    from matplotlib.transforms import ScaledTranslation

    aside = ScaledTranslation(-LABEL_DISTANCE, 0.0, axes.figure.dpi_scale_trans)
    axes.yaxis.set_label_coords(0.0, 0.5, transform=axes.transAxes + aside)
