"""Processes that work for this one, each on what it is given, and answer as they go.

Started afresh and fed through pipes, so that it makes no difference how this process was started, what its main module
does when imported, or which platform it is on. A worker ends when its pipe closes: none outlives the one that began it.
"""

from __future__ import annotations

import importlib
import os
import pickle
import queue
import signal
import subprocess
import sys
import threading
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import suppress
from typing import IO, Any, Protocol

from models import cores as available
from models.cores import ONE_THREAD
from models.errors import RampwrightError

Work = Callable[
    [Any, Iterator[Any]], Iterator[Any]
]  # from what is given and orders, as they come, to answers


class LostWorkerError(RampwrightError):
    """A process that worked for this one has ended by itself."""


MOST = 4  # of a search that have anything to do
_early: list[subprocess.Popen[bytes]] = []  # begun before there is work for them


class Workers(Protocol):
    """Those that work, by number."""

    def order(self, worker: int, order: Any) -> None:
        """Give an order to a worker."""

    def answer(self, seconds: float) -> tuple[int, Any] | None:
        """The next answer and whose it is; None when there is none in so many seconds."""

    def end(self) -> None:
        """End them at once."""


class Here:
    """One worker, in this process: it works while its answer is awaited."""

    def __init__(self, work: Work, given: Any) -> None:
        self._orders: deque[Any] = deque()
        self._answers = work(given, iter(self._orders.popleft, None))

    def order(self, worker: int, order: Any) -> None:
        self._orders.append(order)

    def answer(self, seconds: float) -> tuple[int, Any] | None:
        return 0, next(self._answers)

    def end(self) -> None:
        pass


class Apart:
    """Workers in processes of their own."""

    def __init__(self, work: Work, given: list[Any]) -> None:
        self._answers: queue.SimpleQueue[tuple[int, Any]] = queue.SimpleQueue()
        self._processes: list[subprocess.Popen[bytes]] = []
        self._ended = False
        try:
            for _ in given:
                self._processes.append(_early.pop() if _early else _started())
            for number, each in enumerate(given):
                self.order(number, (work, each))
                threading.Thread(target=self._listen, args=(number,), daemon=True).start()
        except BaseException:
            self.end()
            raise

    def order(self, worker: int, order: Any) -> None:
        with suppress(OSError):  # a worker that is no more is found out where its answer is awaited
            _send(self._processes[worker].stdin, order)

    def answer(self, seconds: float) -> tuple[int, Any] | None:
        try:
            worker, answer = self._answers.get(timeout=max(seconds, 0.0))
        except queue.Empty:
            return None
        if isinstance(answer, BaseException):
            raise answer
        return worker, answer

    def end(self) -> None:
        self._ended = True
        _end(self._processes)

    def _listen(self, worker: int) -> None:
        process = self._processes[worker]
        assert process.stdout is not None
        with suppress(EOFError, OSError, pickle.UnpicklingError), process.stdout as answers:
            while True:
                self._answers.put((worker, pickle.load(answers)))
        if not self._ended:
            status = process.wait()
            self._answers.put(
                (
                    worker,
                    LostWorkerError(
                        f"a process of the search ended by itself (status {status}); is there enough memory? "
                        "--cores 1 needs the least"
                    ),
                )
            )


def start_early(cores: int | None, module: str) -> None:
    """Begin a process for each core, or all there are, that imports a module: the next workers are these."""
    count = min(cores or available.cores_here(), MOST)
    if can_be_started() and count > 1:
        _early.extend(_started(module) for _ in range(count - len(_early)))


def end_early() -> None:
    """End those for which there was no work."""
    _end(_early)
    _early.clear()


def _end(processes: list[subprocess.Popen[bytes]]) -> None:
    for process in processes:
        process.kill()
    for process in processes:
        process.wait()
        with suppress(OSError):  # what was still to be written to it
            if process.stdin is not None:
                process.stdin.close()


def can_be_started() -> bool:
    """Whether there is a Python to start: a program that embeds it may have none."""
    return bool(sys.executable) and not getattr(sys, "frozen", False)


def _started(*module: str) -> subprocess.Popen[bytes]:
    """A process that runs this module, deaf to the terminal's Ctrl-C: whoever started it ends it."""
    path = os.pathsep.join(os.path.abspath(each) for each in sys.path)
    apart: dict[str, Any] = {"start_new_session": True}
    if sys.platform == "win32":
        apart = {"creationflags": subprocess.CREATE_NEW_PROCESS_GROUP}
    return subprocess.Popen(
        [sys.executable, "-P", "-m", "optimizer.base.processes", *module],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        env={**ONE_THREAD, **os.environ, "PYTHONPATH": path},
        **apart,
    )


def _send(stream: IO[bytes] | None, message: Any) -> None:
    assert stream is not None
    pickle.dump(message, stream, pickle.HIGHEST_PROTOCOL)
    stream.flush()


def _serve() -> None:
    """What a worker does: the first message is its work and what that is given, the others are orders."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    answers = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # nothing that is printed gets between the answers
    for module in sys.argv[1:]:  # before messages are read, which import it too
        importlib.import_module(module)
    messages: queue.SimpleQueue[Any] = queue.SimpleQueue()
    threading.Thread(target=_listen_to_parent, args=(messages,), daemon=True).start()
    work, given = messages.get()
    try:
        for answer in work(given, iter(messages.get, None)):
            _send(answers, answer)
    except Exception as error:
        _send(answers, error)


def _listen_to_parent(messages: queue.SimpleQueue[Any]) -> None:
    """Pass messages on, and end the process when there can be no more."""
    try:
        with suppress(EOFError, OSError):
            while True:
                messages.put(pickle.load(sys.stdin.buffer))
    finally:
        os._exit(1)


if __name__ == "__main__":
    _serve()
