"""Runs to make next, or first, for people at a terminal."""

from __future__ import annotations

from rich.console import Console
from rich.markup import escape
from rich.table import Table

from optimizer.base.numbers import percent
from optimizer.results.documents import Document
from optimizer.show.console.common import carrier_line, oven_line, show_cautions, show_warnings

DIFFERS = 0.01  # between falls with and without a measured hold-up time, that is worth a column


def show_first(console: Console, document: Document) -> None:
    """Two runs to begin with: set points, then what goes into the scenario file."""
    console.print(f"[bold]{escape(document['title'])}[/bold]: no scouting runs yet; make these two first")
    for run in document["runs"]:
        console.print(
            f"\n[bold]{run['name']}[/bold]: {run['run_min']:.1f} min, hold-up time {run['hold_up_min']:.2f} min "
            f"(computed), {run['heating_C_per_hold_up']:.3g} °C per hold-up time"
        )
        for line in run["set_points"]:
            console.print(f"  {escape(line)}")
    _show_paste(console, document["to_paste"])
    for note in document["notes"]:
        console.print(escape(note))
    show_warnings(console, document["warnings"])
    show_cautions(console, document["cautions"])


def show_next(console: Console, document: Document) -> None:
    """The run suggested, what decides about the candidates, and all the runs that were looked at."""
    console.print(f"[bold]{escape(document['title'])}[/bold]")
    if document["verdict"] is not None:
        console.print(f"[bold]{escape(document['verdict'])}[/bold]")
    for candidate in document["candidates"]:
        console.print(
            f"Candidate {candidate['rank']}: {oven_line(candidate['oven'])}; {carrier_line(candidate['carrier'])}; "
            f"{candidate['run_time_min']:.2f} min, holds in {percent(candidate['holds'])} of draws"
        )
    if document["left_out_note"] is not None:
        console.print(escape(document["left_out_note"]))
    if document["critical_pairs"]:
        console.print(_pairs(document))
    if document["runs"]:
        console.print(_runs(document))
    for line in document["suggestion"]:
        console.print(f"[bold]{escape(line)}[/bold]" if line.startswith("Next: ") else escape(line))
    if document["to_paste"] is not None:
        for line in document["set_points"]:
            console.print(f"  {escape(line)}")
        _show_paste(console, document["to_paste"])
    console.print(f"[dim]{escape(document['method'])}[/dim]")
    show_warnings(console, document["warnings"])
    show_cautions(console, document["cautions"])


def _pairs(document: Document) -> Table:
    table = Table(title="Critical pairs; standard deviations of their resolution", title_justify="left")
    table.add_column("candidate", justify="right")
    table.add_column("pair")
    for heading in (
        "Rs",
        "needed",
        "from the fit",
        "from tolerances,\nwidths, model",
        "from the fit,\nsuggested run made",
    ):
        table.add_column(heading, justify="right")
    for pair in document["critical_pairs"]:
        then = pair["sd_fit_then"]
        table.add_row(
            str(pair["candidate"]),
            escape(" and ".join(pair["between"])),
            f"{pair['resolution']:.2f}",
            f"{pair['needed']:.2f}",
            f"{pair['sd_fit']:.3f}",
            f"{pair['sd_rest']:.3f}",
            "-" if then is None else f"{then:.3f}",
        )
    return table


def _runs(document: Document) -> Table:
    """Runs by what they teach; the hold-up time has a column only where it makes a difference."""
    runs = document["runs"]
    hold_up = any(run["fall_with_hold_up"] - run["fall"] > DIFFERS for run in runs)
    table = Table(
        title="Possible next runs; fall in the variance of the critical resolutions, %", title_justify="left"
    )
    table.add_column("")
    table.add_column("run", max_width=40)
    table.add_column("oven", max_width=44)
    table.add_column("run,\nmin", justify="right")
    table.add_column("from\nthe fit", justify="right")
    if hold_up:
        table.add_column("with hold-\nup time", justify="right")
    table.add_column("of\nall", justify="right")
    for run in runs:
        falls = [f"{100 * run['fall']:.0f}"]
        falls += [f"{100 * run['fall_with_hold_up']:.0f}"] if hold_up else []
        merged = run["merged_peaks"]
        name = run["name"] + (f" ({merged} peaks merge)" if merged else "")
        table.add_row(
            "►" if run["suggested"] else "",
            escape(name),
            oven_line(run["oven"]),
            f"{run['run_min']:.1f}",
            *falls,
            f"{100 * run['fall_of_all']:.0f}",
        )
    return table


def _show_paste(console: Console, text: str) -> None:
    console.print("\nFor scenario.toml:\n")
    console.print(escape(text), soft_wrap=True)
