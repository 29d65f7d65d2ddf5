"""Adapted and trimmed methods for people at a terminal."""

from __future__ import annotations

from collections.abc import Callable

from rich.console import Console
from rich.markup import escape
from rich.table import Table

from optimizer.base.numbers import of_needed, percent
from optimizer.goal.outcome import SearchOutcome
from optimizer.results.documents import Document
from optimizer.scenario.data import Scenario
from optimizer.show.console.candidates import show_best
from optimizer.show.console.common import carrier_line, oven_line, show_cautions, show_warnings


def show_adapted(
    console: Console, document: Document, tuned: tuple[Scenario, SearchOutcome] | None = None
) -> None:
    """The method in use and the carried one side by side, then the tuned one."""
    in_use, carried = document["in_use"], document["carried"]
    console.print(f"[bold]{escape(document['title'])}[/bold]")
    _show_methods(console, {"in use": in_use, "carried": carried})
    hold_up = document["hold_up"]
    console.print(
        f"Hold-up time {hold_up['in_use_min']:.3f} min at {hold_up['in_use_at_C']:.0f} °C in use, "
        f"{hold_up['carried_min']:.3f} min at {hold_up['carried_at_C']:.0f} °C carried: all times of the program are "
        f"multiplied by {hold_up['ratio']:.4f}."
    )
    table = Table()
    table.add_column("compound", no_wrap=True)
    for heading in ("in use, min", "carried, min", "ratio", "leaves at, °C", "carried, °C"):
        table.add_column(heading, justify="right")
    for row in document["peaks"]:
        table.add_row(
            escape(row["compound"]),
            _text(row["in_use_min"], ".3f"),
            _text(row["carried_min"], ".3f"),
            _text(row["ratio"], ".4f"),
            _text(row["in_use_elution_C"], ".1f"),
            _text(row["carried_elution_C"], ".1f"),
        )
    console.print(table)
    _show_order(console, document)
    if carried["pass_probability"] is not None:
        console.print(
            f"Carried over, everything asked holds in {percent(carried['pass_probability'])} of draws."
        )
    _show_ends(console, document, tuned)


def show_trimmed(
    console: Console, document: Document, tuned: tuple[Scenario, SearchOutcome] | None = None
) -> None:
    """Times before and after the cut, and the setting that brings the marker back."""
    console.print(f"[bold]{escape(document['title'])}[/bold]: {document['cut_m']:g} m cut off")
    methods = {
        "before": document["in_use"],
        "after, as set": document["trimmed"],
        "restored": document["restored"],
    }
    _show_methods(console, methods)
    columns = {
        "before_min": "before, min",
        "after_min": "after, min\nnew length entered",
        "after_old_length_entered_min": "after, min\nold length entered",
        "restored_min": "restored, min",
    }
    known = [key for key in columns if key in document["peaks"][0]]
    table = Table()
    table.add_column("compound", no_wrap=True)
    for key in known:
        table.add_column(columns[key], justify="right")
    for row in document["peaks"]:
        mark = " (marker)" if row["compound"] == document["marker"] else ""
        table.add_row(escape(row["compound"]) + mark, *(_text(row[key], ".3f") for key in known))
    console.print(table)
    for line in restoring_lines(document):
        console.print(escape(line))
    _show_order(console, document)
    _show_ends(console, document, tuned)


def restoring_lines(document: Document) -> list[str]:
    """What to set so that the marker comes when it came, in sentences."""
    otherwise = document["to_set_if_old_length_stays_entered"]
    lines = [f"With the new length entered, set {_setting(document, document['to_set'])}"]
    if otherwise is None:
        return [*lines, "At controlled pressure the entered length makes no difference to a run."]
    return [*lines, f"With the old length left entered, set {_setting(document, otherwise)}"]


def _setting(document: Document, setting: Document) -> str:
    before, after = document["marker_before_min"], setting["marker_min"]
    line, between = carrier_line(setting["carrier"]), carrier_line(setting["between_steps"])
    kind = f"{setting['carrier']['mode']}, "  # said once
    text = (
        f"{line}: {document['marker']} then comes at {after:.3f} min ({100 * (after / before - 1):+.1f} %), against "
        f"{before:.3f} min before the cut"
    )
    return (
        f"{text}."
        if between == line
        else f"{text}; between the instrument's steps, {between.removeprefix(kind)} would restore it."
    )


def _show_methods(console: Console, methods: dict[str, Document]) -> None:
    table = Table()
    table.add_column("")
    for name in methods:
        table.add_column(name)
    for name, texts in method_rows(list(methods.values())):
        table.add_row(name, *(escape(text) for text in texts))
    console.print(table)


def method_rows(methods: list[Document]) -> list[tuple[str, list[str]]]:
    """Methods side by side: names of what is compared, each with a text a method."""
    rows: dict[str, Callable[[Document], str]] = {
        "column": lambda each: (
            f"{each['column']['length_m']:g} m x {each['column']['inner_diameter_mm']:g} mm x "
            f"{each['column']['film_thickness_um']:g} µm"
        ),
        "phase ratio": lambda each: f"{each['column']['phase_ratio']:g}",
        "carrier gas": lambda each: f"{each['gas']}, outlet {each['outlet']}",
        "oven": lambda each: oven_line(each["oven"]),
        "carrier": lambda each: carrier_line(each["carrier"]),
        "column flow, mL/min": lambda each: _range(each["flow_mL_min"][0], each["flow_mL_min"][1], ".2f"),
        "inlet pressure": lambda each: _pressure_range(each["inlet_pressure"]),
        "run time, min": lambda each: _text(each["run_time_min"], ".2f"),
        "resolution of the critical pair": lambda each: (
            of_needed(each) + (f" for {' and '.join(each['critical_pair'])}" if each["critical_pair"] else "")
        ),
    }
    return [(name, [text(each) for each in methods]) for name, text in rows.items()]


def _show_order(console: Console, document: Document) -> None:
    for first, second in document["order_changes"]:
        console.print(f"[bold]Order changes:[/bold] {escape(second)} now before {escape(first)}")


def _show_ends(console: Console, document: Document, tuned: tuple[Scenario, SearchOutcome] | None) -> None:
    for note in document["notes"]:
        console.print(escape(note))
    show_warnings(console, document["warnings"])
    show_cautions(console, document["cautions"])
    if tuned is not None:
        console.print(
            "\n[bold]Tuned[/bold]: the best program of a search on the new system, the pattern left aside. What is "
            "called the method in use here is the carried one."
        )
        show_best(console, *tuned)


def _pressure_range(pressure: Document) -> str:
    low, high = pressure["lowest"], pressure["highest"]
    return (
        f"{_range(low['gauge_kPa'], high['gauge_kPa'], '.1f')} kPa gauge "
        f"({_range(low['absolute_kPa'], high['absolute_kPa'], '.1f')} kPa absolute)"
    )


def _range(low: float, high: float, form: str) -> str:
    a, b = format(low, form), format(high, form)
    return a if a == b else f"{a} to {b}"


def _text(value: float | None, form: str) -> str:
    return "-" if value is None else format(value, form)
