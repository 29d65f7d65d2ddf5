"""The self-contained report, and everything else the commands leave behind, as names and contents of files."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from models.fit.fit import Fit
from models.units import SECONDS_PER_MINUTE
from optimizer.base.numbers import beside_needed, percent
from optimizer.base.output import write_folder
from optimizer.goal.cautions import PLANNING, cautions_about, cautions_of
from optimizer.goal.outcome import Candidate, InUse, Prediction, SearchOutcome
from optimizer.results.candidate import (
    COLUMNS,
    candidate_document,
    candidate_rows,
    csv_bytes,
    json_bytes,
)
from optimizer.results.documents import Document, fit_document, injected_width_text
from optimizer.results.exposure_data import exposure_data
from optimizer.results.plot_data import chromatogram_data, residual_data
from optimizer.results.reliability import share_interval, share_of_draws
from optimizer.results.set_points import bake_out_part, pressure_text, set_point_lines, split_line
from optimizer.results.what_if_words import none_enough, scouting_advice
from optimizer.scenario.data import Scenario
from optimizer.show.pages.page import page
from optimizer.show.pages.report_candidate import (
    as_image,
    candidate_view,
    exposure_view,
    front_view,
    heading,
    in_use_heading,
    summary,
    what_if_view,
)
from optimizer.show.pages.report_scenario import goal_lines, program_lines, understood
from optimizer.show.pictures.chromatograms import chromatogram_figure, picture, pictures_of, residual_figure
from optimizer.show.pictures.exposure import exposure_figure
from optimizer.show.pictures.front import front_figure
from optimizer.show.pictures.report_chart import chart_view

__all__ = [
    "candidate_document",
    "candidate_rows",
    "fit_files",
    "outcome_files",
    "prediction_files",
    "report_html",
    "write_report",
]

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


def write_report(folder: Path, scenario: Scenario, fit: Fit, outcome: SearchOutcome) -> None:
    """Write everything a search leaves behind into a folder.

    Raises
    ------
    OutputError : when the folder cannot be written
    """
    document = candidate_document(scenario, outcome)
    files = outcome_files(scenario, fit, outcome, document, fit_document(scenario, fit))
    write_folder(folder, files, "optimize")


def outcome_files(
    scenario: Scenario, fit: Fit, outcome: SearchOutcome, document: Document, fitted: Document
) -> dict[str, bytes]:
    """Names and contents of the files of a search; `document` and `fitted` as their functions made them."""
    files = {
        "candidates.json": json_bytes(document),
        "candidates.csv": csv_bytes(COLUMNS, candidate_rows(scenario, outcome)),
        "set_points.txt": set_points_text(scenario, outcome).encode(),
    }
    for each in outcome.candidates:
        chart = chromatogram_data(each.prediction, scenario.ambient_pressure, heading(each))
        files |= pictures_of(f"chromatogram_{each.rank}", chromatogram_figure(chart))
        files |= _exposure_files(f"exposure_{each.rank}", scenario, each.prediction)
    if outcome.front and all(np.isfinite(point.prediction.min_resolution) for point in outcome.front):
        goal = scenario.goal
        files |= pictures_of("front", front_figure(outcome.front, goal.minimise, goal.min_resolution))
    files["report.html"] = report_html(scenario, fit, outcome, fitted, files).encode()
    return files


def fit_files(scenario: Scenario, fit: Fit, document: Document) -> dict[str, bytes]:
    """Names and contents of the files of a fit."""
    figure = residual_figure(residual_data(scenario, fit))
    return {"fit.json": json_bytes(document), **pictures_of("residuals", figure)}


def prediction_files(scenario: Scenario, prediction: Prediction, document: Document) -> dict[str, bytes]:
    """Names and contents of the files of one prediction."""
    peaks = document["peaks"]
    known = [key for key in EXPOSURE_COLUMNS if any(peak[key] is not None for peak in peaks)]
    columns = (*PEAK_COLUMNS, *known)
    rows = [{key: peak[key] for key in columns} for peak in peaks]
    title = f"{scenario.title}: run {prediction.run_time / SECONDS_PER_MINUTE:.2f} min"
    return {
        "prediction.json": json_bytes(document),
        "peaks.csv": csv_bytes(columns, rows),
        **pictures_of(
            "chromatogram",
            chromatogram_figure(chromatogram_data(prediction, scenario.ambient_pressure, title)),
        ),
        **_exposure_files("exposure", scenario, prediction),
    }


def _exposure_files(stem: str, scenario: Scenario, prediction: Prediction) -> dict[str, bytes]:
    """Strips of the heat-sensitive analytes, where there are any."""
    data = exposure_data(scenario, prediction)
    return {} if data is None else pictures_of(stem, exposure_figure(data))


def report_html(
    scenario: Scenario, fit: Fit, outcome: SearchOutcome, fitted: Document, pictures: dict[str, bytes]
) -> str:
    """The page: nothing fetched, every text escaped, pictures inside; its script only makes it answer to its reader.

    `pictures` holds chromatogram_N.svg of every candidate, exposure_N.svg and front.svg where there are any;
    `fitted` is the fit's document.
    """
    front = pictures.get("front.svg")
    return page(
        "report.html.j2",
        "report_script.js",
        title=scenario.title,
        verdict=_verdict(outcome),
        feasible=outcome.feasible,
        goal=goal_lines(scenario),
        minimise=scenario.goal.minimise,
        blocking=outcome.blocking,
        scouting_advice=scouting_advice(scenario, outcome),
        what_ifs=[what_if_view(each) for each in outcome.what_ifs],
        what_ifs_note=none_enough(outcome),
        search=outcome,
        understood=understood(scenario),
        runs=[
            {
                "name": run.name,
                "day": run.day,
                "peaks": len(run.peaks.compounds),
                **program_lines(scenario, run.program),
            }
            for run in scenario.runs
        ],
        fit=fitted,
        injected_width=injected_width_text(fitted),
        residual_image=as_image(picture(residual_figure(residual_data(scenario, fit)), "svg")),
        residual_sd=_root_mean_squares(scenario, fit),
        front=[front_view(scenario, point, number) for number, point in enumerate(outcome.front, 1)],
        front_image=None if front is None else as_image(front),
        shift=f"{scenario.goal.shift / 3600:g} h",
        candidates=[
            {
                **candidate_view(scenario, each, pictures),
                "plain_text": "\n".join(
                    [scenario.title, *candidate_lines(scenario, each), PLANNING],
                ),
            }
            for each in outcome.candidates
        ],
        in_use=None if outcome.current is None else _in_use(scenario, outcome.current),
        cautions=cautions_of(scenario, outcome),
        planning=PLANNING,
    )


def _in_use(scenario: Scenario, in_use: InUse) -> dict[str, Any]:
    """The method in use, with its pictures."""
    current = in_use.prediction
    chart = chromatogram_data(current, scenario.ambient_pressure, in_use_heading(current))
    data = exposure_data(scenario, current)
    strips = None if data is None else picture(exposure_figure(data), "svg")
    return {
        "summary": summary(scenario, current),
        "cycle_time": in_use.cycle_time / SECONDS_PER_MINUTE,
        "samples_per_shift": in_use.samples_per_shift,
        "breaks": in_use.breaks,
        "holds": "–" if in_use.reliability is None else percent(in_use.reliability.share),
        "image": as_image(picture(chromatogram_figure(chart), "svg")),
        "chart": chart_view(current, chart),
        **exposure_view(scenario, current, strips),
    }


def _verdict(outcome: SearchOutcome) -> str:
    if not outcome.candidates:
        return "The search found no program."
    best = outcome.candidates[0].prediction
    if not outcome.feasible:
        return "No program that was tried meets the goal; those that come closest follow."
    text = f"The fastest program takes {best.run_time / SECONDS_PER_MINUTE:.2f} min"
    if outcome.current is not None:
        before = outcome.current.prediction.run_time
        text += f", against {before / SECONDS_PER_MINUTE:.2f} min for the method in use"
    known = outcome.candidates[0].reliability
    share = share_of_draws(known.share, share_interval(known))
    return f"{text}; with fit and set points a little off, everything asked holds in {share}."


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


def set_points_text(scenario: Scenario, outcome: SearchOutcome) -> str:
    """The set points of all candidates as plain text."""
    outlet = "vacuum" if scenario.outlet_pressure == 0 else "ambient pressure"
    lines = [
        scenario.title,
        f"Carrier {scenario.gas.name}, outlet at {outlet}; column flow counted at 25 °C and 101.325 kPa",
        "",
    ]
    for candidate in outcome.candidates:
        lines += [*candidate_lines(scenario, candidate), ""]
    about = [
        f"Caution: {line}"
        for line in cautions_about(scenario, [each.prediction for each in outcome.candidates])
    ]
    return "\n".join([*lines, *about, PLANNING, ""])


def candidate_lines(scenario: Scenario, candidate: Candidate) -> list[str]:
    """The set points of one candidate, with what it promises and what is to be known of it."""
    lines = [heading(candidate) + ("" if candidate.feasible else " (does not meet the goal)")]
    prediction = candidate.prediction
    bake = bake_out_part(scenario, prediction)
    own_ramp = bake is not None and bake.own_ramp
    lines += set_point_lines(prediction.program, scenario.ambient_pressure, own_ramp)
    if bake is not None:
        lines.append(f"Bake-out: {bake.words(len(prediction.program.oven.ramps))}")
    for when, pressure in (
        ("at the start", prediction.inlet_pressure[0]),
        ("at its highest", prediction.inlet_pressure.max()),
    ):
        lines.append(f"Inlet {when}: {pressure_text(float(pressure), scenario.ambient_pressure)}")
    line = split_line(scenario.inlet, prediction.flow)
    lines += [] if line is None else [f"{name}: {text}" for name, text in line.lines()]
    pair = prediction.critical_pair
    if pair is not None:
        share = share_of_draws(candidate.pass_probability, share_interval(candidate.reliability))
        lines.append(
            f"Critical pair: {pair[0]} and {pair[1]}, Rs "
            f"{beside_needed(prediction.min_resolution, prediction.critical_needed)}; "
            f"everything asked holds in {share}"
        )
    return [*lines, *(f"Note: {warning}" for warning in candidate.warnings)]
