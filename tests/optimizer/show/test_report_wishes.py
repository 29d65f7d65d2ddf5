"""What the search of all limits computes, in page, JSON, CSV and on the console."""

from __future__ import annotations

import csv
import io
import json
from dataclasses import replace

import pytest
from markupsafe import escape
from rich.console import Console

from models.units import flow_si, kelvin
from optimizer.goal.asides import Nominal, NotMet
from optimizer.goal.cautions import about_hydrogen
from optimizer.goal.outcome import NOMINAL_GOAL, FrontPoint, SearchOutcome, WhatIf
from optimizer.goal.reliability import PairAtRisk, Source
from optimizer.goal.uncertainty import SOURCE_TEXTS
from optimizer.results.candidate import candidate_document, none_enough, scouting_advice
from optimizer.results.fit import FitResult
from optimizer.results.prediction import prediction_document
from optimizer.scenario.data import BakeOut, Goal, Group, PairRule, Scenario
from optimizer.scenario.instrument_data import Inlet
from optimizer.show.console.candidates import show_candidates
from optimizer.show.console.common import show_check
from optimizer.show.console.prediction import show_fit
from optimizer.show.pages.report import outcome_files, prediction_files
from tests.optimizer.made_up import (
    PRESSURE_RAMP,
    TWO_RAMPS,
    compounds,
    exposed,
    made_up_fit,
    made_up_outcome,
    made_up_scenario,
    names_of,
    predicted,
    sensitive,
)
from tests.optimizer.show.test_report import Reader

NAMES, RETENTION = names_of(6), compounds(6)
DETAILS = sensitive(NAMES)
FAST, SLOW = (exposed(predicted(RETENTION, NAMES, each), DETAILS) for each in (PRESSURE_RAMP, TWO_RAMPS))
MISSED = "last peak at 3.51 min (not after 2.50 min): 1.01 min too late"
SWAPPED = f"Against the method in use, {NAMES[1]} changes places with {NAMES[0]}."
SCENARIO = replace(
    made_up_scenario(NAMES, RETENTION),
    analytes=DETAILS,
    inlet=Inlet(split_ratio=40.0, septum_purge=flow_si(3.0)),
    pairs=(
        PairRule((NAMES[3], NAMES[4]), separable_by="detector"),
        PairRule((NAMES[0], NAMES[1]), in_order=True),
    ),
    groups=(Group("esters", (NAMES[1], NAMES[2])),),
    goal=Goal("run time", 1.5, 0.0, latest_elution=1200.0, bake_out=BakeOut(kelvin(280.0), 120.0)),
)


def outcome(feasible: bool = True) -> SearchOutcome:
    made = made_up_outcome([FAST], feasible, current=SLOW)
    candidate = replace(
        made.candidates[0],
        compared=("run time 15.00 min against 16.20 min (-7 %)",),
        warnings=(SWAPPED, "Extrapolates: 20 to 40 °C was not scouted."),
        order_changes=(SWAPPED,),
    )
    front = (
        FrontPoint(0.8, "one ramp, pressure ramp", FAST, FAST.run_time),
        FrontPoint(1.0, "two ramps, constant flow", SLOW, SLOW.run_time),
    )
    helps = (
        WhatIf("hydrogen instead of helium", 480.0, 0.0, "one ramp, constant flow"),
        WhatIf("half the film", float("nan"), 0.123, "two ramps, constant flow", MISSED),
    )
    return replace(made, candidates=(candidate,), front=front, what_ifs=() if feasible else helps)


def files(found: SearchOutcome, scenario: Scenario = SCENARIO) -> dict[str, bytes]:
    fit = made_up_fit(RETENTION)
    return outcome_files(scenario, fit, found)


@pytest.fixture(scope="module")
def report() -> Reader:
    return Reader(files(outcome())["report.html"].decode())


def test_the_page_tells_reasons_costs_and_changes(report: Reader) -> None:
    for words in (
        "10 s faster: resolution of a and b 1.43 (needs 1.50).",
        "Against the method in use: run time 15.00 min against 16.20 min (-7 %).",
        "What limits it",
        "(not kept)",
        "inlet pressure up to 150 kPa gauge (limit 400): +62.0 %",
        f"{NAMES[3]} and {NAMES[4]} are told apart by the detector.",
        f"{NAMES[0]} and {NAMES[1]} need a resolution of 1.5; {NAMES[0]} elutes first.",
        f"Group esters, determined as a total: {NAMES[1]}, {NAMES[2]}",
        "Every target has eluted by 20 min.",
        "A bake-out at 280 °C for 2 min",
        "split, split ratio 40:1, septum purge 3 mL/min; up to",
        "ratio 40:1,",
        "Time against resolution",
    ):
        assert words in report.text, words
    bold = [a for tag, a in report.tags if tag == "p" and "bold" in a.get("class", "").split()]
    assert len(bold) == 1
    assert report.text.count(SWAPPED) == 1
    assert "order changes" in report.text


def test_the_peak_table_has_what_heat_does(report: Reader) -> None:
    heading = next(row for row in report.rows if row[:2] == ["no.", "compound"])
    assert heading[-2:] == ["intact, %", "hot for, min"]
    rows = {row[1].split(" ◆")[0].split(" (")[0]: row for row in report.rows if len(row) == len(heading)}
    assert rows[NAMES[0]][-2] == f"{100 * FAST.intact_fraction[0]:.2f} (≥ 95)"
    assert rows[NAMES[1]][-1] == f"{FAST.time_above[1] / 60:.2f} (above 80 °C, ≤ 1)"
    assert rows[NAMES[2]][4].endswith("(≤ 150)")
    assert rows[NAMES[3]][-2:] == ["", ""]
    needs = {row[7] for row in rows.values()}
    assert "told apart by detector" in needs
    assert "same group, esters" in needs


def test_pictures_of_heat_and_front_are_left_beside_the_page() -> None:
    names = set(files(outcome()))
    assert {"exposure_1.png", "exposure_1.svg", "front.png", "front.svg"} <= names
    plain = set(files(replace(outcome(), front=()), replace(SCENARIO, analytes=())))
    assert not any(name.startswith(("exposure", "front")) for name in plain)


def test_documents_have_the_new_keys() -> None:
    document = json.loads(files(outcome(feasible=False))["candidates.json"])
    assert document["format"] == 1
    candidate = document["candidates"][0]
    assert candidate["samples_per_shift"] == outcome().candidates[0].samples_per_shift
    assert candidate["next_seconds"].startswith("10 s faster")
    assert 0 <= candidate["valley_percent"] <= 100
    column = candidate["inlet_flows"]["column_mL_min"]["largest"]
    assert candidate["inlet_flows"]["total_mL_min"]["largest"] == pytest.approx(41 * column + 3, rel=1e-3)
    peaks = {peak["compound"]: peak for peak in candidate["peaks"]}
    assert peaks[NAMES[0]]["intact_fraction"] == pytest.approx(FAST.intact_fraction[0], rel=1e-4)
    assert peaks[NAMES[1]]["time_above_min"] == pytest.approx(FAST.time_above[1] / 60, abs=1e-4)
    assert (peaks[NAMES[1]]["limit_above_C"], peaks[NAMES[2]]["max_elution_C"]) == (80.0, 150.0)
    assert peaks[NAMES[3]]["intact_fraction"] is None
    assert [point["cost_min"] for point in document["front"]] == [
        pytest.approx(each.run_time / 60, abs=1e-4) for each in (FAST, SLOW)
    ]
    helps, short = document["what_ifs"]
    assert (helps["cost_min"], helps["missed"]) == (8.0, None)
    assert (short["cost_min"], short["missed"]) == (None, MISSED)


def test_what_would_help_is_in_the_page_and_on_the_console() -> None:
    found = outcome(feasible=False)
    rows = Reader(files(found)["report.html"].decode()).rows
    assert ["hydrogen instead of helium", "8.00 min", "one ramp, constant flow"] in rows
    assert ["half the film", f"still missed: {MISSED}", "two ramps, constant flow"] in rows
    text = console_text(found)
    assert "What would help" in text
    assert "8.00 min" in text
    assert f"still missed: {MISSED}" in text


def test_what_does_no_better_and_that_nothing_is_enough_is_said() -> None:
    """Every page tells it in the same words, before the table; on paper alone is no change."""
    found = outcome(feasible=False)
    _, film = found.what_ifs
    assert none_enough(found) is None
    worse = replace(film, improves=False)
    nominal = WhatIf(NOMINAL_GOAL, 300.0, 0.0, "one ramp, constant flow")
    short = replace(found, what_ifs=(film, worse, nominal))
    said = none_enough(short)
    assert said is not None
    assert none_enough(replace(found, what_ifs=())) is None
    page = Reader(files(short)["report.html"].decode())
    assert ["half the film", f"no improvement found: {MISSED}", film.family] in page.rows
    text = console_text(short)
    for words in (page.text, text):
        assert words.index(said) < words.index("What would help") < words.index("no improvement found")
    assert candidate_document(SCENARIO, short)["what_ifs_note"] == said
    assert candidate_document(SCENARIO, found)["what_ifs_note"] is None


def test_the_pair_at_risk_stands_before_the_critical_pair_everywhere() -> None:
    found = outcome()
    known = replace(found.candidates[0].reliability, pair_at_risk=PairAtRisk((NAMES[2], NAMES[3]), 0.06))
    found = replace(found, candidates=(replace(found.candidates[0], reliability=known),))
    told = f"{NAMES[2]} and {NAMES[3]}, missed with 6 % probability"
    made = files(found)
    page, set_points = Reader(made["report.html"].decode()).text, made["set_points.txt"].decode()
    assert f"Pair at risk: {told}. The critical pair, " in page
    assert set_points.index(f"Pair at risk: {told}") < set_points.index("Critical pair: ")
    console = console_text(found)
    assert console.index(f"pair at risk {told}") < console.index("critical pair", console.index(told))
    document = candidate_document(SCENARIO, found)["candidates"][0]["reliability"]["pair_at_risk"]
    assert document == {"pair": [NAMES[2], NAMES[3]], "share": 0.06}


def test_the_first_line_says_which_no_it_is() -> None:
    kind = NotMet("cannot be met", 0.9, "a resolution of 1.5 between a and b", "0.62", ("longest run",))
    found = replace(outcome(feasible=False), not_met=kind)
    said = "Cannot be met: a resolution of 1.5 between a and b. The best reachable, with nothing else required, is 0.62"
    assert said in Reader(files(found)["report.html"].decode()).text
    assert said in console_text(found)
    assert "does not meet the goal" in console_text(found)
    assert candidate_document(SCENARIO, found)["not_met"]["limited_by"] == ["longest run"]
    assert candidate_document(SCENARIO, outcome())["not_met"] is None


def with_sources(share: float, without: float) -> SearchOutcome:
    """Nothing meets the goal; so many draws of the closest program hold, and would if the fit knew retention."""
    found = outcome(feasible=False)
    known = replace(
        found.candidates[0].reliability,
        share=share,
        sources=(
            Source(SOURCE_TEXTS["oven"], 0.99, "clear", False),
            Source(SOURCE_TEXTS["retention"], without, "clear", True),
        ),
    )
    return replace(found, candidates=(replace(found.candidates[0], reliability=known),))


@pytest.mark.parametrize(("without", "advised"), [(0.97, True), (0.8, True), (0.7, False)])
def test_a_further_run_is_advised_where_the_fit_is_to_blame(without: float, advised: bool) -> None:
    """54 % of draws hold, 95 % are asked for: half of what lacks is at 74.5 %."""
    asked = replace(SCENARIO, goal=replace(SCENARIO.goal, confidence=0.95))
    found = with_sources(0.54, without)
    said = scouting_advice(asked, found)
    assert (said is not None) == advised
    assert candidate_document(asked, found)["scouting_advice"] == said
    page = Reader(files(found, asked)["report.html"].decode()).text
    if said is None:
        assert "rampwright next" not in page
        return
    assert f"would be {100 * without:.0f} % instead of 54 %" in said
    assert ("a part of the remedy" in said) == (without < 0.95)
    assert "rampwright next made_up" in said
    assert said in page


def test_a_further_run_is_advised_for_the_program_that_it_makes_surest() -> None:
    """The fastest nominal program would stay short; the closest, slower one would not."""
    asked = replace(SCENARIO, goal=replace(SCENARIO.goal, confidence=0.9))
    closest, fastest = with_sources(0.64, 0.99), with_sources(0.32, 0.53).candidates[0]
    nominal = Nominal("one ramp", fastest.prediction.program, 150.0, fastest.reliability)
    not_met = NotMet("not sure enough yet", 0.9, nominal=nominal)
    said = scouting_advice(asked, replace(closest, not_met=not_met)) or ""
    assert "would be 99 % instead of 64 %. A further scouting run may be the remedy" in said
    still = scouting_advice(asked, replace(with_sources(0.1, 0.11), not_met=not_met)) or ""
    assert "would be 53 % instead of 32 %, still short of the required 90 %" in still


def test_a_further_run_is_advised_neither_on_paper_nor_where_the_goal_is_met() -> None:
    asked = replace(SCENARIO, goal=replace(SCENARIO.goal, confidence=0.95))
    found = with_sources(0.54, 0.97)
    assert scouting_advice(replace(SCENARIO, goal=replace(SCENARIO.goal, confidence=0.0)), found) is None
    assert scouting_advice(asked, replace(found, feasible=True)) is None


@pytest.mark.parametrize(("sd", "known"), [(0.2, True), (2.0, False)])
def test_the_injected_width_is_told_at_half_height_and_whether_it_is_known(sd: float, known: bool) -> None:
    """0.4 s of standard deviation are 0.94 s at half height; what counts is the variance's standard deviation.

    Half the width more is a variance 2.25 times as large: 1.25 x 0.16 s2 is the largest that counts as known.
    """
    fit = made_up_fit(RETENTION)
    fit.width_covariance[1, 1] = (sd * 0.4**2) ** 2
    result = FitResult(SCENARIO, fit)
    document = result.to_dict()
    assert document["injected_width_s"] == pytest.approx(0.4)
    assert document["injected_width_half_s"] == pytest.approx(0.4 * 2.3548, rel=1e-4)
    assert document["injected_width_half_sd_s"] == pytest.approx(0.942 * ((1 + sd) ** 0.5 - 1), rel=1e-2)
    assert document["injected_width_known"] == known
    console = Console(file=io.StringIO(), width=300, highlight=False)
    show_fit(console, result)
    told = console.file.getvalue()  # type: ignore[attr-defined]
    found = outcome()
    page = Reader(outcome_files(SCENARIO, fit, found)["report.html"].decode()).text
    for text in (told, page):
        assert f"injected width at half height 0.94 ± {1.96 * 0.942 * ((1 + sd) ** 0.5 - 1):.2f} s" in text
        assert ("which the runs do not determine" in text) != known
    assumed = FitResult(SCENARIO, replace(fit, widths_fitted=False)).to_dict()
    assert assumed["injected_width_half_sd_s"] is None


def test_cautions_of_what_is_suggested_are_told_everywhere_but_with_the_set_points() -> None:
    """set_points.txt has the programs as they are typed in, none of them on hydrogen."""
    lines = tuple(about_hydrogen(SCENARIO, flow_si(85.0)))
    plain = outcome(feasible=False)
    hydrogen, film = plain.what_ifs
    suggested = replace(plain, what_ifs=(replace(hydrogen, cautions=lines), film))
    before, after = (candidate_document(SCENARIO, each)["cautions"] for each in (plain, suggested))
    assert not any("ydrogen" in line for line in before)
    assert after == [*lines, *before]
    assert any("85 mL/min, reaches that share" in line for line in after)
    written = files(suggested)
    page = written["report.html"].decode()
    assert all(str(escape(line)) in page for line in lines)
    assert "ydrogen" not in written["set_points.txt"].decode()


def test_the_console_tells_it_too() -> None:
    text = console_text(outcome())
    for words in (
        SWAPPED,
        "samples a shift",
        "limited by",
        "10 s faster",
        "Time against smallest resolution",
    ):
        assert words in text, words
    assert f"{NAMES[0]} {100 * FAST.intact_fraction[0]:.2f} %" in text


def test_check_lists_what_is_stated() -> None:
    console = Console(file=io.StringIO(), width=200, highlight=False)
    show_check(console, SCENARIO)
    text = console.file.getvalue()  # type: ignore[attr-defined]
    for words in (
        "split, split ratio 40:1, septum purge 3 mL/min",
        f"{NAMES[0]}: half of it is lost in 10 min at 160 °C (140 kJ/mol); at least 95 % intact",
        f"{NAMES[1]}: at most 1 min above 80 °C",
        f"{NAMES[2]}: elutes at 150 °C or below",
        f"{NAMES[3]} and {NAMES[4]} are told apart by the detector",
        f"Group esters, determined as a total: {NAMES[1]}, {NAMES[2]}",
        "Every target has eluted by 20 min",
        "bake-out at 280 °C for 2 min",
    ):
        assert words in text, words


def test_the_csv_of_a_prediction_has_columns_for_what_is_known() -> None:
    written = prediction_files(SCENARIO, FAST, prediction_document(SCENARIO, FAST))
    assert "exposure.png" in written
    rows = list(csv.DictReader(io.StringIO(written["peaks.csv"].decode())))
    row = next(each for each in rows if each["compound"] == NAMES[0])
    assert float(row["intact_fraction"]) == pytest.approx(FAST.intact_fraction[0], rel=1e-4)
    plain = predicted(RETENTION, NAMES)
    bare = replace(SCENARIO, analytes=())
    text = prediction_files(bare, plain, prediction_document(bare, plain))["peaks.csv"].decode()
    assert "intact_fraction" not in text


def console_text(found: SearchOutcome) -> str:
    console = Console(file=io.StringIO(), width=200, highlight=False)
    show_candidates(console, SCENARIO, found)
    return str(console.file.getvalue())  # type: ignore[attr-defined]
