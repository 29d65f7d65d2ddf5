"""Telling a recorded trace from a peak table, without importing what reads traces: that takes longer than `check`."""

from __future__ import annotations

from pathlib import Path

from models.units import SECONDS_PER_MINUTE

TRACE_SUFFIXES = (".cdf", ".nc", ".aia")
TIME_COLUMNS = {"time_min": SECONDS_PER_MINUTE, "time_s": 1.0}
SIGNAL_COLUMN = "signal"


def is_trace(path: Path, raw: bytes) -> bool:
    """Whether a file is a recorded trace, or meant to be one, and not a peak table."""
    if path.suffix.casefold() in TRACE_SUFFIXES or raw.startswith((b"CDF", b"\x89HDF")):
        return True
    head = raw[:4096].decode("utf-8-sig", errors="replace").lstrip().split("\n", 1)[0]
    cells = [cell.strip(' "\r').casefold() for cell in head.replace(";", ",").replace("\t", ",").split(",")]
    return SIGNAL_COLUMN in cells or bool(set(cells) & set(TIME_COLUMNS))
