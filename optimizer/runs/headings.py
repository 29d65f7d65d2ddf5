"""What the columns of a peak table are called where it comes from: the trade's words in four languages, and units.

The words are common practice, no source.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from models.units import SECONDS_PER_MINUTE

# By column, as `_plain` leaves them.
WORDS: dict[str, frozenset[str]] = {
    key: frozenset(words.split(", "))
    for key, words in {
        "compound": "compound, compound name, name, peak name, component, component name, analyte, substance, "
        "verbindung, verbindungsname, substanz, komponente, peakname, analyt, "
        "compose, nom, nom du compose, composant, nom du pic, "
        "compuesto, nombre, nombre del compuesto, componente, sustancia, analito",
        "retention_min": "rt, r t, ret time, rett, retention, retention time, apex rt, tr, t r, "
        "retentionszeit, ret zeit, retzeit, temps de retention, temps retention, "
        "tiempo de retencion, tiempo retencion",
        "width_half_min": "w50, w 50, w1/2, w 1/2, w0 5, w half, wh, fwhm, width half, half width, halfwidth, "
        "width at half height, peak width at half height, half height width, width 1/2, width 50, width at 50, "
        "peak width 50, peak width at 50, width at half maximum, width at 50 height, "
        "halbwertsbreite, breite bei halber hohe, peakbreite bei halber hohe, breite 50, peakbreite 50, "
        "largeur a mi hauteur, largeur mi hauteur, anchura a media altura, ancho a media altura",
        "area": "area, peak area, flache, peakflache, aire, surface, aire du pic, area del pico",
        "tailing": "tailing, tailing factor, usp tailing, usp tailing factor, tailingfaktor, tailing faktor, "
        "facteur de trainee, factor de cola",
    }.items()
}
# At which height such a width was taken is not said.
WIDTHS = frozenset(
    [
        "width",
        "peak width",
        "breite",
        "peakbreite",
        "largeur",
        "largeur du pic",
        "ancho",
        "anchura",
        "ancho del pico",
    ]
)
TIMES = ("retention_min", "width_half_min")
_MINUTES = r"min|mins|minutes?|minuten|minutos?"
_SECONDS = r"s|sec|secs|seconds?|sek|sekunden|secondes?|segundos?"
_UNIT = re.compile(rf"^(.*?)[\s_,/]*[\[(/,_ ]\s*({_MINUTES}|{_SECONDS})\.?\s*[\])]?\s*$")
_AREA_UNIT = re.compile(r"\s*[\[(,].*$")  # an area's may be any
_BARE_UNIT = re.compile(rf"^[\[(]?\s*({_MINUTES}|{_SECONDS})\.?\s*[\])]?$")


@dataclass(frozen=True)
class Column:
    """One column of a table as it was found.

    Attributes
    ----------
    heading : as the file has it
    key : the column of a peak table that it is; "" when it is none
    unit : "min" or "s" of a time, "" when not stated
    """

    heading: str
    key: str = ""
    unit: str = ""

    @property
    def times(self) -> float:
        """What its values are to be multiplied by."""
        return 1 / SECONDS_PER_MINUTE if self.unit == "s" else 1.0


def columns_of(headings: Sequence[str], stated: Mapping[str, str] | None = None) -> list[Column]:
    """What each heading says; of two of one meaning the first counts.

    Parameters
    ----------
    stated : headings by `retention_min`, `retention_s`, `width_half_min`, `width_half_s`, `compound`, `area`, `tailing`
    """
    by_heading = {heading.strip().casefold(): key for key, heading in (stated or {}).items()}
    columns: list[Column] = []
    taken = {key.replace("_s", "_min") for key in (stated or {})}
    for heading in headings:
        key = by_heading.get(heading.strip().casefold(), "")
        if key:
            unit = key.rpartition("_")[2] if key.endswith(("_min", "_s")) else ""
            columns.append(Column(heading, re.sub("_s$", "_min", key), unit))
            continue
        column = _column(heading)
        columns.append(Column(heading) if column.key in taken else column)
        taken.add(column.key)
    return columns


def unit_alone(cell: str) -> str:
    """ "min" or "s" when a cell holds such a unit and nothing else, else ""."""
    found = _BARE_UNIT.match(cell.strip().casefold())
    return _unit(found[1]) if found else ""


def said_of(columns: Sequence[Column]) -> str:
    """What was made of the headings, in one sentence without the file's name."""
    said = "read " + ", ".join(f"{each.heading!r} as {each.key}{_in(each)}" for each in columns if each.key)
    left = [each.heading for each in columns if not each.key and each.heading]
    if left:
        said += f"; left out {', '.join(map(repr, left))}"
    unsaid = [each for each in left if _plain(_split(each)[0]) in WIDTHS]
    if unsaid and not any(each.key == "width_half_min" for each in columns):
        said += (
            f"; {unsaid[0]!r} does not say at which height: where it is half of it, state "
            f'columns = {{ width_half_min = "{unsaid[0]}" }} under the run'
        )
    return said


def lacking_of(columns: Sequence[Column], required: Sequence[str]) -> str:
    """What a line of headings lacks to be that of a peak table, and how to state it; "" where it hardly is one."""
    known = {each.key for each in columns} - {""}
    lacking = [each for each in required if each not in known]
    left = [each.heading for each in columns if not each.key and each.heading]
    if len(known) < 2 or not lacking or not left:
        return ""
    return (
        f"no heading is known as {' or '.join(lacking)}: {', '.join(map(repr, left))} are not; name it under the run, "
        f'such as columns = {{ {lacking[0]} = "HEADING" }}'
    )


def _in(column: Column) -> str:
    if column.key not in TIMES or column.unit == "min":
        return ""
    return " (in seconds)" if column.unit == "s" else " (no unit, so minutes)"


def _column(heading: str) -> Column:
    words, unit = _split(heading)
    plain = _plain(words)
    key = next((key for key, known in WORDS.items() if plain in known), "")
    if not key and _plain(_AREA_UNIT.sub("", heading)) in WORDS["area"]:
        key = "area"
    return Column(heading, key, unit if key in TIMES else "")


def _split(heading: str) -> tuple[str, str]:
    """The words of a heading, and its unit of time, if it has one."""
    text = heading.strip().casefold()
    found = _UNIT.match(text)
    return (found[1], _unit(found[2])) if found and found[1].strip() else (text, "")


def _unit(word: str) -> str:
    return "min" if re.fullmatch(_MINUTES, word) else "s"


def _plain(text: str) -> str:
    """Small letters and digits with single spaces between them, without accents."""
    bare = "".join(c for c in unicodedata.normalize("NFKD", text.casefold()) if not unicodedata.combining(c))
    return re.sub(r"[^a-z0-9/]+", " ", bare.replace("⁄", "/")).strip()
