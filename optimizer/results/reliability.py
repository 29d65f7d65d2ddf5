"""How often a program meets the goal, as it appears in documents and as sentences."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from optimizer.base.numbers import number, of_needed, percent
from optimizer.goal.outcome import Candidate, Moved, Reliability, SetPointTolerance, Source

Part = dict[str, Any]

LISTED = 5  # failures named
LEVEL = 0.95  # of the interval beside a share of draws
WORTH_TELLING = 0.015  # by how much the share that the search followed must differ to be told


def reliability_document(reliability: Reliability) -> Part:
    """The share of draws that hold, what fails, and what each source of uncertainty takes."""
    return {
        "share": number(reliability.share, 3),
        "share_interval": list(share_interval(reliability)),
        "draws": reliability.draws,
        "share_by_derivatives": None
        if reliability.by_derivatives is None
        else number(reliability.by_derivatives, 3),
        "failures": [
            {"what": what, "share": number(share, 3)} for what, share in reliability.failures[:LISTED]
        ],
        "sources": [
            {
                "source": source.text,
                "share_without": number(source.share_without, 3),
                "gain": source.gain,
                "costliest": source.costliest,
            }
            for source in reliability.sources
        ],
    }


def share_interval(reliability: Reliability) -> tuple[float, float]:
    """What chance leaves open of the share in so many draws: its 95 % interval.

    Wilson, J. Am. Stat. Assoc. 22 (1927) 209: it stays within 0 and 1 and says something where all or none hold.
    """
    from scipy.stats import (
        binomtest,
    )  # here, since commands that judge nothing import this module for its texts

    held = round(reliability.share * reliability.draws)
    found = binomtest(held, reliability.draws).proportion_ci(LEVEL, method="wilson")
    return round(float(found.low), 3), round(float(found.high), 3)


def share_of_draws(share: float, interval: Sequence[float]) -> str:
    """A share and its interval, e.g. "93 % of draws (90 to 95 %)"."""
    return f"{percent(share)} of draws ({_range(interval)})"


def _range(interval: Sequence[float]) -> str:
    low, high = interval
    return f"{100 * low:.0f} to {100 * high:.0f} %"


def reliability_line(part: Part) -> str:
    """A sentence on a `reliability_document`: what holds, what fails most often, and the sources that cost most."""
    text = f"It meets the goal in {percent(part['share'])} of {part['draws']} draws ({_range(part['share_interval'])}"
    followed = part["share_by_derivatives"]
    if followed is not None and abs(followed - part["share"]) >= WORTH_TELLING:
        text += f"; {percent(followed)} by the first derivatives that the search follows"
    text += ")"
    for failure in part["failures"][:1]:
        text += f"; what fails most often is the {failure['what']} ({percent(failure['share'])})"
    costliest = [
        (source["source"], percent(source["share_without"]))
        for source in part["sources"]
        if source["costliest"]
    ]
    return text + _costliest_text(costliest) + "."


def _costliest_text(costliest: Sequence[tuple[str, str]]) -> str:
    """The sources that cost most, each with the share without it; empty where the draws tell of none."""
    if not costliest:
        return ""
    (first, share), *others = costliest
    named = [f"{first} ({share} without it)", *(f"{source} ({share})" for source, share in others)]
    text = f"; costliest source of error: {', '.join(named[:-1])}{' or ' if others else ''}{named[-1]}"
    return text + ("; these draws cannot tell which" if others else "")


def reliability_text(reliability: Reliability) -> str:
    """The same of what a program's draws gave."""
    return reliability_line(reliability_document(reliability))


def judged_text(confidence: float, reliability: Reliability) -> str:
    """`reliability_text` behind how the search judged programs; `confidence` 0 stands for nominal."""
    if confidence > 0:
        return reliability_text(reliability)
    return (
        'Programs were judged by the predicted chromatogram alone (confidence = "nominal"). '
        + reliability_text(reliability)
    )


def confidence_text(confidence: float) -> str:
    """What a goal asks of the draws."""
    if confidence > 0:
        return f"All of it is to hold in {100 * confidence:g} % of draws of what is uncertain."
    return "Programs are judged by the predicted chromatogram alone, not by draws of what is uncertain."


def costs(reliability: Reliability) -> list[tuple[str, str]]:
    """Sources of error beside what the draws say would hold without each; none where none costs anything."""
    if all(source.gain == "none" for source in reliability.sources):
        return []
    return [(source.text, _gain_text(source)) for source in reliability.sources]


def _gain_text(source: Source) -> str:
    if source.gain == "none":
        return "no gain"
    return percent(source.share_without) + (", perhaps by chance" if source.gain == "unclear" else "")


def failures(reliability: Reliability) -> list[tuple[str, str]]:
    """What fails beside the share of draws in which it does."""
    return [(what, percent(share)) for what, share in reliability.failures[:LISTED]]


def reliability_cells(candidate: Candidate) -> tuple[str | float | None, ...]:
    """What fails most often and in what share of draws, the costliest sources, the share without the first."""
    what: Sequence[str | float | None] = (None, None)
    source: Sequence[str | float | None] = (None, None)
    if candidate.reliability.failures:
        text, share = candidate.reliability.failures[0]
        what = text, number(share, 3)
    costliest = [each for each in candidate.reliability.sources if each.costliest]
    if costliest:
        source = "; ".join(each.text for each in costliest), number(costliest[0].share_without, 3)
    return (*what, *source)


def set_point_tolerance_document(each: SetPointTolerance) -> Part:
    """One set point, moved down and up by its tolerance."""
    return {
        "set_point": each.name,
        "label": each.label,
        "unit": each.unit,
        "value": number(each.value, 6),
        "tolerance": number(each.tolerance, 3),
        "margin_lost": number(each.loss, 3),
        "lower": _moved(each.lower),
        "higher": _moved(each.higher),
        "breaks": list(each.breaks),
    }


def _moved(moved: Moved | None) -> Part | None:
    if moved is None:
        return None
    return {
        "run_time_change_s": number(moved.run_time_change, 3),
        "min_resolution": number(moved.resolution, 4),
        "critical_pair": list(moved.pair) if moved.pair else None,
        "critical_pair_needs": number(moved.needed, 4),
        "margin": number(moved.margin, 3),
        "breaks": list(moved.breaks),
    }


def most_critical(points: list[Part]) -> Part | None:
    """Of documents, the first that breaks the goal by itself; else the one that costs most resolution."""
    breaking = [each for each in points if each["breaks"]]
    return next(iter(breaking or points), None)


def worse_of(point: Part) -> Part:
    """The move that leaves less resolution, or, where no pair counts, the one that changes the time more."""
    moves: list[Part] = [point[which] for which in ("lower", "higher") if point[which] is not None]
    return min(
        moves,
        key=lambda each: (0.0 if each["margin"] is None else each["margin"], -abs(each["run_time_change_s"])),
    )


def set_to(point: Part) -> str:
    """A set point and how far it may be off, e.g. "1.2 ± 0.1 min"."""
    return f"{point['value']:g} ± {number(point['tolerance'], 2):g} {point['unit']}"


def critical_line(points: list[Part]) -> str:
    """A sentence on the most critical set point of a candidate; empty where none does anything."""
    each = most_critical(points)
    if each is None:
        return ""
    text, worse = f"most critical set point: {each['label']}, {set_to(each)}", worse_of(each)
    if each["breaks"]:
        return f"{text}; off by that, it alone breaks: {', '.join(each['breaks'])}"
    if worse["critical_pair"] is None or not each["margin_lost"]:
        return f"{text}; off by that, it alone moves the end of the run by {abs(worse['run_time_change_s']):.1f} s"
    pair = " and ".join(worse["critical_pair"])
    return (
        f"{text}; off by that, it alone takes {100 * each['margin_lost']:.0f} % of what a pair needs, and leaves Rs "
        f"{of_needed(worse)} for {pair}"
    )
