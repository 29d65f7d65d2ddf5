"""The flows of an inlet as a person sets them."""

from __future__ import annotations

import numpy as np
import pytest

from models.units import flow_si
from optimizer.results.set_points import split_line
from optimizer.scenario.instrument_data import UNBOUNDED_INLET, Inlet

STEADY = flow_si(np.array([1.5, 1.5, 1.5]))
RISING = flow_si(np.array([1.0, 2.0, 3.0]))


def test_an_unknown_inlet_has_no_lines() -> None:
    assert split_line(UNBOUNDED_INLET, STEADY) is None


def test_split_at_constant_flow() -> None:
    line = split_line(Inlet(split_ratio=50.0, septum_purge=flow_si(3.0)), STEADY)
    assert line is not None
    assert dict(line.lines()) == {
        "Inlet": "split",
        "Column flow": "1.50 mL/min",
        "Split": "ratio 50:1, 75.0 mL/min",
        "Septum purge": "3 mL/min",
        "Total flow": "79.5 mL/min",  # 1.5 + 75 + 3
    }


def test_total_flow_follows_a_carrier_ramp() -> None:
    line = split_line(Inlet(split_ratio=20.0, septum_purge=flow_si(3.0)), RISING)
    assert line is not None
    assert (line.total.start, line.total.smallest, line.total.largest) == pytest.approx((24.0, 24.0, 66.0))
    assert dict(line.lines())["Total flow"] == "24.0 mL/min at the start, 24.0 to 66.0 over the run"


def test_splitless_opens_its_vent() -> None:
    line = split_line(Inlet("splitless", purge_on=45.0, split_ratio=30.0, septum_purge=flow_si(2.0)), STEADY)
    assert line is not None
    lines = dict(line.lines())
    assert lines["Split vent"] == "closed at injection, opens at 0.75 min"
    assert lines["Split"] == "ratio 30:1, 45.0 mL/min once the vent is open"
    assert lines["Total flow"] == "48.5 mL/min"


def test_on_column_has_no_split() -> None:
    line = split_line(Inlet("on-column", septum_purge=flow_si(3.0)), STEADY)
    assert line is not None
    assert line.split is None
    assert dict(line.lines())["Total flow"] == "4.50 mL/min"
