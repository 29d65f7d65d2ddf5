"""On a terminal of 80 columns names wrap and columns go, but no number of a method's tables is cut."""

from __future__ import annotations

import io
import re
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from rich.console import Console

import rampwright as rw

SCENARIO = Path(__file__).parents[3] / "scenarios" / "rescued_pair"
MAKERS: dict[str, Callable[[rw.Fitted], Any]] = {
    "adapt": lambda fitted: rw.adapt(fitted, gas="hydrogen", length_m=20),
    "trim": lambda fitted: rw.trim(fitted, 0.5),
    "sweep": lambda fitted: rw.sweep(fitted, "start_C=40:120:9"),
    "map": lambda fitted: rw.sweep(fitted, ["start_C=40:100:7", "rate1_C_per_min=3:9:7"]),
    "window": rw.window,
    "scout": lambda fitted: rw.scout(fitted.scenario, rounds=2),
}


@pytest.fixture(scope="module")
def fitted() -> rw.Fitted:
    return rw.fit(rw.load_scenario(SCENARIO))


def shown(made: Any, width: int) -> str:
    console = Console(file=io.StringIO(), width=width, highlight=False)
    made.show(console)
    text: str = console.file.getvalue()  # type: ignore[attr-defined]
    return text


@pytest.mark.parametrize("name", MAKERS)
def test_no_digit_is_lost(name: str, fitted: rw.Fitted) -> None:
    made = MAKERS[name](fitted)
    narrow, wide = (Counter(re.findall(r"\d+\.\d+", shown(made, width))) for width in (80, 400))
    assert narrow == wide
    assert sum(narrow.values()) > 20
    assert "…" not in shown(made, 80)
