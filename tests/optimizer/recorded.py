"""Recorded traces for tests: simulated runs, and files in the chromatography template of ASTM E1947."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from scipy.io import netcdf_file

from models.column.programs import Array
from models.peaks.chromatogram import detector_trace
from optimizer.runs.peak_tables import PeakTable

INTERVAL = 0.1  # s
NAME_LENGTH = 32


@dataclass(frozen=True, eq=False)
class Recording:
    """A simulated run: evenly spaced times [s], its signal, and the peaks that made it."""

    times: Array
    signal: Array
    peaks: PeakTable


def recorded(peaks: PeakTable, noise: float = 0.0, end: float | None = None, seed: int = 1) -> Recording:
    """A trace of some peaks; where widths and tailing are nan, 3 s and 1 stand in."""
    width = np.where(np.isfinite(peaks.width_half), peaks.width_half, 3.0)
    tailing = np.where(np.isfinite(peaks.tailing), peaks.tailing, 1.0)
    last = float(peaks.retention.max()) + 60.0 if end is None else end
    times = np.arange(0.0, last, INTERVAL)
    signal = detector_trace(times, peaks.retention, width, peaks.area, tailing)
    signal = signal + np.random.default_rng(seed).normal(0.0, noise, len(times)) if noise else signal
    return Recording(times, signal, PeakTable(peaks.compounds, peaks.retention, width, peaks.area, tailing))


@dataclass(frozen=True)
class Written:
    """How an E1947 file is written.

    Attributes
    ----------
    unit : retention_unit; None leaves it out
    listed : whether the peak table is in the file, and `names` whether its peaks have names
    trace : whether the readings are
    scale : (factor, offset) with which the readings are stored as 16-bit integers
    change : variables put in the place of the usual ones; None leaves one out
    attributes : as well as the usual ones
    """

    unit: str | None = "seconds"
    listed: bool = False
    names: Sequence[str] = ()
    trace: bool = True
    scale: tuple[float, float] | None = None
    width_factor: float = 1.0
    change: dict[str, Any] = field(default_factory=dict)
    attributes: dict[str, Any] = field(default_factory=dict)


def write_e1947(path: Path, run: Recording, how: Written | None = None) -> Path:
    """Write a run into the template."""
    how = how or Written()
    per_unit = 60.0 if how.unit is not None and how.unit.casefold().startswith("min") else 1.0
    file = netcdf_file(str(path), "w")
    attributes = {
        "dataset_completeness": "C1+C2",
        "aia_template_revision": "1.0.1",
        "netcdf_revision": "2.3",
        "languages": "English",
        "separation_experiment_type": "gas chromatography",
        "detector_unit": "pA",
        **({} if how.unit is None else {"retention_unit": how.unit}),
        **how.attributes,
    }
    for key, value in attributes.items():
        setattr(file, key, value)
    peaks = run.peaks
    count, length = len(run.times), len(peaks.retention)
    sizes = {"point_number": count, "peak_number": length, "_32_byte_string": NAME_LENGTH}
    for name, size in sizes.items():
        file.createDimension(name, size)
    values: dict[str, tuple[tuple[str, ...], Any]] = {
        "actual_run_time_length": ((), (run.times[-1] - run.times[0]) / per_unit),
        "actual_sampling_interval": ((), INTERVAL / per_unit),
        "actual_delay_time": ((), run.times[0] / per_unit),
    }
    if how.trace:
        signal = run.signal
        if how.scale is not None:
            signal = np.round((signal - how.scale[1]) / how.scale[0]).astype(">i2")
        values["ordinate_values"] = (("point_number",), signal)
    if how.listed:
        along = ("peak_number",)
        values |= {
            "peak_retention_time": (along, peaks.retention / per_unit),
            "peak_area": (along, peaks.area),
            "peak_width": (along, peaks.width_half * how.width_factor / per_unit),
            "peak_height": (along, peaks.area / peaks.width_half * 0.9394),
        }
    if how.names:
        rows = np.zeros((length, NAME_LENGTH), dtype="S1")
        for row, name in zip(rows, how.names, strict=True):
            raw = name.encode()
            row[: len(raw)] = np.frombuffer(raw, dtype="S1")
        values["peak_name"] = (("peak_number", "_32_byte_string"), rows)
    for name, change in how.change.items():
        if change is None:
            values.pop(name, None)
        else:
            values[name] = (values[name][0] if name in values else ("point_number",), change)
    for name, (dimensions, value) in values.items():
        array = np.asarray(value)
        kind = array.dtype.char if array.dtype.kind == "S" else {"i": "h", "f": "f"}[array.dtype.kind]
        if array.dtype.kind == "f" and "retention" not in name:
            kind = "d" if name == "actual_sampling_interval" else "f"
        variable = file.createVariable(name, "c" if array.dtype.kind == "S" else kind, dimensions)
        if dimensions:
            variable[:] = array
        else:
            variable.data = array.astype(variable.data.dtype)  # assignValue fails on scalars of some versions
        if name == "ordinate_values" and how.scale is not None:
            variable.scale_factor, variable.add_offset = how.scale
    file.close()
    return path


def write_csv(path: Path, run: Recording, heading: str = "time_min") -> Path:
    """Write a run as a CSV of time and signal."""
    per_unit = {"time_min": 60.0, "time_s": 1.0}[heading]
    lines = [f"{t / per_unit:.6f},{y:.5f}" for t, y in zip(run.times, run.signal, strict=True)]
    path.write_text(f"{heading},signal\n" + "\n".join(lines) + "\n", encoding="utf-8")
    return path
