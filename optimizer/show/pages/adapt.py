"""What adapt.html shows: a carried or trimmed method beside the one in use, with set points and chromatograms."""

from __future__ import annotations

from typing import Any

from models.units import SECONDS_PER_MINUTE
from optimizer.base.numbers import percent
from optimizer.goal.cautions import PLANNING
from optimizer.goal.goal import Problem
from optimizer.goal.outcome import Candidate, Prediction
from optimizer.results.documents import Document
from optimizer.results.plot_data import chromatogram_data
from optimizer.results.set_points import carrier_set_points, oven_set_points
from optimizer.show.console.adapt import method_rows, restoring_lines
from optimizer.show.pages.page import page, tuned_part
from optimizer.show.pages.report_candidate import as_image
from optimizer.show.pictures.chromatograms import chromatogram_figure, picture

Columns = dict[str, tuple[str, str]]

CARRIED_PEAKS: Columns = {
    "in_use_min": ("in use, min", ".3f"),
    "carried_min": ("carried, min", ".3f"),
    "ratio": ("ratio", ".4f"),
    "in_use_width_half_min": ("width at half height, in use, min", ".4f"),
    "carried_width_half_min": ("carried, min", ".4f"),
    "in_use_elution_C": ("leaves at, in use, °C", ".1f"),
    "carried_elution_C": ("carried, °C", ".1f"),
}
TRIMMED_PEAKS: Columns = {
    "before_min": ("before, min", ".3f"),
    "after_min": ("after, as set, new length entered, min", ".3f"),
    "after_old_length_entered_min": ("after, as set, old length entered, min", ".3f"),
    "restored_min": ("restored, min", ".3f"),
}


def adapt_html(
    document: Document,
    old: Problem,
    new: Problem,
    before: Prediction,
    after: Prediction,
    tuned: Candidate | None,
) -> str:
    """The page of a method carried over or trimmed.

    Parameters
    ----------
    document : of the same method
    old, new : Problem on the system before and after
    before, after : Prediction of the method in use, and of the carried or restored one
    tuned : Candidate or None, the first of the search on the new system
    """
    trimmed = document["job"] == "trim"
    names = ("before the cut", "after it, as set", "restored") if trimmed else ("in use", "carried")
    methods = [
        document[key] for key in (("in_use", "trimmed", "restored") if trimmed else ("in_use", "carried"))
    ]
    word = names[-1]
    return page(
        "adapt.html.j2",
        title=document["title"],
        lead=_lead(document, before, after),
        order_changes=document["order_changes"],
        warnings=document["warnings"],
        methods=names,
        rows=method_rows(methods),
        says=restoring_lines(document) if trimmed else _hold_up_lines(document),
        notes=document["notes"],
        word=word,
        tables=_tables(new, after),
        before_image=_image(old, before, f"{names[0].capitalize()}: run {_minutes(before)} min"),
        after_image=_image(new, after, f"{word.capitalize()}: run {_minutes(after)} min"),
        peaks=_peaks(document, TRIMMED_PEAKS if trimmed else CARRIED_PEAKS),
        marker=document.get("marker"),
        tuned=None if tuned is None else _tuned(new, tuned),
        cautions=document["cautions"],
        planning=PLANNING,
    )


def _lead(document: Document, before: Prediction, after: Prediction) -> str:
    if document["job"] == "trim":
        return (
            f"{document['cut_m']:g} m cut off the column: what becomes of the times, and what to set instead."
        )
    share = 100 * (after.run_time / before.run_time - 1)
    return (
        f"The method in use, carried over: a run of {_minutes(after)} min against {_minutes(before)} min "
        f"({share:+.0f} %)."
    )


def _hold_up_lines(document: Document) -> list[str]:
    hold_up = document["hold_up"]
    lines = [
        f"Hold-up time {hold_up['in_use_min']:.3f} min at {hold_up['in_use_at_C']:.0f} °C in use, "
        f"{hold_up['carried_min']:.3f} min at {hold_up['carried_at_C']:.0f} °C carried: all times of the program are "
        f"multiplied by {hold_up['ratio']:.4f}."
    ]
    holds = document["carried"]["pass_probability"]
    if holds is not None:
        lines.append(f"Carried over, everything asked holds in {percent(holds)} of draws.")
    return lines


def _minutes(prediction: Prediction) -> str:
    return f"{prediction.run_time / SECONDS_PER_MINUTE:.2f}"


def _tables(problem: Problem, prediction: Prediction) -> list[Any]:
    program = prediction.program
    return [
        oven_set_points(program.oven),
        carrier_set_points(program.carrier, problem.scenario.ambient_pressure),
    ]


def _image(problem: Problem, prediction: Prediction, title: str) -> str:
    data = chromatogram_data(prediction, problem.scenario.ambient_pressure, title)
    return as_image(picture(chromatogram_figure(data), "svg"))


def _peaks(document: Document, columns: Columns) -> dict[str, Any]:
    """Headings, and a row a compound of name and values with their forms; what is known of none is left out."""
    known = {key: each for key, each in columns.items() if key in document["peaks"][0]}
    return {
        "headings": [heading for heading, _ in known.values()],
        "rows": [
            (row["compound"], [(row[key], form) for key, (_, form) in known.items()])
            for row in document["peaks"]
        ],
    }


def _tuned(problem: Problem, candidate: Candidate) -> dict[str, Any]:
    prediction = candidate.prediction
    return {
        **tuned_part(candidate),
        "holds": percent(candidate.pass_probability),
        "warnings": candidate.warnings,
        "tables": _tables(problem, prediction),
        "image": _image(problem, prediction, f"Tuned: run {_minutes(prediction)} min"),
    }
