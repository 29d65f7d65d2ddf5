"""When nothing meets the goal: single changes to goal, program, carrier gas or column, each tried by a search.

A change is a problem of its own and the families of programs worth a short search in it. Where the programs stay the
same, the ends of the search that failed are starts too, so that no change for the better looks like one for the worse.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from models.carrier_gas import CARRIER_GASES
from models.units import SECONDS_PER_MINUTE, celsius, flow_mL_min
from optimizer.adapt import on_new_system
from optimizer.adapt_options import Change
from optimizer.candidates import family_name
from optimizer.descent import descend
from optimizer.errors import ScenarioError
from optimizer.found import FEASIBLE, Found, Hunt, Progress, rank
from optimizer.front import cost_of
from optimizer.goal import Pairs, Problem, problem_of
from optimizer.predict import predict
from optimizer.program_space import WORDS, Family, families_of
from optimizer.results import Candidate, SearchOutcome, WhatIf
from optimizer.rounding import settable
from optimizer.scenario_conversion import HYDROGEN_TOTAL_FLOW_ML_MIN
from optimizer.scenario_data import AnalyteDetail, Scenario

SHARE = 0.25  # of the search's own budget for each change
LEAST_SECONDS, MOST_SECONDS = 1.0, 3.0
LOWERED = 2 / 3  # of the resolution a blocking pair needs
SINGLE_PAIRS = 2  # blocking pairs that are lowered by themselves, the furthest off first
LONGER = 1.5
THINNER = 0.5
MOST_RAMPS = len(WORDS) - 1
ROUNDED = 3  # ends of a search that are rounded
STARTS = 4  # ends of the search that failed, of different families, from which a changed goal is tried too
MODES = ("constant flow", "constant pressure", "constant velocity", "flow program", "pressure program")
REPLACED_GASES = ("helium", "nitrogen", "argon")  # by hydrogen


@dataclass(frozen=True)
class _Trial:
    """A change in words, the problem it makes, the families worth a short search, and programs to start from."""

    change: str
    problem: Problem
    families: list[Family]
    starts: list[Found]


def what_ifs(
    problem: Problem,
    outcome: SearchOutcome,
    hunted: Hunt,
    seconds: float,
    progress: Progress | None = None,
) -> tuple[WhatIf, ...]:
    """Each single change with what it gives, the most helpful first: those that meet the goal by their time.

    `seconds` is the budget of the search that found nothing feasible. A Ctrl-C ends it with the changes already
    tried. Empty when the search found nothing at all, or something feasible.
    """
    if outcome.feasible or not outcome.candidates or hunted.interrupted:
        return ()
    each_seconds = min(max(SHARE * seconds, LEAST_SECONDS), MOST_SECONDS)
    tried: list[WhatIf] = []
    try:
        trials = list(_trials(problem, outcome.candidates[0], _starts(hunted)))
        for number, trial in enumerate(trials):
            shown = _shown(progress, trial.change, number, len(trials))
            result = _tried(trial, each_seconds, shown)
            if result is None:
                break
            tried.append(result)
    except KeyboardInterrupt:
        pass
    return tuple(sorted(tried, key=_helpful))


def _helpful(each: WhatIf) -> tuple[bool, float]:
    """Sorting key: what meets the goal by its time, then the others by how far off they are."""
    met = not math.isnan(each.cost)
    return not met, each.cost if met else -each.margin


def _shown(progress: Progress | None, change: str, number: int, count: int) -> Progress | None:
    if progress is None:
        return None
    told = progress
    return lambda share, _: told((number + share) / count, f"what if: {change}")


def _tried(trial: _Trial, seconds: float, progress: Progress | None) -> WhatIf | None:
    """A short search; None when it was interrupted or had no time to find anything."""
    from optimizer.search import hunt  # optuna is slow to import and only needed here

    problem, seed = trial.problem, trial.problem.scenario.search.seed
    hunted = hunt(problem, trial.families, seconds, seed, progress)
    if hunted.interrupted or not hunted.all():
        return None
    rounded = [settable(problem, each.family, each.descent.z, seed) for each in _ends(trial, hunted)]
    predicted = [(each, predict(problem, each.program)) for each in rounded]
    met = [(cost_of(problem, prediction), each) for each, prediction in predicted if each.margin >= FEASIBLE]
    if met:
        cost, best = min(met, key=lambda pair: pair[0])
        return WhatIf(trial.change, cost, best.margin, family_name(best.program))
    best = max(rounded, key=lambda each: each.margin)
    return WhatIf(trial.change, math.nan, best.margin, family_name(best.program))


def _ends(trial: _Trial, hunted: Hunt) -> list[Found]:
    """The best ends of a search and of descents from the trial's own starts, one of each family."""
    found = hunted.all()
    for start in trial.starts:
        found.append(Found(start.family, descend(trial.problem, start.family, start.descent.z)))
    firsts: dict[str, Found] = {}
    for each in sorted(found, key=rank):
        firsts.setdefault(each.family.name, each)
    return list(firsts.values())[:ROUNDED]


def _starts(hunted: Hunt) -> list[Found]:
    """The best ends of a search, of different families."""
    return sorted((ends[0] for ends in hunted.best.values() if ends), key=rank)[:STARTS]


def _trials(problem: Problem, closest: Candidate, starts: list[Found]) -> Iterator[_Trial]:
    """Every change worth trying, given the program that comes closest."""
    yield from _lowered(problem, closest, starts)
    yield from _relaxed(problem, closest, starts)
    for change, scenario, opens in _other_programs(problem.scenario):
        made = _made(change, problem, scenario, opens)
        if made is not None:
            yield made
    yield from _other_systems(problem, starts)


def _lowered(problem: Problem, closest: Candidate, starts: list[Found]) -> Iterator[_Trial]:
    """Less resolution for the pairs that block: the furthest off alone, and all of them."""
    prediction = closest.prediction
    margin = prediction.resolution / prediction.needed - 1
    short = [int(at) for at in np.argsort(margin, kind="stable") if margin[at] < FEASIBLE]
    choices = [[at] for at in short[:SINGLE_PAIRS]]
    if len(short) > 1:
        choices.append(short)
    for chosen in choices:
        needed = problem.pairs.needed.copy()
        needed[chosen] *= LOWERED
        if len(chosen) == 1:
            i, j = sorted(problem.pairs.index[chosen[0]], key=lambda m: prediction.retention[m])
            a, b = problem.scenario.compounds[i], problem.scenario.compounds[j]
            text = f"a resolution of {needed[chosen[0]]:.2f} for {a} and {b}"
        else:
            text = f"two thirds of the resolution for all {len(chosen)} pairs that fall short"
        lowered = replace(problem, pairs=Pairs(problem.pairs.index, needed))
        yield _Trial(text, lowered, _main_families(problem.scenario), starts)


def _relaxed(problem: Problem, closest: Candidate, starts: list[Found]) -> Iterator[_Trial]:
    """Each wish of the goal that binds, dropped."""
    binding = {each.name for each in closest.margins if each.binding}
    for name, change, scenario in _wishes(problem.scenario):
        if name in binding:
            yield _Trial(change, replace(problem, scenario=scenario), _main_families(scenario), starts)


def _wishes(scenario: Scenario) -> Iterator[tuple[str, str, Scenario]]:
    """Limits that are wishes, not of column or instrument: name, change in words, the scenario without it."""
    goal = scenario.goal
    minute = SECONDS_PER_MINUTE
    if goal.latest_elution is not None:
        text = f"peaks later than {goal.latest_elution / minute:g} min"
        yield "latest elution", text, replace(scenario, goal=replace(goal, latest_elution=None))
    if goal.earliest_elution > 0:
        text = f"peaks earlier than {goal.earliest_elution / minute:g} min"
        yield "earliest elution", text, replace(scenario, goal=replace(goal, earliest_elution=0.0))
    if goal.min_retention_factor > 0:
        text = f"retention factors at elution below {goal.min_retention_factor:g}"
        without = replace(scenario, goal=replace(goal, min_retention_factor=0.0))
        yield "retention factor at elution", text, without
    for detail in scenario.analytes:
        name = detail.compound
        if detail.near is not None:
            text = f"{name} further than {detail.near.within / minute:g} min from its compounds"
            yield f"{name} near its compounds", text, _with(scenario, replace(detail, near=None))
        if detail.max_elution_temperature is not None:
            text = f"{name} leaving above {celsius(detail.max_elution_temperature):.0f} °C"
            without = _with(scenario, replace(detail, max_elution_temperature=None))
            yield f"elution temperature of {name}", text, without
        if detail.max_time_above is not None:
            text = f"{name} longer above {celsius(detail.max_time_above.temperature):.0f} °C"
            without = _with(scenario, replace(detail, max_time_above=None))
            yield f"time of {name} above a temperature", text, without
        if detail.min_intact_fraction is not None:
            text = f"less than {100 * detail.min_intact_fraction:g} % of {name} intact"
            without = _with(scenario, replace(detail, min_intact_fraction=None))
            yield f"intact fraction of {name}", text, without
    for number, rule in enumerate(scenario.pairs):
        if rule.in_order:
            pairs = (*scenario.pairs[:number], replace(rule, in_order=False), *scenario.pairs[number + 1 :])
            text = f"{rule.a} and {rule.b} in either order"
            yield f"{rule.a} before {rule.b}", text, replace(scenario, pairs=pairs)


def _with(scenario: Scenario, detail: AnalyteDetail) -> Scenario:
    """The scenario with what it says about one analyte replaced."""
    analytes = tuple(detail if each.compound == detail.compound else each for each in scenario.analytes)
    return replace(scenario, analytes=analytes)


def _other_programs(scenario: Scenario) -> Iterator[tuple[str, Scenario, str]]:
    """One oven ramp more, and each carrier mode that was left out; the last is "ramps" or the mode that is new."""
    search = scenario.search
    most = min(MOST_RAMPS, scenario.instrument.max_oven_ramps)
    if search.oven_temperature is None and search.max_ramps < most:
        more = replace(search, max_ramps=search.max_ramps + 1)
        text = f"up to {more.max_ramps} oven ramps" if more.max_ramps > 1 else "an oven ramp"
        yield text, replace(scenario, search=more), "ramps"
    for mode in MODES:
        if mode in search.carrier_modes:
            continue
        # One carrier ramp is enough to see whether the mode helps, and none is no program.
        count = 1 if mode.endswith("program") else search.max_carrier_ramps
        if count > scenario.instrument.max_carrier_ramps:
            continue
        only = replace(search, carrier_modes=(mode,), max_carrier_ramps=count)
        article = "a " if mode.endswith("program") else ""
        yield f"{article}{mode} of the carrier", replace(scenario, search=only), mode


def _made(change: str, problem: Problem, scenario: Scenario, opens: str) -> _Trial | None:
    """The trial of a scenario with other programs; None when the instrument cannot set any."""
    try:
        families = _main_families(scenario)
    except ScenarioError:
        return None
    if opens == "ramps":
        families = [each for each in families if each.ramps == scenario.search.max_ramps]
    return _Trial(change, problem_of(scenario, problem.fit), families, [])


def _main_families(scenario: Scenario) -> list[Family]:
    """The families with the most oven ramps, and with one less: a short search has no time for the others."""
    families = families_of(scenario)
    most = max(each.ramps for each in families)
    return [each for each in families if each.ramps >= most - 1]


def _other_systems(problem: Problem, starts: list[Found]) -> Iterator[_Trial]:
    """Hydrogen, a longer column, a thinner film."""
    scenario, column = problem.scenario, problem.scenario.column
    changes: list[tuple[str, Change]] = []
    if scenario.gas.name in REPLACED_GASES:
        changes.append((_about_hydrogen(scenario), Change(gas=CARRIER_GASES["hydrogen"])))
    length, film = LONGER * column.length, THINNER * column.film_thickness
    changes.append((f"a column {LONGER:g} times as long ({length:g} m)", Change(length=length)))
    changes.append((f"half the film ({film * 1e6:.3g} µm)", Change(film_thickness=film)))
    for text, change in changes:
        fit, _ = on_new_system(scenario, problem.fit, change)
        system = fit.system
        moved = replace(
            scenario, column=system.column, gas=system.gas, outlet_pressure=system.outlet_pressure
        )
        yield _Trial(text, problem_of(moved, fit), _main_families(moved), starts)


def _about_hydrogen(scenario: Scenario) -> str:
    """In words; a total flow above what hydrogen is usually held to is allowed here, and said."""
    text = f"hydrogen instead of {scenario.gas.name}"
    inlet = scenario.inlet
    total = flow_mL_min(inlet.total_flow(scenario.instrument.largest_column_flow))
    if inlet.max_total_flow is None and total > HYDROGEN_TOTAL_FLOW_ML_MIN:
        return f"{text}, its total flow not held to {HYDROGEN_TOTAL_FLOW_ML_MIN:g} mL/min"
    return text
