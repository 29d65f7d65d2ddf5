"""How sure candidates are, as report, console, candidates.json and candidates.csv say it."""

from __future__ import annotations

import io
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from rich.console import Console

from optimizer.goal.goal import problem_of
from optimizer.goal.outcome import FrontPoint, SearchOutcome
from optimizer.goal.reliability import Failure, Moved, Reliability, SetPointTolerance, Source
from optimizer.results.candidate import candidate_document, candidate_rows
from optimizer.results.prediction import PredictionResult
from optimizer.results.reliability import reliability_text
from optimizer.scenario.data import Goal, Scenario
from optimizer.scenario.instrument_data import Tolerances
from optimizer.show.console.candidates import show_candidates
from optimizer.show.console.common import show_check
from optimizer.show.console.prediction import show_prediction
from optimizer.show.pages.report_candidate import candidate_lines
from optimizer.show.pictures.chromatograms import band_caption
from tests.optimizer.command import call
from tests.optimizer.made_up import ISOTHERMAL, TWO_RAMPS, predicted
from tests.optimizer.show.test_report import FIT, NAMES, RETENTION, Reader, outcome_with, page, scenario_with

KNOWN = Reliability(
    0.874,
    400,
    0.87,
    (Failure("earliest elution", 0.08), Failure("resolution of a and b", 0.046)),
    (
        Source("carrier setting", 0.95, "clear", True),
        Source("oven temperature", 0.9, "unclear", False),
        Source("peak widths as fitted", 0.86, "none", False),
    ),
)


def set_points() -> tuple[SetPointTolerance, ...]:
    pair = predicted(RETENTION, NAMES).critical_pair
    return (
        SetPointTolerance(
            "rate1_C_per_min", "rate of ramp 1", "°C/min", 20.0, 0.5,
            Moved(2.0, 1.7, 1.5, pair, 0.13, ()), Moved(-1.9, 1.58, 1.5, (NAMES[0], NAMES[1]), 0.05, ()), 0.06,
        ),
        SetPointTolerance(
            "hold_min", "first hold", "min", 0.0, 0.1,
            None, Moved(6.0, 1.66, 1.5, pair, 0.11, ("latest elution",)), 0.004,
        ),
    )  # fmt: skip


def known_outcome() -> SearchOutcome:
    outcome = outcome_with(TWO_RAMPS, current=predicted(RETENTION, NAMES, ISOTHERMAL))
    assert outcome.current is not None
    first = replace(outcome.candidates[0], reliability=KNOWN, set_points=set_points())
    return replace(
        outcome, candidates=(first,), current=replace(outcome.current, reliability=replace(KNOWN, share=0.31))
    )


def scenario(confidence: float = 0.9) -> Scenario:
    tolerances = Tolerances(oven=0.5, hold_up=0.02)
    return scenario_with(goal=Goal("run time", 1.5, 0.0, confidence=confidence), tolerances=tolerances)


def printed(show: Any, *shown: Any) -> str:
    stream = io.StringIO()
    show(Console(file=stream, width=400), *shown)
    return stream.getvalue()


def test_the_report_says_how_sure_a_candidate_is() -> None:
    report = Reader(page(scenario(), known_outcome()))
    assert reliability_text(KNOWN) in report.text
    assert "most often missed: earliest elution (8 %)" in report.text
    assert "carrier setting (with it known exactly, 95 %)" in report.text
    assert (
        "Certainty 87 % probability of meeting every requirement (simulated, 95 % interval 84 to 90 %) required: 90 %"
        in report.text
    )  # the verdict at its head
    assert "every pair holds" not in report.text
    for row in (
        ["earliest elution", "8 %"],
        ["resolution of a and b", "5 %"],
        ["carrier setting", "95 %"],
        ["oven temperature", "90 %, perhaps by chance"],
        ["peak widths as fitted", "no gain"],
    ):
        assert row in report.rows
    assert "Required probability of meeting every requirement: 90 %." in report.text
    assert "oven 0.5 °C, column flow 1 %, inlet pressure 1 %, hold-up time 2 %" in report.text
    side_by_side = {row[0]: row[1] for row in report.rows if row and row[0] in ("in use", "1")}
    assert side_by_side["in use"] == "31 %"
    assert "Programs were judged by" not in report.text
    nominal = Reader(page(scenario(0.0), known_outcome())).text
    assert "Programs were judged by the nominal chromatogram alone" in nominal
    assert "Required probability" not in nominal


def test_the_report_says_which_set_point_is_critical() -> None:
    report = Reader(page(scenario(), known_outcome()))
    rows = {row[0]: row for row in report.rows}
    assert rows["rate of ramp 1"] == [
        "rate of ramp 1", "20 ± 0.5 °C/min", "+2.0 / -1.9", "1.70 / 1.58", f"{NAMES[0]} and {NAMES[1]} (1.50 needed)",
    ]  # fmt: skip
    # The critical pair needs no name; what breaks is marked in words, and there is no hold below zero.
    assert rows["first hold"] == [
        "first hold", "0 ± 0.1 min", "– / +6.0", "– / 1.66", "◆ breaks latest elution",
    ]  # fmt: skip


def test_the_peak_table_has_intervals_in_its_cells() -> None:
    outcome = known_outcome()
    prediction = outcome.candidates[0].prediction
    report = Reader(page(scenario(), outcome))
    first = int(prediction.order[0])
    (row,) = [row for row in report.rows if len(row) == 8 and row[:1] == ["1"] and NAMES[first] in row[1]]
    half = 1.96 * prediction.retention_sd[first] / 60
    assert row[2] == f"{prediction.retention[first] / 60:.3f} ± {half:.3f}"
    width, width_sd = prediction.width_half[first] / 60, prediction.width_sd[first] / 60
    assert row[3] == f"{width:.4f} ± {1.96 * width_sd:.4f}"
    assert " ± " in row[6]
    assert "± is half of the 95 % interval, from simulated runs." in report.text
    assert band_caption(prediction) in report.text
    unknown = replace(prediction, retention_sd=prediction.retention_sd * float("nan"))
    without = replace(outcome, candidates=(replace(outcome.candidates[0], prediction=unknown),), current=None)
    text = Reader(page(scenario(), without)).text
    assert "95 % interval, from simulated runs" not in text
    assert "Light bands" not in text


def test_the_console_says_the_same() -> None:
    text = printed(show_candidates, scenario(), known_outcome())
    assert reliability_text(KNOWN) in text
    assert (
        "most critical set point: first hold, 0 ± 0.1 min; an error of 0.1 min is enough to miss: latest elution"
        in text
    )
    assert "; 31 % probability of meeting every requirement (simulated, 95 % interval 27 to 36 %)" in text
    prediction = known_outcome().candidates[0].prediction
    text = printed(show_prediction, PredictionResult(problem_of(scenario(), FIT), prediction, KNOWN))
    assert reliability_text(KNOWN) in text
    first = int(prediction.order[0])
    half = 1.96 * prediction.retention_sd[first] / 60
    assert f"{prediction.retention[first] / 60:.3f} ± {half:.3f}" in text


def test_on_80_columns_no_number_of_a_peak_table_is_cut() -> None:
    """The widest table there is: intervals, and what heat does to an analyte."""
    prediction = known_outcome().candidates[0].prediction
    hot = replace(
        prediction, intact_fraction=0.5 + 0.01 * prediction.order, time_above=60.0 * prediction.order
    )
    result = PredictionResult(problem_of(scenario(), FIT), hot, KNOWN)
    console = Console(file=io.StringIO(), width=80, highlight=False)
    show_prediction(console, result)
    text = str(console.file.getvalue())  # type: ignore[attr-defined]
    for peak in result.peaks:
        for cell in (peak.retention_text, peak.width_text, peak.resolution_text, f"{100 * peak.intact:.2f}"):
            assert cell in text


def test_documents_and_rows_hold_it() -> None:
    document = candidate_document(scenario(), known_outcome())
    (entry,) = document["candidates"]
    assert entry["pass_probability"] == entry["reliability"]["share"] == pytest.approx(0.874)
    # Wilson's interval of 350 of 400 by hand: (p + z2/2n -+ z sqrt(p q/n + z2/4n2)) / (1 + z2/n), z = 1.96.
    interval = pytest.approx([0.839, 0.904], abs=6e-4)
    assert entry["pass_probability_interval"] == entry["reliability"]["share_interval"] == interval
    (heading, *lines) = candidate_lines(scenario(), known_outcome().candidates[0])
    assert any(line.startswith("87 % probability of meeting every requirement") for line in lines), heading
    assert [(each["gain"], each["costliest"]) for each in entry["reliability"]["sources"]] == [
        ("clear", True), ("unclear", False), ("none", False),
    ]  # fmt: skip
    assert document["current"]["pass_probability_interval"] == pytest.approx([0.267, 0.357], abs=1e-3)
    assert document["current"]["reliability"]["share"] == pytest.approx(0.31)
    assert document["goal"]["confidence"] == pytest.approx(0.9)
    assert document["tolerances"]["hold_up_percent"] == pytest.approx(2.0)
    first, second = entry["set_point_tolerances"]
    assert first["set_point"] == "rate1_C_per_min"
    assert first["higher"]["critical_pair"] == [NAMES[0], NAMES[1]]
    assert second["lower"] is None
    assert second["breaks"] == second["higher"]["breaks"] == ["latest elution"]
    (row,) = candidate_rows(scenario(), known_outcome())
    assert row["fails_most_often"] == "earliest elution"
    assert row["fails_most_often_share"] == pytest.approx(0.08)
    assert row["costliest_source"] == "carrier setting"
    assert row["share_without_it"] == pytest.approx(0.95)
    assert row["most_critical_set_point"] == "hold_min"


def test_rows_name_all_sources_that_may_cost_most_or_none() -> None:
    first = known_outcome().candidates[0]
    for main_risk, cells in (
        ((True, True), ("carrier setting; oven temperature", pytest.approx(0.95))),
        ((False, False), (None, None)),
    ):
        sources = tuple(
            replace(source, main_risk=is_it)
            for source, is_it in zip(KNOWN.sources[:2], main_risk, strict=True)
        )
        candidate = replace(first, reliability=replace(KNOWN, sources=sources))
        (row,) = candidate_rows(scenario(), replace(known_outcome(), candidates=(candidate,)))
        assert (row["costliest_source"], row["share_without_it"]) == cells


def test_check_prints_confidence_and_tolerances() -> None:
    text = printed(show_check, scenario(0.95))
    assert "Required probability of meeting every requirement: 95 %" in text
    assert "Tolerances   oven 0.5 °C, column flow 1 %, inlet pressure 1 %, hold-up time 2 %" in text
    assert "judged by the nominal chromatogram alone" in printed(show_check, scenario(0.0))


def test_predict_leaves_the_intervals_behind(
    scenario: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert call(monkeypatch, "predict", scenario, "--out", tmp_path / "out") == 0
    heading, first, *_ = (tmp_path / "out" / "peaks.csv").read_text(encoding="utf-8").splitlines()
    row = dict(zip(heading.split(","), first.split(","), strict=True))
    for key in ("retention_sd_min", "width_half_sd_min", "resolution_to_next_sd"):
        assert float(row[key]) > 0


def test_a_number_is_the_same_on_every_screen_and_whole_on_a_narrow_one() -> None:
    """A run of 5.43496 min is written as 5.435, and shown with the two decimals of that."""
    outcome = known_outcome()
    (first,) = outcome.candidates
    first = replace(first, prediction=replace(first.prediction, run_time=326.0976), cycle_time=626.0976)
    front = tuple(FrontPoint(1.0, "one ramp", first.prediction, cost) for cost in (326.0976, 7463.4))
    outcome = replace(outcome, candidates=(first,), front=front)
    (entry,) = candidate_document(scenario(), outcome)["candidates"]
    assert (entry["run_time_min"], entry["cycle_time_min"]) == (5.435, 10.435)
    shown, cycle = f"{5.435:.2f}", f"{10.435:.2f}"
    stream = io.StringIO()
    show_candidates(Console(file=stream, width=80), scenario(), outcome)
    console = stream.getvalue()
    assert f"{shown} min" in console
    assert f"(cycle {cycle} min" in console
    report = Reader(page(scenario(), outcome))
    (row,) = [row for row in report.rows if row[:2] == ["1", "87 %"]]
    assert row[3:5] == [shown, cycle]
    assert any(line.endswith(f"run {shown} min") for line in candidate_lines(scenario(), first))
    # Eighty columns: the program wraps, times and resolutions stay whole.
    for text in (shown, "124.39", f"{first.prediction.min_resolution:.2f}"):
        assert f" {text} │" in console
    assert "…" not in console
