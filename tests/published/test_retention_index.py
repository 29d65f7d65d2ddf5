"""Retention indices, linear (ramped) and isothermal.

Sources: van den Dool and Kratz, J. Chromatogr. 11 (1963) 463; Kovats, Helv. Chim. Acta 41 (1958) 1915. The times of
`retention_index_examples.csv` are those of US EPA Method 1625C; its indices and `retention_index_arithmetic.csv`
were worked independently of this project.
"""

from __future__ import annotations

import re

import pytest

from models.peaks.resolution import isothermal_retention_index, linear_retention_index
from tests.published.tables import Row, half_unit, rows, within

EXAMPLES = rows("retention_index_examples")


@pytest.mark.parametrize("row", EXAMPLES, ids=[row["compound"] for row in EXAMPLES])
def test_linear_index_of_published_times(row: Row) -> None:
    ours = linear_retention_index(
        float(row["tR_s"]),
        float(row["t_lo_s"]),
        int(row["n_lo"]),
        float(row["t_hi_s"]),
        int(row["n_hi"]),
    )
    assert within(ours, float(row["I_T"]), absolute=half_unit(1) + 1e-9)


def worked(kind: str) -> tuple[dict[str, float], float]:
    """The given quantities and the index of a worked line."""
    line = next(row for row in rows("retention_index_arithmetic") if row["kind"].startswith(kind))
    given = re.findall(r"(tM|tR\(\w+\))=([\d.]+)", line["given"])
    return {name: float(value) for name, value in given}, float(line["I"])


def test_isothermal_index_worked() -> None:
    t, index = worked("Kovats")
    ours = isothermal_retention_index(t["tR(X)"], t["tM"], t["tR(C8)"], 8, t["tR(C9)"], 9)
    assert within(ours, index, absolute=half_unit(4))


def test_linear_index_worked() -> None:
    t, index = worked("van den Dool")
    ours = linear_retention_index(t["tR(X)"], t["tR(C12)"], 12, t["tR(C14)"], 14)
    assert within(ours, index, absolute=half_unit(4))
