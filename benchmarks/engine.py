"""Speed and accuracy of the engine beside the equations marched in time, measured in one run.

Run with one thread: OMP_NUM_THREADS=1 python -m benchmarks.engine [--quick]
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from time import perf_counter

import numpy as np

from models.column.carrier_gas import CARRIER_GASES
from models.column.programs import CarrierProgram, Controlled, OvenProgram, Program, Ramp, batch_of
from models.column.retention import Retention, with_typical_values
from models.column.system import Column, ColumnSystem
from models.effort import Accuracy
from models.peaks.migration import MigrationTables, migrate, migration_tables
from models.units import flow_si
from tests.reference.adapter import reference_peak
from tests.reference.cases import (
    ACCURACIES,
    COMPOUNDS,
    CONTROLLED,
    OUTLETS,
    Outcome,
    against_reference,
    random_cases,
)

BATCH = 1024
COLUMN = Column(30.0, 0.25e-3, 0.25e-6)
METHODS = (("DOP853", 1e-10), ("RK45", 1e-6))
PROGRAMS = 1000  # held against the reference


@dataclass(frozen=True)
class Mode:
    """A carrier mode and the outlet."""

    controlled: Controlled
    outlet: float
    ramped: bool

    def __str__(self) -> str:
        what = f"{self.controlled} ramp" if self.ramped else f"constant {self.controlled}"
        return f"{what}, {'vacuum' if self.outlet == 0 else 'ambient'}"


def modes() -> Iterator[Mode]:
    """All carrier modes at both outlets."""
    for outlet in OUTLETS:
        for controlled in CONTROLLED:
            for ramped in (False, True):
                yield Mode(controlled, outlet, ramped)


def _compounds(rng: np.random.Generator) -> Retention:
    typical = with_typical_values(np.sort(rng.uniform(320, 600, COMPOUNDS)))
    return Retention(typical.T0, typical.theta * rng.uniform(0.9, 1.1, COMPOUNDS), typical.dCp)


def _programs(mode: Mode, rng: np.random.Generator) -> list[Program]:
    """Programs as a search makes them: two oven ramps with holds; carrier constant or with one ramp of 10 min."""
    low, high = {
        "pressure": (mode.outlet + 50e3, mode.outlet + 250e3),
        "flow": (float(flow_si(0.72)), float(flow_si(3.0))),
        "velocity": (0.2, 0.6),
    }[mode.controlled]
    programs = []
    for _ in range(BATCH):
        start = float(rng.uniform(310, 370))
        middle = float(rng.uniform(start + 20, 560))
        last = float(rng.uniform(middle, 600))
        ramps = (
            Ramp(float(rng.uniform(2, 40)) / 60, middle, float(rng.uniform(0, 120))),
            Ramp(float(rng.uniform(2, 40)) / 60, last, float(rng.uniform(0, 120))),
        )
        value, target = (float(v) for v in rng.uniform(low, high, 2))
        carrier = (Ramp(abs(target - value) / 600, target),) if mode.ramped else ()
        programs.append(
            Program(
                OvenProgram(start, float(rng.uniform(0, 120)), ramps),
                CarrierProgram(mode.controlled, value, 60.0, carrier),
            )
        )
    return programs


def _shortest(task: Callable[[], object], repeats: int) -> float:
    """Least of several wall times [s]: what the machine can do when left alone."""
    task()
    best = np.inf
    for _ in range(repeats):
        start = perf_counter()
        task()
        best = min(best, perf_counter() - start)
    return float(best)


@dataclass(frozen=True)
class Speed:
    """Wall times of one mode [s]: a program in a batch, one alone, a compound by each way of marching in time."""

    mode: Mode
    screen: float
    polish: float
    alone: float
    marched: tuple[float, ...]


def measure_speed(mode: Mode, quick: bool) -> Speed:
    """Time the engine and the reference on the same programs."""
    rng = np.random.default_rng(5)
    system = ColumnSystem(COLUMN, CARRIER_GASES["helium"], mode.outlet)
    retention = _compounds(rng)
    tables: MigrationTables = migration_tables(system, retention, mode.controlled)
    programs = _programs(mode, rng)
    batch = batch_of(programs)
    repeats = 3 if quick else 15

    def batched(accuracy: Accuracy) -> float:
        return _shortest(lambda: migrate(tables, batch, accuracy), repeats) / BATCH

    some = [(programs[i], int(rng.integers(0, COMPOUNDS))) for i in range(2 if quick else 10)]
    marched = []
    for method, rtol in METHODS:
        start = perf_counter()
        for program, m in some:
            reference_peak(system, retention, m, program, method, rtol)
        marched.append((perf_counter() - start) / len(some))
    return Speed(
        mode,
        batched("screen"),
        batched("polish"),
        _shortest(lambda: migrate(tables, batch[0:1], "screen"), 50 * repeats),
        tuple(marched),
    )


def speed_section(quick: bool) -> str:
    """Table of speeds."""
    lines = [
        f"{COMPOUNDS} compounds, two oven ramps, batches of {BATCH}, one thread; retention time and width. The ratios"
        " are the time that `solve_ivp` takes for one compound under one program over the time the engine takes for it"
        " when screening.",
        "",
        "| Carrier, outlet | programs/s, screen | programs/s, polish | one program alone, ms"
        " | × DOP853 (rtol 1e-10) | × RK45 (rtol 1e-6) |",
        "|---|---:|---:|---:|---:|---:|",
    ]
    for mode in modes():
        speed = measure_speed(mode, quick)
        ratios = [marched / (speed.screen / COMPOUNDS) for marched in speed.marched]
        lines.append(
            f"| {mode} | {1 / speed.screen:,.0f} | {1 / speed.polish:,.0f} | {speed.alone * 1e3:.2f}"
            f" | {ratios[0]:,.0f} | {ratios[1]:,.0f} |"
        )
    return "\n".join(lines)


def _row(name: str, outcomes: list[Outcome]) -> str:
    """Line of the table of errors: peaks, those lost, and the largest errors of the rest."""
    lost = sum(bool(outcome.lost) for outcome in outcomes)
    eluted = sum(not np.isnan(outcome.due) for outcome in outcomes)
    largest = [
        max((getattr(outcome, what).get(accuracy, 0.0) for outcome in outcomes), default=0.0)
        for what in ("times", "widths")
        for accuracy in ACCURACIES
    ]
    return f"| {name} | {eluted} | {lost} | " + " | ".join(f"{value:.1e}" for value in largest) + " |"


def accuracy_section() -> str:
    """Largest errors against the reference, by carrier mode and by where the oven goes first."""
    outcomes = against_reference(list(random_cases(seed=2, count=PROGRAMS)))
    by_carrier: dict[str, list[Outcome]] = {}
    by_oven: dict[str, list[Outcome]] = {}
    for outcome in outcomes:
        kind = outcome.case.kind
        by_carrier.setdefault(f"{outcome.case.program.carrier.mode}, {kind.outlet}", []).append(outcome)
        by_oven.setdefault(f"oven {kind.oven}", []).append(outcome)
    lines = [
        f"{PROGRAMS:,} random programs over what a scenario file allows (`tests/reference/cases.py`): ramps of"
        " pressure, flow and oven, up and down, as fast as the file may say, holds, ramps of no length, oven lag;"
        " four gases, columns of 5 to 100 m, 0.1 to 0.53 mm and 0.1 to 5 µm. Five of 30 compounds each, hardly"
        " retained to hardly ever eluted. Largest relative errors against the equations marched in time;"
        " a peak is lost when only one of the two lets it elute.",
        "",
        "| Carrier, outlet; oven | peaks | lost | time, screen | time, polish | width, screen | width, polish |",
        "|---|---:|---:|---:|---:|---:|---:|",
        *(_row(name, group) for name, group in sorted(by_carrier.items())),
        *(_row(name, group) for name, group in sorted(by_oven.items())),
    ]
    bad = [fault for outcome in outcomes for fault in outcome.faults()]
    lines += ["", f"Lost or beyond the bounds: {len(bad)} of {len(outcomes) * len(ACCURACIES)}."]
    return "\n".join(lines + [f"- {fault}" for fault in bad])


def run(quick: bool) -> str:
    """Markdown section with speeds and accuracy."""
    return "\n\n".join(["## Engine", "### Speed", speed_section(quick), "### Accuracy", accuracy_section()])


if __name__ == "__main__":
    print(run("--quick" in sys.argv[1:]))
