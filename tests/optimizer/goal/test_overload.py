"""Amounts that move peaks, from the scenario to the search; runs are made by the engine itself (see
tests/published/test_overload.py for what its shapes and shifts are held against)."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from benchmarks.mixtures import mixture
from models.column.programs import Array, batch_of
from models.peaks.migration import migrate, migration_tables
from models.peaks.overload import SLIGHT, load_of_capacity
from models.peaks.resolution import HALF_HEIGHT_WIDTH
from optimizer.base.errors import ScenarioError
from optimizer.goal.goal import Problem, problem_of
from optimizer.goal.predict import predict
from optimizer.goal.uncertainty import with_uncertainty
from optimizer.methods.adapt import on_new_system
from optimizer.methods.adapt_options import Change
from optimizer.methods.workflow import fit_scenario, optimize, stated_loads
from optimizer.results.fit import FitResult
from optimizer.results.plot_data import chromatogram_data
from optimizer.results.prediction import predicted_peaks
from optimizer.runs.peak_tables import PeakTable
from optimizer.scenario.data import Scenario, ScoutingRun
from optimizer.scenario.instrument_data import Inlet
from optimizer.scenario.reading import load_scenario
from optimizer.search.reasons import warnings_of
from tests.optimizer.bad_inputs import SCENARIO, write_good_scenario

FEW = 0.1  # amounts of the weaker run over those of the method


@pytest.fixture(scope="module")
def scenario() -> Scenario:
    return load_scenario(Path(__file__).parents[3] / "scenarios" / "rescued_pair")


def measured(problem: Problem, run: ScoutingRun, load: Array, factor: float) -> ScoutingRun:
    """The run as it would come out with amounts times a factor."""
    fit, controlled = problem.fit, run.program.carrier.controlled
    tables = migration_tables(fit.system, fit.retention, controlled, fit.diffusion, load * factor)
    found = migrate(tables, batch_of([run.program]), "polish")
    t, w = found.retention_time[0], found.width[0] * HALF_HEIGHT_WIDTH
    order = np.argsort(t)
    names = tuple(problem.scenario.compounds[m] for m in order)
    ones = np.ones(len(order))
    peaks = PeakTable(names, t[order], w[order], ones, np.nan * ones, ())
    return replace(run, name=f"{run.name} {factor:g}", peaks=peaks, amount_factor=factor)


def leaning(scenario: Scenario, names: tuple[str, ...], load: float) -> Array:
    return np.where([name in names for name in scenario.compounds], load, 0.0)


def test_two_loads_tell_how_far_an_amount_moves_a_peak(scenario: Scenario) -> None:
    plain = problem_of(scenario, fit_scenario(scenario))
    load = leaning(scenario, ("menthol",), 6e-5)
    slow, fast = scenario.runs
    runs = tuple(measured(plain, run, load, f) for run, f in ((slow, 1.0), (fast, 1.0), (fast, FEW)))
    made = replace(scenario, runs=runs, compounds=runs[0].peaks.compounds, capacity=None, overload=True)
    fit = fit_scenario(made)
    m, before = made.compounds.index("menthol"), scenario.compounds.index("menthol")
    assert fit.load is not None
    assert fit.load_sd is not None
    assert fit.load[m] == pytest.approx(6e-5, rel=0.03)
    # An apex found later by the standard deviation of the distance of two adds about that of the load.
    later = replace(runs[1].peaks, retention=runs[1].peaks.retention + 2**0.5 * runs[1].repeatability)
    off = fit_scenario(replace(made, runs=(runs[0], replace(runs[1], peaks=later), runs[2])))
    assert off.load is not None
    assert off.load[m] - fit.load[m] == pytest.approx(fit.load_sd[m], rel=0.25)
    assert np.delete(fit.load, m) == pytest.approx(0.0, abs=1e-12)  # whose apexes stay where they are
    assert fit.retention.T0[m] == pytest.approx(plain.fit.retention.T0[before], abs=0.05)
    # Fitted as if they were of traces the runs contradict each other.
    blind = fit_scenario(replace(made, overload=False))
    assert np.abs(blind.residual[:, m]).max() > 5 * np.abs(fit.residual[:, m]).max()
    text = FitResult(made, fit).column_text
    share = 6e-5 / float(load_of_capacity(np.ones(()), 1.0, 120000.0))
    assert f"Amounts over the capacity: menthol {share:.1f}"[:-1] in text


def test_a_stated_capacity_is_that_of_a_peak_ten_per_cent_wider(scenario: Scenario) -> None:
    """k = 5 and L/d plates; R of a peak 10 % wider is held against a table elsewhere."""
    load = stated_loads(scenario)
    expected = 5.810158 * 60 / 80 / (120000 * 25 / 36)
    assert load[scenario.compounds.index("menthol")] == pytest.approx(expected, rel=1e-6)
    assert load[scenario.compounds.index("isomenthol")] == pytest.approx(expected / 100, rel=1e-6)
    assert np.count_nonzero(load) == 2


def test_nothing_moves_unless_it_is_asked_for(scenario: Scenario) -> None:
    assert scenario.capacity == 80
    assert fit_scenario(scenario).load is None


def made() -> Problem:
    """Twenty compounds, nominally."""
    known = mixture(20, 1, 2)
    inlet = Inlet(split_ratio=20.0)
    goal = replace(known.scenario.goal, confidence=0.0)
    scenario = replace(known.scenario, goal=goal, inlet=inlet)
    return problem_of(scenario, replace(known.fit, load=np.zeros(len(known.fit.retention))))


def test_a_search_that_knows_of_an_amount_decides_otherwise() -> None:
    """The fastest program for traces fails with the amounts; the search finds one that does not, or the split helps."""
    traces = made()
    _, outcome = optimize(traces.scenario, traces.fit, rounds=12, what_if=False)
    assert outcome.feasible
    best = outcome.candidates[0].prediction
    first = best.compounds.index(best.critical_pair[0]) if best.critical_pair else 0
    load = np.zeros(len(best.compounds))
    load[first] = 1e-3
    fit = replace(traces.fit, load=load)
    loaded = problem_of(traces.scenario, fit)
    blind = predict(loaded, best.program)
    assert blind.min_resolution < 0.95 * blind.critical_needed
    _, other = optimize(loaded.scenario, fit, rounds=12, what_if=False)
    assert other.feasible
    chosen = other.candidates[0].prediction
    assert chosen.min_resolution >= chosen.critical_needed - 1e-6
    assert chosen.program != best.program
    assert chosen.run_time > best.run_time
    # With the split ratio that is told, the first program is good again.
    (told,) = (text for text in warnings_of(loaded, blind) if "lean" in text)
    ratio = int(told.split("a split ratio of ")[1].split(":1 in place of 20:1")[0])
    assert ratio == int(np.ceil(21 * np.abs(blind.overload).max() / SLIGHT - 1))
    less = predict(problem_of(traces.scenario, replace(fit, load=load * 21 / (1 + ratio))), best.program)
    assert np.abs(less.overload).max() <= SLIGHT
    assert less.min_resolution > best.min_resolution - 0.06  # 0.2 sigma of 4 to a unit of resolution


def test_halves_that_face_each_other_decide() -> None:
    """A peak that leans comes late and has a sharp back: it is nearer to the next, and further from the one before."""
    traces = made()
    known, fit = traces.scenario, traces.fit
    _, outcome = optimize(known, fit, rounds=2, what_if=False)
    program = outcome.candidates[0].prediction.program
    load = np.zeros(len(known.compounds))
    middle = int(predict(traces, program).order[5])
    load[middle] = 3e-4
    plain, leant = predict(traces, program), predict(problem_of(known, replace(fit, load=load)), program)
    order = [int(m) for m in plain.order]
    before, after = order[4], order[6]
    assert leant.apex_shift[middle] == pytest.approx(
        leant.retention[middle] - plain.retention[middle], rel=1e-6
    )

    to_next = [each.resolution for each in predicted_peaks(known, leant)]
    w, front = leant.width_half, 1 / leant.tailing[middle]
    t = leant.retention
    assert front > 1.1
    assert to_next[5] == pytest.approx(
        1.18 * (t[after] - t[middle]) / (w[middle] * (2 - front) + w[after] / leant.tailing[after]), rel=1e-6
    )
    assert to_next[4] == pytest.approx(
        1.18 * (t[middle] - t[before]) / (w[before] * (2 - 1 / leant.tailing[before]) + w[middle] * front),
        rel=1e-6,
    )


def test_the_picture_shows_the_triangle(scenario: Scenario) -> None:
    asked = replace(scenario, overload=True)
    seen = predict(problem_of(asked, fit_scenario(asked)), scenario.runs[0].program)
    m = scenario.compounds.index("menthol")
    drawn = chromatogram_data(seen, 101325.0, "")
    row = [int(each) for each in seen.order].index(m)
    times, signal = drawn.times * 60, drawn.responses[row]
    top = int(np.argmax(signal))
    assert times[top] == pytest.approx(seen.retention[m], abs=0.05)
    high = times[signal > signal.max() / 2]
    before, behind = seen.retention[m] - high[0], high[-1] - seen.retention[m]
    assert before > 1.3 * behind
    assert high[-1] - high[0] == pytest.approx(seen.width_half[m], rel=0.15)


def test_draws_by_derivatives_agree_with_draws_simulated(scenario: Scenario) -> None:
    asked = replace(scenario, overload=True)
    problem = problem_of(asked, fit_scenario(asked))
    _, outcome = optimize(
        replace(asked, goal=replace(asked.goal, confidence=0.0)), problem.fit, rounds=2, what_if=False
    )
    program = outcome.candidates[0].prediction.program
    _, known = with_uncertainty(problem, predict(problem, program), exact=True)
    assert known.by_derivatives is not None
    assert known.share == pytest.approx(known.by_derivatives, abs=0.03)


def test_another_column_holds_as_much_more_as_its_film_is_larger(scenario: Scenario) -> None:
    asked = replace(scenario, overload=True)
    fit = fit_scenario(asked)
    moved, _ = on_new_system(asked, fit, Change(film_thickness=2 * scenario.column.film_thickness))
    assert fit.load is not None
    assert moved.load == pytest.approx(fit.load / 2, rel=1e-9)


def test_what_is_missing_is_said(tmp_path: Path) -> None:
    write_good_scenario(tmp_path)
    file = tmp_path / "scenario.toml"
    file.write_text(SCENARIO.replace("[carrier]\n", "overload = true\n\n[carrier]\n", 1), encoding="utf-8")
    with pytest.raises(
        ScenarioError, match=r"column.overload = true: expected column.capacity_ng and an amount_ng"
    ):
        load_scenario(tmp_path)
    name = SCENARIO.split("[[scouting_runs]]\n", 1)[1].split("\n", 1)[0]
    file.write_text(SCENARIO.replace(name, f"{name}\namount_factor = 0.1", 1), encoding="utf-8")
    read = load_scenario(tmp_path)
    assert read.runs[0].amount_factor == 0.1
    assert any("amount_factor = 0.1: says nothing without column.overload" in text for text in read.warnings)
