"""The peaks of a recorded trace as a picture for approval: every one with its baseline, its half-height width and,
where there is room, its number.

The run is laid out in rows of about as many peaks each, so that crowded stretches get more room. The signal is drawn on
a root scale above the lowest baseline; where one peak dwarfs the others of its row it is cut off at the top.

matplotlib is slow to import and is imported only where something is drawn.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from models.column.programs import Array
from models.traces.finding import PeakSearch
from models.traces.shape import Index
from models.units import SECONDS_PER_MINUTE
from optimizer.runs.trace_peaks import Picked
from optimizer.show.pictures.chromatograms import (
    CRITICAL,
    INK,
    LEFT,
    LINE,
    QUIET,
    SIGNAL,
    WIDTH,
    drawable,
    dress,
    panel,
    sheet,
    text_style,
)
from optimizer.show.pictures.label_placement import shortened, spaced, thinned

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

BASELINE = "#00838f"
RIGHT, TOP, BOTTOM, LABELS, TALL, GAP = 0.3, 0.62, 0.45, 0.34, 1.45, 0.3  # inch
PEAKS_A_ROW, MOST_ROWS = 14, 10
TALLEST = 25.0  # times the median height of a row, at which peaks are cut off
DRAWN = 4000  # points of a row, more than a print resolves
NUMBER = 7.0  # points, size of the numbers


@dataclass(frozen=True, eq=False)
class Row:
    """A stretch of the run.

    Attributes
    ----------
    start, end : float  [min]
    peaks : numbers of the peaks in it, from 0
    """

    start: float
    end: float
    peaks: tuple[int, ...]


def rows_of(retention: Array, first: float, last: float) -> list[Row]:
    """The run in rows with about as many peaks each, parted at the widest gaps nearby; all times in min."""
    count = len(retention)
    wanted = int(np.clip(-(-count // PEAKS_A_ROW), 1, MOST_ROWS))
    cuts = [0]
    for k in range(1, wanted):
        even = round(k * count / wanted)
        near = range(max(even - 3, cuts[-1] + 1), min(even + 4, count))
        if near:
            cuts.append(max(near, key=lambda n: retention[n] - retention[n - 1]))
    cuts = [*sorted(set(cuts)), count]
    edges = [first, *((retention[n - 1] + retention[n]) / 2 for n in cuts[1:-1]), last]
    return [
        Row(float(edges[k]), float(edges[k + 1]), tuple(range(cuts[k], cuts[k + 1])))
        for k in range(len(cuts) - 1)
    ]


def peaks_figure(picked: Picked, name: str) -> Figure:
    """The picture; the file must have a trace."""
    search, trace = picked.search, picked.trace
    if search is None:
        raise ValueError("a file without a trace has no picture")
    minutes = trace.times / SECONDS_PER_MINUTE
    rows = rows_of(picked.retention / SECONDS_PER_MINUTE, float(minutes[0]), float(minutes[-1]))
    step = LABELS + TALL + GAP
    height = TOP + len(rows) * step - GAP + BOTTOM
    name = shortened(name, 60)
    title = f"{name if drawable(name) else 'Recorded trace'}: {len(picked.retention)} peaks"
    origin = "listed in the file" if picked.from_file else "found in the trace"
    figure = sheet(height, f"{title}, {origin}")
    for k, row in enumerate(rows):
        base = height - TOP - (k + 1) * step + GAP
        axes = panel(figure, base, TALL, WIDTH - LEFT - RIGHT)
        _draw_row(axes, picked, search, row, (WIDTH - LEFT - RIGHT, TALL))
        if k == len(rows) - 1:
            axes.set_xlabel("time, min", **text_style(8))
    key = (
        "dashed: baseline, solid beneath peaks; bars: width at half height; ticks on the axis: a peak's limits; "
        "▲ cut off"
    )
    figure.text(0.12 / WIDTH, 1 - 0.38 / height, key, **text_style(7.5))
    return figure


def draw_stretch(axes: Axes, picked: Picked, search: PeakSearch, start: float, end: float) -> None:
    """A stretch of the run [min] on given axes, as a row of the picture."""
    at = picked.retention / SECONDS_PER_MINUTE
    peaks = tuple(int(n) for n in np.flatnonzero((at >= start) & (at <= end)))
    box = axes.get_window_extent()
    size = (float(box.width / axes.figure.dpi), float(box.height / axes.figure.dpi))
    _draw_row(axes, picked, search, Row(start, end, peaks), size)


def _draw_row(axes: Axes, picked: Picked, search: PeakSearch, row: Row, size: tuple[float, float]) -> None:
    """One row on axes of that width and height [inch]."""
    trace, found = picked.trace, search.peaks
    minutes = trace.times / SECONDS_PER_MINUTE
    part = (minutes >= row.start) & (minutes <= row.end)
    if part.sum() < 2:
        part[max(int(np.searchsorted(minutes, row.start)) - 1, 0) :][:2] = True
    t, y, base = minutes[part], trace.signal[part], search.baseline[part]
    peaks = np.array(row.peaks, dtype=np.intp)
    at = picked.retention[peaks] / SECONDS_PER_MINUTE
    apex = picked.found(found.height)[peaks] + np.interp(at, t, base)
    apex = np.where(np.isfinite(apex), apex, np.interp(at, t, y))
    zero = float(base.min())
    unit = _unit(y, base, apex, zero, search.noise)

    def root(values: Array) -> Array:
        share = (np.asarray(values, dtype=float) - zero) / unit
        return np.sign(share) * np.sqrt(np.abs(share))

    thin = _thinned(t, y)
    axes.plot(t[thin], root(y[thin]), color=SIGNAL, linewidth=0.7)
    axes.plot(t[thin], root(base[thin]), color=BASELINE, linewidth=0.8, linestyle=(0, (4, 2)))
    axes.set_xlim(row.start, row.end)
    low = min(-0.12, 1.15 * float(root(np.array([np.quantile(y, 0.001)]))[0]))
    axes.set_ylim(low, 1.08)
    dress(
        axes,
        f"above lowest baseline{f', {trace.unit}' if trace.unit and drawable(trace.unit) else ''}\nroot scale",
        INK,
    )
    ticks = [0.0, *(_round(unit * share) for share in (0.04, 0.25, 1.0))]
    axes.set_yticks([float(np.sqrt(tick / unit)) for tick in ticks], [f"{tick:.4g}" for tick in ticks])
    _draw_widths(axes, picked, search, peaks, root, low)
    cut = root(apex) > 1.08
    if cut.any():
        axes.plot(at[cut], np.full(cut.sum(), 1.03), "^", color=CRITICAL, markersize=4, markeredgewidth=0)
    _draw_numbers(axes, row, at, np.minimum(root(apex), 1.08), low, size)


def _unit(y: Array, base: Array, apex: Array, zero: float, noise: float) -> float:
    """What is drawn one high, above the lowest baseline."""
    heights = apex - zero
    tallest = float(heights.max()) if len(heights) else float(np.ptp(y))
    usual = TALLEST * float(np.median(heights)) if len(heights) else tallest
    return max(min(tallest, usual), float(base.max()) - zero, 10 * noise, 1e-12 * (1 + abs(zero)))


def _round(value: float) -> float:
    """The value in one digit, so that ticks read well."""
    power = 10.0 ** np.floor(np.log10(value))
    return float(max(1.0, np.floor(value / power)) * power)


def _thinned(t: Array, y: Array) -> Index:
    """Indices of the points to draw: all, or the lowest and highest of every few, so that no peak is lost."""
    if len(t) <= DRAWN:
        return np.arange(len(t), dtype=np.intp)
    size = -(-len(t) // (DRAWN // 2))
    starts = np.arange(0, len(t), size)
    kept = [0, len(t) - 1]
    for start in map(int, starts):
        chunk = y[start : start + size]
        kept += [start + int(np.argmin(chunk)), start + int(np.argmax(chunk))]
    return np.unique(np.array(kept, dtype=np.intp))


def _draw_widths(
    axes: Axes, picked: Picked, search: PeakSearch, peaks: Index, root: Callable[[Array], Array], low: float
) -> None:
    """A bar at half height, the peak's own baseline, and small ticks at the limits of the area."""
    found = search.peaks
    columns = (found.half_front, found.half_back, found.half_level, found.start, found.end)
    front, back, level, start, end = (picked.found(values)[peaks] for values in columns)
    bases = root(picked.found(found.base_start)[peaks]), root(picked.found(found.base_end)[peaks])
    for a, b, first, last in zip(start / SECONDS_PER_MINUTE, end / SECONDS_PER_MINUTE, *bases, strict=True):
        axes.plot([a, b], [first, last], color=BASELINE, linewidth=0.8)
    heights = root(level)
    for a, b, h in zip(front / SECONDS_PER_MINUTE, back / SECONDS_PER_MINUTE, heights, strict=True):
        if np.isfinite(a) and np.isfinite(b) and h <= 1.08:
            axes.plot([a, b], [h, h], color=CRITICAL, linewidth=1.6, solid_capstyle="butt")
    limits = np.concatenate([start, end]) / SECONDS_PER_MINUTE
    limits = limits[np.isfinite(limits)]
    axes.plot(
        limits, np.full(len(limits), low), "|", color=QUIET, markersize=7, markeredgewidth=0.7, clip_on=False
    )


def _draw_numbers(
    axes: Axes, row: Row, at: Array, heights: Array, low: float, size: tuple[float, float]
) -> None:
    """The numbers of the peaks above the axes, as many as there is room for, with a line down to the apex of each."""
    wide, tall = size[0] * 72, size[1] * 72
    sizes = np.array([LINE * NUMBER * 0.75 * max(len(str(n + 1)), 1.4) for n in row.peaks])
    shown = thinned(len(sizes), int((wide + 20.0) / sizes.max(initial=1.0)), ())
    sizes, at, heights = sizes[shown], at[shown], heights[shown]
    places = (at - row.start) / max(row.end - row.start, 1e-9) * wide
    centres = spaced(places, sizes, -10.0, wide + 10.0)
    foot = 1 + 12.0 / tall
    for n, place, centre, apex in zip(
        (row.peaks[each] for each in shown), places, centres, heights, strict=True
    ):
        x, high = place / wide, (apex - low) / (1.08 - low)
        axes.plot(
            [x, x, centre / wide, centre / wide], [high + 2 / tall, 1 + 2 / tall, foot - 2 / tall, foot],
            transform=axes.transAxes, clip_on=False, linewidth=0.5, color="#9aa7af",
        )  # fmt: skip
        axes.text(
            centre / wide, foot + 1 / tall, str(n + 1), transform=axes.transAxes, ha="center", va="bottom",
            **text_style(NUMBER, INK),
        )  # fmt: skip
