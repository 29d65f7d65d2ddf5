"""Errors that the person who wrote a scenario is meant to read."""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence

from models.errors import RampwrightError

SHOWN = 5  # more lines than this bury the first one, and later ones often follow from it
HEAD, TAIL = 500, 250  # characters kept of a longer line: what is wrong stands first, what to do last


class ScenarioError(RampwrightError):
    """A scenario, peak table or program file that cannot be used as it stands.

    Attributes
    ----------
    problems : tuple of str, one sentence each, starting with the file
    """

    def __init__(self, problems: str | Sequence[str]) -> None:
        self.problems = tuple(map(fit_to_show, (problems,) if isinstance(problems, str) else problems))
        lines = list(self.problems[:SHOWN])
        hidden = len(self.problems) - SHOWN
        if hidden > 0:
            lines.append(f"... and {hidden} more; correct these first")
        super().__init__("\n".join(lines))


def fit_to_show(problem: str) -> str:
    """A problem of bounded length and without commands to a screen: what it quotes may be anything. Line ends stay."""
    if "\n" in problem:
        return "\n".join(map(fit_to_show, problem.split("\n")))
    if len(problem) > HEAD + TAIL:
        problem = f"{problem[:HEAD]} [...] {problem[-TAIL:]}"
    return "".join(c if _is_seen(c) else c.encode("unicode_escape").decode("ascii") for c in problem)


def _is_seen(character: str) -> bool:
    return character.isprintable() or unicodedata.category(character) == "Zs"
