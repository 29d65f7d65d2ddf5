"""The peaks of a recorded trace for people at a terminal."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.console import Console
from rich.markup import escape
from rich.table import Table

if TYPE_CHECKING:
    from optimizer.results.documents import Document

COLUMNS = {
    "peak": ("peak", "d"),
    "retention_min": ("retention, min", ".4f"),
    "width_half_min": ("half-height width, min", ".4f"),
    "area": ("area", ".5g"),
    "tailing": ("tailing", ".2f"),
    "height": ("height", ".4g"),
    "signal_to_noise": ("signal-to-noise", ".3g"),
}


def show_peaks(console: Console, document: Document) -> None:
    """A table of the peaks, how they were looked for, and what to do with them."""
    trace = document["trace"]
    if trace is not None:
        unit = f" {trace['unit']}" if trace["unit"] else ""
        searched = ""
        if trace["min_width_s"] is not None:
            searched = (
                f"; looked for signal-to-noise {trace['min_signal_to_noise']:g} and half-height widths from "
                f"{trace['min_width_s']:g} s"
            )
        console.print(
            f"{document['file']}: {trace['readings']} readings every {trace['interval_s']:g} s from "
            f"{trace['first_min']:.2f} to {trace['last_min']:.2f} min, noise {trace['noise'] or 0:.3g}{unit} from "
            f"lowest to highest{searched}",
            markup=False,
            soft_wrap=True,
        )
    named = any(row["compound"] for row in document["peaks"])
    table = Table(title=f"{len(document['peaks'])} peaks, {document['origin']}", title_justify="left")
    for heading, _ in COLUMNS.values():
        table.add_column(heading, justify="right")
    if named:
        table.add_column("compound")
    for row in document["peaks"]:
        cells = ["-" if row[key] is None else format(row[key], form) for key, (_, form) in COLUMNS.items()]
        table.add_row(*cells, *([escape(row["compound"] or "-")] if named else []))
    console.print(table)
    for note in document["notes"]:
        console.print(f"Note: {note}.", markup=False, soft_wrap=True)
    console.print(
        "Look at peaks.png (--out DIR writes it) before you use them. A run of a scenario may name the file itself, or "
        "peaks.csv with the names filled in and unwanted lines taken out.",
        soft_wrap=True,
    )
