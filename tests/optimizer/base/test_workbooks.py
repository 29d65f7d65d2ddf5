"""Results as workbooks, read back with openpyxl itself."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path

import openpyxl
import pytest

from optimizer.base.mark import mark_in, marked
from optimizer.base.workbooks import Rows, heading_of, workbook_bytes
from optimizer.results.candidate import candidate_rows, candidates_workbook
from optimizer.runs.peak_tables import COLUMNS, read_peak_table
from tests.optimizer.base import test_cells
from tests.optimizer.made_up import compounds, made_up_outcome, made_up_scenario, names_of, predicted

RETENTION, NAMES = compounds(6), (*names_of(5), "=cmd()")
SCENARIO = made_up_scenario(NAMES, RETENTION)


def read(content: bytes) -> dict[str, list[tuple[object, ...]]]:
    book = openpyxl.load_workbook(io.BytesIO(content))
    return {sheet.title: list(sheet.iter_rows(values_only=True)) for sheet in book.worksheets}


@pytest.mark.parametrize(
    ("key", "heading"),
    [
        ("run_time_min", "run time [min]"),
        ("total_flow_largest_mL_min", "total flow largest [mL/min]"),
        ("inlet_start_kPa_gauge", "inlet start [kPa gauge]"),
        ("elution_C", "elution [°C]"),
        ("film_thickness_um", "film thickness [µm]"),
        ("pass_probability", "pass probability"),
    ],
)
def test_headings_have_their_units(key: str, heading: str) -> None:
    assert heading_of(key) == heading


def test_nothing_in_a_cell_is_computed() -> None:
    """As the other library sees it: no cell is a formula, whatever its text begins with."""
    content = workbook_bytes(
        {"Peaks": Rows(("compound",), [{"compound": name} for name in test_cells.NAMES if name])}
    )
    book = openpyxl.load_workbook(io.BytesIO(content))
    cells = [row[0] for row in book["Peaks"].iter_rows(min_row=2)]
    assert [cell.data_type for cell in cells] == ["s"] * len(cells)
    assert not any(str(cell.value).startswith(("=", "+", "-", "@", "\t")) for cell in cells)


def test_a_peak_table_comes_back_as_it_was(tmp_path: Path) -> None:
    """Names that would be computed, names that are numbers, times to the last digit."""
    names = ["=1+1", "-2+3", "1234", "2,3-xylenol", "'=quoted", "toluene"]
    rows = [
        {
            "compound": name,
            "retention_min": f"{2.5 + n / 7:.4f}",
            "width_half_min": 0.02 + n / 1000,
            "area": 10.0 * n + 1,
        }
        for n, name in enumerate(names)
    ]
    full = [{key: row.get(key) for key in COLUMNS} for row in rows]
    file = tmp_path / "peaks.xlsx"
    file.write_bytes(workbook_bytes({"Peaks": Rows(COLUMNS, full)}))
    peaks = read_peak_table(file)
    assert list(peaks.compounds) == names
    assert peaks.retention == pytest.approx(
        [60 * float(str(row["retention_min"])) for row in rows], rel=1e-12
    )
    assert peaks.width_half == pytest.approx(
        [60 * float(str(row["width_half_min"])) for row in rows], rel=1e-12
    )
    assert peaks.area == pytest.approx([row["area"] for row in rows])


def test_the_workbook_of_a_search_says_what_its_csv_says() -> None:
    found = made_up_outcome([predicted(RETENTION, NAMES)])
    sheets = read(candidates_workbook(SCENARIO, found))
    assert list(sheets) == ["Candidates", "Set points", "Peaks"]
    heading, *lines = sheets["Candidates"]
    rows = candidate_rows(SCENARIO, found)
    at = heading.index("run time [min]")
    assert [line[at] for line in lines] == [row["run_time_min"] for row in rows]
    heading, *steps = sheets["Set points"]
    assert heading[-1] == "hold [min]"
    oven = [step for step in steps if step[:2] == ("candidate 1", "Oven")]
    program = found.candidates[0].prediction.program
    assert len(oven) == 1 + len(program.oven.ramps)
    assert float(str(oven[0][5])) == pytest.approx(program.oven.start - 273.15)
    assert oven[0][6] == "°C"
    heading, *peaks = sheets["Peaks"]
    assert heading[:2] == ("program", "compound")
    assert len(peaks) == sum(len(each.prediction.compounds) for each in found.candidates)
    first = found.candidates[0].prediction
    assert float(str(peaks[0][heading.index("retention [min]")])) == pytest.approx(
        first.retention.min() / 60, abs=1e-4
    )


def test_a_workbook_is_the_same_whenever_it_is_written_and_carries_its_mark() -> None:
    rows = Rows(("compound",), [{"compound": "toluene"}])
    content = workbook_bytes({"Peaks": rows})
    assert workbook_bytes({"Peaks": rows}) == content
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        assert {each.date_time for each in archive.infolist()} == {(1980, 1, 1, 0, 0, 0)}
        assert b"1980-01-01T00:00:00Z" in archive.read("docProps/core.xml")
    with_mark = marked({"peaks.xlsx": content}, "12ab34")["peaks.xlsx"]
    assert mark_in(with_mark) == "12ab34"
    assert read(with_mark) == read(content)
