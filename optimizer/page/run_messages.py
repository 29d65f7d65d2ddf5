"""A run that was made, as the page draws it: its trace or peaks, names with their doubt, and its comparison."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

from models.column.programs import Array
from models.fit.matching import CONFIDENT
from models.units import SECONDS_PER_MINUTE
from optimizer.app.interface import peaks as peaks_of
from optimizer.app.interface_compare import Compared
from optimizer.app.peak_proposal import ProposedRow
from optimizer.results.documents import Document
from optimizer.results.plot_data import chromatogram_data
from optimizer.runs.peak_tables import PeakTable
from optimizer.show.console.compare import critical_line, refit_line

BUCKETS = 4000  # of a trace, each drawn from its lowest to its highest reading
HALF_95 = 1.96


def run_picture(trace: Path | None, peaks: PeakTable) -> Document:
    """Times in min: readings with the baseline beneath and the limits of each peak, or the peaks of a table alone."""
    retention = _list(peaks.retention / SECONDS_PER_MINUTE, 4)
    if trace is None:
        width = peaks.width_half / SECONDS_PER_MINUTE
        tall = peaks.area / np.where(np.isfinite(width), width, 1.0)
        return {"times": [], "peaks": retention, "widths": _list(width, 4), "heights": _list(tall, 4)}
    found = peaks_of(trace)
    rows = _shown_rows(found.signal)
    limits = np.stack([found.start, found.end], axis=1) / SECONDS_PER_MINUTE
    return {
        "times": _list(found.times[rows] / SECONDS_PER_MINUTE, 5),
        "signal": _digits(found.signal[rows]),
        "baseline": _digits(found.baseline[rows]) if found.baseline.size else [],
        "peaks": retention,
        "limits": [_list(each, 4) for each in limits],
        "heights": _digits(found.height),
        "found": found.origin,
    }


def _shown_rows(signal: Array) -> Any:
    """Readings that are drawn: all, or of each stretch the lowest and the highest."""
    count = len(signal)
    if count <= 2 * BUCKETS:
        return np.arange(count)
    edges = np.linspace(0, count, BUCKETS + 1).astype(int)
    kept = {0, count - 1}
    for first, last in pairwise(edges):
        kept |= {first + int(signal[first:last].argmin()), first + int(signal[first:last].argmax())}
    return np.array(sorted(kept))


def peak_rows(peaks: PeakTable, proposed: tuple[ProposedRow, ...], named: PeakTable | None) -> list[Document]:
    """Peak by peak: time [min], name as it would be put in, and of a proposed name how sure it is and what else."""
    if peaks.named:
        return [
            {"time": round(t / SECONDS_PER_MINUTE, 4), "name": name}
            for name, t in zip(peaks.compounds, peaks.retention, strict=True)
        ]
    now = (
        {}
        if named is None
        else {float(t): name for name, t in zip(named.compounds, named.retention, strict=True)}
    )
    return [
        {
            "time": round(t / SECONDS_PER_MINUTE, 4),
            "name": now.get(float(t), ""),
            "proposed": name,
            "sure": round(sure, 3),
            "doubtful": sure < CONFIDENT,
            "or_else": rival,
        }
        for _, t, name, sure, rival in proposed
    ]


def compared_message(compared: Compared) -> Document:
    """A run beside its prediction: the predicted trace, and each compound's difference with its 95 % interval."""
    result = compared.result
    comparison = result.comparison
    chart = chromatogram_data(comparison.prediction, comparison.problem.scenario.ambient_pressure, "")
    return {
        "says": result.says,
        "remarks": list(result.remarks),
        "critical": critical_line(result.smallest),
        "refit": None if result.refit is None else refit_line(result.refit),
        "trace": [_list(chart.times, 4), _list(chart.response, 2)],
        "peaks": [
            {
                "name": each.compound,
                "predicted": _minutes(each.predicted),
                "half": _minutes(HALF_95 * each.predicted_sd),
                "found": _minutes(each.found),
                "off": None if not np.isfinite(each.deviation_sd) else round(each.deviation_sd, 2),
                "wrong": each.wrongly_named,
            }
            for each in result.peaks
        ],
    }


def _minutes(seconds: float) -> float | None:
    return round(seconds / SECONDS_PER_MINUTE, 4) if np.isfinite(seconds) else None


def _list(values: Array, decimals: int) -> list[float | None]:
    return [round(float(each), decimals) if np.isfinite(each) else None for each in values]


def _digits(values: Array) -> list[float | None]:
    return [float(f"{each:.6g}") if np.isfinite(each) else None for each in values]
