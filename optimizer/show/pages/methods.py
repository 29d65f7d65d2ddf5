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
from optimizer.results.reliability import critical_pair_text
from optimizer.results.set_points import carrier_set_points, oven_set_points
from optimizer.scenario.data import Scenario
from optimizer.search.reasons import meets_goal
from optimizer.show.console.candidates import candidate_lines
from optimizer.show.console.compare import HALF_INTERVAL, critical_line, pair_grid, peak_grid, refit_line
from optimizer.show.pages.page import page
from optimizer.show.pages.report_candidate import as_image
from optimizer.show.pages.verdict import Cell, cell, pair_cell, probability_cell
from optimizer.show.pictures.chromatograms import chromatogram_figure, picture
from optimizer.show.pictures.compare import compared_figure


def adapt_html(made: Adapted | Trimmed, tuned: Candidate | None) -> str:
    """The page of a method carried over or trimmed, with the first candidate of the search on the new system."""
    names = list(made.methods)
    headings, rows = peak_table(made)
    tuned_first = tuned is not None and tuned.feasible and not carried_meets(made)
    return page(
        "adapt.html.j2",
        title=made.new.scenario.title,
        not_to_be_run=not_to_be_run(made.breaks_equipment),
        verdict=_offered(made, tuned),
        tuned_first=tuned_first,
        carried_first=not tuned_first,
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


def carried_meets(made: Adapted | Trimmed) -> bool:
    """Whether the method as carried over meets the goal on the new system, as probably as asked."""
    return meets_goal(made.new, made.after, made.pass_probability if isinstance(made, Adapted) else None)


def _offered(made: Adapted | Trimmed, tuned: Candidate | None) -> list[Cell]:
    """The strip: what meets the goal is offered, never a method that fails with a better time than it is worth."""
    goal, before = made.new.scenario.goal, MINUTES.text(made.before.run_time)
    carried = list(made.methods)[-1]
    if tuned is not None and tuned.feasible and not carried_meets(made):
        time = f"{before} → {MINUTES.text(tuned.prediction.run_time)} min"
        return [
            cell(
                "Run",
                time,
                "method in use → tuned on the new system",
                f"as {carried} it does not meet the goal",
            ),
            probability_cell(tuned.reliability, goal.confidence),
            pair_cell(tuned),
            _then("tuned.toml"),
        ]
    time, meets = f"{before} → {MINUTES.text(made.after.run_time)} min", carried_meets(made)
    first = cell("Run", time, f"method in use → {carried}")
    if not meets:
        best = "nor does a tuned one" if tuned is not None else ""
        first = cell("Result", "Goal not met", f"as {carried} the method takes {time}", best, bad=True)
    cells = [first]
    if isinstance(made, Adapted):
        required = f"required: {percent(goal.confidence)}" if goal.confidence > 0 else ""
        says = f"probability of meeting every requirement (simulated), as {carried}"
        bad = made.pass_probability < goal.confidence
        cells.append(cell("Certainty", percent(made.pass_probability), says, required, bad=bad))
    pair = made.after.critical_pair
    resolution = f"Rs {critical_pair_text(made.after)}"
    cells.append(cell("Critical pair", "", *((" and ".join(pair), resolution) if pair else ("none",))))
    return [*cells, _then("program.toml")]


def _then(file: str) -> Cell:
    command = f"rampwright compare SCENARIO --run RUN --program {file}"
    return cell(
        "Next",
        "",
        "Run it, then hold it against its prediction (SCENARIO: with the new system entered).",
        command=command,
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
        verdict=_compared(result),
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


def _compared(result: CompareResult) -> list[Cell]:
    """The strip: the verdict, the critical pair, and of a re-tuned program what it offers."""
    compared, tuned = result.comparison, result.tuned
    good = compared.verdict == "holds" and bool(compared.goal_met)
    met = {True: "Goal met", False: "Goal not met", None: "Goal not judged"}[compared.goal_met]
    cells = [
        cell("This run", met, result.says, bad=not good),
        cell("Critical pair", "", critical_line(result.smallest)),
    ]
    if tuned is not None:
        run, offered = MINUTES.text(result.run_time), MINUTES.text(tuned.prediction.run_time)
        missed = "" if tuned.feasible else "does not meet the goal"
        cells.append(
            cell("Re-tuned", f"{run} → {offered} min", "this program → re-tuned", missed, bad=bool(missed))
        )
        cells.append(probability_cell(tuned.reliability, compared.problem.scenario.goal.confidence))
    return [*cells, cell("Next", "", *result.advice)] if result.advice else cells


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
