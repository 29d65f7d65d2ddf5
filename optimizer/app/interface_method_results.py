"""A further result of the interface: of comparing."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from optimizer.app.interface_results import Result
from optimizer.goal.outcome import Candidate
from optimizer.results.candidate import json_bytes
from optimizer.results.compare import CompareResult, compare_csv, next_files
from optimizer.results.documents import Document

if TYPE_CHECKING:
    from matplotlib.figure import Figure


@dataclass(frozen=True, eq=False)
class Compared(Result):
    """A confirmation run compared with its prediction.

    Attributes
    ----------
    result : optimizer.results.compare.CompareResult, SI: `says`, `peaks`, `refit`, `advice` ..., and `comparison`
    """

    command = "compare"
    result: CompareResult

    @property
    def verdict(self) -> str:
        """holds, unresolved, unconfirmed, drifts, misnamed or departs; docs/results.md says what each means."""
        return self.result.comparison.verdict

    @property
    def tuned(self) -> Candidate | None:
        """The best program of the search with this run in the fit; None without one."""
        return self.result.tuned

    def to_dict(self) -> Document:
        """As `rampwright compare --json`."""
        return self.result.to_dict()

    def files(self) -> dict[str, bytes]:
        """compare.json, compare.csv, compare.html, the picture, and programs and the run to go on with."""
        from optimizer.show.pages.compare import compare_html
        from optimizer.show.pictures.chromatograms import picture

        return {
            "compare.json": json_bytes(self.to_dict()),
            "compare.csv": compare_csv(self.result),
            "compare.html": compare_html(self.result).encode(),
            "compare.png": picture(self.figure(), "png"),
            **next_files(self.result),
        }

    def figure(self) -> Figure:
        """The run mirrored beneath its prediction."""
        from optimizer.show.pictures.compare import compared_figure

        return compared_figure(self.result.comparison)
