"""What all results of the interface have, and the one of them that nothing is computed for."""

from __future__ import annotations

import json
from abc import ABC, abstractmethod
from dataclasses import dataclass
from functools import cached_property
from os import PathLike, fspath
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar

from models.errors import InvalidInputError
from optimizer import __version__
from optimizer.base.mark import mark_of, marked
from optimizer.base.output import OutputError, write_folder
from optimizer.results.documents import Document, check_document
from optimizer.scenario.data import Scenario

if TYPE_CHECKING:
    from rich.console import Console


class Result(ABC):
    """A result as a document, and as the files that its command leaves behind."""

    command: ClassVar[str]  # that writes such files

    @abstractmethod
    def to_dict(self) -> Document:
        """The document that the command prints with --json: trade units, None where there is no number."""

    @cached_property
    def mark(self) -> str:
        """Six characters that every file carries; they follow from the version, the inputs and the document."""
        return mark_of(
            __version__.encode(), *map(_inputs_as_bytes, self._inputs()), _as_bytes(self.to_dict())
        )

    def files(self) -> dict[str, bytes]:
        """Names and contents of the files that the command writes with --out; pictures are drawn now."""
        return marked(self._files(), self.mark)

    def save(self, folder: str | PathLike[str], force: bool = False) -> None:
        """Write these files into a folder, all or none.

        Parameters
        ----------
        force : whether files are replaced that are not the command's own; their content is kept as NAME.old

        Raises
        ------
        OutputError : when the folder cannot be written, or holds a file of such a name that is not the command's own
        """
        if not fspath(folder):
            raise OutputError("an empty text names no folder; give its name, or . for the one you are in")
        write_folder(Path(folder), self.files(), self.command, self.mark, force)

    @abstractmethod
    def _inputs(self) -> tuple[Scenario, ...]:
        """What it was made of, beside what its document says."""

    def _files(self) -> dict[str, bytes]:
        """The files without their mark."""
        raise InvalidInputError(f"{type(self).__name__} leaves no files; to_dict holds all there is")


def _inputs_as_bytes(scenario: Scenario) -> bytes:
    """All that a scenario states, with the peaks of its runs."""
    tables = [run.peaks for run in scenario.runs]
    peaks = [each.tobytes() for table in tables for each in (table.retention, table.width_half, table.area)]
    return _as_bytes(check_document(scenario)) + b"".join(peaks)


def _as_bytes(document: Document) -> bytes:
    return json.dumps(document, sort_keys=True).encode()


@dataclass(frozen=True, eq=False)
class Checked(Result):
    """The inputs of a scenario."""

    scenario: Scenario

    @property
    def warnings(self) -> tuple[str, ...]:
        """What is allowed but should be known."""
        return self.scenario.warnings

    def _inputs(self) -> tuple[Scenario, ...]:
        return (self.scenario,)

    def show(self, console: Console) -> None:
        """As the command prints it for people."""
        from optimizer.show.console.common import show_check

        show_check(console, self.scenario)

    def to_dict(self) -> Document:
        """As `rampwright check --json`."""
        return check_document(self.scenario)
