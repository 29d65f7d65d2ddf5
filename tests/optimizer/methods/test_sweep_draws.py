"""Sweeps judged by draws: the share of draws of every run, and what table and picture say of it."""

from __future__ import annotations

import csv
import io
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from matplotlib.collections import QuadMesh

from models.column.programs import Program
from optimizer.app.interface_sweep import swept, windows
from optimizer.base.numbers import probability_beside
from optimizer.goal.goal import Problem, problem_of
from optimizer.goal.predict import predict
from optimizer.goal.uncertainty import with_uncertainty
from optimizer.methods.sweep import Sweep, sweep
from optimizer.methods.sweep_axes import on_steps, parse_axes
from optimizer.methods.workflow import fit_scenario
from optimizer.results.candidate import csv_bytes
from optimizer.results.sweep import goal_met, sweep_table
from optimizer.scenario.reading import load_scenario, program_of_tables
from optimizer.show.pictures.sweep_maps import cells_of, sweep_figure
from tests.optimizer.methods.test_sweep_steps import text_of
from tests.optimizer.show.test_plots import assert_nothing_clipped_or_covered, visible_texts

SCENARIOS = Path(__file__).parents[3] / "scenarios"
STARTS = "start_C=40:50:11"
HOLDS = "hold1_min=3.4:5:17"


@pytest.fixture(scope="module")
def demo() -> Problem:
    scenario = load_scenario(SCENARIOS / "rescued_pair")
    return problem_of(scenario, fit_scenario(scenario))


@pytest.fixture(scope="module")
def nominal(demo: Problem) -> Problem:
    goal = replace(demo.scenario.goal, confidence=0.0)
    return replace(demo, scenario=replace(demo.scenario, goal=goal))


@pytest.fixture(scope="module")
def program(demo: Problem) -> Program:
    """A candidate of the demo: two ramps, on the edge of what draws allow."""
    tables = {
        "oven": {
            "start_C": 41,
            "hold_min": 0.3,
            "ramps": [
                {"rate_C_per_min": 50, "to_C": 116, "hold_min": 4.6},
                {"rate_C_per_min": 30, "to_C": 249, "hold_min": 0.3},
            ],
        },
        "carrier": {"mode": "constant flow", "flow_mL_min": 2.95},
    }
    return program_of_tables(tables, demo.scenario.ambient_pressure)


def test_the_pass_probability_of_a_run_is_that_of_its_prediction(demo: Problem, program: Program) -> None:
    """What `predict` says of a program is what a sweep says of it, to what the engine owes a batch (two draws)."""
    found = sweep(demo, program, parse_axes((STARTS, HOLDS), program, 101325.0, "it"))
    judged = np.flatnonzero(found.nominal)
    assert len(judged) > 20
    assert list(np.flatnonzero(~np.isnan(found.probabilities))) == list(judged)
    first, second = (axis.point for axis in found.axes)
    for at in judged[::7]:
        one = second.moved(first.moved(program, found.combinations[at, 0]), found.combinations[at, 1])
        _, known = with_uncertainty(demo.afresh, predict(demo, one))
        assert found.probabilities[at] == pytest.approx(known.share, abs=2 / 2000)
    # Of what is shown, some draws are simulated outright, as `predict --program` does.
    assert found.best is not None
    best = second.moved(
        first.moved(program, found.combinations[found.best, 0]), found.combinations[found.best, 1]
    )
    for one, share in ((program, found.as_it_is.pass_probability), (best, found.simulated[found.best])):
        assert share == with_uncertainty(demo, predict(demo, one), exact=True)[1].share


def test_the_goal_is_met_where_the_asked_share_of_draws_holds(demo: Problem, program: Program) -> None:
    found = sweep(demo, program, parse_axes((STARTS,), program, 101325.0, "it"))
    assert found.required == 0.9
    assert list(found.feasible) == [bool(kept) for kept in found.deciding >= 0.9]
    assert found.simulated[found.best or 0] >= 0.9  # as it is shown, too
    assert 0 < found.feasible.sum() < found.nominal.sum() < len(found.reasons)
    assert found.best is not None
    assert found.best_nominal is not None
    assert found.probabilities[found.best_nominal] < 0.9 <= found.probabilities[found.best]
    assert found.run_time[found.best_nominal] < found.run_time[found.best]
    assert found.breaks(found.best) == ""
    assert found.breaks(found.best_nominal) == "share of draws"
    assert list(found.margin_in_draws >= 0) == list(found.feasible)


def test_a_nominal_goal_is_judged_by_the_chromatogram_alone(nominal: Problem, program: Program) -> None:
    made = swept(nominal, program, "it", [STARTS])
    found = sweep(nominal, program, parse_axes((STARTS,), program, 101325.0, "it"))
    assert np.isnan(found.probabilities).all()
    assert list(found.feasible) == list(found.nominal)
    assert made.to_dict()["confidence"] == "nominal"
    assert made.to_dict()["best"] == made.to_dict()["best_on_paper"]
    text = text_of(made)
    assert "draws" not in text
    assert "The goal is met nominally by" in text
    assert "the goal is met nominally." in text


def test_table_and_files_tell_what_holds_from_what_is_met_on_paper(demo: Problem, program: Program) -> None:
    made = swept(demo, program, "it", [STARTS])
    document, text = made.to_dict(), text_of(made)
    best, paper = document["best"], document["best_on_paper"]
    assert best["pass_probability"] >= 0.9 > paper["pass_probability"]
    assert f"met ({100 * best['pass_probability']:.0f} % probability), shortest run time" in text
    assert f"nominal only ({100 * paper['pass_probability']:.0f} % probability)" in text
    assert (
        f"at start_C {best['set']['start_C']:g} °C, with {100 * best['pass_probability']:.0f} % probability"
        in text
    )
    low, high = document["feasible_ranges"][0]
    assert (
        f"The goal is met with 90 % probability by {document['feasible_runs']} of 11 runs ({low:g} to {high:g} °C)"
        in text
    )
    assert f"at start_C {paper['set']['start_C']:g} °C, with" in text
    now = document["as_it_is"]
    assert now["oven_program_min"] == pytest.approx(program.oven.duration / 60, abs=1e-4)
    assert f"the last peak ends at {now['run_time_min']:.2f} min and the oven program at" in text
    assert "Run times are counted to the end of the last peak" in text

    assert isinstance(made.found, Sweep)
    table = csv_bytes(*sweep_table(document)).decode()
    rows = list(csv.DictReader(io.StringIO(table)))
    assert [row["on_paper"] == "yes" for row in rows] == [entry["on_paper"] for entry in document["runs"]]
    assert {row["share_by_derivatives"] for row in rows if row["on_paper"] == "no"} == {""}
    assert all(float(row["pass_probability"]) >= 0.9 for row in rows if row["feasible"] == "yes")


def test_every_probability_of_a_curve_is_the_one_that_predict_gives(demo: Problem, program: Program) -> None:
    """The lines at a terminal, the edges of what meets the goal among them, show simulated probabilities alone."""
    made = swept(demo, program, "it", ["start_C=30:50:41"])
    found, text = made.found, text_of(made)
    assert isinstance(found, Sweep)
    shown = [at for at in found.shown if found.nominal[at]]
    assert set(found.simulated) == set(shown)
    assert 5 < len(shown) < found.nominal.sum()
    point = found.axes[0].point
    for at in shown[::3]:
        one = point.moved(program, found.combinations[at, 0])
        share = with_uncertainty(demo, predict(demo, one), exact=True)[1].share
        assert found.simulated[at] == share
        assert f"({probability_beside(share, 0.9)} probability)" in text
    edges = np.flatnonzero(np.diff(found.feasible.astype(int)))
    assert {int(at) for at in edges} | {int(at) + 1 for at in edges} <= set(found.shown)
    assert len(re.findall(r"% probability\)", text)) == len(shown)
    assert "Whether a run that has no line of its own meets the goal follows first derivatives" in text


def test_what_the_program_breaks_of_the_equipment_comes_before_its_probability(
    demo: Problem, program: Program
) -> None:
    tight = replace(demo.scenario, max_temperature=program.oven.highest - 4)
    text = text_of(swept(problem_of(tight, demo.fit), program, "it", ["start_C=40:44:3"]))
    assert 0 < text.index("Not to be run as it is") < text.index("probability")


def test_where_draws_allow_nothing_the_shortest_on_paper_is_named_as_such(
    demo: Problem, program: Program
) -> None:
    made = swept(demo, program, "it", ["start_C=43:50:8"])
    assert made.to_dict()["best"] is None
    text = text_of(made)
    assert "No run meets the goal with 90 % probability." in text
    assert "Nominally it would be met by 2 runs (43 to 44 °C)" in text
    assert isinstance(made.found, Sweep)
    figure = sweep_figure(made.found, demo.scenario.compounds, "A title")
    assert_nothing_clipped_or_covered(figure)
    texts = [each.get_text() for each in visible_texts(figure)]
    assert any(each.startswith("shortest nominally (") for each in texts)
    assert "nominal only" in texts
    assert not any("goal met" in each for each in texts)


@pytest.mark.parametrize("vary", [(STARTS,), (STARTS, HOLDS)], ids=["one", "two"])
def test_pictures_part_the_two_regions(
    vary: tuple[str, ...], demo: Problem, nominal: Problem, program: Program
) -> None:
    for problem, by_draws in ((demo, True), (nominal, False)):
        axes = on_steps(problem.scenario, parse_axes(vary, program, 101325.0, "it"), "flow")
        figure = sweep_figure(sweep(problem, program, axes), problem.scenario.compounds, "A title")
        assert_nothing_clipped_or_covered(figure)
        texts = " / ".join(each.get_text() for each in visible_texts(figure))
        assert ("goal met with 90 % probability" in texts) == by_draws
        assert ("nominal only" in texts) == by_draws
        assert "goal met" in texts


def test_a_lone_run_has_a_cell_of_its_own_colour_and_outline(nominal: Problem, program: Program) -> None:
    """One run in 17 x 11 that meets the goal: its cell is outlined at half the way to its neighbours, in its colour."""
    found = sweep(nominal, program, parse_axes((STARTS, HOLDS), program, 101325.0, "it"))
    at = int(np.flatnonzero(found.nominal)[0])
    short = np.where(np.arange(len(found.reasons)) == at, found.needed * 1.1, found.needed * 0.8)
    alone = replace(found, resolution=short, resolution_margin=short / found.needed - 1)
    assert alone.feasible.sum() == 1
    assert alone.best == at
    figure = sweep_figure(alone, nominal.scenario.compounds, "A title")
    upper = figure.axes[0]
    (mesh,) = (each for each in upper.collections if isinstance(each, QuadMesh))
    ratios = np.asarray(mesh.get_array()).reshape(alone.shape[::-1])
    column, row = np.unravel_index(at, alone.shape)
    assert ratios[row, column] == pytest.approx(1.1)
    assert (ratios > 1).sum() == 1
    x, y, corners = cells_of(alone, alone.feasible)
    inside = corners > 0.5
    x_in, y_in = np.meshgrid(x, y)
    for values, axis, place in ((x_in, alone.axes[0], column), (y_in, alone.axes[1], row)):
        half = (axis.values[1] - axis.values[0]) / 2
        assert values[inside].min() == pytest.approx(axis.values[place] - half)
        assert values[inside].max() == pytest.approx(axis.values[place] + half)


def test_a_window_diagram_is_judged_by_draws_too() -> None:
    """Of the demo's isothermal runs the fastest on paper, 64 min, is one that would fail more often than not."""
    scenario = load_scenario(SCENARIOS / "slow_isothermal")
    problem = problem_of(scenario, fit_scenario(scenario))
    assert scenario.current is not None
    made = windows(problem, scenario.current, "[current]")
    best, paper = made.to_dict()["best"], made.to_dict()["best_on_paper"]
    assert best["share_by_derivatives"] >= 0.9 > 0.5 > paper["share_by_derivatives"]
    text = text_of(made)
    assert f"that meets the goal with 90 % probability is {best['minimised_min']:.2f} min" in text
    assert f"min, at {paper['temperature_C']:.1f} °C, with" in text


def test_a_share_just_below_what_is_asked_does_not_read_like_it() -> None:
    assert probability_beside(0.8975, 0.9) == "89.75 %"
    assert probability_beside(0.9, 0.9) == "90 %"
    assert probability_beside(0.64, 0.9) == "64 %"
    assert goal_met(0.9) == "goal met with 90 % probability"
    assert goal_met(0.0) == "goal met"
