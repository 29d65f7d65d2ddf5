"""The steps of the main job, each one call: a scenario to a fit, a fit to a search, a search to candidates."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from math import ceil, floor, log10

import numpy as np

from models import cores as available
from models.column.programs import Array, Program
from models.column.system import ColumnSystem
from models.errors import InvalidInputError
from models.fit.amounts import fit_with_shapes
from models.fit.fit import DayToDay
from models.fit.fitting import Fit, Run, fit_retention
from models.peaks.overload import load_of_capacity
from optimizer.base.clock import ROUND, Progress, now, rounds_are_counted, rounds_counted
from optimizer.base.interruption import postponed
from optimizer.goal.asides import RampMore, UnknownsCost
from optimizer.goal.goal import Problem, problem_of, set_aside
from optimizer.goal.outcome import SearchOutcome
from optimizer.methods.trials import conceded, shown_as
from optimizer.methods.what_if import what_ifs
from optimizer.methods.why_not import out_of_reach, why_not
from optimizer.runs.peak_tables import PeakTable
from optimizer.scenario.data import Scenario
from optimizer.scenario.instrument_data import EVEN
from optimizer.search.candidates import outcome_of
from optimizer.search.found import Searched
from optimizer.search.front.front import front_of
from optimizer.search.moves import holding, until_end, why_not_searched
from optimizer.search.program_space import WORDS, families_of, family
from optimizer.search.study_place import StudyPlace

RAMP_TIME = 0.1  # of the budget, for one oven ramp more
UNKNOWNS_TIME = 0.1  # and for what unknowns cost, where there are any
WORTH_TIME = 0.08  # and for what another injection is worth, where that is asked
LONGER = 4  # times the budget, with which a search that found nothing is worth another try
NEVER = 1e9  # s, when a program ends that is not to be cut
WORTH_A_RAMP = 0.005  # of the run time, which it must save to be worth a word
# Of the budget, by when is over: the search where there is a front; where nothing meets the goal, the search, programs
# that give up a requirement, and rounding, all later by what processes took to start; the rest is the front's, or goes
# to single changes.
FRONT_FROM, WITHOUT, CONCEDED, ROUNDED = 0.6, 0.5, 0.6, 0.65
# And of what is left after the search, which at most so many seconds are kept for, by when rounding begins no further
# program; those to be shown are then simulated in all draws.
ROUNDING, MOST_ROUNDING, SETTLED = 0.3, 6.0, 0.4

# What is asked beside the best program: of what was found, within a budget [s].
Aside = Callable[[Problem, SearchOutcome, Searched, float], SearchOutcome]


def fit_scenario(scenario: Scenario) -> Fit:
    """The retention parameters and column corrections that the scouting runs of a scenario give."""
    system = ColumnSystem(
        scenario.column,
        scenario.gas,
        scenario.outlet_pressure,
        detector_variance=scenario.detector.readings_variance,
    )
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
            _aligned(run.peaks, scenario.compounds, run.peaks.tailing),
        )
        for run in scenario.runs
    ]

    def fit_of(runs: Sequence[Run]) -> Fit:
        return fit_retention(
            system,
            runs,
            scenario.compounds,
            scenario.flow_correction,
            _day_to_day(scenario),
            [scenario.formula(name) for name in scenario.compounds],
        )

    tau = scenario.detector.response_time
    if not scenario.overload and tau == 0:
        return fit_of(runs)
    factors = np.array([run.amount_factor for run in scenario.runs])
    loads = stated_loads(scenario) if scenario.overload else None
    stated = np.array([scenario.tailing(name) or np.nan for name in scenario.compounds])
    return fit_with_shapes(fit_of, runs, factors, loads, tau, stated)


def stated_loads(scenario: Scenario) -> Array:
    """Loads (M,) of the compounds by their amounts and the column's capacity; 0 where either is not stated."""
    amounts = np.array([scenario.detail(name).amount or 0.0 for name in scenario.compounds])
    if scenario.capacity is None:
        return np.zeros(len(amounts))
    column = scenario.column
    return load_of_capacity(amounts, scenario.capacity, column.length / column.inner_diameter)


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


def refuse_unsound(seconds: float | None, rounds: int | None, cores: int | None) -> None:
    """Raise InvalidInputError for a budget [s] or in rounds, or a number of cores, that no search can have."""
    if cores is not None and cores < 1:
        raise InvalidInputError(f"cores = {cores}: expected at least 1")
    if rounds is None:
        if seconds is not None and not seconds > 0:
            raise InvalidInputError(f"seconds = {seconds:g}: expected above 0")
        return
    if seconds is not None:
        raise InvalidInputError("seconds and rounds are two budgets for one search: give one of them")
    if rounds < 1:
        raise InvalidInputError(f"rounds = {rounds}: expected at least 1")


def optimize(
    scenario: Scenario,
    fit: Fit,
    seconds: float | None = None,
    progress: Progress | None = None,
    what_if: bool = True,
    study: StudyPlace | None = None,
    study_name: str | None = None,
    rounds: int | None = None,
    start_from: Sequence[Program] = (),
    cores: int | None = None,
    best: Callable[[Program], None] | None = None,
    aside: Aside | None = None,
) -> tuple[Problem, SearchOutcome]:
    """Search, round, check and rank; then a ramp more, the front, if the goal asks for one, or what would help.

    Parameters
    ----------
    seconds : time budget of all of it [s]; the scenario's when None
    progress : called with the share of the budget spent and a line of text
    what_if : whether single changes are tried when nothing meets the goal, and else what one oven ramp more than
        allowed would save, where the best program has all that are
    study : where a shared study keeps the search; None for a search by itself
    study_name : its name there; the scenario's title when None
    rounds : budget in rounds in place of time, with which a seed gives the same programs however fast the machine and
        however many its cores
    start_from : programs to begin from; what is found is no worse than those that meet the goal
    best : called with each program that meets the goal and is shorter than those before, not rounded yet
    cores : how many may be used; None: all there are, or OMP_NUM_THREADS allows. A search that shares a study, or of
        less than 3 s, uses one.
    aside : what else is asked, with single changes alone

    Raises
    ------
    InvalidInputError : when a budget is not above 0, there are two, or no program to begin from is of a kind searched
    StudyError : when the study cannot be reached or written, or belongs to another scenario
    """
    refuse_unsound(seconds, rounds, cores)
    if rounds is None:
        budget = scenario.search.seconds if seconds is None else seconds
        return _optimize(
            scenario, fit, budget, progress, what_if, study, study_name, start_from, cores, best, aside
        )
    with rounds_counted():
        budget = ROUND * rounds
        problem, outcome = _optimize(
            scenario, fit, budget, progress, what_if, study, study_name, start_from, cores, best, aside
        )
    return problem, replace(outcome, rounds=rounds)


def _optimize(
    scenario: Scenario,
    fit: Fit,
    budget: float,
    progress: Progress | None,
    what_if: bool,
    study: StudyPlace | None,
    study_name: str | None,
    start_from: Sequence[Program],
    cores: int | None,
    best: Callable[[Program], None] | None,
    aside: Aside | None,
) -> tuple[Problem, SearchOutcome]:
    """`optimize` within a budget [s] on the clock as it stands."""
    from optimizer.search.islands import search  # optuna is slow to import and only needed here
    from optimizer.search.study import open_study

    began = now()
    problem = problem_of(scenario, fit)
    families = families_of(scenario)
    starts = [until_end(problem, each) for each in start_from]
    if starts and not any(holding(families, each) for each in starts):
        reasons = dict.fromkeys(why_not_searched(scenario, each) for each in starts)
        raise InvalidInputError(
            f"no program to start from is of a kind that is searched: {'; or: '.join(reasons)}"
        )
    shared = None if study is None else open_study(study, study_name or scenario.title, problem, families)
    front = scenario.goal.front_points
    kept = 0.0 if rounds_are_counted() else min(ROUNDING * budget, MOST_ROUNDING)  # rounding is no round
    asides = 0.0
    if what_if:
        asides = (
            RAMP_TIME + UNKNOWNS_TIME * bool(scenario.counted_unknowns) + WORTH_TIME * (aside is not None)
        )
    searching = FRONT_FROM * budget if front else budget - kept - asides * budget
    searched = search(
        problem,
        families,
        searching,
        scenario.search.seed,
        progress,
        shared=shared,
        given=start_from,
        cores=cores or available.cores_here(),
        without=WITHOUT * budget if what_if else None,
        best=best,
    )
    feasible = bool(searched.all()) and searched.all()[0].feasible
    if what_if:
        searched = conceded(problem, searched, budget, progress, began + searched.late + CONCEDED * budget)
    spent = max(now() - began, searching)  # more where nothing was found until late
    settled = spent + SETTLED * kept if feasible else searched.late + ROUNDED * budget
    with postponed(1) as stop_asked:  # what was found is not lost to a Ctrl-C that comes a moment too late
        if progress:
            progress(0.99, "rounding to the instrument's steps")
        until = np.inf if rounds_are_counted() else began + settled
        outcome = outcome_of(problem, searched, 0.0 if searched.interrupted else until)
        if not outcome.feasible:
            outcome = replace(outcome, not_met=why_not(problem, outcome, searched, _longer(budget)))
    if searched.interrupted or stop_asked():  # who ended the search wants its result now
        return problem, replace(outcome, interrupted=True)

    def left() -> float:
        return began + budget - now()

    def part(share: float) -> float:
        return share * budget if rounds_are_counted() else min(share * budget, left())

    if what_if and outcome.feasible:
        outcome = _with_ramp_more(problem, outcome, searched, part(RAMP_TIME), progress)
        if not outcome.interrupted:
            outcome = _with_unknowns_cost(problem, outcome, searched, part(UNKNOWNS_TIME), progress)
        if outcome.interrupted:
            return problem, outcome
    if what_if and aside is not None:
        if progress:
            progress(0.99, "what another injection is worth")
        outcome = aside(problem, outcome, searched, part(WORTH_TIME))
    if front and not outcome.feasible:
        outcome = replace(outcome, front_note="No front: nothing was found that meets the goal.")
    if front and outcome.feasible:
        known = [each.prediction for each in outcome.candidates if each.feasible]
        made = front_of(problem, searched, front, max(left(), 0.0), progress, known)
        outcome = replace(outcome, front=made.points, front_note=made.note)
    elif what_if and not outcome.feasible:
        most = np.inf if rounds_are_counted() else left()
        impossible = out_of_reach(problem, outcome, searched, budget, progress, most)
        helpful = what_ifs(problem, outcome, searched, budget, progress, began + budget)
        outcome = replace(outcome, what_ifs=helpful, not_met=impossible or outcome.not_met)
    return problem, outcome


def _longer(budget: float) -> str:
    """The option for a budget `LONGER` times as large; in time a round number, as it may be part of a command's."""
    if rounds_are_counted():
        return f"--rounds {LONGER * round(budget / ROUND)}"
    digit = 10.0 ** floor(log10(LONGER * budget))
    return f"--seconds {digit * ceil(LONGER * budget / digit):g}"


def _with_ramp_more(
    problem: Problem, outcome: SearchOutcome, searched: Searched, budget: float, progress: Progress | None
) -> SearchOutcome:
    """With what one oven ramp more saves, where the best program has all that the scenario allows.

    It is searched for from that program within a budget [s], and not offered.
    """
    from optimizer.search.islands import search

    scenario, best = problem.scenario, searched.all()[0]
    ramps, baking = scenario.search.max_ramps + 1, scenario.goal.bake_out is not None
    if (
        not best.feasible
        or best.family.ramps != ramps - 1
        or len(outcome.candidates[0].prediction.program.oven.ramps) < ramps - 1
        or scenario.search.oven_temperature is not None
        or ramps >= len(WORDS)
        or ramps + baking > scenario.instrument.max_oven_ramps
        or budget <= 0
    ):
        return outcome
    more = family(scenario, ramps, best.family.controlled, best.family.carrier_ramps)
    given = best.family.program(best.family.values(best.descent.z), NEVER, scenario.instrument.steps.time)
    shown = shown_as(progress, "one oven ramp more", 0, 1)
    found = search(problem, [more], budget, scenario.search.seed, shown, given=[given])
    saved = max((best.descent.cost - each.descent.cost for each in found.all() if each.feasible), default=0.0)
    if saved < WORTH_A_RAMP * best.descent.cost:
        saved = 0.0
    return replace(outcome, ramp_more=RampMore(ramps, saved), interrupted=found.interrupted)


def _with_unknowns_cost(
    problem: Problem, outcome: SearchOutcome, searched: Searched, budget: float, progress: Progress | None
) -> SearchOutcome:
    """With what resolving the unknowns costs: a search without, from the best program within a budget [s]."""
    from optimizer.search.islands import search

    scenario, best = problem.scenario, searched.all()[0]
    unknowns = scenario.counted_unknowns
    if not unknowns or not best.feasible or budget <= 0:
        return outcome
    given = [best.family.program(best.family.values(best.descent.z), NEVER, scenario.instrument.steps.time)]
    shown = shown_as(progress, "without the unknowns", 0, 1)
    aside = set_aside(problem, unknowns)
    found = search(aside, [best.family], budget, scenario.search.seed, shown, given=given)
    cost = max((best.descent.cost - each.descent.cost for each in found.all() if each.feasible), default=0.0)
    if cost < WORTH_A_RAMP * best.descent.cost:
        cost = 0.0
    return replace(outcome, unknowns=UnknownsCost(unknowns, cost), interrupted=found.interrupted)
