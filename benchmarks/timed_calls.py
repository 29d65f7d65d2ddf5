"""Engine calls to be timed, one at a time, as asked for on standard input: run unchanged on two trees by `against`.

`python -P timed_calls.py` with PYTHONPATH on a tree; it uses only what both trees have. A request is a line of JSON:
a task (below), how often to repeat the call, and a file for its times and widths, or null. The answer is the
processor's seconds that a call took.
"""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Callable
from functools import cache
from pathlib import Path

import numpy as np

from models.units import flow_si

try:
    from models.column.carrier_gas import CARRIER_GASES
    from models.column.programs import CarrierProgram, OvenProgram, Program, Ramp, batch_of
    from models.column.retention import Retention, with_typical_values
    from models.column.system import Column, ColumnSystem
    from models.peaks import migration
except ModuleNotFoundError:  # where they were in the older tree
    from models.carrier_gas import CARRIER_GASES
    from models.programs import CarrierProgram, OvenProgram, Program, Ramp, batch_of
    from models.retention import Retention, with_typical_values
    from models.system import ColumnSystem

    from models import migration
    from models.column import Column

migrate, migration_tables = migration.migrate, migration.migration_tables

AMBIENT = 101325.0  # Pa
STEP = 1e-4  # of a set point's range, as in a descent
Peaks = tuple[np.ndarray, np.ndarray]  # retention times and widths [s]

# Controlled carrier variable, outlet [Pa], whether the carrier is ramped, and its range.
FLOWS = (float(flow_si(0.72)), float(flow_si(3.0)))
MODES = {
    "constant pressure": ("pressure", AMBIENT, False, (AMBIENT + 50e3, AMBIENT + 250e3)),
    "constant flow": ("flow", AMBIENT, False, FLOWS),
    "constant velocity": ("velocity", AMBIENT, False, (0.2, 0.6)),
    "pressure ramp": ("pressure", AMBIENT, True, (AMBIENT + 50e3, AMBIENT + 250e3)),
    "flow ramp": ("flow", AMBIENT, True, FLOWS),
    "constant flow, vacuum": ("flow", 0.0, False, FLOWS),
}


def program(mode: str, z: np.ndarray) -> Program:
    """Two oven ramps with holds, the carrier constant (nine set points, z in 0 to 1) or with one ramp (eleven)."""
    controlled, _, ramped, (low, high) = MODES[mode]
    start, middle, last = 310 + 60 * z[0], 390 + 90 * z[1], 500 + 100 * z[2]
    ramps = (
        Ramp((2 + 38 * z[3]) / 60, middle, 120 * z[4]),
        Ramp((2 + 38 * z[5]) / 60, last, 120 * z[6]),
    )
    value = low + (high - low) * z[8]
    carrier = CarrierProgram(controlled, value)
    if ramped:
        target = low + (high - low) * z[9]
        carrier = CarrierProgram(
            controlled, value, 600 * z[10], (Ramp((high - low) / 600, target),) if target != value else ()
        )
    return Program(OvenProgram(start, 120 * z[7], ramps), carrier)


def set_points(mode: str, count: int) -> np.ndarray:
    """Of some programs, (count, 9 or 11), the same on both trees."""
    return np.random.default_rng(5).uniform(0.0, 1.0 - STEP, (count, 11 if MODES[mode][2] else 9))


@cache
def tables(mode: str, compounds: int):
    """Tables of a mixture on 30 m x 0.25 mm x 0.25 µm in helium."""
    rng = np.random.default_rng(7)
    typical = with_typical_values(np.sort(rng.uniform(320, 600, compounds)))
    retention = Retention(typical.T0, typical.theta * rng.uniform(0.9, 1.1, compounds), typical.dCp)
    controlled, outlet, _, _ = MODES[mode]
    system = ColumnSystem(Column(30.0, 0.25e-3, 0.25e-6), CARRIER_GASES["helium"], outlet)
    return migration_tables(system, retention, controlled)


def batch(mode: str, compounds: int, size: int, accuracy: str) -> Callable[[], Peaks]:
    """A batch of programs."""
    table = tables(mode, compounds)
    programs = batch_of([program(mode, z) for z in set_points(mode, size)])

    def call() -> Peaks:
        peaks = migrate(table, programs, accuracy)
        return peaks.retention_time, peaks.width

    return call


def point_with_slopes(mode: str, compounds: int) -> Callable[[], Peaks]:
    """A point and how its times and widths answer to every set point; its corners, and their changes, are prepared.

    By neighbours in one batch, as a descent did it, where the tree has no slopes by set points of its own.
    """
    table = tables(mode, compounds)
    (at,) = set_points(mode, 1)
    points = np.concatenate([at[None], at + STEP * np.eye(len(at))])
    programs = batch_of([program(mode, z) for z in points])

    def by_neighbours() -> Peaks:
        peaks = migrate(table, programs, "polish")
        slopes = [(each[1:] - each[0]) / STEP for each in (peaks.retention_time, peaks.width)]
        assert all(each.shape == (len(at), compounds) for each in slopes)
        return peaks.retention_time[:1], peaks.width[:1]

    if not hasattr(migration, "Directions"):
        return by_neighbours
    corners = ("oven_times", "oven_temperatures", "carrier_times", "carrier_values")
    moved = (getattr(programs, name) for name in corners)
    directions = migration.Directions(*(((each[1:] - each[0]) / STEP)[None] for each in moved))
    one = programs[:1]

    def in_one_pass() -> Peaks:
        peaks = migrate(table, one, "polish", directions)
        assert peaks.slopes.width.shape[1] >= len(at)
        return peaks.retention_time, peaks.width

    return in_one_pass


def draws(mode: str) -> Callable[[], Peaks]:
    """One program, simulated accurately and judged against a goal in 200 draws of what is uncertain."""
    from benchmarks.draws import uncertain

    try:
        from optimizer.goal.drawn_margins import drawn_margins
    except ModuleNotFoundError:  # where it was in the older tree
        from optimizer.standing import standing as drawn_margins

    problem = uncertain(mode)
    name = mode.replace("program", "ramp")
    one = batch_of([program(name, set_points(name, 1)[0])])

    def call() -> Peaks:
        assessment = problem.assess(one, "polish")
        drawn_margins(problem, one, assessment)
        return assessment.retention, assessment.width_half

    return call


def cases(file: str) -> Callable[[], Peaks]:
    """Cases that `agreement` wrote, polished; all on a row of their own, nan where the engine refuses one."""

    def carrier_or_oven(values: list) -> tuple:
        start, hold, ramps = values
        return start, hold, tuple(Ramp(*ramp) for ramp in ramps)

    def peaks(case: dict) -> np.ndarray:
        gas, outlet, *corrections = case["system"]
        system = ColumnSystem(Column(*case["column"]), CARRIER_GASES[gas], outlet, *corrections)
        retention = Retention(*np.array(case["retention"]))
        oven = OvenProgram(*carrier_or_oven(case["oven"]))
        carrier = CarrierProgram(case["controlled"], *carrier_or_oven(case["carrier"]))
        try:
            found = migrate(
                migration_tables(system, retention, case["controlled"]),
                batch_of([Program(oven, carrier)]),
                "polish",
            )
        except Exception as error:
            print(f"{error!r}", file=sys.stderr)
            return np.full((2, len(retention)), np.nan)
        return np.concatenate([found.retention_time, found.width])

    given = json.loads(Path(file).read_text(encoding="utf-8"))

    def call() -> Peaks:
        times, widths = np.swapaxes([peaks(case) for case in given], 0, 1)
        return times, widths

    return call


TASKS = {"batch": batch, "point": point_with_slopes, "draws": draws, "cases": cases}


def main() -> None:
    """Answer requests until standard input ends."""

    @cache
    def prepared(name: str, *arguments: object) -> Callable[[], Peaks]:
        call = TASKS[name](*arguments)
        call()  # so that compiling and first look-ups are not timed
        return call

    for line in sys.stdin:
        asked = json.loads(line)
        call = prepared(*asked["task"])
        if asked["save"]:
            np.savez(asked["save"], *call())
        began = time.process_time()
        for _ in range(asked["repeats"]):
            call()
        print((time.process_time() - began) / asked["repeats"], flush=True)


if __name__ == "__main__":
    main()
