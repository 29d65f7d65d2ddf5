"""What was found in a recorded trace, as a document and as rows of a peak table."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from models.column.programs import Array
from models.traces.finding import NOISE_SPAN
from models.units import SECONDS_PER_MINUTE
from optimizer.base.numbers import number, two_decimals
from optimizer.results.documents import Document
from optimizer.runs.peak_tables import TAILING_RANGE
from optimizer.runs.trace_peaks import Picked

DIGITS = 5  # of minutes: a hundredth of the usual sampling interval still shows


def _minutes(value: float) -> float | None:
    return round(value / SECONDS_PER_MINUTE, DIGITS) if np.isfinite(value) else None


def tailing_of(picked: Picked) -> Array:
    """(M,) tailing factors, nan where one lies outside what a peak table takes."""
    low, high = TAILING_RANGE
    with np.errstate(invalid="ignore"):
        result: Array = np.where((picked.tailing >= low) & (picked.tailing <= high), picked.tailing, np.nan)
    return result


def peaks_document(picked: Picked, file: Path) -> Document:
    """All of it for --json."""
    search, trace = picked.search, picked.trace
    rows = []
    unknown = np.full(len(picked.row), np.nan)
    height, ratio, start, end = (
        unknown if search is None else picked.found(values)
        for values in (
            (search.peaks.height, search.peaks.signal_to_noise, search.peaks.start, search.peaks.end)
            if search is not None
            else (unknown,) * 4
        )
    )
    tailing = tailing_of(picked)
    for n in range(len(picked.retention)):
        rows.append(
            {
                "peak": n + 1,
                "compound": picked.names[n] or None,
                "retention_min": _minutes(picked.retention[n]),
                "width_half_min": _minutes(picked.width_half[n]),
                "area": number(picked.area[n], 6),
                "tailing": two_decimals(tailing[n]),
                "height": number(height[n]),
                "signal_to_noise": number(ratio[n], 3),
                "start_min": _minutes(start[n]),
                "end_min": _minutes(end[n]),
            }
        )
    found: Document | None = None
    if search is not None:
        found = {
            "readings": len(trace.times),
            "first_min": _minutes(trace.times[0]),
            "last_min": _minutes(trace.times[-1]),
            "interval_s": number((trace.times[-1] - trace.times[0]) / (len(trace.times) - 1)),
            "unit": trace.unit or None,
            "noise": number(NOISE_SPAN * search.noise, 3),
            "min_signal_to_noise": None if picked.from_file else float(search.least_signal_to_noise),
            "min_width_s": None if picked.from_file else number(search.least_width, 3),
        }
    return {
        "format": 1,
        "file": str(file),
        "origin": "listed in the file" if picked.from_file else "found in the trace",
        "trace": found,
        "peaks": rows,
        "notes": list(picked.notes),
    }


def table_rows(picked: Picked) -> list[dict[str, str | float | None]]:
    """Rows of a peak table, the names as far as there are any."""
    tailing = tailing_of(picked)
    return [
        {
            "compound": picked.names[n],
            "retention_min": _minutes(picked.retention[n]),
            "width_half_min": _minutes(picked.width_half[n]),
            "area": number(picked.area[n], 6),
            "tailing": two_decimals(tailing[n]),
        }
        for n in range(len(picked.retention))
    ]
