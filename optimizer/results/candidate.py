"""The candidates of a search as files that last: candidates.json and candidates.csv."""

from __future__ import annotations

import csv
import io
import json
from dataclasses import asdict

from models.units import PA_PER_KPA
from optimizer.base.tables import written
from optimizer.goal.cautions import cautions_of
from optimizer.goal.outcome import Candidate, FrontPoint, InUse, Prediction, SearchOutcome
from optimizer.results.documents import (
    FORMAT,
    Document,
    minutes,
    number,
    peak_documents,
    program_document,
    valley_percent,
)
from optimizer.results.reliability import (
    most_critical,
    reliability_cells,
    reliability_document,
    set_point_tolerance_document,
    share_interval,
)
from optimizer.results.set_points import Flow, carrier_set_points, one_line, oven_set_points, split_line
from optimizer.results.what_if_words import none_enough, scouting_advice, what_if_document
from optimizer.scenario.data import Scenario


def candidate_document(scenario: Scenario, outcome: SearchOutcome) -> Document:
    """What candidates.json holds; a number that does not exist is null."""
    return {
        "format": FORMAT,
        "title": scenario.title,
        "feasible": outcome.feasible,
        "goal": written(scenario.goal),
        "tolerances": written(scenario.tolerances),
        "blocking": list(outcome.blocking),
        "scouting_advice": scouting_advice(scenario, outcome),
        "what_ifs": [what_if_document(each) for each in outcome.what_ifs],
        "what_ifs_note": none_enough(outcome),
        "search": {
            "seed": scenario.search.seed,
            "seconds": number(outcome.seconds, 3),
            "rounds": outcome.rounds,
            "programs_tried": outcome.programs_tried,
            "interrupted": outcome.interrupted,
            "families": [{"family": name, "cost_min": minutes(cost)} for name, cost in outcome.families],
            "study": None if outcome.study is None else asdict(outcome.study),
        },
        "current": None if outcome.current is None else _current(scenario, outcome.current),
        "front": [_front_point(scenario, each) for each in outcome.front],
        "front_note": outcome.front_note or None,
        "candidates": [_candidate(scenario, each) for each in outcome.candidates],
        "cautions": list(cautions_of(scenario, outcome)),
    }


def _front_point(scenario: Scenario, point: FrontPoint) -> Document:
    prediction = point.prediction
    pair = prediction.critical_pair
    return {
        "asked_share": number(point.asked),
        "family": point.family,
        **program_document(prediction.program, scenario.ambient_pressure),
        "cost_min": minutes(point.cost),
        "run_time_min": minutes(prediction.run_time),
        "min_resolution": number(prediction.min_resolution, 6),
        "critical_pair": list(pair) if pair else None,
    }


def _current(scenario: Scenario, in_use: InUse) -> Document:
    """The method in use, with what it breaks."""
    prediction, known = in_use.prediction, in_use.reliability
    pair = prediction.critical_pair
    return {
        **program_document(prediction.program, scenario.ambient_pressure),
        "run_time_min": minutes(prediction.run_time),
        "cycle_time_min": minutes(in_use.cycle_time),
        "samples_per_shift": number(in_use.samples_per_shift),
        "min_resolution": number(prediction.min_resolution, 6),
        "critical_pair": list(pair) if pair else None,
        "critical_pair_needs": number(prediction.critical_needed, 4),
        "valley_percent": valley_percent(prediction),
        "pass_probability": None if known is None else number(known.share, 3),
        "pass_probability_interval": None if known is None else list(share_interval(known)),
        "reliability": None if known is None else reliability_document(known),
        "breaks": list(in_use.breaks),
    }


def _inlet_flows(scenario: Scenario, prediction: Prediction) -> Document | None:
    """The flows of the inlet, null where nothing is known of it."""
    line = split_line(scenario.inlet, prediction.flow)
    if line is None:
        return None

    def over(flow: Flow) -> Document:
        return {
            "start": number(flow.start),
            "smallest": number(flow.smallest),
            "largest": number(flow.largest),
        }

    return {
        "mode": scenario.inlet.mode,
        "column_mL_min": over(line.column),
        "split_ratio": scenario.inlet.split_ratio,
        "split_mL_min": None if line.split is None else over(line.split),
        "septum_purge_mL_min": number(line.septum_purge),
        "total_mL_min": over(line.total),
    }


def _candidate(scenario: Scenario, candidate: Candidate) -> Document:
    prediction, ambient = candidate.prediction, scenario.ambient_pressure
    pair = prediction.critical_pair
    pressures = {
        "start": prediction.inlet_pressure[0],
        "highest": prediction.inlet_pressure.max(),
        "end": prediction.inlet_pressure[-1],
    }
    return {
        "rank": candidate.rank,
        "family": candidate.family,
        "feasible": candidate.feasible,
        **program_document(prediction.program, ambient),
        "inlet_pressure": {
            when: {
                "gauge_kPa": number((value - ambient) / PA_PER_KPA),
                "absolute_kPa": number(value / PA_PER_KPA),
            }
            for when, value in pressures.items()
        },
        "inlet_flows": _inlet_flows(scenario, prediction),
        "run_time_min": minutes(prediction.run_time),
        "cycle_time_min": minutes(candidate.cycle_time),
        "samples_per_shift": number(candidate.samples_per_shift),
        "min_resolution": number(prediction.min_resolution, 6),
        "critical_pair": list(pair) if pair else None,
        "critical_pair_needs": number(prediction.critical_needed, 4),
        "valley_percent": valley_percent(prediction),
        "pass_probability": number(candidate.pass_probability, 3),
        "pass_probability_interval": list(share_interval(candidate.reliability)),
        "reliability": reliability_document(candidate.reliability),
        "set_point_tolerances": [set_point_tolerance_document(each) for each in candidate.set_points],
        "limited_by": list(candidate.limited_by),
        "margins": [
            {"limit": each.name, "text": each.text, "margin": number(each.margin, 3), "binding": each.binding}
            for each in candidate.margins
        ],
        "missed": list(candidate.missed),
        "next_seconds": candidate.next_seconds,
        "compared": list(candidate.compared),
        "order_changes": list(candidate.order_changes),
        "warnings": list(candidate.warnings),
        "peaks": peak_documents(scenario, prediction),
    }


COLUMNS = (
    "rank",
    "family",
    "feasible",
    "run_time_min",
    "cycle_time_min",
    "min_resolution",
    "critical_pair_needs",
    "critical_pair_first",
    "critical_pair_second",
    "pass_probability",
    "limited_by",
    "oven",
    "carrier_mode",
    "carrier",
    "inlet_start_kPa_gauge",
    "inlet_start_kPa_absolute",
    "inlet_highest_kPa_gauge",
    "inlet_highest_kPa_absolute",
    "samples_per_shift",
    "valley_percent",
    "smallest_intact_fraction",
    "total_flow_largest_mL_min",
    "fails_most_often",
    "fails_most_often_share",
    "costliest_source",
    "share_without_it",
    "most_critical_set_point",
)


def candidate_rows(scenario: Scenario, outcome: SearchOutcome) -> list[dict[str, str | float | None]]:
    """One row a candidate, for candidates.csv; the keys are `COLUMNS`."""
    document = candidate_document(scenario, outcome)
    rows = []
    for candidate, entry in zip(outcome.candidates, document["candidates"], strict=True):
        program = candidate.prediction.program
        first, second = entry["critical_pair"] or (None, None)
        inlet, flows = entry["inlet_pressure"], entry["inlet_flows"]
        critical = most_critical(entry["set_point_tolerances"])
        intact = [peak["intact_fraction"] for peak in entry["peaks"] if peak["intact_fraction"] is not None]
        values = (
            *(entry[key] for key in COLUMNS[:2]),
            "yes" if entry["feasible"] else "no",
            *(entry[key] for key in COLUMNS[3:7]),
            first,
            second,
            entry["pass_probability"],
            "; ".join(entry["limited_by"]),
            one_line(oven_set_points(program.oven)),
            program.carrier.mode,
            one_line(carrier_set_points(program.carrier, scenario.ambient_pressure)),
            *(inlet[when][scale] for when in ("start", "highest") for scale in ("gauge_kPa", "absolute_kPa")),
            entry["samples_per_shift"],
            entry["valley_percent"],
            min(intact, default=None),
            None if flows is None else flows["total_mL_min"]["largest"],
            *reliability_cells(candidate),
            None if critical is None else critical["set_point"],
        )
        rows.append(dict(zip(COLUMNS, values, strict=True)))
    return rows


def json_bytes(document: Document) -> bytes:
    """A document as the content of a file."""
    return (json.dumps(document, ensure_ascii=False, allow_nan=False, indent=1) + "\n").encode()


def csv_bytes(columns: tuple[str, ...], rows: list[dict[str, str | float | None]]) -> bytes:
    """Rows as the content of a CSV file; cells without a value stay empty."""
    stream = io.StringIO()
    writer = csv.DictWriter(stream, columns, lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return stream.getvalue().encode()
