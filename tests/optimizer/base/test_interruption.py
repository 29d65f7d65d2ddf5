"""A Ctrl-C is never lost."""

from __future__ import annotations

import subprocess
import sys

import pytest

FINALIZER = """
class Held:
    def __del__(self):
        signal.raise_signal(signal.SIGINT)
held = Held()
"""
WEAK = """
class Held:
    pass
held = Held()
weakly = weakref.WeakKeyDictionary({held: None})
class Noticed(dict):
    def __delitem__(self, key):
        signal.raise_signal(signal.SIGINT)
weakly.data = Noticed(weakly.data)
"""
PLAIN = """
class Held:
    pass
held = Held()
weak = weakref.ref(held, lambda _: signal.raise_signal(signal.SIGINT))
"""
STOPPED = """
import signal, sys, time, weakref
from optimizer.base.interruption import stop_on_signals, stopped
{held}
stop_on_signals()
try:
    del held
    for _ in range(500):
        time.sleep(0.01)
except KeyboardInterrupt:
    sys.exit(stopped())
"""


@pytest.mark.parametrize("held", [FINALIZER, WEAK, PLAIN], ids=["finalizer", "weak key", "own callback"])
def test_one_that_meets_what_no_exception_comes_out_of_is_raised_afterwards(held: str) -> None:
    done = subprocess.run(
        [sys.executable, "-c", STOPPED.format(held=held)], capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stderr) == (
        130,
        "rampwright: stopped before the end; nothing was left half written\n",
    )
