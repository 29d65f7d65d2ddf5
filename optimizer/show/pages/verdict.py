"""The strip at the head of a page: what is gained, how sure it is, which pair decides, what to do next."""

from __future__ import annotations

from typing import Any

from optimizer.base.numbers import MINUTES, percent
from optimizer.goal.outcome import Candidate, SearchOutcome
from optimizer.goal.reliability import Reliability
from optimizer.results.candidate import next_step
from optimizer.results.reliability import critical_pair_text, probability_text
from optimizer.scenario.data import Scenario

Cell = dict[str, Any]


def cell(head: str, large: str = "", *lines: str, command: str = "", bad: bool = False) -> Cell:
    """One part of the strip."""
    return {
        "head": head,
        "large": large,
        "lines": [each for each in lines if each],
        "command": command,
        "bad": bad,
    }


def verdict(scenario: Scenario, outcome: SearchOutcome) -> list[Cell]:
    """Of a search: what the best program does, or which kind of no it is."""
    step = next_step(scenario, outcome)
    following = cell("Next", "", step.why, command=step.command)
    if not outcome.candidates:
        return [cell("Result", "The search found no program.", bad=True), following]
    best = outcome.candidates[0]
    return [
        _times(outcome, best),
        probability_cell(best.reliability, scenario.goal.confidence),
        pair_cell(best),
        following,
    ]


def _times(outcome: SearchOutcome, best: Candidate) -> Cell:
    time = f"{MINUTES.text(best.prediction.run_time)} min"
    unknowns = "" if outcome.unknowns is None else outcome.unknowns.text
    if not outcome.feasible:
        worst = f"misses most: {outcome.blocking[0]}" if outcome.blocking else ""
        return cell("Result", "Goal not met", f"closest program: {time}", worst, unknowns, bad=True)
    if outcome.current is None:
        return cell("Run", time, "the fastest program found", unknowns)
    before = outcome.current.prediction.run_time
    change = 100 * (best.prediction.run_time / before - 1)
    return cell(
        "Run",
        f"{MINUTES.text(before)} → {time}",
        f"method in use → candidate 1 ({change:+.0f} %)",
        _in_use_fails(outcome),
        unknowns,
    )


def _in_use_fails(outcome: SearchOutcome) -> str:
    current = outcome.current
    if current is None or current.reliability is None:
        return ""
    return f"in use: {percent(current.reliability.share)} probability"


def probability_cell(known: Reliability, asked: float) -> Cell:
    """How probably every requirement is met, and how probably that was asked for; 0: nominally."""
    large = percent(known.share)
    text = probability_text(known).removeprefix(large).strip()
    required = f"required: {percent(asked)}" if asked > 0 else "judged by the nominal chromatogram alone"
    return cell("Certainty", large, text, required, bad=known.share < asked)


def pair_cell(shown: Candidate) -> Cell:
    """The pair that is missed most often, and where that is another one, the critical pair."""
    prediction, risk = shown.prediction, shown.reliability.pair_at_risk
    critical = prediction.critical_pair
    lines = []
    if risk is not None:
        lines.append(f"{' and '.join(risk.pair)}: missed with {percent(risk.share)} probability")
    if critical is not None:
        about = (
            "" if risk is not None and risk.pair == critical else f"critical pair {' and '.join(critical)}: "
        )
        lines.append(f"{about}Rs {critical_pair_text(prediction)}")
    return cell("Pair at risk", "" if lines else "none", *lines)
