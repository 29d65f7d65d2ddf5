"""What compare.html shows: the verdict, the mirrored chromatograms, peaks, pairs, and the program old and new."""

from __future__ import annotations

from typing import Any

from models.column.programs import Program
from optimizer.goal.cautions import PLANNING
from optimizer.goal.outcome import Candidate
from optimizer.methods.compare import Comparison
from optimizer.results.documents import Document
from optimizer.results.set_points import carrier_set_points, oven_set_points
from optimizer.scenario.data import Scenario
from optimizer.show.console.candidates import told_lines
from optimizer.show.console.compare import critical_line, refit_line
from optimizer.show.pages.page import page, tuned_part
from optimizer.show.pages.report_candidate import as_image
from optimizer.show.pictures.chromatograms import picture
from optimizer.show.pictures.compare import compared_figure


def compare_html(document: Document, compared: Comparison, tuned: Candidate | None) -> str:
    """The page of a compared run.

    Parameters
    ----------
    document : of the same comparison
    tuned : Candidate or None, the first of the search with this run in the fit
    """
    ambient = compared.problem.scenario.ambient_pressure
    return page(
        "compare.html.j2",
        title=document["title"],
        run=document["run"],
        says=document["says"],
        good=document["verdict"] == "holds" and document["goal_met"],
        remarks=document["remarks"],
        advice=document["advice"],
        image=as_image(picture(compared_figure(compared), "svg")),
        peaks=document["peaks"],
        shared=document["deviations"]["cause"] is not None,
        pairs=document["pairs"],
        critical=critical_line(document["smallest_resolution"]),
        refit=None if document["refit"] is None else refit_line(document["refit"]),
        origin=document["program_from"],
        tables=_tables(compared.prediction.program, ambient),
        tuned=None if tuned is None else _tuned(document, tuned, compared.problem.scenario),
        warnings=document["warnings"],
        cautions=[] if document["retuned"] is None else document["retuned"]["cautions"],
        planning=PLANNING,
    )


def _tables(program: Program, ambient_pressure: float) -> list[Any]:
    return [oven_set_points(program.oven), carrier_set_points(program.carrier, ambient_pressure)]


def _tuned(document: Document, candidate: Candidate, scenario: Scenario) -> dict[str, Any]:
    """The re-tuned program with all that is told of it at a terminal."""
    return {
        **tuned_part(candidate),
        "tables": _tables(candidate.prediction.program, scenario.ambient_pressure),
        "assumes": document["retuned_for"],
        "missed": candidate.missed,
        "told": told_lines(scenario, candidate),
        "order_changes": candidate.order_changes,
        "notes": candidate.other_warnings,
    }
