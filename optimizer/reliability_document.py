"""How often a program meets the goal, as it appears in documents and as sentences."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from optimizer.document_numbers import number
from optimizer.results import Candidate, Reliability

Part = dict[str, Any]

LISTED = 5  # failures and sources named
LESS_THAN_ASKED = (
    0.03  # share of draws that may be missing to what is asked without a word: sampling does that
)
WORTH_TELLING = 0.015  # by how much the share that the search followed must differ to be told
RISKY = 0.5  # share of draws below which a program is said to be likely to fail


def reliability_document(reliability: Reliability) -> Part:
    """The share of draws that hold, what fails, and what each source of uncertainty takes."""
    return {
        "share": number(reliability.share, 3),
        "draws": reliability.draws,
        "share_by_derivatives": None
        if reliability.by_derivatives is None
        else number(reliability.by_derivatives, 3),
        "failures": [
            {"what": what, "share": number(share, 3)} for what, share in reliability.failures[:LISTED]
        ],
        "sources": [
            {"source": source.text, "share_without": number(source.share_without, 3)}
            for source in reliability.sources
        ],
    }


def percent(share: float) -> str:
    """A share of draws in %: none and all are said only where that is so."""
    rounded = f"{100 * share:.0f}"
    if rounded == "100" and share < 1:
        return "over 99 %"
    return "under 1 %" if rounded == "0" and share > 0 else f"{rounded} %"


def reliability_line(part: Part) -> str:
    """A sentence on a `reliability_document`: what holds, what fails most often, and the source that costs most."""
    text = f"It meets the goal in {percent(part['share'])} of {part['draws']} draws"
    followed = part["share_by_derivatives"]
    if followed is not None and abs(followed - part["share"]) >= WORTH_TELLING:
        text += f" ({percent(followed)} by the first derivatives that the search follows)"
    for failure in part["failures"][:1]:
        text += f"; what fails most often is the {failure['what']} ({percent(failure['share'])})"
    for source in part["sources"][:1]:
        if source["share_without"] > part["share"]:
            text += f"; costliest source of error: {source['source']} ({percent(source['share_without'])} without it)"
    return text + "."


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


def risk_warnings(confidence: float, reliability: Reliability) -> tuple[str, ...]:
    """What is to be said of a program that meets the goal as it was asked, but on the instrument may well not."""
    share = reliability.share
    if falls_short(confidence, reliability):
        return (
            f"Holds in {percent(share)} of draws, not in the {100 * confidence:g} % that were asked for: draws that "
            "were simulated outright hold less often than the first derivatives that the search follows.",
        )
    if confidence > 0 or share >= RISKY:
        return ()
    return (
        f"Likely to fail: everything asked holds in only {percent(share)} of draws. It is the fastest program, not the "
        "safest; with confidence = 0.9 under [goal] the search looks for one that holds in 90 % of them.",
    )


def falls_short(confidence: float, reliability: Reliability) -> bool:
    """Whether the draws, some of them simulated outright, hold clearly less often than was asked for."""
    return confidence > 0 and reliability.share < confidence - LESS_THAN_ASKED


def costs(reliability: Reliability) -> list[tuple[str, str]]:
    """Sources of error that cost anything, beside the share of draws that would hold without each."""
    costly = [source for source in reliability.sources if source.share_without > reliability.share]
    return [(source.text, percent(source.share_without)) for source in costly[:LISTED]]


def failures(reliability: Reliability) -> list[tuple[str, str]]:
    """What fails beside the share of draws in which it does."""
    return [(what, percent(share)) for what, share in reliability.failures[:LISTED]]


def reliability_cells(candidate: Candidate) -> tuple[str | float | None, ...]:
    """What fails most often, in what share of draws, the costliest source and the share without it; for a table."""
    what: Sequence[str | float | None] = (None, None)
    source: Sequence[str | float | None] = (None, None)
    if candidate.reliability.failures:
        text, share = candidate.reliability.failures[0]
        what = text, number(share, 3)
    if candidate.reliability.sources:
        costliest = candidate.reliability.sources[0]
        source = costliest.text, number(costliest.share_without, 3)
    return (*what, *source)
