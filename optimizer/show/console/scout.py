"""Runs to make next, or first, for people at a terminal."""

from __future__ import annotations

from collections.abc import Sequence

from rich.console import Console
from rich.markup import escape

from optimizer.base.numbers import MINUTES, percent
from optimizer.base.tables import Shown
from optimizer.methods.scout import SD, Scouted
from optimizer.methods.scout_programs import LENGTH, FirstRun
from optimizer.results.documents import command_of
from optimizer.results.scout import (
    METHOD,
    cautions_shown,
    first_notes,
    left_out_note,
    pairs_then,
    program_files,
    suggestion,
    verdict,
)
from optimizer.results.set_points import program_lines, set_point_lines
from optimizer.scenario.data import Scenario
from optimizer.show.console.common import Grid, grid_of, show_cautions, show_warnings

DIFFERS = 0.01  # between falls with and without a measured hold-up time, that is worth a column


def show_first(console: Console, scenario: Scenario, runs: Sequence[FirstRun]) -> None:
    """Two runs to begin with: set points, then what goes into the scenario file."""
    console.print(f"[bold]{escape(scenario.title)}[/bold]: no scouting runs yet; make these two first")
    for run in runs:
        shown, length = Shown(run), LENGTH.text(run.program.oven.duration)
        console.print(
            f"\n[bold]{run.name}[/bold]: {length} min, hold-up time {shown.hold_up} min (computed), "
            f"{shown.heating} °C per hold-up time"
        )
        for line in set_point_lines(run.program, scenario.ambient_pressure, column=scenario.column):
            console.print(f"  {escape(line)}")
    console.print()
    _show_add(console, scenario, list(program_files(scenario, [run.program for run in runs])))
    for note in first_notes(scenario, runs):
        console.print(escape(note))
    show_warnings(console, list(scenario.warnings))
    show_cautions(console, cautions_shown(scenario, [run.program for run in runs]))


def show_next(console: Console, found: Scouted) -> None:
    """The run suggested, what decides about the candidates, and all the runs that were looked at."""
    scenario, best, closest = found.scenario, found.best, verdict(found)
    console.print(f"[bold]{escape(scenario.title)}[/bold]")
    if closest is not None:
        console.print(f"[bold]{escape(closest)}[/bold]")
    for each in found.leading:
        lines = program_lines(each.prediction.program, scenario.ambient_pressure)
        console.print(
            f"Candidate {each.rank}: {'; '.join(lines)}; {MINUTES.text(each.prediction.run_time)} min, "
            f"{percent(each.probability)} probability of meeting every requirement (simulated)"
        )
    note = left_out_note(found)
    if note is not None:
        console.print(escape(note))
    if found.pairs:
        console.print("Critical pairs; standard deviations (sd) of their resolution")
        console.print(_pairs(found))
    if found.runs:
        console.print("Possible next runs; fall in the variance of the critical resolutions, %")
        console.print(_runs(found))
    for line in suggestion(found):
        console.print(f"[bold]{escape(line)}[/bold]" if line.startswith("Next: ") else escape(line))
    if best is not None:
        for line in set_point_lines(best.run.program, scenario.ambient_pressure, column=scenario.column):
            console.print(f"  {escape(line)}")
        _show_add(console, scenario, list(program_files(scenario, [best.run.program])))
    console.print(f"[dim]{escape(METHOD)}[/dim]")
    show_warnings(console, found.problem.warnings, found.problem.warnings)
    show_cautions(console, [] if best is None else cautions_shown(scenario, [best.run.program]))


def _pairs(found: Scouted) -> Grid:
    rows = []
    for pair, then in pairs_then(found):
        shown = Shown(pair)
        figures_of_pair = (shown.resolution, shown.needed, shown.sd_fit, shown.sd_rest, SD.text(then))
        rows.append([" and ".join(pair.between), str(pair.candidate), *figures_of_pair])
    headings = ["sd from the fit", "sd from tolerances, widths, model", "sd from the fit, suggested run made"]
    return grid_of(["pair", "candidate", "Rs", "needed", *headings], rows)


def _runs(found: Scouted) -> Grid:
    """Runs by what they teach; the hold-up time has a column only where it makes a difference."""
    hold_up = any(each.fall_with_hold_up - each.fall > DIFFERS for each in found.runs)
    rows = []
    for each in found.runs:
        falls = [each.fall, *([each.fall_with_hold_up] if hold_up else []), each.fall_of_all]
        merged = f" ({each.merged} peaks merge)" if each.merged else ""
        oven = program_lines(each.run.program, found.scenario.ambient_pressure)[0]
        sign = "► " if each is found.best else ""
        row = [f"{sign}{each.run.name}{merged}", oven, LENGTH.text(each.run.program.oven.duration)]
        rows.append([*row, *(f"{100 * fall:.0f}" for fall in falls)])
    with_hold_up = ["with hold-up time"] if hold_up else []
    return grid_of(["run", "oven", "run, min", "from the fit", *with_hold_up, "of all"], rows, texts=(0, 1))


def _show_add(console: Console, scenario: Scenario, files: Sequence[str]) -> None:
    """How a run that was made comes into the scenario."""
    for file in files:
        command = f"{command_of(scenario, 'add')} --run FILE --program {file}"
        console.print(
            f"Once it is made: {command} (scout --out writes that file)", markup=False, soft_wrap=True
        )
