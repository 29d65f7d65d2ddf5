"""A compared confirmation run for people at a terminal."""

from __future__ import annotations

from typing import Any

from rich.console import Console
from rich.markup import escape
from rich.table import Table

from optimizer.candidates_console import show_candidates
from optimizer.console import carrier_line, oven_line, show_cautions, show_warnings
from optimizer.documents import Document

WRONG = "◆"  # beside a peak that is probably under a wrong name


def show_compared(console: Console, document: Document) -> None:
    """The verdict, then what it rests on."""
    console.print(f"[bold]{escape(document['title'])}[/bold]: run {escape(document['run'])}")
    console.print(f"{oven_line(document['oven'])}; {carrier_line(document['carrier'])}")
    console.print(f"\n[bold]{escape(document['says'])}[/bold]", soft_wrap=True)
    for line in document["remarks"]:
        console.print(escape(line), soft_wrap=True)
    console.print()
    console.print(_peaks(document))
    if any(row["wrongly_named"] for row in document["peaks"]):
        console.print(f"{WRONG} probably under a wrong name; the widths and pairs below take it as mended.")
    if document["pairs"]:
        console.print(_pairs(document))
        console.print(escape(smallest_line(document["smallest_resolution"])))
    if document["refit"] is not None:
        console.print(escape(refit_line(document["refit"])), soft_wrap=True)
    for line in document["advice"]:
        console.print(f"[bold]{escape(line)}[/bold]", soft_wrap=True)
    show_warnings(console, document["warnings"])
    if document["retuned"] is not None:
        _show_retuned(console, document)


def _peaks(document: Document) -> Table:
    shared = any(row["left_by_shared_cause_s"] is not None for row in document["peaks"])
    table = Table()
    table.add_column("compound", no_wrap=True)
    headings = ["predicted, min", "±", "found, min", "deviation, s", "in sd"]
    headings += ["left by the\nshared cause, s"] if shared else []
    for heading in (*headings, "width found\n/ predicted"):
        table.add_column(heading, justify="right")
    for row in document["peaks"]:
        cells = [
            _text(row["predicted_min"], ".3f"),
            _text(row["predicted_sd_min"], ".3f"),
            _text(row["found_min"], ".3f"),
            _text(row["deviation_s"], "+.2f"),
            _text(row["deviation_sd"], "+.1f"),
            *([_text(row["left_by_shared_cause_s"], "+.2f")] if shared else []),
            _text(row["width_ratio"], ".2f"),
        ]
        table.add_row(escape(row["compound"]) + (f" {WRONG}" if row["wrongly_named"] else ""), *cells)
    return table


def _pairs(document: Document) -> Table:
    table = Table(title="Counted neighbours", title_justify="left")
    table.add_column("pair", overflow="fold")
    for heading in ("needed", "predicted", "±", "found", "change in sd", "distance changed,\nbase widths"):
        table.add_column(heading, justify="right")
    for pair in document["pairs"]:
        mark = " (short)" if pair["met"] is False else ""
        table.add_row(
            escape(" and ".join(pair["between"])) + mark,
            _text(pair["needed"], ".2f"),
            _text(pair["predicted"], ".2f"),
            _text(pair["predicted_sd"], ".2f"),
            _text(pair["found"], ".2f"),
            _text(pair["found_less_predicted_sd"], "+.1f"),
            _text(pair["distance_change_base_widths"], "+.2f"),
        )
    return table


def smallest_line(smallest: Document) -> str:
    """Smallest resolution predicted and found, in a sentence."""

    def named(pair: list[str] | None) -> str:
        return f" ({' and '.join(pair)})" if pair else ""

    spread = "" if smallest["predicted_sd"] is None else f" ± {smallest['predicted_sd']:.2f}"
    return (
        f"Smallest resolution: predicted {_text(smallest['predicted'], '.2f')}{spread}"
        f"{named(smallest['predicted_between'])}, found {_text(smallest['found'], '.2f')}"
        f"{named(smallest['found_between'])}."
    )


def refit_line(refit: Document) -> str:
    """What the refit makes of the program, in a sentence."""
    before, after, moved = refit["before"], refit["after"], refit["largest_change_of_T0"]
    shares = [f"{100 * each['pass_probability']:.0f}" for each in (before, after)]
    resolutions = [_text(each["min_resolution"], ".2f") for each in (before, after)]
    line = (
        f"Refit with this run: flow factor {before['flow_factor']:.4f} before, {after['flow_factor']:.4f} with it; "
        f"smallest resolution expected {resolutions[0]} before, {resolutions[1]} with it; the goal met in {shares[0]} "
        f"% of draws before, {shares[1]} % with it. The characteristic temperature moved most is that of "
        f"{moved['compound']}, by {moved['K']:+.2f} K."
    )
    return line + (f" Left out: {', '.join(refit['left_out'])}." if refit["left_out"] else "")


def _show_retuned(console: Console, document: Document) -> None:
    console.print("\n[bold]Re-tuned[/bold] with this run in the fit; the method in use is the compared one.")
    retuned = document["retuned"]
    if retuned["candidates"]:
        best = retuned["candidates"][0]
        table = Table()
        for heading in ("", "oven", "carrier"):
            table.add_column(heading)
        for word, program in (("old", document), ("new", best)):
            table.add_row(word, oven_line(program["oven"]), carrier_line(program["carrier"]))
        console.print(table)
    show_candidates(console, {**retuned, "candidates": retuned["candidates"][:1], "current": None})
    show_cautions(console, retuned["cautions"])


def _text(value: Any, form: str) -> str:
    return "-" if value is None else format(value, form)
