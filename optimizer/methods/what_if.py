"""When nothing meets the goal: single changes to goal, program, carrier gas or column, each tried by a search.

A change is a problem of its own and the families of programs worth a short search in it. Where the programs stay the
same, the ends of the search that failed are starts too, and the closest program is held against the changed goal as it
is, so that no change for the better looks like one for the worse.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import get_args

import numpy as np

from models.column.carrier_gas import CARRIER_GASES
from models.column.programs import batch_of
from models.units import flow_mL_min
from optimizer.base.clock import Progress, now
from optimizer.base.errors import ScenarioError
from optimizer.goal.cautions import about_hydrogen
from optimizer.goal.goal import Pairs, Problem, nominal_problem, problem_of, set_aside
from optimizer.goal.outcome import NOMINAL_GOAL, Candidate, Prediction, SearchOutcome, WhatIf
from optimizer.goal.predict import predict
from optimizer.goal.requirements import by_kind
from optimizer.goal.split import flow_within_total, inlet_of, largest_total_flow, lower_split
from optimizer.goal.uncertainty import with_uncertainty
from optimizer.methods.adapt import on_new_system, scenario_on
from optimizer.methods.adapt_options import Change
from optimizer.methods.trials import (
    Trial,
    ends_of,
    main_families,
    part_of,
    share_of,
    short_search,
    shown_as,
    starts_of,
)
from optimizer.scenario.data import Scenario
from optimizer.scenario.program_tables import CarrierMode
from optimizer.search.candidates import family_name
from optimizer.search.descent import judgement
from optimizer.search.found import Found, Searched, how_far
from optimizer.search.front.front_choice import cost_of
from optimizer.search.program_space import WORDS
from optimizer.search.reasons import held_limits, in_short, shortfalls
from optimizer.search.rounding import settable

LOWERED = 2 / 3  # of the resolution a blocking pair needs
TIGHT = 0.05  # relative margin of a pair below which less resolution for it may help
SINGLE_UNKNOWNS = 2  # up to so many are set aside by themselves as well
SINGLE_PAIRS = 2  # tight pairs that are lowered by themselves, the furthest off first
LONGER = 1.5
THINNER = 0.5
MOST_RAMPS = len(WORDS) - 1
REPLACED_GASES = ("helium", "nitrogen", "argon")  # by hydrogen
ALIKE = 2e-3  # share of a requirement by which two programs that miss it count as alike
MORE_DRAWS = 0.01  # share of draws more, from which a change is said to do better


@dataclass(frozen=True)
class _End:
    """A program as it stands under a changed goal.

    Attributes
    ----------
    how_far : sorting key among those that are not feasible
    shortfall : float, how much is missed of what is required
    """

    prediction: Prediction
    feasible: bool
    how_far: tuple[bool, float]
    shortfall: float


@dataclass(frozen=True)
class Missing:
    """What a program misses, in words and as numbers.

    Attributes
    ----------
    broken : bool, whether the equipment cannot run it
    nominal : float, how much the nominal program misses of what is required
    draws : float, how much of the share of draws that is asked for is lacking
    """

    words: tuple[str, ...]
    broken: bool
    nominal: float
    draws: float

    def worse(self, other: Missing, by: float = 0.0) -> bool:
        """Whether this misses more than another; what is missed nominally counts before draws."""
        if self.broken != other.broken:
            return self.broken
        if abs(self.nominal - other.nominal) > ALIKE:
            return self.nominal > other.nominal
        return self.draws > other.draws + by


def what_ifs(
    problem: Problem,
    outcome: SearchOutcome,
    searched: Searched,
    seconds: float,
    progress: Progress | None = None,
    until: float = math.inf,
) -> tuple[WhatIf, ...]:
    """Each single change with what it gives, the most helpful first: those that meet the goal by their time.

    `seconds` is the budget of the search that found nothing feasible; no change is begun after `until` on its clock. A
    Ctrl-C ends it with the changes already tried. Empty when the search found nothing at all, or something feasible.
    """
    if outcome.feasible or not outcome.candidates or searched.interrupted:
        return ()
    tried: list[WhatIf] = []
    try:
        closest = outcome.candidates[0]
        held = held_limits(problem, closest.prediction)
        given_up = frozenset(each.limit for each in held if each.missed)
        before = missed_by(problem, closest.prediction, closest.reliability.share)
        trials = [
            replace(each, given_up=given_up) for each in trials_of(problem, closest, starts_of(searched))
        ]
        for number, trial in enumerate(trials):
            if now() >= until:
                break
            part = part_of(until, len(trials) - number - 1)
            each_seconds = share_of(part, short_search(seconds))
            shown = shown_as(progress, f"what if: {trial.change}", number, len(trials))
            result = try_out(problem.scenario, trial, each_seconds, shown, closest, before, part)
            if result is not None:
                tried.append(result)
    except KeyboardInterrupt:
        pass
    return tuple(sorted(tried, key=helpfulness))


def helpfulness(each: WhatIf) -> tuple[bool, bool, bool, bool, float]:
    """Sorting key: what meets the goal by its time, then the others by how far off they are; of each, what brings a
    hazard after what brings none. What is no change of the method comes last."""
    met = not math.isnan(each.cost)
    return (
        each.change == NOMINAL_GOAL,
        not met,
        not each.improves,
        bool(each.cautions),
        each.cost if met else each.shortfall,
    )


def try_out(
    scenario: Scenario,
    trial: Trial,
    seconds: float,
    progress: Progress | None,
    closest: Candidate | None = None,
    before: Missing | None = None,
    until: float = math.inf,
) -> WhatIf | None:
    """A short search of what a change makes of the scenario; None when it had no time to find anything.

    Parameters
    ----------
    closest, before : the program that comes closest without the change, and what it misses of the goal as it was
    """
    problem, seed = trial.problem, trial.problem.scenario.search.seed
    ends: list[_End] = []
    for found in ends_of(trial, seconds, progress, until):
        if ends and now() >= until:
            break
        each = settable(problem, found.family, found.descent.z, seed, until)
        ends.append(_End(predict(problem, each.program), each.feasible, each.how_far, each.shortfall))
    if not ends:
        return None
    rivals = [min(ends, key=lambda end: end.how_far)]
    if trial.relaxes and closest is not None:
        ends.append(_as_it_is(problem, closest))
        rivals.append(ends[-1])
    met = [end for end in ends if end.feasible]
    if not met:
        missing = [(end, missed_by(problem, end.prediction)) for end in rivals]
        best, least = missing[0]
        for end, misses in missing[1:]:
            if least.worse(misses):
                best, least = end, misses
        met = [best] if not least.words else []  # as draws that are simulated outright show
    if met:
        best = min(met, key=lambda end: cost_of(problem, end.prediction))
        result = WhatIf(trial.change, cost_of(problem, best.prediction), 0.0, _family(best))
    else:
        improves = before is None or before.worse(least, MORE_DRAWS)
        words = in_short(least.words)
        result = WhatIf(trial.change, math.nan, best.shortfall, _family(best), words, improves=improves)
    new_gas = problem.scenario.gas.name != scenario.gas.name
    if new_gas and problem.scenario.gas.name == "hydrogen":
        return with_hydrogen(result, problem.scenario, best.prediction)
    return result


def _family(end: _End) -> str:
    return family_name(end.prediction.program)


def _as_it_is(problem: Problem, closest: Candidate) -> _End:
    """A known program, under a changed goal."""
    prediction = predict(problem, closest.prediction.program)
    judged = judgement(problem, batch_of([prediction.program]))
    far = how_far(judged.shortfall, judged.equipment)
    return _End(prediction, not missed_by(problem, prediction).words, far, judged.shortfall)


def missed_by(problem: Problem, prediction: Prediction, share: float | None = None) -> Missing:
    """What a program misses of a goal; its share of draws is worked out where it is not given."""
    if share is None:
        share = with_uncertainty(problem, prediction, exact=problem.by_draws, sources=False)[1].share
    judged = judgement(nominal_problem(problem), batch_of([prediction.program]))
    lacking = max(problem.confidence - share, 0.0) if problem.by_draws else 0.0
    words = shortfalls(problem, prediction, share)
    return Missing(words, how_far(0.0, judged.equipment)[0], judged.shortfall, lacking)


def with_hydrogen(found: WhatIf, scenario: Scenario, prediction: Prediction) -> WhatIf:
    """The same with the total flow that its program takes, the split ratio that would allow more, and the cautions."""
    total = largest_total_flow(scenario, prediction)
    inlet, lower = inlet_of(scenario, prediction), lower_split(scenario, float(prediction.flow.max()))
    if inlet.split_unknown:
        flow = f"{flow_mL_min(total):.1f} mL/min of column flow and septum purge, the split flow unknown"
    else:
        flow = f"a total flow of up to {flow_mL_min(total):.0f} mL/min"
        if inlet.choose_split and inlet.split_ratio is not None:
            flow += f" at a split ratio of {inlet.split_ratio:.3g}:1"
    if lower is not None:
        flow += f"; {lower.words}"
    return replace(
        found,
        change=f"{found.change} (explosive, see the cautions; {flow})",
        cautions=tuple(about_hydrogen(scenario, total)),
    )


def trials_of(problem: Problem, closest: Candidate, starts: list[Found]) -> Iterator[Trial]:
    """Every change worth trying, given the program that comes closest."""
    if problem.by_draws:
        yield Trial(
            NOMINAL_GOAL, nominal_problem(problem), main_families(problem.scenario), starts, relaxes=True
        )
    yield from _unknowns_set_aside(problem, starts)
    yield from _lowered(problem, closest, starts)
    yield from _relaxed(problem, closest, starts)
    for change, scenario, opens in other_programs(problem.scenario):
        made = _made(change, problem, scenario, opens)
        if made is not None:
            yield made
    lower = lower_split(problem.scenario, float(closest.prediction.flow.max()))
    if lower is not None:
        inlet = replace(problem.scenario.inlet, split_ratio=lower.ratio)
        split = replace(problem, scenario=replace(problem.scenario, inlet=inlet))
        text = f"a split ratio of {lower.ratio:g}:1 in place of {lower.old_ratio:g}:1"
        yield Trial(text, split, main_families(split.scenario), starts, relaxes=True)
    yield from other_systems(problem, starts)


def _unknowns_set_aside(problem: Problem, starts: list[Found]) -> Iterator[Trial]:
    """Each of the unknowns ignored, a few at most, and all of them."""
    unknowns = problem.scenario.counted_unknowns
    changes: list[tuple[str, ...]] = []
    if len(unknowns) <= SINGLE_UNKNOWNS:
        changes += [(name,) for name in unknowns]
    if len(unknowns) > 1:
        changes.append(unknowns)
    for names in changes:
        text = f"{names[0]} set aside" if len(names) == 1 else f"all {len(names)} unknowns set aside"
        aside = set_aside(problem, names)
        if len(aside.pairs.needed):
            yield Trial(text, aside, main_families(aside.scenario), starts, relaxes=True)


def _lowered(problem: Problem, closest: Candidate, starts: list[Found]) -> Iterator[Trial]:
    """Less resolution for the pairs that fall short or hold the rest back: the tightest alone, and all of them."""
    prediction = closest.prediction
    margin = prediction.resolution / prediction.needed - 1
    short = [int(at) for at in np.argsort(margin, kind="stable") if margin[at] < TIGHT]
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
            text = f"two thirds of the resolution for the {len(chosen)} tightest pairs"
        lowered = replace(problem, pairs=Pairs(problem.pairs.index, needed))
        yield Trial(text, lowered, main_families(problem.scenario), starts, relaxes=True)


def _relaxed(problem: Problem, closest: Candidate, starts: list[Found]) -> Iterator[Trial]:
    """Each requirement of the goal that binds, dropped; and where several of a kind bind, all of that kind."""
    binding = {each.limit for each in held_limits(problem, closest.prediction) if each.shown.binding}
    for kind, limits in by_kind(problem.requirements).items():
        tight = [each for each in limits if each in binding]
        changes = [(each.given_up, [each]) for each in tight]
        if len(tight) > 1:
            changes.append((f"none of the {len(limits)} {kind}", limits))
        for text, given_up in changes:
            changed = problem.without(given_up)
            yield Trial(text, changed, main_families(changed.scenario), starts, relaxes=True)


def other_programs(scenario: Scenario) -> Iterator[tuple[str, Scenario, str]]:
    """One oven ramp more, and each carrier mode that was left out; the last is "ramps" or the mode that is new."""
    search = scenario.search
    most = min(MOST_RAMPS, scenario.instrument.max_oven_ramps)
    if search.oven_temperature is None and search.max_ramps < most:
        more = replace(search, max_ramps=search.max_ramps + 1)
        text = f"up to {more.max_ramps} oven ramps" if more.max_ramps > 1 else "an oven ramp"
        yield text, replace(scenario, search=more), "ramps"
    for mode in get_args(CarrierMode):
        if mode in search.carrier_modes:
            continue
        # One carrier ramp is enough to see whether the mode helps, and none is no program.
        count = 1 if mode.endswith("program") else search.max_carrier_ramps
        if count > scenario.instrument.max_carrier_ramps:
            continue
        only = replace(search, carrier_modes=(mode,), max_carrier_ramps=count)
        article = "a " if mode.endswith("program") else ""
        yield f"{article}{mode} of the carrier", replace(scenario, search=only), mode


def _made(change: str, problem: Problem, scenario: Scenario, opens: str) -> Trial | None:
    """The trial of a scenario with other programs; None when the instrument cannot set any."""
    try:
        families = main_families(scenario)
    except ScenarioError:
        return None
    if opens == "ramps":
        families = [each for each in families if each.ramps == scenario.search.max_ramps]
    return Trial(change, problem_of(scenario, problem.fit), families, [], relaxes=opens == "ramps")


def other_systems(problem: Problem, starts: list[Found]) -> Iterator[Trial]:
    """Hydrogen; and, of columns with a film, a longer one and a thinner film."""
    scenario, column = problem.scenario, problem.scenario.column
    changes: list[tuple[str, Change]] = []
    if scenario.gas.name in REPLACED_GASES:
        text = f"hydrogen instead of {scenario.gas.name}"
        changes.append((text, Change(gas=CARRIER_GASES["hydrogen"])))
    of_columns = column.wall_coated  # no other one is known beforehand: on_new_system says why
    length, film = LONGER * column.length, THINNER * column.film_thickness
    if of_columns:
        changes.append((f"a column {LONGER:g} times as long ({length:g} m)", Change(length=length)))
        changes.append((f"half the film ({film * 1e6:.3g} µm)", Change(film_thickness=film)))
    for text, change in changes:
        fit, _ = on_new_system(scenario, problem.fit, change)
        system = fit.system
        moved, *_ = scenario_on(scenario, system)
        yield Trial(text, problem_of(moved, fit), main_families(moved), starts)
        lower = lower_split(moved, flow_within_total(moved))
        if change.gas is not None and lower is not None:
            inlet = replace(moved.inlet, split_ratio=lower.ratio)
            lowered = replace(moved, inlet=inlet)
            text = f"{text} at a split ratio of {lower.ratio:g}:1 in place of {lower.old_ratio:g}:1"
            yield Trial(text, problem_of(lowered, fit), main_families(lowered), starts)
