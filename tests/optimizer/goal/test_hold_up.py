"""The hold-up time of programs, and the warning of peaks that leave close to it."""

from __future__ import annotations

import re

import numpy as np
import pytest
from scipy.integrate import cumulative_trapezoid

from models.column.carrier_gas import carrier_gas
from models.column.programs import CarrierProgram, Controlled, OvenProgram, Program, Ramp
from models.column.scaling import hold_up_at
from models.column.system import ColumnSystem
from models.units import flow_si, kelvin
from optimizer.goal.goal import problem_of
from optimizer.goal.predict import hold_up_time_of, predict
from optimizer.search.reasons import CLEAR_OF_HOLD_UP, warnings_of
from tests.optimizer.made_up import AMBIENT, COLUMN, compounds, made_up_fit, made_up_scenario, names_of

SYSTEM = ColumnSystem(COLUMN, carrier_gas("helium"), AMBIENT, flow_factor=1.01)
STARTS: dict[Controlled, float] = {"flow": flow_si(1.2), "pressure": AMBIENT + 1e5, "velocity": 0.4}
NAMES, RETENTION = names_of(8), compounds(8)
PROBLEM = problem_of(made_up_scenario(NAMES, RETENTION), made_up_fit(RETENTION))


def program(start_C: float, rate_C_min: float | None = None, flow_mL_min: float = 1.2) -> Program:
    ramps = () if rate_C_min is None else (Ramp(rate_C_min / 60, kelvin(320.0)),)
    return Program(OvenProgram(kelvin(start_C), 0.0, ramps), CarrierProgram("flow", flow_si(flow_mL_min)))


def about_hold_up(asked: Program) -> list[str]:
    found = warnings_of(PROBLEM, predict(PROBLEM, asked))
    return [line for line in found if "hold-up" in line]


@pytest.mark.parametrize("kind", ["flow", "pressure", "velocity"])
def test_it_is_that_of_the_column_when_nothing_changes(kind: Controlled) -> None:
    at = Program(OvenProgram(kelvin(90.0), 600.0), CarrierProgram(kind, STARTS[kind]))
    expected = hold_up_at(SYSTEM, kind, STARTS[kind], kelvin(90.0))
    assert hold_up_time_of(SYSTEM, at) == pytest.approx(expected, rel=1e-4)


@pytest.mark.parametrize("kind", ["flow", "pressure"])
def test_under_a_ramp_the_shares_of_the_hold_up_time_add_up_to_one(kind: Controlled) -> None:
    """At steady flow dy/dt = 1/tM(T) for an unretained band: own arithmetic, good to the slow change of the gas."""
    ramp = Program(
        OvenProgram(kelvin(50.0), 0.0, (Ramp(1.0, kelvin(300.0)),)), CarrierProgram(kind, STARTS[kind])
    )
    t = np.linspace(0.0, 250.0, 501)
    share = cumulative_trapezoid(
        [1 / hold_up_at(SYSTEM, kind, STARTS[kind], kelvin(50.0 + s)) for s in t], t, initial=0
    )
    expected = float(np.interp(1.0, share, t))
    assert hold_up_time_of(SYSTEM, ramp) == pytest.approx(expected, rel=0.01)
    assert abs(expected / hold_up_at(SYSTEM, kind, STARTS[kind], kelvin(50.0)) - 1) > 0.05  # it does matter


def test_late_peaks_of_a_fast_ramp_are_not_called_hardly_retained() -> None:
    fast = program(40.0, 35.0)
    prediction = predict(PROBLEM, fast)
    assert (prediction.retention_factor < 0.5).any()  # k at elution is small, and says nothing of retention
    assert prediction.retention.min() > CLEAR_OF_HOLD_UP * hold_up_time_of(PROBLEM.fit.system, fast)
    assert about_hold_up(fast) == []


def test_peaks_near_the_hold_up_time_are_named_with_figures() -> None:
    hot = program(170.0)
    hold_up, prediction = hold_up_time_of(PROBLEM.fit.system, hot), predict(PROBLEM, hot)
    near = prediction.retention < 1.5 * hold_up
    assert 0 < near.sum() <= 5  # all of them fit in the line
    (line,) = about_hold_up(hot)
    assert f"hold-up time of {hold_up / 60:.2f} min" in line
    figures = re.findall(r"(\S+ \d+) \((\d+\.\d+) min, (\d+\.\d+) times\)", line)
    for name, t, is_near in zip(NAMES, prediction.retention, near, strict=True):
        words = f"{name} ({t / 60:.2f} min, {t / hold_up:.2f} times)"
        assert (words in line) == is_near
    assert len(figures) == near.sum()
