"""The self-contained report, and everything else the commands leave behind, as names and contents of files."""

from __future__ import annotations

from base64 import b64encode
from importlib.resources import files as resource_files
from pathlib import Path
from typing import Any

import numpy as np

from models.fit import Fit
from models.programs import Array, Program
from models.units import M3_PER_S_PER_ML_MIN, SECONDS_PER_MINUTE, celsius, flow_mL_min
from optimizer.candidate_document import (
    COLUMNS,
    candidate_document,
    candidate_rows,
    csv_bytes,
    json_bytes,
)
from optimizer.cautions import PLANNING, cautions
from optimizer.documents import Document, fit_document, peak_documents
from optimizer.output import write_folder
from optimizer.plot_data import ChromatogramData, chromatogram_data, residual_data
from optimizer.plots import chromatogram_figure, critical_pair_figure, picture, residual_figure
from optimizer.results import Candidate, Prediction, SearchOutcome
from optimizer.scenario_data import Scenario
from optimizer.set_points import carrier_set_points, one_line, oven_set_points, pressure_text, set_point_lines

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
    "width_base_min",
    "elution_C",
    "retention_factor",
    "resolution_to_next",
)
View = dict[str, Any]


def write_report(folder: Path, scenario: Scenario, fit: Fit, outcome: SearchOutcome) -> None:
    """Write everything a search leaves behind into a folder.

    Raises
    ------
    OutputError : when the folder cannot be written
    """
    document = candidate_document(scenario, outcome)
    write_folder(folder, outcome_files(scenario, fit, outcome, document, fit_document(scenario, fit)))


def outcome_files(
    scenario: Scenario, fit: Fit, outcome: SearchOutcome, document: Document, fitted: Document
) -> dict[str, bytes]:
    """Names and contents of the files of a search; `document` and `fitted` as their functions made them."""
    files = {
        "candidates.json": json_bytes(document),
        "candidates.csv": csv_bytes(COLUMNS, candidate_rows(scenario, outcome)),
        "set_points.txt": _set_points_text(scenario, outcome).encode(),
    }
    for each in outcome.candidates:
        chart = chromatogram_data(each.prediction, scenario.ambient_pressure, _heading(each))
        files |= _chromatogram_files(f"chromatogram_{each.rank}", chart)
    files["report.html"] = report_html(scenario, fit, outcome, fitted, files).encode()
    return files


def fit_files(scenario: Scenario, fit: Fit, document: Document) -> dict[str, bytes]:
    """Names and contents of the files of a fit."""
    figure = residual_figure(residual_data(scenario, fit))
    return {
        "fit.json": json_bytes(document),
        "residuals.png": picture(figure, "png"),
        "residuals.svg": picture(figure, "svg"),
    }


def prediction_files(scenario: Scenario, prediction: Prediction, document: Document) -> dict[str, bytes]:
    """Names and contents of the files of one prediction."""
    rows = [{key: peak[key] for key in PEAK_COLUMNS} for peak in document["peaks"]]
    title = f"{scenario.title}: run {prediction.run_time / SECONDS_PER_MINUTE:.2f} min"
    return {
        "prediction.json": json_bytes(document),
        "peaks.csv": csv_bytes(PEAK_COLUMNS, rows),
        **_chromatogram_files(
            "chromatogram", chromatogram_data(prediction, scenario.ambient_pressure, title)
        ),
    }


def _chromatogram_files(stem: str, chart: ChromatogramData) -> dict[str, bytes]:
    figure = chromatogram_figure(chart)
    return {f"{stem}.png": picture(figure, "png"), f"{stem}.svg": picture(figure, "svg")}


def report_html(
    scenario: Scenario, fit: Fit, outcome: SearchOutcome, fitted: Document, pictures: dict[str, bytes]
) -> str:
    """The page: no script, nothing fetched, every text escaped, pictures inside.

    `pictures` holds chromatogram_N.svg of every candidate, and `fitted` is the fit's document.
    """
    from jinja2 import Environment, StrictUndefined

    environment = Environment(
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.filters["number"] = _number
    source = (resource_files("optimizer") / "report.html.j2").read_text(encoding="utf-8")
    programs = [each.prediction.program for each in outcome.candidates]
    current = outcome.current
    in_use = None
    if current is not None:
        chart = chromatogram_data(current, scenario.ambient_pressure, _in_use_heading(current))
        in_use = {
            "summary": _summary(scenario, current),
            "image": _inside(picture(chromatogram_figure(chart), "svg")),
        }
    return environment.from_string(source).render(
        title=scenario.title,
        verdict=_verdict(outcome),
        feasible=outcome.feasible,
        goal=_goal(scenario),
        blocking=outcome.blocking,
        search=outcome,
        understood=_understood(scenario),
        runs=[
            {"name": run.name, "peaks": len(run.peaks.compounds), **_program(scenario, run.program)}
            for run in scenario.runs
        ],
        fit=fitted,
        residual_image=_inside(picture(residual_figure(residual_data(scenario, fit)), "svg")),
        residual_sd=_root_mean_squares(scenario, fit),
        candidates=[
            _candidate(scenario, each, pictures[f"chromatogram_{each.rank}.svg"])
            for each in outcome.candidates
        ],
        in_use=in_use,
        cautions=cautions(scenario, programs),
        planning=PLANNING,
    )


def _verdict(outcome: SearchOutcome) -> str:
    if not outcome.candidates:
        return "The search found no program."
    best = outcome.candidates[0].prediction
    if not outcome.feasible:
        return "No program that was tried meets the goal; those that come closest follow."
    text = f"The fastest program takes {best.run_time / SECONDS_PER_MINUTE:.2f} min"
    if outcome.current is not None:
        before = outcome.current.run_time
        text += f", against {before / SECONDS_PER_MINUTE:.2f} min for the method in use"
    share = 100 * outcome.candidates[0].pass_probability
    return f"{text}; with fit and set points a little off, every pair holds in {share:.0f} % of draws."


def _heading(candidate: Candidate) -> str:
    minutes = candidate.prediction.run_time / SECONDS_PER_MINUTE
    return f"Candidate {candidate.rank}: {candidate.family}, run {minutes:.2f} min"


def _in_use_heading(prediction: Prediction) -> str:
    return f"Method in use, as predicted: run {prediction.run_time / SECONDS_PER_MINUTE:.2f} min"


def _goal(scenario: Scenario) -> list[str]:
    goal = scenario.goal
    lines = [
        f"Shortest {goal.minimise} with a resolution of at least {goal.min_resolution:g} for every pair that counts."
    ]
    for rule in scenario.pairs:
        wants = "need not be resolved" if rule.ignore else f"need a resolution of {rule.min_resolution:g}"
        lines.append(f"{rule.a} and {rule.b} {wants}.")
    for detail in scenario.analytes:
        if detail.role != "target":
            lines.append(f"{detail.compound}: {detail.role}.")
    if goal.earliest_elution > 0:
        lines.append(f"Nothing leaves before {goal.earliest_elution / SECONDS_PER_MINUTE:g} min.")
    return lines


def _understood(scenario: Scenario) -> list[tuple[str, str]]:
    column, instrument, ambient = scenario.column, scenario.instrument, scenario.ambient_pressure
    outlet = "vacuum" if scenario.outlet_pressure == 0 else "ambient pressure"
    bands = ", ".join(
        f"{rate * SECONDS_PER_MINUTE:g} °C/min up to {celsius(T):g} °C"
        for T, rate in instrument.heating_limits
    )
    return [
        (
            "Column",
            f"{column.length:g} m × {column.inner_diameter * 1e3:g} mm × {column.film_thickness * 1e6:g} µm, "
            f"{scenario.phase}; {celsius(scenario.min_temperature):g} to {celsius(scenario.max_temperature):g} °C",
        ),
        ("Carrier gas", f"{scenario.gas.name}, outlet at {outlet}; room at {ambient / 1e3:.1f} kPa absolute"),
        ("Inlet", f"up to {pressure_text(instrument.max_inlet_pressure, ambient)}"),
        (
            "Column flow",
            f"{instrument.min_flow / M3_PER_S_PER_ML_MIN:g} to {instrument.max_flow / M3_PER_S_PER_ML_MIN:g} mL/min "
            "(25 °C, 101.325 kPa)",
        ),
        ("Oven heating", f"at most {bands}"),
        ("Compounds", f"{len(scenario.compounds)}"),
    ]


def _program(scenario: Scenario, program: Program) -> View:
    carrier = carrier_set_points(program.carrier, scenario.ambient_pressure)
    return {
        "oven": one_line(oven_set_points(program.oven)),
        "carrier": f"{program.carrier.mode}, {one_line(carrier)}",
    }


def _summary(scenario: Scenario, prediction: Prediction) -> View:
    return {
        **_program(scenario, prediction.program),
        "run_time": prediction.run_time / SECONDS_PER_MINUTE,
        "min_resolution": prediction.min_resolution,
        "pair": prediction.critical_pair,
    }


def _candidate(scenario: Scenario, candidate: Candidate, chromatogram: bytes) -> View:
    prediction, ambient = candidate.prediction, scenario.ambient_pressure
    pressure = prediction.inlet_pressure
    flows = flow_mL_min(prediction.flow)
    pair_figure = critical_pair_figure(chromatogram_data(prediction, ambient, _heading(candidate)))
    return {
        **_summary(scenario, prediction),
        "rank": candidate.rank,
        "family": candidate.family,
        "feasible": candidate.feasible,
        "tables": [
            oven_set_points(prediction.program.oven),
            carrier_set_points(prediction.program.carrier, ambient),
        ],
        "program_end": prediction.program.oven.duration / SECONDS_PER_MINUTE,
        "cycle_time": candidate.cycle_time / SECONDS_PER_MINUTE,
        "pressures": _pressures(pressure, ambient),
        "flows": _span(float(flows.min()), float(flows.max())),
        "pass_probability": candidate.pass_probability,
        "limited_by": candidate.limited_by,
        "margins": candidate.margins,
        "warnings": candidate.warnings,
        "image": _inside(chromatogram),
        "pair_image": None if pair_figure is None else _inside(picture(pair_figure, "svg")),
        "peaks": _peaks(scenario, prediction),
    }


def _pressures(pressure: Array, ambient: float) -> list[tuple[str, str]]:
    """Inlet pressures worth telling apart: at the start, at the end, and the highest where it is neither."""
    start, end, highest = (
        pressure_text(float(p), ambient) for p in (pressure[0], pressure[-1], pressure.max())
    )
    if start == end == highest:
        return [("Inlet pressure", start)]
    found = [("Inlet pressure at the start", start), ("Inlet pressure at the end", end)]
    return found if highest in (start, end) else [*found, ("Highest inlet pressure", highest)]


def _span(low: float, high: float) -> str:
    texts = list(dict.fromkeys((f"{low:.2f}", f"{high:.2f}")))
    return " to ".join(texts)


def _peaks(scenario: Scenario, prediction: Prediction) -> list[View]:
    """The peak table with, between neighbours, the resolution they need."""
    rows: list[View] = [dict(each) for each in peak_documents(prediction)]
    pair = prediction.critical_pair or ()
    for number, (row, following) in enumerate(zip(rows, [*rows[1:], None], strict=True), 1):
        row["number"] = number
        row["critical"] = row["compound"] in pair
        row["partner"] = (
            next((name for name in pair if name != row["compound"]), None) if row["critical"] else None
        )
        row["needed"] = (
            None
            if following is None
            else scenario.required_resolution(row["compound"], following["compound"])
        )
        row["last"] = following is None or following["retention_min"] is None
        row["role"] = scenario.role(row["compound"])
    return rows


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


def _set_points_text(scenario: Scenario, outcome: SearchOutcome) -> str:
    """The set points of all candidates as plain text."""
    outlet = "vacuum" if scenario.outlet_pressure == 0 else "ambient pressure"
    lines = [
        scenario.title,
        f"Carrier {scenario.gas.name}, outlet at {outlet}; column flow counted at 25 °C and 101.325 kPa",
        "",
    ]
    for candidate in outcome.candidates:
        lines.append(_heading(candidate) + ("" if candidate.feasible else " (does not meet the goal)"))
        lines += set_point_lines(candidate.prediction.program, scenario.ambient_pressure)
        prediction = candidate.prediction
        for when, pressure in (
            ("at the start", prediction.inlet_pressure[0]),
            ("at its highest", prediction.inlet_pressure.max()),
        ):
            lines.append(f"Inlet {when}: {pressure_text(float(pressure), scenario.ambient_pressure)}")
        pair = prediction.critical_pair
        if pair is not None:
            lines.append(
                f"Critical pair: {pair[0]} and {pair[1]}, Rs {prediction.min_resolution:.2f}; "
                f"every pair holds in {100 * candidate.pass_probability:.0f} % of draws"
            )
        lines += [f"Note: {warning}" for warning in candidate.warnings]
        lines.append("")
    return "\n".join([*lines, PLANNING, ""])


def _inside(svg: bytes) -> str:
    """A picture as part of the page: shown as an image, it can run nothing and fetch nothing."""
    return "data:image/svg+xml;base64," + b64encode(svg).decode()


def _number(value: float | None, form: str) -> str:
    """A number in a form, a dash where there is none."""
    if value is None or not np.isfinite(value):
        return "–"
    text = format(value, form)
    return text if float(text) else format(0.0, form)  # no minus before a zero
