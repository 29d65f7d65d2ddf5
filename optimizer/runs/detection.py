"""What counts as a recorded trace and as a peak in it: the settings of `rampwright peaks` and of runs of a scenario.

Without importing what reads traces: that takes longer than `check`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from numbers import Real
from pathlib import Path

from models.errors import InvalidInputError

# Here, not with the other quantities, since the command line states them and starts without pydantic.
SIGNAL_TO_NOISE_RANGE = (0.5, 1e6)
MIN_WIDTH_RANGE_S = (1e-3, 600.0)
TRACE_SUFFIXES = (".cdf", ".nc", ".aia")
TIME_COLUMNS = {"time_min": 60.0, "time_s": 1.0}
SIGNAL_COLUMN = "signal"


@dataclass(frozen=True)
class PeakDetection:
    """Settings of the search for peaks, named as the options and keys that state them.

    Attributes
    ----------
    min_signal_to_noise : float or None  [-], smallest of a peak, 2 H/h of the pharmacopoeias; 3 when None
    min_width_s : float or None  [s], smallest half-height width; from the clear peaks of the trace when None
    from_trace : whether peaks are found in the trace even if the file lists some

    Raises
    ------
    InvalidInputError : for a value outside its range
    """

    min_signal_to_noise: float | None = None
    min_width_s: float | None = None
    from_trace: bool = False

    def __post_init__(self) -> None:
        _require("min_signal_to_noise", self.min_signal_to_noise, SIGNAL_TO_NOISE_RANGE, "")
        _require("min_width_s", self.min_width_s, MIN_WIDTH_RANGE_S, " s")

    @property
    def smallest(self) -> tuple[str, ...]:
        """Names of the smallest values that are stated."""
        names = ("min_signal_to_noise", "min_width_s")
        return tuple(name for name in names if getattr(self, name) is not None)

    @property
    def stated(self) -> tuple[str, ...]:
        """Names of all that differs from the usual."""
        return (*self.smallest, *(("from_trace",) if self.from_trace else ()))


def _require(name: str, value: float | None, limits: tuple[float, float], unit: str) -> None:
    if value is None:
        return
    low, high = limits
    if not isinstance(value, Real) or isinstance(value, bool):
        raise InvalidInputError(f"{name} = {value!r}: expected a number")
    if not (math.isfinite(value) and low <= value <= high):
        raise InvalidInputError(f"{name} = {value:g}: expected {low:g} to {high:.0f}{unit}")


USUAL_DETECTION = PeakDetection()


def is_trace(path: Path, raw: bytes) -> bool:
    """Whether a file is a recorded trace, or meant to be one, and not a peak table."""
    if path.suffix.casefold() in TRACE_SUFFIXES or raw.startswith((b"CDF", b"\x89HDF")):
        return True
    head = raw[:4096].decode("utf-8-sig", errors="replace").lstrip().split("\n", 1)[0]
    cells = [cell.strip(' "\r').casefold() for cell in head.replace(";", ",").replace("\t", ",").split(",")]
    return SIGNAL_COLUMN in cells or bool(set(cells) & set(TIME_COLUMNS))
