"""Workbooks as peak tables, for `benchmarks.fuzz`: bombs, formulas, links, macros, other files, huge dimensions."""

from __future__ import annotations

import io
import random
import re
import tempfile
import zipfile
from collections.abc import Callable, Mapping
from functools import cache
from pathlib import Path

from benchmarks import mutations
from benchmarks.fuzz_cases import Kind
from benchmarks.fuzz_files import check_and_fit
from optimizer.runs.peak_tables import read_peak_table
from tests.optimizer.bad_inputs import write_good_scenario

BOOK, SHEET = "slow.xlsx", "xl/worksheets/sheet1.xml"
LIMIT = 60.0  # s: what is refused for its size is refused at once
Parts = dict[str, bytes]
Change = Callable[[random.Random, Parts], None]
FORMULAS = ("=1+1", "=HYPERLINK(\"http://evil.example\",\"x\")", "=cmd|' /C calc'!A0", "=[1]Sheet1!A1", "=WEBSERVICE(\"http://x\")",
            "=SUM(B:B)", "=A1", "=1/0")  # fmt: skip
CELLS = (
    "#REF!",
    "#N/A",
    "TRUE",
    "NaN",
    "1e999",
    "-1",
    "",
    "2026-11-30",
    "3,5",
    "=1+1",
    "@x",
    "\t",
    "x" * 40_000,
    "&#0;",
    "&x;",
)
OTHER = (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(600), b"%PDF-1.7\n", b"{\\rtf1 x}",
         b"<html><table><tr><td>compound</td></tr></table>",
         b"PK\x03\x04", b"PK\x05\x06" + bytes(18), b"PK\x03\x04" + bytes(2000),
         b"\x1f\x8b\x08" + bytes(50), b"")  # fmt: skip


def kinds() -> list[Kind]:
    """A scenario with a workbook as the table of a run, and the table alone."""
    files = _files()
    return [
        Kind(
            "table",
            {BOOK: files[BOOK]},
            lambda folder: read_peak_table(folder / BOOK, names_needed=False),
            _spoilt,
            LIMIT,
        ),
        Kind("scenario", files, check_and_fit, _spoilt, LIMIT),
    ]


@cache
def _files() -> Mapping[str, bytes]:
    import openpyxl

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_good_scenario(folder)
        book = openpyxl.Workbook()
        sheet = book.worksheets[0]
        for n, line in enumerate((folder / "slow.csv").read_text(encoding="utf-8").split("\n")):
            sheet.append(
                [
                    cell if n == 0 or not re.fullmatch(r"[\d.]+", cell) else float(cell)
                    for cell in line.split(",")
                ]
            )
        stream = io.BytesIO()
        book.save(stream)
        scenario = (folder / "scenario.toml").read_bytes().replace(b"slow.csv", BOOK.encode())
        return {
            "scenario.toml": scenario,
            "fast.csv": (folder / "fast.csv").read_bytes(),
            BOOK: stream.getvalue(),
        }


def _sub(rng: random.Random, parts: Parts, pattern: bytes, by: bytes, part: str = SHEET) -> None:
    """One of what a pattern finds in a part, replaced."""
    found = list(re.finditer(pattern, parts.get(part, b"")))
    if found:
        at = rng.choice(found)
        parts[part] = parts[part][: at.start()] + at.expand(by) + parts[part][at.end() :]


def bomb(rng: random.Random, parts: Parts) -> None:
    """Little that unpacks to much: one part, or many."""
    size = rng.choice((30_000_000, 190_000_000, 300_000_000))
    if rng.random() < 0.3:
        parts |= {f"xl/media/{n}.bin": bytes(size // 40) for n in range(40)}
    else:
        parts[rng.choice((SHEET, "xl/sharedStrings.xml", "xl/styles.xml", "xl/media/x.bin"))] = b" " * size


def many_rows(rng: random.Random, parts: Parts) -> None:
    """Rows or cells without end, well formed, of a few letters each."""
    count = rng.choice((30_000, 1_000_000))
    row = rng.choice((b"<row/>", b"<row><c/></row>", b"<row><c><v>1</v></c></row>"))
    cells = row * count if rng.random() < 0.7 else b"<row>" + b"<c><v>1</v></c>" * count + b"</row>"
    if SHEET in parts:
        parts[SHEET] = parts[SHEET].replace(b"</sheetData>", cells + b"</sheetData>", 1)


def entities(rng: random.Random, parts: Parts) -> None:
    """Entities within entities, and from elsewhere."""
    levels = "".join(f'<!ENTITY e{n} "{f"&e{n - 1};" * 10}">' for n in range(1, rng.choice((4, 10))))
    doctype = rng.choice((
        f'<!DOCTYPE x [<!ENTITY e0 "lol">{levels}]>', '<!DOCTYPE x [<!ENTITY e3 SYSTEM "file:///etc/passwd">]>',
        '<!DOCTYPE x SYSTEM "http://127.0.0.1:9/x.dtd">',
        '<!DOCTYPE x [<!ENTITY % p SYSTEM "http://127.0.0.1:9/p"> %p;]>',
    ))  # fmt: skip
    part = rng.choice((SHEET, "xl/sharedStrings.xml", "xl/workbook.xml"))
    if part in parts:
        parts[part] = re.sub(rb"^(<\?xml[^>]*>)?", lambda m: m[0] + doctype.encode(), parts[part], count=1)
        _sub(rng, parts, rb"<t>[^<]*</t>", b"<t>&e3;</t>", part)


def formula(rng: random.Random, parts: Parts) -> None:
    """In place of a value, computed before or not."""
    text = rng.choice(FORMULAS)[1:].replace("&", "&amp;").encode().replace(b"\\", b"\\\\")
    _sub(
        rng,
        parts,
        rb"<v>([^<]*)</v>",
        b"<f>" + text + b"</f>" + rng.choice((b"", rb"<v>\1</v>", b"<v>#REF!</v>", b"<v></v>")),
    )


def cell(rng: random.Random, parts: Parts) -> None:
    text = rng.choice(CELLS).encode()
    _sub(rng, parts, rb"<v>[^<]*</v>", b"<v>" + text + b"</v>")


def cell_type(rng: random.Random, parts: Parts) -> None:
    kind = rng.choice((b"s", b"b", b"e", b"d", b"str", b"inlineStr", b"n", b"?", b""))
    _sub(rng, parts, rb'<c r="(\w+)"[^>]*>', rb'<c r="\1" t="' + kind + b'">')


def place(rng: random.Random, parts: Parts) -> None:
    """A cell far away, or nowhere."""
    at = rng.choice((b"XFD1048576", b"A1048576", b"ZZZZ1", b"A0", b"A-1", b"A99999999999", b"1", b"", b"A1"))
    _sub(rng, parts, rb'(<c r=")\w+', rb"\g<1>" + at)


def row_number(rng: random.Random, parts: Parts) -> None:
    _sub(
        rng,
        parts,
        rb'(<row r=")\d+',
        rb"\g<1>" + rng.choice((b"1048576", b"0", b"-5", b"999999999999", b"x", b"1")),
    )


def dimension(rng: random.Random, parts: Parts) -> None:
    """What the sheet says that it spans."""
    _sub(
        rng,
        parts,
        rb'(<dimension ref=")[^"]*',
        rb"\g<1>"
        + rng.choice((b"A1:XFD1048576", b"A1:A1", b"", b"B7", b"A1:ZZZZ99999999999", b"x:y", b"A5:A1")),
    )


def links(rng: random.Random, parts: Parts) -> None:
    """To another file, as a link, a picture or a query."""
    target = rng.choice(
        ("http://127.0.0.1:9/x", "file:///etc/passwd", "..\\..\\x.xlsx", "/xl/workbook.xml", "nowhere.xml")
    )
    kind = rng.choice(("externalLink", "hyperlink", "oleObject", "drawing", "worksheet", "sharedStrings"))
    mode = rng.choice(("", ' TargetMode="External"'))
    types = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
    of = f'<Relationship Id="rId99" Type="{types}/{kind}" Target="{target}"{mode}/>'
    name = "xl/_rels/workbook.xml.rels"
    parts[name] = parts.get(name, b"").replace(b"</Relationships>", of.encode() + b"</Relationships>", 1)
    parts["xl/externalLinks/externalLink1.xml"] = b"<externalLink/>"
    if rng.random() < 0.4:
        _sub(rng, parts, rb'r:id="rId\d+"', b'r:id="rId99"', "xl/workbook.xml")


def macros(rng: random.Random, parts: Parts) -> None:
    parts["xl/vbaProject.bin"] = b"\xd0\xcf\x11\xe0" + rng.randbytes(500)
    name = "[Content_Types].xml"
    parts[name] = parts.get(name, b"").replace(
        b"openxmlformats-officedocument.spreadsheetml.sheet.main", b"ms-excel.sheet.macroEnabled.main"
    )


def part_dropped(rng: random.Random, parts: Parts) -> None:
    parts.pop(rng.choice(sorted(parts)))


def part_spoilt(rng: random.Random, parts: Parts) -> None:
    name = rng.choice(sorted(parts))
    if parts[name] and len(parts[name]) < 1_000_000:
        parts[name] = rng.choice(mutations.MUTATIONS)(rng, parts[name])


def part_added(rng: random.Random, parts: Parts) -> None:
    """Names that lead out of the archive, or are odd."""
    parts[
        rng.choice(
            (
                "../../evil.txt",
                "/etc/evil",
                "xl\\worksheets\\sheet1.xml",
                "\u00e4" * 300,
                "a\nb",
                "xl/worksheets/",
            )
        )
    ] = b"x"


def sheets(rng: random.Random, parts: Parts) -> None:
    """More sheets of the same, hidden, or with one name."""
    count = rng.choice((1, 3, 300))
    names = [rng.choice(("Sheet", "x", "a&#10;b", "n" * 500)) for _ in range(count)]
    more = "".join(
        f'<sheet name="{name}" sheetId="{n}" state="hidden" r:id="rId1"/>' for n, name in enumerate(names, 2)
    )
    parts["xl/workbook.xml"] = parts.get("xl/workbook.xml", b"").replace(
        b"</sheets>", more.encode() + b"</sheets>", 1
    )


def merged(rng: random.Random, parts: Parts) -> None:
    ref = rng.choice(("A1:XFD1048576", "A1:B2", "x", "B2:A1"))
    parts[SHEET] = parts.get(SHEET, b"").replace(
        b"</sheetData>", f'</sheetData><mergeCells><mergeCell ref="{ref}"/></mergeCells>'.encode(), 1
    )


CHANGES: tuple[Change, ...] = (
    bomb, many_rows, entities, formula, cell, cell_type, place, row_number, dimension, links, macros, part_dropped,
    part_spoilt, part_added, sheets, merged,
)  # fmt: skip
WEIGHTS = tuple(
    0.3 if each in (bomb, many_rows) else 3.0 if each in (formula, cell, cell_type, place) else 1.0
    for each in CHANGES
)


def sizes_untrue(rng: random.Random, raw: bytes) -> bytes:
    """The archive's list tells other sizes than its parts have."""
    at = [found.start() for found in re.finditer(rb"PK\x01\x02", raw)]
    if not at:
        return raw
    one = rng.choice(at) + rng.choice((20, 24))
    return (
        raw[:one]
        + rng.choice((bytes(4), b"\xff\xff\xff\xff", b"\x10\x00\x00\x00", b"\xff\xff\xff\x7f"))
        + raw[one + 4 :]
    )


def other_kind(rng: random.Random, raw: bytes) -> bytes:
    return rng.choice((*OTHER, raw[: rng.randrange(len(raw))], raw * 2, raw + rng.randbytes(100), b"x" + raw))


def within_itself(rng: random.Random, raw: bytes) -> bytes:
    """A zip of a zip, as when somebody packs a workbook."""
    return _packed({"slow.xlsx": raw})


WHOLE = (
    sizes_untrue,
    other_kind,
    within_itself,
    mutations.byte_flip,
    mutations.byte_put,
    mutations.truncation,
)


def _packed(parts: Parts, twice: str | None = None) -> bytes:
    import warnings

    stream = io.BytesIO()
    with warnings.catch_warnings(), zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        warnings.simplefilter("ignore")  # of one name given twice
        for name, content in parts.items():
            archive.writestr(name, content)
        if twice is not None:
            archive.writestr(twice, parts[twice])
    return stream.getvalue()


def _spoilt(rng: random.Random, files: Mapping[str, bytes]) -> tuple[dict[str, bytes], list[str]]:
    """The workbook with one to four changes of its parts, or of the whole archive, and what was done."""
    with zipfile.ZipFile(io.BytesIO(files[BOOK])) as archive:
        parts = {each.filename: archive.read(each) for each in archive.infolist()}
    done = []
    whole = rng.random() < 0.15
    for _ in range(rng.choice((1, 1, 1, 2, 3, 4)) if not whole or rng.random() < 0.3 else 0):
        change = rng.choices(CHANGES, WEIGHTS)[0]
        if parts:
            change(rng, parts)
        done.append(change.__name__)
    raw = _packed(parts, rng.choice(sorted(parts)) if parts and rng.random() < 0.03 else None)
    if whole:
        spoil = rng.choice(WHOLE)
        raw = spoil(rng, raw)
        done.append(spoil.__name__)
    return {**files, BOOK: raw}, [f"{each} of {BOOK}" for each in done]
