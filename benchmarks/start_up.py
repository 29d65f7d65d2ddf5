"""Whole commands and the fit: how long a person waits."""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Callable

import numpy as np

from benchmarks.mixtures import mixture
from models.fitting import Run, fit_retention
from models.migration import migrate, migration_tables
from models.programs import CarrierProgram, OvenProgram, Program, Ramp, batch_of
from models.resolution import HALF_HEIGHT_WIDTH
from models.system import ColumnSystem
from models.units import flow_si, kelvin

REPEATS = 7


def _median(call: Callable[[], object]) -> float:
    times = []
    for _ in range(REPEATS):
        began = time.perf_counter()
        call()
        times.append(time.perf_counter() - began)
    return float(np.median(times))


def _fit(compounds: int, rates: tuple[float, ...]) -> float:
    """Median seconds of a fit of noisy runs."""
    true = mixture(compounds, 5, 2).fit
    rng = np.random.default_rng(1)
    runs = []
    for rate in rates:
        oven = OvenProgram(kelvin(50.0), 60.0, (Ramp(rate / 60, kelvin(310.0), 600.0),))
        program = Program(oven, CarrierProgram("flow", float(flow_si(1.2))))
        peaks = migrate(migration_tables(true.system, true.retention, "flow"), batch_of([program]))
        noise = rng.normal(0.0, 0.15, compounds)
        runs.append(
            Run(f"{rate:g}", program, peaks.retention_time[0] + noise, peaks.width[0] * HALF_HEIGHT_WIDTH)
        )
    nominal = ColumnSystem(true.system.column, true.system.gas, true.system.outlet_pressure)
    return _median(lambda: fit_retention(nominal, runs))


def run(quick: bool = False) -> str:
    """A section of benchmarks/RESULTS.md."""
    help_time = _median(
        lambda: subprocess.run(
            [sys.executable, "-m", "optimizer.cli", "--help"], capture_output=True, check=True
        )
    )
    bare = _median(lambda: subprocess.run([sys.executable, "-c", "pass"], capture_output=True, check=True))
    lines = [
        "## What a person waits for",
        "",
        "| | s (median of 7) |",
        "|---|---|",
        f"| `rampwright --help` (an empty Python process: {bare:.3f} s) | {help_time:.3f} |",
        f"| fit, 14 compounds, 2 runs | {_fit(14, (5.0, 20.0)):.2f} |",
        f"| fit, 60 compounds, 3 runs | {_fit(60, (3.0, 10.0, 40.0)):.2f} |",
        "",
    ]
    print("\n".join(lines), flush=True)
    return "\n".join(lines)
