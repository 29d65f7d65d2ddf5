"""Pairs of compounds in pictures: letters where they belong, and a key that spells them out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from models.column.programs import Array
from optimizer.show.pictures.label_placement import shortened

Index = NDArray[np.intp]

LONGEST_NAME = 26  # characters, so that two names fit into half a page
NO_PAIR = -1


@dataclass(frozen=True)
class PairLetters:
    """Which pair is critical where, and what the pairs are called.

    Attributes
    ----------
    which : (N,) number of the critical pair, `NO_PAIR` where there is none
    letters : the letter of each pair, the most frequent first
    names : two compounds a pair
    """

    which: Index
    letters: tuple[str, ...]
    names: tuple[tuple[str, str], ...]

    def key(self, most: int) -> tuple[str, ...]:
        """One line a pair; those beyond `most` are counted in the last line."""
        lines = [f"{letter}   {a} and {b}" for letter, (a, b) in zip(self.letters, self.names, strict=True)]
        if len(lines) <= most:
            return tuple(lines)
        return (*lines[: most - 1], f"{len(lines) - most + 1} further pairs: see sweep.csv")


def pair_letters(pairs: Index, compounds: Sequence[str]) -> PairLetters:
    """Letters for critical pairs (N, 2), -1 where there is none; a pair is the same in either order of elution."""
    ordered = np.sort(pairs, axis=1)
    distinct, inverse, counts = np.unique(ordered, axis=0, return_inverse=True, return_counts=True)
    real = [i for i in np.argsort(-counts, kind="stable") if distinct[i, 0] >= 0]
    number = np.full(len(distinct), NO_PAIR, dtype=np.intp)
    number[real] = np.arange(len(real))
    names = tuple(
        (_named(compounds, int(distinct[i, 0])), _named(compounds, int(distinct[i, 1]))) for i in real
    )
    return PairLetters(number[inverse.ravel()], tuple(_letter(i) for i in range(len(real))), names)


def _letter(number: int) -> str:
    """A to Z, then AA, AB, ..."""
    ahead, last = divmod(number, 26)
    return (_letter(ahead - 1) if ahead else "") + chr(ord("A") + last)


def _named(compounds: Sequence[str], at: int) -> str:
    from optimizer.show.pictures.chromatograms import drawable  # loads matplotlib

    name = shortened(compounds[at], LONGEST_NAME)
    return name if drawable(name) else f"compound {at + 1}"


def stretches(which: Index) -> list[tuple[int, int, int]]:
    """Stretches of equal numbers: number, first and last position."""
    edges = [0, *(np.flatnonzero(np.diff(which)) + 1), len(which)]
    return [(int(which[start]), int(start), int(end) - 1) for start, end in pairwise(edges)]


def bounds(values: Array, first: int, last: int) -> tuple[float, float]:
    """Ends of a stretch of positions: half way to the neighbouring values, or the ends of the range."""
    low = values[first] if first == 0 else (values[first - 1] + values[first]) / 2
    high = values[last] if last == len(values) - 1 else (values[last] + values[last + 1]) / 2
    return float(low), float(high)
