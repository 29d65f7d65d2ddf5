"""How sure a program is, as sentences and small tables for console and pages."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from optimizer.base.numbers import NEEDED, VALLEY, beside_needed, number, percent
from optimizer.goal.outcome import Candidate, Prediction
from optimizer.goal.reliability import Moved, Reliability, SetPointTolerance, Source

QUICK = "by first derivatives, not simulated: 1 to 4 points off"


def probability_text(known: Reliability) -> str:
    """The pass probability in words."""
    if not known.simulated:
        return f"{percent(known.share)} probability of meeting every requirement ({QUICK})"
    low, high = (f"{100 * each:.0f}" for each in known.interval)
    if low == high:  # no interval from 0 to 0
        low, high = (f"{100 * each:.1f}".removesuffix(".0") for each in known.interval)
    met = f"{percent(known.share)} probability of meeting every requirement"
    return f"{met} (simulated, 95 % interval {low} to {high} %)"


def reliability_text(known: Reliability) -> str:
    """A sentence on the pass probability, what is missed most often, and the main risk."""
    text = probability_text(known)
    for failure in known.failures[:1]:
        text += f"; most often missed: {failure.what} ({percent(failure.share)})"
    if known.main_risks:
        first, *others = known.main_risks
        named = [f"{first.text} (with it known exactly, {percent(first.share_without)})"]
        named += [f"{source.text} ({percent(source.share_without)})" for source in others]
        text += f"; main risk: {', '.join(named[:-1])}{' or ' if others else ''}{named[-1]}"
        text += "; the simulated runs cannot tell which" if others else ""
    return f"{text}."


def judged_text(confidence: float, known: Reliability) -> str:
    """`reliability_text` behind how the search judged programs; `confidence` 0 stands for nominal."""
    if confidence > 0:
        return reliability_text(known)
    return (
        'Programs were judged by the nominal chromatogram alone (confidence = "nominal"). '
        + reliability_text(known)
    )


def confidence_text(confidence: float) -> str:
    """What a goal asks of the simulated runs."""
    if confidence > 0:
        return f"Required probability of meeting every requirement: {100 * confidence:g} %."
    return "Programs are judged by the nominal chromatogram alone, without regard to uncertainty."


def risks(known: Reliability) -> list[tuple[str, str]]:
    """Sources of error beside the probability without each; none where none costs anything."""
    if all(source.gain == "none" for source in known.sources):
        return []
    return [(source.text, _gain_text(source)) for source in known.sources]


def _gain_text(source: Source) -> str:
    if source.gain == "none":
        return "no gain"
    return percent(source.share_without) + (", perhaps by chance" if source.gain == "unclear" else "")


def set_to(point: SetPointTolerance) -> str:
    """A set point and how far it may be off, e.g. "1.2 ± 0.1 min"."""
    return f"{point.value:g} ± {_off(point)}"


def _off(point: SetPointTolerance) -> str:
    return f"{number(point.tolerance, 2):g} {point.unit}"


def critical_line(candidate: Candidate) -> str:
    """A sentence on the most critical set point of a candidate; empty where none does anything."""
    point = candidate.most_critical
    if point is None:
        return ""
    text, worse = f"most critical set point: {point.label}, {set_to(point)}", point.worse
    if point.breaks:
        return f"{text}; an error of {_off(point)} is enough to miss: {', '.join(point.breaks)}"
    if worse.pair is None or not point.loss:
        by = f"{abs(worse.run_time_change):.1f} s"
        return f"{text}; an error of {_off(point)} moves the end of the run by {by}"
    lowered = beside_needed(worse.resolution, worse.needed)
    return f"{text}; an error of {_off(point)} lowers Rs to {lowered} for {' and '.join(worse.pair)}"


def both_ways(point: SetPointTolerance, text: Callable[[Moved], str]) -> str:
    """Something of the programs with a set point moved down and up; a dash where there is no such program."""
    return " / ".join("–" if moved is None else text(moved) for moved in (point.lower, point.higher))


def becomes_critical(point: SetPointTolerance, candidate: Candidate) -> str:
    """The pair that a set point off by its tolerance makes critical; empty where that is the one that is anyway."""
    worse = point.worse
    if worse.pair is None or worse.pair == candidate.prediction.critical_pair:
        return ""
    return f"{' and '.join(worse.pair)} ({NEEDED.text(worse.needed)} needed)"


def at_risk_text(known: Reliability | None) -> str:
    """The pair that is missed most often and how often; empty where none is."""
    if known is None or known.pair_at_risk is None:
        return ""
    pair, share = known.pair_at_risk
    return f"{' and '.join(pair)}, missed with {percent(share)} probability"


def critical_pair_text(prediction: Prediction) -> str:
    """The critical pair's resolution beside what it needs, and its valley; a dash when no pair counts."""
    if prediction.critical is None:
        return "–"
    valley = "" if np.isnan(prediction.valley) else f", valley {VALLEY.text(prediction.valley)} %"
    return beside_needed(prediction.min_resolution, prediction.critical_needed) + valley
