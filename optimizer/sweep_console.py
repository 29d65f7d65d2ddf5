"""Sweeps and window diagrams at a terminal: a readable excerpt, the best run, and what to know."""

from __future__ import annotations

import numpy as np
from rich.console import Console
from rich.markup import escape
from rich.table import Table

from optimizer.console import carrier_line, oven_line, show_warnings
from optimizer.documents import Document
from optimizer.sweep_words import broken_in_words

ROWS = 21  # of an excerpt, beside the runs that matter
GRID_ROWS, GRID_COLUMNS = 13, 7
SHOWN_WINDOWS = 6
WINDOW_HEADINGS = (
    "best\n°C",
    "smallest\nalpha",
    "plates\nneeded",
    "plates\nthere are",
    "run time\nmin",
    "Rs of the\ncritical pair",
)


def show_sweep(console: Console, document: Document) -> None:
    """The excerpt of a sweep."""
    console.print(f"[bold]{escape(document['title'])}[/bold]")
    program = document["program"]
    console.print(
        f"Program of {escape(program['from'])}: {oven_line(program['oven'])}; {carrier_line(program['carrier'])}"
    )
    for each in document["vary"]:
        console.print(
            f"Varied: {each['name']} ({each['label']}), {each['from']:g} to {each['to']:g} {each['unit']}, "
            f"{each['count']} values{_steps_in_words(each)}; as it is {each['as_it_is']:g}"
        )
    if len(document["vary"]) == 1:
        _show_one(console, document)
    else:
        _show_two(console, document)
    broken = broken_in_words([(each["limit"], each["runs"]) for each in document["broken_limits"]])
    if broken:
        console.print(broken)
    console.print(_conclusion(document))
    show_warnings(console, document["warnings"])


def _steps_in_words(vary: Document) -> str:
    step, settable = vary["instrument_step"], vary["on_steps"]
    if step is None:
        return ""
    steps = f"the instrument's steps of {step:g} {vary['unit'].removesuffix(' gauge')}"
    if settable == vary["count"]:
        return f" on {steps}"
    return f", {settable} of them on {steps}: the best is one of these" if settable else f", none on {steps}"


def _show_one(console: Console, document: Document) -> None:
    runs, vary = document["runs"], document["vary"][0]
    table = Table()
    for heading in (f"{vary['name']}\n{vary['unit']}", "Rs of the\ncritical pair", "needs", "run time\nmin"):
        table.add_column(heading, justify="right")
    for heading in ("critical pair", "goal"):
        table.add_column(heading)
    for at in _rows_worth_showing(runs, document["best"]):
        entry = runs[at]
        value = f"{entry['set'][vary['name']]:g}"
        if "not_run" in entry:
            table.add_row(value, "-", "-", "-", "-", "not run")
            continue
        table.add_row(
            value,
            _number(entry["resolution"], ".2f"),
            _number(entry["needed"], ".2f"),
            _number(entry["run_time_min"], ".2f"),
            escape(" and ".join(entry["critical_pair"] or ["-"])),
            _verdict(entry, document),
        )
    console.print(table)


def _verdict(entry: Document, document: Document) -> str:
    if not entry["feasible"]:
        return f"breaks {entry['breaks']}"
    return f"met, shortest {document['minimise']}" if entry == document["best"] else "met"


def _rows_worth_showing(runs: list[Document], best: Document | None) -> list[int]:
    """An even choice, the best run, and both sides of every change between feasible and not."""
    rows = {round(at) for at in np.linspace(0, len(runs) - 1, min(ROWS, len(runs)))}
    if best is not None:
        rows.add(runs.index(best))
    kept = [entry.get("feasible", False) for entry in runs]
    for at in range(1, len(runs)):
        if kept[at] != kept[at - 1]:
            rows |= {at - 1, at}
    return sorted(rows)


def _show_two(console: Console, document: Document) -> None:
    first, second = document["vary"]
    runs = document["runs"]
    rows = [round(at) for at in np.linspace(0, first["count"] - 1, min(GRID_ROWS, first["count"]))]
    columns = [round(at) for at in np.linspace(0, second["count"] - 1, min(GRID_COLUMNS, second["count"]))]
    table = Table(
        title=f"Rs of the critical pair / run time, min; down: {first['name']}, across: {second['name']}\n"
        "* goal met, ! a limit other than resolution is broken (named below), - not run",
        title_justify="left",
    )
    table.add_column(first["unit"], justify="right")
    for column in columns:
        table.add_column(f"{runs[column]['set'][second['name']]:g}\n{second['unit']}", justify="right")
    for row in rows:
        entries = [runs[row * second["count"] + column] for column in columns]
        table.add_row(f"{entries[0]['set'][first['name']]:g}", *(_cell(entry) for entry in entries))
    console.print(table)


def _cell(entry: Document) -> str:
    if "not_run" in entry:
        return "-"
    mark = "*" if entry["feasible"] else " " if entry["limits_kept"] else "!"
    text = f"{_number(entry['resolution'], '.2f')} / {_number(entry['run_time_min'], '.2f')} {mark}"
    return f"[bold]{text}[/bold]" if entry["feasible"] else text


def _conclusion(document: Document) -> str:
    best = document["best"]
    if best is None:
        return "No run meets the goal."
    values = ", ".join(
        f"{each['name']} {best['set'][each['name']]:g} {each['unit']}" for each in document["vary"]
    )
    pair = " and ".join(best["critical_pair"] or [])
    text = f"The goal is met by {document['feasible_runs']} of {len(document['runs'])} runs"
    ranges = document["feasible_ranges"]
    if ranges:
        stretches = [f"{low:g} to {high:g}" if low != high else f"{low:g}" for low, high in ranges]
        text += f" ({', '.join(stretches)} {document['vary'][0]['unit']})"
    return (
        f"{text}; the shortest {document['minimise']} is [bold]{_number(best['minimised_min'], '.2f')} min[/bold], at "
        f"{values}" + (f", Rs {_number(best['resolution'], '.2f')} for {escape(pair)}." if pair else ".")
    )


def show_window_diagram(console: Console, document: Document) -> None:
    """The windows, and the temperature that asks least of the column."""
    console.print(f"[bold]{escape(document['title'])}[/bold]")
    console.print(f"Isothermal, {carrier_line(document['program']['carrier'])}")
    table = Table(title="Windows, the highest first", title_justify="left")
    for heading in ("window\n°C", *WINDOW_HEADINGS):
        table.add_column(heading, justify="right")
    for heading in ("pair with the smallest alpha", "goal"):
        table.add_column(heading)
    for window in document["windows"][:SHOWN_WINDOWS]:
        table.add_row(f"{window['from_C']:.0f} to {window['to_C']:.0f}", *_window_cells(window))
    console.print(table)
    hidden = len(document["windows"]) - SHOWN_WINDOWS
    if hidden > 0:
        console.print(f"{hidden} lower windows are left out here.")
    least, best = document["fewest_plates"], document["best"]
    console.print(
        f"The fewest plates are needed at [bold]{least['temperature_C']:.1f} °C[/bold]: "
        f"{_count(least['plates_needed'])} for {escape(' and '.join(least['plates_pair']))}; there are "
        f"{_count(least['plates'])}, and the run takes {_number(least['run_time_min'], '.2f')} min."
    )
    if best is None:
        console.print("No isothermal run at this carrier setting meets the goal.")
    else:
        console.print(
            f"The shortest {document['minimise']} that meets the goal is [bold]{_number(best['minimised_min'], '.2f')} "
            f"min[/bold], at {best['temperature_C']:.1f} °C (the instrument takes steps of "
            f"{document['instrument_step_C']:g} °C)."
        )
    show_warnings(console, document["warnings"])


def _window_cells(entry: Document) -> tuple[str, ...]:
    return (
        f"{entry['temperature_C']:.1f}",
        f"{entry['smallest_alpha']:.4f}",
        _count(entry["plates_needed"]),
        _count(entry["plates"]),
        _number(entry["run_time_min"], ".2f"),
        _number(entry["resolution"], ".2f"),
        escape(" and ".join(entry["alpha_pair"])),
        "met" if entry["feasible"] else f"breaks {entry['breaks']}",
    )


def _count(value: float | None) -> str:
    return "-" if value is None else f"{value:,.0f}".replace(",", " ")


def _number(value: float | None, form: str) -> str:
    return "-" if value is None else format(value, form)
