"""The peaks of a recorded trace for people at a terminal."""

from __future__ import annotations

from rich.console import Console

from optimizer.base.numbers import MINUTES, Rounded
from optimizer.results.peaks import AREA, HEIGHT, TAILING, THREE, TIME, PeaksResult
from optimizer.show.console.common import Grid, Row

HEADINGS = (
    "peak",
    "retention, min",
    "half-height width, min",
    "area",
    "tailing",
    "height",
    "signal-to-noise",
)
INTERVAL = Rounded(shown="g")


def show_peaks(console: Console, result: PeaksResult) -> None:
    """A table of the peaks, how they were looked for, and what to do with them."""
    trace, peaks = result.searched, result.peaks
    if trace is not None:
        searched = ""
        if trace.min_width is not None:
            searched = (
                f"; looked for signal-to-noise {trace.min_signal_to_noise:g} and half-height widths from "
                f"{INTERVAL.text(trace.min_width)} s"
            )
        unit = f" {trace.unit}" if trace.unit else ""
        console.print(
            f"{result.file}: {trace.readings} readings every {INTERVAL.text(trace.interval)} s from "
            f"{MINUTES.text(trace.first)} to {MINUTES.text(trace.last)} min, noise {THREE.text(trace.noise)}{unit} "
            f"from lowest to highest{searched}",
            markup=False,
            soft_wrap=True,
        )
    named = any(result.names)
    rows = [
        Row(
            f"{each.peak} {each.compound or '–'}" if named else str(each.peak),
            (
                TIME.text(each.retention),
                TIME.text(each.width_half),
                AREA.text(each.area),
                TAILING.text(each.tailing),
                HEIGHT.text(each.height),
                THREE.text(each.signal_to_noise),
            ),
            False,
        )
        for each in peaks
    ]
    console.print(f"{len(peaks)} peaks, {result.origin}")
    console.print(Grid(HEADINGS, tuple(rows)))
    for note in result.notes:
        console.print(f"Note: {note}.", markup=False, soft_wrap=True)
    console.print(
        "Look at peaks.png (--out DIR writes it) before you use them. A run of a scenario may name the file itself, or "
        "peaks.csv with the names filled in and unwanted lines taken out.",
        soft_wrap=True,
    )
