"""Errors that the person who wrote a scenario is meant to read."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from typing import Any

from models.errors import RampwrightError

SHOWN = 5  # more lines than this bury the first one, and later ones often follow from it
_OPTION = re.compile(r"--([a-z][A-Za-z]*(?:-[A-Za-z]+)*)")
_options_meant: ContextVar[bool] = ContextVar("options_meant", default=False)
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


class UnnamedPeaks(ScenarioError):
    """A run whose peaks have no names yet.

    Attributes
    ----------
    proposal : dict, the names proposed for them, as `rampwright compare --json` prints them
    """

    def __init__(self, problem: str, proposal: dict[str, Any]) -> None:
        super().__init__(problem)
        self.proposal = proposal


@contextmanager
def options_meant() -> Iterator[None]:
    """Work for the command line, whose messages speak of options."""
    before = _options_meant.set(True)
    try:
        yield
    finally:
        _options_meant.reset(before)


@contextmanager
def as_arguments() -> Iterator[None]:
    """Messages that speak of options of the command line speak of arguments instead, unless options are meant."""
    try:
        yield
    except RampwrightError as error:
        if not _options_meant.get():
            if isinstance(error, ScenarioError):
                error.problems = tuple(map(_argument_names, error.problems))
            error.args = tuple(_argument_names(str(each)) for each in error.args)
        raise


def _argument_names(text: str) -> str:
    return _OPTION.sub(lambda found: found[1].replace("-", "_"), text)


def fit_to_show(problem: str) -> str:
    """A problem of bounded length and without commands to a screen: what it quotes may be anything. Line ends stay."""
    if "\n" in problem:
        return "\n".join(map(fit_to_show, problem.split("\n")))
    if len(problem) > HEAD + TAIL:
        problem = f"{problem[:HEAD]} [...] {problem[-TAIL:]}"
    return "".join(c if _is_seen(c) else c.encode("unicode_escape").decode("ascii") for c in problem)


def _is_seen(character: str) -> bool:
    return character.isprintable() or unicodedata.category(character) == "Zs"
