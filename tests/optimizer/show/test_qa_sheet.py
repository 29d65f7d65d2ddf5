"""qa_sheet.html: what it holds, and that it is one printed page a candidate."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest

from optimizer.goal.reliability import Moved, MovedTogether
from optimizer.show.pages.qa_sheet import qa_sheet
from optimizer.show.pages.report import outcome_files
from tests.optimizer.made_up import TWO_RAMPS
from tests.optimizer.show.test_report import FIT, Reader, outcome_with, scenario_with
from tests.optimizer.show.test_report_reliability import known_outcome, scenario


def sheet() -> str:
    outcome = known_outcome()
    first = outcome.candidates[0]
    pair = first.prediction.critical_pair
    up, down = (
        Moved(1.0, 1.61, 1.5, pair, 0.07, ()),
        Moved(-1.0, 1.42, 1.5, pair, -0.05, ("resolution of a and b",)),
    )
    together = (MovedTogether(first.set_points[0], first.set_points[1], (None, down, None, up)),)
    return qa_sheet(scenario(), replace(outcome, candidates=(replace(first, together=together),)))


def test_the_sheet_has_method_tolerances_suitability_and_lines_to_sign() -> None:
    page, first = Reader(sheet()), known_outcome().candidates[0].prediction
    assert page.open == []
    assert ["rate of ramp 1", "20 ± 0.5 °C/min", "1.70 / 1.58", "+2.0 / -1.9", "–"] in page.rows
    assert ["first hold", "0 ± 0.1 min", "– / 1.66", "– / +6.0", "latest elution"] in page.rows
    assert ["rate of ramp 1; first hold", "–", "1.42 ◆", "–", "1.61"] in page.rows
    for words in (
        f"Resolution of {' and '.join(first.critical_pair or ())}: at least 1.50",
        f"Retention of {first.compounds[first.order[-1]]}: {first.retention.max() / 60:.3f} ±",
        "Heat: up to 260 °C",
        "Pressure: up to",
        "Prepared (name, date, signature):",
        "Approved (name, date, signature):",
        "oven 0.5 °C",
    ):
        assert words in page.text, words


def test_a_program_that_misses_the_goal_has_no_sheet() -> None:
    assert "qa_sheet.html" in outcome_files(scenario_with(), FIT, outcome_with(TWO_RAMPS))
    assert "qa_sheet.html" not in outcome_files(scenario_with(), FIT, outcome_with(TWO_RAMPS, feasible=False))


def test_a_sheet_is_one_printed_page(tmp_path: Path) -> None:
    pytest.importorskip("playwright", reason="NOT TESTED: qa_sheet.html on paper; pip install playwright")
    from tests.optimizer.browser import DoesNotStart, chromium, started

    program = chromium()
    if program is None:
        pytest.skip("NOT TESTED: qa_sheet.html on paper: no Chromium was found")
    path = tmp_path / "qa_sheet.html"
    path.write_text(sheet(), encoding="utf-8")
    try:
        with started(program) as browser:
            browser.open(path)
            browser.screen(media="print")
            assert len(re.findall(rb"/Type /Page\b", browser.tab.pdf(format="A4"))) == 1
    except DoesNotStart as error:
        pytest.skip(f"NOT TESTED: qa_sheet.html on paper. {error}")
