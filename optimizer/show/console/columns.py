"""Owned columns side by side at a terminal."""

from __future__ import annotations

from rich.console import Console
from rich.markup import escape

from optimizer.methods.columns.choice import ColumnChoice
from optimizer.results.adapt import COLUMN_HEADINGS, column_cautions, column_rows, columns_lead, columns_notes
from optimizer.results.set_points import program_lines
from optimizer.show.console.common import grid_of, show_cautions

TEXTS = (0, 1, 2, 3, 10)  # columns of the table that hold no numbers


def show_columns(console: Console, choice: ColumnChoice) -> None:
    """Which column and gas, the table, and what to know."""
    console.print(f"[bold]{escape(choice.scenario.title)}[/bold]")
    console.print(escape(columns_lead(choice)))
    console.print(grid_of(COLUMN_HEADINGS, column_rows(choice), TEXTS))
    best = choice.best
    if best is not None and best.program is not None:
        for line in program_lines(best.program, choice.scenario.ambient_pressure):
            console.print(escape(line))
    for line in columns_notes(choice):
        console.print(escape(line))
    show_cautions(console, column_cautions(choice))
