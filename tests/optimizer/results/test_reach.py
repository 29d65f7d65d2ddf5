"""What a live picture asks of a prediction: where corners may lie, what cannot be run, a pair enlarged."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

import rampwright as rw
from models.errors import InvalidInputError
from tests.optimizer.bad_inputs import write_good_scenario

OVEN: dict[str, Any] = {"start_C": 50, "hold_min": 1, "ramps": [{"rate_C_per_min": 10, "to_C": 240}]}
KEYS = {
    "constant flow": "flow_mL_min",
    "constant pressure": "inlet_kPa",
    "constant velocity": "velocity_cm_s",
}


@pytest.fixture(scope="module")
def fitted(tmp_path_factory: pytest.TempPathFactory) -> rw.Fitted:
    folder = tmp_path_factory.mktemp("reach") / "five"
    write_good_scenario(folder)
    return rw.fit(rw.load_scenario(folder))


def predicted(fitted: rw.Fitted, carrier: dict[str, Any], oven: dict[str, Any] = OVEN) -> rw.Predicted:
    return rw.predict(fitted, {"oven": oven, "carrier": carrier}, certainty="none")


@pytest.mark.parametrize("mode", KEYS)
def test_a_carrier_within_its_reach_can_be_run_and_one_beyond_it_cannot(fitted: rw.Fitted, mode: str) -> None:
    key, first = KEYS[mode], {"constant flow": 1.2, "constant pressure": 100, "constant velocity": 30}[mode]
    reach = predicted(fitted, {"mode": mode, key: first}).reach
    assert np.all(reach.carrier_least < reach.carrier_most)
    assert (
        reach.carrier_unit == {"flow": "mL/min", "pressure": "kPa gauge", "velocity": "cm/s"}[mode.split()[1]]
    )
    for bound, inside in ((reach.carrier_least.max(), 1.001), (reach.carrier_most.min(), 0.999)):
        assert predicted(fitted, {"mode": mode, key: bound * inside}).breaks_equipment == ()
        beyond = predicted(fitted, {"mode": mode, key: bound / inside**20}).breaks_equipment
        assert beyond
        assert "limit" in beyond[0]


def test_the_oven_reaches_no_temperature_sooner(fitted: rw.Fitted) -> None:
    (fastest,) = predicted(fitted, {"mode": "constant flow", "flow_mL_min": 1.2}).reach.fastest
    assert fastest[:, 0] == pytest.approx([1, 50])
    for t, T in fastest.T[5::18]:
        rate = (T - 50) / (t - 1)
        for factor, allowed in ((0.999, True), (1.001, False)):
            oven = {**OVEN, "ramps": [{"rate_C_per_min": rate * factor, "to_C": float(T)}]}
            if allowed:
                predicted(fitted, {"mode": "constant flow", "flow_mL_min": 1.2}, oven)
            else:
                with pytest.raises(rw.ScenarioError, match="the oven heats at no more than"):
                    predicted(fitted, {"mode": "constant flow", "flow_mL_min": 1.2}, oven)


def test_a_pair_enlarged_shows_the_two_and_what_they_need(fitted: rw.Fitted) -> None:
    made = rw.predict(
        fitted, {"oven": OVEN, "carrier": {"mode": "constant flow", "flow_mL_min": 1.2}}, "quick"
    )
    prediction = made.prediction
    assert prediction.critical is not None
    a, b = prediction.critical_pair or ("", "")
    pair = made.pair(b, a)
    assert pair.names == (a, b)
    assert (pair.resolution, pair.needed) == pytest.approx((made.min_resolution, prediction.critical_needed))
    assert pair.half_interval == pytest.approx(1.96 * prediction.resolution_sd[prediction.critical])
    at = [float(prediction.retention[prediction.compounds.index(name)]) / 60 for name in (a, b)]
    assert pair.times[0] < at[0] < at[1] < pair.times[-1]
    tops = pair.times[pair.responses.argmax(axis=1)]
    assert tops == pytest.approx(at, abs=2 * (pair.times[1] - pair.times[0]))
    assert np.all(pair.response >= pair.responses.sum(axis=0) - 1e-9)
    assert pair.response.max() > 95
    for wrong in ((a, "nothing"), (a, a)):
        with pytest.raises(InvalidInputError):
            made.pair(*wrong)


def test_set_points_and_program_file_are_those_of_the_program(fitted: rw.Fitted, tmp_path: Path) -> None:
    made = predicted(fitted, {"mode": "constant flow", "flow_mL_min": 1.25})
    assert made.tables["carrier"] == {"mode": "constant flow", "flow_mL_min": 1.25}
    assert made.margins[0].pair in {None, made.prediction.critical_pair}
    assert any("10" in line and "240" in line for line in made.set_points)
    file = tmp_path / "program.toml"
    file.write_text(made.program_file, encoding="utf-8")
    again = rw.predict(fitted, file, certainty="none")
    assert again.run_time_min == pytest.approx(made.run_time_min, abs=1e-9)
    assert made.cycle_time_min > made.run_time_min or np.isnan(made.cycle_time_min)
