"""What optimize says another injection is worth, in numbers and in words, and what ends a campaign."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from models.column.programs import Array, Program
from optimizer.base.clock import rounds_counted
from optimizer.campaign import next_run, worth
from optimizer.campaign.at_hand import with_another_run
from optimizer.campaign.words import says
from optimizer.goal.asides import AnotherRun, gain_in_words, worth_it
from optimizer.goal.goal import Problem, problem_of
from optimizer.goal.outcome import SearchOutcome
from optimizer.methods.expected_information import measurement, with_next_flow
from optimizer.methods.workflow import fit_scenario
from optimizer.scenario.reading import load_scenario
from optimizer.search.candidates import outcome_of
from optimizer.search.found import Searched
from optimizer.search.islands import search
from optimizer.search.program_space import families_of
from tests.scenarios.data_scripts import ROOT

Searches = tuple[Problem, SearchOutcome, Searched]


@pytest.fixture(scope="module")
def searched() -> Searches:
    """With a fit four times less sure than it is, so that there is something to learn."""
    return searched_with(4.0)


def searched_with(less_sure: float) -> Searches:
    """With a fit so many times less sure than it is."""
    scenario = load_scenario(ROOT / "scenarios" / "slow_isothermal")
    fit = fit_scenario(scenario)
    problem = problem_of(scenario, replace(fit, covariance=less_sure**2 * fit.covariance))
    with rounds_counted():
        found = search(problem, families_of(scenario), 1.0, 1, cores=1)
        return problem, outcome_of(problem, found), found


def another(of: Searches) -> AnotherRun:
    with rounds_counted():
        found = with_another_run(*of, 1.0).another_run
    assert found is not None
    return found


def test_a_run_that_tells_nothing_is_worth_nothing(
    searched: Searches, monkeypatch: pytest.MonkeyPatch
) -> None:
    def blind(problem: Problem, program: Program, size: int, hold_up: bool) -> tuple[Array, Array, int]:
        J, S, merged = measurement(problem, program, size, hold_up)
        return J, 1e12 * S, merged

    monkeypatch.setattr(worth, "measurement", blind)
    monkeypatch.setattr(worth, "scouted_with", lambda problem, programs: problem.fit)
    found = another(searched)
    assert found.gain == pytest.approx(0.0, abs=1e-9)
    assert not found.worth_it
    assert "worth less than 2 %" in found.text
    assert "may be none" in found.text


def test_a_run_that_tells_all_is_worth_more(monkeypatch: pytest.MonkeyPatch) -> None:
    # With four times as much in doubt the fastest programs of the pool already pass: little is left to gain.
    searched = searched_with(8.0)
    usual = another(searched)

    def clear(problem: Problem, program: Program, size: int, hold_up: bool) -> tuple[Array, Array, int]:
        return np.eye(size), 1e-12 * np.diag(np.diag(with_next_flow(problem.fit, problem.scenario))), 0

    monkeypatch.setattr(worth, "measurement", clear)
    found = another(searched)
    assert found.gain > max(usual.gain, 0.02)
    assert found.worth_it
    assert found.expected < found.now == searched[1].candidates[0].prediction.run_time
    assert found.low <= found.high  # the mean may lie outside where hardly any outcome differs
    assert found.text.endswith("rampwright next proposes it.")


def test_it_is_not_asked_without_time(searched: Searches) -> None:
    with rounds_counted():
        assert with_another_run(*searched, 0.1).another_run is None


def test_words_of_another_run() -> None:
    known = AnotherRun("ramp", 552.0, 0.9, 0.071, 0.02, 516.0, 474.0, 540.0, 1.0)
    assert known.text == (
        "Another injection: now 9.20 min at 90 %; after one more run 8.60 min expected (7.90 to 9.00), worth 7.1 %, "
        "standard error 2.0 %: rampwright next proposes it."
    )
    less = replace(known, gain=-0.004, gain_error=0.006)
    assert less.text == (
        "Another injection: now 9.20 min at 90 %; one more run is worth less than 2 % (-0.4 %, standard error "
        "0.6 %: may be none); confirm the best program."
    )
    not_met = replace(known, now=np.nan, chance=0.4)
    assert "the goal is not met now; after one more run" in not_met.text
    assert "if any program then meets the goal (40 % chance)" in not_met.text


@pytest.mark.parametrize(
    ("gain", "error", "worth_making", "words"),
    [
        (0.05, 0.01, True, "5.0 %, standard error 1.0 %"),
        (0.05, 0.06, False, "5.0 %, standard error 6.0 %: may be none"),
        (0.015, 0.001, False, "1.5 %, standard error 0.1 %"),
        (-0.01, 0.02, False, "-1.0 %, standard error 2.0 %: may be none"),
        (-0.03, 0.01, False, "-3.0 %, standard error 1.0 %: no gain"),
    ],
)
def test_a_gain_within_its_error_is_none(gain: float, error: float, worth_making: bool, words: str) -> None:
    assert worth_it(gain, error) is worth_making
    assert gain_in_words(gain, error) == words
    assert gain_in_words(gain, error, " of it") == words.replace(" %,", " % of it,")


def test_a_campaign_ends_once_a_run_made_is_as_good_as_the_best(searched: Searches) -> None:
    """The best program's own run, or one that meets the goal and is hardly slower, ends it; a slower one does not."""
    problem, outcome, _ = searched
    best = outcome.candidates[0]
    assert best.feasible
    assert next_run._without_runs(problem, outcome) == ("confirm", "")

    def after(program: Program, better: float) -> tuple[str, str]:
        scenario = problem.scenario
        made = replace(scenario.runs[0], name="third", program=program)
        further = replace(problem, scenario=replace(scenario, runs=(*scenario.runs, made)))
        faster = replace(best.prediction, run_time=best.prediction.run_time / better)
        oven = best.prediction.program.oven
        other = replace(faster, program=replace(program, oven=replace(oven, start=oven.start - 5)))
        shown = best if better == 1 else replace(best, prediction=other)
        return next_run._without_runs(further, replace(outcome, candidates=(shown,)))

    program = best.prediction.program
    assert after(program, 1) == ("done", "third")
    assert after(program, 1.01) == ("done", "third")
    assert after(program, 1.1) == ("confirm", "")
    found = next_run.Standing(problem, outcome, "done", None, (), np.nan, 0, made="third")
    assert "The program of third was run already" in says(found)[-1]
