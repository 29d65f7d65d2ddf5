"""A campaign for people at a terminal: the run that was made, and the one to make next."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from rich.console import Console
from rich.markup import escape
from rich.table import Table

from models.column.programs import Program
from models.units import SECONDS_PER_MINUTE
from optimizer.base.numbers import percent
from optimizer.campaign.history import Campaign
from optimizer.campaign.next_run import Standing
from optimizer.campaign.words import METHOD, says
from optimizer.campaign.worth import Worth
from optimizer.goal.outcome import SearchOutcome
from optimizer.methods.scout_programs import LENGTH, FirstRun
from optimizer.results.compare import CompareResult
from optimizer.results.documents import command_of
from optimizer.results.scout import HOLD_UP_ADVICE, cautions_shown
from optimizer.results.set_points import program_lines, set_point_lines
from optimizer.scenario.data import Scenario
from optimizer.show.console.candidates import show_best
from optimizer.show.console.common import grid_of, show_cautions, show_warnings
from optimizer.show.console.compare import show_compared

WORTH_HEADINGS = (
    "run",
    "run, min",
    "worth, % (standard error)",
    "then, min",
    "chance that any program then meets the goal",
)


def show_names(console: Console, origin: str, rows: Sequence[dict[str, Any]]) -> None:
    """Proposed names as a table; `origin` says by what."""
    table = Table(title=f"Proposed names, from {escape(origin)}", title_justify="left")
    for heading in ("run", "retention, min", "compound", "confidence, %", "or else"):
        table.add_column(heading, justify="right" if "," in heading else "left")
    for row in rows:
        table.add_row(
            escape(row["run"]),
            f"{row['retention_min']:.3f}",
            escape(row["compound"] or "no listed compound"),
            f"{100 * row['confidence']:.0f}" + (" ?" if row["doubtful"] else ""),
            escape(row["or_else"] or "") if row["doubtful"] else "",
        )
    console.print(table)


def show_addition(console: Console, document: dict[str, Any], compared: CompareResult | None) -> None:
    """What there is to approve: names, their doubts, and how the run compares with its prediction."""
    if document["names"]:
        show_names(console, "the runs in the scenario", document["names"])
    if compared is not None:
        show_compared(console, compared)
    console.print(f"Program of the run: from {escape(document['program_from'])}.", soft_wrap=True)
    for line in document["doubts"]:
        console.print(f"[bold]Look at this:[/bold] {escape(line)}", soft_wrap=True)


def show_added(
    console: Console, document: dict[str, Any], scenario: Scenario, outcome: SearchOutcome | None
) -> None:
    """What was written, and what it made of the best program."""
    console.print(
        f"Run {document['run']} is in {scenario.path} now, with its peaks in {document['peaks']}; the former version "
        f"is {document['former']}. Back again: {command_of(scenario, 'add')} --undo",
        markup=False,
        soft_wrap=True,
    )
    if outcome is not None:
        show_best(console, scenario, outcome)
    console.print(f"[bold]Next:[/bold] {escape(command_of(scenario, 'next'))}", soft_wrap=True)


def show_first_run(console: Console, scenario: Scenario, run: FirstRun | None) -> None:
    """One of the two runs that a campaign begins with."""
    if run is None:
        console.print(
            "Make a second scouting run at another heating rate, a quarter of the first or four times it."
        )
        return
    console.print(
        f"[bold]{escape(scenario.title)}[/bold]: run {len(scenario.runs) + 1} of the two to begin with"
    )
    _show_program(console, scenario, run.name, run.program)
    console.print(escape(HOLD_UP_ADVICE), soft_wrap=True)


def show_standing(console: Console, found: Standing, campaign: Campaign) -> None:
    """Where the campaign stands, the run to make next, and what others are worth."""
    scenario, best, run = found.problem.scenario, found.best, found.proposed
    console.print(f"[bold]{escape(scenario.title)}[/bold]")
    for stage in campaign.until(len(scenario.runs) - 1).stages:
        if stage.run_time_min is not None and stage.pass_probability is not None:
            console.print(
                f"After {stage.injections}: {stage.run_time_min:.2f} min at {percent(stage.pass_probability)}"
                + ("" if stage.meets_goal else ", does not meet the goal")
            )
    if best is not None:
        lines = program_lines(best.prediction.program, scenario.ambient_pressure)
        console.print(f"Best program: {escape('; '.join(lines))}", soft_wrap=True)
    for line in says(found):
        console.print(f"[bold]{escape(line)}[/bold]", soft_wrap=True)
    if run is not None:
        _show_program(console, scenario, run.name, run.program)
    if found.worth:
        console.print("What possible runs are worth")
        console.print(grid_of(WORTH_HEADINGS, [worth_row(found, each) for each in found.worth]))
    console.print(f"[dim]{escape(METHOD)}[/dim]")
    show_warnings(console, found.problem.warnings, found.problem.warnings)
    show_cautions(console, [] if run is None else cautions_shown(scenario, [run.program]))


def _show_program(console: Console, scenario: Scenario, name: str, program: Program) -> None:
    """Set points ready to type, and how the run comes back."""
    console.print(f"Set points of {escape(name)}:")
    for line in set_point_lines(program, scenario.ambient_pressure, column=scenario.column):
        console.print(f"  {escape(line)}")
    console.print(f"Once it is made: {command_of(scenario, 'add')} --run FILE", markup=False, soft_wrap=True)


def worth_row(found: Standing, worth: Worth) -> list[str]:
    """What a possible run is worth, under `WORTH_HEADINGS`."""
    times = [(t + found.offset) / SECONDS_PER_MINUTE for t in (worth.expected, worth.low, worth.high)]
    length = LENGTH.text(worth.run.program.oven.duration)
    return [
        ("► " if found.proposes(worth) else "") + worth.run.name.removesuffix(f" of {length} min"),
        length,
        f"{100 * worth.gain:.1f} ({100 * worth.gain_error:.1f})",
        "–" if worth.chance == 0 else f"{times[0]:.2f} ({times[1]:.2f} to {times[2]:.2f})",
        percent(worth.chance),
    ]
