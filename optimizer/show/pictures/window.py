"""The picture of a window diagram: relative retention, plates and run time over the column temperature."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from models.units import SECONDS_PER_MINUTE, celsius
from optimizer.methods.window_sweep import WindowSweep
from optimizer.results.sweep import goal_met
from optimizer.show.pictures.chromatograms import CRITICAL, INK, LEFT, SIGNAL, WIDTH, panel, sheet
from optimizer.show.pictures.sweep_curves import (
    KEY_MOST,
    MARGIN,
    MET,
    best_mark,
    draw_letter_band,
    heading,
    key_height,
    pair_letters,
    scale_of_time,
    style,
    write_key,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

NUMBERED = 6  # windows
HEADROOM = 1.35  # of the alpha axis above the highest window
MOST_PLATES = 300.0  # times what the column gives: what needs more is off the picture


def window_figure(found: WindowSweep, compounds: Sequence[str], title: str) -> Figure:
    """Three panels over one temperature axis."""
    with style():
        letters = pair_letters(found.pairs[found.diagram.critical], compounds)
        key = letters.key(KEY_MOST)
        top, band, gap, below = 0.6, 0.2, 0.34, 0.48  # inch
        panels = (1.0, 1.5, 2.5)
        foot = below + key_height(key) + 0.1
        height = foot + sum(panels) + 2 * gap + band + top
        figure, base = sheet(height), foot
        rows: list[Axes] = []
        for tall in panels:
            rows.append(panel(figure, base, tall, WIDTH - LEFT - MARGIN, rows[0] if rows else None))
            base += tall + gap
        T = celsius(found.diagram.values)
        rows[0].set_xlim(T[0], T[-1])
        heading(figure, title)
        for axes in rows:
            axes.grid(True)
            axes.yaxis.set_label_coords(-0.075, 0.5)
        _draw_alpha(found, rows[2])
        _draw_plates(found, rows[1])
        _draw_time(found, rows[0])
        draw_letter_band(letters, T, rows[2])
        for axes in rows[1:]:
            axes.tick_params(labelbottom=False)
        rows[0].set_xlabel("column temperature, °C")
        _legend(rows[2], 1 + (band + 0.04) / panels[2])
        _legend(rows[1], 1.01)
        write_key(figure, key, foot - below)
        return figure


def _legend(axes: Axes, above: float) -> None:
    axes.legend(loc="lower left", bbox_to_anchor=(0, above), ncols=4, borderaxespad=0.1, handlelength=1.8)


def _draw_alpha(found: WindowSweep, axes: Axes) -> None:
    diagram = found.diagram
    T, smallest = celsius(diagram.values), diagram.smallest
    top = 1 + HEADROOM * (diagram.windows[0].alpha - 1)
    seen = np.flatnonzero(diagram.alpha.min(axis=0) < top)
    for number, pair in enumerate(seen):
        label = "a pair" if number == 0 else None
        axes.plot(T, diagram.alpha[:, pair], color="#9fabb4", linewidth=0.6, label=label)
    axes.fill_between(T, 1.0, smallest, color=MET, linewidth=0, label="windows")
    axes.plot(T, smallest, color=SIGNAL, linewidth=1.5, label="smallest of all pairs")
    for number, window in enumerate(diagram.windows[:NUMBERED], 1):
        best = celsius(window.best)
        axes.plot(
            best, window.alpha, "D", color=CRITICAL, markersize=4, markeredgecolor="white", clip_on=False, zorder=4,
            label="tops of windows, the highest is 1" if number == 1 else None,
        )  # fmt: skip
        axes.annotate(
            f"{number}", (best, window.alpha), (0, 4), textcoords="offset points", fontsize=7, ha="center",
            va="bottom", color=CRITICAL, fontweight="bold", annotation_clip=False,
        )  # fmt: skip
    axes.set_ylim(1.0, top)
    axes.set_ylabel("relative retention alpha")


def _draw_plates(found: WindowSweep, axes: Axes) -> None:
    T = celsius(found.diagram.values)
    needed = np.where(np.isfinite(found.needed_plates), found.needed_plates, np.nan)
    axes.plot(T, needed, color=SIGNAL, linewidth=1.3, label="plates needed")
    axes.plot(T, found.plates, color=INK, linewidth=1.2, linestyle="--", label="plates the column gives")
    at = found.fewest_plates
    axes.plot(
        T[at], needed[at], "D", color=CRITICAL, markersize=4, markeredgecolor="white", clip_on=False, zorder=4,
        linestyle="none", label=f"fewest needed: {T[at]:.1f} °C",
    )  # fmt: skip
    axes.set_yscale("log")
    known = np.concatenate([found.plates[np.isfinite(found.plates)], needed[[at]]])
    low = min(float(known.min()), float(needed[at])) / 1.6
    axes.set_ylim(low, MOST_PLATES * float(known.max()))
    axes.set_ylabel("plates")


def _draw_time(found: WindowSweep, axes: Axes) -> None:
    T, time = celsius(found.diagram.values), found.runs.run_time / SECONDS_PER_MINUTE
    axes.plot(T, time, color=SIGNAL, linewidth=1.3)
    best, sign, words = best_mark(found.runs)
    if best is not None:
        least = found.runs.cost[best] / SECONDS_PER_MINUTE
        met = f", {goal_met(found.runs.required)}" if best == found.runs.best else ""
        label = f"{words}{met}: {least:.2f} min at {T[best]:.1f} °C"
        axes.plot(T[best], time[best], **{**sign, "markersize": 4}, zorder=4, label=label)
        _legend(axes, 1.01)
    axes.set_ylabel("run time, min")
    scale_of_time(time, axes)
