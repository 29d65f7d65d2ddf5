"""What commands put on the screen: a document for programs or for people, and how far a search is."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from models.errors import RampwrightError
from optimizer.base.errors import fit_to_show
from optimizer.base.interruption import stopped, was_stopped

if TYPE_CHECKING:
    from rich.console import Console


DONE, FAILED, WRONG_INPUT, NOT_FEASIBLE = 0, 1, 2, 3  # exit statuses


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


def prepare_streams() -> None:
    """A screen or pipe that knows no µ gets an escape in its place, one that is closed takes all and shows nothing."""
    for name in ("stdout", "stderr"):
        if getattr(sys, name) is None:
            setattr(sys, name, open(os.devnull, "w", encoding="utf-8"))  # noqa: SIM115  # to the end of the process
        if hasattr(stream := getattr(sys, name), "reconfigure"):
            stream.reconfigure(errors="backslashreplace")


@contextmanager
def errors_told() -> Iterator[None]:
    """Within, every error ends the process with one message and its exit status, never with a traceback of ours."""
    try:
        try:
            yield
        finally:
            _write_out()
    except RampwrightError as error:
        sys.stderr.write(f"rampwright: {error}\n")
        sys.exit(WRONG_INPUT)
    except BrokenPipeError:  # whoever read has seen enough
        sys.exit(FAILED)
    except (OSError, MemoryError) as error:
        sys.stderr.write(f"rampwright: {_cause_of(error)}\n")
        sys.exit(FAILED)
    except KeyboardInterrupt:
        sys.exit(stopped())
    except SystemExit as end:  # typer makes one of a Ctrl-C, too
        ended = (DONE, WRONG_INPUT, NOT_FEASIBLE)
        sys.exit(stopped() if was_stopped() and end.code not in ended else end.code)


def _cause_of(error: OSError | MemoryError) -> str:
    """What the machine refused, in one line, and what is kept."""
    if isinstance(error, MemoryError):
        what = "there is not enough memory for this"
    elif error.filename is None:
        what = f"what was to be shown cannot be written ({error.strerror or error})"
    else:
        what = f"{error.filename}: {error.strerror}"
    return fit_to_show(f"{what}; files already in a results folder are whole and stay")


def _write_out() -> None:
    """What still waits for standard output; where that fails, nothing is tried again at the end of the process."""
    try:
        sys.stdout.flush()
    except OSError:
        with suppress(OSError):
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        raise


class ProgressBar:
    """A progress bar on stderr, when that is a terminal; a callable taking a share and a text.

    Without a `first` text it shows from the first call on, so that what is quick has none.
    """

    def __init__(self, first: str | None = "fitting") -> None:
        self.first = first

    def __enter__(self) -> ProgressBar:
        from rich.console import Console
        from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

        self.bar = Progress(
            BarColumn(), TimeElapsedColumn(), TextColumn("{task.description}"), console=Console(stderr=True)
        )
        self.task = self.bar.add_task(self.first or "", total=1.0)
        if self.first is not None:
            self.bar.start()
        return self

    def __call__(self, share: float, text: str) -> None:
        self.bar.update(self.task, completed=share, description=text)
        self.bar.start()

    def __exit__(self, *exc: object) -> None:
        if self.bar.live.is_started:
            self.bar.stop()


class _Said:
    """Whether something that is said once has been said."""

    compiling = False


def say_compiling(kept: bool) -> None:
    """Why the first run is slow; once, although values and slopes are compiled one after the other."""
    if not _Said.compiling:
        why = "once" if kept else "for this run alone, as no folder to keep it in can be written"
        sys.stderr.write(f"rampwright: compiling the engine, {why} (some 15 s)\n")
    _Said.compiling = True
