"""Runs to make next, or first, for people at a terminal."""

from __future__ import annotations

from collections.abc import Sequence

from rich.console import Console
from rich.markup import escape

from optimizer.base.numbers import MINUTES, percent
from optimizer.base.tables import Shown
from optimizer.campaign.scouted import Scouted
from optimizer.campaign.words import METHOD, advised, stands
from optimizer.methods.scout_programs import LENGTH, FirstRun
from optimizer.results.documents import command_of
from optimizer.results.scout import cautions_shown, first_notes, program_files
from optimizer.results.set_points import program_lines, set_point_lines
from optimizer.scenario.data import Scenario
from optimizer.show.console.campaign import WORTH_HEADINGS, worth_row
from optimizer.show.console.common import Grid, grid_of, show_cautions, show_warnings


def show_first(console: Console, scenario: Scenario, runs: Sequence[FirstRun]) -> None:
    """Runs to begin with: set points, then what goes into the scenario file."""
    so_far = "one scouting run so far; make this one next"
    if not scenario.runs:
        so_far = "no scouting runs yet; make these two first"
    console.print(f"[bold]{escape(scenario.title)}[/bold]: {so_far}")
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
    """What decides about the candidates, what all the runs that were weighed are worth, and the run suggested."""
    scenario, program = found.scenario, found.suggested
    console.print(f"[bold]{escape(scenario.title)}[/bold]")
    console.print(f"[bold]{escape(stands(found.standing))}[/bold]", soft_wrap=True)
    for each in found.leading:
        lines = program_lines(each.prediction.program, scenario.ambient_pressure)
        console.print(
            f"Candidate {each.rank}: {'; '.join(lines)}; {MINUTES.text(each.prediction.run_time)} min, "
            f"{percent(each.pass_probability)} probability of meeting every requirement (simulated)"
        )
    if found.pairs:
        console.print("Critical pairs; standard deviations (sd) of their resolution")
        console.print(_pairs(found))
    if found.standing.worth:
        console.print(
            "Possible next runs, by what they are worth; what they teach: share taken off the variance that"
        )
        console.print("the critical resolutions have from the fit")
        console.print(_runs(found))
    for line in advised(found.standing):
        console.print(f"[bold]{escape(line)}[/bold]" if line.startswith("Next: ") else escape(line))
    if program is not None:
        for line in set_point_lines(program, scenario.ambient_pressure, column=scenario.column):
            console.print(f"  {escape(line)}")
        _show_add(console, scenario, list(program_files(scenario, [program])))
    console.print(f"[dim]{escape(METHOD)}[/dim]")
    show_warnings(console, found.standing.problem.warnings, found.standing.problem.warnings)
    show_cautions(console, [] if program is None else cautions_shown(scenario, [program]))


def _pairs(found: Scouted) -> Grid:
    rows = []
    for pair in found.pairs:
        shown = Shown(pair)
        figures_of_pair = (shown.resolution, shown.needed, shown.sd_fit, shown.sd_rest)
        rows.append([" and ".join(pair.between), str(pair.candidate), *figures_of_pair])
    headings = ["sd from the fit", "sd from tolerances, widths, model"]
    return grid_of(["pair", "candidate", "Rs", "needed", *headings], rows)


def _runs(found: Scouted) -> Grid:
    """Runs by what they are worth, with their oven and what they teach."""
    ambient = found.scenario.ambient_pressure
    rows = []
    for n, each in enumerate(found.standing.worth):
        name, *figures = worth_row(found.standing, each)
        oven = program_lines(each.run.program, ambient)[0]
        teaches = f"{100 * found.taught[n]:.0f}" if found.taught else "–"
        rows.append([name, oven, *figures, teaches])
    return grid_of([WORTH_HEADINGS[0], "oven", *WORTH_HEADINGS[1:], "teaches, %"], rows, texts=(0, 1))


def _show_add(console: Console, scenario: Scenario, files: Sequence[str]) -> None:
    """How a run that was made comes into the scenario."""
    for file in files:
        command = f"{command_of(scenario, 'add')} --run FILE --program {file}"
        console.print(
            f"Once it is made: {command} (scout --out writes that file)", markup=False, soft_wrap=True
        )
