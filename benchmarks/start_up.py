"""Whole commands and the fit: how long a person waits."""

from __future__ import annotations

import resource
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from benchmarks.mixtures import mixture
from models.column.programs import CarrierProgram, OvenProgram, Program, Ramp, batch_of
from models.column.system import ColumnSystem
from models.fit.fitting import Run, fit_retention
from models.peaks.migration import migrate, migration_tables
from models.peaks.resolution import HALF_HEIGHT_WIDTH
from models.units import flow_si, kelvin

REPEATS = 7
SHIPPED = Path(__file__).parent.parent / "scenarios" / "slow_isothermal"
LARGE_ROWS = 2000
LARGE = """\
column = { length_m = 30, inner_diameter_mm = 0.25, film_thickness_um = 0.25, min_temperature_C = 40, \
max_temperature_C = 325 }
carrier = { gas = "helium" }

[[scouting_runs]]
name = "slow"
peaks = "slow.csv"
oven = { start_C = 50, ramps = [{ rate_C_per_min = 2, to_C = 250, hold_min = 20 }] }
carrier = { mode = "constant flow", flow_mL_min = 1.2 }

[[scouting_runs]]
name = "fast"
peaks = "fast.csv"
oven = { start_C = 50, ramps = [{ rate_C_per_min = 4, to_C = 250, hold_min = 20 }] }
carrier = { mode = "constant flow", flow_mL_min = 1.2 }
"""


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


def _processor_time(*command: str) -> float:
    """Median seconds of processor time of a Python process, its start included."""
    times = []
    for _ in range(REPEATS):
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        subprocess.run([sys.executable, *command], capture_output=True, check=True)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        times.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
    return float(np.median(times))


def _large_scenario(folder: Path, rows: int) -> None:
    """A scenario with two peak tables of so many rows; neighbours have like areas, so that few are warned of."""
    (folder / "scenario.toml").write_text(LARGE, encoding="utf-8")
    for name, hours in (("slow", 1.6), ("fast", 0.9)):
        lines = [f"compound {n},{4 + 60 * hours * n / rows:.5f},,{1000 + 10 * (n % 50)}" for n in range(rows)]
        table = "\n".join(["compound,retention_min,width_half_min,area", *lines, ""])
        (folder / f"{name}.csv").write_text(table, encoding="utf-8")


def _commands() -> list[tuple[str, float]]:
    """Commands that compute nothing, with their processor time [s]."""
    cli = ("-m", "rampwright")
    with TemporaryDirectory() as folder:
        _large_scenario(Path(folder), LARGE_ROWS)
        return [
            ("an empty Python process", _processor_time("-c", "pass")),
            ("`rampwright --help`", _processor_time(*cli, "--help")),
            ("`check`, a scenario that comes along", _processor_time(*cli, "check", str(SHIPPED))),
            (f"`check`, two tables of {LARGE_ROWS} rows", _processor_time(*cli, "check", folder)),
        ]


def run(quick: bool = False) -> str:
    """A section of benchmarks/RESULTS.md."""
    commands = _commands()
    bare = commands[0][1]
    lines = [
        "## What a person waits for",
        "",
        "| | processor time, s (median of 7) | times an empty process |",
        "|---|---|---|",
        *(f"| {name} | {seconds:.3f} | {seconds / bare:.1f} |" for name, seconds in commands),
        "",
        "| | s (median of 7) |",
        "|---|---|",
        f"| fit, 14 compounds, 2 runs | {_fit(14, (5.0, 20.0)):.2f} |",
        f"| fit, 60 compounds, 3 runs | {_fit(60, (3.0, 10.0, 40.0)):.2f} |",
        "",
    ]
    print("\n".join(lines), flush=True)
    return "\n".join(lines)
