"""The name that another one is probably a misspelling of, among thousands."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from difflib import SequenceMatcher
from functools import cached_property

import numpy as np
from numpy.typing import NDArray


class Lookalikes:
    """Names that others are compared with, case aside.

    Likeness is that of difflib: twice the letters in common blocks over the letters of both. How often each letter
    occurs in both bounds it from above, for all names at once, so that few are compared letter by letter.
    """

    def __init__(self, names: Iterable[str]) -> None:
        self._spellings: dict[str, list[str]] = {}
        for name in dict.fromkeys(names):
            self._spellings.setdefault(name.casefold(), []).append(name)

    def __contains__(self, name: str) -> bool:
        return name in self._spellings.get(name.casefold(), ())

    def nearest(self, word: str, cutoff: float = 0.6) -> str | None:
        """The name most like `word`, itself left out, of a likeness of at least `cutoff`; or None.

        Of equally alike names it is the last in the alphabet.
        """
        folded = word.casefold()
        names = list(self._spellings)
        bounds = self._bounds(folded)
        matcher = SequenceMatcher(b=folded)
        best: tuple[float, str] = (cutoff, "")
        found: str | None = None
        candidates = np.flatnonzero(bounds >= cutoff)
        for at in candidates[np.argsort(-bounds[candidates], kind="stable")]:
            if bounds[at] < best[0]:
                break
            each = names[at]
            other = next((name for name in self._spellings[each] if name != word), None)
            matcher.set_seq1(each)
            if other is not None and (matcher.ratio(), each) >= best:
                best, found = (matcher.ratio(), each), other
        return found

    def _bounds(self, folded: str) -> NDArray[np.float64]:
        """The largest likeness each name can have by its letters alone."""
        lengths, counts = self._letters
        shared = np.zeros(lengths.size)
        for letter, count in Counter(folded).items():
            if letter in counts:
                shared += np.minimum(counts[letter], count)
        return 2.0 * shared / np.maximum(lengths + len(folded), 1)

    @cached_property
    def _letters(self) -> tuple[NDArray[np.intp], dict[str, NDArray[np.intp]]]:
        """Of each name its length and how often each letter occurs."""
        counts: dict[str, NDArray[np.intp]] = {}
        for at, folded in enumerate(self._spellings):
            for letter, count in Counter(folded).items():
                counts.setdefault(letter, np.zeros(len(self._spellings), np.intp))[at] = count
        return np.array([len(each) for each in self._spellings], np.intp), counts
