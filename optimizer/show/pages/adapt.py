"""What adapt.html shows: a carried or trimmed method beside the one in use, with set points and chromatograms."""

from __future__ import annotations

from typing import Any

from optimizer.base.numbers import MINUTES, percent
from optimizer.goal.cautions import PLANNING
from optimizer.goal.goal import Problem
from optimizer.goal.outcome import Candidate, Prediction
from optimizer.methods.adapt import Adapted
from optimizer.methods.trim import Trimmed
from optimizer.results.adapt import lead_text, method_rows, order_lines, outcome_lines, peak_table
from optimizer.results.plot_data import chromatogram_data
from optimizer.results.set_points import carrier_set_points, oven_set_points
from optimizer.show.pages.page import page, tuned_part
from optimizer.show.pages.report_candidate import as_image
from optimizer.show.pictures.chromatograms import chromatogram_figure, picture


def adapt_html(made: Adapted | Trimmed, tuned: Candidate | None) -> str:
    """The page of a method carried over or trimmed, with the first candidate of the search on the new system."""
    names = list(made.methods)
    headings, rows = peak_table(made)
    return page(
        "adapt.html.j2",
        title=made.new.scenario.title,
        lead=lead_text(made),
        order_lines=order_lines(made),
        warnings=made.warnings,
        methods=names,
        rows=method_rows(made),
        says=outcome_lines(made),
        notes=made.notes,
        word=names[-1],
        tables=_tables(made.new, made.after),
        before_image=_image(made.old, made.before, names[0]),
        after_image=_image(made.new, made.after, names[-1]),
        headings=headings,
        peaks=rows,
        tuned=None if tuned is None else _tuned(made.new, tuned),
        cautions=made.cautions,
        planning=PLANNING,
    )


def _tables(problem: Problem, prediction: Prediction) -> list[Any]:
    program = prediction.program
    return [
        oven_set_points(program.oven),
        carrier_set_points(program.carrier, problem.scenario.ambient_pressure),
    ]


def _image(problem: Problem, prediction: Prediction, name: str) -> str:
    title = f"{name.capitalize()}: run {MINUTES.text(prediction.run_time)} min"
    data = chromatogram_data(prediction, problem.scenario.ambient_pressure, title)
    return as_image(picture(chromatogram_figure(data), "svg"))


def _tuned(problem: Problem, candidate: Candidate) -> dict[str, Any]:
    return {
        **tuned_part(candidate),
        "holds": percent(candidate.pass_probability),
        "warnings": candidate.warnings,
        "tables": _tables(problem, candidate.prediction),
        "image": _image(problem, candidate.prediction, "tuned"),
    }
