"""The front between time and smallest resolution as a picture.

matplotlib is slow to import and is imported only where something is drawn.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Literal

import numpy as np

from models.column.programs import Array
from models.units import SECONDS_PER_MINUTE
from optimizer.goal.outcome import FrontPoint
from optimizer.methods.columns.choice import OnColumn
from optimizer.show.pictures.chromatograms import (
    CRITICAL,
    INK,
    LEFT,
    SIGNAL,
    WIDTH,
    dress,
    panel,
    sheet,
    text_style,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

POINTS_PER_INCH = 72
NUMBER_OFFSET = {
    "above left": (-6, 6),
    "below right": (7, -6),
    "above right": (7, 6),
}  # points of type, to its middle
NUMBER_BOX = (9.0, 8.0)  # points of type; numbers and points nearer than this overlap
LABEL_BOX = (66.0, 11.0)  # of the line's label, in points of type


ASKED = 1.0  # resolution over what the goal needs


def front_figure(front: Sequence[FrontPoint], minimise: str) -> Figure:
    """Time along, resolution of the critical pair over its need up; between two points the slower one's is claimed.

    Parameters
    ----------
    minimise : "run time" or "cycle time"
    """
    height, bottom, top, right = 2.9, 0.45, 0.4, 0.3  # inch
    figure = sheet(height)
    axes = panel(figure, bottom, height - top - bottom, WIDTH - LEFT - right)
    draw_front(front, minimise, axes)
    return figure


def draw_front(front: Sequence[FrontPoint], minimise: str, axes: Axes) -> None:
    """The same on given axes."""
    box = axes.get_window_extent()
    size = np.array([box.width, box.height]) / axes.figure.dpi  # inch
    cost = np.array([point.cost for point in front]) / SECONDS_PER_MINUTE
    # Pairs may need different resolutions: of each program the one furthest below its need, or least above, counts.
    Rs = np.array([point.prediction.min_resolution / point.prediction.critical_needed for point in front])
    axes.axhline(ASKED, color=CRITICAL, linewidth=0.9, linestyle=(0, (6, 2)))
    axes.plot(cost, Rs, color=SIGNAL, linewidth=1.0, drawstyle="steps-post", alpha=0.6)
    axes.plot(cost, Rs, "D", color=SIGNAL, markersize=5, markeredgewidth=0)
    dress(axes, "smallest Rs / its need", INK)
    span = float(np.ptp(cost)) or 1.0
    low, high = min(float(Rs.min()), ASKED), max(float(Rs.max()), ASKED)
    room = 0.12 * (high - low or 1.0)
    axes.set_xlim(cost.min() - 0.05 * span, cost.max() + 0.05 * span)
    axes.set_ylim(low - 1.5 * room, high + 1.5 * room)
    axes.set_xlabel(f"{minimise}, min", **text_style(8))
    axes.set_title(
        f"Smallest resolution over what it needs, against {minimise}: the fastest programs found",
        loc="left",
        **text_style(8, INK),
    )
    corner, spans = (
        np.array([axes.get_xlim()[0], axes.get_ylim()[0]]),
        np.ptp([axes.get_xlim(), axes.get_ylim()], 1),
    )
    at = (np.column_stack([cost, Rs]) - corner) / spans * size * POINTS_PER_INCH  # (N, 2), in points of type
    line = float((ASKED - corner[1]) / spans[1] * size[1] * POINTS_PER_INCH)
    sides = number_sides(at)
    numbers = at + np.array([NUMBER_OFFSET[side] for side in sides])
    across, side, va = free_place(np.concatenate([at, numbers]), line, float(size[0]) * POINTS_PER_INCH)
    axes.annotate(
        "what is asked for", (across, ASKED), (0, 2 if va == "bottom" else -2),
        xycoords=axes.get_yaxis_transform(), textcoords="offset points", ha=side, va=va,
        **text_style(7, CRITICAL),
    )  # fmt: skip
    for number, (x, y, where) in enumerate(zip(cost, Rs, sides, strict=True), 1):
        axes.annotate(
            f"{number}", (x, y), NUMBER_OFFSET[where], textcoords="offset points", ha="center", va="center",
            **text_style(7, INK),
        )  # fmt: skip


def columns_figure(points: Sequence[OnColumn], front: Sequence[OnColumn]) -> Figure:
    """Pass probability over time, a numbered point for each column and gas in the order of the table; hollow ones are
    not on the front."""
    height, bottom, top, right = 2.9, 0.45, 0.4, 0.3  # inch
    figure = sheet(height)
    axes = panel(figure, bottom, height - top - bottom, WIDTH - LEFT - right)
    for number, each in enumerate(points, 1):
        at = each.cost / SECONDS_PER_MINUTE, 100 * each.pass_probability
        face = SIGNAL if each in front else "none"
        axes.plot(*at, "D", markersize=5, markeredgecolor=SIGNAL, markerfacecolor=face)
        axes.annotate(
            f"{number}", at, NUMBER_OFFSET["above right"], textcoords="offset points", ha="center", va="center",
            **text_style(7, INK),
        )  # fmt: skip
    dress(axes, "pass probability, %", INK)
    axes.set_ylim(-5, 112)
    axes.margins(x=0.08)
    by_cycle = points[0].problem is not None and points[0].problem.scenario.goal.minimise == "cycle time"
    axes.set_xlabel(f"{'cycle time' if by_cycle else 'run time'}, min", **text_style(8))
    axes.set_title(
        "Columns and gases, numbered as in the table; full: on the front", loc="left", **text_style(8, INK)
    )
    return figure


def number_sides(at: Array) -> list[str]:
    """Beside which corner of its point (N, 2) [points of type] each number stands: above left unless that is taken.

    The curve runs right and up from each point, so that above left and below right are free of it.
    """
    taken: list[Array] = []
    sides = []
    for number, point in enumerate(at):
        others = [*np.delete(at, number, axis=0), *taken]

        def crowding(side: str, point: Array = point, others: list[Array] = others) -> int:
            gaps = np.abs(np.array(others).reshape(-1, 2) - (point + NUMBER_OFFSET[side]))
            return int(np.sum((gaps < NUMBER_BOX).all(axis=1)))

        sides.append(min(NUMBER_OFFSET, key=crowding))
        taken.append(point + np.array(NUMBER_OFFSET[sides[-1]]))
    return sides


def free_place(
    occupied: Array, line: float, width: float
) -> tuple[float, Literal["left", "right"], Literal["bottom", "top"]]:
    """Where along a horizontal line at `line`, in a frame `width` wide, its label is furthest from being crowded.

    `occupied` are points and numbers (N, 2), all in points of type. Returns the share of the width, the side of the
    label that is there, and the edge of it that is on the line.
    """
    places: dict[tuple[float, Literal["left", "right"], Literal["bottom", "top"]], int] = {}
    ends: tuple[tuple[float, Literal["left", "right"]], ...] = ((1.0, "right"), (0.0, "left"))
    edges: tuple[Literal["bottom", "top"], ...] = ("bottom", "top")
    for across, side in ends:
        for edge in edges:
            low = line if edge == "bottom" else line - LABEL_BOX[1]
            left = 0.0 if side == "left" else width - LABEL_BOX[0]
            x, y = occupied.T
            inside = (
                (x > left - 4) & (x < left + LABEL_BOX[0] + 4) & (y > low - 4) & (y < low + LABEL_BOX[1] + 4)
            )
            places[across, side, edge] = int(inside.sum())
    return min(places, key=lambda place: places[place])
