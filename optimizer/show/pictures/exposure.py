"""What heat-sensitive analytes meet on their way: prepared in the reader's units, and drawn, one strip each.

matplotlib is slow to import and is imported only where something is drawn.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from models.column.programs import Array
from models.units import SECONDS_PER_MINUTE, celsius
from optimizer.goal.outcome import Prediction
from optimizer.scenario.data import AnalyteDetail, Scenario
from optimizer.show.pictures.chromatograms import (
    AXES_WIDTH,
    CRITICAL,
    GRID,
    INK,
    OVEN,
    QUIET,
    drawable,
    dress,
    extent,
    panel,
    sheet,
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
NOT_KEPT = (
    "✖ "  # before what an analyte does not withstand: colour alone tells nothing on a black-and-white print
)


@dataclass(frozen=True)
class Strip:
    """The column's temperature over the stay of one analyte.

    Attributes
    ----------
    times, temperatures : (B,) arrays  [min], [°C], corners of the oven program until the analyte elutes
    limit : [°C], at which it must have eluted
    above : [°C], above which its time is counted
    findings : what it meets beside what it withstands, e.g. "98.20 % intact (needs 97 %)"
    kept : whether it withstands all that
    """

    name: str
    times: Array
    temperatures: Array
    limit: float | None
    above: float | None
    findings: tuple[str, ...]
    kept: bool
    eluted: bool


@dataclass(frozen=True)
class ExposureData:
    """A strip per sensitive analyte, in order of elution.

    Attributes
    ----------
    oven_times, oven : (B,) arrays  [min], [°C], of the whole run
    end : [min]
    """

    strips: tuple[Strip, ...]
    oven_times: Array
    oven: Array
    end: float

    @property
    def key(self) -> str:
        """What the lines and shades mean, as far as there are any."""
        parts = []
        if any(strip.limit is not None for strip in self.strips):
            parts.append("Dashed: the temperature at which an analyte must have eluted.")
        if any(strip.above is not None for strip in self.strips):
            parts.append("Dotted, and shaded above: the temperature above which its stay is counted.")
        if any("intact" in text for strip in self.strips for text in strip.findings):
            parts.append('"Intact" is about the stay in the column alone, not about inlet and transfer line.')
        return " ".join(parts)


def is_sensitive(detail: AnalyteDetail) -> bool:
    """Whether anything is stated about what heat does to an analyte."""
    return not (
        detail.decomposition is None
        and detail.max_elution_temperature is None
        and detail.max_time_above is None
    )


def exposure_data(scenario: Scenario, prediction: Prediction) -> ExposureData | None:
    """Prepare the strips of a prediction; None when no analyte is sensitive."""
    details = [scenario.detail(name) for name in prediction.compounds]
    sensitive = [m for m in prediction.order if is_sensitive(details[m])]
    if not sensitive:
        return None
    times, T = prediction.program.oven.knots()
    end = max(prediction.run_time, times[-1])
    oven_times, oven = np.array([*times, end]), np.array([*T, T[-1]])
    return ExposureData(
        tuple(_strip(details[m], prediction, int(m), oven_times, oven) for m in sensitive),
        oven_times / SECONDS_PER_MINUTE,
        celsius(oven),
        end / SECONDS_PER_MINUTE,
    )


def _strip(detail: AnalyteDetail, prediction: Prediction, m: int, times: Array, oven: Array) -> Strip:
    eluted = bool(np.isfinite(prediction.retention[m]))
    stay = float(prediction.retention[m]) if eluted else float(times[-1])
    until = times < stay
    findings = _findings(detail, prediction, m)
    above = detail.max_time_above
    return Strip(
        name=detail.compound,
        times=np.array([*times[until], stay]) / SECONDS_PER_MINUTE,
        temperatures=celsius(np.array([*oven[until], float(np.interp(stay, times, oven))])),
        limit=None if detail.max_elution_temperature is None else celsius(detail.max_elution_temperature),
        above=None if above is None else celsius(above.temperature),
        findings=tuple(text for text, _ in findings),
        kept=eluted and all(kept for _, kept in findings),
        eluted=eluted,
    )


def _findings(detail: AnalyteDetail, prediction: Prediction, m: int) -> list[tuple[str, bool]]:
    """What an analyte meets, in words, and whether it withstands it."""
    if not np.isfinite(prediction.retention[m]):
        return [("does not elute", False)]
    found = []
    if detail.decomposition is not None:
        intact, least = float(prediction.intact_fraction[m]), detail.min_intact_fraction
        needs = "" if least is None else f" (needs {100 * least:g} %)"
        found.append((f"{100 * intact:.2f} % intact{needs}", least is None or intact >= least))
    if detail.max_elution_temperature is not None:
        T, most = float(prediction.elution_temperature[m]), detail.max_elution_temperature
        found.append((f"elutes at {celsius(T):.1f} °C (at most {celsius(most):g} °C)", most >= T))
    if detail.max_time_above is not None:
        above, limit = float(prediction.time_above[m]), detail.max_time_above
        found.append(
            (
                f"{above / SECONDS_PER_MINUTE:.2f} min above {celsius(limit.temperature):g} °C "
                f"(at most {limit.duration / SECONDS_PER_MINUTE:g} min)",
                above <= limit.duration,
            )
        )
    return found


def exposure_figure(data: ExposureData) -> Figure:
    """A strip per sensitive analyte: column temperature against time until it elutes."""
    captions = [_caption(strip, number) for number, strip in enumerate(data.strips, 1)]
    height = TOP + sum(GAP + len(lines) * LINE + STRIP for lines in captions) + BOTTOM
    figure = sheet(height, "Column temperature until each sensitive analyte elutes")
    limits = [T for strip in data.strips for T in (strip.limit, strip.above) if T is not None]
    hottest, coldest = max([float(data.oven.max()), *limits]), float(data.oven.min())
    shared = None
    base = height - TOP
    for strip, lines in zip(data.strips, captions, strict=True):
        base -= GAP + len(lines) * LINE + STRIP
        axes = panel(figure, base, STRIP, share=shared)
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
