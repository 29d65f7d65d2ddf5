"""What a search leaves behind: the report, the documents, the pictures."""

from __future__ import annotations

import base64
import csv
import io
import json
import math
import re
from dataclasses import replace
from html.parser import HTMLParser
from typing import Any

import numpy as np
import pytest

from models.column.programs import Program
from optimizer.goal.cautions import PLANNING
from optimizer.goal.outcome import SearchOutcome
from optimizer.results.candidate import COLUMNS, json_bytes
from optimizer.results.fit import FitResult
from optimizer.results.prediction import prediction_document
from optimizer.scenario.data import AnalyteDetail, PairRule, Scenario
from optimizer.show.pages.page import number_text
from optimizer.show.pages.report import (
    candidate_document,
    candidate_rows,
    fit_files,
    outcome_files,
    prediction_files,
)
from tests.optimizer.made_up import (
    ISOTHERMAL,
    PRESSURE_RAMP,
    TWO_RAMPS,
    compounds,
    made_up_fit,
    made_up_outcome,
    made_up_scenario,
    names_of,
    predicted,
)

HOSTILE = '<script>alert("x")</script> & <b>'
RETENTION = compounds(6)
NAMES = (*names_of(5), HOSTILE)
FIT = made_up_fit(RETENTION)


def scenario_with(**changes: Any) -> Scenario:
    return replace(made_up_scenario(NAMES, RETENTION), **changes)


def outcome_with(*programs: Program, **options: Any) -> SearchOutcome:
    return made_up_outcome([predicted(RETENTION, NAMES, each) for each in programs], **options)


def page(scenario: Scenario, outcome: SearchOutcome) -> str:
    files = outcome_files(scenario, FIT, outcome)
    return files["report.html"].decode()


class Reader(HTMLParser):
    """Tags with their attributes, the text a person sees, the rows of all tables, and what is there to be copied."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str]]] = []
        self.open: list[str] = []
        self.words: list[str] = []
        self.copies: list[str] = []
        self.rows: list[list[str]] = []
        self.feed(html)
        self.close()
        self.text = re.sub(r"\s+", " ", " ".join(self.words))

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, {name: value or "" for name, value in attrs}))
        if tag not in ("meta", "img", "br", "input"):
            self.open.append(tag)
        if tag == "tr":
            self.rows.append([])
        if tag in ("td", "th"):
            self.rows[-1].append("")

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag, f"</{tag}> closes something else"

    def handle_data(self, data: str) -> None:
        if "pre" in self.open:
            self.copies.append(data)
        elif "style" not in self.open and "script" not in self.open:
            self.words.append(data.strip())
        if self.open and ("td" in self.open or "th" in self.open):
            self.rows[-1][-1] = f"{self.rows[-1][-1]} {data}".strip()
            self.rows[-1][-1] = re.sub(r"\s+", " ", self.rows[-1][-1])


OUTCOME = outcome_with(TWO_RAMPS, PRESSURE_RAMP, current=predicted(RETENTION, NAMES, ISOTHERMAL))


@pytest.fixture(scope="module")
def report() -> Reader:
    return Reader(page(scenario_with(), OUTCOME))


def test_the_page_is_well_formed_and_self_contained(report: Reader) -> None:
    assert report.open == []
    for tag, attributes in report.tags:
        assert tag not in ("link", "iframe", "object", "embed", "base", "form", "b")
        for name in ("src", "href"):
            if name in attributes:
                assert attributes[name].startswith(("data:image/svg+xml;base64,", "#")), attributes[name][:40]
        assert not any(name.startswith("on") for name in attributes)
        assert "style" not in attributes
    targets = {attributes["id"] for _, attributes in report.tags if "id" in attributes}
    links = {attributes["href"][1:] for tag, attributes in report.tags if tag == "a"}
    assert links
    assert links <= targets


def test_names_are_text_and_never_markup(report: Reader) -> None:
    html = page(scenario_with(title=HOSTILE, phase=HOSTILE), OUTCOME)
    assert "<script>alert" not in html
    assert "<b>" not in html
    # two peak tables and the table of parameters; title twice and column phase
    assert report.text.count(HOSTILE) == 3
    assert Reader(html).text.count(HOSTILE) == 6
    for picture in re.findall(r"base64,([^\"]+)", html):
        svg = base64.b64decode(picture).decode()
        assert svg.startswith("<?xml")
        assert "<script" not in svg


def test_every_picture_is_described(report: Reader) -> None:
    pictures = [attributes for tag, attributes in report.tags if tag == "img"]
    # chromatograms of two candidates and the method in use; two enlarged pairs; residuals
    assert len(pictures) == 6
    assert all(len(attributes["alt"]) > 20 for attributes in pictures)


def test_the_page_says_what_it_must(report: Reader) -> None:
    text = report.text
    best = OUTCOME.candidates[0].prediction
    for words in (
        f"90.00 → {best.run_time / 60:.2f} min",
        "rampwright compare made_up --run RUN --candidate 1 --results FOLDER",
        "Heat: up to 260 °C",
        "resolution of at least 1.5 for every pair that counts",
        "30 m × 0.25 mm × 0.25 µm, 5 % phenyl methylpolysiloxane, phase ratio 250; 40 to 325 °C",
        "helium, outlet at ambient pressure; room at 101.3 kPa absolute",
        "up to 400.0 kPa gauge (501.3 kPa absolute, 58.02 psi gauge)",
        "Column velocity +0.60 % against what the dimensions give; plate height 1.12 times theory",
        "too few to test the fit",
        "Two runs cannot show a mistake: add a third.",
        "Limited by resolution of",
        "Extrapolates: 20 to 40 °C was not scouted.",
        f"valley {best.valley:.1f} %",
        f"The critical pair, {' and '.join(best.critical_pair or ())}, has a resolution of {best.min_resolution:.2f}",
        "93 % probability of meeting every requirement (simulated, 95 % interval 90 to 95 %)",
        "Gas cylinders and the column head are under pressure",
    ):
        assert words in text, words
    assert text.count(PLANNING) == 2
    assert text.count("Stay below the temperature on the column's tag") == 1
    assert "ydrogen" not in text
    assert "The goal is not met" not in text


def test_numbers_in_the_page() -> None:
    assert [number_text(x, "+.1f") for x in (1.25, -0.04, None, math.nan, math.inf)] == [
        "+1.2",
        "+0.0",
        "–",
        "–",
        "–",
    ]


def test_set_points_are_typed(report: Reader) -> None:
    assert ["start", "-", "50", "1"] in report.rows
    assert ["ramp 1", "20", "120", "0.5"] in report.rows
    assert ["ramp 2", "12.5", "260", "0"] in report.rows
    assert ["all along", "1.4"] in report.rows
    assert [
        "step",
        "kPa/min",
        "to kPa gauge",
        "hold, min",
        "kPa absolute",
        "psi gauge",
        "psi/min",
    ] in report.rows
    assert ["ramp 1", "10", "180", "0", "281.3", "26.11", "1.45"] in report.rows


def test_peak_tables_have_every_peak_and_mark_the_critical_pair_in_words(report: Reader) -> None:
    heading = [row for row in report.rows if row[:2] == ["no.", "compound"]]
    assert len(heading) == 2
    for candidate in OUTCOME.candidates:
        prediction = candidate.prediction
        assert prediction.critical_pair is not None
        for number, m in enumerate(prediction.order, 1):
            mark = " ◆ critical pair" if prediction.compounds[m] in prediction.critical_pair else ""
            rows = [row for row in report.rows if row[:2] == [str(number), prediction.compounds[m] + mark]]
            half = f" ± {1.96 * prediction.retention_sd[m] / 60:.3f}"
            shown = [float(row[2].removesuffix(half)) for row in rows]
            assert any(abs(t - prediction.retention[m] / 60) <= 0.0006 for t in shown), prediction.compounds[
                m
            ]


def test_residuals_of_every_compound_and_run(report: Reader) -> None:
    for m, name in enumerate(NAMES):
        values = ["–" if np.isnan(r) else f"{r:+.2f}" for r in FIT.residual[:, m]]
        assert any(row[0] == name and row[-2:] == values for row in report.rows if len(row) == 6), name


def test_an_infeasible_goal_names_what_blocks_first() -> None:
    html = page(scenario_with(), outcome_with(TWO_RAMPS, feasible=False))
    text = Reader(html).text
    assert "The goal is not met" in text
    assert "resolution of a and b 0.62 (needs 1.50): 58.7 % short" in text
    assert text.index("58.7 % short") < text.index("Inputs")
    assert "Does not meet the goal." in text
    assert "Goal not met" in text


def test_nothing_found_at_all() -> None:
    outcome = replace(outcome_with(), interrupted=True)
    text = Reader(page(scenario_with(), outcome)).text
    assert "The search found no program." in text
    assert "The search was stopped early" in text


def test_roles_rules_and_what_does_not_elute() -> None:
    scenario = scenario_with(
        analytes=(AnalyteDetail(NAMES[0], "matrix"), AnalyteDetail(NAMES[1], "matrix")),
        pairs=(PairRule((NAMES[2], NAMES[3]), ignore=True), PairRule((NAMES[3], NAMES[4]), 2.0)),
    )
    lost = predicted(RETENTION, NAMES)
    lost = replace(lost, retention=np.where(np.arange(6) == 5, np.nan, lost.retention))
    report = Reader(page(scenario, made_up_outcome([lost])))
    assert f"{NAMES[0]}: matrix." in report.text
    assert f"{NAMES[2]} and {NAMES[3]} need not be resolved." in report.text
    assert f"{NAMES[3]} and {NAMES[4]} need a resolution of 2." in report.text
    rows = {row[1].split(" ◆")[0]: row for row in report.rows if len(row) == 8}
    assert rows[f"{NAMES[0]} (matrix)"][-1] == "does not count"  # between two of the matrix
    assert rows[f"{NAMES[1]} (matrix)"][-1] == "1.50"
    assert rows[NAMES[2]][-1] == "does not count"
    assert rows[NAMES[3]][-1] == "2.00"
    assert rows[NAMES[4]][-2:] == ["–", ""]  # the last that elutes
    assert rows[HOSTILE][2] == "does not elute"


def test_candidates_json_has_the_agreed_keys() -> None:
    document = json.loads(json_bytes(candidate_document(scenario_with(), OUTCOME)))
    assert document["format"] == 1
    assert document["title"] == "A made-up mixture"
    assert document["feasible"] is True
    assert (document["goal"]["minimise"], document["goal"]["min_resolution"]) == ("run time", 1.5)
    ramped, pressure = document["candidates"]
    assert set(ramped) >= {
        "rank", "family", "oven", "carrier", "run_time_min", "cycle_time_min", "min_resolution", "critical_pair",
        "pass_probability", "limited_by", "peaks",
    }  # fmt: skip
    assert ramped["oven"] == {
        "start_C": 50,
        "hold_min": 1,
        "ramps": [
            {"rate_C_per_min": 20, "to_C": 120, "hold_min": 0.5},
            {"rate_C_per_min": 12.5, "to_C": 260, "hold_min": 0},
        ],
    }
    assert ramped["carrier"] == {"mode": "constant flow", "flow_mL_min": 1.4}
    assert pressure["carrier"] == {
        "mode": "pressure program",
        "start_kPa": 80,
        "hold_min": 1,
        "ramps": [{"rate_kPa_per_min": 10, "to_kPa": 180, "hold_min": 0}],
    }
    assert pressure["inlet_pressure"]["start"] == {"gauge_kPa": 80.0, "absolute_kPa": 181.3}
    prediction = OUTCOME.candidates[0].prediction
    assert ramped["run_time_min"] == pytest.approx(prediction.run_time / 60, abs=1e-4)
    assert ramped["critical_pair"] == list(prediction.critical_pair or ())
    first = ramped["peaks"][0]
    assert set(first) >= {
        "compound", "retention_min", "retention_sd_min", "width_half_min", "elution_C", "retention_factor",
        "intact_fraction",
    }  # fmt: skip
    assert first["compound"] == prediction.compounds[prediction.order[0]]
    assert first["retention_min"] == pytest.approx(prediction.retention.min() / 60, abs=1e-4)
    assert first["elution_C"] == pytest.approx(prediction.elution_temperature.min() - 273.15, abs=0.05)


def test_what_is_not_a_number_is_null() -> None:
    lost = predicted(RETENTION, NAMES)
    nan = np.full(6, np.nan)
    lost = replace(
        lost, retention=np.where(np.arange(6) == 2, np.nan, lost.retention), retention_sd=nan, width_half=nan,
        counted_pairs=np.zeros((0, 2), dtype=np.intp), needed=np.zeros(0), resolution=np.zeros(0), critical=None,
    )  # fmt: skip
    outcome = made_up_outcome([replace(lost, critical=None)])
    text = json_bytes(candidate_document(scenario_with(), outcome)).decode()
    assert "NaN" not in text
    assert "Infinity" not in text
    candidate = json.loads(text)["candidates"][0]
    assert candidate["min_resolution"] is None  # infinite: no pair counts
    assert candidate["critical_pair"] is None
    assert candidate["peaks"][-1]["retention_min"] is None
    assert candidate["peaks"][0]["retention_sd_min"] is None


def test_candidates_csv() -> None:
    files = outcome_files(scenario_with(), FIT, OUTCOME)
    rows = list(csv.DictReader(io.StringIO(files["candidates.csv"].decode())))
    assert tuple(rows[0]) == COLUMNS
    assert [row["rank"] for row in rows] == ["1", "2"]
    assert rows[0]["oven"] == "50 °C (1 min), 20 °C/min to 120 °C (0.5 min), 12.5 °C/min to 260 °C"
    assert (rows[1]["inlet_start_kPa_gauge"], rows[1]["inlet_start_kPa_absolute"]) == ("80.0", "181.3")
    for row, same in zip(rows, candidate_rows(scenario_with(), OUTCOME), strict=True):
        assert math.isclose(float(row["min_resolution"]), float(same["min_resolution"] or 0))


def test_everything_is_left_behind() -> None:
    files = outcome_files(scenario_with(), FIT, OUTCOME)
    assert set(files) == {
        "candidates.json", "candidates.csv", "candidates.xlsx", "report.html", "qa_sheet.html", "set_points.txt",
        "chromatogram_1.png", "chromatogram_1.svg", "chromatogram_2.png", "chromatogram_2.svg",
    }  # fmt: skip
    assert files["chromatogram_1.png"].startswith(b"\x89PNG")
    text = files["set_points.txt"].decode()
    assert "Carrier, constant flow: 1.4 mL/min" in text
    assert PLANNING in text


def test_files_of_fit_and_prediction() -> None:
    scenario = scenario_with()
    files = fit_files(FitResult(scenario, FIT))
    assert set(files) == {"fit.json", "residuals.png", "residuals.svg"}
    assert len(json.loads(files["fit.json"])["compounds"]) == 6
    prediction = predicted(RETENTION, NAMES)
    files = prediction_files(scenario, prediction, prediction_document(scenario, prediction))
    assert set(files) == {
        "prediction.json",
        "prediction.xlsx",
        "peaks.csv",
        "chromatogram.png",
        "chromatogram.svg",
    }
    rows = list(csv.DictReader(io.StringIO(files["peaks.csv"].decode())))
    assert [row["compound"] for row in rows] == [NAMES[m] for m in prediction.order]
