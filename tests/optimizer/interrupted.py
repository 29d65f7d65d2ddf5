"""A command stopped from outside at a given moment, and what it left behind."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

ROOT = Path(__file__).parents[2]
ENTRY = "from optimizer.__main__ import main; main()"


def started(*arguments: str | Path, under: str = "") -> subprocess.Popen[str]:
    """A command in a process of its own; `under` is code that runs before it."""
    return subprocess.Popen(
        [sys.executable, "-c", under + ENTRY, *map(str, arguments)],
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT), "OMP_NUM_THREADS": "1"},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def stopped_after(process: subprocess.Popen[str], seconds: float, number: signal.Signals) -> tuple[int, str]:
    """Exit status and stderr of a process that gets a signal after so many seconds."""
    time.sleep(seconds)
    if process.poll() is None:
        process.send_signal(number)
    err = process.communicate(timeout=60)[1]
    return process.returncode, err


def contents(folder: Path) -> dict[str, bytes]:
    """Name and content of everything in a folder, hidden files too; folders have none."""
    return {each.name: b"" if each.is_dir() else each.read_bytes() for each in folder.iterdir()}
