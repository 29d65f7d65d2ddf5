"""Adapted and trimmed methods for people at a terminal."""

from __future__ import annotations

from rich.console import Console
from rich.markup import escape
from rich.table import Table

from optimizer.goal.outcome import SearchOutcome
from optimizer.methods.adapt import Adapted
from optimizer.methods.trim import Trimmed
from optimizer.results.adapt import lead_text, method_rows, order_lines, outcome_lines, peak_table
from optimizer.scenario.data import Scenario
from optimizer.show.console.candidates import show_best
from optimizer.show.console.common import show_cautions, show_warnings
from optimizer.show.console.grid import grid_of


def show_adapted(console: Console, made: Adapted | Trimmed) -> None:
    """Methods side by side, their peaks, and what to know."""
    console.print(f"[bold]{escape(made.new.scenario.title)}[/bold]")
    console.print(escape(lead_text(made)))
    methods = Table()
    for name in ("", *made.methods):
        methods.add_column(name)
    for name, texts in method_rows(made):
        methods.add_row(name, *map(escape, texts))
    console.print(methods)
    headings, rows = peak_table(made, widths=False)
    console.print(grid_of(headings, rows))
    for line in outcome_lines(made):
        console.print(escape(line))
    for line in order_lines(made):
        console.print(f"[bold]{escape(line)}[/bold]")
    for note in made.notes:
        console.print(escape(note))
    show_warnings(console, list(made.warnings))
    show_cautions(console, list(made.cautions))


def show_tuned(console: Console, scenario: Scenario, outcome: SearchOutcome) -> None:
    """The best program of a search on the new system."""
    console.print(
        "\n[bold]Tuned[/bold]: the best program of a search on the new system, the pattern left aside. What is called "
        "the method in use here is the carried one."
    )
    show_best(console, scenario, outcome)
