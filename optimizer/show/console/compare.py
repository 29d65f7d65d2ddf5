"""A compared confirmation run for people at a terminal."""

from __future__ import annotations

from typing import Any

from rich.console import Console
from rich.markup import escape
from rich.table import Table

from optimizer.base.numbers import of_needed
from optimizer.goal.outcome import SearchOutcome
from optimizer.results.compare_advice import share_in_words
from optimizer.results.documents import Document
from optimizer.scenario.data import Scenario
from optimizer.show.console.candidates import show_best
from optimizer.show.console.common import carrier_line, oven_line, show_cautions, show_warnings

WRONG = "◆"  # beside a peak whose name or time is probably wrong


def show_compared(
    console: Console, document: Document, retuned: tuple[Scenario, SearchOutcome] | None = None
) -> None:
    """The verdict, then what it rests on."""
    console.print(f"[bold]{escape(document['title'])}[/bold]: run {escape(document['run'])}")
    console.print(f"{oven_line(document['oven'])}; {carrier_line(document['carrier'])}")
    console.print(f"\n[bold]{escape(document['says'])}[/bold]", soft_wrap=True)
    for line in document["remarks"]:
        console.print(escape(line), soft_wrap=True)
    console.print()
    console.print(_peaks(document))
    if any(row["wrongly_named"] for row in document["peaks"]):
        console.print(f"{WRONG} {marked_text(document)}; the widths and pairs below take it as mended.")
    if document["pairs"]:
        console.print(_pairs(document))
        console.print(escape(critical_line(document["smallest_resolution"])), soft_wrap=True)
    if document["refit"] is not None:
        console.print(escape(refit_line(document["refit"])), soft_wrap=True)
    for line in document["advice"]:
        console.print(f"[bold]{escape(line)}[/bold]", soft_wrap=True)
    show_warnings(console, document["warnings"])
    if retuned is not None:
        _show_retuned(console, document, *retuned)


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
        mark = f" {WRONG}" if row["wrongly_named"] else " (no peak)" if row["lost"] else ""
        table.add_row(escape(row["compound"]) + mark, *cells)
    return table


def _pairs(document: Document) -> Table:
    table = Table(title="Counted neighbours (±: standard deviation)", title_justify="left")
    table.add_column("pair", overflow="fold")
    for heading in ("needed", "predicted", "±", "found", "change in sd", "distance changed,\nbase widths"):
        table.add_column(heading, justify="right")
    for pair in document["pairs"]:
        mark = (
            ""
            if pair["met"] is not False
            else " (short, within noise)"
            if pair["within_noise"]
            else " (short)"
        )
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


def marked_text(document: Document) -> str:
    """What the mark beside a peak says."""
    kinds = {each["kind"] == "mistyped" for each in document["wrong_names"]}
    if kinds == {True}:
        return "its time is probably mistyped"
    return (
        "probably under a wrong name, or its time mistyped"
        if True in kinds
        else "probably under a wrong name"
    )


def critical_line(smallest: Document) -> str:
    """The pair nearest to what it needs, or furthest below, as predicted and as found, in a sentence."""
    pairs = {}
    for word in ("predicted", "found"):
        names = smallest[f"{word}_between"]
        pairs[word] = f"{' and '.join(names)} ({smallest[f'{word}_needed']:.2f} needed)" if names else "none"
    predicted, found = (f"{word} {_text(smallest[word], '.2f')}" for word in pairs)
    if smallest["predicted_sd"] is not None:
        predicted += f" ± {smallest['predicted_sd']:.2f}"
    if pairs["predicted"] == pairs["found"]:
        return f"Critical pair {pairs['found']}: {predicted}, {found}."
    return (
        f"Critical pair as predicted, {pairs['predicted']}: {predicted}; as found, {pairs['found']}: {found}."
    )


def refit_line(refit: Document) -> str:
    """What the refit makes of the program, in a sentence."""
    before, after, moved = refit["before"], refit["after"], refit["largest_change_of_T0"]
    shares = [share_in_words(each["pass_probability"], each["fails_most"]) for each in (before, after)]
    pairs = [
        f"{' and '.join(each['critical_pair'] or ['none'])} {of_needed(each)}" for each in (before, after)
    ]
    if before["critical_pair"] == after["critical_pair"]:
        pairs[1] = _text(after["min_resolution"], ".2f")
    line = (
        f"Refit with this run: flow factor {before['flow_factor']:.4f} before, {after['flow_factor']:.4f} with it; "
        f"critical pair expected {pairs[0]} before, {pairs[1]} with it; the goal met in {shares[0]} before, in "
        f"{shares[1]} with it. The characteristic temperature moved most is that of {moved['compound']}, by "
        f"{moved['K']:+.2f} K."
    )
    return line + (f" Left out: {', '.join(refit['left_out'])}." if refit["left_out"] else "")


def _show_retuned(console: Console, document: Document, scenario: Scenario, outcome: SearchOutcome) -> None:
    console.print("\n[bold]Re-tuned[/bold] with this run in the fit; the method in use is the compared one.")
    if document["retuned_for"]:
        console.print(f"[bold]{escape(document['retuned_for'])}[/bold]", soft_wrap=True)
    retuned = document["retuned"]
    if retuned["candidates"]:
        best = retuned["candidates"][0]
        table = Table()
        for heading in ("", "oven", "carrier"):
            table.add_column(heading)
        for word, program in (("old", document), ("new", best)):
            table.add_row(word, oven_line(program["oven"]), carrier_line(program["carrier"]))
        console.print(table)
    show_best(console, scenario, outcome)
    show_cautions(console, retuned["cautions"])


def _text(value: Any, form: str) -> str:
    return "-" if value is None else format(value, form)
