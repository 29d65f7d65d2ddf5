"""What a sweep says in words, at a terminal and in pictures."""

from __future__ import annotations

from collections.abc import Sequence

from optimizer.document_numbers import percent


def broken_in_words(limits: Sequence[tuple[str, int]], longest: int = 500) -> str:
    """Which limits are broken, in how many runs each; empty when none is.

    Parameters
    ----------
    limits : names and numbers of runs, the most broken first
    longest : characters; of limits that do not fit it is said how many there are
    """
    if not limits:
        return ""
    parts = [f"{name} ({runs})" for name, runs in limits]
    for shown in range(len(parts), 0, -1):
        more = f" and {len(parts) - shown} more" if shown < len(parts) else ""
        text = f"Limits broken (in so many runs): {', '.join(parts[:shown])}{more}."
        if len(text) <= longest:
            break
    return text


def goal_met(asked: float) -> str:
    """What meeting the goal is, e.g. "goal met in 90 % of draws"; `asked` 0: on the predicted chromatogram alone."""
    return f"goal met in {percent(asked)} of draws" if asked else "goal met"


def share_in_words(share: float, asked: float) -> str:
    """A share of draws in %, with a decimal where it would else read like the share asked for and is below it."""
    short = share < asked and percent(share) == percent(asked)
    return f"{100 * share:.1f} %" if short else percent(share)
