"""The steps of the main job, each one call: a scenario to a fit, a fit to a search, a search to candidates."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from models.column.programs import Array
from models.column.system import ColumnSystem
from models.errors import InvalidInputError
from models.fit.fit import DayToDay
from models.fit.fitting import Fit, Run, fit_retention
from optimizer.base.clock import ROUND, rounds_counted
from optimizer.base.interruption import postponed
from optimizer.goal.goal import Problem, problem_of
from optimizer.goal.outcome import SearchOutcome
from optimizer.methods.trials import conceded
from optimizer.methods.what_if import what_ifs
from optimizer.runs.peak_tables import PeakTable
from optimizer.scenario.data import Scenario
from optimizer.scenario.instrument_data import EVEN
from optimizer.search.candidates import outcome_of
from optimizer.search.found import Progress
from optimizer.search.front import front_of
from optimizer.search.program_space import families_of
from optimizer.search.study_place import StudyPlace

FRONT_TIME = 0.5  # of the search's budget, on top of it, for a front


def fit_scenario(scenario: Scenario) -> Fit:
    """The retention parameters and column corrections that the scouting runs of a scenario give."""
    system = ColumnSystem(scenario.column, scenario.gas, scenario.outlet_pressure)
    runs = [
        Run(
            run.name,
            run.program,
            _aligned(run.peaks, scenario.compounds, run.peaks.retention),
            _aligned(run.peaks, scenario.compounds, run.peaks.width_half),
            run.repeatability,
            run.hold_up,
            _aligned(run.peaks, scenario.compounds, run.peaks.area),
            run.day,
        )
        for run in scenario.runs
    ]
    return fit_retention(system, runs, scenario.compounds, scenario.flow_correction, _day_to_day(scenario))


def _day_to_day(scenario: Scenario) -> DayToDay:
    """The tolerances, within which anything is as likely, as standard deviations."""
    allowed, sd = scenario.tolerances, EVEN**0.5
    return DayToDay(
        sd * allowed.oven,
        sd * allowed.flow,
        sd * allowed.pressure,
        sd * allowed.hold_up,
        scenario.ambient_pressure,
    )


def _aligned(peaks: PeakTable, compounds: tuple[str, ...], values: Array) -> Array:
    """Values of a peak table in the order of the scenario's compounds, nan where a run lacks one."""
    rows = [peaks.index(compound) for compound in compounds]
    return np.array([np.nan if row is None else values[row] for row in rows])


def optimize(
    scenario: Scenario,
    fit: Fit,
    seconds: float | None = None,
    progress: Progress | None = None,
    what_if: bool = True,
    study: StudyPlace | None = None,
    study_name: str | None = None,
    rounds: int | None = None,
) -> tuple[Problem, SearchOutcome]:
    """Search, round, check and rank; then the front, if the goal asks for one, or what would help.

    Parameters
    ----------
    seconds : time budget of the search [s]; the scenario's when None. A front takes up to half as long again.
    progress : called with the share of the budget spent and a line of text
    what_if : whether single changes are tried when nothing meets the goal
    study : where a shared study keeps the search; None for a search by itself
    study_name : its name there; the scenario's title when None
    rounds : budget in descents in place of time, with which a seed gives the same programs however fast the machine;
        a front takes up to half as many rounds again

    Raises
    ------
    InvalidInputError : when a budget is not above 0, or there are two
    StudyError : when the study cannot be reached or written, or belongs to another scenario
    """
    if rounds is None:
        if seconds is not None and not seconds > 0:
            raise InvalidInputError(f"seconds = {seconds:g}: expected above 0")
        budget = scenario.search.seconds if seconds is None else seconds
        return _optimize(scenario, fit, budget, progress, what_if, study, study_name)
    if seconds is not None:
        raise InvalidInputError("seconds and rounds are two budgets for one search: give one of them")
    if rounds < 1:
        raise InvalidInputError(f"rounds = {rounds}: expected at least 1")
    with rounds_counted():
        problem, outcome = _optimize(scenario, fit, ROUND * rounds, progress, what_if, study, study_name)
    return problem, replace(outcome, rounds=rounds)


def _optimize(
    scenario: Scenario,
    fit: Fit,
    budget: float,
    progress: Progress | None,
    what_if: bool,
    study: StudyPlace | None,
    study_name: str | None,
) -> tuple[Problem, SearchOutcome]:
    """`optimize` within a budget [s] on the clock as it stands."""
    from optimizer.search.search import search  # optuna is slow to import and only needed here
    from optimizer.search.study import open_study

    problem = problem_of(scenario, fit)
    families = families_of(scenario)
    shared = None if study is None else open_study(study, study_name or scenario.title, problem, families)
    searched = search(problem, families, budget, scenario.search.seed, progress, shared=shared)
    if what_if:
        searched = conceded(problem, searched, budget, progress)
    with postponed(1) as stop_asked:  # what was found is not lost to a Ctrl-C that comes a moment too late
        outcome = outcome_of(problem, searched)
    if searched.interrupted or stop_asked():  # who ended the search wants its result now
        return problem, replace(outcome, interrupted=True)
    if scenario.goal.front_points and not outcome.feasible:
        outcome = replace(outcome, front_note="No front: nothing was found that meets the goal.")
    if outcome.feasible and scenario.goal.front_points:
        known = [each.prediction for each in outcome.candidates if each.feasible]
        front = front_of(problem, searched, scenario.goal.front_points, FRONT_TIME * budget, progress, known)
        outcome = replace(outcome, front=front.points, front_note=front.note)
    elif what_if and not outcome.feasible:
        outcome = replace(outcome, what_ifs=what_ifs(problem, outcome, searched, budget, progress))
    return problem, outcome
