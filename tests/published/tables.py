"""The published values in `data/`: comma-separated, header first, sources in the files or in data/README.md."""

from __future__ import annotations

import csv
from pathlib import Path

DATA = Path(__file__).parent / "data"

Row = dict[str, str]


def rows(name: str) -> list[Row]:
    """The rows of a table, every value as it is printed."""
    with open(DATA / f"{name}.csv", encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def half_unit(decimals: int) -> float:
    """Half a unit in the last printed place: what rounding alone can put between two equal numbers."""
    return 0.5 * 10.0**-decimals


def within(ours: float, published: float, relative: float = 0.0, absolute: float = 0.0) -> bool:
    """Whether the two agree within the sum of both allowances."""
    return abs(ours - published) <= relative * abs(published) + absolute
