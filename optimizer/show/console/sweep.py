"""Sweeps and window diagrams at a terminal: a readable excerpt, the best run, and what to know."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from rich.console import Console
from rich.markup import escape
from rich.table import Table

from optimizer.base.numbers import percent
from optimizer.results.documents import Document
from optimizer.results.reliability import WORTH_REPORTING
from optimizer.results.sweep import broken_in_words, goal_met, share_in_words
from optimizer.show.console.common import carrier_line, oven_line, show_warnings

ROWS = 21  # of an excerpt, beside the runs that matter
GRID_ROWS, GRID_COLUMNS = 13, 7
SHOWN_WINDOWS = 6
END_OF_RUN = (
    "Run times are counted to the end of the last peak; a program that is typed in, a candidate too, ends with its "
    "last hold, on the clock's next step."
)
LINEAR = (
    "Shares of draws of all runs follow first derivatives, as the search does; of the program as it is and of the best "
    "some draws are simulated outright."
)
WINDOW_HEADINGS = (
    "best\n°C",
    "smallest\nalpha",
    "plates\nneeded",
    "plates\nthere are",
    "run time\nmin",
    "Rs of the\ncritical pair",
)


def show_sweep(console: Console, document: Document) -> None:
    """The excerpt of a sweep."""
    console.print(f"[bold]{escape(document['title'])}[/bold]")
    program = document["program"]
    console.print(
        f"Program of {escape(program['from'])}: {oven_line(program['oven'])}; {carrier_line(program['carrier'])}"
    )
    for each in document["vary"]:
        console.print(
            f"Varied: {each['name']} ({each['label']}), {each['from']:g} to {each['to']:g} {each['unit']}, "
            f"{each['count']} values{_steps_in_words(each)}; as it is {each['as_it_is']:g}"
        )
    console.print(_as_it_is(document))
    if len(document["vary"]) == 1:
        _show_one(console, document)
    else:
        _show_two(console, document)
    console.print(END_OF_RUN)
    if _asked(document):
        console.print(LINEAR)
    broken = broken_in_words([(each["limit"], each["runs"]) for each in document["broken_limits"]])
    if broken:
        console.print(broken)
    console.print(_conclusion(document))
    _show_on_paper(console, document, _set_in_words(document))
    show_warnings(console, document["warnings"])


def _steps_in_words(vary: Document) -> str:
    step, settable = vary["instrument_step"], vary["on_steps"]
    if step is None:
        return ""
    steps = f"the instrument's steps of {step:g} {vary['unit'].removesuffix(' gauge')}"
    if settable == vary["count"]:
        return f" on {steps}"
    return f", {settable} of them on {steps}: the best is one of these" if settable else f", none on {steps}"


def _as_it_is(document: Document) -> str:
    """The program as it is, so that the swept ones can be held against it."""
    now = document["as_it_is"]
    end, whole = now["run_time_min"], now["oven_program_min"]
    text = (
        "As it is, a compound does not elute"
        if end is None
        else f"As it is, the last peak is over at {end:.2f} min and the oven program at {whole:.2f} min"
    )
    if now["pass_probability"] is not None:
        share = share_in_words(now["pass_probability"], _asked(document))
        return f"{text}; the goal is met in {share} of draws."
    return f"{text}; the goal is {'met' if now['on_paper'] else 'not met'} on the predicted chromatogram."


def _asked(document: Document) -> float:
    """The share of draws in which the goal is to be met; 0 for the predicted chromatogram alone."""
    asked = document["confidence"]
    return 0.0 if isinstance(asked, str) else float(asked)


def _show_one(console: Console, document: Document) -> None:
    runs, vary = document["runs"], document["vary"][0]
    table = Table()
    for heading in (f"{vary['name']}\n{vary['unit']}", "Rs of the\ncritical pair", "needs", "run time\nmin"):
        table.add_column(heading, justify="right")
    for heading in ("critical pair", "goal"):
        table.add_column(heading)
    for at in _rows_worth_showing(runs, document["best"]):
        entry = runs[at]
        value = f"{entry['set'][vary['name']]:g}"
        if "not_run" in entry:
            table.add_row(value, "-", "-", "-", "-", "not run")
            continue
        table.add_row(
            value,
            _number(entry["resolution"], ".2f"),
            _number(entry["needed"], ".2f"),
            _number(entry["run_time_min"], ".2f"),
            escape(" and ".join(entry["critical_pair"] or ["-"])),
            _verdict(entry, document),
        )
    console.print(table)


def _verdict(entry: Document, document: Document) -> str:
    if not entry["on_paper"]:
        return f"breaks {entry['breaks']}"
    share = _share(entry, document)
    if not entry["feasible"]:
        return f"on paper only{share}"
    best = document["best"]
    is_best = best is not None and all(best[key] == value for key, value in entry.items())
    return f"met{share}" + (f", shortest {document['minimise']}" if is_best else "")


def _share(entry: Document, document: Document) -> str:
    """The share of draws in which a run meets the goal, in brackets; empty where draws do not judge."""
    share = entry["share_by_derivatives"]
    return "" if share is None else f" ({share_in_words(share, _asked(document))} of draws)"


def _holds(best: Document, document: Document) -> str:
    """The share of draws of a run of which some draws were simulated outright, and what first derivatives say."""
    share, followed, asked = best["pass_probability"], best["share_by_derivatives"], _asked(document)
    text = f"{share_in_words(share, asked)} of draws"
    if abs(share - followed) >= WORTH_REPORTING:
        text += f" ({share_in_words(followed, asked)} by first derivatives)"
    return text


def _rows_worth_showing(runs: list[Document], best: Document | None) -> list[int]:
    """An even choice, the best run, and both sides of every change of whether the goal is met, and how."""
    rows = {round(at) for at in np.linspace(0, len(runs) - 1, min(ROWS, len(runs)))}
    rows |= {at for at, entry in enumerate(runs) if best is not None and entry["set"] == best["set"]}
    kept = [(entry.get("feasible", False), entry.get("on_paper", False)) for entry in runs]
    for at in range(1, len(runs)):
        if kept[at] != kept[at - 1]:
            rows |= {at - 1, at}
    return sorted(rows)


def _show_two(console: Console, document: Document) -> None:
    first, second = document["vary"]
    runs, asked = document["runs"], _asked(document)
    rows = [round(at) for at in np.linspace(0, first["count"] - 1, min(GRID_ROWS, first["count"]))]
    columns = [round(at) for at in np.linspace(0, second["count"] - 1, min(GRID_COLUMNS, second["count"]))]
    table = Table(
        title=f"Rs of the critical pair / run time, min; down: {first['name']}, across: {second['name']}\n"
        f"* {goal_met(asked)}, {'+ on the predicted chromatogram alone, ' if asked else ''}! a limit other than "
        "resolution is broken (named below), - not run",
        title_justify="left",
    )
    table.add_column(first["unit"], justify="right")
    for column in columns:
        table.add_column(f"{runs[column]['set'][second['name']]:g}\n{second['unit']}", justify="right")
    for row in rows:
        entries = [runs[row * second["count"] + column] for column in columns]
        table.add_row(f"{entries[0]['set'][first['name']]:g}", *(_cell(entry) for entry in entries))
    console.print(table)


def _cell(entry: Document) -> str:
    if "not_run" in entry:
        return "-"
    mark = "*" if entry["feasible"] else "+" if entry["on_paper"] else " " if entry["limits_kept"] else "!"
    text = f"{_number(entry['resolution'], '.2f')} / {_number(entry['run_time_min'], '.2f')} {mark}"
    return f"[bold]{text}[/bold]" if entry["feasible"] else text


def _conclusion(document: Document) -> str:
    best, asked = document["best"], _asked(document)
    where = f"in {percent(asked)} of draws" if asked else "on the predicted chromatogram"
    if best is None:
        return f"No run meets the goal {where}."
    values = _set_in_words(document)(best)
    pair = " and ".join(best["critical_pair"] or [])
    return (
        f"The goal is met {where} by {document['feasible_runs']} of {len(document['runs'])} runs"
        f"{_ranges_in_words(document, 'feasible_ranges')}; the shortest {document['minimise']} is "
        f"[bold]{_number(best['minimised_min'], '.2f')} min[/bold], at {values}"
        + (f", in {_holds(best, document)}" if asked else "")
        + (f", Rs {_number(best['resolution'], '.2f')} for {escape(pair)}." if pair else ".")
    )


def _show_on_paper(console: Console, document: Document, values: Callable[[Document], str]) -> None:
    """What the predicted chromatogram alone would allow, where that is shorter than what the draws do."""
    best = document["best_on_paper"]
    if best is None or best == document["best"] or not _asked(document):
        return
    which = "the"
    if "on_paper_runs" in document:
        ranges = _ranges_in_words(document, "on_paper_ranges")
        which = f"it would be met by {document['on_paper_runs']} runs{ranges}; their"
    console.print(
        f"On the predicted chromatogram alone {which} shortest {document['minimise']} is "
        f"{_number(best['minimised_min'], '.2f')} min, at {values(best)}, which holds in "
        f"{_holds(best, document)}."
    )


def _set_in_words(document: Document) -> Callable[[Document], str]:
    """How the varied set points of a run are told."""
    return lambda run: ", ".join(
        f"{each['name']} {run['set'][each['name']]:g} {each['unit']}" for each in document["vary"]
    )


def _ranges_in_words(document: Document, key: str) -> str:
    ranges = document.get(key)
    if not ranges:
        return ""
    stretches = [f"{low:g} to {high:g}" if low != high else f"{low:g}" for low, high in ranges]
    return f" ({', '.join(stretches)} {document['vary'][0]['unit']})"


def show_window_diagram(console: Console, document: Document) -> None:
    """The windows, and the temperature that asks least of the column."""
    console.print(f"[bold]{escape(document['title'])}[/bold]")
    console.print(f"Isothermal, {carrier_line(document['program']['carrier'])}")
    table = Table(title="Windows, the highest first", title_justify="left")
    for heading in ("window\n°C", *WINDOW_HEADINGS):
        table.add_column(heading, justify="right")
    for heading in ("pair with the smallest alpha", "goal"):
        table.add_column(heading)
    for window in document["windows"][:SHOWN_WINDOWS]:
        table.add_row(f"{window['from_C']:.0f} to {window['to_C']:.0f}", *_window_cells(window, document))
    console.print(table)
    hidden = len(document["windows"]) - SHOWN_WINDOWS
    if hidden > 0:
        console.print(f"{hidden} lower windows are left out here.")
    least, best = document["fewest_plates"], document["best"]
    console.print(
        f"The fewest plates are needed at [bold]{least['temperature_C']:.1f} °C[/bold]: "
        f"{_count(least['plates_needed'])} for {escape(' and '.join(least['plates_pair']))}; there are "
        f"{_count(least['plates'])}, and the run takes {_number(least['run_time_min'], '.2f')} min."
    )
    asked = _asked(document)
    where = f"in {percent(asked)} of draws" if asked else "on the predicted chromatogram"
    if best is None:
        console.print(f"No isothermal run at this carrier setting meets the goal {where}.")
    else:
        console.print(
            f"The shortest {document['minimise']} that meets the goal {where} is "
            f"[bold]{_number(best['minimised_min'], '.2f')} min[/bold], at {best['temperature_C']:.1f} °C (the "
            f"instrument takes steps of {document['instrument_step_C']:g} °C)"
            + (f", in {_holds(best, document)}." if asked else ".")
        )
    _show_on_paper(console, document, lambda run: f"{run['temperature_C']:.1f} °C")
    show_warnings(console, document["warnings"])


def _window_cells(entry: Document, document: Document) -> tuple[str, ...]:
    return (
        f"{entry['temperature_C']:.1f}",
        f"{entry['smallest_alpha']:.4f}",
        _count(entry["plates_needed"]),
        _count(entry["plates"]),
        _number(entry["run_time_min"], ".2f"),
        _number(entry["resolution"], ".2f"),
        escape(" and ".join(entry["alpha_pair"])),
        _verdict(entry, document),
    )


def _count(value: float | None) -> str:
    return "-" if value is None else f"{value:,.0f}".replace(",", " ")


def _number(value: float | None, form: str) -> str:
    return "-" if value is None else format(value, form)
