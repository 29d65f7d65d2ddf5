"""A candidate as the report shows it: texts, tables and pictures, ready for the template."""

from __future__ import annotations

import math
import re
from base64 import b64encode
from dataclasses import dataclass
from typing import Any

import numpy as np

from models.column.programs import Array
from models.units import SECONDS_PER_MINUTE, celsius, flow_mL_min
from optimizer.base.numbers import MINUTES, RESOLUTION, SECONDS, percent
from optimizer.goal.cautions import PLANNING, cautions_about, cautions_in_short, not_to_be_run, without_breaks
from optimizer.goal.goal import end_of_peak
from optimizer.goal.outcome import Candidate, InletPressure, InUse, Prediction, SearchOutcome
from optimizer.results.detector import detector_settings
from optimizer.results.plot_data import ChromatogramData, chromatogram_data, thinned_curve
from optimizer.results.prediction import ELUTION, FACTOR, INTACT_PERCENT, predicted_peaks
from optimizer.results.reliability import (
    at_risk_text,
    becomes_critical,
    both_ways,
    critical_line,
    critical_pair_text,
    judged_text,
    probability_text,
    risks,
    set_to,
)
from optimizer.results.scenario_words import need_in_words
from optimizer.results.set_points import (
    carrier_set_points,
    inlet_line,
    line_to_set,
    oven_set_points,
    pressure_text,
    program_lines,
    set_point_lines,
    typed,
)
from optimizer.scenario.data import AnalyteDetail, Scenario
from optimizer.show.pictures.chromatograms import (
    LEAST_SPANS,
    band_caption,
    chromatogram_figure,
    picture,
    roomy_range,
    signal_range,
)
from optimizer.show.pictures.exposure import exposure_data, exposure_figure
from optimizer.show.pictures.label_placement import shortened
from optimizer.show.pictures.pair import critical_pair_figure, pair_note

View = dict[str, Any]
SIGNAL_TOLERANCE = (
    0.01  # % of the highest signal by which a thinned trace may be off: unseen when enlarged 50 times
)
LEAST_SIGNAL = 1e-4  # %, likewise of the lowest parts of a signal
TRACE_TOLERANCE = 5e-4  # of the axis' range, likewise of oven, pressure and flow
TIME_DECIMALS = 5  # of a minute: a hundredth of the sharpest peak
LONGEST_NAME = 24  # characters, of a label above a peak
BASE = 0.85  # of the width at half height, from the apex to where a tangent meets the base line
# name, unit and decimals of what is drawn below the signal
TRACES = {
    "oven": ("oven", "°C", 1),
    "pressure": ("inlet", "kPa gauge", 1),
    "flow": ("column flow", "mL/min", 2),
}


def heading(shown: Candidate | InUse) -> str:
    """A program's name above a picture."""
    who = (
        f"Candidate {shown.rank}: {shown.family},"
        if isinstance(shown, Candidate)
        else "Method in use, as predicted:"
    )
    return f"{who} run {MINUTES.text(shown.prediction.run_time)} min"


def program_view(scenario: Scenario, shown: Candidate | InUse) -> View:
    """What candidates and the method in use have in common, without pictures of which there are files."""
    prediction = shown.prediction
    known = shown.reliability
    risk = None if known is None else known.pair_at_risk
    chart = chromatogram_data(prediction, scenario.ambient_pressure, heading(shown), known)
    return {
        "is": shown,
        "program": program_lines(prediction.program, scenario.ambient_pressure),
        "probability": "–" if known is None else percent(known.share),
        "at_risk": at_risk_text(known),
        "risk": "" if risk is None else f"{' and '.join(risk.pair)}, {percent(risk.share)}",
        "at_risk_is_critical": risk is not None and risk.pair == prediction.critical_pair,
        "critical_pair": critical_pair_text(prediction),
        "chart": chart_view(prediction, chart),
        "data": chart,
        "tables": set_point_tables(scenario, prediction),
        "band_caption": band_caption(prediction),
    }


def set_point_tables(scenario: Scenario, prediction: Prediction) -> list[Any]:
    """Oven and carrier as they are typed in."""
    bake = bake_out_part(scenario, prediction)
    return [
        oven_set_points(prediction.program.oven, bake is not None and bake.own_ramp),
        carrier_set_points(prediction.program.carrier, scenario.ambient_pressure),
    ]


def candidate_view(scenario: Scenario, candidate: Candidate, pictures: dict[str, bytes]) -> View:
    """Everything about a candidate; `pictures` holds chromatogram_N.svg and, where any, exposure_N.svg."""
    prediction, ambient = candidate.prediction, scenario.ambient_pressure
    line = inlet_line(scenario, prediction)
    bake = bake_out_part(scenario, prediction)
    view = program_view(scenario, candidate)
    pair_figure = critical_pair_figure(view["data"])
    return view | {
        "plain_text": "\n".join([scenario.title, *candidate_lines(scenario, candidate), PLANNING]),
        "bake_out": "" if bake is None else bake.words(len(prediction.program.oven.ramps)),
        "pressures": _pressures(candidate.inlet_pressure, ambient),
        "flows": (
            *((("Column flow", _span(flow_mL_min(prediction.flow))),) if line is None else line.lines()),
            *line_to_set(scenario.column),
            *detector_settings(scenario, prediction).lines(),
        ),
        "image": as_image(pictures[f"chromatogram_{candidate.rank}.svg"]),
        **exposure_view(scenario, prediction, pictures.get(f"exposure_{candidate.rank}.svg")),
        "pair_image": None if pair_figure is None else as_image(picture(pair_figure, "svg")),
        "peaks": peak_rows(scenario, prediction),
        "judged": judged_text(scenario.goal.confidence, candidate.reliability),
        "risks": risks(candidate.reliability),
        "set_points_off": [
            {
                "label": point.label,
                "set_to": set_to(point),
                "end": both_ways(point, lambda moved: SECONDS.text(moved.run_time_change)),
                "resolution": both_ways(point, lambda moved: RESOLUTION.text(moved.resolution)),
                "pair": becomes_critical(point, candidate),
                "breaks": point.breaks,
            }
            for point in candidate.set_points
        ],
        "critical_set_point": _capital(critical_line(candidate)) if candidate.set_points else "",
        "in_short": cautions_in_short(scenario, prediction),
    }


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def in_use_view(scenario: Scenario, in_use: InUse) -> View:
    """The method in use, with its pictures, which stand in no files."""
    view = program_view(scenario, in_use)
    strips = exposure_data(scenario, in_use.prediction)
    svg = None if strips is None else picture(exposure_figure(strips), "svg")
    return {
        **view,
        "not_to_be_run": not_to_be_run(in_use.breaks_equipment),
        "breaks": without_breaks(in_use.breaks, in_use.breaks_equipment),
        "image": as_image(picture(chromatogram_figure(view["data"]), "svg")),
        **exposure_view(scenario, in_use.prediction, svg),
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


@dataclass(frozen=True)
class BakeOutPart:
    """The end of an oven program that only cleans the column.

    Attributes
    ----------
    begins : float  [s]
    own_ramp : bool, whether the last ramp belongs to it; else it is the last part of the last hold
    hold : float  [s]
    temperature : float  [K]
    """

    begins: float
    own_ramp: bool
    hold: float
    temperature: float

    def words(self, ramps: int) -> str:
        """One line for people, of a program with so many oven ramps."""
        hold = f"{typed(self.hold / SECONDS_PER_MINUTE, 3)} min at {typed(celsius(self.temperature), 2)} °C"
        begins = f"begins at {MINUTES.text(self.begins)} min"
        if self.own_ramp:
            return f"ramp {ramps} and its hold, {hold}; {begins}"
        return f"the last {hold}, part of the {'last ' if ramps else ''}hold; {begins}"


def bake_out_part(scenario: Scenario, prediction: Prediction) -> BakeOutPart | None:
    """The bake-out of a program that a search of the scenario gave, None where it asks for none."""
    bake, oven = scenario.goal.bake_out, prediction.program.oven
    if bake is None:
        return None
    times, temperatures = oven.knots()
    hold = bake.hold
    if oven.ramps:
        rising = times[-3]
        last = float(np.max(end_of_peak(prediction.retention, prediction.width_half)))
        if rising > last - scenario.instrument.steps.time / 2:  # the method ended on the clock's grid
            return BakeOutPart(rising, True, hold, temperatures[-1])
    return BakeOutPart(oven.duration - hold, False, hold, temperatures[-1])


def _pressures(pressure: InletPressure, ambient: float) -> list[tuple[str, str]]:
    """Inlet pressures worth telling apart: at the start, at the end, and the highest where it is neither."""
    start, highest, end = (pressure_text(each, ambient) for each in pressure)
    if start == end == highest:
        return [("Inlet pressure", start)]
    found = [("Inlet pressure at the start", start), ("Inlet pressure at the end", end)]
    return found if highest in (start, end) else [*found, ("Highest inlet pressure", highest)]


def _span(flow: Array) -> str:
    """Column flow over a run [mL/min]."""
    return f"{' to '.join(dict.fromkeys((f'{flow.min():.2f}', f'{flow.max():.2f}')))} mL/min"


def peak_rows(scenario: Scenario, prediction: Prediction) -> list[View]:
    """The peak table with, between neighbours, the resolution they need."""
    peaks = predicted_peaks(scenario, prediction)
    pair = prediction.critical_pair or ()
    rows: list[View] = []
    for number, (peak, following) in enumerate(zip(peaks, [*peaks[1:], None], strict=True), 1):
        group = scenario.group(peak.compound)
        rows.append(
            {
                "number": number,
                "is": peak,
                "retention": "does not elute" if math.isnan(peak.retention) else peak.retention_text,
                "elution": ELUTION.text(peak.elution),
                "retention_factor": FACTOR.text(peak.retention_factor),
                "intact": INTACT_PERCENT.text(peak.intact),
                "above": MINUTES.text(peak.time_above),
                "critical": peak.compound in pair,
                "needed": ""
                if following is None or math.isnan(following.retention)
                else need_in_words(scenario, peak.compound, following.compound),
                "beside": [
                    *([] if peak.role == "target" else [peak.role]),
                    *([] if group is None else [f"group {group.name}"]),
                ],
                "bears": _withstands(scenario.detail(peak.compound)),
            }
        )
    return rows


def _withstands(detail: AnalyteDetail) -> dict[str, str]:
    """What an analyte withstands, to stand in brackets behind what it meets."""
    found = dict.fromkeys(("elution", "intact", "above"), "")
    if detail.max_elution_temperature is not None:
        found["elution"] = f"≤ {celsius(detail.max_elution_temperature):g}"
    if detail.min_intact_fraction is not None:
        found["intact"] = f"≥ {100 * detail.min_intact_fraction:g}"
    if detail.max_time_above is not None:
        above = detail.max_time_above
        found["above"] = f"above {celsius(above.temperature):g} °C, ≤ {above.duration / SECONDS_PER_MINUTE:g}"
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
    """The set points of one candidate, with what it promises and its warnings."""
    lines = [heading(candidate) + ("" if candidate.feasible else " (does not meet the goal)")]
    prediction = candidate.prediction
    bake = bake_out_part(scenario, prediction)
    own_ramp = bake is not None and bake.own_ramp
    lines += set_point_lines(prediction.program, scenario.ambient_pressure, own_ramp, scenario.column)
    if bake is not None:
        lines.append(f"Bake-out: {bake.words(len(prediction.program.oven.ramps))}")
    pressure = candidate.inlet_pressure
    for when, value in (("at the start", pressure.start), ("at its highest", pressure.highest)):
        lines.append(f"Inlet {when}: {pressure_text(value, scenario.ambient_pressure)}")
    line = inlet_line(scenario, prediction)
    lines += [] if line is None else [f"{name}: {text}" for name, text in line.lines()]
    lines += [f"{name}: {text}" for name, text in detector_settings(scenario, prediction).lines()]
    at_risk = at_risk_text(candidate.reliability)
    lines += [f"Pair at risk: {at_risk}"] if at_risk else []
    pair = prediction.critical_pair
    if pair is not None:
        lines.append(f"Critical pair: {pair[0]} and {pair[1]}, Rs {critical_pair_text(prediction)}")
    lines.append(probability_text(candidate.reliability))
    return [*lines, *(f"Warning: {warning}" for warning in candidate.warnings)]


def chart_view(prediction: Prediction, data: ChromatogramData) -> dict[str, Any]:
    """What the script draws, in the reader's units: numbers, and names that are nothing but text."""
    row = {name: m for m, name in enumerate(prediction.compounds)}
    numbers = {prediction.compounds[m]: number for number, m in enumerate(prediction.order, 1)}
    beneath = {
        "oven": (data.oven_times, data.oven),
        "pressure": (data.trace_times, data.pressure),
        "flow": (data.trace_times, data.flow),
    }
    return {
        "end": _rounded(data.end, TIME_DECIMALS),
        "signal_range": [_significant(each) for each in signal_range(data)],
        "signal": _signal(data.times, data.response),
        "critical": [_over_bleed(data, each) for each in data.critical_responses],
        "pair": "" if data.window is None else pair_note(data).replace("\n", ", "),
        "valley": None if data.valley_at is None else [_significant(each) for each in data.valley_at],
        "window": None if data.window is None else [_rounded(t, TIME_DECIMALS) for t in data.window],
        "peaks": [
            {
                "number": numbers[label.name],
                "name": label.name,
                "label": shortened(label.name, LONGEST_NAME),
                "time": _rounded(label.time, TIME_DECIMALS),
                "height": _significant(label.height),
                "reach": _rounded(
                    BASE * prediction.width_half[row[label.name]] / SECONDS_PER_MINUTE, TIME_DECIMALS
                ),
                "half": _rounded(float(half), TIME_DECIMALS) if np.isfinite(half) else None,
                "temperature": _rounded(celsius(prediction.elution_temperature[row[label.name]]), 2),
                "critical": label.critical,
            }
            for label, half in zip(data.labels, data.half_intervals, strict=True)
        ],
        "traces": [
            _trace(kind, *beneath[kind], data.ambient if kind == "pressure" else None)
            for kind in TRACES
            if np.isfinite(beneath[kind][1]).any()
        ],
    }


def _trace(kind: str, times: Array, values: Array, ambient: float | None) -> dict[str, Any]:
    name, unit, decimals = TRACES[kind]
    low, high = roomy_range(values, LEAST_SPANS[kind])
    return {
        "kind": kind,
        "name": name,
        "unit": unit,
        "decimals": decimals,
        "ambient": None if ambient is None else _rounded(ambient, 3),
        "range": [_rounded(low, 3), _rounded(high, 3)],
        **_curve(times, values, TRACE_TOLERANCE * (high - low), 3),
    }


def _signal(times: Array, values: Array) -> dict[str, list[float]]:
    """A signal thinned by its own height, so that a small peak beside a huge one is as smooth when it is enlarged."""
    tolerance = np.clip(SIGNAL_TOLERANCE * values, LEAST_SIGNAL, SIGNAL_TOLERANCE)
    kept = thinned_curve(times, values, tolerance)
    return {
        "times": [_rounded(float(t), TIME_DECIMALS) for t in times[kept]],
        "values": [_rounded(_significant(float(y)), 5) for y in values[kept]],
    }


def _over_bleed(data: ChromatogramData, response: Array) -> dict[str, list[float]]:
    """A peak by itself, on top of the bleed where there is any."""
    if data.bleed is None:
        return _signal(data.times, response)
    seen = response > 1e-4 * data.top
    return _signal(data.times[seen], (response + data.bleed)[seen])


def _significant(value: float) -> float:
    return _rounded(float(f"{value:.6g}"), 6)


def _curve(times: Array, values: Array, tolerance: float, decimals: int) -> dict[str, list[float]]:
    seen = np.isfinite(values)
    times, values = times[seen], values[seen]
    kept = thinned_curve(times, values, tolerance)
    return {
        "times": [_rounded(float(t), TIME_DECIMALS) for t in times[kept]],
        "values": [_rounded(float(y), decimals) for y in values[kept]],
    }


def _rounded(value: float, decimals: int) -> float:
    """As few digits as it has: whole numbers without a point."""
    number = round(float(value), decimals)
    return int(number) if number == int(number) else number
