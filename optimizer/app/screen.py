"""What commands put on the screen: a document for programs or for people, and how far a search is."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

if TYPE_CHECKING:
    from rich.console import Console


class Finished(Protocol):
    """What commands end with."""

    @property
    def mark(self) -> str:
        """That its files carry."""

    def save(self, folder: Path, force: bool = False) -> None:
        """Its files into a folder."""

    def to_dict(self) -> dict[str, Any]:
        """For programs."""

    def show(self, console: Console) -> None:
        """For people."""


def console() -> Console:
    """Where people read results."""
    from rich.console import Console

    # Off a terminal nothing is cut: what reads a pipe has no width.
    return Console(highlight=False, width=None if sys.stdout.isatty() else 160)


def print_json(document: dict[str, Any]) -> None:
    """One JSON document on stdout."""
    sys.stdout.write(json.dumps(document, ensure_ascii=False, allow_nan=False, indent=1) + "\n")


def show(document: dict[str, Any], as_json: bool, for_people: Any) -> None:
    """A document as JSON, or as `for_people` writes it to a console."""
    if as_json:
        print_json(document)
    else:
        for_people(console(), document)


def finish(result: Finished, out: Path | None, force: bool, as_json: bool) -> None:
    """A result's files into a folder, if one is named, then the result as JSON, or as people read it."""
    if out is not None:
        result.save(out, force)
    if as_json:
        print_json({"result_mark": result.mark, **result.to_dict()})
        return
    screen = console()
    result.show(screen)
    if out is not None:
        screen.print(f"Written into {out}, every file with the result mark {result.mark}.", markup=False)


def never_fail_to_encode() -> None:
    """A screen or pipe that knows no µ gets an escape in its place, not a traceback."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")


class ProgressBar:
    """A progress bar on stderr, when that is a terminal; a callable taking a share and a text."""

    def __enter__(self) -> ProgressBar:
        from rich.console import Console
        from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

        self.bar = Progress(
            BarColumn(), TimeElapsedColumn(), TextColumn("{task.description}"), console=Console(stderr=True)
        )
        self.task = self.bar.add_task("fitting", total=1.0)
        self.bar.start()
        return self

    def __call__(self, share: float, text: str) -> None:
        self.bar.update(self.task, completed=share, description=text)

    def __exit__(self, *exc: object) -> None:
        self.bar.stop()


class _Said:
    """Whether something that is said once has been said."""

    compiling = False


def say_compiling(kept: bool) -> None:
    """Why the first run is slow; once, although values and slopes are compiled one after the other."""
    if not _Said.compiling:
        why = "once" if kept else "for this run alone, as no folder to keep it in can be written"
        sys.stderr.write(f"rampwright: compiling the engine, {why} (half a minute)\n")
    _Said.compiling = True
