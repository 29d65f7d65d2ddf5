"""Tables and lines for people at a terminal; documents in, text out."""

from __future__ import annotations

from typing import Any

from rich.console import Console
from rich.table import Table

from optimizer.documents import Document


def _text(value: Any, form: str = "") -> str:
    return "-" if value is None else format(value, form)


def oven_line(oven: Document) -> str:
    """An oven program on one line."""
    parts = [f"{oven['start_C']:g} °C"]
    if oven["hold_min"]:
        parts[0] += f" ({oven['hold_min']:g} min)"
    for ramp in oven["ramps"]:
        part = f"{ramp['rate_C_per_min']:g} °C/min to {ramp['to_C']:g} °C"
        if ramp["hold_min"]:
            part += f" ({ramp['hold_min']:g} min)"
        parts.append(part)
    return ", ".join(parts)


def carrier_line(carrier: Document) -> str:
    """A carrier program on one line."""
    units = {"flow_mL_min": "mL/min", "inlet_kPa": "kPa gauge", "velocity_cm_s": "cm/s"}
    units |= {"start_mL_min": "mL/min", "start_kPa": "kPa gauge"}
    value = next(f"{carrier[key]:g} {unit}" for key, unit in units.items() if key in carrier)
    line = f"{carrier['mode']}, {value}"
    for ramp in carrier.get("ramps", []):
        flow = "to_mL_min" in ramp
        rate = (
            f"{ramp['rate_mL_per_min2']:g} mL/min per min"
            if flow
            else f"{ramp['rate_kPa_per_min']:g} kPa/min"
        )
        target = f"{ramp['to_mL_min']:g} mL/min" if flow else f"{ramp['to_kPa']:g} kPa"
        line += f", {rate} to {target}"
    return line


def show_check(console: Console, document: Document) -> None:
    """What was understood."""
    column, carrier, goal = document["column"], document["carrier"], document["goal"]
    console.print(f"[bold]{_escaped(document['title'])}[/bold]")
    console.print(
        f"Column      {column['length_m']:g} m x {column['inner_diameter_mm']:g} mm x "
        f"{column['film_thickness_um']:g} µm, {_escaped(column['phase'])}, phase ratio {column['phase_ratio']:g}, "
        f"{column['min_temperature_C']:g} to {column['max_temperature_C']:g} °C"
    )
    console.print(f"Carrier     {carrier['gas']}, outlet {carrier['outlet']}")
    instrument = document["instrument"]
    low, high = instrument["flow_mL_min"]
    console.print(
        f"Instrument  inlet up to {instrument['max_inlet_kPa']:g} kPa gauge, {low:g} to {high:g} mL/min"
    )
    bands = [
        f"{band['rate_C_per_min']:g} °C/min up to {band['up_to_C']:g} °C"
        for band in instrument["heating_limits"]
    ]
    console.print(f"            heating at most {', '.join(bands)}")
    steps = instrument["steps"]
    console.print(
        f"            set in steps of {steps['temperature_C']:g} °C, {steps['rate_C_per_min']:g} °C/min, "
        f"{steps['time_min']:g} min, {steps['flow_mL_min']:g} mL/min, {steps['pressure_kPa']:g} kPa"
    )
    for run in document["scouting_runs"]:
        console.print(
            f"Run         {_escaped(run['name'])}: {run['peaks']} peaks; {oven_line(run['oven'])}; "
            f"{carrier_line(run['carrier'])}"
            + (f"; hold-up {run['hold_up_min']:g} min measured" if run["hold_up_min"] else "")
        )
    if document["current"]:
        now = document["current"]
        console.print(f"In use      {oven_line(now['oven'])}; {carrier_line(now['carrier'])}")
    console.print(
        f"Goal        shortest {goal['minimise']} with Rs >= {goal['min_resolution']:g} for "
        f"{document['pairs_counted']} pairs of {len(document['compounds'])} compounds"
        + (f", nothing before {goal['earliest_elution_min']:g} min" if goal["earliest_elution_min"] else "")
    )
    search = document["search"]
    console.print(
        f"Search      {', '.join(search['carrier_modes'])}; up to {search['max_ramps']} ramps; "
        f"{search['seconds']:g} s; seed {search['seed']}"
    )
    show_warnings(console, document["warnings"])


def show_fit(console: Console, document: Document) -> None:
    """Retention parameters and residuals."""
    runs = list(document["hold_up_min"])
    table = Table(title="Retention parameters", title_justify="left")
    table.add_column("compound", no_wrap=True)
    for heading in ("T0, °C", "±", "theta, K", "±", "enthalpy, kJ/mol"):
        table.add_column(heading, justify="right")
    for run in runs:
        table.add_column(f"residual, s\n{_escaped(run)}", justify="right")
    for row in document["compounds"]:
        table.add_row(
            _escaped(row["compound"]),
            _text(row["T0_C"], ".2f"),
            _text(row["T0_sd_K"], ".2f"),
            _text(row["theta_K"], ".2f"),
            _text(row["theta_sd_K"], ".2f"),
            _text(row["enthalpy_kJ_per_mol"], ".1f"),
            *(_text(row["residual_s"][run], "+.2f") for run in runs),
        )
    console.print(table)
    widths = "from measured widths" if document["widths_fitted"] else "assumed"
    console.print(
        f"Flow {100 * (document['flow_factor'] - 1):+.2f} % against the dimensions; plate height "
        f"{document['plate_height_factor']:.2f} times theory, injected width {document['injected_width_s']:.2f} s "
        f"({widths})."
    )
    show_warnings(console, document["warnings"])


def show_prediction(console: Console, document: Document) -> None:
    """A peak table."""
    console.print(f"{oven_line(document['oven'])}; {carrier_line(document['carrier'])}")
    table = Table()
    table.add_column("compound", no_wrap=True)
    for heading in (
        "retention, min",
        "±",
        "width at half height, min",
        "elution, °C",
        "k at elution",
        "Rs to next",
    ):
        table.add_column(heading, justify="right")
    pair = document["critical_pair"] or []
    for row in document["peaks"]:
        mark = " (critical)" if row["compound"] in pair else ""
        table.add_row(
            _escaped(row["compound"]) + mark,
            _text(row["retention_min"], ".3f"),
            _text(row["retention_sd_min"], ".3f"),
            _text(row["width_half_min"], ".4f"),
            _text(row["elution_C"], ".1f"),
            _text(row["retention_factor"], ".2f"),
            _text(row["resolution_to_next"], ".2f"),
        )
    console.print(table)
    console.print(
        f"Run time {_text(document['run_time_min'], '.2f')} min; Rs of the critical pair "
        f"{_text(document['min_resolution'], '.2f')}"
        + (f" ({' and '.join(map(_escaped, pair))})" if pair else "")
    )
    show_warnings(console, document.get("warnings", []))


def show_candidates(console: Console, document: Document, current: Document | None) -> None:
    """The candidates one below the other: set points, what they give, what limits them."""
    if current is not None:
        console.print(
            f"In use: {_text(current['run_time_min'], '.2f')} min, Rs of the critical pair "
            f"{_text(current['min_resolution'], '.2f')}"
        )
    if not document["feasible"]:
        console.print("[bold]No program meets the goal.[/bold] What stands in the way, at the closest one:")
        for line in document.get("blocking", []):
            console.print(f"  - {_escaped(line)}")
    for row in document["candidates"]:
        pair = " and ".join(row["critical_pair"] or [])
        console.print(
            f"[bold]{row['rank']}  {_text(row['run_time_min'], '.2f')} min[/bold]  {row['family']}  "
            + (
                f"(cycle {row['cycle_time_min']:.2f} min)"
                if row["cycle_time_min"]
                else "(cool-down not stated)"
            )
        )
        console.print(f"   {oven_line(row['oven'])}")
        console.print(f"   {carrier_line(row['carrier'])}")
        line = f"   Rs {_text(row['min_resolution'], '.2f')}"
        if pair:
            line += f" for {_escaped(pair)}"
        if row["pass_probability"] is not None:
            line += f"; every pair holds in {100 * row['pass_probability']:.0f} % of draws"
        console.print(line)
        if row["limited_by"]:
            console.print(f"   limited by {_escaped(', '.join(row['limited_by']))}")
        for warning in row["warnings"]:
            console.print(f"   [yellow]Note:[/yellow] {_escaped(warning)}")
    tried = [
        f"{each['family']} {_text(each['best_run_time_min'], '.2f')}"
        for each in document["search"]["families"]
    ]
    console.print(f"Tried, best run time before rounding in min (-: nothing feasible): {'; '.join(tried)}")


def show_warnings(console: Console, warnings: list[str]) -> None:
    """Warnings, one a line."""
    for warning in warnings:
        console.print(f"[yellow]Note:[/yellow] {_escaped(warning)}")


def _escaped(text: str) -> str:
    """Text as it is: square brackets in names are no markup."""
    return text.replace("[", r"\[")
