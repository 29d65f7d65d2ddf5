"""A campaign as a picture: run time and pass probability of the best program over injections.

matplotlib is slow to import and is imported only where something is drawn.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from optimizer.campaign.history import Stage
from optimizer.show.pictures.chromatograms import (
    CRITICAL,
    GRID,
    INK,
    LEFT,
    SIGNAL,
    WIDTH,
    panel,
    sheet,
    text_style,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

ASIDE = 0.06  # injections, by which what was expected stands beside what was found
HEIGHT, BOTTOM, MIDDLE, TOP, RIGHT = 4.2, 0.5, 0.3, 0.4, 0.3  # inch


def history_figure(stages: Sequence[Stage]) -> Figure:
    """Run time above, pass probability below; a hollow point misses the goal, a bar is what the next run may bring."""
    figure = sheet(HEIGHT)
    tall, wide = (HEIGHT - BOTTOM - MIDDLE - TOP) / 2, WIDTH - LEFT - RIGHT
    below = panel(figure, BOTTOM, tall, wide)
    above = panel(figure, BOTTOM + tall + MIDDLE, tall, wide, share=below)
    at = [each.injections for each in stages]
    _points(above, stages, [each.run_time_min for each in stages])
    for each in stages:
        if each.expected_min is not None and each.low_min is not None and each.high_min is not None:
            above.plot(
                [each.injections + 1 - ASIDE] * 2, [each.low_min, each.high_min], color=CRITICAL, linewidth=2
            )
            above.plot(each.injections + 1 - ASIDE, each.expected_min, "_", color=CRITICAL, markersize=9)
    _points(
        below, stages, [None if p is None else 100 * p for p in (each.pass_probability for each in stages)]
    )
    above.set_ylabel("run time, min", **text_style(8))
    above.set_ylim(0, 1.08 * above.get_ylim()[1])
    below.set_ylabel("pass probability, %", **text_style(8))
    below.set_ylim(0, 105)
    below.set_xlabel("injections", **text_style(8))
    below.set_xlim(min(at) - 0.5, max(at) + 1.5)
    below.set_xticks(range(min(at), max(at) + 2))
    above.tick_params(labelbottom=False)
    for axes in (above, below):
        axes.grid(color=GRID, linewidth=0.5)
        axes.set_axisbelow(True)
        for label in (*axes.get_xticklabels(), *axes.get_yticklabels()):
            label.set(**text_style(7.5))
    note = "hollow: does not meet the goal; bar: expected after the proposed run, 80 % interval"
    figure.text(LEFT / WIDTH, 1 - 0.22 / HEIGHT, note, **text_style(7.5))
    return figure


def _points(axes: Axes, stages: Sequence[Stage], values: Sequence[float | None]) -> None:
    known = [(each, value) for each, value in zip(stages, values, strict=True) if value is not None]
    axes.plot(
        [each.injections for each, _ in known], [value for _, value in known], color=SIGNAL, linewidth=1
    )
    for each, value in known:
        face = INK if each.meets_goal else "white"
        axes.plot(each.injections, value, "o", color=INK, markerfacecolor=face, markersize=6)
