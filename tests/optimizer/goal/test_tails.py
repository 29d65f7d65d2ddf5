"""The system's decay from peak tables to the search; runs are made by the engine (tests/published/test_tails.py holds
its shapes against others)."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from benchmarks.mixtures import mixture
from models.column.programs import Array, Program, batch_of
from models.fit.tails import own_tailing, system_tail
from models.peaks.migration import migrate, migration_tables
from models.peaks.resolution import HALF_HEIGHT_WIDTH, leaning_too
from models.peaks.sensitivity import sensitivity
from models.peaks.tails import seen
from optimizer.goal.goal import Problem, problem_of
from optimizer.goal.predict import predict
from optimizer.goal.uncertainty import exact_peaks
from optimizer.methods.workflow import fit_scenario, optimize
from optimizer.results.fit import FitResult
from optimizer.results.plot_data import chromatogram_data
from optimizer.runs.peak_tables import PeakTable
from optimizer.scenario.data import Scenario, ScoutingRun
from optimizer.scenario.instrument_data import Detector
from optimizer.scenario.reading import load_scenario
from optimizer.search.reasons import warnings_of

TAU = 0.5


@pytest.fixture(scope="module")
def scenario() -> Scenario:
    return load_scenario(Path(__file__).parents[3] / "scenarios" / "rescued_pair")


@pytest.fixture(scope="module")
def plain(scenario: Scenario) -> Problem:
    return problem_of(scenario, fit_scenario(scenario))


def tailing_tables(problem: Problem, program: Program, tau: float, own: Array) -> tuple[Array, Array, Array]:
    """Times, half-height widths and tailing factors as the system gives them."""
    fit, controlled = problem.fit, program.carrier.controlled
    system = replace(fit.system, time_constant=tau)
    tables = migration_tables(system, fit.retention, controlled, fit.diffusion, tailing=own)
    found = migrate(tables, batch_of([program]), "polish")
    tailing = own if found.lean is None else leaning_too(own, found.lean.front[0])
    return found.retention_time[0], found.width[0] * HALF_HEIGHT_WIDTH, tailing


def made(problem: Problem, tau: float, own: Array) -> Scenario:
    """The scenario with runs as the system would show them."""

    def run_of(run: ScoutingRun) -> ScoutingRun:
        t, w, tailing = tailing_tables(problem, run.program, tau, own)
        order = np.argsort(t)
        names = tuple(problem.scenario.compounds[m] for m in order)
        peaks = PeakTable(names, t[order], w[order], np.ones(len(order)), tailing[order], ())
        return replace(run, peaks=peaks, hold_up=None)

    scenario = replace(problem.scenario, analytes=())
    runs = tuple(map(run_of, scenario.runs))
    return replace(scenario, runs=runs, compounds=problem.scenario.compounds)


def test_the_fit_takes_off_what_predictions_add(plain: Problem) -> None:
    own = np.linspace(1.0, 1.2, len(plain.scenario.compounds))
    shown = made(plain, TAU, own)
    stated = replace(shown, detector=Detector(response_time=TAU))
    fit = fit_scenario(stated)
    assert fit.tailing == pytest.approx(own, abs=0.03)
    assert fit.system.plate_height_factor == pytest.approx(plain.fit.system.plate_height_factor, rel=0.02)
    program = shown.runs[1].program
    found = predict(problem_of(stated, fit), program)
    t, w, tailing = tailing_tables(plain, program, TAU, own)
    assert found.retention == pytest.approx(t, abs=TAU / 20)  # typical values draw a little
    assert found.width_half == pytest.approx(w, rel=0.01)
    assert found.tailing == pytest.approx(tailing, abs=0.03)
    # The trace has them where the table says, and its own tails.
    chart = chromatogram_data(found, stated.ambient_pressure, "")
    apexes = np.array([chart.times[row.argmax()] for row in chart.responses])
    assert apexes * 60 == pytest.approx(np.sort(t), abs=0.1)


def test_measured_tails_tell_the_systems_part(plain: Problem) -> None:
    rng = np.random.default_rng(4)
    own = 1.05 + 0.02 * rng.standard_normal(len(plain.scenario.compounds))
    result = FitResult(made(plain, TAU, own), plain.fit)
    assert result.decay == pytest.approx(TAU, abs=0.05)
    assert result.decay_interval is not None
    assert result.decay_interval[1] - result.decay_interval[0] < 0.4 * TAU
    assert result.tailing_before_decay == pytest.approx(1.05, abs=0.03)
    assert "state it as detector.response_time_s" in result.column_text
    columns = FitResult(made(plain, 0.0, own + 0.2), plain.fit)
    assert columns.decay_interval is not None
    assert columns.decay_interval[0] == 0
    assert "grow with the widths" in columns.column_text
    stated = replace(columns.scenario, detector=Detector(response_time=TAU))
    assert "response_time_s = 0.5 is more" in FitResult(stated, plain.fit).column_text


@pytest.mark.parametrize("tau", [0.0, 0.6])
def test_intervals_hold_the_truth(tau: float) -> None:
    """Of 12 mixtures with noisy tails, in about 95 %: in fewer than 9 with a chance of 2 in 1,000."""
    rng, held = np.random.default_rng(8), 0
    for _ in range(12):
        sigma = np.array([np.linspace(0.5, 1.2, 10), np.linspace(0.9, 2.6, 10)])
        own = 1.1 + 0.04 * rng.standard_normal(10)
        found = seen(sigma, tau, own) if tau else None
        tailing = own + 0 * sigma if found is None else found.tailing
        noisy = (1 + (2 * tailing - 1) * np.exp(0.05 * rng.standard_normal(sigma.shape))) / 2
        told = system_tail(noisy, sigma if found is None else found.width)
        assert told is not None
        held += told.interval[0] <= tau <= told.interval[1]
    assert held >= 9


@pytest.mark.parametrize("sizes", [(0.5, 1.2, 2.2), (0.6, 0.9, 4.0)])
def test_tails_without_noise_tell_the_decay_within_their_interval(sizes: tuple[float, float, float]) -> None:
    """Whatever the decay is, also where it rules the narrowest peaks: not the nearest of those looked at."""
    sigma = np.array([np.linspace(sizes[0], sizes[1], 10), np.linspace(sizes[1], sizes[2], 10)])
    for tau in np.linspace(0.23, 2.3, 8):
        found = seen(sigma, float(tau), np.full(10, 1.1))
        told = system_tail(found.tailing, found.width)
        assert told is not None
        low, high = told.interval
        assert low <= tau <= high, (tau, told)
        assert told.time_constant == pytest.approx(tau, abs=0.25 * (high - low))
        assert low < told.time_constant < high < 1.5 * tau


def test_a_decay_longer_than_peaks_are_wide_is_said(scenario: Scenario) -> None:
    """Widths at half height run from 1.19 to 3.98 s; a decay alone has 0.693 times its time constant."""
    widths = np.concatenate([run.peaks.width_half for run in scenario.runs])
    for tau, narrow in ((1.5, 0), (3.0, int((widths < 2.0794).sum())), (8.0, widths.size)):
        fit = fit_scenario(replace(scenario, detector=Detector(response_time=tau)))
        said = [text for text in fit.warnings if text.startswith(f"A response time of {tau:g} s")]
        assert len(said) == bool(narrow)
        assert not narrow or f"{narrow} of {widths.size} measured widths are narrower" in said[0]


@pytest.mark.parametrize("tau", [1e-4, 0.5])
def test_own_tailing_is_what_the_decay_leaves(tau: float) -> None:
    """But for what typical values take; also of next to no decay, and between the places looked at."""
    own, sigma = np.array([1.0, 1.01, 1.03, 1.2, 1.4, np.nan]), np.array([[0.8] * 6, [1.5] * 6])
    measured = seen(sigma, tau, own).tailing
    found = own_tailing(measured, sigma, tau)
    assert found[:5] == pytest.approx(own[:5], abs=0.006)
    assert found[5] == 1.0


def test_too_few_or_too_equal_tails_tell_nothing() -> None:
    assert system_tail(np.full((1, 3), 1.2), np.array([[1.0, 2.0, 3.0]])) is None
    assert system_tail(np.full((1, 6), 1.2), np.linspace(1.0, 1.2, 6)[None]) is None


def test_slopes_know_the_decay(plain: Problem) -> None:
    fit, batch = plain.fit, batch_of([plain.scenario.runs[1].program])
    own = np.full(len(fit.retention), 1.2)

    def peaks(ln_plates: float = 0.0, ln_flow: float = 0.0) -> Array:
        system = replace(
            fit.system,
            time_constant=TAU,
            plate_height_factor=fit.system.plate_height_factor * np.exp(ln_plates),
            flow_factor=fit.system.flow_factor * np.exp(ln_flow),
        )
        tables = migration_tables(system, fit.retention, batch.controlled, fit.diffusion, tailing=own)
        found = migrate(tables, batch)
        return np.array([found.retention_time[0], found.width[0]])

    system = replace(fit.system, time_constant=TAU)
    tables = migration_tables(system, fit.retention, batch.controlled, fit.diffusion, tailing=own)
    slopes, step = sensitivity(tables, batch, 0.0), 1e-3
    by_plates, by_flow = (
        (peaks(**{name: step}) - peaks(**{name: -step})) / (2 * step) for name in ("ln_plates", "ln_flow")
    )
    assert slopes.by_shared[:2, 0, 1] == pytest.approx(by_plates, rel=2e-3, abs=1e-4)
    assert slopes.by_shared[:2, 0, 0] == pytest.approx(by_flow, rel=1e-2, abs=2e-3)


def test_draws_are_close_to_simulated_ones(plain: Problem) -> None:
    """First derivatives are as near to simulations of their own as without a decay."""
    own, off = np.full(len(plain.scenario.compounds), 1.1), []
    for tau in (0.0, TAU):
        fit = replace(plain.fit, system=replace(plain.fit.system, time_constant=tau), tailing=own)
        problem = problem_of(plain.scenario, fit)
        batch = batch_of([plain.scenario.runs[1].program])
        assessment = problem.assess(batch, "polish")
        draws = problem.robustness.draws(batch.controlled)
        few = type(draws)(*(getattr(draws, name)[:20] for name in draws.__dataclass_fields__))
        exact = exact_peaks(problem, batch, assessment, few)
        linear = problem.robustness.peaks(batch, assessment.retention, assessment.width_half)
        off.append(float(np.sqrt(np.mean((linear.retention[0, :, :20] - exact.retention[0]) ** 2))))
    assert off[1] < 1.05 * off[0] + 0.01


def test_a_decay_changes_the_program() -> None:
    """Tails in seconds cost a fast program more than the mean tailing factor of slow scouting runs says: with that the
    search takes one in which the critical pair, as it would be measured, misses its resolution."""
    known = mixture(6, 1, 1)
    tau, M = 0.45, 6
    goal = replace(known.scenario.goal, confidence=0.0)
    # The mean tailing factor that scouting runs with peaks of 2 s would show.
    by_runs = float(seen(np.array([2.0]), tau, np.ones(1)).tailing[0])
    blind = replace(known.fit, tailing=np.full(M, by_runs))
    _, without = optimize(replace(known.scenario, goal=goal), blind, rounds=12, what_if=False)
    stated = replace(known.scenario, goal=goal, detector=Detector(response_time=tau))
    fit = replace(known.fit, system=replace(known.fit.system, time_constant=tau), tailing=np.ones(M))
    _, outcome = optimize(stated, fit, rounds=12, what_if=False)
    problem = problem_of(stated, fit)
    assert without.feasible
    assert outcome.feasible
    fast, held = without.candidates[0].prediction, outcome.candidates[0].prediction
    in_truth = predict(problem, fast.program)
    assert fast.min_resolution >= 1.5
    assert in_truth.min_resolution < 1.4
    assert held.min_resolution >= 1.5
    assert held.run_time > fast.run_time
    assert held.valley < in_truth.valley
    assert any("gives such peaks tails" in text for text in warnings_of(problem, in_truth))
