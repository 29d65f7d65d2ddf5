"""A command stopped at a given point of its course, and what it left behind."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

from optimizer.base.manifest import MANIFEST
from optimizer.base.output import undisturbed

ROOT = Path(__file__).parents[2]
COUNTING = "from tests.optimizer.searches import count_steps; count_steps(); "
ENTRY = "from rampwright.__main__ import main; main()"
HANG = 900.0  # s, after which a process is taken to hang

# Runs before a command: counts its calls of functions from when it handles signals, and sends one at a given call.
_AT_CALL = """
import os, sys
import rampwright.__main__ as start
handle, calls = start.stop_on_signals, 0
def handled():
    handle()
    sys.setprofile(counted)
def counted(frame, event, argument):
    global calls
    calls += event == "call"
    if calls == {call}:
        sys.setprofile(None)
        os.kill(os.getpid(), {number})
start.stop_on_signals = handled
"""
_TELLING = "import atexit; atexit.register(lambda: (sys.setprofile(None), print('calls:', calls)))\n"


def started(*arguments: str | Path, under: str = "") -> subprocess.Popen[str]:
    """A command in a process of its own whose searches count steps; `under` is code that runs before it."""
    return subprocess.Popen(
        [sys.executable, "-c", COUNTING + "\n" + under + ENTRY, *map(str, arguments)],
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT), "OMP_NUM_THREADS": "1"},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def at_call(call: int, number: signal.Signals) -> str:
    """Code to run a command under that sends it a signal at a call of a function, counted from 1."""
    return _AT_CALL.format(call=call, number=int(number))


def calls_of(*arguments: str | Path) -> int:
    """How many functions a command calls that nothing stops."""
    process = started(*arguments, under=_AT_CALL.format(call=0, number=0) + _TELLING)
    printed, complaint = process.communicate(timeout=HANG)
    assert process.returncode == 0, complaint
    return int(printed.rsplit("calls:", 1)[1])


def contents(folder: Path) -> dict[str, bytes]:
    """Name and content of everything in a folder but the list of what was written; folders have none."""
    return {name: content for name, content in everything(folder).items() if name != MANIFEST}


def read(folder: Path) -> dict[str, bytes]:
    """The same as a command reads results."""
    with undisturbed(folder):
        return contents(folder)


def everything(folder: Path) -> dict[str, bytes]:
    """Name and content of everything in a folder; folders have none."""
    return {
        each.name: b"" if each.is_dir() else each.read_bytes()
        for each in sorted(folder.iterdir(), key=lambda each: each.name)
    }
