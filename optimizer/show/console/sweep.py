"""Sweeps and window diagrams at a terminal: a readable excerpt, the best run, and what to know."""

from __future__ import annotations

import numpy as np
from rich.console import Console
from rich.markup import escape
from rich.table import Table

from optimizer.base.numbers import percent, probability_beside
from optimizer.base.tables import Shown
from optimizer.methods.sweep import Sweep
from optimizer.methods.sweep_axes import VALUE, Axis, Gives, NotRun, Run
from optimizer.methods.window_sweep import WindowSweep
from optimizer.results.set_points import program_lines
from optimizer.results.sweep import broken_in_words, goal_met, plates_text, warnings_of
from optimizer.show.console.common import Grid, grid_of, show_not_to_be_run, show_warnings

GRID_ROWS, GRID_COLUMNS = 13, 7
SHOWN_WINDOWS = 6
WIDE = 120  # characters from which a window diagram has room for all its columns
END_OF_RUN = (
    "Run times are counted to the end of the last peak; a program that is typed in, a candidate too, ends with its "
    "last hold, on the clock's next step."
)
LINEAR = (
    "Whether a run that has no line of its own meets the goal follows first derivatives, which may be some points off "
    "the simulated probability."
)


def show_sweep(console: Console, swept: Sweep) -> None:
    """The excerpt of a sweep."""
    scenario = swept.problem.scenario
    console.print(f"[bold]{escape(scenario.title)}[/bold]")
    lines = program_lines(swept.program, scenario.ambient_pressure)
    console.print(f"Program of {escape(swept.origin)}: {'; '.join(lines)}")
    for axis in swept.axes:
        shown, point = Shown(axis), axis.point
        console.print(
            f"Varied: {point.name} ({point.label}), {shown.low} to {shown.high} {point.unit}, {axis.count} values"
            f"{_steps_in_words(axis)}; as it is {shown.now}"
        )
    show_not_to_be_run(console, swept.as_it_is.breaks_equipment)
    console.print(_as_it_is(swept))
    console.print(_curve_table(swept) if len(swept.axes) == 1 else _map_table(swept))
    console.print(END_OF_RUN)
    if swept.required and len(swept.shown) < len(swept.reasons):
        console.print(LINEAR)
    if swept.broken_limits:
        console.print(broken_in_words(swept.broken_limits))
    console.print(_conclusion(swept))
    best, nominal = swept.best_run, swept.best_nominal_run
    if nominal is not None and nominal != best and swept.required:
        ranges = _ranges_in_words(swept, swept.nominal_ranges)
        console.print(
            f"Nominally it would be met by {swept.nominal.sum()} runs{ranges}; their "
            + _nominal_in_words(swept, nominal.gives, _set_in_words(swept, nominal))
        )
    show_warnings(console, warnings_of(swept), swept.problem.warnings)


def _steps_in_words(axis: Axis) -> str:
    if axis.step is None:
        return ""
    steps = f"the instrument's steps of {Shown(axis).step} {axis.point.unit.removesuffix(' gauge')}"
    if axis.settable_count == axis.count:
        return f" on {steps}"
    if not axis.settable_count:
        return f", none on {steps}"
    return f", {axis.settable_count} of them on {steps}: the best is one of these"


def _as_it_is(swept: Sweep) -> str:
    """The program as it is, so that the swept ones can be held against it."""
    now, shown = swept.as_it_is, Shown(swept.as_it_is)
    text = (
        "As it is, a compound does not elute"
        if np.isnan(now.run_time)
        else f"As it is, the last peak ends at {shown.run_time} min and the oven program at {shown.oven_program} min"
    )
    if not np.isnan(now.pass_probability):
        probability = probability_beside(now.pass_probability, swept.required)
        return f"{text}; {probability} probability of meeting the goal (simulated)."
    return f"{text}; the goal is {'met' if now.nominal else 'not met'} nominally."


def _curve_table(swept: Sweep) -> Grid:
    axis = swept.axes[0]
    rows = []
    for at in swept.shown:
        run, value = swept.runs[at], VALUE.text(axis.values[at])
        if isinstance(run, NotRun):
            rows.append([value, "–", "–", "–", "–", "not run"])
        else:
            shown, pair = Shown(run.gives), " and ".join(run.gives.pair or ["–"])
            verdict = _verdict(swept, run.gives, at)
            rows.append([value, shown.resolution, shown.needed, shown.run_time, pair, verdict])
    headings = [f"{axis.point.name} {axis.point.unit}", "Rs of the critical pair", "needs", "run time min"]
    return grid_of([*headings, "critical pair", "goal"], rows, texts=(4, 5))


def _verdict(swept: Sweep, gives: Gives, at: int) -> str:
    if not gives.nominal:
        return f"breaks {gives.breaks}"
    probability = f" ({_probability(swept, gives)})" if swept.required else ""
    if not gives.feasible:
        return f"nominal only{probability}"
    return f"met{probability}" + (f", shortest {swept.minimise}" if at == swept.best else "")


def _map_table(swept: Sweep) -> Table:
    across, down = (
        swept.axes
    )  # the same way round as in the picture: the first to the right, the second upward
    rows = [round(at) for at in np.linspace(down.count - 1, 0, min(GRID_ROWS, down.count))]
    columns = [round(at) for at in np.linspace(0, across.count - 1, min(GRID_COLUMNS, across.count))]
    table = Table(
        title=f"Rs of the critical pair / run time, min; up: {down.point.name}, across: {across.point.name}\n"
        f"* {goal_met(swept.required)}, {'+ nominal only, ' if swept.required else ''}! a limit other than resolution "
        "is broken (named below), - not run",
        title_justify="left",
    )
    table.add_column(down.point.unit, justify="right", min_width=len(VALUE.text(down.high)))
    for column in columns:
        heading = f"{VALUE.text(across.values[column])}\n{across.point.unit}"
        table.add_column(heading, justify="right", min_width=len("12.34 *"))
    for row in rows:
        cells = [_cell(swept.runs[column * down.count + row]) for column in columns]
        table.add_row(VALUE.text(down.values[row]), *cells)
    return table


def _cell(run: Run | NotRun) -> str:
    if isinstance(run, NotRun):
        return "-"
    gives, shown = run.gives, Shown(run.gives)
    mark = "*" if gives.feasible else "+" if gives.nominal else " " if gives.allowed else "!"
    text = f"{shown.resolution} / {shown.run_time} {mark}"
    return f"[bold]{text}[/bold]" if gives.feasible else text


def _conclusion(swept: Sweep) -> str:
    best = swept.best_run
    if best is None:
        return f"No run meets the goal {_how(swept)}."
    gives, shown = best.gives, Shown(best.gives)
    return (
        f"The goal is met {_how(swept)} by {swept.feasible.sum()} of {len(swept.reasons)} runs"
        f"{_ranges_in_words(swept, swept.feasible_ranges)}; the shortest {swept.minimise} is "
        f"[bold]{shown.cost} min[/bold], at {_set_in_words(swept, best)}"
        + (f", with {_probability(swept, gives)}" if swept.required else "")
        + (f", Rs {shown.resolution} for {escape(' and '.join(gives.pair))}." if gives.pair else ".")
    )


def _how(swept: Sweep) -> str:
    return f"with {percent(swept.required)} probability" if swept.required else "nominally"


def _probability(swept: Sweep, gives: Gives) -> str:
    return f"{probability_beside(gives.probability, swept.required)} probability"


def _nominal_in_words(swept: Sweep, gives: Gives, where: str) -> str:
    return f"shortest {swept.minimise} is {Shown(gives).cost} min, at {where}, with {_probability(swept, gives)}."


def _set_in_words(swept: Sweep, run: Run) -> str:
    return ", ".join(
        f"{axis.point.name} {VALUE.text(run.values[axis.point.name])} {axis.point.unit}"
        for axis in swept.axes
    )


def _ranges_in_words(swept: Sweep, ranges: tuple[tuple[float, float], ...] | None) -> str:
    if not ranges:
        return ""
    texts = [(VALUE.text(low), VALUE.text(high)) for low, high in ranges]
    stretches = [low if low == high else f"{low} to {high}" for low, high in texts]
    return f" ({', '.join(stretches)} {swept.axes[0].point.unit})"


def show_window_diagram(console: Console, found: WindowSweep) -> None:
    """The windows, and the temperature that asks least of the column."""
    swept, scenario = found.runs, found.runs.problem.scenario
    console.print(f"[bold]{escape(scenario.title)}[/bold]")
    console.print(f"Isothermal, {program_lines(swept.program, scenario.ambient_pressure)[1]}")
    console.print("Windows, the highest first")
    console.print(_window_table(found, console.width >= WIDE))
    hidden = len(found.windows) - SHOWN_WINDOWS
    if hidden > 0:
        console.print(f"{hidden} lower windows are left out here.")
    least = found.least_demanding
    console.print(
        f"The fewest plates are needed at [bold]{Shown(least).temperature} °C[/bold]: "
        f"{plates_text(least.plates_needed)} for {escape(' and '.join(least.plates_pair))}; there are "
        f"{plates_text(least.plates)}, and the run takes {Shown(least.gives).run_time} min."
    )
    best, nominal = found.best, found.best_nominal
    if best is None:
        console.print(f"No isothermal run at this carrier setting meets the goal {_how(swept)}.")
    else:
        console.print(
            f"The shortest {swept.minimise} that meets the goal {_how(swept)} is "
            f"[bold]{Shown(best.gives).cost} min[/bold], at {Shown(best).temperature} °C (the instrument takes "
            f"steps of {Shown(found).step} °C)"
            + (f", with {_probability(swept, best.gives)}." if swept.required else ".")
        )
    if nominal is not None and nominal != best and swept.required:
        where = f"{Shown(nominal).temperature} °C"
        console.print("Nominally the " + _nominal_in_words(swept, nominal.gives, where))
    show_warnings(console, warnings_of(found), found.runs.problem.warnings)


def _window_table(found: WindowSweep, wide: bool) -> Grid:
    """On a narrow screen without the plates there are, which hardly change, and the verdict."""
    headings = [
        "window °C",
        "best °C",
        "alpha",
        "plates needed",
        "run time min",
        "Rs",
        "pair with that alpha",
    ]
    rows = []
    for each in found.windows[:SHOWN_WINDOWS]:
        run, edges, shown, gives = each.run, Shown(each), Shown(each.run), Shown(each.run.gives)
        window = f"{edges.low} to {edges.high}"
        needed, pair = plates_text(run.plates_needed), " and ".join(run.alpha_pair)
        row = [
            window,
            shown.temperature,
            shown.smallest_alpha,
            needed,
            gives.run_time,
            gives.resolution,
            pair,
        ]
        if wide:
            row[4:4] = [plates_text(run.plates)]
            row.append(_verdict(found.runs, run.gives, found.row(run.temperature)))
        rows.append(row)
    if wide:
        headings[4:4] = ["plates there are"]
        headings.append("goal")
    return grid_of(
        headings, rows, texts=(len(headings) - 2, len(headings) - 1) if wide else (len(headings) - 1,)
    )
