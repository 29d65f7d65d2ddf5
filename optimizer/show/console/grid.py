"""A table of names and numbers as text, which console and page show alike."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence
from typing import NamedTuple

from rich.console import Console, ConsoleOptions, RenderResult
from rich.markup import escape
from rich.table import Table


class Row(NamedTuple):
    """A name, its numbers as text, and whether it is to be marked."""

    name: str
    cells: tuple[str, ...]
    marked: bool = False


class Grid(NamedTuple):
    """Headings, that of the name first, and rows; the columns counted in `texts` hold text instead of numbers."""

    headings: tuple[str, ...]
    rows: tuple[Row, ...]
    texts: tuple[int, ...] = (0,)

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        """A table in which headings and texts wrap where the screen is narrow, and numbers never."""
        columns = list(zip(*((row.name, *row.cells) for row in self.rows), strict=True))
        widths = [max(map(len, column)) for column in columns] or [0] * len(self.headings)
        wrapped = [_wrapped(heading, width) for heading, width in zip(self.headings, widths, strict=True)]
        needed = sum(max(*map(len, lines), width) for lines, width in zip(wrapped, widths, strict=True))
        roomy = needed + 3 * len(self.headings) + 1 <= options.max_width
        table = Table(padding=(0, 1 if roomy else 0))
        for at, lines in enumerate(wrapped):
            if at in self.texts:
                table.add_column(escape(self.headings[at]), overflow="fold")
            else:
                table.add_column(escape("\n".join(lines)), justify="right", no_wrap=True)
        for row in self.rows:
            table.add_row(*map(escape, (row.name, *row.cells)))
        yield table


def grid_of(headings: Sequence[str], rows: Iterable[Sequence[str]], texts: tuple[int, ...] = (0,)) -> Grid:
    """A grid without marked rows, from rows that begin with the name."""
    return Grid(tuple(headings), tuple(Row(row[0], tuple(row[1:])) for row in rows), texts)


def _wrapped(heading: str, width: int) -> list[str]:
    """A heading in lines no wider than its numbers or its longest word."""
    longest = max(map(len, heading.split()), default=0)
    return textwrap.wrap(heading, max(width, longest)) or [""]
