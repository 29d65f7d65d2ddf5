"""Maps of a sweep of two set points: resolution and run time, and which pair is critical where."""

from __future__ import annotations

from collections.abc import Sequence
from textwrap import fill
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from models.column.programs import Array
from models.units import SECONDS_PER_MINUTE
from optimizer.methods.sweep import Sweep
from optimizer.results.sweep import goal_met
from optimizer.show.pictures.chromatograms import CRITICAL, INK, LEFT, QUIET, WIDTH, panel, sheet
from optimizer.show.pictures.sweep_curves import (
    KEY_LINE,
    KEY_MOST,
    NO_PAIR,
    NOT_RUN,
    PairLetters,
    axis_label,
    best_mark,
    curves,
    heading,
    key_height,
    limits_note,
    pair_letters,
    style,
    write_key,
    write_note,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

LEVELS = (0.0, 0.25, 0.5, 0.75, 1.0, 1.25, 1.5, 2.0, 3.0)  # of resolution over what is needed
# Brown where it falls short, green beyond; lightness tells them apart without colour, and the line at 1 does.
SHORT = ("#7a4a1e", "#a97845", "#d0ab7e", "#ecd9bf")
ENOUGH = ("#e3f0ec", "#b4dbd2", "#7abfb2", "#3f9a8c", "#14695d")
# Apart in lightness too, so that they stay apart to those who are blind to some colours.
TINTS = ("#afd6d2", "#ebc9a2", "#e1fde7", "#a9afc6", "#fdfb9e", "#cca1a2", "#e4cdff", "#c8a4fc")
MAP_WIDTH, MAP_HEIGHT, PAIR_HEIGHT = 5.35, 3.5, 2.3  # inch
BEST_SIZE = 3.5  # points: smaller than a cell of the usual grid, whose colour is to be seen around it
AS_IT_IS_SIGN: dict[str, Any] = {
    "color": "white", "marker": "o", "linestyle": "none", "markersize": 6, "markeredgecolor": INK,
}  # fmt: skip
TIME_LINES = 7
LABEL_SIZE = np.array([0.13, 0.05])  # room of a run time label, as shares of the axes
LABEL_MARGIN = np.array([0.06, 0.03])
LETTER_ROOM = 6.0  # points from the edge of a region within which a letter of full size does not fit
SMALL_LETTER = 5.0  # points
LETTER_BOX = np.array([8.5, 9.5])  # points that letters are apart, in height or in width
LABEL_LENGTH = 32  # characters of a line beside the lower map


def sweep_figure(swept: Sweep, compounds: Sequence[str], title: str) -> Figure:
    """The picture of a sweep of one or of two set points."""
    with style():
        if len(swept.axes) == 1:
            return curves(swept, compounds, title)
        return _maps(swept, compounds, title)


def _maps(swept: Sweep, compounds: Sequence[str], title: str) -> Figure:
    """Both maps one above the other, with the key of the pairs; to be called within the style of `sweep_curves`."""
    letters = pair_letters(swept.critical, compounds)
    key = letters.key(KEY_MOST)
    top, gap, below = 0.72, 0.5, 0.48  # inch
    note = limits_note(swept)
    foot = below + key_height(key) + (0.1 if key else 0.0) + len(note) * KEY_LINE
    lower = PAIR_HEIGHT if key else 0.0
    height = foot + lower + (gap if key else 0.0) + MAP_HEIGHT + top
    figure = sheet(height)
    base = foot + (lower + gap if key else 0.0)
    upper_axes = panel(figure, base, MAP_HEIGHT, MAP_WIDTH)
    bar = figure.add_axes(
        ((LEFT + MAP_WIDTH + 0.15) / WIDTH, base / height, 0.16 / WIDTH, MAP_HEIGHT / height)
    )
    heading(figure, title)
    _draw_resolution(swept, upper_axes, bar)
    _dress(swept, upper_axes)
    if key:
        lower_axes = figure.add_axes(
            (LEFT / WIDTH, foot / height, MAP_WIDTH / WIDTH, lower / height),
            sharex=upper_axes,
            sharey=upper_axes,
        )
        _draw_pairs(swept, letters, lower_axes)
        _dress(swept, lower_axes)
        write_key(figure, key, foot - below)
    write_note(figure, note)
    return figure


def _dress(swept: Sweep, axes: Axes) -> None:
    axes.set_xlabel(axis_label(swept.axes[0]))
    axes.set_ylabel(fill(axis_label(swept.axes[1]), LABEL_LENGTH))
    axes.set_facecolor(NOT_RUN)
    for edge, axis in zip(("x", "y"), swept.axes, strict=True):
        getattr(axes, f"set_{edge}lim")(*_edges(axis.values)[[0, -1]])


def _grid(swept: Sweep, values: Any) -> Any:
    """Values of the runs as rows of the second set point over columns of the first, nan where nothing was run."""
    return np.ma.masked_invalid(np.asarray(values, dtype=float).reshape(swept.shape).T)


def _draw_resolution(swept: Sweep, axes: Axes, bar: Axes) -> None:
    from matplotlib.colors import BoundaryNorm, ListedColormap

    x, y = (axis.values for axis in swept.axes)
    ratio = swept.resolution / swept.needed
    if np.isfinite(ratio).any():
        colours = ListedColormap([*SHORT, *ENOUGH])
        norm = BoundaryNorm([*LEVELS, LEVELS[-1] + 1], colours.N)
        # Each run its own cell, so that one alone that meets the goal does not lie in the colour of its neighbours.
        # What is beyond the last level is drawn in the last colour.
        filled = axes.pcolormesh(
            x, y, np.ma.minimum(_grid(swept, ratio), LEVELS[-1] + 0.5), cmap=colours, norm=norm,
            shading="nearest", rasterized=True,
        )  # fmt: skip
        colour_bar = axes.figure.colorbar(filled, cax=bar, spacing="uniform")
        colour_bar.set_ticks(LEVELS, labels=[f"{level:g}" for level in LEVELS])
        colour_bar.set_label("smallest resolution / what it needs")
        colour_bar.outline.set_linewidth(0.5)
    else:
        bar.set_axis_off()
    broken = swept.possible & ~swept.allowed
    if broken.any() and swept.possible.any():
        _hatch(swept, axes)
    _draw_time_lines(swept, axes)
    _outlines(swept, axes, 2.0)
    _mark(swept, axes)
    _legend(swept, axes, bool(broken.any()))


def _hatch(swept: Sweep, axes: Axes) -> None:
    x, y, broken = cells_of(swept, swept.possible & ~swept.allowed)
    axes.contourf(x, y, broken, [0.5, 1.5], colors="none", hatches=["////"])


def _draw_time_lines(swept: Sweep, axes: Axes) -> None:
    time = swept.run_time / SECONDS_PER_MINUTE
    x, y = (axis.values for axis in swept.axes)
    levels = _round_levels(time)
    if not levels:
        return
    lines = axes.contour(x, y, _grid(swept, time), levels, colors=INK, linewidths=0.7, linestyles="--")
    taken = [_share(swept, place) for place in _marks(swept)]
    for level, segments in zip(levels, lines.allsegs, strict=True):
        place = _free_place([_share(swept, points) for points in segments if len(points)], taken)
        if place is None:
            continue
        taken.append(place)
        x_share, y_share = place
        axes.text(
            x_share, y_share, f"{level:g} min", transform=axes.transAxes, ha="center", va="center", fontsize=6.5,
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.8, "alpha": 0.85}, zorder=4,
        )  # fmt: skip


def _share(swept: Sweep, points: Array) -> Array:
    """Points (..., 2) in set values as shares of the axes."""
    low, high = (np.array([_edges(axis.values)[at] for axis in swept.axes]) for at in (0, -1))
    return np.asarray((points - low) / (high - low))


def _free_place(lines: list[Array], taken: list[Array]) -> Array | None:
    """The point of a contour farthest from what is drawn already and well inside the axes; None without one."""
    if not lines:
        return None
    points = np.concatenate(lines)
    inside = np.min(np.minimum(points, 1 - points) / LABEL_MARGIN, axis=1)
    points = points[inside >= 1]
    if not len(points):
        return None
    if not taken:
        return np.asarray(points[len(points) // 2])
    apart = np.abs(points[:, None] - np.array(taken)) / LABEL_SIZE
    room = apart.max(axis=2).min(axis=1)
    return np.asarray(points[room.argmax()]) if room.max() >= 1 else None


def _round_levels(time: Array) -> list[float]:
    """Round run times between the shortest and the longest, at most some."""
    from matplotlib.ticker import LogLocator, MaxNLocator

    known = time[np.isfinite(time)]
    if not known.size or known.min() <= 0 or known.max() / known.min() < 1.001:
        return []
    low, high = float(known.min()), float(known.max())
    if high > 6 * low:
        levels = LogLocator(subs=(1.0, 1.5, 2.0, 3.0, 5.0, 7.0)).tick_values(low, high)
    else:
        levels = MaxNLocator(TIME_LINES).tick_values(low, high)
    inside = [float(level) for level in levels if low < level < high]
    step = -(-len(inside) // (2 * TIME_LINES)) if inside else 1
    return inside[::step]


def _edges(values: Array) -> Array:
    """Where the cells of rising values begin and end: halfway between them, the outer ones as wide as inside."""
    between = (values[1:] + values[:-1]) / 2
    ends = np.array([values[0] - (between[0] - values[0]), values[-1] + (values[-1] - between[-1])])
    return np.concatenate([ends[:1], between, ends[1:]])


def cells_of(swept: Sweep, inside: NDArray[np.bool_]) -> tuple[Array, Array, Array]:
    """Coordinates and 0 or 1 at the four corners of every run's cell: contours of it follow the cells' edges."""
    x, y = (np.repeat(_edges(axis.values), 2)[1:-1] for axis in swept.axes)
    corners = np.repeat(np.repeat(inside.reshape(swept.shape).T.astype(float), 2, axis=0), 2, axis=1)
    return x, y, corners


def _outlines(swept: Sweep, axes: Axes, width: float) -> None:
    """The edge of the region in which the goal is met, and of that in which it is nominally."""
    for inside, line in ((swept.nominal, "--"), (swept.feasible, "-")):
        if line == "--" and inside.sum() == swept.feasible.sum():
            continue
        if inside.any() and not inside.all():
            x, y, corners = cells_of(swept, inside)
            thick = width if line == "-" else width / 2
            axes.contour(x, y, corners, [0.5], colors=CRITICAL, linewidths=thick, linestyles=line)


def _mark(swept: Sweep, axes: Axes) -> None:
    """The best, and the program as it is."""
    for place, sign in zip(_marks(swept), _signs(swept), strict=True):
        axes.plot(*place, clip_on=False, zorder=6, **sign)


def _marks(swept: Sweep) -> list[Array]:
    """Set values of what is marked: the best run, and the program as it is when inside."""
    best, _, _ = best_mark(swept)
    marks = [] if best is None else [swept.combinations[best]]
    return [_as_it_is(swept), *marks] if _shows_as_it_is(swept) else marks


def _signs(swept: Sweep) -> list[dict[str, Any]]:
    """The sign of each of them: the best is the smaller one and goes on top, where both are one run."""
    best, sign, _ = best_mark(swept)
    signs: list[dict[str, Any]] = [] if best is None else [{**sign, "markersize": BEST_SIZE}]
    return [AS_IT_IS_SIGN, *signs] if _shows_as_it_is(swept) else signs


def _as_it_is(swept: Sweep) -> Array:
    return np.array([axis.point.value(swept.program) for axis in swept.axes])


def _shows_as_it_is(swept: Sweep) -> bool:
    share = _share(swept, _as_it_is(swept))
    return bool(np.all((share >= 0) & (share <= 1)))


def _legend(swept: Sweep, axes: Axes, broken: bool) -> None:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    signs: list[Any] = []
    best, sign, words = best_mark(swept)
    if swept.best is not None:
        signs.append(
            Line2D([], [], color=CRITICAL, linewidth=2.0, label=f"{goal_met(swept.required)}, inside")
        )
    if swept.nominal.sum() > swept.feasible.sum():
        label = "nominal only, inside"
        signs.append(Line2D([], [], color=CRITICAL, linewidth=1.0, linestyle="--", label=label))
    if best is not None:
        label = f"{words}, {swept.cost[best] / SECONDS_PER_MINUTE:.2f} min"
        signs.append(Line2D([], [], **{**sign, "markersize": BEST_SIZE}, label=label))
    if _shows_as_it_is(swept):
        signs.append(Line2D([], [], **AS_IT_IS_SIGN, label="as it is"))
    signs.append(Line2D([], [], color=INK, linewidth=0.7, linestyle="--", label="run time"))
    if broken:
        signs.append(
            Patch(facecolor="white", edgecolor=QUIET, hatch="////", linewidth=0.5, label="a limit broken")
        )
    axes.legend(
        handles=signs, loc="lower left", bbox_to_anchor=(0, 1.01), ncols=3 if best is not None else 5,
        borderaxespad=0.0, handlelength=1.8, labelspacing=0.3,
    )  # fmt: skip


def _draw_pairs(swept: Sweep, letters: PairLetters, axes: Axes) -> None:
    """Regions in which one pair is critical, each with its letter, an edge and a tint."""
    from matplotlib.colors import BoundaryNorm, ListedColormap

    which = letters.which.reshape(swept.shape).T
    x, y = (axis.values for axis in swept.axes)
    tint = np.ma.masked_where(which == NO_PAIR, which % len(TINTS))
    axes.pcolormesh(
        x, y, tint, cmap=ListedColormap(TINTS), norm=BoundaryNorm(np.arange(len(TINTS) + 1) - 0.5, len(TINTS)),
        shading="nearest", rasterized=True,
    )  # fmt: skip
    cell = np.array([PAIR_HEIGHT, MAP_WIDTH]) * 72 / which.shape  # points
    taken: list[Array] = []
    crowded: list[tuple[str, NDArray[np.bool_]]] = []
    for number, letter in enumerate(letters.letters):  # the most frequent first
        regions, count = ndimage.label(which == number)
        for region in range(1, count + 1):
            place = _letter_place(regions == region, cell, taken)
            if place is None:  # no room between the letters around it
                crowded.append((letter, regions == region))
                continue
            row, column, size = place
            taken.append(np.array([row, column]) * cell)
            axes.text(
                x[column], y[row], letter, ha="center", va="center", fontsize=size, fontweight="bold", clip_on=True,
                zorder=5,
            )  # fmt: skip
        if count:
            axes.contour(*cells_of(swept, letters.which == number), [0.5], colors=INK, linewidths=0.6)
    for letter, inside in crowded:
        own = _middle(ndimage.distance_transform_edt(np.pad(inside, 1), sampling=cell)[1:-1, 1:-1])
        row, column = _place_beside(own, which.shape, cell, taken)
        taken.append(np.array([row, column]) * cell)
        axes.plot([x[own[1]], x[column]], [y[own[0]], y[row]], color=INK, linewidth=0.5, zorder=4)
        axes.text(
            x[column], y[row], letter, ha="center", va="center", fontsize=SMALL_LETTER, fontweight="bold", zorder=5,
            bbox={"facecolor": "white", "edgecolor": INK, "linewidth": 0.4, "pad": 0.8},
        )  # fmt: skip
    _outlines(swept, axes, 1.2)
    axes.set_title("critical pair", loc="left", fontsize=8, color=INK, pad=3)


def _letter_place(
    region: NDArray[np.bool_], cell: Array, taken: Sequence[Array]
) -> tuple[int, int, float] | None:
    """Row, column and size of a region's letter, off those that are there; None where there is no such place."""
    # Beyond the axes lies another region: no letter at their edge where there is room elsewhere.
    depth = ndimage.distance_transform_edt(np.pad(region, 1), sampling=cell)[1:-1, 1:-1]
    middle = _middle(depth)
    deepest_first = np.argwhere(region)[np.argsort(-depth[region], kind="stable")]
    for row, column in (middle, *map(tuple, deepest_first)):
        away = [np.abs(np.array([row, column]) * cell - each) for each in taken]
        if all((each >= LETTER_BOX).any() for each in away):
            return int(row), int(column), 7.0 if depth[row, column] >= LETTER_ROOM else SMALL_LETTER
    return None


def _place_beside(
    own: tuple[int, int], shape: tuple[int, ...], cell: Array, taken: Sequence[Array]
) -> tuple[int, int]:
    """Where the letter of a region stands that has no room for it: the nearest cell off all letters, else the one
    that is furthest from them; a line leads to the region."""
    cells = np.stack(np.meshgrid(*(np.arange(each) for each in shape), indexing="ij"), axis=-1).reshape(-1, 2)
    apart = (np.abs(cells[:, None] * cell - np.array(taken)) / LETTER_BOX).max(axis=2).min(axis=1)
    free = cells[apart >= 1] if (apart >= 1).any() else cells[apart >= apart.max()]
    row, column = free[np.hypot(*((free - own) * cell).T).argmin()]
    return int(row), int(column)


def _middle(depth: Array) -> tuple[int, int]:
    """The cell deep inside a region that is nearest to its centre, from distances to its edge (zero outside)."""
    rows, columns = np.nonzero(depth >= 0.9 * depth.max())
    inside = np.argwhere(depth > 0).mean(axis=0)
    nearest = int(np.hypot(rows - inside[0], columns - inside[1]).argmin())
    return int(rows[nearest]), int(columns[nearest])
