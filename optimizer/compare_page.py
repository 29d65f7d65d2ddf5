"""What compare.html shows: the verdict, the mirrored chromatograms, peaks, pairs, and the program old and new."""

from __future__ import annotations

from typing import Any

from models.programs import Program
from optimizer.candidates_console import told_lines
from optimizer.cautions import PLANNING
from optimizer.compare import Comparison
from optimizer.compare_console import critical_line, refit_line
from optimizer.compare_plots import compared_figure
from optimizer.documents import Document
from optimizer.pages import page, tuned_part
from optimizer.plots import picture
from optimizer.report_candidate import as_image
from optimizer.results import Candidate
from optimizer.set_points import carrier_set_points, oven_set_points


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
        tuned=None if tuned is None else _tuned(document, tuned, ambient),
        warnings=document["warnings"],
        cautions=[] if document["retuned"] is None else document["retuned"]["cautions"],
        planning=PLANNING,
    )


def _tables(program: Program, ambient_pressure: float) -> list[Any]:
    return [oven_set_points(program.oven), carrier_set_points(program.carrier, ambient_pressure)]


def _tuned(document: Document, candidate: Candidate, ambient_pressure: float) -> dict[str, Any]:
    """The re-tuned program with all that is told of it at a terminal."""
    row = document["retuned"]["candidates"][0]
    return {
        **tuned_part(candidate),
        "tables": _tables(candidate.prediction.program, ambient_pressure),
        "assumes": document["retuned_for"],
        "missed": row["missed"],
        "told": told_lines(row),
        "order_changes": row["order_changes"],
        "notes": [line for line in row["warnings"] if line not in row["order_changes"]],
    }
