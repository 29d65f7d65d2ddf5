"""What a sweep says in words, at a terminal and in pictures."""

from __future__ import annotations

from collections.abc import Sequence


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
