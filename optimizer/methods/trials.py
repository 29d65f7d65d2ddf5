"""Short searches of a changed problem, with families and starts of its own, one after another in a share of time."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from optimizer.base.clock import Progress, now
from optimizer.goal.goal import Problem
from optimizer.goal.limits import RESOLUTION, Requirement
from optimizer.goal.requirements import by_kind
from optimizer.scenario.data import Scenario
from optimizer.search.descent import conceding, descend
from optimizer.search.found import Found, Searched, rank, with_ends
from optimizer.search.program_space import Family, families_of

SHARE = 0.25  # of the search's own budget for each change
SEARCHING = 0.33  # of the time left to each, for its search; the rest goes to descents and rounding
LEAST_SECONDS, MOST_SECONDS = 1.0, 3.0
ROUNDED = 3  # ends of a search that are rounded
STARTS = 4  # ends of the search that failed, of different families, from which a changed goal is tried too


@dataclass(frozen=True)
class Trial:
    """A change to try.

    Attributes
    ----------
    change : str, in words
    problem : Problem, what it makes of the goal
    families : those worth a short search
    starts : programs to start from
    given_up : requirements that the closest program so far misses
    relaxes : whether the programs of the search that failed are programs here too, held to nothing more
    """

    change: str
    problem: Problem
    families: list[Family]
    starts: list[Found]
    given_up: frozenset[Requirement] = frozenset()
    relaxes: bool = False


def ends_of(trial: Trial, seconds: float, progress: Progress | None, until: float = np.inf) -> list[Found]:
    """The best ends of a short search [s]; none when it had no time to find any. A Ctrl-C goes on to the caller.

    After `until` on its clock no further start is tried.

    Where requirements are already given up and no programs are known that keep the others, half of the time goes to
    finding those.
    """
    looks_for_others = not trial.starts and trial.given_up - {RESOLUTION}
    share = 0.5 if looks_for_others else 1.0
    found = _search(trial.problem, trial.families, share * seconds, progress)
    if looks_for_others:
        easier = trial.problem.without(trial.given_up)
        rest = _search(easier, trial.families, (1 - share) * seconds, progress)
        found += [_near(trial, each) for each in _of_different_families(rest) if each.feasible]
    for start in trial.starts:
        if now() >= until:
            break
        found.append(Found(start.family, descend(trial.problem, start.family, start.descent.z)))
        if trial.given_up:
            found.append(_near(trial, start))
    return _of_different_families(found)


def _search(
    problem: Problem, families: list[Family], seconds: float, progress: Progress | None
) -> list[Found]:
    from optimizer.search.islands import search  # optuna is slow to import and only needed here

    searched = search(problem, families, seconds, problem.scenario.search.seed, progress)
    if searched.interrupted:
        raise KeyboardInterrupt
    return searched.all()


def _near(trial: Trial, start: Found) -> Found:
    """From a program that keeps the others as close as can be to requirements given up; on, when they are reached."""
    found = Found(start.family, conceding(trial.problem, start.family, start.descent.z, trial.given_up))
    if found.feasible:
        faster = Found(start.family, descend(trial.problem, start.family, found.descent.z))
        return min(found, faster, key=rank)
    return found


def _of_different_families(found: list[Found]) -> list[Found]:
    """The best of each family, a few at most."""
    firsts: dict[str, Found] = {}
    for each in sorted(found, key=rank):
        firsts.setdefault(each.family.name, each)
    return list(firsts.values())[:ROUNDED]


def starts_of(searched: Searched) -> list[Found]:
    """The best ends of a search, of different families."""
    return sorted((ends[0] for ends in searched.best.values() if ends), key=rank)[:STARTS]


def main_families(scenario: Scenario) -> list[Family]:
    """The families with the most oven ramps, and with one less: a short search has no time for the others."""
    families = families_of(scenario)
    most = max(each.ramps for each in families)
    return [each for each in families if each.ramps >= most - 1]


def short_search(seconds: float) -> float:
    """Time of each short search [s], by the budget of the one that failed."""
    return min(max(SHARE * seconds, LEAST_SECONDS), MOST_SECONDS)


def part_of(until: float, others: int) -> float:
    """When the next of some changes is to be done with: its part of the time that is left."""
    return now() + max(until - now(), 0.0) / (1 + others)


def share_of(part: float, seconds: float) -> float:
    """Time of its short search [s]: no more than a third of its part, as descents and rounding follow."""
    return min(seconds, SEARCHING * max(part - now(), 0.0))


def shown_as(progress: Progress | None, text: str, number: int, count: int) -> Progress | None:
    """Progress of one of several short searches, under a text of its own."""
    if progress is None:
        return None
    told = progress
    return lambda share, _: told((number + share) / count, text)


def conceded(
    problem: Problem,
    searched: Searched,
    seconds: float,
    progress: Progress | None = None,
    until: float = np.inf,
) -> Searched:
    """A search that found nothing feasible, with the ends of such descents; any other as it is.

    `seconds` is the budget of that search, and none of these begins after `until` on its clock. With but one kind of
    requirement the search has already come as close to it as it could. A Ctrl-C marks the search as interrupted.
    """
    kinds = _kinds(problem)
    found = searched.all()
    if searched.interrupted or not found or found[0].feasible or len(kinds) < 2:
        return searched
    ends: list[Found] = []
    try:
        for number, (kind, given_up) in enumerate(kinds.items()):
            if now() >= until:
                break
            part = part_of(until, len(kinds) - number - 1)
            each_seconds = share_of(part, short_search(seconds))
            shown = shown_as(progress, f"closest without {kind}", number, len(kinds))
            ends += _without(problem, kind, given_up, searched, each_seconds, shown, part)
        if not ends and len(problem.pairs.needed) and now() < until:
            # More than one kind cannot be met: at least what is separated stays so.
            others = frozenset[Requirement](problem.requirements)
            shown = shown_as(progress, "closest with every pair resolved", 0, 1)
            each_seconds = share_of(until, short_search(seconds))
            ends = _without(problem, "all but resolution", others, searched, each_seconds, shown, until)
    except KeyboardInterrupt:
        searched = replace(searched, interrupted=True)
    return with_ends(searched, ends)


def _kinds(problem: Problem) -> dict[str, frozenset[Requirement]]:
    """All requirements by their kind, resolution among them."""
    kinds: dict[str, frozenset[Requirement]] = {
        kind: frozenset(limits) for kind, limits in by_kind(problem.requirements).items()
    }
    if len(problem.pairs.needed):
        kinds["resolution"] = frozenset({RESOLUTION})
    return kinds


def _without(
    problem: Problem,
    kind: str,
    given_up: frozenset[Requirement],
    searched: Searched,
    seconds: float,
    progress: Progress | None,
    until: float,
) -> list[Found]:
    """Programs that keep everything but some requirements, and come close to those."""
    easier = problem.without(given_up)
    trial = Trial(f"without {kind}", easier, main_families(easier.scenario), starts_of(searched))
    return [
        Found(end.family, conceding(problem, end.family, end.descent.z, given_up))
        for end in ends_of(trial, seconds, progress, until)
        if end.feasible
    ]
