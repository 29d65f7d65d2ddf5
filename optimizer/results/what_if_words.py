"""What is said of single changes that were tried because nothing met the goal, and of a further scouting run."""

from __future__ import annotations

import math
from typing import Any

from models.units import SECONDS_PER_MINUTE
from optimizer.base.numbers import minutes, percent
from optimizer.goal.outcome import ON_PAPER, SearchOutcome, WhatIf
from optimizer.goal.uncertainty import SOURCE_TEXTS
from optimizer.scenario.reading import SCENARIO_FILE, Scenario

MOST = 0.5  # of what lacks to the share of draws asked for, from which the fit is said to be to blame


def what_if_document(each: WhatIf) -> dict[str, Any]:
    """A single change that was tried: what it would cost, or by what the goal is still missed."""
    return {
        "change": each.change,
        "family": each.family,
        "cost_min": minutes(each.cost),
        "missed": each.missed or None,
        "improves": each.improves,
        "gives": gives(each),
    }


def gives(each: WhatIf) -> str:
    """What a change gives, in words."""
    if math.isfinite(each.cost):
        return f"{each.cost / SECONDS_PER_MINUTE:.2f} min"
    return f"{'still missed' if each.improves else 'no better in the time given'}: {each.missed or '-'}"


def none_enough(outcome: SearchOutcome) -> str | None:
    """That no change that was tried meets the goal; None where one does, or none was tried."""
    changes = [each for each in outcome.what_ifs if each.change != ON_PAPER]
    if not changes or any(math.isfinite(each.cost) for each in changes):
        return None
    return "None of these single changes is enough by itself, in the time given to each."


def scouting_advice(scenario: Scenario, outcome: SearchOutcome) -> str | None:
    """Where a further scouting run is the remedy: most of what lacks to the share of draws that is asked for comes from
    what the fit does not know. None elsewhere.
    """
    asked = scenario.goal.confidence
    if outcome.feasible or not outcome.candidates or asked <= 0:
        return None
    closest = outcome.candidates[0].reliability
    without = next(
        (each.share_without for each in closest.sources if each.text == SOURCE_TEXTS["retention"]),
        closest.share,
    )
    if closest.share >= asked or without - closest.share < MOST * (asked - closest.share):
        return None
    named = scenario.path.parent if scenario.path.name == SCENARIO_FILE else scenario.path
    return (
        f"Most of what fails comes from what the fit does not know of retention: without that, everything asked would "
        f"hold in {percent(without)} of draws instead of {percent(closest.share)}. A further scouting run may be the "
        f"remedy; which one, says rampwright scout {named} --results FOLDER, with the folder of these results."
    )
