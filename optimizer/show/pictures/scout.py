"""What each possible run is worth, as a picture.

matplotlib is slow to import and is imported only where something is drawn.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from optimizer.campaign.scouted import Scouted
from optimizer.campaign.worth import Worth
from optimizer.goal.asides import WORTH
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
    """Share of the run time that each run is expected to save, in %, with its standard error."""
    runs = found.standing.worth
    rows = len(runs)
    height = TOP + rows * ROW + BOTTOM
    figure = sheet(height, found.scenario.title)
    axes = figure.add_axes(
        (NAMES / WIDTH, BOTTOM / height, (WIDTH - NAMES - RIGHT) / WIDTH, rows * ROW / height)
    )
    at = np.arange(rows)
    axes.barh(at, [100 * run.gain for run in runs], 0.62, color=SIGNAL)
    axes.errorbar(
        [100 * run.gain for run in runs],
        at,
        xerr=[100 * run.gain_error for run in runs],
        fmt="none",
        ecolor=INK,
    )
    axes.axvline(100 * WORTH, color=QUIET, linewidth=0.8, linestyle="--")
    axes.set_yticks(at, [_name(run, found.standing.proposes(run)) for run in runs])
    for text, run in zip(axes.get_yticklabels(), runs, strict=True):
        text.set(**text_style(7.5, INK if found.standing.proposes(run) else QUIET))
    axes.invert_yaxis()
    axes.set_xlabel("worth, % of the run time", **text_style(8))
    for label in axes.get_xticklabels():
        label.set(**text_style(7.5))
    axes.tick_params(length=0)
    axes.grid(axis="x", color=GRID, linewidth=0.5)
    axes.set_axisbelow(True)
    for side in ("top", "right", "left"):
        axes.spines[side].set_visible(False)
    axes.spines["bottom"].set_color(GRID)
    key = f"lines: standard error; dashed: {100 * WORTH:.0f} %, from which a run is worth it"
    figure.text(0.12 / WIDTH, 1 - 0.38 / height, key, **text_style(7.5))
    return figure


def _name(worth: Worth, suggested: bool) -> str:
    """A run's name and length, short enough for its place."""
    name = worth.run.name.replace(" for the critical pairs, then heated out", ", then heated out")
    name = name if len(name) <= LONGEST_NAME + 6 else name[: LONGEST_NAME + 5] + "…"
    length = f"{LENGTH.text(worth.run.program.oven.duration)} min"
    return f"{SUGGESTED if suggested else ''}{name.removesuffix(f' of {length}')} ({length})"
