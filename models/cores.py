"""How many processors may be used: one rule for the engine's threads and for processes of a search."""

from __future__ import annotations

import os


def cores_here() -> int:
    """Processors that this process may use, or as many as OMP_NUM_THREADS allows."""
    allowed = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    stated = os.environ.get("OMP_NUM_THREADS", "")
    return min(allowed, max(int(stated), 1)) if stated.isdecimal() else allowed


# Of the libraries for matrices that numpy comes with.
ONE_THREAD = {"OPENBLAS_NUM_THREADS": "1", "MKL_NUM_THREADS": "1", "VECLIB_MAXIMUM_THREADS": "1"}


def without_idle_threads() -> None:
    """Matrices here are small: threads for them wait for each other. To be called before numpy is imported."""
    for name, count in ONE_THREAD.items():
        os.environ.setdefault(name, count)
