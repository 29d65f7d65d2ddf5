"""The peaks of a run from whatever file it was kept in: a peak table, or a recorded trace."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from optimizer.base.clock import Progress
from optimizer.base.errors import ScenarioError
from optimizer.base.text_files import read_bytes
from optimizer.runs.detection import USUAL_DETECTION, PeakDetection, is_trace
from optimizer.runs.peak_tables import PeakTable, read_peak_table

if TYPE_CHECKING:
    from optimizer.runs.trace_peaks import Picked


def read_run(
    path: Path,
    asked_by: str = "",
    detection: PeakDetection = USUAL_DETECTION,
    columns: Mapping[str, str] | None = None,
) -> PeakTable:
    """The peaks of a run, which may be without names.

    Parameters
    ----------
    asked_by : str, the key that names the file, for the message; "" on the command line
    detection : what counts as a peak in a trace
    columns : headings of a peak table by what they mean, where these do not say it

    Raises
    ------
    ScenarioError : naming the file and what is wrong with it, or settings that it has no use for
    """
    if is_trace(path, read_bytes(path, asked_by)):
        from optimizer.runs.trace_peaks import table_of

        return table_of(picked_from(path, asked_by, detection), path)
    if detection.stated:
        raise ScenarioError(
            f"{_asked(path, asked_by)}: is a peak table, whose peaks are taken as they are; leave out "
            f"{_listed(detection.stated, asked_by)}, or name the run's recorded trace here"
        )
    return read_peak_table(path, asked_by, names_needed=False, columns=columns)


def picked_from(
    path: Path,
    asked_by: str = "",
    detection: PeakDetection = USUAL_DETECTION,
    progress: Progress | None = None,
) -> Picked:
    """The peaks of a recorded trace, and where they come from.

    Parameters
    ----------
    asked_by, detection : as of `read_run`
    progress : called with the share of the work done and a line of text; by long traces only

    Raises
    ------
    ScenarioError : as `read_run`
    """
    from optimizer.runs.trace_files import LONG, READING, read_trace
    from optimizer.runs.trace_peaks import pick

    trace = read_trace(path, asked_by, progress)
    if detection.smallest and trace.listed is not None and not detection.from_trace:
        how = "from_trace = true" if asked_by else "--from-trace"
        raise ScenarioError(
            f"{_asked(path, asked_by)}: lists its peaks itself, which {_listed(detection.smallest, asked_by)} "
            f"{'does' if len(detection.smallest) == 1 else 'do'} not change; add {how} to find peaks in its trace "
            "instead"
        )
    if progress is not None and len(trace.times) > LONG:
        progress(READING, "finding peaks")
    return pick(trace, path, detection)


def _asked(path: Path, asked_by: str) -> str:
    return f'{asked_by} = "{path.name}"' if asked_by else str(path)


def _listed(names: tuple[str, ...], asked_by: str) -> str:
    """Settings as they are written in a file, or on the command line."""
    return " and ".join(name if asked_by else f"--{name.replace('_', '-')}" for name in names)
