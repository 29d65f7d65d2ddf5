"""How a declared result is written: keys, units, roundings, and the text of a number."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, NamedTuple

import pytest

from optimizer.base.numbers import MINUTES, SECONDS, Rounded
from optimizer.base.quantities import KPA_GAUGE
from optimizer.base.tables import BESIDE, OR_NULL, WrittenBy, document_of, key

AMBIENT = 101.325e3


class Pair(NamedTuple):
    """Two of a part."""

    first: Annotated[str, key()]
    second: Annotated[float, Rounded(digits=2), key("other")]


@dataclass(frozen=True)
class Inner:
    """Stands beside what holds it."""

    pressure: Annotated[float, Rounded(KPA_GAUGE), key("inlet_kPa")]
    hidden: float = 1.0

    @property
    def half(self) -> Annotated[float, Rounded(KPA_GAUGE, decimals=1), key("half_kPa")]:
        """Half of it, counted from the room's."""
        return (self.pressure + AMBIENT) / 2


@dataclass(frozen=True)
class Whole:
    """All that a result may hold."""

    time: Annotated[float, MINUTES, key("time_min")]
    inner: Annotated[Inner, key(BESIDE)]
    pairs: Annotated[tuple[Pair, ...], key()]
    interval: Annotated[tuple[float, float], Rounded(digits=3), key()]
    note: Annotated[str, OR_NULL, key()]
    gone: Annotated[float | None, MINUTES, key("gone_min")]
    by: Annotated[int, WrittenBy(lambda value, ambient: [value, ambient]), key()]


def test_what_has_a_key_is_written_in_its_unit_and_rounding() -> None:
    whole = Whole(326.0976, Inner(201.3e3), (Pair("a", 0.1234),), (0.12345, float("nan")), "", None, 7)
    assert document_of(whole, AMBIENT) == {
        "time_min": 5.435,
        "inlet_kPa": 99.97,
        "half_kPa": 50.0,
        "pairs": [{"first": "a", "other": 0.12}],
        "interval": [0.123, None],
        "note": None,
        "gone_min": None,
        "by": [7, AMBIENT],
    }


@pytest.mark.parametrize("seconds", [326.0976, 326.1, 326.1024])
def test_a_text_follows_from_what_is_written(seconds: float) -> None:
    """A document with 5.435 min has one text, whatever the digits behind."""
    assert MINUTES.written(seconds) == 5.435
    assert MINUTES.text(seconds) == f"{5.435:.2f}"


def test_texts_of_nothing_and_of_nearly_nothing() -> None:
    assert [SECONDS.text(value) for value in (1.25, -0.04, None, float("nan"), float("inf"))] == [
        "+1.2", "+0.0", "–", "–", "–",
    ]  # fmt: skip
    assert str(Rounded(decimals=2).written(-0.001)) == "0.0"
