"""What a program that misses the goal misses, and by how much, in the reader's units."""

from __future__ import annotations

import numpy as np

from models.units import SECONDS_PER_MINUTE
from optimizer.base.numbers import percent
from optimizer.goal.goal import Problem
from optimizer.goal.limits import LATE, first_elution
from optimizer.goal.outcome import Prediction
from optimizer.search.found import FEASIBLE
from optimizer.search.reasons import SHOWN_PAIRS, limit_in_words, margins_of

RESOLUTION = "resolution of "


def shortfalls(problem: Problem, prediction: Prediction, share: float) -> tuple[str, ...]:
    """One sentence for each limit not kept: first those of the equipment, then wishes, the furthest off first; last the
    draws, where everything holds in fewer of them than were asked for.

    Parameters
    ----------
    share : of draws that hold, as it is told elsewhere: a program has one
    """
    return (*missed_on_paper(problem, prediction), *_in_draws(problem, share))


def missed_on_paper(problem: Problem, prediction: Prediction) -> tuple[str, ...]:
    """The same of the predicted chromatogram alone."""
    equipment = {name for name, owned in zip(problem.limit_names, problem.equipment, strict=True) if owned}
    missed = [each for each in margins_of(problem, prediction) if each.margin < FEASIBLE]
    broken = [each for each in missed if each.name in equipment]
    wishes = sorted((each for each in missed if each.name not in equipment), key=lambda each: each.margin)
    sentences = [f"cannot be run: {each.text}" for each in broken]
    sentences += [missed_in_words(problem, prediction, each.name) for each in wishes]
    more = int(np.sum(prediction.resolution / prediction.needed - 1 < FEASIBLE)) - SHOWN_PAIRS
    if more > 0:
        sentences.append(
            f"{more} more {'pair falls' if more == 1 else 'pairs fall'} short of the resolution needed"
        )
    return tuple(sentences)


def missed_in_words(problem: Problem, prediction: Prediction, name: str) -> str:
    """A wish or resolution that is missed: what it is, what is asked, and by how much it is missed."""
    text, off = limit_in_words(problem, prediction, name), _off(problem, prediction, name)
    return f"{text}: {off}" if off else text


def _in_draws(problem: Problem, share: float) -> list[str]:
    """A sentence where everything holds in fewer draws than were asked for."""
    if not problem.by_draws or share >= problem.confidence:
        return []
    asked, told = f"{100 * problem.confidence:.0f} %", percent(share)
    if told == asked:
        told = f"{100 * share:.1f} %"
    return [f"everything asked holds in {told} of draws, where {asked} were asked for"]


def in_short(sentences: tuple[str, ...]) -> str:
    """The first of some sentences, and how many there are beside it."""
    if not sentences:
        return ""
    more = len(sentences) - 1
    return sentences[0] + (f"; and {more} more" if more else "")


def _off(problem: Problem, prediction: Prediction, name: str) -> str:
    """By how much a wish is missed; empty where its own text says so."""
    goal = problem.scenario.goal
    retention = np.nan_to_num(prediction.retention, nan=LATE)
    if name.startswith(RESOLUTION):
        at = next(
            at
            for at, pair in enumerate(prediction.counted_pairs)
            if name in {_pair_name(prediction, pair[0], pair[1]), _pair_name(prediction, pair[1], pair[0])}
        )
        return f"{100 * (1 - prediction.resolution[at] / prediction.needed[at]):.1f} % short"
    if name == "earliest elution":
        first = float(first_elution(retention, prediction.width_half, problem.targets))
        return f"{_minutes(goal.earliest_elution - first)} too early"
    if name == "latest elution" and goal.latest_elution is not None:
        return f"{_minutes(retention[problem.targets].max() - goal.latest_elution)} too late"
    if name == "retention factor at elution":
        k = np.nan_to_num(prediction.retention_factor[problem.targets]).min()
        return f"{goal.min_retention_factor - k:.2g} too low"
    for m, compound in enumerate(prediction.compounds):
        detail = problem.scenario.detail(compound)
        if name == f"elution temperature of {compound}" and detail.max_elution_temperature is not None:
            above = float(prediction.elution_temperature[m]) - detail.max_elution_temperature
            return f"{above:.1f} °C too hot" if np.isfinite(above) else "does not leave"
        if name == f"intact fraction of {compound}" and detail.min_intact_fraction is not None:
            lost, allowed = 1 - prediction.intact_fraction[m], 1 - detail.min_intact_fraction
            times = lost / allowed if allowed > 0 else np.inf
            return (
                f"{times:.0f} times the loss allowed"
                if times >= 10
                else f"{times:.2g} times the loss allowed"
            )
        if name == f"time of {compound} above a temperature" and detail.max_time_above is not None:
            return f"{_minutes(float(prediction.time_above[m]) - detail.max_time_above.duration)} too long"
        if name == f"{compound} near its compounds" and detail.near is not None:
            others = [prediction.compounds.index(other) for other in detail.near.compounds]
            apart = float(np.abs(retention[others] - retention[m]).max())
            return f"{_minutes(apart - detail.near.within)} too far"
    return ""


def _pair_name(prediction: Prediction, first: int, second: int) -> str:
    return f"{RESOLUTION}{prediction.compounds[first]} and {prediction.compounds[second]}"


def _minutes(seconds: float) -> str:
    """A time in minutes; in seconds where hundredths of a minute say too little."""
    return (
        f"{seconds:.1f} s"
        if seconds < 0.1 * SECONDS_PER_MINUTE
        else f"{seconds / SECONDS_PER_MINUTE:.2f} min"
    )
