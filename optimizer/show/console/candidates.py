"""The candidates of a search for people at a terminal."""

from __future__ import annotations

from rich.console import Console
from rich.markup import escape
from rich.table import Table

from optimizer.base.numbers import of_needed
from optimizer.results.documents import Document
from optimizer.results.reliability import critical_line, reliability_line, share_of_draws
from optimizer.show.console.common import carrier_line, oven_line, valley_part


def show_candidates(console: Console, document: Document) -> None:
    """The candidates one below the other: set points, what they give, what limits them."""
    _show_current(console, document["current"])
    if not document["feasible"]:
        console.print("[bold]No program meets the goal.[/bold] What stands in the way, at the closest one:")
        for line in document.get("blocking", []):
            console.print(f"  - {escape(line)}")
        if document["scouting_advice"] is not None:
            console.print(escape(document["scouting_advice"]), soft_wrap=True)
        _show_what_ifs(console, document["what_ifs"], document["what_ifs_note"])
    for row in document["candidates"]:
        pair = " and ".join(row["critical_pair"] or [])
        console.print(
            f"[bold]{row['rank']}  {_text(row['run_time_min'], '.2f')} min[/bold]  {row['family']}  {_cycle(row)}"
        )
        console.print(f"   {oven_line(row['oven'])}")
        console.print(f"   {carrier_line(row['carrier'])}")
        line = f"   Rs {of_needed(row)}"
        if pair:
            line += f" for {escape(pair)}{valley_part(row)}"
        console.print(line)
        for line in row["missed"] if row["rank"] > 1 else []:  # of the closest it is said above
            console.print(f"   misses: {escape(line)}")
        for line in told_lines(row):
            console.print(f"   {escape(line)}")
        if row["compared"]:
            console.print("   against the method in use:")
            for line in row["compared"]:
                console.print(f"     {escape(line)}")
        if row["next_seconds"]:
            console.print(f"   {escape(row['next_seconds'])}")
        for warning in row["warnings"]:
            if warning in row["order_changes"]:
                console.print(f"   [bold red]{escape(warning)}[/bold red]")
            else:
                console.print(f"   [yellow]Note:[/yellow] {escape(warning)}")
    minimise = document["goal"]["minimise"]
    _show_front(console, document["front"], document["front_note"], minimise)
    tried = [f"{each['family']} {_text(each['cost_min'], '.2f')}" for each in document["search"]["families"]]
    console.print(
        f"Tried, shortest {minimise} found of each kind in min, before rounding and simulated draws (-: not found in "
        f"this time): {'; '.join(tried)}"
    )


def told_lines(row: Document) -> list[str]:
    """How often a candidate meets the goal and why not more often, the most critical set point, what limits it, what
    is left intact, and the inlet's flow.
    """
    lines = [reliability_line(row["reliability"])]
    if row["set_point_tolerances"]:
        lines.append(critical_line(row["set_point_tolerances"]))
    if row["limited_by"]:
        lines.append(f"what limits it: {', '.join(row['limited_by'])}")
    intact = [
        f"{peak['compound']} {100 * peak['intact_fraction']:.2f} %"
        for peak in row["peaks"]
        if peak["intact_fraction"] is not None
    ]
    if intact:
        lines.append(f"intact: {', '.join(intact)}")
    if row["inlet_flows"] is not None:
        total = row["inlet_flows"]["total_mL_min"]
        lines.append(f"total flow at most {_text(total['largest'], '.1f')} mL/min")
    return lines


def _show_current(console: Console, current: Document | None) -> None:
    """The method in use: what it gives, and which limits it breaks."""
    if current is None:
        return
    pair = " and ".join(current["critical_pair"] or [])
    console.print(
        f"In use: {_text(current['run_time_min'], '.2f')} min  {_cycle(current)}, Rs of the critical pair "
        + (f"{escape(pair)}: {of_needed(current)}{valley_part(current)}" if pair else "–")
        + (
            f"; meets the goal in {share_of_draws(current['pass_probability'], current['pass_probability_interval'])}"
            if current["reliability"]
            else ""
        )
    )
    for line in current["breaks"]:
        console.print(f"   [yellow]In use:[/yellow] {escape(line)}")


def _cycle(row: Document) -> str:
    """Cycle time and samples per shift, where the cool-down is known."""
    if row["cycle_time_min"] is None:
        return "(cool-down not stated)"
    return (
        f"(cycle {row['cycle_time_min']:.2f} min, {_text(row['samples_per_shift'], '.0f')} samples a shift)"
    )


def _text(value: float | None, form: str) -> str:
    return "-" if value is None else format(value, form)


def _show_what_ifs(console: Console, what_ifs: list[Document], note: str | None) -> None:
    """Single changes that were tried, and what each gave."""
    if not what_ifs:
        return
    if note is not None:
        console.print(f"[bold]{escape(note)}[/bold]")
    table = Table(title="What would help: single changes, each tried by itself", title_justify="left")
    for heading in ("change", "gives", "with"):
        table.add_column(heading)
    for each in what_ifs:
        table.add_row(escape(each["change"]), escape(each["gives"]), each["family"])
    console.print(table)


def _show_front(console: Console, front: list[Document], note: str | None, minimise: str) -> None:
    """Time against smallest resolution, and how far it reaches."""
    if note:
        console.print(escape(note))
    if not front:
        return
    table = Table(title="Time against smallest resolution", title_justify="left")
    for heading in (f"{minimise}, min", "smallest Rs", "critical pair", "program"):
        table.add_column(heading)
    for point in front:
        table.add_row(
            _text(point["cost_min"], ".2f"),
            _text(point["min_resolution"], ".2f"),
            escape(" and ".join(point["critical_pair"] or ["-"])),
            f"{oven_line(point['oven'])}; {carrier_line(point['carrier'])}",
        )
    console.print(table)
