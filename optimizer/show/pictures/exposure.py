"""Pictures of what heat-sensitive analytes meet, one strip each, on the time axis of the chromatogram above them.

matplotlib is slow to import and is imported only where something is drawn.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from optimizer.results.exposure_data import ExposureData, Strip
from optimizer.show.pictures.chromatograms import (
    AXES_WIDTH,
    CRITICAL,
    GRID,
    INK,
    LEFT,
    OVEN,
    QUIET,
    WIDTH,
    drawable,
    dress,
    extent,
    text_style,
)
from optimizer.show.pictures.label_placement import shortened

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

STRIP = 0.62  # inch, height of a strip
LINE, GAP = 0.145, 0.1  # inch: a line of the words above it, and the room above those
WORDS = 7.5  # points, their size
TOP, BOTTOM = 0.3, 0.42  # inch
LONGEST_NAME = 28  # characters
ROOM_BESIDE = 0.5  # inch by which captions may stand out beside the axes
ROOM = 8.0  # °C above the hottest and below the coldest of what is drawn
NOT_KEPT = "✖ "  # before what an analyte does not bear: colour alone tells nothing on a black-and-white print


def exposure_figure(data: ExposureData) -> Figure:
    """A strip per sensitive analyte: column temperature against time until it leaves."""
    from matplotlib.figure import Figure

    captions = [_caption(strip, number) for number, strip in enumerate(data.strips, 1)]
    height = TOP + sum(GAP + len(lines) * LINE + STRIP for lines in captions) + BOTTOM
    figure = Figure(figsize=(WIDTH, height), facecolor="white")
    figure.text(
        0.12 / WIDTH, 1 - 0.2 / height, "Column temperature until each sensitive analyte leaves",
        **text_style(9, INK), fontweight="bold",
    )  # fmt: skip
    limits = [T for strip in data.strips for T in (strip.limit, strip.above) if T is not None]
    hottest, coldest = max([float(data.oven.max()), *limits]), float(data.oven.min())
    shared = None
    base = height - TOP
    for strip, lines in zip(data.strips, captions, strict=True):
        base -= GAP + len(lines) * LINE + STRIP
        place = (LEFT / WIDTH, base / height, AXES_WIDTH / WIDTH, STRIP / height)
        axes = figure.add_axes(place, sharex=shared)
        shared = shared or axes
        draw_strip(data, strip, axes, lines)
        axes.set_ylim(coldest - ROOM, hottest + ROOM)
        axes.set_xlim(0.0, data.end)
        axes.tick_params(labelbottom=strip is data.strips[-1])
    axes.set_xlabel("time, min", **text_style(8))
    return figure


def draw_strip(data: ExposureData, strip: Strip, axes: Axes, caption: Sequence[str]) -> None:
    """One analyte: its stay as an area under the oven program, its limits as lines, a caption above."""
    axes.plot(data.oven_times, data.oven, color=QUIET, linewidth=0.7, alpha=0.6)
    axes.plot(strip.times, strip.temperatures, color=OVEN, linewidth=1.5)
    floor = float(data.oven.min()) - ROOM
    axes.fill_between(strip.times, floor, strip.temperatures, color=GRID, alpha=0.6, linewidth=0)
    if strip.above is not None:
        # Sampled, as the crossing lies between corners of the program.
        times = np.linspace(strip.times[0], strip.times[-1], 400)
        hot = np.maximum(np.interp(times, strip.times, strip.temperatures), strip.above)
        axes.fill_between(times, strip.above, hot, facecolor=CRITICAL, alpha=0.45, linewidth=0)
        axes.axhline(strip.above, color=CRITICAL, linewidth=0.9, linestyle=(0, (1.5, 1.2)))
    if strip.limit is not None:
        axes.axhline(strip.limit, color=CRITICAL, linewidth=0.9, linestyle=(0, (6, 2)))
    if strip.eluted:
        axes.plot(
            strip.times[-1], strip.temperatures[-1], "o", color=OVEN if strip.kept else CRITICAL,
            markersize=4.5, markeredgewidth=0,
        )  # fmt: skip
    dress(axes, "°C", OVEN)
    for at, line in enumerate(reversed(caption)):
        axes.text(
            0.0, 1 + (0.04 + at * LINE) / STRIP, line, transform=axes.transAxes, ha="left", va="bottom",
            **text_style(WORDS, INK if strip.kept else CRITICAL), fontweight=_weight(strip),
        )  # fmt: skip


def _caption(strip: Strip, number: int) -> list[str]:
    """The name and the findings, in as many lines as they need."""
    name = shortened(strip.name, LONGEST_NAME)
    begin = f"{'' if strip.kept else NOT_KEPT}{name if drawable(name) else f'analyte {number}'}: "
    lines = [begin + strip.findings[0]]
    for finding in strip.findings[1:]:
        longer = f"{lines[-1]}; {finding}"
        if extent(longer, WORDS, _weight(strip)) <= (AXES_WIDTH + ROOM_BESIDE) * 72:
            lines[-1] = longer
        else:
            lines[-1] += ";"
            lines.append(f"    {finding}")
    return lines


def _weight(strip: Strip) -> str:
    return "normal" if strip.kept else "bold"
