"""Pictures of a sweep over one set point, and what maps of two share with them: letters for pairs, colours, signs.

matplotlib is slow to import and is imported only where something is drawn.
"""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from itertools import pairwise
from textwrap import wrap
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from models.column.programs import Array
from models.units import SECONDS_PER_MINUTE
from optimizer.base.numbers import probability_beside
from optimizer.methods.sweep import Sweep
from optimizer.methods.sweep_axes import Axis
from optimizer.results.sweep import broken_in_words, goal_met
from optimizer.show.pictures.chromatograms import (
    CRITICAL,
    FONT,
    GRID,
    INK,
    LEFT,
    QUIET,
    SIGNAL,
    WIDTH,
    panel,
    sheet,
)
from optimizer.show.pictures.label_placement import shortened, spaced, thinned

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Index = NDArray[np.intp]

LONGEST_NAME = 26  # characters, so that two names fit into half a page
NO_PAIR = -1
MET = "#9fd0c0"  # where the goal is met
NOMINAL = "#f7ecc4"  # where the nominal chromatogram meets it, but with too low a probability
NOT_RUN = "#ececec"
BEST_SIGN: dict[str, Any] = {
    "color": CRITICAL, "marker": "D", "linestyle": "none", "markersize": 5, "markeredgecolor": "white",
}  # fmt: skip
NOMINAL_SIGN: dict[str, Any] = {**BEST_SIGN, "markerfacecolor": "white", "markeredgecolor": CRITICAL}
MARGIN = 0.2  # inch beside the axes on the right
KEY_LINE = 0.15  # inch from line to line of the key
NOTE_LENGTH = 105  # characters on a line as wide as the figure
KEY_MOST = 10  # pairs spelled out in a key
LETTER = 10.0  # points of room a letter needs
LOGARITHMIC = 8.0  # run times that differ by more than this factor are drawn on a logarithmic scale


@dataclass(frozen=True)
class PairLetters:
    """Which pair is critical where, and what the pairs are called.

    Attributes
    ----------
    which : (N,) number of the critical pair, `NO_PAIR` where there is none
    letters : the letter of each pair, the most frequent first
    names : two compounds a pair
    """

    which: Index
    letters: tuple[str, ...]
    names: tuple[tuple[str, str], ...]

    def key(self, most: int) -> tuple[str, ...]:
        """One line a pair; those beyond `most` are counted in the last line."""
        lines = [f"{letter}   {a} and {b}" for letter, (a, b) in zip(self.letters, self.names, strict=True)]
        if len(lines) <= most:
            return tuple(lines)
        return (*lines[: most - 1], f"{len(lines) - most + 1} further pairs: see sweep.csv")


def pair_letters(pairs: Index, compounds: Sequence[str]) -> PairLetters:
    """Letters for critical pairs (N, 2), -1 where there is none; a pair is the same in either order of elution."""
    ordered = np.sort(pairs, axis=1)
    distinct, inverse, counts = np.unique(ordered, axis=0, return_inverse=True, return_counts=True)
    real = [i for i in np.argsort(-counts, kind="stable") if distinct[i, 0] >= 0]
    number = np.full(len(distinct), NO_PAIR, dtype=np.intp)
    number[real] = np.arange(len(real))
    names = tuple(
        (_named(compounds, int(distinct[i, 0])), _named(compounds, int(distinct[i, 1]))) for i in real
    )
    return PairLetters(number[inverse.ravel()], tuple(_letter(i) for i in range(len(real))), names)


def _letter(number: int) -> str:
    """A to Z, then AA, AB, ..."""
    ahead, last = divmod(number, 26)
    return (_letter(ahead - 1) if ahead else "") + chr(ord("A") + last)


def _named(compounds: Sequence[str], at: int) -> str:
    from optimizer.show.pictures.chromatograms import drawable  # loads matplotlib

    name = shortened(compounds[at], LONGEST_NAME)
    return name if drawable(name) else f"compound {at + 1}"


def stretches(which: Index) -> list[tuple[int, int, int]]:
    """Stretches of equal numbers: number, first and last position."""
    edges = [0, *(np.flatnonzero(np.diff(which)) + 1), len(which)]
    return [(int(which[start]), int(start), int(end) - 1) for start, end in pairwise(edges)]


def bounds(values: Array, first: int, last: int) -> tuple[float, float]:
    """Ends of a stretch of positions: half way to the neighbouring values, or the ends of the range."""
    low = values[first] if first == 0 else (values[first - 1] + values[first]) / 2
    high = values[last] if last == len(values) - 1 else (values[last] + values[last + 1]) / 2
    return float(low), float(high)


def style() -> AbstractContextManager[None]:
    """How texts and axes look while a figure is built."""
    import matplotlib

    return matplotlib.rc_context(
        {
            "font.family": [FONT],
            "font.size": 8,
            "text.parse_math": False,  # a dollar sign in a name is a dollar sign
            "text.color": INK,
            "axes.labelcolor": INK,
            "axes.labelsize": 8,
            "axes.edgecolor": QUIET,
            "axes.linewidth": 0.6,
            "axes.spines.top": False,
            "axes.spines.right": False,
            "axes.axisbelow": True,
            "grid.color": GRID,
            "grid.linewidth": 0.5,
            "xtick.color": QUIET,
            "ytick.color": QUIET,
            "xtick.labelsize": 7,
            "ytick.labelsize": 7,
            "xtick.major.size": 2.5,
            "ytick.major.size": 2.5,
            "legend.frameon": False,
            "legend.fontsize": 7,
            "legend.handletextpad": 0.5,
            "legend.columnspacing": 1.2,
            "hatch.color": "#6b7780",
            "hatch.linewidth": 0.5,
        }
    )


def draw_resolution(swept: Sweep, axes: Axes) -> None:
    """Smallest resolution over the set point that was varied, on given axes."""
    _shade(swept, axes)
    _draw_resolution(swept, axes)
    _dress_curve(swept, axes)


def draw_run_time(swept: Sweep, axes: Axes) -> None:
    """Run time [min] over the set point that was varied, on given axes."""
    _shade(swept, axes)
    _draw_run_time(swept, axes)
    _dress_curve(swept, axes)


def _dress_curve(swept: Sweep, axes: Axes) -> None:
    axis = swept.axes[0]
    axes.grid(True)
    axes.set_xlim(axis.values[0], axis.values[-1])
    axes.set_xlabel(axis_label(axis))


def axis_label(axis: Axis) -> str:
    """What a set point is, with its unit."""
    return f"{axis.point.label}, {axis.point.unit}"


def heading(figure: Figure, title: str) -> None:
    """The title of a figure, in its upper left corner."""
    width, height = figure.get_size_inches()
    figure.text(0.12 / width, 1 - 0.2 / height, shortened(title, 90), fontsize=9, fontweight="bold")


def write_key(figure: Figure, lines: Sequence[str], top: float) -> None:
    """The key of the pairs in two columns, from `top` [inch above the lower edge] downwards."""
    width, height = figure.get_size_inches()
    half = (len(lines) + 1) // 2
    for at, line in enumerate(lines):
        column, row = divmod(at, half)
        x, y = LEFT + column * (width - LEFT) / 2, top - (row + 0.8) * KEY_LINE
        figure.text(x / width, y / height, line, fontsize=7)


def key_height(lines: Sequence[str]) -> float:
    """How high the key is [inch]."""
    return (len(lines) + 1) // 2 * KEY_LINE


def limits_note(swept: Sweep) -> list[str]:
    """Which limits are broken somewhere, in lines as wide as the figure."""
    return wrap(broken_in_words(swept.broken_limits, 2 * NOTE_LENGTH), NOTE_LENGTH)


def write_note(figure: Figure, lines: Sequence[str]) -> None:
    """Lines at the foot of a figure."""
    width, height = figure.get_size_inches()
    for at, line in enumerate(lines, 1):
        figure.text(LEFT / width, (0.05 + (len(lines) - at) * KEY_LINE) / height, line, fontsize=7)


def curves(swept: Sweep, compounds: Sequence[str], title: str) -> Figure:
    letters = pair_letters(swept.critical, compounds)
    key = letters.key(KEY_MOST)
    top, band, upper, gap, lower, below = 0.78, 0.2, 2.4, 0.14, 1.4, 0.48  # inch
    note = limits_note(swept)
    foot = below + key_height(key) + (0.1 if key else 0.0) + len(note) * KEY_LINE
    height = foot + lower + gap + upper + band + top
    figure, wide = sheet(height), WIDTH - LEFT - MARGIN
    times = panel(figure, foot, lower, wide)
    resolutions = panel(figure, foot + lower + gap, upper, wide, times)
    heading(figure, title)
    axis = swept.axes[0]
    times.set_xlim(axis.values[0], axis.values[-1])
    for axes in (resolutions, times):
        _shade(swept, axes)
        axes.grid(True)
        axes.yaxis.set_label_coords(-0.075, 0.5)
    _draw_resolution(swept, resolutions)
    _draw_run_time(swept, times)
    draw_letter_band(letters, axis.values, resolutions)
    resolutions.tick_params(labelbottom=False)
    times.set_xlabel(axis_label(axis))
    resolutions.legend(
        loc="lower left", bbox_to_anchor=(0, 1 + (band + 0.02) / upper), ncols=4, borderaxespad=0.0,
        handlelength=1.8, labelspacing=0.3,
    )  # fmt: skip
    write_key(figure, key, foot - below)
    write_note(figure, note)
    return figure


def _shade(swept: Sweep, axes: Axes) -> None:
    """Where nothing was run, and where the goal is met: up to where a margin reaches zero between two runs."""
    values = swept.axes[0].values
    label: str | None = "not run"
    for run, first, last in stretches(swept.possible.astype(np.intp)):
        if not run:
            axes.axvspan(*bounds(values, first, last), facecolor=NOT_RUN, linewidth=0, zorder=0, label=label)
            label = None
    if swept.nominal.sum() > swept.feasible.sum():
        _span(swept.nominal, values, swept.margin, axes, NOMINAL, "nominal only", 0.1)
    _span(swept.feasible, values, swept.margin_in_draws, axes, MET, goal_met(swept.required), 0.2)


def _span(
    kept: NDArray[np.bool_], values: Array, margin: Array, axes: Axes, colour: str, text: str, zorder: float
) -> None:
    label: str | None = text
    for inside, first, last in stretches(kept.astype(np.intp)):
        if inside:
            low, high = (_crossing(values, margin, at, step) for at, step in ((first, -1), (last, 1)))
            axes.axvspan(low, high, facecolor=colour, linewidth=0, zorder=zorder, label=label)
            label = None


def _crossing(values: Array, margin: Array, at: int, step: int) -> float:
    """Where the margin reaches zero between a feasible run and its neighbour, straight between the two."""
    beside = at + step
    if not 0 <= beside < len(values) or not np.isfinite(margin[beside]):
        return float(values[at])
    fall = margin[at] - margin[beside]
    share = margin[at] / fall if fall > 0 else 1.0
    return float(values[at] + np.clip(share, 0.0, 1.0) * (values[beside] - values[at]))


def _draw_resolution(swept: Sweep, axes: Axes) -> None:
    values = swept.axes[0].values
    _draw_kept_and_broken(swept, swept.resolution, axes, named=True)
    axes.plot(
        values,
        swept.needed,
        color=CRITICAL,
        linewidth=1.0,
        linestyle="--",
        drawstyle="steps-mid",
        label="needed",
    )
    _draw_marks(swept, swept.resolution, axes, named=True)
    axes.set_ylabel("smallest resolution")
    if np.isfinite(swept.resolution).any():
        axes.set_ylim(0.0, 1.08 * float(np.nanmax(np.fmax(swept.resolution, swept.needed))))
    else:
        axes.text(0.5, 0.5, "no pair counts", transform=axes.transAxes, ha="center", color=QUIET)


def _draw_run_time(swept: Sweep, axes: Axes) -> None:
    time = swept.run_time / SECONDS_PER_MINUTE
    _draw_kept_and_broken(swept, time, axes, named=False)
    _draw_marks(swept, time, axes, named=False)
    axes.set_ylabel("run time, min")
    scale_of_time(time, axes)


def scale_of_time(time: Array, axes: Axes) -> None:
    """Linear, or logarithmic with plain numbers where run times differ by much."""
    from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter

    if not np.isfinite(time).any():
        return
    low, high = float(np.nanmin(time)), float(np.nanmax(time))
    if high < LOGARITHMIC * low:
        axes.set_ylim(0.0, 1.08 * high)
        return
    axes.set_yscale("log")
    axes.set_ylim(low / 1.15, high * 1.15)
    subs = (1.0, 2.0, 5.0) if high < 100 * low else (1.0,)
    axes.yaxis.set_major_locator(LogLocator(subs=subs))
    axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    axes.yaxis.set_minor_formatter(NullFormatter())


def _draw_kept_and_broken(swept: Sweep, curve: Array, axes: Axes, named: bool) -> None:
    """Solid where all limits are kept, dotted where one is broken; the two meet."""
    values, kept = swept.axes[0].values, swept.allowed
    axes.plot(
        values,
        np.where(kept, curve, np.nan),
        color=SIGNAL,
        linewidth=1.5,
        label="limits kept" if named else None,
    )
    broken = ~kept
    broken[1:] |= ~kept[:-1]
    broken[:-1] |= ~kept[1:]
    axes.plot(
        values, np.where(broken, curve, np.nan), color=SIGNAL, linewidth=1.2, linestyle=":",
        label="a limit broken" if named and (swept.possible & ~kept).any() else None,
    )  # fmt: skip


def _draw_marks(swept: Sweep, curve: Array, axes: Axes, named: bool) -> None:
    """The best that meets the goal, or else the best nominally, and the set point as it is."""
    axis = swept.axes[0]
    best, sign, label = best_mark(swept)
    if best is not None:
        axes.plot(
            axis.values[best], curve[best], **sign, label=label if named else None, clip_on=False, zorder=4
        )
    now = axis.point.value(swept.program)
    if axis.values[0] <= now <= axis.values[-1]:
        axes.axvline(
            now, color=QUIET, linewidth=0.8, linestyle=(0, (6, 3)), label="as it is" if named else None
        )


def best_mark(swept: Sweep) -> tuple[int | None, dict[str, Any], str]:
    """The run to be marked, its sign, and what it is: hollow where it meets the goal nominally alone."""
    if swept.best is not None or swept.best_nominal is None:
        return swept.best, BEST_SIGN, f"shortest {swept.minimise}"
    text = probability_beside(float(swept.deciding[swept.best_nominal]), swept.required)
    return swept.best_nominal, NOMINAL_SIGN, f"shortest nominally ({text} probability)"


def draw_letter_band(letters: PairLetters, values: Array, axes: Axes) -> None:
    """Above the axes: bars over the stretches in which a pair is critical, with the letter of the pair."""
    box = axes.get_window_extent()
    points_wide, points_high = np.array([box.width, box.height]) / axes.figure.dpi * 72
    low, high = values[0], values[-1]
    spans = [
        (number, *bounds(values, first, last))
        for number, first, last in stretches(letters.which)
        if number != NO_PAIR
    ]
    for at, (_, start, end) in enumerate(spans):
        left, right = ((edge - low) / (high - low) for edge in (start, end))
        axes.plot(
            [left, right], [1 + 2.5 / points_high] * 2, transform=axes.transAxes, clip_on=False,
            color=INK if at % 2 else QUIET, linewidth=2.0, solid_capstyle="butt",
        )  # fmt: skip
        if at:
            axes.axvline(start, color=GRID, linewidth=0.8, zorder=0.5)
    widest = sorted(range(len(spans)), key=lambda at: spans[at][1] - spans[at][2])
    room = int(points_wide / LETTER)
    shown = thinned(len(spans), room, widest[:room])
    places = (
        np.array([((spans[at][1] + spans[at][2]) / 2 - low) / (high - low) for at in shown]) * points_wide
    )
    centres = spaced(places, np.full(len(shown), LETTER), 0.0, points_wide)
    for at, centre in zip(shown, centres, strict=True):
        axes.text(
            centre / points_wide, 1 + 5.0 / points_high, letters.letters[spans[at][0]], transform=axes.transAxes,
            ha="center", va="bottom", fontsize=7, fontweight="bold",
        )  # fmt: skip
