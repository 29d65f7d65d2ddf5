"""The peaks of a run from whatever file it was kept in: a peak table, or a recorded trace."""

from __future__ import annotations

from pathlib import Path

from optimizer.peak_tables import PeakTable, read_peak_table
from optimizer.text_files import read_bytes
from optimizer.trace_files import is_trace, read_trace
from optimizer.trace_peaks import pick, table_of


def read_run(path: Path, asked_by: str = "") -> PeakTable:
    """The peaks of a run, which may be without names.

    Parameters
    ----------
    asked_by : str, what names the file, for the message

    Raises
    ------
    ScenarioError : naming the file and what is wrong with it
    """
    if not is_trace(path, read_bytes(path, asked_by)):
        return read_peak_table(path, asked_by, names_needed=False)
    return table_of(pick(read_trace(path, asked_by), path), path)
