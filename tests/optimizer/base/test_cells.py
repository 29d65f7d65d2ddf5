"""Names that a spreadsheet would compute leave as text and come back as they were."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import pytest

from optimizer.base.text_files import cell_name, cell_text
from optimizer.results.candidate import csv_bytes
from optimizer.runs.peak_tables import read_peak_table

NAMES = [
    "=cmd|'/c calc'!A1",
    "+1",
    "-2+3",
    "@sum",
    "\tx",
    "'=quoted",
    "''-twice",
    "toluene",
    "'tis",
    "2,3-x",
    "",
]


@pytest.mark.parametrize("name", NAMES)
def test_there_and_back(name: str) -> None:
    written = cell_text(name)
    assert not written.startswith(("=", "+", "-", "@", "\t", "\r"))
    assert cell_name(written) == name


@pytest.mark.parametrize("name", ["-2+3", "o-xylene", "'tis"])
def test_a_name_as_a_person_writes_it_stays(name: str) -> None:
    assert cell_name(name) == name


def test_a_table_that_was_written_is_read_with_its_names(tmp_path: Path) -> None:
    names = ["=1+1", "-2+3", "toluene"]
    rows: list[dict[str, str | float | None]] = [
        {"compound": name, "retention_min": f"{2.5 + n}"} for n, name in enumerate(names)
    ]
    table = csv_bytes(("compound", "retention_min"), rows)
    assert [row[0] for row in csv.reader(io.StringIO(table.decode()))] == [
        "compound",
        "'=1+1",
        "'-2+3",
        "toluene",
    ]
    file = tmp_path / "peaks.csv"
    file.write_bytes(table)
    assert list(read_peak_table(file).compounds) == names


def test_numbers_written_as_text_stay_numbers() -> None:
    assert csv_bytes(("ratio",), [{"ratio": "-1.25"}, {"ratio": "-3e-05"}]).decode().split() == [
        "ratio",
        "-1.25",
        "-3e-05",
    ]
