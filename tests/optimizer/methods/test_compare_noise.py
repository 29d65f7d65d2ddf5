"""What `compare` puts down to chance: tolerances of set points taken together, and the noise of a single reading."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from models.column.programs import Array, CarrierProgram, OvenProgram, Program, Ramp
from models.peaks.resolution import pair_resolution
from models.peaks.sensitivity import SHARED
from models.units import kelvin
from optimizer.base.numbers import HALF_95
from optimizer.goal.covariance import DELAY, LAG_ERROR, drawn_covariance
from optimizer.goal.goal import Problem, problem_of
from optimizer.goal.robustness import drawn, draws_of
from optimizer.goal.shared_cause import BEYOND, Expectation, expectation
from optimizer.goal.uncertainty import exact_peaks
from optimizer.methods.compare import NOISE, Comparison, compare
from optimizer.methods.compare_refit import refit
from optimizer.methods.workflow import fit_scenario
from optimizer.results.compare import compare_result
from optimizer.results.compare_words import advice, remarks, retuning_reasons, verdict_line
from optimizer.runs.peak_tables import PeakTable
from optimizer.scenario.reading import load_scenario
from optimizer.show.pages.methods import compare_html
from tests.scenarios.data_scripts import ROOT

FOLDER = ROOT / "scenarios" / "rescued_pair"
REPEATABILITY = 0.18
SET_POINTS = frozenset({"oven", "carrier", "hold-up", "trim"})
MANY = 20_000


@pytest.fixture(scope="module")
def problem() -> Problem:
    scenario = load_scenario(FOLDER)
    return problem_of(scenario, fit_scenario(scenario))


@pytest.fixture(scope="module")
def program() -> Program:
    oven = OvenProgram(kelvin(60.0), 60.0, (Ramp(7 / 60, kelvin(240.0), 300.0),))
    return Program(oven, CarrierProgram("flow", 1.2e-6 / 60))


@pytest.fixture(scope="module")
def expected(problem: Problem, program: Program) -> Expectation:
    return expectation(problem, program, REPEATABILITY)


def compared(expected: Expectation, t: Array, w: Array | None = None) -> Comparison:
    problem, width = expected.problem, expected.plain[1] if w is None else w
    order = np.argsort(t)
    unknown = np.full(len(order), np.nan)
    names = tuple(problem.scenario.compounds[m] for m in order)
    table = PeakTable(names, t[order], width[order], unknown, unknown)
    return compare(problem, expected.program, table, "run", "a test", expected.repeatability)


def off_by(expected: Expectation, shared: Sequence[Sequence[float]]) -> Array:
    """Times (D, M) [s] with what all compounds share off by given amounts, all else as fitted."""
    problem, batch = expected.problem, expected.batch
    tolerances, length = problem.scenario.tolerances, problem.fit.system.column.length
    everything = frozenset({"retention", "widths", "model", *SET_POINTS})
    nothing = draws_of(problem.fit, tolerances, batch.controlled, length, len(shared), without=everything)
    # Nothing is off in the films.
    draws = replace(nothing, shared=np.pad(np.array(shared), ((0, 0), (0, 2))))
    return exact_peaks(problem, batch, problem.assess(batch, "polish"), draws).retention[0].T


@pytest.mark.parametrize("trimmed", [0.0, 0.3])
def test_the_covariance_is_that_of_the_draws(problem: Problem, program: Program, trimmed: float) -> None:
    """By 20 000 of them: no combination of times is wider or narrower by more than their count leaves open."""
    tolerances = replace(problem.scenario.tolerances, trimmed=trimmed, hold_up=0.01)
    wider = problem_of(replace(problem.scenario, tolerances=tolerances), problem.fit)
    expected = expectation(wider, program, REPEATABILITY)
    robustness = expected.problem.robustness
    t, w = expected.plain
    for without, covariance in (
        (SET_POINTS, expected.covariance),
        (frozenset(), expected.tolerant_covariance),
    ):
        length = problem.fit.system.column.length
        draws = draws_of(problem.fit, tolerances, "flow", length, MANY, 3, without)
        off = (
            drawn(problem.fit, robustness.sensitivity(expected.batch), draws, t[None], w[None]).retention[0].T
            - t
        )
        # What the model leaves out of a whole run is no matter of a program's draws.
        lag = robustness.sensitivity(expected.batch).by_shared[0, 0, SHARED.index("oven lag")]
        whole = np.stack([LAG_ERROR * lag, DELAY * np.ones(len(t))])
        off += np.random.default_rng(4).standard_normal((MANY, 2)) @ whole
        mean_square = off.T @ off / MANY + REPEATABILITY**2 * np.eye(len(t))
        root = np.linalg.cholesky(covariance)
        ratio = np.linalg.eigvalsh(np.linalg.solve(root, np.linalg.solve(root, mean_square).T))
        # Eigenvalues of such an estimate lie within (1 +- sqrt(M/D))^2 (Marchenko and Pastur).
        assert np.abs(np.sqrt(ratio) - 1).max() < 1.5 * np.sqrt(len(t) / MANY)


def test_a_lag_that_is_held_at_zero_has_the_moments_of_its_draws(problem: Problem) -> None:
    fit, length = problem.fit, problem.fit.system.column.length
    draws = draws_of(fit, problem.scenario.tolerances, "flow", length, MANY, 5, SET_POINTS)
    lag, T0 = draws.shared[:, SHARED.index("oven lag")], draws.retention[:, 0]
    found = drawn_covariance(fit)
    assert fit.system.oven_lag < 2 * np.sqrt(fit.covariance[-1, -1])  # else nothing is held
    assert found[-1, -1] == pytest.approx(np.mean(lag**2), rel=0.05)
    expected = (lag - lag.mean()) @ T0 / MANY
    scale = np.sqrt(found[-1, -1] * np.diag(found)[: T0.shape[1]])
    np.testing.assert_allclose(found[-1, : T0.shape[1]] / scale, expected / scale, atol=4 / np.sqrt(MANY))


def test_set_points_off_by_what_they_are_allowed_are_no_drift(expected: Expectation) -> None:
    """All corners of the tolerances; one cause that had to explain two of them would be larger than its own."""
    allowed = expected.problem.scenario.tolerances
    corners = [[0, 0, 0, o * allowed.oven, c * allowed.flow, 0] for o in (-1, 1) for c in (-1, 1)]
    noise = np.random.default_rng(8).normal(0.0, REPEATABILITY, (4, len(expected.plain[0])))
    for t in off_by(expected, corners) + noise:
        made = compared(expected, t)
        assert made.verdict == "holds"
        assert made.tolerated
        assert made.causes.fall < BEYOND
        assert not any("which is a drift" in line for line in remarks(made))


@pytest.mark.parametrize(
    ("kind", "shared"),
    [("oven", [0, 0, 0, 3.0, 0, 0]), ("gas", [np.log(1.06), 0, 0, 0, 0, 0])],
)
def test_three_times_as_much_is_one(expected: Expectation, kind: str, shared: list[float]) -> None:
    (t,) = off_by(expected, [shared])
    made = compared(expected, t)
    assert made.verdict == "drifts"
    assert made.causes.cause is not None
    assert made.causes.cause.kind == kind
    assert made.causes.fall > BEYOND
    assert any("which is a drift" in line for line in remarks(made))
    deviations = compare_result(made, None).to_dict()["deviations"]
    assert deviations["beyond_tolerances"] is True
    assert deviations["chi_square_with_tolerances"] < deviations["chi_square"]


def short_by(expected: Expectation, sigmas: float) -> tuple[Comparison, int, int]:
    """A run as predicted, but one promised pair read as lacking so many standard deviations of its reading."""
    made = compared(expected, expected.plain[0])
    # The least promised: of others so low a reading would be beyond chance, whatever is needed.
    pair = min(made.pairs, key=lambda each: each.predicted - each.needed)
    assert pair.predicted > pair.needed
    t = expected.plain[0].copy()
    wanted = pair.needed - sigmas * pair.found_sd
    near, far = 0.0, float(t[pair.b] - t[pair.a])
    for _ in range(60):
        middle = (near + far) / 2
        t[pair.b] = t[pair.a] + middle
        found = pair_resolution(t, expected.plain[1], np.array([[pair.a, pair.b]]), expected.problem.tailing)
        near, far = (middle, far) if found[0] < wanted else (near, middle)
    return compared(expected, t), pair.a, pair.b


def test_a_lack_within_the_noise_of_a_reading_is_not_held_against_the_program(
    expected: Expectation,
) -> None:
    made, a, b = short_by(expected, 0.8 * NOISE)
    (pair,) = made.undecided
    assert {pair.a, pair.b} == {a, b}
    assert made.short == ()
    assert made.verdict == "holds"
    assert made.goal_met is None
    line = verdict_line(made)
    assert line.startswith("The prediction is confirmed, but one run cannot tell whether it meets the goal: ")
    assert f"found {pair.found:.2f}" in line
    assert f"within the noise of one run (± {HALF_95 * pair.found_sd:.2f})" in line
    after = refit(made)
    assert not any("were found with a resolution of" in reason for reason in retuning_reasons(made, after))
    (told,) = [each for each in advice(made, after, False) if each.startswith("Inject once more")]
    assert f"if the second run gives {2 * pair.needed - pair.found:.2f} or more" in told
    assert f"known to ± {HALF_95 * pair.found_sd / np.sqrt(2):.2f}" in told
    result = compare_result(made, after)
    document = result.to_dict()
    json.dumps(document, allow_nan=False)
    names = [made.prediction.compounds[m] for m in (pair.a, pair.b)]
    row = next(each for each in document["pairs"] if each["between"] == names)
    assert (row["met"], row["within_noise"]) == (False, True)
    assert row["found"] == pytest.approx(pair.found, abs=0.005)
    assert "(short, within noise)" in compare_html(result)


def test_a_lack_beyond_it_is(expected: Expectation) -> None:
    made, a, b = short_by(expected, 1.3 * NOISE)
    assert made.undecided == ()
    assert [{pair.a, pair.b} for pair in made.short] == [{a, b}]
    assert made.verdict == "unresolved"
    assert made.goal_met is False
    assert f"less than the {made.short[0].needed:.2f} needed" in verdict_line(made)
    after = refit(made)
    assert any("were found with a resolution of" in reason for reason in retuning_reasons(made, after))
    assert not any(each.startswith("Inject once more") for each in advice(made, after, False))
