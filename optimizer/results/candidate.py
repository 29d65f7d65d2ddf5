"""The candidates of a search as files that last: candidates.json and candidates.csv."""

from __future__ import annotations

import csv
import io
import json
import re
from typing import NamedTuple

from optimizer.base.numbers import SHARE, number, percent
from optimizer.base.tables import document_of, written
from optimizer.base.text_files import cell_text
from optimizer.base.workbooks import Cell, Rows, workbook_bytes
from optimizer.goal.cautions import cautions_of
from optimizer.goal.outcome import NOMINAL_GOAL, Candidate, Prediction, SearchOutcome
from optimizer.goal.uncertainty import SOURCE_TEXTS
from optimizer.results.detector import detector_settings
from optimizer.results.documents import FORMAT, Document, command_of
from optimizer.results.prediction import peak_documents
from optimizer.results.set_points import (
    SET_POINT_KEYS,
    carrier_set_points,
    inlet_line,
    one_line,
    oven_set_points,
    set_point_rows,
)
from optimizer.scenario.data import Scenario

_NUMBER = re.compile(r"[-+]?\d+(\.\d+)?(e[-+]?\d+)?")
MOST = 0.5  # of what lacks to the required probability, from which the fit is said to be to blame


def candidate_document(scenario: Scenario, outcome: SearchOutcome) -> Document:
    """What candidates.json holds; a number that does not exist is null."""
    ambient = scenario.ambient_pressure
    return {
        "format": FORMAT,
        "title": scenario.title,
        "goal": written(scenario.goal),
        "tolerances": written(scenario.tolerances),
        **document_of(outcome, ambient),
        "scouting_advice": scouting_advice(scenario, outcome),
        "what_ifs_note": none_enough(outcome),
        "search": {
            "seed": scenario.search.seed,
            "seconds": number(outcome.seconds, 3),
            "rounds": outcome.rounds,
            "programs_tried": outcome.programs_tried,
            "interrupted": outcome.interrupted,
            "families": [document_of(each, ambient) for each in outcome.families],
            "ramp_more": None if outcome.ramp_more is None else document_of(outcome.ramp_more, ambient),
            "unknowns": None if outcome.unknowns is None else document_of(outcome.unknowns, ambient),
            "another_run": None if outcome.another_run is None else document_of(outcome.another_run, ambient),
            "study": None if outcome.study is None else document_of(outcome.study, ambient),
        },
        "candidates": [_candidate(scenario, each) for each in outcome.candidates],
        "cautions": list(cautions_of(scenario, outcome)),
    }


def _candidate(scenario: Scenario, candidate: Candidate) -> Document:
    flows = inlet_line(scenario, candidate.prediction)
    return {
        **document_of(candidate, scenario.ambient_pressure),
        "inlet_flows": None if flows is None else document_of(flows, scenario.ambient_pressure),
        "detector": document_of(detector_settings(scenario, candidate.prediction), scenario.ambient_pressure),
        "peaks": peak_documents(scenario, candidate.prediction),
    }


def none_enough(outcome: SearchOutcome) -> str | None:
    """That no change that was tried meets the goal; None where one does, or none was tried."""
    changes = [each for each in outcome.what_ifs if each.change != NOMINAL_GOAL]
    if not changes or any(each.meets for each in changes):
        return None
    return "None of these single changes is enough by itself, in the time given to each."


def first_line(outcome: SearchOutcome) -> str:
    """Which kind of no it is where nothing meets the goal."""
    return "No program meets the goal." if outcome.not_met is None else outcome.not_met.text


class NextStep(NamedTuple):
    """What to do next: a command, empty where it is no command that helps, and why."""

    command: str
    why: str


def next_step(scenario: Scenario, outcome: SearchOutcome) -> NextStep:
    """What to do with what a search found."""
    if outcome.feasible:
        command = f"{command_of(scenario, 'compare')} --run RUN --candidate 1 --results FOLDER"
        return NextStep(command, "Run it, then hold it against its prediction (FOLDER: of these results).")
    if scouting_advice(scenario, outcome) is not None:
        return NextStep(command_of(scenario, "next"), "It says which run to make next.")
    helps = next((each for each in outcome.what_ifs if each.meets and each.change != NOMINAL_GOAL), None)
    again = command_of(scenario, "optimize")
    if helps is not None:
        return NextStep(again, f"After a change that would help: {helps.change}, {helps.gives}.")
    return NextStep(again, "After relaxing what blocks, or with more --seconds.")


def scouting_advice(scenario: Scenario, outcome: SearchOutcome) -> str | None:
    """Where a further scouting run is the remedy; None elsewhere.

    It is where the fit is the main risk of the best nominal program, or where most of what the closest program lacks to
    the required probability comes from what the fit does not know; told of the one that would be surer then.
    """
    asked = scenario.goal.confidence
    if outcome.feasible or not outcome.candidates or asked <= 0:
        return None
    nominal = None if outcome.not_met is None else outcome.not_met.nominal
    helped: list[tuple[float, float]] = []  # pass probability without what the fit does not know, and now
    for known in (None if nominal is None else nominal.reliability, outcome.candidates[0].reliability):
        sources = () if known is None else known.sources
        fit = next((each for each in sources if each.text == SOURCE_TEXTS["retention"]), None)
        if known is None or fit is None or known.share >= asked:
            continue
        gained = fit.share_without - known.share
        main = nominal is not None and known is nominal.reliability and fit.main_risk
        if main or gained >= MOST * (asked - known.share):
            helped.append((fit.share_without, known.share))
    if not helped:
        return None
    without, now = max(helped)
    remedy, short = "the remedy", ""
    if without < asked:
        remedy, short = "a part of the remedy", f", still short of the required {percent(asked)}"
    return (
        f"The main risk is the retention model: with it known exactly, the probability of meeting every requirement "
        f"would be {percent(without)} instead of {percent(now)}{short}. A further scouting run may be "
        f"{remedy}; {command_of(scenario, 'next')} says which one."
    )


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
    """One row a candidate, for candidates.csv; the keys are `COLUMNS`, those of the document where it has one value."""
    rows = []
    for candidate in outcome.candidates:
        document, prediction = _candidate(scenario, candidate), candidate.prediction
        inlet, flows = document["inlet_pressure"], document["inlet_flows"]
        known, critical = candidate.reliability, candidate.most_critical
        first, second = prediction.critical_pair or (None, None)
        missed = next(iter(known.failures), None)
        intact = [
            each["intact_fraction"] for each in document["peaks"] if each["intact_fraction"] is not None
        ]
        row = document | {
            "feasible": "yes" if candidate.feasible else "no",
            "critical_pair_first": first,
            "critical_pair_second": second,
            "limited_by": "; ".join(candidate.limited_by),
            "oven": one_line(oven_set_points(prediction.program.oven)),
            "carrier_mode": prediction.program.carrier.mode,
            "carrier": one_line(carrier_set_points(prediction.program.carrier, scenario.ambient_pressure)),
            **{
                f"inlet_{when}_kPa_{scale}": inlet[when][f"{scale}_kPa"]
                for when in ("start", "highest")
                for scale in ("gauge", "absolute")
            },
            "smallest_intact_fraction": min(intact, default=None),
            "total_flow_largest_mL_min": None if flows is None else flows["total_mL_min"]["largest"],
            "fails_most_often": None if missed is None else missed.what,
            "fails_most_often_share": None if missed is None else SHARE.written(missed.share),
            "costliest_source": "; ".join(each.text for each in known.main_risks) or None,
            "share_without_it": SHARE.written(known.main_risks[0].share_without)
            if known.main_risks
            else None,
            "most_critical_set_point": None if critical is None else critical.name,
        }
        rows.append({column: row[column] for column in COLUMNS})
    return rows


def json_bytes(document: Document) -> bytes:
    """A document as the content of a file."""
    return (json.dumps(document, ensure_ascii=False, allow_nan=False, indent=1) + "\n").encode()


def _cell(value: str | float | None) -> str | float | None:
    """Text that a spreadsheet would compute as text; numbers that are written as text stay numbers."""
    return cell_text(value) if isinstance(value, str) and not _NUMBER.fullmatch(value) else value


def csv_bytes(columns: tuple[str, ...], rows: list[dict[str, str | float | None]]) -> bytes:
    """Rows as the content of a CSV file; cells without a value stay empty."""
    stream = io.StringIO()
    writer = csv.DictWriter(stream, columns, lineterminator="\n")
    writer.writeheader()
    for row in rows:
        writer.writerow({name: _cell(value) for name, value in row.items()})
    return stream.getvalue().encode()


def candidates_workbook(scenario: Scenario, outcome: SearchOutcome) -> bytes:
    """candidates.xlsx: candidates, their set points and their peaks."""
    set_points: list[dict[str, Cell]] = []
    peaks: list[dict[str, Cell]] = []
    for each in outcome.candidates:
        name, prediction = f"candidate {each.rank}", each.prediction
        set_points += set_point_rows(
            prediction.program, scenario.ambient_pressure, name, inlet_line(scenario, prediction)
        )
        peaks += [{"program": name, **peak} for peak in peak_documents(scenario, prediction)]
    return workbook_bytes(
        {
            "Candidates": Rows(COLUMNS, candidate_rows(scenario, outcome)),
            "Set points": Rows(SET_POINT_KEYS, set_points),
            "Peaks": Rows(tuple(peaks[0]) if peaks else ("program",), peaks),
        }
    )


def prediction_sheets(scenario: Scenario, prediction: Prediction, name: str = "program") -> dict[str, Rows]:
    """Sheets of one program: its set points and peaks."""
    ambient, line = scenario.ambient_pressure, inlet_line(scenario, prediction)
    peaks = peak_documents(scenario, prediction)
    return {
        "Peaks": Rows(tuple(peaks[0]) if peaks else ("compound",), peaks),
        "Set points": Rows(SET_POINT_KEYS, set_point_rows(prediction.program, ambient, name, line)),
    }
