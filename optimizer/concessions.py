"""When nothing meets the goal: programs that keep everything but one kind of wish, and come as close to that as can be.

The search itself raises the smallest margin of all wishes at once, and where one cannot be met all others sink with it
until nothing is resolved. A person would rather keep what can be kept and know by how much the rest is missed. So each
kind of wish is given up in turn: a short search finds programs that keep everything else, and from them descents go
towards what was given up.
"""

from __future__ import annotations

from dataclasses import replace

from optimizer.descent import conceding
from optimizer.found import Found, Hunt, Progress, with_ends
from optimizer.goal import Problem
from optimizer.trials import (
    RESOLUTION,
    Trial,
    giving_up,
    main_families,
    searched,
    short_search,
    shown_as,
    starts_of,
)
from optimizer.wishes import by_kind


def conceded(problem: Problem, hunted: Hunt, seconds: float, progress: Progress | None = None) -> Hunt:
    """A search that found nothing feasible, with the ends of such descents; any other as it is.

    `seconds` is the budget of that search. With but one kind of wish the search has already come as close to it as it
    could. A Ctrl-C marks the search as interrupted.
    """
    kinds = _kinds(problem)
    found = hunted.all()
    if hunted.interrupted or not found or found[0].feasible or len(kinds) < 2:
        return hunted
    ends: list[Found] = []
    try:
        for number, (kind, names) in enumerate(kinds.items()):
            shown = shown_as(progress, f"closest without {kind}", number, len(kinds))
            ends += _without(problem, kind, names, hunted, short_search(seconds), shown)
        others = frozenset().union(*kinds.values()) - {RESOLUTION}
        if (
            not ends and RESOLUTION in kinds
        ):  # more than one kind cannot be met: at least what is separated stays so
            shown = shown_as(progress, "closest with every pair resolved", 0, 1)
            ends = _without(problem, "all but resolution", others, hunted, short_search(seconds), shown)
    except KeyboardInterrupt:
        hunted = replace(hunted, interrupted=True)
    return with_ends(hunted, ends)


def _kinds(problem: Problem) -> dict[str, frozenset[str]]:
    """Names of all wishes by their kind, resolution among them."""
    kinds = {
        kind: frozenset(wish.name for wish in wishes) for kind, wishes in by_kind(problem.scenario).items()
    }
    if len(problem.pairs.needed):
        kinds["resolution"] = frozenset({RESOLUTION})
    return kinds


def _without(
    problem: Problem,
    kind: str,
    names: frozenset[str],
    hunted: Hunt,
    seconds: float,
    progress: Progress | None,
) -> list[Found]:
    """Programs that keep everything but some wishes, and come close to those."""
    easier = giving_up(problem, names)
    trial = Trial(f"without {kind}", easier, main_families(easier.scenario), starts_of(hunted))
    return [
        Found(end.family, conceding(problem, end.family, end.descent.z, names))
        for end in searched(trial, seconds, progress)
        if end.feasible
    ]
