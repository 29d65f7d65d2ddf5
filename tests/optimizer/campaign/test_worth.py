"""What an injection is worth: updated draws against the posterior in closed form, limits, and runs never made twice."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from models.column.programs import Array, CarrierProgram, OvenProgram, Program, Ramp
from models.units import kelvin
from optimizer.base.clock import rounds_counted
from optimizer.campaign import next_run, worth
from optimizer.campaign.next_run import possible
from optimizer.campaign.pool import Pool, pool_of, without_end
from optimizer.campaign.worth import Lookup, Outcomes, Thought, lookup_of
from optimizer.goal.goal import Problem, problem_of
from optimizer.methods.expected_information import (
    covariance_after,
    gain_of,
    measurement,
    scouted_with,
    with_next_flow,
)
from optimizer.methods.scout_programs import PossibleRun, possible_runs, same_program
from optimizer.methods.workflow import fit_scenario
from optimizer.scenario.reading import load_scenario
from tests.scenarios.data_scripts import ROOT


@pytest.fixture(scope="module")
def problem() -> Problem:
    scenario = load_scenario(ROOT / "scenarios" / "slow_isothermal")
    return problem_of(scenario, fit_scenario(scenario))


@pytest.fixture(scope="module")
def pool(problem: Problem) -> Pool:
    with rounds_counted():
        return pool_of(problem, 4.0)


@pytest.fixture(scope="module")
def lookup(problem: Problem, pool: Pool) -> Lookup:
    found = lookup_of(problem, pool.programs)
    assert found is not None
    return found


def ramp(rate: float) -> Program:
    oven = OvenProgram(kelvin(50.0), 120.0, (Ramp(rate / 60, kelvin(220.0), 300.0),))
    return Program(oven, CarrierProgram("flow", 2.0e-8))


def test_programs_known_before_are_looked_up_among(problem: Problem) -> None:
    known = [ramp(10.0), replace(ramp(10.0), oven=OvenProgram(kelvin(90.0), 4000.0))]
    with rounds_counted():
        pool = pool_of(problem, 0.5, known=known)
    assert {without_end(each) for each in known} <= set(pool.programs)
    assert all(without_end(each).oven.duration > 1e8 for each in known)  # no draw's last peak comes after it


def test_draws_of_the_updated_posterior_have_its_covariance(problem: Problem) -> None:
    """Against C' = C - C J' (J C J' + S)^-1 J C, and the law of total variance: means scatter with C - C'."""
    covariance = with_next_flow(problem.fit, problem.scenario)
    size, count = len(covariance), 20_000
    J, S, _ = measurement(problem, ramp(10.0), size, False)
    gain = gain_of(covariance, J, S)
    rng = np.random.default_rng(1)
    root, noise = np.linalg.cholesky(covariance + 1e-14 * np.eye(size)), np.linalg.cholesky(S)
    theta = rng.standard_normal((count, size)) @ root.T
    error = rng.standard_normal((count, len(J))) @ noise.T
    left = theta - (theta @ J.T + error) @ gain.T
    expected = covariance_after(problem, ramp(10.0), covariance, False)[0]
    sd = np.sqrt(np.diag(covariance))
    np.testing.assert_allclose(left.var(axis=0) / sd**2, np.diag(expected) / sd**2, atol=0.03)
    moved = ((theta @ J.T + error) @ gain.T).var(axis=0)
    np.testing.assert_allclose(moved / sd**2, 1 - np.diag(expected) / sd**2, atol=0.03)


def test_a_run_that_tells_nothing_is_worth_nothing(lookup: Lookup, monkeypatch: pytest.MonkeyPatch) -> None:
    def blind(problem: Problem, program: Program, size: int, hold_up: bool) -> tuple[Array, Array, int]:
        J, S, merged = measurement(problem, program, size, hold_up)
        return J, 1e12 * S, merged

    monkeypatch.setattr(worth, "measurement", blind)
    thought = Thought(lookup, 8, 1)
    found = thought.worth(PossibleRun("blind", "ramp", ramp(10.0)))
    assert found.gain == pytest.approx(0.0, abs=1e-9)


def test_a_run_that_tells_all_leaves_the_best_program_of_each_truth(
    problem: Problem, lookup: Lookup, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With nothing left to learn, what is looked up is the fastest that passes where the parameters are the truth's."""

    def clear(of: Problem, program: Program, size: int, hold_up: bool) -> tuple[Array, Array, int]:
        return np.eye(size), 1e-12 * np.diag(np.diag(with_next_flow(problem.fit, problem.scenario))), 0

    monkeypatch.setattr(worth, "measurement", clear)
    thought = Thought(lookup, 6, 1)
    after = thought.after((ramp(10.0),))
    for o, truth in enumerate(thought.truths):
        known = np.tile(truth, (worth.INNER, 1))
        cost, _ = lookup.best(scouted_with(problem, [ramp(10.0)]), thought._as_draws(known, o))
        assert after.cost[o] == pytest.approx(cost, rel=1e-6, nan_ok=True)


def test_a_goal_that_is_met_slowly_is_worth_more_than_one_that_is_not() -> None:
    cost = np.array([210.0, 220.0, 230.0, 3340.0])  # s; only the slowest may come to meet it
    none = worth.unmet(cost, np.array([], dtype=np.intp))
    met, missed = (
        Outcomes(np.array([3340.0]), np.array([0.95])),
        Outcomes(np.array([np.nan]), np.array([0.5])),
    )
    assert met.loss(none) < missed.loss(none)
    assert worth.unmet(cost[:3], np.array([0])) == 1.5 * 210.0


def test_a_program_looked_up_passes_as_probably_as_required(problem: Problem, lookup: Lookup) -> None:
    sure = lookup.chance >= problem.confidence
    assert sure.any()
    now = Thought(lookup, 8, 1).before.cost
    assert np.nanmedian(now) == pytest.approx(lookup.cost[sure].min(), rel=0.05)


def test_no_run_is_proposed_that_was_made(problem: Problem, pool: Pool, lookup: Lookup) -> None:
    runs = possible(problem, pool.outcome, lookup)
    assert {"ramp", "bold", "candidate"} <= {each.kind for each in runs}
    best = pool.outcome.candidates[0].prediction
    of = f"of {best.program.oven.duration / 60:.1f} min"
    assert next(each.name for each in runs if each.program == best.program) == f"best program {of}"
    assert not any(each.name.startswith("candidate") for each in runs)  # whose numbers nobody was shown
    scenario = problem.scenario
    made = replace(
        scenario,
        runs=tuple(
            replace(scenario.runs[0], name=str(n), program=each.program) for n, each in enumerate(runs)
        ),
    )
    further = possible(replace(problem, scenario=made), pool.outcome, lookup)
    programs = [run.program for run in made.runs]
    assert not any(same_program(made, each.program, known) for each in further for known in programs)
    again = possible_runs(replace(problem, scenario=made), {}, [0, 1])
    assert not any(same_program(made, each.program, known) for each in again for known in programs)


def test_the_same_seed_and_rounds_give_the_same_advice(
    problem: Problem, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(next_run, "FIRST_LOOK", 2)
    monkeypatch.setattr(next_run, "SECOND_LOOK", 3)
    first, second = (next_run.standing(problem, rounds=8, cores=1) for _ in range(2))
    assert first.worth
    assert first.advice == second.advice
    assert [(each.run.name, each.loss) for each in first.worth] == [
        (each.run.name, each.loss) for each in second.worth
    ]


def test_programs_are_the_same_whatever_comes_after_the_end(problem: Problem) -> None:
    scenario = problem.scenario
    program = ramp(10.0)
    oven = program.oven
    longer = replace(program, oven=replace(oven, ramps=(replace(oven.ramps[0], hold=900.0),)))
    faster = replace(program, oven=replace(oven, ramps=(replace(oven.ramps[0], rate=11 / 60),)))
    more = replace(program, carrier=CarrierProgram("flow", 2.2e-8))
    assert same_program(scenario, program, longer)
    assert not same_program(scenario, program, faster)
    assert not same_program(scenario, program, more)
