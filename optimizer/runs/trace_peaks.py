"""The peaks of a recorded trace: those its file lists, measured in the trace, or those found in it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from models.column.programs import Array
from models.traces.finding import PeakSearch, find_peaks
from models.units import SECONDS_PER_MINUTE
from optimizer.base.errors import ScenarioError
from optimizer.runs.detection import USUAL_DETECTION, PeakDetection
from optimizer.runs.peak_tables import (
    LONGEST_RETENTION_MIN,
    TAILING_RANGE,
    WIDEST_SHARE,
    PeakTable,
    refuse_too_many,
)
from optimizer.runs.trace_files import ListedPeaks, Trace

Index = NDArray[np.intp]

AGREES = 0.1  # of the widths in a file with half-height widths, in the median, for them to be such
LEAST_TO_AGREE = 3
# Width times height over area: 0.94 for the half-height width of a Gaussian, 1.6 for that at its base.
HALF_HEIGHT_SHAPE = (0.85, 1.05)


@dataclass(frozen=True, eq=False)
class Picked:
    """M peaks of a run in order of retention, and where they come from.

    Attributes
    ----------
    trace : Trace
    search : what was found in the trace; None when the file has none
    from_file : whether retention, area and names are those of the file's own peak table
    names : M names, "" where there is none
    retention, width_half, area, tailing : (M,) arrays as of `PeakTable`
    row : (M,) array, of each peak among those found in the trace; -1 where it was not found there
    notes : sentences
    """

    trace: Trace
    search: PeakSearch | None
    from_file: bool
    names: tuple[str, ...]
    retention: Array
    width_half: Array
    area: Array
    tailing: Array
    row: Index
    notes: tuple[str, ...]

    def found(self, values: Array) -> Array:
        """(M,) what the search has for each peak; nan where it was not found in the trace."""
        result = np.full(len(self.row), np.nan)
        result[self.row >= 0] = values[self.row[self.row >= 0]]
        return result


def pick(trace: Trace, path: Path, detection: PeakDetection = USUAL_DETECTION) -> Picked:
    """The peaks of a trace.

    Raises
    ------
    ScenarioError : when there are none, or the file gives one name twice
    """
    listed = None if detection.from_trace else trace.listed
    if not len(trace.times):
        if listed is None:
            raise ScenarioError(f"{path}: holds a peak table but no readings in which peaks could be found")
        return _listed(trace, path, listed, None)
    search = find_peaks(trace.times, trace.signal, detection.min_signal_to_noise, detection.min_width_s)
    if listed is not None:
        return _listed(trace, path, listed, search)
    peaks = search.peaks
    if not len(peaks.retention):
        raise ScenarioError(
            "".join(f"{note}\n" for note in trace.notes)
            + f"{path}: no peak stands out of the noise (standard deviation {search.noise:.3g}; looked for "
            f"signal-to-noise {search.least_signal_to_noise:g} and half-height width {search.least_width:.3g} s)"
        )
    flat = np.flatnonzero(peaks.cut_off) + 1
    notes = [*trace.notes, *_without_effect(trace, path, detection)]
    if len(flat):
        notes.append(
            f"{path}: the tops of peaks {', '.join(map(str, flat))} are flat: the detector was at its limit; their "
            "areas and widths are wrong"
        )
    return Picked(
        trace, search, False, ("",) * len(peaks.retention), peaks.retention, peaks.width_half, peaks.area,
        peaks.tailing, np.arange(len(peaks.retention), dtype=np.intp), tuple(notes),
    )  # fmt: skip


def _without_effect(trace: Trace, path: Path, detection: PeakDetection) -> Iterator[str]:
    """A smallest width that no peak can fall short of, which minutes taken for seconds mostly are."""
    interval = float(trace.times[-1] - trace.times[0]) / (len(trace.times) - 1)
    if detection.min_width_s is not None and detection.min_width_s < interval:
        yield (
            f"{path}: a smallest half-height width of {detection.min_width_s:g} s leaves nothing out, since readings "
            f"are {interval:.3g} s apart; was it meant in minutes? It is in seconds"
        )


def table_of(picked: Picked, path: Path) -> PeakTable:
    """The peak table of a run; when some peaks have names, those without are left out.

    Raises
    ------
    ScenarioError : when a peak elutes later than any run is long, or there are more than are taken
    """
    notes = list(picked.notes)
    rows = np.arange(len(picked.retention))
    named = np.array([bool(name) for name in picked.names])
    if named.any() and not named.all():
        notes.append(
            f"{path}: {int((~named).sum())} of {len(named)} peaks have no name in the file; left out"
        )
        rows = rows[named]
    refuse_too_many(path, len(rows))
    retention = picked.retention[rows]
    longest = float(retention.max()) / SECONDS_PER_MINUTE
    if longest > LONGEST_RETENTION_MIN:
        raise ScenarioError(
            f"{path}: a peak at {longest:g} min; expected at most {LONGEST_RETENTION_MIN:g} min: is retention_unit "
            "right?"
        )
    width, tailing = picked.width_half[rows], picked.tailing[rows]
    low, high = TAILING_RANGE
    with np.errstate(invalid="ignore"):
        width = np.where(width <= WIDEST_SHARE * retention, width, np.nan)
        tailing = np.where((tailing >= low) & (tailing <= high), tailing, np.nan)
    names = tuple(picked.names[n] for n in rows) if named.any() else ()
    return PeakTable(names, retention, width, picked.area[rows], tailing, tuple(notes))


def _listed(trace: Trace, path: Path, listed: ListedPeaks, search: PeakSearch | None) -> Picked:
    """The file's own peaks, with widths and tailing factors measured in its trace."""
    _check_names(path, listed)
    count = len(listed.retention)
    row = np.full(count, -1, dtype=np.intp)
    width, tailing = np.full(count, np.nan), np.full(count, np.nan)
    notes = [*trace.notes]
    if search is not None:
        row = _rows(listed, search)
        seen = row >= 0
        width[seen] = search.peaks.width_half[row[seen]]
        tailing[seen] = search.peaks.tailing[row[seen]]
        with np.errstate(invalid="ignore"):
            ratio = listed.width / width
        ratio = ratio[np.isfinite(ratio)]
        if len(ratio) >= LEAST_TO_AGREE and abs(float(np.median(ratio)) - 1) < AGREES:
            width = np.where(np.isfinite(width), width, listed.width)
        if not seen.all():
            unseen = ", ".join(f"{t / SECONDS_PER_MINUTE:.3f}" for t in listed.retention[~seen][:8])
            notes.append(
                f"{path}: of the {count} peaks it lists, {int((~seen).sum())} are no peaks of their own in its trace "
                f"(at {unseen}{' ...' if (~seen).sum() > 8 else ''} min); they are kept, without a tailing factor"
            )
    else:
        with np.errstate(invalid="ignore", divide="ignore"):
            shape = listed.width * listed.height / listed.area
        shape = shape[np.isfinite(shape)]
        low, high = HALF_HEIGHT_SHAPE
        middle = float(np.median(shape)) if len(shape) else float("nan")
        # The area may be per minute though times are seconds.
        if low < middle < high or low < middle / SECONDS_PER_MINUTE < high:
            width = listed.width
        elif np.isfinite(listed.width).any():
            notes.append(
                f"{path}: it does not say at which height its peak widths were taken, and has no trace to measure "
                "them in; they are not used"
            )
    return Picked(
        trace, search, True, listed.names, listed.retention, width, listed.area, tailing, row, tuple(notes)
    )


def _rows(listed: ListedPeaks, search: PeakSearch) -> Index:
    """For each listed peak the found one whose apex is nearest, if it is no further than half of a width."""
    peaks = search.peaks
    row = np.full(len(listed.retention), -1, dtype=np.intp)
    if not len(peaks.retention):
        return row
    width = np.where(np.isfinite(peaks.width_half), peaks.width_half, (peaks.end - peaks.start) / 4)
    for n, found in enumerate(peaks.retention):
        nearest = int(np.argmin(np.abs(listed.retention - found)))
        off = abs(float(listed.retention[nearest] - found))
        before = row[nearest]
        nearer = before < 0 or off < abs(float(listed.retention[nearest] - peaks.retention[before]))
        if off <= width[n] / 2 and nearer:
            row[nearest] = n
    return row


def _check_names(path: Path, listed: ListedPeaks) -> None:
    names = [name for name in listed.names if name]
    twice = next((name for name in names if names.count(name) > 1), None)
    if twice is not None:
        raise ScenarioError(
            f"{path}: its peak table names {names.count(twice)} peaks {twice!r}; a compound has one peak a run: put it "
            "right where the file was made, or write a table with rampwright peaks and name the peaks there"
        )
