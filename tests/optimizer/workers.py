"""Work for processes of their own, in a module that imports nothing heavy: each of them imports it."""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable, Iterator
from typing import Any


def echo(given: Any, orders: Iterator[Any]) -> Iterator[Any]:
    """Says which process it is in, then what it is ordered; fails or dies when ordered to."""
    yield os.getpid()
    for order in orders:
        if order == "fail":
            raise ValueError(given)
        if order == "die":
            os._exit(7)
        print("printed on the way")
        yield order


def tells_orders(stop: Any, orders: Iterator[Any]) -> Iterator[Any]:
    """Work that says which process it is in, then what it is ordered."""
    yield {"at_work": True, "share": 0.5, "text": str(os.getpid())}
    yield {"at_work": next(orders) != stop, "text": "stopped", "candidates": [{}]}
    _, folder = next(orders)
    yield {"saved": {"error": f"{folder}: full"}}


def is_deaf(given: Any, orders: Iterator[Any]) -> Iterator[Any]:
    """Work that goes on whatever it is told, as one in the middle of a long step does."""
    for number in range(1_000_000):
        yield {"at_work": True, "share": 0.5, "text": "on", "candidates": [{"number": min(number, 3)}]}
        time.sleep(0.01)


def ends_by_itself(given: Any, orders: Iterator[Any]) -> Iterator[Any]:
    yield {"at_work": True, "share": 0.0, "text": "begun"}
    os._exit(9)


def killed_before(status: int, orders: Iterator[tuple[int, Callable[[], object]]]) -> Iterator[int]:
    """The exit status of a fork that does a work, killed with `status` before one of its operations on files.

    A fork of a process as small as this one takes a few milliseconds. Nothing here waits for a disk.
    """
    os.fsync = lambda fd: None
    for before, work in orders:
        child = os.fork()
        if child == 0:
            _killed_before(status, before, work)
        yield os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


OPERATIONS = {
    "open", "os.chmod", "os.link", "os.listdir", "os.mkdir", "os.remove", "os.rename", "os.rmdir", "os.scandir",
    "os.truncate", "shutil.rmtree", "tempfile.mkdtemp", "tempfile.mkstemp",
}  # fmt: skip


def _killed_before(status: int, before: int, work: Callable[[], object]) -> None:
    count = 0

    def counted(event: str, _: object) -> None:
        nonlocal count
        count += event in OPERATIONS
        if count == before:
            os._exit(status)

    sys.addaudithook(counted)
    try:
        work()
    except BaseException:
        os._exit(1)
    os._exit(0)
