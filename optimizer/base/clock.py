"""The clock that the budget of a search is held against: seconds that pass, or rounds that are done.

Benchmarks on a machine with other work count the processor's time in place of the seconds that pass.

A round is a descent or a population of the search, on any island, with its share of the programs screened for starts;
on the front between time and resolution a descent, a climb or a rounding. Where rounds are counted, a search depends on
its input alone.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from time import perf_counter, process_time

Progress = Callable[[float, str], None]  # called with the share of the work done and a line of text
# Of the time that a command took up to its search, what report and pictures take after it (0.65 to 0.9 of its processor
# time) on the same machine under the same load. And the least part of its budget that is left to search.
REPORT, LEAST = 0.8, 0.5
ROUND = 0.125  # s that a round counts for; a power of two, so that no rounding decides on a last one

_rounds: ContextVar[int | None] = ContextVar("rounds done", default=None)  # None where time is what counts
_time: ContextVar[Callable[[], float] | None] = ContextVar("time that counts", default=None)


def wall() -> float:
    """Time [s] since some moment, whatever is counted."""
    return perf_counter()


def now() -> float:
    """What is spent [s] since some moment: time, or rounds where they are counted."""
    done = _rounds.get()
    return (_time.get() or wall)() if done is None else ROUND * done


def left_of(seconds: float, began: float) -> float:
    """What search, rounding and asides get [s] of the budget of a command that began at `began` [s] by `wall`.

    Half of it at least: where all the rest takes longer than the other half, the command does.
    """
    return max(seconds - (1 + REPORT) * (wall() - began), LEAST * seconds)


def rounds_are_counted() -> bool:
    """Whether rounds are what is spent."""
    return _rounds.get() is not None


def round_done() -> None:
    """Say that a round is over."""
    done = _rounds.get()
    if done is not None:
        _rounds.set(done + 1)


@contextmanager
def rounds_counted() -> Iterator[None]:
    """Within, time passes by `ROUND` with each round, and not otherwise."""
    before = _rounds.set(0)
    try:
        yield
    finally:
        _rounds.reset(before)


@contextmanager
def processor_time_counted() -> Iterator[None]:
    """Within, a budget is of this process's work: for searches on one core, whatever else the machine does."""
    before = _time.set(process_time)
    try:
        yield
    finally:
        _time.reset(before)
