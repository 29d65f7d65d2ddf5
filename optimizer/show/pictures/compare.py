"""A run mirrored beneath its prediction on one time axis, and under both how far every peak is off.

matplotlib is slow to import and is imported only where something is drawn.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from models.column.programs import Array
from models.peaks.chromatogram import detector_trace, trace_times
from models.peaks.tails import Tail
from models.units import HALF_95, SECONDS_PER_MINUTE
from optimizer.goal.outcome import LEAST_TAILING
from optimizer.methods.compare import Comparison
from optimizer.results.plot_data import scale_of
from optimizer.show.pictures.chromatograms import (
    CRITICAL,
    GRID,
    INK,
    LEFT,
    LONGEST_NAME,
    QUIET,
    SIGNAL,
    WIDTH,
    LabelBand,
    draw_labels,
    drawable,
    dress,
    mark_cut,
    panel,
    sheet,
    text_style,
)
from optimizer.show.pictures.label_placement import shortened

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

FOUND = "#00687a"
RIGHT = 0.3  # inch
OVERHANG = 0.25  # inch by which labels may stand beside the axes
HIGHEST = 1.06  # where the axis of a signal ends
TICKS = (1.0, 10.0, 50.0, 100.0)  # % of the highest peak that is drawn whole


@dataclass(frozen=True)
class MirrorData:
    """What the picture shows; times in min, signals on a root scale, 1 the highest peak that is drawn whole.

    Attributes
    ----------
    times : (Q,) array
    predicted, found : (Q,) arrays
    peak_times, found_times : (M,) arrays, in order of predicted elution; nan where missing
    names : M names; `pointed` says which are of the critical pair found, wrongly named, or missing
    pointed : M
    deviation, sd, shift : (M,) arrays  [s], found - predicted, its standard deviation, and the shared cause's part
        (nan without one)
    cut_predicted, cut_found : times of the peaks that are cut off, since they dwarf the others
    extra : names and times of peaks that are no compound of the scenario
    end : float
    """

    times: Array
    predicted: Array
    found: Array
    peak_times: Array
    found_times: Array
    names: tuple[str, ...]
    pointed: tuple[bool, ...]
    deviation: Array
    sd: Array
    shift: Array
    cut_predicted: Array
    cut_found: Array
    extra: tuple[tuple[str, float], ...]
    end: float


def mirror_data(compared: Comparison) -> MirrorData:
    """Prepare the picture; where the run has no areas or widths, the predicted ones stand in."""
    prediction = compared.prediction
    order = np.array([m for m in prediction.order if np.isfinite(prediction.retention[m])], dtype=np.intp)
    t, w = prediction.retention[order], prediction.width_half[order]
    tailing = np.maximum(prediction.tailing[order], LEAST_TAILING)
    found = compared.named[order]
    rows = [compared.peaks.index(prediction.compounds[m]) for m in order]
    area, width = (
        np.array([np.nan if row is None else values[row] for row in rows])
        for values in (compared.peaks.area, compared.peaks.width_half)
    )
    area = np.where(np.isfinite(area), area, prediction.area[order])
    width = np.where(np.isfinite(width), width, w)
    extra = [row for row, name in enumerate(compared.peaks.compounds) if name not in prediction.compounds]
    for row in extra:
        near = int(np.argmin(np.abs(t - compared.peaks.retention[row])))
        own = compared.peaks.area[row], compared.peaks.width_half[row]
        area = np.append(area, own[0] if np.isfinite(own[0]) else np.median(area))
        width = np.append(width, own[1] if np.isfinite(own[1]) else w[near])
    every = np.append(found, compared.peaks.retention[extra])
    tails = np.append(tailing, np.ones(len(extra)))
    last = float(np.nanmax(np.concatenate([t + 3 * w, every + 3 * width])))
    end = max(prediction.run_time, last)
    scaling = prediction.scaling[order]
    tail = prediction.tail and prediction.tail[order]
    tau = tail.time_constant if tail else 0.0
    tail_below = tail and Tail(tau, np.append(tail.own, np.ones(len(extra))))
    times = np.union1d(
        trace_times(end, t, w, tailing, time_constant=tau),
        trace_times(end, every, width, tails, time_constant=tau),
    )
    smallest = compared.critical_found
    pointed = set() if smallest is None else {smallest.a, smallest.b}
    pointed = set(compared.wrongly_named or pointed) | set(compared.lost)
    cause = compared.causes.cause
    signal = detector_trace(times, t, w, prediction.area[order], tailing, prediction.overload[order], tail)
    above, cut_above = _drawn(times, signal, t, scaling)
    scaled = np.append(scaling, np.full(len(extra), scaling.all()))
    below, cut_below = _drawn(
        times, detector_trace(times, every, width, area, tails, tail=tail_below), every, scaled
    )
    return MirrorData(
        times=times / SECONDS_PER_MINUTE,
        predicted=above,
        found=below,
        peak_times=t / SECONDS_PER_MINUTE,
        found_times=found / SECONDS_PER_MINUTE,
        names=tuple(prediction.compounds[m] for m in order),
        pointed=tuple(int(m) in pointed for m in order),
        deviation=compared.deviation[order],
        sd=compared.time_sd[order],
        shift=np.full(len(order), np.nan) if cause is None else cause.shift[order],
        cut_predicted=cut_above / SECONDS_PER_MINUTE,
        cut_found=cut_below / SECONDS_PER_MINUTE,
        extra=tuple((name, time / SECONDS_PER_MINUTE) for name, time in compared.extra),
        end=end / SECONDS_PER_MINUTE,
    )


def _drawn(times: Array, signal: Array, apexes: Array, own: NDArray[np.bool_]) -> tuple[Array, Array]:
    """A signal as the root of its share of the highest peak drawn whole, so that small peaks show beside large ones,
    and the times of those that are cut off; `own` are those that the scale is of."""
    seen = np.isfinite(apexes)
    apexes, own = apexes[seen], own[seen]
    heights = np.interp(apexes, times, signal)
    scale = scale_of(list(heights[own] if own.any() else heights))
    if not signal.max() > 0:
        return signal, apexes[:0]
    return np.minimum(np.sqrt(signal / scale), HIGHEST), apexes[heights > HIGHEST**2 * scale]


def compared_figure(compared: Comparison) -> Figure:
    """The picture of a compared run."""
    data = mirror_data(compared)
    labels = LabelBand(data.names, data.pointed, WIDTH - LEFT - RIGHT, OVERHANG)
    half, off, gap, top, bottom = 1.7, 1.5, 0.32, 0.34, 0.45  # inch
    height = top + labels.height + 2 * half + gap + off + bottom
    title = f"{shortened(compared.name, 40)}: predicted above, found below"
    figure = sheet(height, title if drawable(title) else "Predicted above, found below")
    wide = WIDTH - LEFT - RIGHT
    deviations = panel(figure, bottom, off, wide)
    found = panel(figure, bottom + off + gap, half, wide, deviations)
    predicted = panel(figure, bottom + off + gap + half, half, wide, deviations)
    deviations.set_xlim(0.0, data.end)
    _draw_signal(
        predicted, data.times, data.predicted, SIGNAL, "predicted, % of\nhighest, root scale", upward=True
    )
    mark_cut(predicted, list(data.cut_predicted), 0.95)
    mark_cut(found, list(data.cut_found), 0.05)
    _draw_signal(found, data.times, data.found, FOUND, "found, % of\nhighest, root scale", upward=False)
    _draw_pointed(found, data)
    _draw_extra(found, data)
    _draw_deviations(deviations, data)
    for axes in (found, predicted):
        axes.tick_params(labelbottom=False, bottom=False)
    deviations.set_xlabel("time, min", **text_style(8))
    apexes = np.interp(data.peak_times, data.times, data.predicted) / HIGHEST
    draw_labels(predicted, labels, data.peak_times / data.end, apexes)
    return figure


def _draw_signal(axes: Axes, times: Array, signal: Array, colour: str, label: str, upward: bool) -> None:
    axes.fill_between(times, 0.0, signal, color=colour, alpha=0.15, linewidth=0)
    axes.plot(times, signal, color=colour, linewidth=0.9)
    dress(axes, label, INK)
    axes.set_ylim((0.0, HIGHEST) if upward else (HIGHEST, 0.0))
    axes.set_yticks([np.sqrt(tick / 100) for tick in TICKS], [f"{tick:g}" for tick in TICKS])
    axes.spines["bottom"].set_visible(upward)


def _draw_pointed(axes: Axes, data: MirrorData) -> None:
    """The sign of the pointed peaks beneath them, as before their names."""
    seen = np.array(data.pointed) & np.isfinite(data.found_times)
    times = data.found_times[seen]
    beneath = np.minimum(np.interp(times, data.times, data.found) + 0.05, HIGHEST)
    axes.plot(times, beneath, "D", color=CRITICAL, markersize=3, markeredgewidth=0, clip_on=False)


def _draw_extra(axes: Axes, data: MirrorData) -> None:
    for name, time in data.extra:
        text = shortened(name, LONGEST_NAME)
        axes.annotate(
            text if drawable(text) else "unknown peak", (time, float(np.interp(time, data.times, data.found))),
            (0, -4), textcoords="offset points", ha="center", va="top", annotation_clip=False,
            **text_style(7, CRITICAL),
        )  # fmt: skip


def _draw_deviations(axes: Axes, data: MirrorData) -> None:
    """Found - predicted in s, over the 95 % interval of the prediction."""
    axes.fill_between(
        data.peak_times, -HALF_95 * data.sd, HALF_95 * data.sd, color=GRID, alpha=0.7, linewidth=0,
        label="95 % interval of the prediction",
    )  # fmt: skip
    axes.axhline(0.0, color=QUIET, linewidth=0.7)
    known = np.isfinite(data.shift)
    if known.any():
        axes.plot(
            data.peak_times[known], data.shift[known], color=FOUND, linewidth=1.1, linestyle=(0, (5, 2)),
            label="one cause for all",
        )  # fmt: skip
    pointed = np.array(data.pointed)
    axes.plot(
        data.peak_times[~pointed], data.deviation[~pointed], "o", color=SIGNAL, markersize=4,
        markeredgewidth=0, label="found - predicted",
    )  # fmt: skip
    axes.plot(data.peak_times[pointed], data.deviation[pointed], "D", color=CRITICAL, markersize=5)
    dress(axes, "found -\npredicted, s", INK)
    # The edges of the interval are to be seen: a deviation means something only beside them.
    reach = 1.2 * float(np.nanmax(np.abs([*data.deviation, *data.shift, *(HALF_95 * data.sd)]), initial=0.5))
    axes.set_ylim(-reach, reach)
    legend = axes.legend(
        loc="lower left", bbox_to_anchor=(0, 1.0), ncols=3, frameon=False, labelcolor=INK, borderaxespad=0.1,
        prop={"family": "DejaVu Sans", "size": 7.5}, handletextpad=0.5, columnspacing=1.4,
    )  # fmt: skip
    legend.set_in_layout(False)
