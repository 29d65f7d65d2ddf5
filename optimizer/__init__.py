"""What is asked of the physics: scenarios, goals, search, methods, results and the command line.

Trade units (°C, min, mL/min, kPa gauge) live in the files read and written here; everything else is SI. The interface
is `rampwright`; its names were here at first, and are still found.
"""

from __future__ import annotations

import warnings
from functools import cache
from typing import Any

__version__ = "0.1.0"


def __getattr__(name: str) -> Any:
    import rampwright

    if name not in rampwright.__all__:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    _deprecated()
    return getattr(rampwright, name)


@cache
def _deprecated() -> None:
    """Told once a process, at the line that asked."""
    told = "import rampwright instead of optimizer: the name optimizer will go"
    warnings.warn(told, DeprecationWarning, stacklevel=3)
