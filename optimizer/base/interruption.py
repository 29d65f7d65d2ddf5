"""Ctrl-C and what else ends a process from outside: nothing is left half done."""

from __future__ import annotations

import _thread
import _weakrefset
import signal
import sys
import threading
import weakref
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from contextvars import ContextVar
from types import FrameType

# SIGTERM is what schedulers and service managers send, SIGHUP what a closed terminal does.
_NAMES = ("SIGINT", "SIGTERM", "SIGHUP")
# Functions that no exception comes out of, the last two of llvmlite.
SWALLOWING = ("__del__", "_raw_object_cache_notify", "_raw_object_cache_getbuffer")
WEAK = (weakref.__file__, _weakrefset.__file__)
AGAIN = 0.01  # s after which a signal comes again that met what no exception comes out of
_last: int | None = None
_unraisable = sys.__unraisablehook__  # who hears of all else that no exception comes out of
_signalled = 0  # how many there have been
_event: ContextVar[threading.Event | None] = ContextVar("set by another thread to stop", default=None)


def stop_on_signals() -> None:
    """From now on every such signal raises KeyboardInterrupt, unless whoever started the process has it ignored."""
    global _last, _unraisable
    _last = None
    if sys.unraisablehook is not _come_again:
        _unraisable, sys.unraisablehook = sys.unraisablehook, _come_again
    for number in _signals():
        if signal.getsignal(number) != signal.SIG_IGN:
            signal.signal(number, _stop)


def stopped() -> int:
    """Say so, and the status a shell expects then: 130 after Ctrl-C, 143 after SIGTERM."""
    sys.stderr.write("rampwright: stopped before the end; nothing was left half written\n")
    return 128 + (signal.SIGINT if _last is None else _last)


def was_stopped() -> bool:
    """Whether a signal has asked this process to stop."""
    return _last is not None


def signals_so_far() -> int:
    """How many signals have asked this process to stop.

    A KeyboardInterrupt is lost when it meets code that no exception comes out of, such as finalizers and parts of
    compiled modules; what runs for long compares this number from time to time.
    """
    return _signalled


@contextmanager
def stopped_by(event: threading.Event | None) -> Iterator[None]:
    """Within, an event that another thread sets stops what runs, as a Ctrl-C does."""
    before = _event.set(event)
    try:
        yield
    finally:
        _event.reset(before)


def stop_if_asked() -> None:
    """Raise KeyboardInterrupt if another thread has asked for it; called by what is repeated many times a second."""
    event = _event.get()
    if event is not None and event.is_set():
        raise KeyboardInterrupt


@contextmanager
def postponed(
    patience: int | None = None, told: Callable[[], None] | None = None
) -> Iterator[Callable[[], bool]]:
    """Within, signals and calls to stop are noted and otherwise without effect; yields whether there has been one.

    Parameters
    ----------
    patience : how many are noted; the next one raises KeyboardInterrupt. None: all of them, which is for what takes
        milliseconds and must not be left half done.
    told : called at each noted one, to say what is still being done
    """
    noted: list[int] = []

    def note(number: int, frame: FrameType | None) -> None:
        _remember(number)
        noted.append(number)
        if patience is not None and len(noted) > patience:
            raise KeyboardInterrupt
        if told is not None:
            told()

    before = {}
    if threading.current_thread() is threading.main_thread():  # only there may handlers be set
        for number in _signals():
            if callable(signal.getsignal(number)):  # not where it is ignored, or ends the process at once
                before[number] = signal.signal(number, note)
    event = _event.get()
    try:
        with stopped_by(None):
            yield lambda: bool(noted) or (event is not None and event.is_set())
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


@contextmanager
def undisturbed() -> Iterator[None]:
    """Within, a first Ctrl-C waits, and is raised afterwards; a second one does not wait.

    For what no exception comes out of, as from callbacks of weak references or the tables that scipy reads for its
    Sobol numbers: a Ctrl-C that meets it would be lost, with a traceback on stderr.
    """
    with postponed(1) as stop_asked:
        yield
    if stop_asked():
        raise KeyboardInterrupt


def finishing() -> AbstractContextManager[Callable[[], bool]]:
    """While results are drawn and written: a first Ctrl-C lets that come to its end, a second one does not."""
    return postponed(1, _say_so)


def _say_so() -> None:
    sys.stderr.write(
        "rampwright: stopping; what was found is still being written (Ctrl-C again: not even that)\n"
    )


def _signals() -> list[signal.Signals]:
    return [getattr(signal, name) for name in _NAMES if hasattr(signal, name)]


def _stop(number: int, frame: FrameType | None) -> None:
    if _swallows(frame):
        _again(number)
        return
    _remember(number)
    raise KeyboardInterrupt


def _come_again(lost: sys.UnraisableHookArgs) -> None:
    """For a KeyboardInterrupt that was raised where no exception comes out and `_swallows` does not know of."""
    if lost.exc_type is KeyboardInterrupt and _last is not None:
        _again(_last)
    else:
        _unraisable(lost)


def _again(number: int) -> None:
    timer = threading.Timer(AGAIN, _thread.interrupt_main, (number,))
    timer.daemon = True
    timer.start()


def _swallows(frame: FrameType | None) -> bool:
    """Whether no exception comes out of what runs: a finalizer, a callback of a weak reference or of LLVM."""
    while frame is not None:
        if frame.f_code.co_name in SWALLOWING or frame.f_code.co_filename in WEAK:
            return True
        frame = frame.f_back
    return False


def _remember(number: int) -> None:
    global _last, _signalled
    _last = number
    _signalled += 1
