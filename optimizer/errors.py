"""Errors that the person who wrote a scenario is meant to read."""

from __future__ import annotations

from collections.abc import Sequence

from models.errors import RampwrightError

SHOWN = 5  # more lines than this bury the first one, and later ones often follow from it


class ScenarioError(RampwrightError):
    """A scenario, peak table or program file that cannot be used as it stands.

    Attributes
    ----------
    problems : tuple of str, one sentence each, starting with the file
    """

    def __init__(self, problems: str | Sequence[str]) -> None:
        self.problems = (problems,) if isinstance(problems, str) else tuple(problems)
        lines = list(self.problems[:SHOWN])
        hidden = len(self.problems) - SHOWN
        if hidden > 0:
            lines.append(f"... and {hidden} more; mend these first")
        super().__init__("\n".join(lines))
