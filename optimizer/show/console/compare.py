"""A compared confirmation run for people at a terminal, and the tables and lines that its page shows too."""

from __future__ import annotations

from rich.console import Console
from rich.markup import escape
from rich.table import Table

from optimizer.base.numbers import NEEDED, TWO_DECIMALS, Rounded, beside_needed, percent
from optimizer.goal.cautions import cautions_of
from optimizer.goal.outcome import SearchOutcome
from optimizer.methods.compare import ComparedPair
from optimizer.results.compare import (
    DEVIATION,
    DEVIATION_SD,
    FLOW_FACTOR,
    KELVIN,
    RATIO,
    TIME,
    ComparedPeak,
    CompareResult,
    Expected,
    RefitResult,
    SmallestResolution,
)
from optimizer.results.compare_words import with_missed
from optimizer.results.set_points import program_lines
from optimizer.scenario.data import Scenario
from optimizer.show.console.candidates import show_best
from optimizer.show.console.common import Grid, Row, show_cautions, show_warnings

WRONG = "◆"  # beside a peak whose name or time is probably wrong
CHANGE = Rounded(decimals=2, shown="+.2f")
HALF_INTERVAL = "±: half of a 95 % interval, for times with the repeatability of the run."


def show_compared(console: Console, result: CompareResult) -> None:
    """The verdict, then what it rests on."""
    console.print(f"[bold]{escape(result.title)}[/bold]: run {escape(result.comparison.name)}")
    ambient = result.comparison.problem.scenario.ambient_pressure
    console.print("; ".join(program_lines(result.program, ambient)))
    console.print(f"\n[bold]{escape(result.says)}[/bold]", soft_wrap=True)
    for line in result.remarks:
        console.print(escape(line), soft_wrap=True)
    console.print()
    console.print(peak_grid(result))
    if result.wrong_names:
        console.print(f"{WRONG} {marked_text(result)}; the widths and pairs below assume the correction.")
    if result.comparison.pairs:
        console.print(pair_grid(result))
        console.print(HALF_INTERVAL)
        console.print(escape(critical_line(result.smallest)), soft_wrap=True)
    if result.refit is not None:
        console.print(escape(refit_line(result.refit)), soft_wrap=True)
    for line in result.advice:
        console.print(f"[bold]{escape(line)}[/bold]", soft_wrap=True)
    show_warnings(console, result.warnings, result.comparison.problem.warnings)
    if result.outcome is not None and result.after is not None:
        _show_retuned(console, result, result.after.problem.scenario, result.outcome)


def peak_grid(result: CompareResult) -> Grid:
    """One row a compound."""
    shared = result.comparison.causes.cause is not None
    headings: tuple[str, ...] = ("compound", "predicted, min", "found, min", "found - predicted, s", "in sd")
    headings += ("without shared cause, s",) if shared else ()

    def row(peak: ComparedPeak) -> Row:
        mark = f" {WRONG}" if peak.wrongly_named else " (no peak)" if peak.lost else ""
        cells = (
            TIME.interval(peak.predicted, peak.predicted_sd),
            TIME.text(peak.found),
            DEVIATION.text(peak.deviation),
            DEVIATION_SD.text(peak.deviation_sd),
            *((DEVIATION.text(peak.rest),) if shared else ()),
            RATIO.text(peak.width_ratio),
        )
        return Row(peak.compound + mark, cells, bool(mark))

    return Grid((*headings, "width found / predicted"), tuple(row(peak) for peak in result.peaks))


def pair_grid(result: CompareResult) -> Grid:
    """One row a counted pair of neighbours."""

    def row(pair: ComparedPair) -> Row:
        short = "" if pair.met is not False else " (short, within noise)" if pair.within_noise else " (short)"
        cells = (
            NEEDED.text(pair.needed),
            TWO_DECIMALS.interval(pair.predicted, pair.predicted_sd),
            TWO_DECIMALS.text(pair.found),
            DEVIATION_SD.text(pair.deviation_sd),
            CHANGE.text(pair.distance_change),
        )
        return Row(" and ".join(pair.between) + short, cells, bool(short))

    headings = (
        "counted neighbours",
        "needed",
        "predicted",
        "found",
        "change in sd",
        "distance change, base widths",
    )
    return Grid(headings, tuple(row(pair) for pair in result.comparison.pairs))


def marked_text(result: CompareResult) -> str:
    """What the mark beside a peak says."""
    kinds = {each.kind == "mistyped" for each in result.wrong_names}
    if kinds == {True}:
        return "its time is probably mistyped"
    return "probably a wrong name" + (", or a mistyped time" if True in kinds else "")


def critical_line(smallest: SmallestResolution) -> str:
    """The pair nearest to what it needs, or furthest below, as predicted and as found, in a sentence."""

    def named(pair: tuple[str, str] | None, needed: float | None) -> str:
        return "none" if pair is None else f"{' and '.join(pair)} ({NEEDED.text(needed)} needed)"

    predicted = f"predicted {TWO_DECIMALS.interval(smallest.predicted, smallest.predicted_sd)}"
    found = f"found {TWO_DECIMALS.text(smallest.found)}"
    before = named(smallest.predicted_between, smallest.predicted_needed)
    after = named(smallest.found_between, smallest.found_needed)
    if before == after:
        return f"Critical pair {after}: {predicted}, {found}."
    return f"Critical pair as predicted, {before}: {predicted}; as found, {after}: {found}."


def refit_line(refit: RefitResult) -> str:
    """What the refit changes for the program, in a sentence."""
    before, after, moved = refit.before, refit.after, refit.largest_change

    def pair(seen: Expected) -> str:
        if seen.critical_pair is None:
            return "none"
        return f"{' and '.join(seen.critical_pair)} {beside_needed(seen.min_resolution, seen.needed)}"

    def probability(seen: Expected) -> str:
        return with_missed(percent(seen.pass_probability), seen.fails_most)

    now = (
        TWO_DECIMALS.text(after.min_resolution)
        if before.critical_pair == after.critical_pair
        else pair(after)
    )
    line = (
        f"Refit with this run (before, with it): flow factor {FLOW_FACTOR.text(before.flow_factor)}, "
        f"{FLOW_FACTOR.text(after.flow_factor)}; probability of meeting every requirement (simulated) "
        f"{probability(before)}, {probability(after)}; expected critical pair {pair(before)}, {now}. The "
        f"characteristic temperature that changed most is that of {moved.compound}, by {KELVIN.text(moved.change)} K."
    )
    return line + (f" Left out: {', '.join(refit.left_out)}." if refit.left_out else "")


def _show_retuned(
    console: Console, result: CompareResult, scenario: Scenario, outcome: SearchOutcome
) -> None:
    console.print("\n[bold]Re-tuned[/bold] with this run in the fit; the method in use is the compared one.")
    if result.retuned_for:
        console.print(f"[bold]{escape(result.retuned_for)}[/bold]", soft_wrap=True)
    if result.tuned is not None:
        table = Table()
        for heading in ("", "oven", "carrier"):
            table.add_column(heading)
        for word, program in (("old", result.program), ("new", result.tuned.prediction.program)):
            table.add_row(word, *program_lines(program, scenario.ambient_pressure))
        console.print(table)
    show_best(console, scenario, outcome)
    show_cautions(console, list(cautions_of(scenario, outcome)))
