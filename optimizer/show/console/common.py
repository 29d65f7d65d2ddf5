"""Tables and lines for people at a terminal; what several commands show."""

from __future__ import annotations

import textwrap
from collections.abc import Collection, Iterable, Sequence
from typing import Any, NamedTuple

from rich.console import Console, ConsoleOptions, RenderResult
from rich.markup import escape
from rich.table import Table

from optimizer.base.given_values import inline_toml
from optimizer.goal.cautions import not_to_be_run
from optimizer.results.documents import Document, check_document, next_step
from optimizer.results.scenario_words import goal_lines, inputs
from optimizer.results.set_points import program_lines
from optimizer.scenario.data import Scenario

ONCE = ("column", "carrier", "instrument", "inlet", "detector", "goal", "tolerances", "fit", "search")


def show_check(console: Console, scenario: Scenario) -> None:
    """The inputs: in words, then key by key."""
    ambient, document = scenario.ambient_pressure, check_document(scenario)
    console.print(f"[bold]{_escaped(scenario.title)}[/bold]")
    lines = inputs(scenario)
    for run in scenario.runs:
        program = "; ".join(program_lines(run.program, ambient))
        lines.append(("Run", f"{run.name}: {len(run.peaks.compounds)} peaks; {program}"))
    if scenario.current is not None:
        lines.append(("In use", "; ".join(program_lines(scenario.current, ambient))))
    lines += [("" if number else "Goal", line) for number, line in enumerate(goal_lines(scenario))]
    in_words = Table.grid(padding=(0, 2))
    for name, text in lines:
        in_words.add_row(name, _escaped(text))
    console.print(in_words)
    console.print("[bold]Every key, with its default where the file states none[/bold]")
    console.print(_keys(document))
    show_warnings(console, document["warnings"])
    console.print(f"[bold]Next:[/bold] {_escaped(next_step(scenario))}", soft_wrap=True)


def _keys(document: Document) -> Table:
    """The keys of a scenario as its file has them, table by table; programs and compounds are shown in short."""
    rows = [(f"[{name}]", document[name]) for name in ONCE]
    runs = [{**run, "peaks": run["peaks_file"]} for run in document["scouting_runs"]]
    shown = ("name", "peaks_file", "oven", "carrier")
    rows += [(run["name"], {key: run[key] for key in run if key not in shown}) for run in runs]
    table = Table.grid(padding=(0, 2))
    for heading, keys in rows:
        stated = ", ".join(f"{key} = {_stated(value)}" for key, value in keys.items())
        table.add_row(_escaped(heading), _escaped(stated))
    return table


def _stated(value: Any) -> str:
    """A value as a file has it; what it leaves out is none."""
    return "none" if value is None else inline_toml(_without_none(value))


def _without_none(value: Any) -> Any:
    """Tables without the keys that a file leaves out, also those in lists."""
    if isinstance(value, dict):
        return {key: _without_none(each) for key, each in value.items() if each is not None}
    return [_without_none(each) for each in value] if isinstance(value, list) else value


def show_not_to_be_run(console: Console, breaks_equipment: Sequence[str]) -> None:
    """The first line of a program that breaks limits of the equipment."""
    if breaks_equipment:
        console.print(f"[bold red]{_escaped(not_to_be_run(breaks_equipment))}[/bold red]", soft_wrap=True)


def show_warnings(console: Console, warnings: Iterable[str], known: Collection[str] = ()) -> None:
    """Warnings, one a line; how many are `known` from commands that come before, which show them."""
    every = list(warnings)
    for warning in every:
        if warning not in known:
            console.print(f"[yellow]Warning:[/yellow] {_escaped(warning)}")
    if earlier := sum(warning in known for warning in every):
        console.print(
            f"[dim]Warnings of the scenario and its fit ({earlier}): rampwright check, rampwright fit.[/dim]"
        )


def show_cautions(console: Console, cautions: Iterable[str]) -> None:
    """What must be borne in mind before a run, one a line."""
    for caution in cautions:
        console.print(f"[bold]Caution:[/bold] {_escaped(caution)}", soft_wrap=True)


def _escaped(text: str) -> str:
    """Text as it is: square brackets in names are no markup."""
    return text.replace("[", r"\[")


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
