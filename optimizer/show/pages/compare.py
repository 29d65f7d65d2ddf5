"""What compare.html shows: the verdict, the mirrored chromatograms, peaks, pairs, and the program old and new."""

from __future__ import annotations

from typing import Any

from models.column.programs import Program
from optimizer.goal.cautions import PLANNING, cautions_of
from optimizer.goal.outcome import Candidate
from optimizer.results.compare import CompareResult
from optimizer.results.set_points import carrier_set_points, oven_set_points
from optimizer.scenario.data import Scenario
from optimizer.show.console.candidates import told_lines
from optimizer.show.console.compare import HALF_INTERVAL, critical_line, pair_grid, peak_grid, refit_line
from optimizer.show.pages.page import page, tuned_part
from optimizer.show.pages.report_candidate import as_image
from optimizer.show.pictures.chromatograms import picture
from optimizer.show.pictures.compare import compared_figure


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
        tables=_tables(result.program, scenario.ambient_pressure),
        tuned=None if tuned is None else _tuned(scenario, tuned),
        cautions=[] if result.outcome is None else cautions_of(scenario, result.outcome),
        planning=PLANNING,
    )


def _tables(program: Program, ambient_pressure: float) -> list[Any]:
    return [oven_set_points(program.oven), carrier_set_points(program.carrier, ambient_pressure)]


def _tuned(scenario: Scenario, candidate: Candidate) -> dict[str, Any]:
    """The re-tuned program with all that is said of it at a terminal."""
    return {
        **tuned_part(candidate),
        "tables": _tables(candidate.prediction.program, scenario.ambient_pressure),
        "missed": candidate.missed,
        "told": told_lines(scenario, candidate),
        "order_changes": candidate.order_changes,
        "notes": candidate.other_warnings,
    }
