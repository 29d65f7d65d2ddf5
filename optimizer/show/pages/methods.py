"""What adapt.html and compare.html show: a carried or trimmed method beside the one in use, and a run that was made."""

from __future__ import annotations

from typing import Any

from models.column.programs import Program
from models.units import SECONDS_PER_MINUTE
from optimizer.base.numbers import MINUTES, percent
from optimizer.goal.cautions import PLANNING, cautions_of, not_to_be_run, without_breaks
from optimizer.goal.goal import Problem
from optimizer.goal.outcome import Candidate, Prediction
from optimizer.goal.reliability import Reliability
from optimizer.methods.adapt import Adapted
from optimizer.methods.trim import Trimmed
from optimizer.results.adapt import lead_text, method_rows, order_lines, outcome_lines, peak_table
from optimizer.results.compare import CompareResult
from optimizer.results.plot_data import chromatogram_data
from optimizer.results.set_points import carrier_set_points, oven_set_points
from optimizer.scenario.data import Scenario
from optimizer.show.console.candidates import candidate_lines
from optimizer.show.console.compare import HALF_INTERVAL, critical_line, pair_grid, peak_grid, refit_line
from optimizer.show.pages.page import page
from optimizer.show.pages.report_candidate import as_image
from optimizer.show.pictures.chromatograms import chromatogram_figure, picture
from optimizer.show.pictures.compare import compared_figure


def adapt_html(made: Adapted | Trimmed, tuned: Candidate | None) -> str:
    """The page of a method carried over or trimmed, with the first candidate of the search on the new system."""
    names = list(made.methods)
    headings, rows = peak_table(made)
    return page(
        "adapt.html.j2",
        title=made.new.scenario.title,
        not_to_be_run=not_to_be_run(made.breaks_equipment),
        lead=lead_text(made),
        order_lines=order_lines(made),
        warnings=without_breaks(made.warnings, made.breaks_equipment),
        methods=names,
        rows=method_rows(made),
        says=outcome_lines(made),
        notes=made.notes,
        word=names[-1],
        tables=_tables(made.new.scenario, made.after.program),
        before_image=_image(made.old, made.before, names[0]),
        after_image=_image(made.new, made.after, names[-1]),
        headings=headings,
        peaks=rows,
        tuned=None if tuned is None else _tuned(made.new, tuned),
        cautions=made.cautions,
        planning=PLANNING,
    )


def _image(problem: Problem, prediction: Prediction, name: str, known: Reliability | None = None) -> str:
    title = f"{name.capitalize()}: run {MINUTES.text(prediction.run_time)} min"
    data = chromatogram_data(prediction, problem.scenario.ambient_pressure, title, known)
    return as_image(picture(chromatogram_figure(data), "svg"))


def _tuned(problem: Problem, candidate: Candidate) -> dict[str, Any]:
    return {
        **_tuned_part(problem.scenario, candidate),
        "holds": percent(candidate.pass_probability),
        "warnings": candidate.warnings,
        "image": _image(problem, candidate.prediction, "tuned", candidate.reliability),
    }


def compare_html(result: CompareResult) -> str:
    """The page of a compared run."""
    compared, tuned = result.comparison, result.tuned
    scenario = compared.problem.scenario
    return page(
        "compare.html.j2",
        result=result,
        good=compared.verdict == "holds" and compared.goal_met,
        image=as_image(picture(compared_figure(compared), "svg")),
        peaks=peak_grid(result),
        pairs=pair_grid(result),
        half_interval=HALF_INTERVAL,
        critical=critical_line(result.smallest),
        refit=None if result.refit is None else refit_line(result.refit),
        tables=_tables(scenario, result.program),
        tuned=None if tuned is None else _retuned(scenario, tuned),
        cautions=[] if result.outcome is None else cautions_of(scenario, result.outcome),
        planning=PLANNING,
    )


def _tables(scenario: Scenario, program: Program) -> list[Any]:
    return [oven_set_points(program.oven), carrier_set_points(program.carrier, scenario.ambient_pressure)]


def _retuned(scenario: Scenario, candidate: Candidate) -> dict[str, Any]:
    """The re-tuned program with all that is said of it at a terminal."""
    return {
        **_tuned_part(scenario, candidate),
        "missed": candidate.missed,
        "lines": candidate_lines(scenario, candidate),
        "order_changes": candidate.order_changes,
        "notes": candidate.other_warnings,
    }


def _tuned_part(scenario: Scenario, candidate: Candidate) -> dict[str, Any]:
    """What both pages say of a re-tuned program; times in min."""
    prediction = candidate.prediction
    return {
        "family": candidate.family,
        "feasible": candidate.feasible,
        "run_time": prediction.run_time / SECONDS_PER_MINUTE,
        "min_resolution": prediction.min_resolution,
        "needed": prediction.critical_needed,
        "pair": prediction.critical_pair,
        "compared": candidate.compared,
        "tables": _tables(scenario, prediction.program),
    }
