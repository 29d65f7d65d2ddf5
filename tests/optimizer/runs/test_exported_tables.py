"""Peak tables as data systems and spreadsheets write them: headings, units, encodings, preambles, workbooks."""

from __future__ import annotations

import re
import zipfile
from pathlib import Path

import numpy as np
import openpyxl
import pytest

from optimizer.base.errors import ScenarioError
from optimizer.runs.headings import columns_of
from optimizer.runs.peak_tables import PeakTable, read_peak_table
from optimizer.runs.sheets import sheets_of_workbook

RETENTION, WIDTHS = [3.612, 4.518], [0.031, 0.0342]  # min


def table(tmp_path: Path, text: str, encoding: str = "utf-8", **how: object) -> PeakTable:
    file = tmp_path / "run.csv"
    file.write_bytes(text.encode(encoding))
    return read_peak_table(file, **how)  # type: ignore[arg-type]


def as_expected(found: PeakTable, names: tuple[str, ...] = ("toluene", "octane")) -> None:
    assert found.compounds == names
    np.testing.assert_allclose(found.retention / 60, RETENTION, rtol=1e-12)
    np.testing.assert_allclose(found.width_half / 60, WIDTHS, rtol=1e-12)


# The first eight are those that people were seen to bring; the others common practice, no source.
@pytest.mark.parametrize(
    ("heading", "key", "unit"),
    [
        ("RT [min]", "retention_min", "min"),
        ("Ret. Time", "retention_min", ""),
        ("W50 [s]", "width_half_min", "s"),
        ("Peak width at half height (s)", "width_half_min", "s"),
        ("Name", "compound", ""),
        ("Compound", "compound", ""),
        ("R.T. (min)", "retention_min", "min"),
        ("Retention Time, min", "retention_min", "min"),
        ("Retentionszeit [min]", "retention_min", "min"),
        ("Halbwertsbreite (s)", "width_half_min", "s"),
        ("Fläche", "area", ""),
        ("Temps de rétention (min)", "retention_min", "min"),
        ("Largeur à mi-hauteur (s)", "width_half_min", "s"),
        ("Tiempo de retención / min", "retention_min", "min"),
        ("Área", "area", ""),
        ("Area [pA*s]", "area", ""),
        ("Peak Area (mAU·min)", "area", ""),
        ("Fläche, µV*s", "area", ""),
        ("Area/Height", "", ""),  # neither
        ("FWHM [s]", "width_half_min", "s"),
        ("W½ (min)", "width_half_min", "min"),
        ("USP Tailing", "tailing", ""),
        ("Width [min]", "", ""),  # at which height is not said
        ("Height", "", ""),
        ("S/N", "", ""),
    ],
)
def test_headings(heading: str, key: str, unit: str) -> None:
    (column,) = columns_of([heading])
    assert (column.key, column.unit) == (key, unit)


EXPORTS = {
    "commas": 'Name,RT [min],W50 [s],Height\ntoluene,3.612,1.86,1\noctane,4.518,2.052,2\n',
    "semicolons and decimal commas": "Verbindung;Retentionszeit [min];Halbwertsbreite [s]\n"
    "toluene;3,612;1,86\noctane;4,518;2,052\n",
    "tabs and seconds": "Compound\tRet. Time (s)\tFWHM (s)\ntoluene\t216.72\t1.86\noctane\t271.08\t2.052\n",
    "units in a row of their own": "Peak Name;Ret.Time;Width (50%)\n;min;s\ntoluene;3.612;1.86\noctane;4.518;2.052\n",
    "a preamble": "Report of a run\nSample;mix 3\n\nNom;Temps de rétention (min);Largeur à mi-hauteur (min)\n"
    "toluene;3.612;0.031\noctane;4.518;0.0342\nTotal;;\n",
    "our own below a preamble": "made by hand\ncompound,retention_min,width_half_min\n"
    "toluene,3.612,0.031\noctane,4.518,0.0342\n",
}  # fmt: skip


@pytest.mark.parametrize("text", EXPORTS.values(), ids=EXPORTS)
def test_exports(text: str, tmp_path: Path) -> None:
    found = table(tmp_path, text)
    as_expected(found)
    assert any("as retention_min" in note for note in found.notes)


def test_what_was_made_of_headings_is_told(tmp_path: Path) -> None:
    notes = "\n".join(table(tmp_path, EXPORTS["commas"]).notes)
    assert (
        "read 'Name' as compound, 'RT [min]' as retention_min, 'W50 [s]' as width_half_min (in seconds)"
        in notes
    )
    assert "left out 'Height'" in notes
    text = "Name,RT,Width\ntoluene,3.612,0.031\noctane,4.518,0.034\n"
    found = table(tmp_path, text)
    assert np.isnan(found.width_half).all()
    assert "'RT' as retention_min (no unit, so minutes)" in found.notes[0]
    assert 'columns = { width_half_min = "Width" }' in found.notes[0]


def test_a_heading_that_is_not_known_is_told_among_those_that_are(tmp_path: Path) -> None:
    text = "Sample;mix 3\n\nNo.;Zeit;Compound;Area;FWHM (min)\n1;3.612;toluene;9;0.031\n2;4.518;octane;9;0.0342\n"
    with pytest.raises(ScenarioError) as told:
        table(tmp_path, text)
    assert "line 3: no heading is known as retention_min: 'No.', 'Zeit' are not" in str(told.value)
    assert 'columns = { retention_min = "HEADING" }' in str(told.value)
    as_expected(table(tmp_path, text, columns={"retention_min": "Zeit"}))


def test_headings_that_say_nothing_are_stated(tmp_path: Path) -> None:
    text = "Stoff;t;b\ntoluene;216.72;1.86\noctane;271.08;2.052\n"
    stated = {"compound": "Stoff", "retention_s": "t", "width_half_s": "b"}
    as_expected(table(tmp_path, text, columns=stated))
    with pytest.raises(ScenarioError, match="no line has the headings that columns names, 'Stoff', 'zeit'"):
        table(tmp_path, text, columns={"compound": "Stoff", "retention_s": "zeit"})


def test_peaks_without_a_name_and_lines_without_a_time_are_left_out_and_counted(tmp_path: Path) -> None:
    text = "Name;RT [min]\ntoluene;3.612\n;3.9\noctane;4.518\nnot found;-\n"
    found = table(tmp_path, text)
    assert found.compounds == ("toluene", "octane")
    assert any("1 of 3 peaks have no name; left out" in note for note in found.notes)
    assert any("1 of 4 lines have no retention time; left out" in note for note in found.notes)


@pytest.mark.parametrize(
    "name", ["1,3-dichlorobenzene", "N,N-dimethylaniline", "2,4,6-trichlorophenol", "o,p'-DDT"]
)
@pytest.mark.parametrize("heading", ["compound,retention_min,area", "Name,RT [min],Area"])
def test_a_name_with_commas_needs_no_quotes(name: str, heading: str, tmp_path: Path) -> None:
    found = table(tmp_path, f"{heading}\n{name},3.612,10\noctane,4.518,20\n")
    assert found.compounds == (name, "octane")
    assert found.area.tolist() == [10, 20]


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16", "cp1252"])
def test_encodings(encoding: str, tmp_path: Path) -> None:
    text = "Verbindung;Retentionszeit [min];Fläche\nToluol-µ;3,612;10\nÖlsäure;4,518;20\n"
    found = table(tmp_path, text, encoding)
    assert found.compounds == ("Toluol-µ", "Ölsäure")
    assert found.area.tolist() == [10, 20]
    assert encoding == "utf-8-sig" or any("read as" in note for note in found.notes)


def workbook(tmp_path: Path) -> Path:
    book = openpyxl.Workbook()
    book.active.append(["just a cover"])
    sheet = book.create_sheet("Peaks")
    for row in (
        ["Run 12"],
        [],
        ["Name", "RT [min]", "W50 [s]"],
        ["toluene", 3.612, 1.86],
        ["octane", 4.518, 2.052],
    ):
        sheet.append(row)
    file = tmp_path / "run.xlsx"
    book.save(file)
    return file


def test_a_workbook(tmp_path: Path) -> None:
    found = read_peak_table(workbook(tmp_path))
    as_expected(found)
    assert any("sheet 'Peaks'" in note for note in found.notes)


@pytest.mark.parametrize("spoilt", [b"PK\x03\x04 and nothing else", b"no archive at all"])
def test_what_only_looks_like_a_workbook_is_refused(spoilt: bytes, tmp_path: Path) -> None:
    file = tmp_path / "run.xlsx"
    file.write_bytes(spoilt)
    with pytest.raises(ScenarioError, match="is no workbook though it looks like one"):
        read_peak_table(file)


def test_a_workbook_that_unpacks_to_far_too_much_is_refused(tmp_path: Path) -> None:
    file = tmp_path / "run.xlsx"
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as archive:
        for part in range(3):
            archive.writestr(f"xl/{part}.xml", b"0" * 100_000_000)
    with pytest.raises(ScenarioError, match="unpacks to 300 MB, which no peak table is"):
        read_peak_table(file)


@pytest.mark.parametrize(("cells", "refused"), [(16_384, False), (16_385, True)])
def test_a_row_with_more_cells_than_spreadsheets_write_is_refused(
    cells: int, refused: bool, tmp_path: Path
) -> None:
    """It would be read to its end, a minute and more; 16 384 columns, to XFD, are what ECMA-376 workbooks end at."""
    whole = workbook(tmp_path)
    file = tmp_path / "endless.xlsx"
    with zipfile.ZipFile(whole) as old, zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as new:
        for each in old.namelist():
            row = b"<row>" + b"<c><v>1</v></c>" * cells + b"</row></sheetData>"
            new.writestr(each, old.read(each).replace(b"</sheetData>", row))
    if refused:
        with pytest.raises(ScenarioError, match="row of more than 16384 cells, which no spreadsheet writes"):
            read_peak_table(file)
    else:
        assert {"toluene", "octane"} <= set(read_peak_table(file).compounds)


def test_one_large_sheet_under_a_thousand_names_is_read_a_few_times(tmp_path: Path) -> None:
    book, most = openpyxl.Workbook(), 20_000
    book.active.cell(row=most, column=1, value="notes")
    saved, file = tmp_path / "run.xlsx", tmp_path / "many.xlsx"
    book.save(saved)
    with zipfile.ZipFile(saved) as old, zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as new:
        for each in old.namelist():
            content = old.read(each)
            if each == "xl/workbook.xml":
                sheet = re.search(rb"<sheet [^>]*/>", content)[0]
                more = (sheet.replace(b'name="Sheet"', b'name="s%d"' % n) for n in range(1000))
                content = content.replace(sheet, sheet + b"".join(more))
            new.writestr(each, content)
    read = sheets_of_workbook(file, file.read_bytes())
    assert read[0][1].rows[-1] == (most, ["notes", *[""] * 99])
    assert sum(len(sheet.rows) for _, sheet in read) == 5 * most


def test_a_workbook_without_a_peak_table(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    book.active.append(["a", "b"])
    file = tmp_path / "run.xlsx"
    book.save(file)
    with pytest.raises(ScenarioError, match="no sheet has the headings of a peak table"):
        read_peak_table(file)
