"""What time may have been meant by a mistyped one."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from models.units import SECONDS_PER_MINUTE

DECIMALS = 4  # of a retention time in minutes
NEAR = 3.0  # standard deviations from the expected time within which a time may have been meant
CHANCE = 0.2  # probability of a plausible slip by accident, above which it tells nothing


@dataclass(frozen=True)
class Slip:
    """The time [s] probably meant; `telling` when it is unlikely to come out as near by accident."""

    time: float
    telling: bool


def intended_time(time: float, expected: float, error: float) -> Slip | None:
    """The time that differs from a given one by one slip of typing and is where it is expected [s].

    None when there is none, or when several would do.
    """
    text = f"{time / SECONDS_PER_MINUTE:.{DECIMALS}f}".rstrip("0")
    for kind in (_moved_digits, _other_digit):  # the likelier first: of these there are only a few
        given = sorted({value * SECONDS_PER_MINUTE for value in kind(text)})
        near = [value for value in given if abs(value - expected) < NEAR * error]
        if not near:
            continue
        best = min(near, key=lambda value: abs(value - expected))
        # Slips of the last digits lie close together: then any time has one near by, and it says nothing.
        if any(value != best and abs(value - expected) < 2 * abs(best - expected) + error for value in near):
            return None
        # Were the expected time anywhere within twice its distance, how often would a slip come to lie near it?
        reach = 2 * abs(time - expected)
        chance = sum(abs(value - time) < reach for value in given) * NEAR * error / reach
        return Slip(best, chance < CHANCE)
    return None


def _moved_digits(text: str) -> Iterator[float]:
    """Two neighbouring digits exchanged, or the point one place off."""
    for i in range(len(text) - 1):
        j = i + 2 if text[i + 1] == "." else i + 1
        if text[i] != "." and j < len(text) and text[j] != text[i]:
            yield float(text[:i] + text[j] + text[i + 1 : j] + text[i] + text[j + 1 :])
    yield float(text) * 10
    yield float(text) / 10


def _other_digit(text: str) -> Iterator[float]:
    """One digit another."""
    for i, digit in enumerate(text):
        if digit != ".":
            for other in "0123456789":
                if other != digit:
                    yield float(text[:i] + other + text[i + 1 :])
