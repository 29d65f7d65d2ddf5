"""Lines and tables for people at a terminal: the inputs of a scenario, warnings and cautions, numbers in columns."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence
from typing import Any, NamedTuple

from rich.console import Console, ConsoleOptions, RenderResult
from rich.markup import escape
from rich.table import Table

from optimizer.base.given_values import inline_toml
from optimizer.results.documents import Document, check_document
from optimizer.results.set_points import program_lines
from optimizer.scenario.data import Scenario

ONCE = ("column", "carrier", "instrument", "inlet", "goal", "tolerances", "fit", "search")


def _text(value: Any, form: str = "") -> str:
    return "-" if value is None else format(value, form)


def show_check(console: Console, scenario: Scenario) -> None:
    """The inputs: in short, then key by key."""
    document, room = check_document(scenario), scenario.ambient_pressure
    column, carrier, goal = document["column"], document["carrier"], document["goal"]
    derived, instrument = document["derived"], document["instrument"]
    console.print(f"[bold]{_escaped(document['title'])}[/bold]")
    console.print(
        f"Column      {column['length_m']:g} m x {column['inner_diameter_mm']:g} mm x "
        f"{column['film_thickness_um']:g} µm, {_escaped(column['phase'])}, phase ratio {derived['phase_ratio']:g}"
    )
    coldest, hottest = derived["oven_C"]
    console.print(f"Carrier     {carrier['gas']}, outlet {carrier['outlet']}")
    console.print(f"Inlet       {_inlet_line(document['inlet'], derived['highest_start_C'])}")
    console.print(
        f"Instrument  inlet up to {instrument['max_inlet_pressure_kPa']:g} kPa gauge, "
        f"{instrument['min_flow_mL_min']:g} to {instrument['max_flow_mL_min']:g} mL/min; "
        f"oven {_text(coldest, 'g')} to {hottest:g} °C"
    )
    for run in scenario.runs:
        lines = "; ".join(program_lines(run.program, room))
        console.print(f"Run         {_escaped(run.name)}: {len(run.peaks.compounds)} peaks; {lines}")
    if scenario.current is not None:
        console.print(f"In use      {'; '.join(program_lines(scenario.current, room))}")
    console.print(
        f"Goal        shortest {goal['minimise']} with Rs >= {goal['min_resolution']:g} for "
        + (
            f"{document['pairs_counted']} pairs of {len(document['compounds'])} compounds"
            if document["compounds"]
            else "every pair of compounds (none known yet)"
        )
        + (f", nothing before {goal['earliest_elution_min']:g} min" if goal["earliest_elution_min"] else "")
        + (f", all targets by {goal['latest_elution_min']:g} min" if goal["latest_elution_min"] else "")
        + (f", k at least {goal['min_retention_factor']:g}" if goal["min_retention_factor"] else "")
    )
    if goal["bake_out"]:
        bake = goal["bake_out"]
        console.print(f"            then a bake-out at {bake['at_C']:g} °C for {bake['hold_min']:g} min")
    if goal["front_points"]:
        console.print(f"            and a front between time and resolution of {goal['front_points']} points")
    console.print(f"            {_confidence_line(goal['confidence'])}")
    for line in _detail_lines(document):
        console.print(f"            {_escaped(line)}")
    console.print(f"Tolerances  {_tolerances_line(document['tolerances'])}")
    console.print("[bold]Every key, with its default where the file states none[/bold]")
    console.print(_keys(document))
    show_warnings(console, document["warnings"])
    if document["next"] is not None:
        console.print(f"[bold]Next:[/bold] {_escaped(document['next'])}", soft_wrap=True)


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
    if isinstance(value, dict):
        return inline_toml({key: each for key, each in value.items() if each is not None})
    return "none" if value is None else inline_toml(value)


def _confidence_line(confidence: float | str) -> str:
    if isinstance(confidence, str):
        return "judged by the predicted chromatogram alone"
    return f"required probability: {100 * confidence:g} %"


def _tolerances_line(tolerances: Document) -> str:
    """How far a run may be off; of hold-up time and length only where they may be off at all."""
    line = (
        f"oven ± {tolerances['oven_C']:g} °C, flow ± {tolerances['flow_percent']:g} %, "
        f"pressure ± {tolerances['pressure_percent']:g} %"
    )
    if tolerances["hold_up_percent"]:
        line += f", hold-up time ± {tolerances['hold_up_percent']:g} %"
    return line + (f", up to {tolerances['trimmed_m']:g} m cut off" if tolerances["trimmed_m"] else "")


def _inlet_line(inlet: Document, highest_start: float | None) -> str:
    parts = [inlet["mode"]]
    for value, form in (
        (inlet["solvent_boiling_point_C"], "solvent boils at {:g} °C"),
        (highest_start, "start at {:g} °C or below"),
        (inlet["purge_on_min"], "purge on at {:g} min"),
        (inlet["split_ratio"], "split ratio {:g}:1"),
        (inlet["septum_purge_mL_min"], "septum purge {:g} mL/min"),
        (inlet["max_total_flow_mL_min"], "total flow up to {:g} mL/min"),
    ):
        if value is not None:
            parts.append(form.format(value))
    return ", ".join(parts)


def _detail_lines(document: Document) -> list[str]:
    """Analytes, pairs and groups of which something is stated, one a line."""
    lines = []
    for each in document["analytes"]:
        says = [] if each["role"] == "target" else [each["role"]]
        if each["max_elution_temperature_C"] is not None:
            says.append(f"elutes at {each['max_elution_temperature_C']:g} °C or below")
        if each["max_time_above"] is not None:
            above = each["max_time_above"]
            says.append(f"at most {above['min']:g} min above {above['temperature_C']:g} °C")
        if each["decomposition"] is not None:
            kinetics = each["decomposition"]
            says.append(
                f"half-life {kinetics['half_life_min']:g} min at {kinetics['at_C']:g} °C, "
                f"{kinetics['activation_energy_kJ_per_mol']:g} kJ/mol"
            )
        if each["min_intact_fraction"] is not None:
            says.append(f"at least {100 * each['min_intact_fraction']:g} % intact")
        if each["amount_ng"] is not None:
            says.append(f"{each['amount_ng']:g} ng")
        if each["tailing"] is not None:
            says.append(f"tailing factor {each['tailing']:g}")
        if each["near"] is not None:
            says.append(
                f"within {each['near']['within_min']:g} min of {', '.join(each['near']['compounds'])}"
            )
        if says:
            lines.append(f"{each['compound']}: {'; '.join(says)}")
    for pair in document["pairs"]:
        a, b = pair["between"]
        says = []
        if pair["separable_by"]:
            says.append("told apart by the detector")
        elif pair["ignore"]:
            says.append("need not be resolved")
        elif pair["min_resolution"] is not None:
            says.append(f"Rs >= {pair['min_resolution']:g}")
        if pair["in_order"]:
            says.append(f"{a} first")
        lines.append(f"{a} and {b}: {'; '.join(says)}")
    for group in document["groups"]:
        own = (
            f", Rs >= {group['min_resolution']:g} to other groups"
            if group["min_resolution"] is not None
            else ""
        )
        lines.append(f"group {group['name']}: {', '.join(group['members'])}{own}")
    return lines


def show_warnings(console: Console, warnings: Iterable[str]) -> None:
    """Warnings, one a line."""
    for warning in warnings:
        console.print(f"[yellow]Note:[/yellow] {_escaped(warning)}")


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
