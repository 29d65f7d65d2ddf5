"""Pictures: what `plot_data` prepared, drawn on given axes, and put into files.

matplotlib is slow to import and is imported only where something is drawn.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from models.column.programs import Array
from optimizer.base.numbers import percent
from optimizer.goal.outcome import Prediction
from optimizer.results.plot_data import ROOM, ChromatogramData
from optimizer.show.pictures.label_placement import shortened, spaced, thinned

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

BAND = "#9fb4c4"
STRENGTH = 0.28  # of the tint: seen in print, and the trace plain above it
BAND_NOTE = "light bands: where each apex lies in 95 % of draws"
BLEED_NOTE = "the baseline is the bleed of the column"
# Told apart in any kind of colour vision by lightness as well as hue; every use has a second sign beside it.
INK, QUIET, GRID = "#1c2b36", "#5d6b75", "#d5dce0"
SIGNAL, CRITICAL, OVEN, PRESSURE, FLOW = "#16324f", "#c2410c", "#8a2c5f", "#00687a", "#4d6b00"
WIDTH = 7.4  # inch: fits between the margins of A4
LEFT, RIGHT = 0.84, 0.72  # inch, beside the axes
AXES_WIDTH = WIDTH - LEFT - RIGHT
OVERHANG = 0.6  # inch by which labels may stand beside the axes
LINE = 1.2  # of the font size, from line to line
NOTE = 0.16  # inch, a line more beneath the title
LONGEST_NAME = 34  # characters of a label; the peak table has the whole name
MARK = "◆ "  # before the name of a critical peak: colour alone tells nothing on a black-and-white print
FONT = "DejaVu Sans"  # comes with matplotlib, so that extents are the same everywhere
SIGNAL_HEIGHT, ENLARGED_HEIGHT = 2.5, 1.5  # inch, of the panels of the whole signal and of the enlarged one
BELOW = 1.5 / 106  # of the axis of the whole signal that lies below zero
SIGNAL_LABEL = "signal, %\nof highest"  # detector counts are unknown: only ratios are predicted
# Spans that a trace's axis has at least, so that a constant looks like one: K, kPa, mL/min; or a share of the value.
LEAST_SPANS = {"oven": 40.0, "pressure": 40.0, "flow": 1.0}
LEAST_SHARE = 0.2


def band_caption(prediction: Prediction) -> str:
    """What the bands of a picture are; empty where there are none."""
    if not np.isfinite(prediction.retention_sd).any():
        return ""
    return (
        "Light bands: where each apex lies in 95 % of draws of fit, set points and what the model leaves out. "
        "Neighbours mostly move together, so that bands may overlap where the peaks stay resolved."
    )


def draw_bands(axes: Axes, times: Array, halves: Array) -> None:
    """Bands as high as the axes, behind everything else.

    Parameters
    ----------
    times, halves : (M,) arrays  [min], apexes and halves of their 95 % intervals, nan where unknown
    """
    known = np.isfinite(halves)
    for start, end in zip((times - halves)[known], (times + halves)[known], strict=True):
        axes.axvspan(start, end, color=BAND, alpha=STRENGTH, linewidth=0, zorder=0)


def sheet(height: float, title: str = "") -> Figure:
    """A white figure of the usual width and that height [inch], with a title in its upper left corner."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(WIDTH, height), facecolor="white")
    if title:
        figure.text(0.12 / WIDTH, 1 - 0.2 / height, title, **text_style(9, INK), fontweight="bold")
    return figure


def panel(
    figure: Figure, base: float, tall: float, wide: float = AXES_WIDTH, share: Axes | None = None
) -> Axes:
    """Axes on a sheet, `base` above its lower edge, `tall` high and `wide` [inch]."""
    height = float(figure.get_size_inches()[1])
    return figure.add_axes((LEFT / WIDTH, base / height, wide / WIDTH, tall / height), sharex=share)


def chromatogram_figure(data: ChromatogramData) -> Figure:
    """The chromatogram with oven, inlet pressure and column flow beneath it on one time axis.

    Where one peak dwarfs the critical pair, a second panel shows the signal enlarged.
    """
    labels = _band(data)
    notes = [
        note for note in (_risk_note(data), _note(data), _cut_note(data)) if note
    ]  # the pair at risk comes first
    top, bottom, gap, traces = 0.5 + NOTE * (len(notes) - 1), 0.42, 0.12, 0.74  # inch
    panels = [(traces, gap)] * 3 + [(SIGNAL_HEIGHT, 0.0)]
    enlarged = data.magnification > 1
    if enlarged:
        panels.insert(3, (ENLARGED_HEIGHT, 0.26))
    height = top + labels.height + sum(tall + above for tall, above in panels) + bottom
    figure = sheet(height, data.title)
    base = bottom
    rows: list[Axes] = []
    for tall, above in panels:
        rows.append(panel(figure, base, tall, share=rows[0] if rows else None))
        base += tall + above
    draw_signal(data, rows[-1], labels)
    if enlarged:
        draw_enlarged(data, rows[3])
    draw_oven(data, rows[2])
    draw_pressure(data, rows[1])
    draw_flow(data, rows[0])
    for axes in rows[1:]:
        axes.tick_params(labelbottom=False)
    rows[0].set_xlabel("time, min", **text_style(8))
    rows[0].set_xlim(0.0, data.end)
    for number, note in enumerate(notes):
        figure.text(0.12 / WIDTH, 1 - (0.38 + NOTE * number) / height, note, **text_style(8, CRITICAL))
    known = [BAND_NOTE] if np.isfinite(data.half_intervals).any() else []
    foot = "; ".join([*known, *([] if data.bleed is None else [BLEED_NOTE])])
    if foot:
        figure.text(0.12 / WIDTH, 0.06 / height, foot, **text_style(7))
    if labels.left_out:
        note = f"{labels.left_out} names left out for want of room: see the peak table"
        figure.text(1 - 0.12 / WIDTH, 0.06 / height, note, ha="right", **text_style(7))
    return figure


class LabelBand:
    """The labels above a chromatogram: how large they are written, and how high the band is [inch]."""

    foot = 0.3  # inch, for the leader lines

    def __init__(
        self, names: Sequence[str], critical: Sequence[bool], width: float, overhang: float = OVERHANG
    ) -> None:
        points = (width + 2 * overhang) * 72
        self.overhang = overhang
        count = len(names)
        self.size = float(np.clip(points / (LINE * max(count, 1)), 6.0, 8.0))
        self.pitch = LINE * self.size  # points
        self.critical = critical
        self.shown = thinned(
            count, int(points / self.pitch + 1e-6), [i for i, each in enumerate(critical) if each]
        )
        self.texts = {i: label_text(names[i], critical[i], i + 1) for i in self.shown}
        weights = {i: "bold" if critical[i] else "normal" for i in self.shown}
        longest = max((extent(self.texts[i], self.size, weights[i]) for i in self.shown), default=0.0)
        self.left_out = count - len(self.shown)
        self.height = self.foot + longest / 72 + 0.06


def _band(data: ChromatogramData, width: float = AXES_WIDTH) -> LabelBand:
    return LabelBand([each.name for each in data.labels], [each.critical for each in data.labels], width)


def label_text(name: str, critical: bool, number: int) -> str:
    name = shortened(name, LONGEST_NAME)
    if not drawable(name):
        name = f"peak {number}"
    return f"{MARK}{name}" if critical else name


def _note(data: ChromatogramData) -> str:
    pair = [label_text(each.name, True, i) for i, each in enumerate(data.labels, 1) if each.critical]
    if not np.isfinite(data.critical_resolution) or len(pair) < 2:
        return "no pair to be resolved"
    a, b = (name[len(MARK) :] for name in pair)
    note = f"{MARK}critical pair: {a} and {b}, Rs {data.critical_resolution:.2f}"
    return note + (f", valley {data.valley:.1f} %" if np.isfinite(data.valley) else "")


def _cut_note(data: ChromatogramData) -> str:
    """Which peaks are cut off; empty where none is."""
    if not data.cut:
        return ""
    highest = max(label.height for label in data.labels) / (data.top / ROOM)
    what = (
        label_text(data.cut[0].name, False, 1 + data.labels.index(data.cut[0]))
        if len(data.cut) == 1
        else f"{len(data.cut)} peaks"
    )
    return f"▲ {what} cut off: up to {highest:.0f} times as high as the highest peak drawn whole"


def _risk_note(data: ChromatogramData) -> str:
    """The pair that is missed most often; empty where none is. Names that cannot be drawn are those of the labels."""
    if data.at_risk is None:
        return ""
    numbers = {each.name: i for i, each in enumerate(data.labels, 1)}
    a, b = (label_text(name, False, numbers.get(name, 0)) for name in data.at_risk.pair)
    return f"pair at risk: {a} and {b}, missed with {percent(data.at_risk.share)} probability"


def draw_signal(data: ChromatogramData, axes: Axes, band: LabelBand | None = None) -> None:
    """The detector trace, with the names of the peaks in a band above the axes."""
    band = _band(data, width_of(axes)) if band is None else band
    low, high = signal_range(data)
    _draw_response(data, axes, low, high)
    if not data.cut:
        axes.set_yticks([0, 25, 50, 75, 100])
    mark_cut(axes, [label.time for label in data.cut])
    times, heights = (np.array([getattr(each, name) for each in data.labels]) for name in ("time", "height"))
    draw_labels(axes, band, times / data.end, np.minimum((heights - low) / (high - low), 1.0))


def signal_range(data: ChromatogramData) -> tuple[float, float]:
    """Where the axis of the whole signal begins and ends  [% of the highest signal]."""
    return -BELOW * data.top, data.top


def mark_cut(axes: Axes, times: Sequence[float], at: float = 0.96) -> None:
    """The sign of peaks that go on above (or, drawn downward, below) their panel; `at` in shares of its height."""
    sign = "^" if at > 0.5 else "v"
    axes.plot(times, [at] * len(times), sign, transform=axes.get_xaxis_transform(), color=INK, markersize=3.5)


def draw_enlarged(data: ChromatogramData, axes: Axes) -> None:
    """The detector trace in larger scale, every peak too high for that marked as cut, the critical ones by their sign.

    In a panel `ENLARGED_HEIGHT` high it is larger by the stated factor as measured in print, too.
    """
    times = data.magnification
    low, high = signal_range(data)
    bottom = low / times
    top = bottom + (high - low) * ENLARGED_HEIGHT / SIGNAL_HEIGHT / times
    _draw_response(data, axes, bottom, top)
    axes.set_ylabel(f"signal × {times:g}, %\nof highest", **text_style(8, INK))
    cut = [label.time for label in data.labels if label.height > top]
    mark_cut(axes, cut)
    for label in data.labels:
        if label.critical and label.height <= top:
            beside = label.height + 0.05 * top
            axes.plot([label.time], [beside], "D", color=CRITICAL, markersize=2.5, clip_on=False)
    note = f"the same signal enlarged {times:g} times" + ("; ▲ peak cut off here" if cut else "")
    points_high = axes.get_window_extent().height / axes.figure.dpi * 72
    axes.text(1.0, 1 + 3.0 / points_high, note, transform=axes.transAxes, ha="right", **text_style(7))


def _draw_response(data: ChromatogramData, axes: Axes, bottom: float, top: float) -> None:
    axes.set_xlim(0.0, data.end)
    axes.set_ylim(bottom, top)
    draw_bands(axes, data.elution_times, data.half_intervals)
    for response in data.critical_responses:
        seen = response > 1e-4 * top
        under = np.zeros(len(response)) if data.bleed is None else data.bleed
        low, high = under[seen], (under + response)[seen]
        axes.fill_between(data.times[seen], low, high, color=CRITICAL, alpha=0.3, linewidth=0)
    axes.plot(data.times, data.response, color=SIGNAL, linewidth=0.9)
    dress(axes, SIGNAL_LABEL, INK)


def draw_labels(axes: Axes, band: LabelBand, places: Array, apexes: Array) -> None:
    """The labels of a band above axes, with a line from each to its peak, as shares of the axes' width and height."""
    box = axes.get_window_extent()
    wide, tall = box.width / axes.figure.dpi * 72, box.height / axes.figure.dpi * 72
    sizes = np.full(len(band.shown), band.pitch)
    beside = band.overhang * 72
    centres = spaced(places[band.shown] * wide, sizes, -beside, wide + beside)
    bend, foot = 5.0 / tall, (band.foot * 72 - 3.0) / tall
    for i, centre in zip(band.shown, centres, strict=True):
        critical = band.critical[i]
        colour = CRITICAL if critical else INK
        x, y = places[i], centre / wide
        axes.plot(
            [x, x, y, y], [apexes[i] + 2.0 / tall, 1 + bend, 1 + foot - bend, 1 + foot],
            transform=axes.transAxes, clip_on=False, linewidth=0.9 if critical else 0.5,
            color=colour if critical else "#9aa7af", solid_joinstyle="round",
        )  # fmt: skip
        axes.text(
            y, 1 + foot + 2.0 / tall, band.texts[i], transform=axes.transAxes, rotation=90,
            ha="center", va="bottom", **text_style(band.size, colour), fontweight="bold" if critical else "normal",
        )  # fmt: skip


def draw_oven(data: ChromatogramData, axes: Axes) -> None:
    """Oven temperature, with a tick where each compound elutes."""
    axes.plot(data.oven_times, data.oven, color=OVEN, linewidth=1.4)
    axes.plot(data.elution_times, data.oven_at_elution, "|", color=INK, markersize=5, markeredgewidth=0.6)
    dress(axes, "oven, °C", OVEN)
    _roomy(axes, data.oven, LEAST_SPANS["oven"])


def draw_pressure(data: ChromatogramData, axes: Axes) -> None:
    """Inlet pressure: gauge on the left, absolute on the right."""
    axes.plot(data.trace_times, data.pressure, color=PRESSURE, linewidth=1.4, linestyle=(0, (6, 1.5)))
    dress(axes, "inlet, kPa\ngauge", PRESSURE)
    _roomy(axes, data.pressure, LEAST_SPANS["pressure"])
    ambient = data.ambient

    def absolute(gauge: Any) -> Any:
        return gauge + ambient

    def gauge(absolute: Any) -> Any:
        return absolute - ambient

    beside = axes.secondary_yaxis("right", functions=(absolute, gauge))
    beside.set_ylabel("inlet, kPa\nabsolute", **text_style(8, PRESSURE))
    beside.tick_params(labelsize=7, colors=QUIET, length=2.5)
    beside.yaxis.set_major_locator(few_ticks())
    for side in beside.spines.values():
        side.set_visible(False)


def draw_flow(data: ChromatogramData, axes: Axes) -> None:
    """Column flow."""
    axes.plot(data.trace_times, data.flow, color=FLOW, linewidth=1.4, linestyle=(0, (2, 1)))
    dress(axes, "column flow,\nmL/min", FLOW)
    _roomy(axes, data.flow, LEAST_SPANS["flow"])


def picture(figure: Figure, kind: Literal["png", "svg"]) -> bytes:
    """A figure as the bytes of a file: the same figure always gives the same bytes."""
    import matplotlib

    stream = io.BytesIO()
    metadata: dict[str, Any] = (
        {"Software": None} if kind == "png" else {"Date": None, "Creator": "rampwright"}
    )
    with matplotlib.rc_context({"svg.fonttype": "path", "svg.hashsalt": "rampwright", "font.family": [FONT]}):
        figure.savefig(stream, format=kind, dpi=200 if kind == "png" else 72, metadata=metadata)
    return stream.getvalue()


def pictures_of(stem: str, figure: Figure) -> dict[str, bytes]:
    """A figure as two files, `stem`.png and `stem`.svg."""
    return {f"{stem}.png": picture(figure, "png"), f"{stem}.svg": picture(figure, "svg")}


def width_of(axes: Axes) -> float:
    """Width of axes [inch]."""
    return float(axes.get_window_extent().width / axes.figure.dpi)


def text_style(size: float, colour: str = QUIET) -> dict[str, Any]:
    """Properties of a text: a dollar sign in a name is a dollar sign."""
    return {"fontsize": size, "color": colour, "fontfamily": FONT, "parse_math": False}


def extent(text: str, size: float, weight: str = "normal") -> float:
    """Length of a text [points]."""
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import text_to_path

    properties = FontProperties(family=FONT, weight=weight, size=size)
    return float(text_to_path.get_text_width_height_descent(text, properties, False)[0])


def drawable(text: str) -> bool:
    """Whether the font has every character of a text."""
    from matplotlib.font_manager import FontProperties, findfont, get_font

    font = get_font(findfont(FontProperties(family=FONT)))
    return all(font.get_char_index(ord(character)) for character in text)


def draw_legend(axes: Axes, columns: int) -> None:
    legend = axes.legend(
        loc="lower left", bbox_to_anchor=(0, 1.0), ncols=columns, frameon=False, labelcolor=INK, borderaxespad=0.1,
        prop={"family": FONT, "size": 8 if columns > 1 else 7}, handletextpad=0.4, columnspacing=1.2,
        labelspacing=0.2,
    )  # fmt: skip
    for text in legend.get_texts():
        text.set_parse_math(False)


def few_ticks() -> Any:
    from matplotlib.ticker import MaxNLocator

    return MaxNLocator(4, steps=[1, 2, 3, 5, 6, 10])


def dress(axes: Axes, label: str, colour: str) -> None:
    axes.set_ylabel(label, **text_style(8, colour))
    axes.yaxis.set_label_coords(-0.075, 0.5)
    axes.tick_params(labelsize=7, colors=QUIET, length=2.5, labelfontfamily=FONT)
    axes.yaxis.set_major_locator(few_ticks())
    axes.grid(axis="both", color=GRID, linewidth=0.5)
    axes.set_axisbelow(True)
    for name, side in axes.spines.items():
        side.set_visible(name in ("left", "bottom"))
        side.set_color(QUIET)
        side.set_linewidth(0.6)


def _roomy(axes: Axes, values: Array, least: float) -> None:
    axes.set_ylim(*roomy_range(values, least))


def roomy_range(values: Array, least: float) -> tuple[float, float]:
    """Limits with room around the values, and no drama where they are all but constant."""
    low, high = float(np.nanmin(values)), float(np.nanmax(values))
    middle = (low + high) / 2
    half = max((high - low) / 2 * 1.15, least / 2, LEAST_SHARE * abs(middle) / 2)
    # What cannot be negative gets no room below zero that widening alone would give it.
    bottom = max(middle - half, -0.05 * half) if low >= 0 else middle - half
    return bottom, bottom + 2 * half
