"""Pictures of sweeps: what they show, and that nothing in them overlaps or is cut off."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy import ndimage

from models.column.programs import CarrierProgram, Program
from optimizer.goal.goal import Problem, problem_of
from optimizer.methods.sweep import sweep
from optimizer.methods.sweep_axes import parse_axes
from optimizer.methods.window_sweep import window_sweep
from optimizer.show.pictures.chromatograms import picture
from optimizer.show.pictures.sweep_curves import NO_PAIR, pair_letters, stretches
from optimizer.show.pictures.sweep_maps import sweep_figure
from optimizer.show.pictures.window import window_figure
from tests.optimizer.made_up import (
    AMBIENT,
    ISOTHERMAL,
    PRESSURE_RAMP,
    TWO_RAMPS,
    compounds,
    made_up_fit,
    made_up_scenario,
    names_of,
)
from tests.optimizer.show.test_plots import ODD_NAMES, assert_nothing_clipped_or_covered, visible_texts

CASES = {
    "one": (ISOTHERMAL, ("start_C=60:200",)),
    "one, partly not run": (TWO_RAMPS, ("to1_C=40:270",)),
    "one, never feasible": (ISOTHERMAL, ("start_C=280:400",)),
    "two": (ISOTHERMAL, ("start_C=60:200", "inlet_kPa=20:450")),
    "two, partly not run": (TWO_RAMPS, ("to1_C=40:270", "rate2_C_per_min=1:60")),
    "two, few values": (TWO_RAMPS, ("start_C=40:60:2", "flow_mL_min=1:2:2")),
    "two, never feasible": (ISOTHERMAL, ("start_C=300:400", "inlet_kPa=20:450")),
    "two of the carrier": (PRESSURE_RAMP, ("carrier_rate1_kPa_per_min=1:60", "carrier_to1_kPa=60:390")),
}


def problem_with(count: int, names: tuple[str, ...] | None = None) -> Problem:
    retention = compounds(count)
    return problem_of(made_up_scenario(names or names_of(count), retention), made_up_fit(retention))


def figure_of(problem: Problem, program: Program, vary: tuple[str, ...]) -> Any:
    found = sweep(problem, program, parse_axes(vary, program, AMBIENT, "[current]"))
    return sweep_figure(found, problem.scenario.compounds, problem.scenario.title)


@pytest.mark.parametrize("count", [2, 8, 25])
@pytest.mark.parametrize(("program", "vary"), CASES.values(), ids=CASES)
def test_nothing_overlaps_or_is_cut_off(program: Program, vary: tuple[str, ...], count: int) -> None:
    assert_nothing_clipped_or_covered(figure_of(problem_with(count), program, vary))


def test_axes_carry_units_and_the_key_names_the_pairs() -> None:
    problem = problem_with(8)
    texts = [t.get_text() for t in visible_texts(figure_of(problem, *CASES["two"]))]
    assert {
        "oven temperature, °C",
        "inlet pressure, kPa gauge",
        "smallest resolution / what it needs",
    } <= set(texts)
    texts = [t.get_text() for t in visible_texts(figure_of(problem, *CASES["one"]))]
    assert {"oven temperature, °C", "smallest resolution", "run time, min"} <= set(texts)
    found = sweep(problem, ISOTHERMAL, parse_axes(CASES["one"][1], ISOTHERMAL, AMBIENT, "[current]"))
    a, b = (problem.scenario.compounds[m] for m in sorted(found.critical[0]))
    assert any(f"{a} and {b}" in text for text in texts)


@pytest.mark.parametrize("count", [2, 8, 25])
def test_window_picture(count: int) -> None:
    problem = problem_with(count)
    figure = window_figure(window_sweep(problem, ISOTHERMAL), problem.scenario.compounds, "A title")
    assert_nothing_clipped_or_covered(figure)
    texts = {text.get_text() for text in visible_texts(figure)}
    assert {"column temperature, °C", "relative retention alpha", "plates", "run time, min"} <= texts


def test_odd_names_and_no_pairs_are_drawn() -> None:
    problem = problem_with(len(ODD_NAMES), ODD_NAMES)
    for case in ("one", "two"):
        assert picture(figure_of(problem, *CASES[case]), "svg").startswith(b"<?xml")
        assert picture(figure_of(problem_with(1), *CASES[case]), "svg").startswith(b"<?xml")


def test_a_run_that_never_ends_is_drawn() -> None:
    """At -20 °C and hardly any flow the last compounds do not elute in any reasonable time."""
    slow = replace(ISOTHERMAL, carrier=CarrierProgram("pressure", AMBIENT + 1e3))
    figure = figure_of(problem_with(8), slow, ("start_C=-40:60",))
    assert_nothing_clipped_or_covered(figure)


@pytest.mark.parametrize("kind", ["png", "svg"])
def test_the_same_picture_has_the_same_bytes(kind: Any) -> None:
    problem = problem_with(6)
    first, second = (picture(figure_of(problem, *CASES["two"]), kind) for _ in range(2))
    assert first == second


def test_letters_go_to_the_most_frequent_pairs_in_either_order() -> None:
    pairs = np.array([(1, 0), (0, 1), (2, 1), (-1, -1), (0, 1)])
    letters = pair_letters(pairs, ("x", "y", "z"))
    assert letters.letters == ("A", "B")
    assert letters.names == (("x", "y"), ("y", "z"))
    assert list(letters.which) == [0, 0, 1, NO_PAIR, 0]
    assert stretches(letters.which) == [(0, 0, 1), (1, 2, 2), (NO_PAIR, 3, 3), (0, 4, 4)]


def test_the_key_says_how_many_pairs_it_leaves_out() -> None:
    pairs = np.array([(0, i) for i in range(1, 31)])
    letters = pair_letters(pairs, [f"c{i}" for i in range(31)])
    assert letters.letters[26:28] == ("AA", "AB")
    key = letters.key(10)
    assert len(key) == 10
    assert key[-1] == "21 further pairs: see sweep.csv"


@pytest.mark.parametrize("name", ["two", "two, partly not run", "two of the carrier"])
def test_every_region_of_a_map_has_the_letter_of_its_pair(name: str) -> None:
    program, vary = CASES[name]
    problem = problem_with(25)
    found = sweep(problem, program, parse_axes(vary, program, AMBIENT, "[current]"))
    letters = pair_letters(found.critical, problem.scenario.compounds)
    axes = next(
        each
        for each in sweep_figure(found, problem.scenario.compounds, "x").axes
        if each.get_title(loc="left") == "critical pair"
    )
    which = letters.which.reshape(found.shape).T
    for number, letter in enumerate(letters.letters):
        regions = ndimage.label(which == number)[1]
        assert regions > 0
        assert sum(each.get_text() == letter for each in axes.texts) == regions
