"""Sweeps on the instrument's steps, limits by name, and names of set points as people type them."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from rich.console import Console

from models.column.programs import Program
from optimizer.app.interface_sweep import Swept, swept, windows
from optimizer.base.errors import ScenarioError
from optimizer.goal.goal import Problem, problem_of
from optimizer.methods.sweep import sweep
from optimizer.methods.sweep_axes import BrokenLimit, on_steps, parse_axes
from optimizer.methods.workflow import fit_scenario
from optimizer.results.sweep import broken_in_words
from optimizer.scenario.instrument_steps import VELOCITY_STEP, carrier_step
from optimizer.scenario.reading import load_scenario
from optimizer.search.program_space import family
from optimizer.show.pictures.sweep_maps import sweep_figure
from tests.optimizer.made_up import AMBIENT, ISOTHERMAL, PRESSURE_RAMP, TWO_RAMPS
from tests.optimizer.methods.test_sweep import FLOW_RAMP, VELOCITY, problem_with
from tests.optimizer.show.test_plots import assert_nothing_clipped_or_covered, visible_texts

DEMO = Path(__file__).parents[3] / "scenarios" / "rescued_pair"


@pytest.fixture(scope="module")
def problem() -> Problem:
    return problem_with()


@pytest.fixture(scope="module")
def demo() -> Problem:
    scenario = load_scenario(DEMO)
    return problem_of(scenario, fit_scenario(scenario))


def text_of(made: Swept) -> str:
    console = Console(width=200)
    with console.capture() as captured:
        made.show(console)
    return " ".join(captured.get().split())


@pytest.mark.parametrize(
    ("program", "vary", "step"),
    [
        (TWO_RAMPS, "start_C=40.3:61.7", 1.0),
        (TWO_RAMPS, "rate1_C_per_min=3:21", 0.5),
        (TWO_RAMPS, "hold1_min=0:3", 0.1),
        (TWO_RAMPS, "flow_mL_min=0.8:2", 0.05),
        (ISOTHERMAL, "inlet_kPa=50:150", 1.0),
        (PRESSURE_RAMP, "carrier_rate1_kPa_per_min=2:30", 1.0),
        (FLOW_RAMP, "carrier_rate1_mL_per_min2=0.1:3", 0.1),
        (VELOCITY, "velocity_cm_s=25:45", 100 * VELOCITY_STEP),
    ],
)
def test_swept_values_hold_the_instruments_steps(
    problem: Problem, program: Program, vary: str, step: float
) -> None:
    (asked,) = parse_axes((vary,), program, AMBIENT, "[current]")
    (axis,) = on_steps(problem.scenario, (asked,), program.carrier.controlled)
    assert axis.step == pytest.approx(step)
    low, high = asked.values[[0, -1]]
    assert axis.values.min() >= low - 1e-9
    assert axis.values.max() <= high + 1e-9
    assert np.all(np.diff(axis.values) > 1e-3 * step)
    settable = axis.values[axis.on_steps] / step
    assert len(settable) >= 20
    assert settable == pytest.approx(np.round(settable), abs=1e-6)


def test_coarse_steps_leave_the_curve_of_one_set_point_and_thin_a_map(problem: Problem) -> None:
    asked = parse_axes(("rate1_C_per_min=3:21",), TWO_RAMPS, AMBIENT, "[current]")
    (curve,) = on_steps(problem.scenario, asked, "flow")
    assert len(curve.values) > 81
    assert curve.on_steps.sum() == 37
    asked = parse_axes(("rate1_C_per_min=3:12", "start_C=40:60"), TWO_RAMPS, AMBIENT, "[current]")
    for axis, count in zip(on_steps(problem.scenario, asked, "flow"), (19, 21), strict=True):
        assert len(axis.values) == count
        assert axis.on_steps.all()


def test_a_range_within_one_step_is_swept_and_said(demo: Problem) -> None:
    assert demo.scenario.current is not None
    made = swept(demo, demo.scenario.current, "[current]", ["rate1_C_per_min=4.1:4.4:5"])
    assert made.to_dict()["vary"][0]["on_steps"] == 0
    assert "5 values, none on the instrument's steps of 0.5 °C/min" in text_of(made)


def test_the_best_can_be_set(demo: Problem) -> None:
    assert demo.scenario.current is not None
    made = swept(demo, demo.scenario.current, "[current]", ["rate1_C_per_min=2:15"])
    best = made.to_dict()["best"]
    rate = best["set"]["rate1_C_per_min"]
    assert rate == pytest.approx(round(2 * rate) / 2)
    assert best["settable"]
    others = [run for run in made.to_dict()["runs"] if run["feasible"] and run["settable"]]
    assert best["run_time_min"] == min(run["run_time_min"] for run in others)
    # A run between the steps is faster, and not chosen.
    faster = [
        run
        for run in made.to_dict()["runs"]
        if run["feasible"] and run["run_time_min"] < best["run_time_min"]
    ]
    assert faster
    assert not any(run["settable"] for run in faster)
    assert "27 of them on the instrument's steps of 0.5 °C/min: the best is one of these" in text_of(made)


def test_the_best_of_a_window_diagram_can_be_set() -> None:
    scenario = load_scenario(DEMO.parent / "slow_isothermal")
    problem = problem_of(scenario, fit_scenario(scenario))
    assert scenario.current is not None
    made = windows(problem, scenario.current, "[current]")
    best = made.to_dict()["best"]["temperature_C"]
    assert best == pytest.approx(round(best), abs=1e-6)
    assert f"at {best:.1f} °C (the instrument takes steps of 1 °C)" in text_of(made)
    # Over the whole range every whole degree is run.
    run = {round(each["temperature_C"], 3) for each in made.to_dict()["temperatures"]}
    assert {float(T) for T in range(41, 320)} <= run


def test_broken_limits_are_named_with_their_runs(problem: Problem) -> None:
    vary = ("start_C=60:200", "inlet_kPa=20:450")
    made = swept(problem, ISOTHERMAL, "[current]", list(vary))
    broken = made.to_dict()["broken_limits"]
    assert {"largest inlet pressure"} <= {each["limit"] for each in broken}
    counts = [each["runs"] for each in broken]
    assert counts == sorted(counts, reverse=True)
    over = sum(run["set"]["inlet_kPa"] > 400 for run in made.to_dict()["runs"])
    assert {"limit": "largest inlet pressure", "runs": over} in broken
    assert f"largest inlet pressure ({over})" in text_of(made)
    axes = on_steps(problem.scenario, parse_axes(vary, ISOTHERMAL, AMBIENT, "[current]"), "pressure")
    figure = sweep_figure(sweep(problem, ISOTHERMAL, axes), problem.scenario.compounds, "A title")
    assert_nothing_clipped_or_covered(figure)
    note = " ".join(text.get_text() for text in visible_texts(figure))
    assert f"largest inlet pressure ({over})" in note


def test_where_nothing_is_broken_nothing_is_said(problem: Problem) -> None:
    found = sweep(problem, ISOTHERMAL, parse_axes(("inlet_kPa=90:110",), ISOTHERMAL, AMBIENT, "[current]"))
    kept = replace(found, limits=np.ones_like(found.limits))
    assert kept.broken_limits == ()
    assert broken_in_words(kept.broken_limits) == ""


def test_a_long_list_of_limits_is_cut_and_counted() -> None:
    limits = [BrokenLimit(f"limit number {number}", 40 - number) for number in range(12)]
    text = broken_in_words(limits, 100)
    assert len(text) <= 100
    named = sum(f"{name} ({runs})" in text for name, runs in limits)
    assert text.endswith(f"and {12 - named} more.")
    assert broken_in_words(limits).count("limit number") == 12


@pytest.mark.parametrize(
    ("typed", "meant"),
    [
        ("rate_1_C_per_min", "rate1_C_per_min"),
        ("startC", "start_C"),
        ("temperature", "start_C"),
        ("flow", "flow_mL_min"),
        ("ramp2", "rate2_C_per_min"),
        ("HOLD_MIN", "hold_min"),
    ],
)
def test_a_mistyped_name_brings_the_one_that_was_meant(typed: str, meant: str) -> None:
    with pytest.raises(ScenarioError, match=f"did you mean {meant}\\?"):
        parse_axes((f"{typed}=1:2",), TWO_RAMPS, AMBIENT, "[current]")


def test_a_name_like_none_brings_the_list_alone() -> None:
    with pytest.raises(ScenarioError) as raised:
        parse_axes(("tempo=1:2",), TWO_RAMPS, AMBIENT, "[current]")
    assert "did you mean" not in str(raised.value)
    assert "It has start_C, hold_min" in str(raised.value)


def test_search_and_adapt_set_velocities_in_the_same_steps(problem: Problem) -> None:
    searched = family(problem.scenario, 1, "velocity", 0)
    assert VELOCITY_STEP in searched.step
    assert carrier_step(problem.scenario, "velocity") == (VELOCITY_STEP, 0.0)
