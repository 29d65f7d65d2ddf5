"""Sweeps and window diagrams as documents for --json and files: sweep.json and sweep.csv."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from models.units import celsius, kelvin
from optimizer.base.numbers import percent
from optimizer.goal.set_point_names import set_points_of
from optimizer.methods.sweep import Sweep
from optimizer.methods.window_sweep import WindowSweep
from optimizer.results.documents import FORMAT, Document, minutes, number, program_document
from optimizer.scenario.data import Scenario

Row = dict[str, str | float | None]

RESULTS = (
    "run_time_min",
    "minimised_min",
    "resolution",
    "needed",
    "critical_pair_first",
    "critical_pair_second",
    "feasible",
    "on_paper",
    "share_by_derivatives",
    "limits_kept",
    "breaks",
)


def sweep_document(scenario: Scenario, swept: Sweep, origin: str) -> Document:
    """What sweep.json holds of a sweep; one entry a combination, the last set point running fastest.

    Parameters
    ----------
    origin : where the program comes from
    """
    names = [axis.point.name for axis in swept.axes]
    best, on_paper = swept.best, swept.best_on_paper
    single = len(names) == 1
    return {
        "format": FORMAT,
        "kind": "sweep",
        "title": scenario.title,
        "minimise": swept.minimise,
        "confidence": confidence_of(swept),
        "program": {"from": origin, **program_document(swept.program, scenario.ambient_pressure)},
        "as_it_is": _as_it_is(swept),
        "vary": [
            {
                "name": axis.point.name,
                "label": axis.point.label,
                "unit": axis.point.unit,
                "from": number(axis.values[0], 8),
                "to": number(axis.values[-1], 8),
                "count": len(axis.values),
                "instrument_step": None if axis.step is None else number(axis.step, 6),
                "on_steps": int(axis.on_steps.sum()),
                "as_it_is": number(axis.point.value(swept.program), 8),
            }
            for axis in swept.axes
        ],
        "feasible": bool(swept.feasible.any()),
        "feasible_runs": int(swept.feasible.sum()),
        "best": None if best is None else _with_share(_entry(scenario, swept, best, names), swept, best),
        "feasible_ranges": _ranges(swept, swept.feasible) if single else None,
        "on_paper_runs": int(swept.on_paper.sum()),
        "best_on_paper": None
        if on_paper is None
        else _with_share(_entry(scenario, swept, on_paper, names), swept, on_paper),
        "on_paper_ranges": _ranges(swept, swept.on_paper) if single else None,
        "broken_limits": [{"limit": name, "runs": runs} for name, runs in swept.broken_limits],
        "not_run": _not_run(swept),
        "runs": [_entry(scenario, swept, at, names) for at in range(len(swept.reasons))],
        "warnings": _warnings(scenario, swept),
    }


def _entry(scenario: Scenario, swept: Sweep, at: int, names: list[str]) -> Document:
    values = {name: number(value, 8) for name, value in zip(names, swept.combinations[at], strict=True)}
    if swept.reasons[at]:
        return {"set": values, "not_run": swept.reasons[at]}
    return {
        "set": values,
        "settable": bool(swept.settable[at]),
        **_given(scenario, swept, at),
    }


def _with_share(entry: Document, swept: Sweep, at: int) -> Document:
    """An entry with the share that draws simulated outright correct, where there are such."""
    share = swept.simulated.get(at)
    return {**entry, "pass_probability": None if share is None else number(share, 3)}


def confidence_of(swept: Sweep) -> float | str:
    """The share of draws in which the goal is to be met, or "nominal"."""
    return swept.asked or "nominal"


def _as_it_is(swept: Sweep) -> Document:
    """What the program with its set points as they were gives."""
    now = swept.as_it_is
    return {
        "run_time_min": minutes(now.run_time),
        "oven_program_min": minutes(swept.program.oven.duration),
        "on_paper": now.on_paper,
        "pass_probability": number(now.share, 3),
    }


def _given(scenario: Scenario, swept: Sweep, at: int) -> Document:
    """What a run gives, and whether it meets the goal."""
    return {
        "run_time_min": minutes(swept.run_time[at]),
        "minimised_min": minutes(swept.cost[at]),
        "resolution": number(swept.resolution[at]),
        "needed": number(swept.needed[at]),
        "critical_pair": pair_names(scenario, swept, at),
        "feasible": bool(swept.feasible[at]),
        "on_paper": bool(swept.on_paper[at]),
        "share_by_derivatives": number(swept.shares[at], 4),
        "limits_kept": bool(swept.allowed[at]),
        "breaks": swept.breaks(at) or None,
    }


def pair_names(scenario: Scenario, swept: Sweep, at: int) -> list[str] | None:
    """The critical pair of a combination in order of elution."""
    if swept.critical[at, 0] < 0:
        return None
    return [scenario.compounds[m] for m in swept.critical[at]]


def _ranges(swept: Sweep, kept: NDArray[np.bool_]) -> list[list[float | None]]:
    """Stretches of values of a single set point that are kept, as the values that were run."""
    values = swept.axes[0].values
    edges = np.flatnonzero(np.diff(np.concatenate([[False], kept, [False]]).astype(int)))
    return [
        [number(values[first], 8), number(values[after - 1], 8)]
        for first, after in zip(edges[::2], edges[1::2], strict=True)
    ]


def _not_run(swept: Sweep) -> list[Document]:
    reasons = [reason for reason in swept.reasons if reason]
    return [{"reason": reason, "runs": reasons.count(reason)} for reason in dict.fromkeys(reasons)]


def _warnings(scenario: Scenario, swept: Sweep) -> list[str]:
    found = [f"{each['runs']} of {len(swept.reasons)} not run: {each['reason']}." for each in _not_run(swept)]
    late = int((swept.possible & np.isnan(swept.run_time)).sum())
    if late:
        found.append(
            f"In {late} of {len(swept.reasons)} runs a compound does not elute in any reasonable time."
        )
    if not swept.on_paper.any():
        found.append("None of these runs meets the goal.")
    corners = _oven_corners(swept)
    return [*found, *_about_extrapolation(scenario, min(corners), max(corners))]


def _oven_corners(swept: Sweep) -> list[float]:
    """Temperatures [K] that the runs of a sweep start from or ramp to: those kept, and the ends of those varied."""
    varied = {axis.point: at for at, axis in enumerate(swept.axes)}
    corners = []
    for point in set_points_of(swept.program, 1.0):
        if point.part == "oven" and point.field in ("start", "target"):
            at = varied.get(point)
            run = swept.combinations[swept.possible]
            values = [point.value(swept.program)] if at is None else [run[:, at].min(), run[:, at].max()]
            corners += [float(kelvin(value)) for value in values]
    return corners


def _about_extrapolation(scenario: Scenario, low: float, high: float) -> list[str]:
    scouted = [T for run in scenario.runs for T in run.program.oven.knots()[1]]
    if not scouted or (low >= min(scouted) - 1 and high <= max(scouted) + 1):
        return []
    return [
        f"Leaves the scouted temperatures: runs {celsius(low):.0f} to {celsius(high):.0f} °C, scouted "
        f"{celsius(min(scouted)):.0f} to {celsius(max(scouted)):.0f} °C; beyond them predictions are extrapolated."
    ]


def sweep_columns(swept: Sweep) -> tuple[str, ...]:
    """Headings of sweep.csv."""
    return (*(axis.point.name for axis in swept.axes), *RESULTS)


def sweep_rows(document: Document) -> list[Row]:
    """Rows of sweep.csv from the document; what was not run has its reason under `breaks`."""
    rows: list[Row] = []
    for entry in document["runs"]:
        first, second = entry.get("critical_pair") or (None, None)
        row: Row = dict(entry["set"])
        row |= {
            "run_time_min": entry.get("run_time_min"),
            "minimised_min": entry.get("minimised_min"),
            "resolution": entry.get("resolution"),
            "needed": entry.get("needed"),
            "critical_pair_first": first,
            "critical_pair_second": second,
            "feasible": _yes(entry.get("feasible")),
            "on_paper": _yes(entry.get("on_paper")),
            "share_by_derivatives": entry.get("share_by_derivatives"),
            "limits_kept": _yes(entry.get("limits_kept")),
            "breaks": f"not run: {entry['not_run']}" if "not_run" in entry else entry["breaks"],
        }
        rows.append(row)
    return rows


def _yes(value: bool | None) -> str | None:
    return None if value is None else "yes" if value else "no"


WINDOW_COLUMNS = (
    "temperature_C",
    "smallest_alpha",
    "alpha_pair_first",
    "alpha_pair_second",
    "plates_needed",
    "plates_pair_first",
    "plates_pair_second",
    "plates",
    *RESULTS,
)


def window_document(scenario: Scenario, found: WindowSweep, origin: str) -> Document:
    """What sweep.json holds of a window diagram; windows the highest first."""
    diagram = found.diagram
    temperatures = [_temperature(scenario, found, at) for at in range(len(diagram.values))]
    windows = [
        {
            "from_C": number(celsius(window.low), 5),
            "to_C": number(celsius(window.high), 5),
            **temperatures[found.row(window.best)],
        }
        for window in diagram.windows
    ]
    best, on_paper = found.runs.best, found.runs.best_on_paper
    warnings = _about_extrapolation(scenario, float(diagram.values[0]), float(diagram.values[-1]))
    return {
        "format": FORMAT,
        "kind": "window diagram",
        "title": scenario.title,
        "minimise": found.runs.minimise,
        "confidence": confidence_of(found.runs),
        "program": {"from": origin, **program_document(found.runs.program, scenario.ambient_pressure)},
        "instrument_step_C": number(scenario.instrument.steps.temperature, 6),
        "windows": windows,
        "fewest_plates": temperatures[found.fewest_plates],
        "best": None if best is None else _with_share(temperatures[best], found.runs, best),
        "best_on_paper": None
        if on_paper is None
        else _with_share(temperatures[on_paper], found.runs, on_paper),
        "temperatures": temperatures,
        "warnings": [*warnings, *_about_weak_retention(windows[0])],
    }


def _about_weak_retention(highest: Document) -> list[str]:
    """The top of the diagram is no answer where no column has the plates."""
    needed, plates = highest["plates_needed"], highest["plates"]
    if plates is None or (needed is not None and needed <= plates):
        return []
    text = "without end" if needed is None else f"{needed:,.0f}".replace(",", " ")
    return [
        f"The highest window asks for more plates ({text}) than the column gives ({plates:,.0f}".replace(
            ",", " "
        )
        + "): alpha is large there, but k is small or the pairs need more. Look at where the fewest plates are needed."
    ]


def _temperature(scenario: Scenario, found: WindowSweep, at: int) -> Document:
    diagram, runs = found.diagram, found.runs
    return {
        "temperature_C": number(celsius(diagram.values[at]), 5),
        "smallest_alpha": number(diagram.smallest[at], 5),
        "alpha_pair": found.names(scenario.compounds, int(diagram.critical[at])),
        "plates_needed": number(found.needed_plates[at]),
        "plates_pair": found.names(scenario.compounds, int(found.plates_pair[at])),
        "plates": number(found.plates[at]),
        **_given(scenario, runs, at),
    }


def window_rows(document: Document) -> list[Row]:
    """Rows of sweep.csv, one a temperature; the keys are `WINDOW_COLUMNS`."""
    rows: list[Row] = []
    for entry in document["temperatures"]:
        row: Row = {
            key: entry[key]
            for key in WINDOW_COLUMNS
            if key in entry and not isinstance(entry[key], list | bool)
        }
        for kind in ("alpha_pair", "plates_pair", "critical_pair"):
            row[f"{kind}_first"], row[f"{kind}_second"] = entry[kind] or (None, None)
        row |= {key: _yes(entry[key]) for key in ("feasible", "on_paper", "limits_kept")}
        rows.append(row)
    return rows


def broken_in_words(limits: Sequence[tuple[str, int]], longest: int = 500) -> str:
    """Which limits are broken, in how many runs each; empty when none is.

    Parameters
    ----------
    limits : names and numbers of runs, the most broken first
    longest : characters; of limits that do not fit it is said how many there are
    """
    if not limits:
        return ""
    parts = [f"{name} ({runs})" for name, runs in limits]
    for shown in range(len(parts), 0, -1):
        more = f" and {len(parts) - shown} more" if shown < len(parts) else ""
        text = f"Limits broken (in so many runs): {', '.join(parts[:shown])}{more}."
        if len(text) <= longest:
            break
    return text


def goal_met(asked: float) -> str:
    """What meeting the goal is, e.g. "goal met in 90 % of draws"; `asked` 0: on the predicted chromatogram alone."""
    return f"goal met in {percent(asked)} of draws" if asked else "goal met"


def share_in_words(share: float, asked: float) -> str:
    """A share of draws in %, with a decimal where it would else read like the share asked for and is below it."""
    short = share < asked and percent(share) == percent(asked)
    return f"{100 * share:.1f} %" if short else percent(share)
