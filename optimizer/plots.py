"""Pictures, each in two halves: the data are prepared (and tested), then drawn on given axes.

matplotlib is slow to import and is imported only where something is drawn.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from models.chromatogram import detector_trace, peak_signals, trace_times
from models.fit import Fit
from models.programs import Array
from models.units import PA_PER_KPA, SECONDS_PER_MINUTE, celsius, flow_mL_min
from optimizer.label_placement import shortened, spaced, thinned
from optimizer.results import Prediction
from optimizer.scenario_data import Scenario

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

# Told apart in any kind of colour vision by lightness as well as hue; every use has a second sign beside it.
INK, QUIET, GRID = "#1c2b36", "#5d6b75", "#d5dce0"
SIGNAL, CRITICAL, OVEN, PRESSURE, FLOW = "#16324f", "#c2410c", "#8a2c5f", "#00687a", "#4d6b00"
RUN_COLOURS = ("#16324f", "#c2410c", "#00838f", "#8a5fbf", "#6b7a00")
RUN_MARKERS = ("o", "s", "^", "D", "v", "P")

WIDTH = 7.4  # inch: fits between the margins of A4
LONGEST_NAME = 34  # characters of a label; the peak table has the whole name
FONT = "DejaVu Sans"  # comes with matplotlib, so that extents are the same everywhere
LEAST_TAILING = 0.55  # a fronting peak drawn steeper than this would be a step


@dataclass(frozen=True)
class PeakLabel:
    """A peak to be labelled: its name, apex (min, % of the highest signal), and whether it is critical."""

    name: str
    time: float
    height: float
    critical: bool


@dataclass(frozen=True)
class ChromatogramData:
    """What a picture of a prediction shows; times in min.

    Attributes
    ----------
    title, note : the heading, and the line under it (the critical pair)
    times, response : (Q,) arrays  [min], [% of the highest signal]
    critical_responses : (C, Q) array, the critical peaks by themselves  [% of the highest signal]
    labels : peaks in order of elution
    oven_times, oven : (B,) arrays  [min], [°C], the corners of the oven program
    elution_times, elution_temperatures : (M,) arrays  [min], [°C]
    trace_times, pressure, flow : (Q,) arrays  [min], [kPa gauge], [mL/min]
    ambient : float  [kPa absolute]
    end : float  [min]
    """

    title: str
    note: str
    times: Array
    response: Array
    critical_responses: Array
    labels: tuple[PeakLabel, ...]
    oven_times: Array
    oven: Array
    elution_times: Array
    elution_temperatures: Array
    trace_times: Array
    pressure: Array
    flow: Array
    ambient: float
    end: float


def chromatogram_data(prediction: Prediction, ambient_pressure: float, title: str) -> ChromatogramData:
    """Prepare the picture of a prediction; `ambient_pressure` in Pa absolute."""
    t, w, area = prediction.retention, prediction.width_half, prediction.area
    tailing = np.maximum(prediction.tailing, LEAST_TAILING)
    order = [int(m) for m in prediction.order if np.isfinite(t[m]) and np.isfinite(w[m])]
    end = prediction.run_time
    times = trace_times(end, t, w, tailing)
    signal = detector_trace(times, t, w, area, tailing)
    scale = 100.0 / signal.max() if np.any(signal > 0) else 1.0
    pair = [] if prediction.critical is None else list(prediction.counted_pairs[prediction.critical])
    pair = [m for m in pair if m in order]
    apexes = detector_trace(t[order], t, w, area, tailing)
    oven_times, oven = prediction.program.oven.knots()
    corners = np.array([*oven_times, max(end, oven_times[-1])])
    return ChromatogramData(
        title=title,
        note=_note(prediction),
        times=times / SECONDS_PER_MINUTE,
        response=signal * scale,
        critical_responses=peak_signals(times, t[pair], w[pair], area[pair], tailing[pair]).T * scale,
        labels=tuple(
            PeakLabel(
                prediction.compounds[m], float(t[m]) / SECONDS_PER_MINUTE, float(height) * scale, m in pair
            )
            for m, height in zip(order, apexes, strict=True)
        ),
        oven_times=corners / SECONDS_PER_MINUTE,
        oven=celsius(np.array([*oven, oven[-1]])),
        elution_times=t[order] / SECONDS_PER_MINUTE,
        elution_temperatures=celsius(prediction.elution_temperature[order]),
        trace_times=prediction.trace_times / SECONDS_PER_MINUTE,
        pressure=(prediction.inlet_pressure - ambient_pressure) / PA_PER_KPA,
        flow=flow_mL_min(prediction.flow),
        ambient=ambient_pressure / PA_PER_KPA,
        end=end / SECONDS_PER_MINUTE,
    )


def _note(prediction: Prediction) -> str:
    pair = prediction.critical_pair
    if pair is None:
        return "no pair has to be resolved"
    a, b = (shortened(name, LONGEST_NAME) for name in pair)
    return f"◆ critical pair: {a} and {b}, Rs {prediction.min_resolution:.2f}"


def chromatogram_figure(data: ChromatogramData) -> Figure:
    """The chromatogram with oven, inlet pressure and column flow beneath it on one time axis."""
    from matplotlib.figure import Figure

    labels = _LabelBand(data)
    left, right, top, bottom, gap = 0.62, 0.66, 0.5, 0.44, 0.12  # inch
    signal, traces = 2.6, 0.85
    height = top + labels.height + signal + 3 * (traces + gap) + bottom
    figure = Figure(figsize=(WIDTH, height), facecolor="white")
    base = bottom
    rows: list[Axes] = []
    for tall in (traces, traces, traces, signal):
        place = (left / WIDTH, base / height, (WIDTH - left - right) / WIDTH, tall / height)
        rows.append(figure.add_axes(place, sharex=rows[0] if rows else None))
        base += tall + gap
    draw_signal(data, rows[3], labels)
    draw_oven(data, rows[2])
    draw_pressure(data, rows[1])
    draw_flow(data, rows[0])
    for axes in rows[1:]:
        axes.tick_params(labelbottom=False)
    rows[0].set_xlabel("time, min", **_text(8))
    rows[0].set_xlim(0.0, data.end)
    figure.text(0.12 / WIDTH, 1 - 0.2 / height, data.title, **_text(9, INK), fontweight="bold")
    figure.text(0.12 / WIDTH, 1 - 0.38 / height, data.note, **_text(8, CRITICAL))
    return figure


class _LabelBand:
    """The labels above a chromatogram: how large they are written, and how high the band is [inch]."""

    foot = 0.3  # inch, for the leader lines

    def __init__(self, data: ChromatogramData) -> None:
        points = (WIDTH - 1.28) * 72
        count = len(data.labels)
        self.size = float(np.clip(points / (1.26 * max(count, 1)), 6.0, 8.0))
        self.pitch = 1.26 * self.size  # points from line to line
        self.shown = thinned(
            count, int(points / self.pitch), [i for i, label in enumerate(data.labels) if label.critical]
        )
        self.texts = {i: _label_text(data.labels[i], i + 1) for i in self.shown}
        longest = max((_extent(text, self.size) for text in self.texts.values()), default=0.0)
        self.left_out = count - len(self.shown)
        self.height = self.foot + longest / 72 + 0.06


def _label_text(label: PeakLabel, number: int) -> str:
    name = shortened(label.name, LONGEST_NAME)
    if not _drawable(name):
        name = f"peak {number}"
    return f"◆ {name}" if label.critical else name


def draw_signal(data: ChromatogramData, axes: Axes, band: _LabelBand | None = None) -> None:
    """The detector trace, with the names of the peaks in a band above the axes."""
    band = _LabelBand(data) if band is None else band
    top = 106.0
    axes.set_xlim(0.0, data.end)
    axes.set_ylim(-1.5, top)
    for response in data.critical_responses:
        axes.fill_between(data.times, 0.0, response, color=CRITICAL, alpha=0.3, linewidth=0)
    axes.plot(data.times, data.response, color=SIGNAL, linewidth=0.9)
    _dress(axes, "signal, %", INK)
    _draw_labels(data, axes, band, top)
    if band.left_out:
        axes.text(
            0.995, 0.97, f"{band.left_out} names left out for want of room: see the peak table",
            transform=axes.transAxes, ha="right", va="top", **_text(7, QUIET),
        )  # fmt: skip


def _draw_labels(data: ChromatogramData, axes: Axes, band: _LabelBand, top: float) -> None:
    figure = axes.get_figure(root=True)
    assert figure is not None  # noqa: S101
    box = axes.get_window_extent()
    points = (box.width / figure.dpi * 72, box.height / figure.dpi * 72)
    labels = [data.labels[i] for i in band.shown]
    places = np.array([label.time / data.end for label in labels]) * points[0]
    centres = spaced(places, np.full(len(labels), band.pitch), -8.0, points[0] + 8.0)
    bend, foot = 5.0 / points[1], (band.foot * 72 - 3.0) / points[1]
    low = axes.get_ylim()[0]
    for i, label, place, centre in zip(band.shown, labels, places, centres, strict=True):
        colour = CRITICAL if label.critical else INK
        apex = (label.height - low) / (top - low) + 2.0 / points[1]
        x, y = place / points[0], centre / points[0]
        axes.plot(
            [x, x, y, y], [apex, 1 + bend, 1 + foot - bend, 1 + foot],
            transform=axes.transAxes, clip_on=False, linewidth=0.9 if label.critical else 0.5,
            color=colour if label.critical else "#9aa7af", solid_joinstyle="round",
        )  # fmt: skip
        axes.text(
            y, 1 + foot + 2.0 / points[1], band.texts[i], transform=axes.transAxes, rotation=90,
            ha="center", va="bottom", **_text(band.size, colour),
            fontweight="bold" if label.critical else "normal",
        )  # fmt: skip


def draw_oven(data: ChromatogramData, axes: Axes) -> None:
    """Oven temperature, with a tick where each compound elutes."""
    axes.plot(data.oven_times, data.oven, color=OVEN, linewidth=1.4)
    axes.plot(data.elution_times, data.elution_temperatures, "|", color=INK, markersize=5, markeredgewidth=0.6)
    _dress(axes, "oven, °C", OVEN)
    _roomy(axes, data.oven, 10.0)


def draw_pressure(data: ChromatogramData, axes: Axes) -> None:
    """Inlet pressure: gauge on the left, absolute on the right."""
    axes.plot(data.trace_times, data.pressure, color=PRESSURE, linewidth=1.4, linestyle=(0, (6, 1.5)))
    _dress(axes, "inlet, kPa\ngauge", PRESSURE)
    _roomy(axes, data.pressure, 10.0)
    ambient = data.ambient
    beside = axes.secondary_yaxis("right", functions=(lambda p: p + ambient, lambda p: p - ambient))
    beside.set_ylabel("inlet, kPa\nabsolute", **_text(8, PRESSURE))
    beside.tick_params(labelsize=7, colors=QUIET, length=2.5)
    beside.yaxis.set_major_locator(_few_ticks())
    for side in beside.spines.values():
        side.set_visible(False)


def draw_flow(data: ChromatogramData, axes: Axes) -> None:
    """Column flow."""
    axes.plot(data.trace_times, data.flow, color=FLOW, linewidth=1.4, linestyle=(0, (2, 1)))
    _dress(axes, "column flow,\nmL/min", FLOW)
    _roomy(axes, data.flow, 0.2)


@dataclass(frozen=True)
class ResidualData:
    """Residuals of a fit: (R, M) in s, with the compounds along the axis and the runs as signs."""

    compounds: tuple[str, ...]
    runs: tuple[str, ...]
    residual: Array
    repeatability: float


def residual_data(scenario: Scenario, fit: Fit) -> ResidualData:
    """Prepare the picture of residuals; the band is the largest stated repeatability [s]."""
    runs = tuple(run.name for run in scenario.runs)
    return ResidualData(
        scenario.compounds, runs, fit.residual, max((run.repeatability for run in scenario.runs), default=0.0)
    )


def residual_figure(data: ResidualData) -> Figure:
    """Predicted less measured retention time, for every compound and run."""
    from matplotlib.figure import Figure

    count = len(data.compounds)
    left, right = 0.62, 0.2  # inch
    size = float(np.clip((WIDTH - left - right) * 72 / (1.26 * max(count, 1)), 6.0, 8.0))
    names = [_residual_name(name, at) for at, name in enumerate(data.compounds, 1)]
    below = max((_extent(name, size) for name in names), default=0.0) / 72 + 0.16
    legend, axis = 0.34, 1.7
    height = legend + axis + below
    figure = Figure(figsize=(WIDTH, height), facecolor="white")
    axes = figure.add_axes((left / WIDTH, below / height, (WIDTH - left - right) / WIDTH, axis / height))
    draw_residuals(data, axes)
    room = int((WIDTH - left - right) * 72 / (1.26 * size))
    ticks = thinned(count, room, ())
    axes.set_xticks(ticks, [names[i] for i in ticks], rotation=90, **_text(size, INK))
    return figure


def _residual_name(name: str, number: int) -> str:
    short = shortened(name, LONGEST_NAME)
    return short if _drawable(short) else f"compound {number}"


def draw_residuals(data: ResidualData, axes: Axes) -> None:
    """Residuals as signs beside each other, one kind a run, over the band of the repeatability."""
    count = len(data.compounds)
    axes.axhspan(-data.repeatability, data.repeatability, color=GRID, alpha=0.6, linewidth=0)
    axes.axhline(0.0, color=QUIET, linewidth=0.7)
    shifts = np.linspace(-0.22, 0.22, len(data.runs)) if len(data.runs) > 1 else np.zeros(1)
    for r, (run, shift) in enumerate(zip(data.runs, shifts, strict=True)):
        name = shortened(run, 24)
        axes.plot(
            np.arange(count) + shift, data.residual[r], RUN_MARKERS[r % len(RUN_MARKERS)],
            color=RUN_COLOURS[r % len(RUN_COLOURS)], markersize=4, markeredgewidth=0,
            label=name if _drawable(name) else f"run {r + 1}",
        )  # fmt: skip
    _dress(axes, "predicted less\nmeasured, s", INK)
    axes.set_xlim(-0.7, count - 0.3)
    seen = data.residual[np.isfinite(data.residual)]
    reach = 1.15 * max(float(np.abs(seen).max()) if len(seen) else 0.0, data.repeatability * 1.2, 0.01)
    axes.set_ylim(-reach, reach)
    legend = axes.legend(
        loc="lower left", bbox_to_anchor=(0, 1.0), ncols=min(len(data.runs), 5), frameon=False,
        fontsize=8, handletextpad=0.2, columnspacing=1.2, borderaxespad=0.1,
    )  # fmt: skip
    for text in legend.get_texts():
        text.set_parse_math(False)
        text.set_color(INK)


def picture(figure: Figure, kind: Literal["png", "svg"]) -> bytes:
    """A figure as the bytes of a file: the same figure always gives the same bytes."""
    import matplotlib

    stream = io.BytesIO()
    metadata: dict[str, Any] = {"Software": None} if kind == "png" else {"Date": None, "Creator": "rampwright"}
    with matplotlib.rc_context({"svg.fonttype": "path", "svg.hashsalt": "rampwright", "font.family": [FONT]}):
        figure.savefig(stream, format=kind, dpi=200 if kind == "png" else 72, metadata=metadata)
    return stream.getvalue()


def _text(size: float, colour: str = QUIET) -> dict[str, Any]:
    """Properties of a text: a dollar sign in a name is a dollar sign."""
    return {"fontsize": size, "color": colour, "fontfamily": FONT, "parse_math": False}


def _extent(text: str, size: float) -> float:
    """Length of a text [points], in bold to be on the safe side."""
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import text_to_path

    properties = FontProperties(family=FONT, weight="bold", size=size)
    return float(text_to_path.get_text_width_height_descent(text, properties, False)[0])


def _drawable(text: str) -> bool:
    """Whether the font has every character of a text."""
    from matplotlib.font_manager import FontProperties, findfont, get_font

    font = get_font(findfont(FontProperties(family=FONT)))
    return all(font.get_char_index(ord(character)) for character in text)


def _few_ticks() -> Any:
    from matplotlib.ticker import MaxNLocator

    return MaxNLocator(4)


def _dress(axes: Axes, label: str, colour: str) -> None:
    axes.set_ylabel(label, **_text(8, colour))
    axes.yaxis.set_label_coords(-0.07, 0.5)
    axes.tick_params(labelsize=7, colors=QUIET, length=2.5, labelfontfamily=FONT)
    axes.yaxis.set_major_locator(_few_ticks())
    axes.grid(axis="both", color=GRID, linewidth=0.5)
    axes.set_axisbelow(True)
    for name, side in axes.spines.items():
        side.set_visible(name in ("left", "bottom"))
        side.set_color(QUIET)
        side.set_linewidth(0.6)


def _roomy(axes: Axes, values: Array, least: float) -> None:
    """Limits with room around the values, and no drama where they are all but constant."""
    low, high = float(np.nanmin(values)), float(np.nanmax(values))
    middle, half = (low + high) / 2, max((high - low) / 2 * 1.15, least / 2)
    axes.set_ylim(middle - half, middle + half)
