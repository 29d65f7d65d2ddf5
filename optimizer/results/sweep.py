"""Sweeps and window diagrams as documents, as a CSV table, and in words for console and pictures."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from models.units import kelvin
from optimizer.base.numbers import percent
from optimizer.base.tables import document_of
from optimizer.goal.cautions import extrapolation
from optimizer.goal.set_point_names import set_points_of
from optimizer.methods.sweep import Sweep
from optimizer.methods.sweep_axes import BrokenLimit
from optimizer.methods.window_sweep import PLATES, WindowSweep
from optimizer.results.documents import FORMAT, Document
from optimizer.scenario.program_tables import program_document

Row = dict[str, str | float | None]


def sweep_document(found: Sweep | WindowSweep) -> Document:
    """What sweep.json holds."""
    swept = found if isinstance(found, Sweep) else found.runs
    scenario = swept.problem.scenario
    ambient = scenario.ambient_pressure
    met, nominally = int(swept.feasible.sum()), int(swept.nominal.sum())
    counts = {"feasible": met > 0, "feasible_runs": met, "on_paper_runs": nominally}
    return {
        "format": FORMAT,
        "kind": "sweep" if isinstance(found, Sweep) else "window diagram",
        "title": scenario.title,
        "program": {"from": swept.origin, **program_document(swept.program, ambient)},
        "minimise": swept.minimise,
        "confidence": swept.required or "nominal",
        **(counts if isinstance(found, Sweep) else {}),
        **document_of(found, ambient),
        "warnings": list(warnings_of(found)),
    }


def warnings_of(found: Sweep | WindowSweep) -> tuple[str, ...]:
    """About the runs, then those of scenario and fit."""
    own = _about_sweep(found) if isinstance(found, Sweep) else _about_windows(found)
    problem = found.problem if isinstance(found, Sweep) else found.runs.problem
    return (*own, *problem.warnings)


def _about_sweep(swept: Sweep) -> list[str]:
    count = len(swept.reasons)
    found = [f"{each.runs} of {count} not run: {each.reason}." for each in swept.impossible]
    late = int((swept.possible & np.isnan(swept.run_time)).sum())
    if late:
        found.append(f"In {late} of {count} runs a compound does not elute in any reasonable time.")
    if not swept.nominal.any():
        found.append("None of these runs meets the goal.")
    corners = _oven_corners(swept)
    return [*found, *extrapolation(swept.problem.scenario, min(corners), max(corners))]


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


def _about_windows(found: WindowSweep) -> list[str]:
    """Extrapolation, and that the top of the diagram is no answer where no column has the plates."""
    T, highest = found.diagram.values, found.windows[0].run
    about = list(extrapolation(found.runs.problem.scenario, float(T[0]), float(T[-1])))
    if np.isnan(highest.plates) or highest.plates_needed <= highest.plates:
        return about
    needed = plates_text(highest.plates_needed) if np.isfinite(highest.plates_needed) else "without end"
    return [
        *about,
        f"The highest window asks for more plates ({needed}) than the column gives ({plates_text(highest.plates)}): "
        "alpha is large there, but k is small or the pairs need more. Look at where the fewest plates are needed.",
    ]


def plates_text(plates: float) -> str:
    """A number of plates, its thousands apart."""
    text = PLATES.text(plates)
    return f"{int(text):,}".replace(",", " ") if text.isdigit() else text


def sweep_table(document: Document) -> tuple[tuple[str, ...], list[Row]]:
    """Headings and rows of sweep.csv; what was not run has its reason under `breaks`."""
    rows = [_row(entry) for entry in document["runs" if document["kind"] == "sweep" else "temperatures"]]
    longest = max(rows, key=lambda row: len(row))  # what was not run has fewer columns
    return tuple(longest), rows


def _row(entry: Document) -> Row:
    if "not_run" in entry:
        return {**entry["set"], "breaks": f"not run: {entry['not_run']}"}
    cells: Row = dict(entry.get("set", {}))
    for name, value in entry.items():
        if name.endswith("_pair"):
            cells[f"{name}_first"], cells[f"{name}_second"] = value or (None, None)
        elif name not in ("set", "settable"):
            cells[name] = ("yes" if value else "no") if isinstance(value, bool) else value
    return cells


def broken_in_words(limits: Sequence[BrokenLimit], longest: int = 500) -> str:
    """Which limits are broken, in how many runs each; empty when none is.

    Parameters
    ----------
    limits : the most broken first
    longest : characters; of limits that do not fit it is said how many there are
    """
    if not limits:
        return ""
    parts = [f"{limit.name} ({limit.runs})" for limit in limits]
    for shown in range(len(parts), 0, -1):
        more = f" and {len(parts) - shown} more" if shown < len(parts) else ""
        text = f"Limits broken (in so many runs): {', '.join(parts[:shown])}{more}."
        if len(text) <= longest:
            break
    return text


def goal_met(required: float) -> str:
    """What meeting the goal is, e.g. "goal met with 90 % probability"; `required` 0: on the nominal chromatogram."""
    return f"goal met with {percent(required)} probability" if required else "goal met"
