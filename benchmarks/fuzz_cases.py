"""One case of `benchmarks.fuzz`: spoilt files given to a reader, and what is wrong with how that ended."""

from __future__ import annotations

import contextlib
import io
import random
import signal
import sys
import traceback
import warnings
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from benchmarks.mutations import mutated
from models.errors import RampwrightError

LIMIT = 120.0  # s for one case, after which it is taken to hang; reading takes milliseconds, a fit seconds
LONGEST_MESSAGE = 4000  # characters; five lines of a few hundred each
MOST_LINES = 6
MOST_MEMORY = 1e9  # bytes by which one case may raise what this process has held at once
DEEPER = 15  # every so manieth file that can be read is fitted and predicted as well

Spoil = Callable[[random.Random, Mapping[str, bytes]], tuple[dict[str, bytes], list[str]]]


@dataclass(frozen=True)
class Kind:
    """One reader: the sound files it is given, how it is called on the folder that holds them, how they are spoilt."""

    name: str
    files: Mapping[str, bytes]
    read: Callable[[Path], object]
    spoil: Spoil = mutated
    limit: float = LIMIT  # s


class TooLong(BaseException):
    """A case took longer than its limit."""


def chosen(*of: object) -> bool:
    """Whether to go deeper: one in `DEEPER`, the same ones whenever they come."""
    return random.Random(repr(of)).randrange(DEEPER) == 0


def finding(kind: Kind, files: Mapping[str, bytes], folder: Path) -> tuple[str, str | None]:
    """How one case ended ("read", "refused" or "failed"), and what is wrong with that, if anything."""
    for name, content in files.items():
        (folder / name).write_bytes(content)
    out, held = io.StringIO(), _most_held()
    with contextlib.redirect_stderr(out), contextlib.redirect_stdout(out):
        end, wrong = _ended(kind, files, folder)
    if wrong is None and out.getvalue():
        return end, f"wrote {out.getvalue()!r}"
    if wrong is None and _most_held() - held > MOST_MEMORY:
        return "failed", f"held {(_most_held() - held) / 1e9:.1f} GB more than all cases before"
    return end, wrong


def _ended(kind: Kind, files: Mapping[str, bytes], folder: Path) -> tuple[str, str | None]:
    try:
        with _within(kind.limit), warnings.catch_warnings():
            warnings.simplefilter("error")
            # Older versions use what has since been renamed in packages beneath them.
            warnings.filterwarnings("ignore", category=DeprecationWarning, module="matplotlib")
            kind.read(folder)
    except RampwrightError as error:
        return "refused", _wrong_message(str(error), folder, files)
    except TooLong:
        return "failed", f"took longer than {kind.limit:g} s\n{traceback.format_exc(limit=-6)}"
    except Exception:
        return "failed", traceback.format_exc(limit=-6)
    return "read", None


def _most_held() -> float:
    """Memory that this process has held at once, in bytes; 0 where the system does not tell."""
    try:
        import resource
    except ImportError:
        return 0.0
    unit = 1 if sys.platform == "darwin" else 1024
    return float(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * unit)


def _wrong_message(message: str, folder: Path, files: Mapping[str, bytes]) -> str | None:
    lines = message.split("\n")
    if not message.strip() or len(lines) > MOST_LINES or len(message) > LONGEST_MESSAGE:
        return f"message of {len(lines)} lines, {len(message)} characters: {message[:300]!r}"
    if str(folder) not in lines[0]:
        return f"message names no file: {message!r}"
    bad = next((c for c in message if not (c.isprintable() or c == "\n" or c == "\u00a0")), None)
    return None if bad is None else f"message holds the character {bad!r}: {message[:300]!r}"


@contextlib.contextmanager
def _within(seconds: float) -> Iterator[None]:
    """End what takes longer; where the system has no such timer, nothing is ended."""
    if not hasattr(signal, "setitimer"):
        yield
        return

    def over(*_: object) -> None:
        raise TooLong

    before = signal.signal(signal.SIGALRM, over)
    signal.setitimer(signal.ITIMER_REAL, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before)
