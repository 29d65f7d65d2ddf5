"""Peak tables in all the ways spreadsheets write them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from optimizer.base.errors import ScenarioError
from optimizer.runs.peak_tables import MOST_PEAKS, PeakTable, read_peak_table
from tests.optimizer.bad_inputs import SLOW


def _read(folder: Path, text: str | bytes) -> PeakTable:
    file = folder / "peaks.csv"
    file.write_bytes(text if isinstance(text, bytes) else text.encode())
    return read_peak_table(file)


def test_values_are_seconds_in_order_of_retention(tmp_path: Path) -> None:
    table = _read(tmp_path, "area,compound,retention_min\n10,late,9.5\n,early,1.5\n")
    assert table.compounds == ("early", "late")
    np.testing.assert_allclose(table.retention, [90.0, 570.0])
    np.testing.assert_array_equal(table.area, [np.nan, 10.0])
    assert np.isnan(table.width_half).all()
    assert np.isnan(table.tailing).all()
    assert (table.index("late"), table.index("absent")) == (1, None)


@pytest.mark.parametrize(
    "text",
    [
        SLOW.replace(",", ";").replace(".", ","),
        SLOW.replace(",", ";"),
        SLOW.replace(",", "\t").replace(".", ","),
        SLOW.replace("\n", "\r\n"),
        "\ufeff" + SLOW,
        "\ufeffsep=;\r\n" + SLOW.replace(",", ";").replace(".", ",").replace("\n", "\r\n"),
        SLOW.replace("3.61", '"3,61"'),
        SLOW.replace("compound,", "Compound , "),
        "\n" + SLOW.replace("\n", "\n\n"),
        SLOW.replace("\n", ",,\n"),
    ],
    ids=[
        "decimal comma, semicolons",
        "decimal point, semicolons",
        "decimal comma, tabs",
        "Windows line ends",
        "byte order mark",
        "separator announced",
        "quoted decimal comma",
        "heading in capitals",
        "blank lines",
        "trailing separators",
    ],
)
def test_every_spelling_reads_the_same(text: str, tmp_path: Path) -> None:
    plain, other = _read(tmp_path, SLOW), _read(tmp_path, text)
    assert other.compounds == plain.compounds
    for name in ("retention", "width_half", "area", "tailing"):
        np.testing.assert_array_equal(getattr(other, name), getattr(plain, name))


def test_merged_peaks_are_no_error(tmp_path: Path) -> None:
    text = "compound,retention_min,width_half_min\na,3,0.03\nb,5,0.04\nc,5,0.04\nd,5.01,0.04\ne,7,0.05\nf,9,0.05\n"
    table = _read(tmp_path, text)
    assert table.compounds == ("a", "b", "c", "d", "e", "f")


def test_all_problems_of_a_table_are_listed_up_to_five(tmp_path: Path) -> None:
    rows = "".join(f"c{n},-{n}\n" for n in range(1, 8))
    with pytest.raises(ScenarioError) as caught:
        _read(tmp_path, "compound,retention_min\n" + rows)
    lines = str(caught.value).split("\n")
    assert len(caught.value.problems) == 7
    assert [f"line {n + 1}" in line for n, line in enumerate(lines[:5], 1)] == [True] * 5
    assert lines[5:] == ["... and 2 more; correct these first"]


def test_more_rows_than_are_taken_are_refused_in_one_line(tmp_path: Path) -> None:
    rows = [f"c{n},{1 + n / 100}\n" for n in range(MOST_PEAKS + 1)]
    assert len(_read(tmp_path, "compound,retention_min\n" + "".join(rows[1:])).compounds) == MOST_PEAKS
    with pytest.raises(ScenarioError) as caught:
        _read(tmp_path, "compound,retention_min\n" + "".join(rows))
    (problem,) = caught.value.problems
    for fragment in (
        "peaks.csv: has 5001 peaks",
        "at most 5000",
        "leave out the smallest",
        "time_min,signal",
    ):
        assert fragment in problem
