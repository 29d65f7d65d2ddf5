"""Results as a workbook (.xlsx): sheets of rows under headings with units, the same bytes whenever it is written."""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from optimizer.base.text_files import cell_text

# By the end of a key, the longest first.
UNITS = {
    "_kPa_gauge": "kPa gauge",
    "_kPa_absolute": "kPa absolute",
    "_mL_min": "mL/min",
    "_percent": "%",
    "_min": "min",
    "_kPa": "kPa gauge",
    "_mm": "mm",
    "_um": "µm",
    "_C": "°C",
    "_s": "s",
    "_m": "m",
}
NO_UNIT = frozenset({"min_resolution"})
WRITTEN = (
    "1980-01-01T00:00:00Z"  # when every workbook was made, as far as it says: its bytes follow from its cells
)
_DATE = re.compile(rb"(<dcterms:(?:created|modified)[^>]*>)[^<]*")
WIDEST = 60  # letters of a column
Cell = str | float | bool | None


@dataclass(frozen=True)
class Rows:
    """A sheet: keys of its columns, and its rows by them."""

    keys: Sequence[str]
    rows: Sequence[Mapping[str, Cell]]


def heading_of(key: str) -> str:
    """A key as a heading: words, and the unit in brackets: "run_time_min" is "run time [min]"."""
    end = next((each for each in UNITS if key.endswith(each)), None)
    if end is None or key in NO_UNIT:
        return key.replace("_", " ")
    return f"{key.removesuffix(end).replace('_', ' ')} [{UNITS[end]}]"


def workbook_bytes(sheets: Mapping[str, Rows]) -> bytes:
    """Sheets by name as the content of a workbook; cells without a value stay empty.

    Text that a spreadsheet would compute gets an apostrophe before it, as in a CSV file; peak tables that are read lose
    it again. A column whose key has a unit holds numbers.
    """
    import openpyxl  # only needed where one is written
    from openpyxl.styles import Font

    book = openpyxl.Workbook()
    book.remove(book.worksheets[0])
    for name, table in sheets.items():
        sheet = book.create_sheet(name)
        sheet.append([heading_of(key) for key in table.keys])
        for row in table.rows:
            sheet.append([_cell(key, row[key]) for key in table.keys])
        for cell in sheet[1]:
            cell.font = Font(bold=True)
        sheet.freeze_panes = "B2"
        for column in sheet.columns:
            longest = max(len(str(cell.value)) for cell in column if cell.value is not None)
            sheet.column_dimensions[column[0].column_letter].width = min(longest + 2, WIDEST)
    stream = io.BytesIO()
    book.save(stream)
    return _without_dates(stream.getvalue())


def _cell(key: str, value: Cell) -> Cell:
    if not isinstance(value, str):
        return ("yes" if value else "no") if isinstance(value, bool) else value
    if heading_of(key).endswith("]"):
        try:
            return float(value)
        except ValueError:
            pass
    return cell_text(value)


def _without_dates(content: bytes) -> bytes:
    """The same workbook as if made at `WRITTEN`."""
    stream = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(content)) as old,
        zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as new,
    ):
        for each in old.infolist():
            part = old.read(each)
            if each.filename == "docProps/core.xml":
                part = _DATE.sub(rb"\g<1>" + WRITTEN.encode(), part)
            entry = zipfile.ZipInfo(each.filename, (1980, 1, 1, 0, 0, 0))
            entry.compress_type = zipfile.ZIP_DEFLATED
            new.writestr(entry, part)
    return stream.getvalue()
