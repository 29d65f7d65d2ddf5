"""What docs/accuracy.md says was measured is what `make bench` wrote."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
# Sections of the page whose tables are those of benchmarks/RESULTS.md.
SECTIONS = (
    "Wrong peaks",
    "Peaks without names",
    "How sure the tool is",
    "What a robust goal is worth",
    "Campaigns",
)


def rows_of(text: str) -> list[str]:
    """Rows of tables, without their heads."""
    tables = re.findall(r"(?m)^\|.*\n\|[-:| ]+\|\n((?:\|.*\n?)+)", text)
    return [row for table in tables for row in table.strip().split("\n")]


@pytest.mark.parametrize("section", SECTIONS)
def test_figures_on_the_accuracy_page_follow_from_the_results(section: str) -> None:
    page = (ROOT / "docs" / "accuracy.md").read_text(encoding="utf-8")
    results = set(rows_of((ROOT / "benchmarks" / "RESULTS.md").read_text(encoding="utf-8")))
    (found,) = re.findall(rf"(?ms)^## {re.escape(section)}\n(.*?)(?=^## |\Z)", page)
    rows = rows_of(found)
    assert len(rows) > 3
    assert [row for row in rows if row not in results] == []


def test_every_section_of_the_results_says_what_it_is_of() -> None:
    results = (ROOT / "benchmarks" / "RESULTS.md").read_text(encoding="utf-8")
    sections = re.findall(r"(?m)^## .*\n\n(.*)", results)
    source = r"(Sample|Whole table); commit [0-9a-f]{7,}( with changes)?, \d{4}-\d\d-\d\d"
    assert len(sections) > 5
    assert [each for each in sections if not re.match(source, each)] == []
