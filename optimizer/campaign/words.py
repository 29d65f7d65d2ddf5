"""What is said of a campaign: where it stands, what the next run is worth, when to stop; and the document of it."""

from __future__ import annotations

from typing import Any

import numpy as np

from models.units import SECONDS_PER_MINUTE
from optimizer.base.numbers import MINUTES, number, percent
from optimizer.campaign.history import Stage
from optimizer.campaign.next_run import Standing
from optimizer.campaign.worth import Worth
from optimizer.goal.asides import MIDDLE, WORTH, gain_in_words
from optimizer.goal.outcome import Candidate
from optimizer.results.documents import FORMAT, Document
from optimizer.results.scout import cautions_of
from optimizer.results.set_points import set_point_lines
from optimizer.scenario.program_tables import program_document

SHARE = round(100 * (MIDDLE[1] - MIDDLE[0]))
METHOD = (
    "Each possible run is made in thought many times: a draw of the fit's posterior is the truth, the run is added to "
    "the fit (linear and Gaussian in the parameters), and the best program is looked up among those that searches "
    "found. A new search would find better ones, so that the run time after a run is rather overstated. What a run "
    "shows may also be bad news: a program that holds with 90 % fails in one truth of ten."
)


def says(found: Standing) -> list[str]:
    """Where the campaign stands and what to do, in sentences."""
    return [stands(found), *advised(found)]


def advised(found: Standing) -> list[str]:
    """What to do, in sentences."""
    lines = []
    worth = found.of_proposed
    if found.advice == "run" and worth is not None and found.proposed is not None:
        low, mean, high = (_minutes(found, each) for each in (worth.low, worth.expected, worth.high))
        chance = (
            ""
            if worth.chance == 1
            else f"; chance that any program then meets the goal: {percent(worth.chance)}"
        )
        lines.append(
            f"Next: {found.proposed.name}. After this run {mean} min expected ({SHARE} % interval {low} to {high})"
            f"{chance}: worth {gain_in_words(worth.gain, worth.gain_error, ' of the run time')}."
            if np.isfinite(worth.expected)
            else f"Next: {found.proposed.name}, though no program of the pool meets the goal after it."
        )
        if np.isfinite(found.then_gain):
            what = f"worth {100 * max(found.then_gain, 0):.0f} %"
            lines.append(
                f"The run after that is {what}."
                if found.then_gain >= WORTH
                else f"The run after that is worth less than {100 * WORTH:.0f} %: then stop."
            )
        return lines
    most = max(found.worth, key=lambda each: each.gain, default=None)
    little = (
        f"No run looked at is worth {100 * WORTH:.0f} % of the run time"
        + ("" if most is None else f" (the best: {gain_in_words(most.gain, most.gain_error)})")
        + ": stop"
    )
    if found.advice == "confirm":
        lines.append(f"{little}, and run the best program itself to confirm it.")
    elif found.advice == "done":
        lines.append(
            f"{little}. The program of {found.made} was run already, meets the goal and is within "
            f"{100 * WORTH:.0f} % of the best: adopt it."
        )
    else:
        lines.append(
            f"{little}. Nothing that was found in this time meets the goal, which is no proof: give it more --seconds "
            "once. rampwright optimize says what stands in the way, and which single change would help."
        )
    return lines


def stands(found: Standing) -> str:
    """Where the campaign stands, in a sentence or two."""
    scenario, best = found.problem.scenario, found.best
    runs = len(scenario.runs)
    start = f"{runs} injections so far. "
    if best is None:
        return f"{start}No program was found that column and instrument allow."
    time = best.prediction.run_time / SECONDS_PER_MINUTE
    if best.feasible:
        holds = percent(best.pass_probability)
        return f"{start}Now {time:.2f} min at {holds} probability of meeting every requirement."
    return f"{start}No program found meets the goal; the closest ({time:.2f} min) misses it by this: {best.missed[0]}."


def _minutes(found: Standing, seconds: float) -> str:
    return f"{(seconds + found.offset) / SECONDS_PER_MINUTE:.2f}"


def stage_of_standing(found: Standing, stage: Stage) -> Stage:
    """A stage of the history with what is expected of the proposed run."""
    worth = found.of_proposed
    if found.proposed is None:
        return stage
    if worth is None or not np.isfinite(worth.expected):
        return Stage(**{**stage.__dict__, "proposed": found.proposed.name})
    expected, low, high = (
        round((each + found.offset) / SECONDS_PER_MINUTE, 3)
        for each in (worth.expected, worth.low, worth.high)
    )
    more = {"expected_min": expected, "low_min": low, "high_min": high, "proposed": found.proposed.name}
    return Stage(**{**stage.__dict__, **more})


def standing_document(found: Standing) -> Document:
    """As `rampwright next --json`."""
    scenario, best, proposed = found.problem.scenario, found.best, found.proposed
    ambient = scenario.ambient_pressure
    return {
        "format": FORMAT,
        "title": scenario.title,
        "runs": [run.name for run in scenario.runs],
        "advice": found.advice,
        "says": says(found),
        "best": None if best is None else candidate_document(best, ambient),
        "proposed": None
        if proposed is None
        else {
            "name": proposed.name,
            "kind": proposed.kind,
            **program_document(proposed.program, ambient),
            "set_points": list(set_point_lines(proposed.program, ambient, column=scenario.column)),
        },
        "possible_runs": [worth_document(found, each) for each in found.worth],
        "after_that_gain": number(found.then_gain, 3),
        "programs_looked_up": found.looked_up,
        "method": METHOD,
        "warnings": list(found.problem.warnings),
        "cautions": [] if proposed is None else list(cautions_of(scenario, [proposed.program])),
    }


def candidate_document(candidate: Candidate, ambient: float) -> dict[str, Any]:
    """A program that was found; `ambient` [Pa] is what gauge pressures refer to."""
    return {
        "run_time_min": MINUTES.written(candidate.prediction.run_time),
        "pass_probability": number(candidate.pass_probability, 4),
        "meets_goal": candidate.feasible,
        **program_document(candidate.prediction.program, ambient),
    }


def worth_document(found: Standing, worth: Worth) -> dict[str, Any]:
    """What a possible run is worth."""

    def minutes(seconds: float) -> float | None:
        return number((seconds + found.offset) / SECONDS_PER_MINUTE, 4)

    return {
        "name": worth.run.name,
        "kind": worth.run.kind,
        "length_min": number(worth.run.program.oven.duration / SECONDS_PER_MINUTE),
        "gain": number(worth.gain, 3),
        "gain_error": number(worth.gain_error, 2),
        "expected_min": minutes(worth.expected),
        "low_min": minutes(worth.low),
        "high_min": minutes(worth.high),
        "chance": number(worth.chance, 3),
    }
