"""A further result of the interface: of comparing."""

from __future__ import annotations

import copy
from dataclasses import dataclass
from typing import TYPE_CHECKING

from optimizer.app.interface_results import Result
from optimizer.goal.outcome import Candidate
from optimizer.results.documents import Document

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from optimizer.app.compare_command import Made as CompareMade


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
