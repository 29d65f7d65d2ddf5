"""A candidate as the report shows it: texts, tables and pictures, ready for the template."""

from __future__ import annotations

import math
import re
from base64 import b64encode
from typing import Any

import numpy as np

from models.column.programs import Array
from models.units import SECONDS_PER_MINUTE, celsius, flow_mL_min
from optimizer.base.numbers import percent, with_interval
from optimizer.goal.outcome import Candidate, FrontPoint, Prediction, WhatIf
from optimizer.results.documents import peak_documents
from optimizer.results.exposure_data import exposure_data
from optimizer.results.plot_data import chromatogram_data, valley
from optimizer.results.reliability import (
    costs,
    failures,
    judged_text,
    set_point_tolerance_document,
    set_to,
    worse_of,
)
from optimizer.results.set_points import (
    bake_out_part,
    carrier_set_points,
    oven_set_points,
    pressure_text,
    split_line,
)
from optimizer.results.what_if_words import gives
from optimizer.scenario.data import AnalyteDetail, Scenario
from optimizer.search.found import FEASIBLE
from optimizer.show.pages.page import number_text
from optimizer.show.pages.report_scenario import need_in_words, program_lines
from optimizer.show.pictures.bands import band_caption
from optimizer.show.pictures.chromatograms import critical_pair_figure, picture
from optimizer.show.pictures.report_chart import chart_view

View = dict[str, Any]


def heading(candidate: Candidate) -> str:
    """A candidate's name above a picture."""
    minutes = candidate.prediction.run_time / SECONDS_PER_MINUTE
    return f"Candidate {candidate.rank}: {candidate.family}, run {minutes:.2f} min"


def in_use_heading(prediction: Prediction) -> str:
    """The name of the method in use above a picture."""
    return f"Method in use, as predicted: run {prediction.run_time / SECONDS_PER_MINUTE:.2f} min"


def summary(scenario: Scenario, prediction: Prediction) -> View:
    """What the table that sets programs side by side shows of one."""
    intact = prediction.intact_fraction[np.isfinite(prediction.intact_fraction)]
    return {
        **program_lines(scenario, prediction.program),
        "run_time": prediction.run_time / SECONDS_PER_MINUTE,
        "min_resolution": prediction.min_resolution,
        "needed": prediction.critical_needed,
        "pair": prediction.critical_pair,
        "valley": valley(prediction),
        "least_intact": float(intact.min()) if len(intact) else None,
    }


def candidate_view(scenario: Scenario, candidate: Candidate, pictures: dict[str, bytes]) -> View:
    """Everything about a candidate; `pictures` holds chromatogram_N.svg and, where any, exposure_N.svg."""
    prediction, ambient = candidate.prediction, scenario.ambient_pressure
    flows = flow_mL_min(prediction.flow)
    line = split_line(scenario.inlet, prediction.flow)
    bake = bake_out_part(scenario, prediction)
    chart = chromatogram_data(prediction, ambient, heading(candidate))
    pair_figure = critical_pair_figure(chart)
    return {
        **summary(scenario, prediction),
        "rank": candidate.rank,
        "family": candidate.family,
        "feasible": candidate.feasible,
        "tables": [
            oven_set_points(prediction.program.oven, bake is not None and bake.own_ramp),
            carrier_set_points(prediction.program.carrier, ambient),
        ],
        "bake_out": "" if bake is None else bake.words(len(prediction.program.oven.ramps)),
        "program_end": prediction.program.oven.duration / SECONDS_PER_MINUTE,
        "cycle_time": candidate.cycle_time / SECONDS_PER_MINUTE,
        "samples_per_shift": candidate.samples_per_shift,
        "pressures": _pressures(prediction.inlet_pressure, ambient),
        "flows": _span(float(flows.min()), float(flows.max())),
        "split_line": () if line is None else line.lines(),
        "missed": candidate.missed,
        "limited_by": candidate.limited_by,
        "margins": [
            {
                "text": each.text,
                "margin": each.margin,
                "binding": each.binding,
                "kept": each.margin >= FEASIBLE,
            }
            for each in candidate.margins
        ],
        "next_seconds": candidate.next_seconds,
        "compared": candidate.compared,
        "order_changes": list(candidate.order_changes),
        "warnings": [text for text in candidate.warnings if text not in candidate.order_changes],
        "image": as_image(pictures[f"chromatogram_{candidate.rank}.svg"]),
        "chart": chart_view(prediction, chart),
        **exposure_view(scenario, prediction, pictures.get(f"exposure_{candidate.rank}.svg")),
        "pair_image": None if pair_figure is None else as_image(picture(pair_figure, "svg")),
        "peaks": peak_rows(scenario, prediction),
        **reliability_view(scenario, candidate),
        "band_caption": band_caption(prediction),
    }


def exposure_view(scenario: Scenario, prediction: Prediction, svg: bytes | None) -> View:
    """The strips of heat-sensitive analytes: picture, its key, and what it says for those who do not see it."""
    data = exposure_data(scenario, prediction)
    if data is None or svg is None:
        return {"exposure_image": None, "exposure_text": "", "exposure_key": ""}
    says = ". ".join(f"{strip.name}: {'; '.join(strip.findings)}" for strip in data.strips)
    return {"exposure_image": as_image(svg), "exposure_text": f"{says}.", "exposure_key": data.key}


def as_image(svg: bytes) -> str:
    """A picture as part of the page: shown as an image, it can run nothing and fetch nothing."""
    return "data:image/svg+xml;base64," + b64encode(compact(svg)).decode()


def compact(svg: bytes) -> bytes:
    """The same picture in fewer bytes: no comments, no indents, and hundredths of a point instead of millionths.

    Numbers below one stay as they are: among them are scales of glyphs.
    """
    text = re.sub(r"<!--.*?-->", "", svg.decode(), flags=re.DOTALL)
    text = re.sub(r"(?<=>)\s+(?=<)", "", text)
    text = re.sub(r"\s*\n\s*", "\n", text)
    return re.sub(r"([1-9]\d*\.\d{2})\d+", r"\1", text).encode()


def front_view(scenario: Scenario, point: FrontPoint, number: int) -> View:
    """One program of the front between time and smallest resolution."""
    return {
        **summary(scenario, point.prediction),
        "number": number,
        "asked": point.asked,
        "family": point.family,
        "cost": point.cost / SECONDS_PER_MINUTE,
    }


def what_if_view(each: WhatIf) -> View:
    """One single change that was tried, and what it gave in words."""
    met = math.isfinite(each.cost)
    return {"change": each.change, "gives": gives(each), "met": met, "family": each.family}


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


def peak_rows(scenario: Scenario, prediction: Prediction) -> list[View]:
    """The peak table with, between neighbours, the resolution they need."""
    rows: list[View] = [dict(each) for each in peak_documents(scenario, prediction)]
    pair = prediction.critical_pair or ()
    for number, (row, following) in enumerate(zip(rows, [*rows[1:], None], strict=True), 1):
        name = row["compound"]
        detail, group = scenario.detail(name), scenario.group(name)
        row["number"] = number
        row["retention"] = with_interval(
            row["retention_min"], row["retention_sd_min"], ".3f", "does not elute"
        )
        row["width"] = with_interval(row["width_half_min"], row["width_half_sd_min"], ".4f", "–")
        row["resolution"] = with_interval(row["resolution_to_next"], row["resolution_to_next_sd"], ".2f", "–")
        row["critical"] = name in pair
        row["last"] = following is None or following["retention_min"] is None
        row["needed"] = "" if following is None else need_in_words(scenario, name, following["compound"])
        row["beside"] = [
            *([] if row["role"] == "target" else [row["role"]]),
            *([] if group is None else [f"group {group.name}"]),
        ]
        row["bears"] = _bears(detail)
    return rows


def _bears(detail: AnalyteDetail) -> dict[str, str]:
    """What an analyte bears, to stand in brackets behind what it meets."""
    found = dict.fromkeys(("elution", "intact", "above"), "")
    if detail.max_elution_temperature is not None:
        found["elution"] = f"≤ {celsius(detail.max_elution_temperature):g}"
    if detail.min_intact_fraction is not None:
        found["intact"] = f"≥ {100 * detail.min_intact_fraction:g}"
    if detail.max_time_above is not None:
        above = detail.max_time_above
        found["above"] = f"above {celsius(above.temperature):g} °C, ≤ {above.duration / SECONDS_PER_MINUTE:g}"
    return found


def reliability_view(scenario: Scenario, candidate: Candidate) -> View:
    """What the template needs to say how sure a candidate is."""
    reliability = candidate.reliability
    return {
        "holds": percent(reliability.share),
        "judged": judged_text(scenario.goal.confidence, reliability),
        "failures": failures(reliability),
        "costs": costs(reliability),
        "set_points_off": set_point_rows(candidate),
    }


def set_point_rows(candidate: Candidate) -> list[View]:
    """One row a set point, the most critical first: what it does when off by its tolerance, down and up."""
    critical = candidate.prediction.critical_pair
    rows = []
    for each in map(set_point_tolerance_document, candidate.set_points):
        worse = worse_of(each)
        pair = worse["critical_pair"]
        rows.append(
            {
                "label": each["label"],
                "set_to": set_to(each),
                "end": _both(each, "run_time_change_s", "+.1f"),
                "resolution": _both(each, "min_resolution", ".2f"),
                "pair": ""
                if pair is None or tuple(pair) == critical
                else f"{' and '.join(pair)} ({worse['critical_pair_needs']:.2f} needed)",
                "breaks": each["breaks"],
            }
        )
    return rows


def _both(point: View, key: str, form: str) -> str:
    """A value with the set point moved down and up; a dash where there is no such program."""
    return " / ".join(
        number_text(None if point[which] is None else point[which][key], form)
        for which in ("lower", "higher")
    )
