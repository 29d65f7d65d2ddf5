"""The self-contained report, and everything else the commands leave behind, as names and contents of files."""

from __future__ import annotations

import numpy as np

from models.fit.fit import Fit
from optimizer.base.numbers import MINUTES
from optimizer.base.workbooks import workbook_bytes
from optimizer.goal.cautions import PLANNING, cautions_of
from optimizer.goal.outcome import Prediction, SearchOutcome
from optimizer.goal.reliability import Reliability
from optimizer.results.candidate import (
    COLUMNS,
    candidate_document,
    candidate_rows,
    candidates_workbook,
    csv_bytes,
    first_line,
    json_bytes,
    none_enough,
    prediction_sheets,
    scouting_advice,
)
from optimizer.results.documents import Document
from optimizer.results.fit import FitResult
from optimizer.results.plot_data import chromatogram_data, residual_data
from optimizer.results.scenario_words import goal_lines, inputs
from optimizer.results.set_points import program_lines
from optimizer.scenario.data import Scenario
from optimizer.show.console.prediction import MEANING, parameter_grid
from optimizer.show.pages.page import page
from optimizer.show.pages.qa_sheet import qa_sheet
from optimizer.show.pages.report_candidate import (
    as_image,
    candidate_view,
    heading,
    in_use_view,
    set_points_text,
)
from optimizer.show.pages.small import small_chromatogram
from optimizer.show.pages.verdict import verdict
from optimizer.show.pictures.chromatograms import chromatogram_figure, picture, pictures_of
from optimizer.show.pictures.exposure import exposure_data, exposure_figure
from optimizer.show.pictures.front import front_figure
from optimizer.show.pictures.residuals import residual_figure

PEAK_COLUMNS = (
    "compound",
    "retention_min",
    "retention_sd_min",
    "width_half_min",
    "width_half_sd_min",
    "width_base_min",
    "elution_C",
    "retention_factor",
    "resolution_to_next",
    "resolution_to_next_sd",
)
# In the table of a prediction where any compound has a value.
EXPOSURE_COLUMNS = (
    "max_elution_C",
    "intact_fraction",
    "min_intact_fraction",
    "time_above_min",
    "limit_above_C",
    "max_time_above_min",
)


def outcome_files(scenario: Scenario, fit: Fit, outcome: SearchOutcome) -> dict[str, bytes]:
    """Names and contents of the files of a search."""
    files = {
        "candidates.json": json_bytes(candidate_document(scenario, outcome)),
        "candidates.csv": csv_bytes(COLUMNS, candidate_rows(scenario, outcome)),
        "candidates.xlsx": candidates_workbook(scenario, outcome),
        "set_points.txt": set_points_text(scenario, outcome).encode(),
    }
    for each in outcome.candidates:
        chart = chromatogram_data(each.prediction, scenario.ambient_pressure, heading(each), each.reliability)
        files |= pictures_of(f"chromatogram_{each.rank}", chromatogram_figure(chart))
        files |= _exposure_files(f"exposure_{each.rank}", scenario, each.prediction)
    if outcome.front and all(np.isfinite(point.prediction.min_resolution) for point in outcome.front):
        goal = scenario.goal
        files |= pictures_of("front", front_figure(outcome.front, goal.minimise))
    if outcome.feasible:
        files["qa_sheet.html"] = qa_sheet(scenario, outcome).encode()
    files["report.html"] = report_html(scenario, fit, outcome, files).encode()
    return files


def fit_files(result: FitResult) -> dict[str, bytes]:
    """Names and contents of the files of a fit."""
    figure = residual_figure(residual_data(result.scenario, result.fit))
    return {"fit.json": json_bytes(result.to_dict()), **pictures_of("residuals", figure)}


def prediction_files(
    scenario: Scenario, prediction: Prediction, document: Document, reliability: Reliability | None = None
) -> dict[str, bytes]:
    """Names and contents of the files of one prediction."""
    peaks = document["peaks"]
    known = [key for key in EXPOSURE_COLUMNS if any(peak[key] is not None for peak in peaks)]
    columns = (*PEAK_COLUMNS, *known)
    rows = [{key: peak[key] for key in columns} for peak in peaks]
    title = f"{scenario.title}: run {MINUTES.text(prediction.run_time)} min"
    chart = chromatogram_data(prediction, scenario.ambient_pressure, title, reliability)
    return {
        "prediction.json": json_bytes(document),
        "peaks.csv": csv_bytes(columns, rows),
        "prediction.xlsx": workbook_bytes(prediction_sheets(scenario, prediction)),
        **pictures_of("chromatogram", chromatogram_figure(chart)),
        **_exposure_files("exposure", scenario, prediction),
    }


def _exposure_files(stem: str, scenario: Scenario, prediction: Prediction) -> dict[str, bytes]:
    """Strips of the heat-sensitive analytes, where there are any."""
    data = exposure_data(scenario, prediction)
    return {} if data is None else pictures_of(stem, exposure_figure(data))


def report_html(scenario: Scenario, fit: Fit, outcome: SearchOutcome, pictures: dict[str, bytes]) -> str:
    """The page: nothing fetched, every text escaped, pictures inside; its script only makes it answer to its reader.

    `pictures` holds chromatogram_N.svg of every candidate, exposure_N.svg and front.svg where there are any.
    """
    fitted = FitResult(scenario, fit)
    front = pictures.get("front.svg")
    views = [candidate_view(scenario, each, pictures) for each in outcome.candidates]
    in_use = None if outcome.current is None else in_use_view(scenario, outcome.current)
    longest = max(
        (view["data"].end for view in (*views, *([] if in_use is None or views else [in_use]))), default=0.0
    )
    for view in (*views, *([] if in_use is None else [in_use])):
        view["small"] = small_chromatogram(view["data"], longest)
    return page(
        "report.html.j2",
        "report_script.js",
        title=scenario.title,
        verdict=verdict(scenario, outcome),
        first_line=first_line(outcome),
        goal=goal_lines(scenario),
        minimise=scenario.goal.minimise,
        scouting_advice=scouting_advice(scenario, outcome),
        what_ifs_note=none_enough(outcome),
        outcome=outcome,
        inputs=inputs(scenario),
        runs=[(run, program_lines(run.program, scenario.ambient_pressure)) for run in scenario.runs],
        fit=fitted,
        parameters=parameter_grid(fitted),
        parameters_meaning=MEANING,
        residual_image=as_image(picture(residual_figure(residual_data(scenario, fit)), "svg")),
        residual_sd=_root_mean_squares(scenario, fit),
        front=[
            (each, program_lines(each.prediction.program, scenario.ambient_pressure))
            for each in outcome.front
        ],
        front_image=None if front is None else as_image(front),
        shift=f"{scenario.goal.shift / 3600:g} h",
        candidates=views,
        in_use=in_use,
        longest=longest,
        cautions=cautions_of(scenario, outcome),
        planning=PLANNING,
    )


def _root_mean_squares(scenario: Scenario, fit: Fit) -> list[tuple[str, float | None, float | None]]:
    """Of every run: name, root mean square and largest residual [s]."""
    found: list[tuple[str, float | None, float | None]] = []
    for run, row in zip(scenario.runs, fit.residual, strict=True):
        seen = row[np.isfinite(row)]
        if len(seen):
            found.append((run.name, float(np.sqrt(np.mean(seen**2))), float(np.abs(seen).max())))
        else:
            found.append((run.name, None, None))
    return found
