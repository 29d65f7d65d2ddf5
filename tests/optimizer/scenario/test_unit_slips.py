"""Values in a unit that was not meant are refused or asked about; those that pass unseen are listed in the docs."""

from __future__ import annotations

from pathlib import Path

import pytest

from optimizer.scenario.reading import load_scenario
from tests.optimizer.bad_inputs import SCENARIO, write_good_scenario
from tests.unit_slips import slips, unseen_slips

# What is written in place of what, and the question.
ASKED = [
    (
        "hold_up_min = 1.73",
        "hold_up_min = 1.73\nrepeatability_min = 0.18",
        "scouting_runs[1].repeatability_min = 0.18 is unusual; did you mean 0.18 s, 0.003 min?",
    ),
    (
        "[goal]",
        "[tolerances]\nflow_percent = 0.01\n[goal]",
        "tolerances.flow_percent = 0.01 is unusual; did you mean 0.01 as a fraction, 1 %?",
    ),
    (
        "inlet_kPa = 100",
        "inlet_kPa = 14.5",
        "current.carrier.inlet_kPa = 14.5 gives a flow of only 0.098 mL/min; did you mean psi, 99.97 kPa and "
        "0.94 mL/min?",
    ),
    ("inlet_kPa = 100", "inlet_kPa = 1.5", "did you mean bar, 150 kPa"),
    (
        "[goal]",
        "[goal]\nbake_out = { at_C = 300, hold_min = 120 }",
        "goal.bake_out.hold_min = 120 is unusual; did you mean 120 s, 2 min?",
    ),
    ("min = 5 }", "min = 300 }", "instrument.cool_down.min = 300 is unusual; did you mean 300 s, 5 min?"),
    (
        "up_to_C = 350, rate_C_per_min = 30",
        "up_to_C = 350, rate_C_per_min = 0.333",
        "instrument.heating_limits[2].rate_C_per_min = 0.333 is unusual; did you mean 0.333 °C/s, 19.98 °C/min?",
    ),
    (
        "start_C = 110",
        "start_C = 323",
        "current.oven.start_C = 323 is unusual; did you mean 323 K, 49.85 °C, or 323 °F, 161.7 °C?",
    ),
]


@pytest.mark.parametrize(("old", "new", "question"), ASKED, ids=[new for _, new, _ in ASKED])
def test_a_slip_that_is_possible_is_asked_about(old: str, new: str, question: str, tmp_path: Path) -> None:
    write_good_scenario(tmp_path)
    assert old in SCENARIO
    (tmp_path / "scenario.toml").write_text(SCENARIO.replace(old, new, 1), encoding="utf-8")
    assert any(question in warning for warning in load_scenario(tmp_path).warnings)


@pytest.mark.parametrize("written", ["repeatability_min = 0.0", "flow_percent = 0", "inlet_psi = 14.5"])
def test_what_is_meant_is_not_asked_about(written: str, tmp_path: Path) -> None:
    change = {
        "repeatability_min = 0.0": ("hold_up_min = 1.73", "hold_up_min = 1.73\nrepeatability_min = 0.01"),
        "flow_percent = 0": ("[goal]", "[tolerances]\nflow_percent = 0\n[goal]"),
        "inlet_psi = 14.5": ("inlet_kPa = 100", "inlet_psi = 14.5"),
    }[written]
    write_good_scenario(tmp_path)
    (tmp_path / "scenario.toml").write_text(SCENARIO.replace(*change, 1), encoding="utf-8")
    assert not any("did you mean" in warning for warning in load_scenario(tmp_path).warnings)


def test_typical_values_are_not_asked_about_and_their_slips_mostly_noticed() -> None:
    every = list(slips())
    for each in every:
        assert each.quantity.low <= each.typical <= each.quantity.high, each
        assert each.quantity.question(each.typical) == "", each
    assert len(every) > 70
    listed = {key for *_, keys in unseen_slips() for key in keys.replace("`", "").split(", ")}
    assert listed == {each.key for each in every if not each.noticed}


def test_pressures_that_the_range_lets_pass_are_those_asked_about_by_their_flow() -> None:
    passed = {each.key for each in slips() if not each.noticed and each.unit in ("psi", "bar")}
    assert passed == {"inlet_kPa", "start_kPa", "to_kPa", "min_inlet_pressure_kPa", "pressure_kPa"}
