"""What each possible scouting run is expected to leave of the uncertainty, as a picture.

matplotlib is slow to import and is imported only where something is drawn.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from optimizer.methods.scout import RunValue, Scouted
from optimizer.methods.scout_programs import LENGTH
from optimizer.show.pictures.chromatograms import (
    GRID,
    INK,
    LONGEST_NAME,
    QUIET,
    SIGNAL,
    WIDTH,
    sheet,
    text_style,
)

if TYPE_CHECKING:
    from matplotlib.figure import Figure

NAMES, RIGHT, TOP, BOTTOM, ROW = 3.1, 0.3, 0.62, 0.45, 0.24  # inch
SUGGESTED = "► "  # before the name of the suggested run, which is written in ink as well


def scout_figure(found: Scouted) -> Figure:
    """Variance of the critical resolutions in % of today's: what stays, and what the fit would still not know."""
    runs, pairs = found.runs, found.pairs
    fit = sum((pair.sd_fit / pair.needed) ** 2 for pair in pairs)
    rest = sum((pair.sd_rest / pair.needed) ** 2 for pair in pairs)
    now = fit + rest
    left = [fit, *(fit * (1 - run.fall_with_hold_up) for run in runs)]
    rows = len(left)
    height = TOP + rows * ROW + BOTTOM
    figure = sheet(height, found.scenario.title)
    axes = figure.add_axes(
        (NAMES / WIDTH, BOTTOM / height, (WIDTH - NAMES - RIGHT) / WIDTH, rows * ROW / height)
    )
    at = np.arange(rows)
    stays = 100 * rest / now
    axes.barh(at, stays, 0.62, color=GRID)
    axes.barh(at, [100 * each / now for each in left], 0.62, left=stays, color=SIGNAL)
    names = ["as it is now", *(_name(run, run is found.best) for run in runs)]
    axes.set_yticks(at, names)
    for text, run in zip(axes.get_yticklabels(), [None, *runs], strict=True):
        strong = run is None or run is found.best
        text.set(**text_style(7.5, INK if strong else QUIET))
    axes.invert_yaxis()
    axes.set_xlim(0, 100)
    axes.set_xlabel("variance of the critical resolutions, % of today's", **text_style(8))
    for label in axes.get_xticklabels():
        label.set(**text_style(7.5))
    axes.tick_params(length=0)
    axes.grid(axis="x", color=GRID, linewidth=0.5)
    axes.set_axisbelow(True)
    for side in ("top", "right", "left"):
        axes.spines[side].set_visible(False)
    axes.spines["bottom"].set_color(GRID)
    key = "pale: tolerances, widths and what the model leaves out (stays); dark: what the fit would still not know"
    figure.text(0.12 / WIDTH, 1 - 0.38 / height, key, **text_style(7.5))
    return figure


def _name(value: RunValue, suggested: bool) -> str:
    """A run's name and length, short enough for its place."""
    name = value.run.name.replace(" for the critical pairs, then heated out", ", then heated out")
    name = name if len(name) <= LONGEST_NAME + 6 else name[: LONGEST_NAME + 5] + "…"
    return f"{SUGGESTED if suggested else ''}{name} ({LENGTH.text(value.run.program.oven.duration)} min)"
