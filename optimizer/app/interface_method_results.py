"""Further results of the interface: of sweeping, adapting, comparing and scouting, each with what its command made."""

from __future__ import annotations

import copy
from dataclasses import dataclass
from typing import TYPE_CHECKING

from models.errors import InvalidInputError
from optimizer.app.interface_results import Result
from optimizer.goal.outcome import Candidate
from optimizer.results.documents import Document

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from optimizer.app.compare_command import Made as CompareMade
    from optimizer.app.scout_command import Made as ScoutMade


@dataclass(frozen=True, eq=False)
class Compared(Result):
    """A confirmation run held against its prediction."""

    command = "compare"
    made: CompareMade

    @property
    def verdict(self) -> str:
        """holds, unresolved, unconfirmed, drifts, misnamed or departs; docs/results.md says what each means."""
        return str(self.made.document["verdict"])

    @property
    def tuned(self) -> Candidate | None:
        """The best program of the search with this run in the fit; None without one."""
        return self.made.tuned

    def to_dict(self) -> Document:
        """As `rampwright compare --json`."""
        return copy.deepcopy(self.made.document)

    def files(self) -> dict[str, bytes]:
        """compare.json, compare.csv, compare.html, the picture, and programs and the run to go on with."""
        return self.made.files()

    def figure(self) -> Figure:
        """The run mirrored beneath its prediction."""
        from optimizer.show.pictures.compare import compared_figure

        return compared_figure(self.made.compared)


@dataclass(frozen=True, eq=False)
class Scouted(Result):
    """Which scouting run to make next, or the first two."""

    command = "scout"
    made: ScoutMade

    @property
    def to_paste(self) -> str | None:
        """The suggested runs as text for scenario.toml; None when no run is worth it."""
        text: str | None = self.made.document["to_paste"]
        return text

    def to_dict(self) -> Document:
        """As `rampwright scout --json`."""
        return copy.deepcopy(self.made.document)

    def files(self) -> dict[str, bytes]:
        """scout.json, scout.toml and, of a next run, the picture."""
        return self.made.files()

    def figure(self) -> Figure:
        """What each possible run is expected to leave of the variance of the critical resolutions.

        Raises
        ------
        InvalidInputError : where no runs were weighed against each other
        """
        from optimizer.show.pictures.scout import scout_figure

        if self.made.document["job"] == "first runs" or not self.made.document["runs"]:
            raise InvalidInputError("no possible runs were weighed against each other; to_dict says why")
        return scout_figure(self.made.document)
