"""A table of names and numbers as text, which console and page show alike."""

from __future__ import annotations

import textwrap
from typing import NamedTuple

from rich.console import Console
from rich.markup import escape
from rich.table import Table


class Row(NamedTuple):
    """A name, its numbers as text, and whether it is to be marked."""

    name: str
    cells: tuple[str, ...]
    marked: bool


class Grid(NamedTuple):
    """Headings, that of the name first, and rows."""

    headings: tuple[str, ...]
    rows: tuple[Row, ...]


def print_grid(console: Console, grid: Grid) -> None:
    """A table in which headings and names wrap where the screen is narrow, and numbers never."""
    first, *headings = grid.headings
    widths = [max((len(row.cells[n]) for row in grid.rows), default=0) for n in range(len(headings))]
    wrapped = [_wrapped(heading, width) for heading, width in zip(headings, widths, strict=True)]
    needed = sum(max(map(len, lines)) for lines in wrapped) + max(
        (len(row.name) for row in grid.rows), default=0
    )
    table = Table(padding=(0, 1 if needed + 3 * len(grid.headings) + 1 <= console.width else 0))
    table.add_column(first, overflow="fold")
    for lines in wrapped:
        table.add_column("\n".join(lines), justify="right", no_wrap=True)
    for row in grid.rows:
        table.add_row(escape(row.name), *row.cells)
    console.print(table)


def _wrapped(heading: str, width: int) -> list[str]:
    """A heading in lines no wider than its numbers or its longest word."""
    longest = max(map(len, heading.split()), default=0)
    return textwrap.wrap(heading, max(width, longest)) or [""]
