"""The candidates of a search for people at a terminal."""

from __future__ import annotations

import math
from dataclasses import replace

from rich.console import Console
from rich.markup import escape
from rich.table import Table

from optimizer.base.numbers import MINUTES, RESOLUTION, SAMPLES
from optimizer.goal.cautions import without_breaks
from optimizer.goal.outcome import Candidate, InUse, SearchOutcome
from optimizer.methods.adapt import Adapted
from optimizer.methods.trim import Trimmed
from optimizer.results.adapt import lead_text, method_rows, order_lines, outcome_lines, peak_table
from optimizer.results.candidate import first_line, none_enough, scouting_advice
from optimizer.results.detector import detector_settings
from optimizer.results.reliability import (
    at_risk_text,
    critical_line,
    critical_pair_text,
    probability_text,
    reliability_text,
)
from optimizer.results.set_points import inlet_line, program_lines
from optimizer.scenario.data import Scenario
from optimizer.show.console.common import grid_of, show_cautions, show_not_to_be_run, show_warnings


def show_candidates(console: Console, scenario: Scenario, outcome: SearchOutcome) -> None:
    """The candidates one below the other: set points, what they give, what limits them."""
    if outcome.current is not None:
        _show_current(console, outcome.current)
    if not outcome.feasible:
        console.print(f"[bold]{escape(first_line(outcome))}[/bold]", soft_wrap=True)
        console.print("What the closest program misses:")
        for line in outcome.blocking:
            console.print(f"  - {escape(line)}")
        advice = scouting_advice(scenario, outcome)
        if advice is not None:
            console.print(escape(advice), soft_wrap=True)
        _show_what_ifs(console, outcome)
    for candidate in outcome.candidates:
        _show_candidate(console, scenario, candidate)
    if outcome.candidates_note:
        console.print(outcome.candidates_note)
    _show_front(console, scenario, outcome)
    tried = "; ".join(f"{kind} {MINUTES.text(cost)}" for kind, cost in outcome.families)
    console.print(
        f"Tried, shortest {scenario.goal.minimise} of each kind in min that meets the goal before rounding and "
        f"simulated draws (–: none found): {tried}"
    )
    if outcome.ramp_more is not None:
        console.print(outcome.ramp_more.text)
    if outcome.unknowns is not None:
        console.print(escape(outcome.unknowns.text))
    if outcome.another_run is not None:
        console.print(escape(outcome.another_run.text), soft_wrap=True)


def show_best(console: Console, scenario: Scenario, outcome: SearchOutcome) -> None:
    """The best alone, below a method that was shown already."""
    show_candidates(console, scenario, replace(outcome, candidates=outcome.candidates[:1], current=None))


def _show_candidate(console: Console, scenario: Scenario, candidate: Candidate) -> None:
    prediction = candidate.prediction
    time = MINUTES.text(prediction.run_time)
    mark = "" if candidate.feasible else "  [bold]does not meet the goal[/bold]"
    console.print(f"[bold]{candidate.rank}  {time} min[/bold]  {candidate.family}  {_cycle(candidate)}{mark}")
    for line in program_lines(prediction.program, scenario.ambient_pressure):
        console.print(f"   {line}")
    at_risk = at_risk_text(candidate.reliability)
    if at_risk:
        console.print(f"   pair at risk {escape(at_risk)}")
    pair = prediction.critical_pair
    about = f"critical pair {escape(' and '.join(pair))}: " if pair else ""
    console.print(f"   {about}Rs {critical_pair_text(prediction)}")
    for line in candidate.missed if candidate.rank > 1 else ():  # of the closest it is said above
        console.print(f"   misses: {escape(line)}")
    for line in candidate_lines(scenario, candidate):
        console.print(f"   {escape(line)}")
    if candidate.compared:
        console.print("   against the method in use:")
        for line in candidate.compared:
            console.print(f"     {escape(line)}")
    if candidate.next_seconds:
        console.print(f"   {escape(candidate.next_seconds)}")
    for line in candidate.order_changes:
        console.print(f"   [bold red]{escape(line)}[/bold red]")
    for line in candidate.other_warnings:
        console.print(f"   [yellow]Warning:[/yellow] {escape(line)}")


def candidate_lines(scenario: Scenario, candidate: Candidate) -> list[str]:
    """The pass probability and what it is lowered by, the most critical set point, what limits the program, what is
    left intact, and the inlet's flow.
    """
    prediction = candidate.prediction
    lines = [reliability_text(candidate.reliability)]
    if candidate.set_points:
        lines.append(critical_line(candidate))
    if candidate.limited_by:
        lines.append(f"limited by: {', '.join(candidate.limited_by)}")
    intact = [
        f"{prediction.compounds[m]} {100 * prediction.intact_fraction[m]:.2f} %"
        for m in prediction.order
        if math.isfinite(prediction.intact_fraction[m])
    ]
    if intact:
        lines.append(f"intact: {', '.join(intact)}")
    flows = inlet_line(scenario, prediction)
    if flows is not None:
        lines.append(f"total flow at most {flows.total.largest:.1f} mL/min")
        if flows.chosen is not None:
            lines.append(f"split ratio {flows.chosen.ratio:.4g}:1, chosen: {flows.chosen.text}")
    lines += [f"{name.lower()}: {text}" for name, text in detector_settings(scenario, prediction).lines()]
    return lines


def _show_current(console: Console, current: InUse) -> None:
    """The method in use: what it gives, and which limits it breaks."""
    prediction, known = current.prediction, current.reliability
    pair = escape(" and ".join(prediction.critical_pair or ()))
    for line in current.breaks_equipment:
        console.print(f"[bold red]In use, breaks a limit of the equipment: {escape(line)}.[/bold red]")
    console.print(
        f"In use: {MINUTES.text(prediction.run_time)} min  {_cycle(current)}, Rs of the critical pair "
        + (f"{pair}: " if pair else "")
        + critical_pair_text(prediction)
        + ("" if known is None else f"; {probability_text(known)}")
    )
    for line in without_breaks(current.breaks, current.breaks_equipment):
        console.print(f"   [yellow]In use:[/yellow] {escape(line)}")


def _cycle(shown: Candidate | InUse) -> str:
    """Cycle time and samples per shift, where the cool-down is known."""
    if math.isnan(shown.cycle_time):
        return "(cool-down not stated)"
    return f"(cycle {MINUTES.text(shown.cycle_time)} min, {SAMPLES.text(shown.samples_per_shift)} samples a shift)"


def _show_what_ifs(console: Console, outcome: SearchOutcome) -> None:
    """Single changes that were tried, and what each gave."""
    if not outcome.what_ifs:
        return
    note = none_enough(outcome)
    if note is not None:
        console.print(f"[bold]{escape(note)}[/bold]")
    table = Table(title="What would help: single changes, each tried by itself", title_justify="left")
    for heading in ("change", "gives", "with"):
        table.add_column(heading, overflow="fold")
    for each in outcome.what_ifs:
        table.add_row(escape(each.change), escape(each.gives), each.family)
    console.print(table)


def _show_front(console: Console, scenario: Scenario, outcome: SearchOutcome) -> None:
    """Time against smallest resolution, and how far it reaches."""
    if outcome.front_note:
        console.print(escape(outcome.front_note))
    if not outcome.front:
        return
    table = Table(title="Time against smallest resolution", title_justify="left")
    table.add_column(f"{scenario.goal.minimise}, min", justify="right", min_width=7)
    table.add_column("smallest Rs", justify="right", min_width=8)
    table.add_column("critical pair", overflow="fold")
    table.add_column("program")
    for point in outcome.front:
        prediction = point.prediction
        table.add_row(
            MINUTES.text(point.cost),
            RESOLUTION.text(prediction.min_resolution),
            escape(" and ".join(prediction.critical_pair or ("–",))),
            "; ".join(program_lines(prediction.program, scenario.ambient_pressure)),
        )
    console.print(table)


def show_adapted(console: Console, made: Adapted | Trimmed) -> None:
    """Methods side by side, their peaks, and what to know."""
    console.print(f"[bold]{escape(made.new.scenario.title)}[/bold]")
    show_not_to_be_run(console, made.breaks_equipment)
    console.print(escape(lead_text(made)))
    methods = Table()
    for name in ("", *made.methods):
        methods.add_column(name)
    for name, texts in method_rows(made):
        methods.add_row(name, *map(escape, texts))
    console.print(methods)
    headings, rows = peak_table(made, widths=False)
    console.print(grid_of(headings, rows))
    for line in outcome_lines(made):
        console.print(escape(line))
    for line in order_lines(made):
        console.print(f"[bold]{escape(line)}[/bold]")
    for note in made.notes:
        console.print(escape(note))
    show_warnings(console, without_breaks(made.warnings, made.breaks_equipment))
    show_cautions(console, list(made.cautions))


def show_tuned(console: Console, scenario: Scenario, outcome: SearchOutcome) -> None:
    """The best program of a search on the new system."""
    console.print(
        "\n[bold]Tuned[/bold]: the best program of a search on the new system, the pattern left aside. What is called "
        "the method in use here is the carried one."
    )
    show_best(console, scenario, outcome)
