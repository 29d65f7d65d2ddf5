"""When nothing meets the goal: whether it cannot be met, is not sure enough yet, or was not found in this time.

"Cannot" is said of one requirement alone. With nothing else asked than the limits of column and instrument it is
brought as far as it goes, over all families of programs, in independent searches; only where all of them stay well
short, and agree, is it out of reach. Where any doubt is left it was not found in this time.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from models.column.programs import Array
from optimizer.base.clock import Progress, now, round_done
from optimizer.goal.asides import Kind, Nominal, NotMet
from optimizer.goal.goal import NEARLY, Pairs, Problem, nominal_problem
from optimizer.goal.limits import RESOLUTION, Requirement
from optimizer.goal.outcome import SearchOutcome
from optimizer.goal.predict import predict
from optimizer.goal.uncertainty import with_uncertainty
from optimizer.methods.trials import LEAST_SECONDS, SHARE, shown_as
from optimizer.search.candidates import family_name
from optimizer.search.descent import assessed, conceding
from optimizer.search.found import Found, Searched, rank
from optimizer.search.front.front_choice import cost_of
from optimizer.search.population import about, evolved, members
from optimizer.search.program_space import Family, families_of
from optimizer.search.reasons import BINDING, held_limits, in_short, missed_nominally
from optimizer.search.rounding import settable

SEARCHES = 3  # independent ones, of each requirement that may be out of reach
MORE_SEARCHES = 6  # the same with carrier ramps, where seven in eight ended in one basin far below the best
AGREE = 0.005  # relative, by which they may differ: where most of them end in one lesser basin they differ by more
SHORT = 0.1  # margin by which all of them must stay short: lesser basins were up to 5 % below the best, seldom more
AT_ENDS = 0.4  # share of set points that begin at an end of their range, in every second population
LITTLE = 0.1  # share of a needed resolution, of which they may differ by so much where less was reached
SCREENED = 256  # programs anywhere, of which the best begin a population
ISLANDS = 8  # populations of each family that begin apart: one alone often ended 10 to 20 % short
ISLAND_SIZE, ISLAND_GENERATIONS = 24, 60
SIZE, GENERATIONS = 48, 100  # of the last one, which begins about the best of them
NOMINAL_ENDS = 3  # of the search, fastest first, until one meets the goal nominally on the instrument's grid
SEED = 90_000  # on top of the scenario's, for searches that share nothing with the one that failed


@dataclass(frozen=True)
class _Alone:
    """One requirement and nothing else: the changed problem, its only requirement, and the name of that."""

    problem: Problem
    limit: Requirement
    name: str


def why_not(problem: Problem, outcome: SearchOutcome, searched: Searched, longer: str = "") -> NotMet:
    """Which kind of no a search came to that found nothing feasible, as far as it tells by itself.

    `longer` are the options that make it search longer.
    """
    best = _best_nominal(problem, outcome, searched) if problem.by_draws else None
    kind: Kind = "not found in this time" if best is None else "not sure enough yet"
    required = problem.confidence if problem.by_draws else 0.0
    return NotMet(kind, required, nominal=best, closest=in_short(outcome.blocking), longer=longer)


def _best_nominal(problem: Problem, outcome: SearchOutcome, searched: Searched) -> Nominal | None:
    """The fastest program known that meets every requirement nominally, on the instrument's grid; None without any."""
    nominal, seed = nominal_problem(problem), problem.scenario.search.seed
    known = [each.prediction for each in outcome.candidates if not missed_nominally(problem, each.prediction)]
    ends = sorted((end for each in searched.nominal.values() for end in each if end.feasible), key=rank)
    for end in ends[:NOMINAL_ENDS]:
        rounded = settable(nominal, end.family, end.descent.z, seed)
        if rounded.feasible:
            known.append(predict(problem, rounded.program))
            break
    if not known:
        return None
    best = min(known, key=lambda each: cost_of(problem, each))
    _, reliability = with_uncertainty(problem, best, exact=True)
    return Nominal(family_name(best.program), best.program, cost_of(problem, best), reliability)


def out_of_reach(
    problem: Problem,
    outcome: SearchOutcome,
    searched: Searched,
    seconds: float,
    progress: Progress | None = None,
    left: float = np.inf,
) -> NotMet | None:
    """The requirement that cannot be met, of those that no program known keeps; None where none is shown to be so.

    `seconds` is the budget of the search that found nothing feasible; this takes as long as one change that is tried,
    and no longer than is `left` [s]. A Ctrl-C ends it.
    """
    if outcome.not_met is None or outcome.not_met.nominal is not None:
        return None
    try:
        each_seconds = max(SHARE * seconds / SEARCHES, LEAST_SECONDS)
        return beyond_reach(nominal_problem(problem), searched, each_seconds, progress, left)
    except KeyboardInterrupt:
        return None


def beyond_reach(
    problem: Problem, searched: Searched, each_seconds: float, progress: Progress | None, left: float = np.inf
) -> NotMet | None:
    """The same of a problem judged nominally, with so long [s] for each search, and what is `left` [s] for all."""
    families = families_of(problem.scenario)
    count = MORE_SEARCHES if any(family.carrier_ramps for family in families) else SEARCHES
    until = now() + min(count * each_seconds, left)
    for alone in _never_kept(problem, searched):
        reached: list[Found] = []
        for number in range(count):
            shown = shown_as(progress, f"how far it goes: {alone.name}", number, count)
            rng = np.random.default_rng(np.random.SeedSequence([SEED, problem.scenario.search.seed, number]))
            end = furthest_of(alone, families, rng, min(now() + each_seconds, until), shown)
            if end is None or _kept(end):
                break
            reached.append(end)
        if len(reached) == count and _agree(alone, [end.descent.margin for end in reached]):
            return _told(alone, max(reached, key=lambda end: end.descent.margin))
    return None


def _never_kept(problem: Problem, searched: Searched) -> Iterator[_Alone]:
    """Each requirement that no program known comes near to within the equipment's limits, the furthest off first."""
    best = np.full(len(problem.pairs.needed) + len(problem.requirements), -np.inf)
    for ends in (*searched.best.values(), *searched.nominal.values()):
        if not ends:
            continue
        family = ends[0].family
        z = np.array([end.descent.z for end in ends])
        assessment = problem.assess(family.batch(family.values(z)), "polish")
        required = assessment.limits[:, ~problem.equipment]
        margins = np.concatenate([problem.resolution_margins(assessment), required], axis=1)
        kept = problem.equipment_margin(assessment) >= NEARLY
        best = np.maximum(best, margins[kept].max(axis=0, initial=-np.inf))
    for at in np.argsort(best, kind="stable"):
        if best[at] < -SHORT and np.isfinite(best[at]):
            yield asked_alone(problem, int(at))


def asked_alone(problem: Problem, at: int) -> _Alone:
    """The problem with one requirement, a pair's resolution or another, by its number."""
    pairs, names = problem.pairs, problem.scenario.compounds
    count = len(pairs.needed)
    if at >= count:
        limit = problem.requirements[at - count]
        others: list[Requirement] = [RESOLUTION, *(each for each in problem.requirements if each != limit)]
        return _Alone(problem.without(others), limit, limit.name)
    bare = problem.without(problem.requirements)
    alone = replace(bare, pairs=Pairs(pairs.index[at : at + 1], pairs.needed[at : at + 1]))
    a, b = pairs.index[at]
    return _Alone(
        alone, RESOLUTION, f"a resolution of {pairs.needed[at]:g} between {names[a]} and {names[b]}"
    )


def furthest_of(
    alone: _Alone, families: list[Family], rng: np.random.Generator, until: float, progress: Progress | None
) -> Found | None:
    """The program that keeps the equipment's limits and comes closest to the one requirement, of all families.

    Ends with the first that nearly keeps it. None when time ran out before every family was searched, or no
    program keeps the limits.
    """
    problem = alone.problem
    best: Found | None = None
    for number, family in enumerate(families):
        if now() >= until:
            return None
        if progress:
            progress(number / len(families), "")
        apart: list[Array] = []
        for island in range(ISLANDS):
            first = members(problem, family, family.ordered(_anywhere(family, rng, island % 2 == 1)))
            begun = first.z[np.argsort(first.merit(np.inf), kind="stable")[:ISLAND_SIZE]]
            apart.append(evolved(problem, family, begun, ISLAND_GENERATIONS, rng, refining=True)[0][0])
            best = _better(best, Found(family, assessed(problem, family, apart[-1])))
            if _kept(best):
                break
        else:
            begun = about(family, np.array(apart), SIZE, rng)
            z = evolved(problem, family, begun, GENERATIONS, rng, refining=True)[0][0]
            for end in (assessed(problem, family, z), conceding(problem, family, z, {alone.limit})):
                best = _better(best, Found(family, end))
        round_done()
        if _kept(best):
            break
    return best


def _anywhere(family: Family, rng: np.random.Generator, at_ends: bool) -> Array:
    """Points (SCREENED, D) on the unit cube, many of their set points at the ends of their ranges if so asked."""
    z = rng.random((SCREENED, family.size))
    if at_ends:
        z = np.where(rng.random(z.shape) < AT_ENDS, np.round(z), z)
    return z


def _better(best: Found | None, new: Found) -> Found | None:
    """The one that comes closer, if the equipment can run it."""
    if new.descent.equipment < NEARLY or (best is not None and best.descent.margin >= new.descent.margin):
        return best
    return new


def _kept(best: Found | None) -> bool:
    """Whether it is too near to what is required to be called short."""
    return best is not None and best.descent.margin >= -SHORT


def _agree(alone: _Alone, margins: list[float]) -> bool:
    """Whether independent searches came equally far: to `AGREE` of what was reached, or of what is required."""
    reached = max(1 + max(margins), LITTLE) if alone.limit is RESOLUTION else 1.0
    return max(margins) - min(margins) <= AGREE * min(reached, 1.0)


def _told(alone: _Alone, best: Found) -> NotMet:
    """That it cannot be met, with how far it goes and which limits of the equipment bind there."""
    family, problem = best.family, alone.problem
    values = family.values(best.descent.z[None])
    end = float(problem.assess(family.batch(values), "polish").run_time[0])
    program = family.program(values[0], end, problem.scenario.instrument.steps.time)
    prediction = predict(problem, program)
    held = list(held_limits(problem, prediction))
    first = next(each for each in held if each.limit == alone.limit)
    binding = tuple(
        each.shown.name for each in held if not each.limit.is_requirement and each.shown.margin < BINDING
    )
    return NotMet("cannot be met", 0.0, alone.name, first.shown.text, binding)
