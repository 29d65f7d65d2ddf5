"""Random cases on which the engine is held against the reference integrator, and the comparison itself."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np

from models.carrier_gas import CARRIER_GASES
from models.column import Column
from models.migration import LONGEST_RETENTION, Migration, migrate, migration_tables
from models.programs import Controlled, Program, batch_of
from models.retention import Retention, with_typical_values
from models.system import ColumnSystem
from tests.reference.adapter import random_program, reference_peak
from tests.reference.integrator import Peak

CONTROLLED: tuple[Controlled, ...] = ("pressure", "flow", "velocity")
OUTLETS = (101325.0, 0.0)  # Pa
COMPOUNDS = 30
KINDS = tuple(product(CONTROLLED, OUTLETS, (False, True), (False, True)))


@dataclass(frozen=True)
class Case:
    """A program on a column system, and the compounds that travel."""

    system: ColumnSystem
    retention: Retention
    program: Program
    carrier_ramps: bool
    steep: bool

    @property
    def kind(self) -> str:
        """What is varied, in words."""
        outlet = "vacuum" if self.system.outlet_pressure == 0 else "ambient"
        return f"{self.program.carrier.mode}, {outlet}"

    @property
    def separable(self) -> bool:
        """Whether the clock alone gives the retention time exactly."""
        constant = not self.program.carrier.ramps
        if self.system.outlet_pressure == 0:
            return constant or self.program.carrier.controlled == "pressure"
        return constant and self.program.carrier.controlled == "pressure"


def compounds(rng: np.random.Generator) -> Retention:
    """Thirty compounds, the first hardly retained, the last hardly ever eluted."""
    T0 = np.sort(np.concatenate([[160.0, 900.0], rng.uniform(300, 650, COMPOUNDS - 2)]))
    typical = with_typical_values(T0)
    return Retention(
        T0,
        typical.theta * rng.uniform(0.9, 1.1, COMPOUNDS),
        np.maximum(typical.dCp + rng.uniform(-20, 20, COMPOUNDS), 0.0),
    )


def random_cases(seed: int, count: int) -> Iterator[Case]:
    """Cases that go round all carrier modes, outlets, and fast and slow ramps."""
    rng = np.random.default_rng(seed)
    gases = list(CARRIER_GASES.values())
    for number in range(count):
        controlled, outlet, carrier_ramps, steep = KINDS[number % len(KINDS)]
        column = Column(
            float(rng.choice([15.0, 30.0, 60.0])),
            float(rng.choice([0.18e-3, 0.25e-3, 0.32e-3])),
            float(rng.choice([0.1e-6, 0.25e-6, 1e-6])),
        )
        system = ColumnSystem(
            column,
            gases[int(rng.integers(0, 2))],
            outlet,
            float(rng.uniform(0.97, 1.03)),
            float(rng.uniform(0.8, 1.3)),
            float(rng.choice([0.0, 0.5])),
        )
        program = random_program(rng, controlled, outlet, carrier_ramps, steep)
        yield Case(system, compounds(rng), program, carrier_ramps, steep)


@dataclass(frozen=True)
class Errors:
    """Relative errors of one peak: retention time (both accuracies), width when screening and when polishing."""

    case: Case
    compound: int
    time_screen: float
    time_polish: float
    width_screen: float
    width_polish: float


def against_reference(case: Case, which: Sequence[int]) -> Iterator[Errors | str]:
    """Errors of given compounds; a sentence for one that only the engine or only the reference lets elute."""
    tables = migration_tables(case.system, case.retention, case.program.carrier.controlled)
    batch = batch_of([case.program])
    runs = {accuracy: migrate(tables, batch, accuracy) for accuracy in ("screen", "polish")}
    for m in which:
        reference = reference_peak(case.system, case.retention, m, case.program)
        if reference is None or reference.time > LONGEST_RETENTION:
            for accuracy, run in runs.items():
                if run.eluted[0, m]:
                    yield f"{accuracy}: compound {m} elutes at {run.retention_time[0, m]:.1f} s, the reference not"
            continue
        if not all(run.eluted[0, m] for run in runs.values()):
            yield f"compound {m} does not elute, in the reference at {reference.time:.1f} s"
            continue
        yield _errors(case, m, reference, runs["screen"], runs["polish"])


def _errors(case: Case, m: int, reference: Peak, screen: Migration, polish: Migration) -> Errors:
    def off(values: np.ndarray, true: float) -> float:
        return abs(float(values[0, m]) / true - 1)

    return Errors(
        case,
        m,
        off(screen.retention_time, reference.time),
        off(polish.retention_time, reference.time),
        off(screen.width, reference.width),
        off(polish.width, reference.width),
    )
