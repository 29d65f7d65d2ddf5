"""Cases on which the engine is held against the reference integrator, and the comparison itself.

Their ranges are those of a scenario file: rates of ramps up to its largest, columns of 5 to 100 m.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import product
from typing import Literal

import numpy as np

from models.column.carrier_gas import CARRIER_GASES
from models.column.programs import CarrierProgram, Controlled, OvenProgram, Program, Ramp, batch_of
from models.column.retention import Retention, with_typical_values
from models.column.system import Column, ColumnSystem, flow, inlet_pressure_for_velocity
from models.effort import Accuracy
from models.peaks.migration import LONGEST_RETENTION, Migration, migrate, migration_tables
from models.units import flow_si
from tests.reference.adapter import reference_peaks

Change = Literal["constant", "up", "down", "up and down"]

CONTROLLED: tuple[Controlled, ...] = ("pressure", "flow", "velocity")
AMBIENT = 101325.0
OUTLETS = (AMBIENT, 0.0)  # Pa
ACCURACIES: tuple[Accuracy, ...] = ("screen", "polish")
COMPOUNDS = 30

# Largest relative errors of times and widths; of times where the clock alone gives them exactly.
BOUNDS: dict[Accuracy, tuple[float, float]] = {"screen": (1e-4, 5e-3), "polish": (2e-5, 1e-3)}
SEPARABLE = 1e-8

# Largest rates of a scenario file [Pa/s, m3/s2, K/s]; it has no velocity programs, 500 cm/s is its fastest velocity.
FASTEST: dict[Controlled, float] = {
    "pressure": 1000e3 / 60,
    "flow": float(flow_si(100.0)) / 60,
    "velocity": 5.0 / 60,
}
FASTEST_OVEN = 300 / 60
TEMPERATURES = (303.0, 623.0)  # K
VELOCITIES = (0.03, 2.5)  # m/s, of which random set values are made
PRESSURES = (1e3, 1500e3)  # Pa, gauge
FLOWS = (float(flow_si(0.05)), float(flow_si(50.0)))


@dataclass(frozen=True)
class Kind:
    """What is varied: how the carrier changes, and where the oven goes first."""

    controlled: Controlled
    outlet: Literal["ambient", "vacuum"]
    carrier: Change
    oven: Change

    def __str__(self) -> str:
        return f"{self.controlled} {self.carrier}, {self.outlet} outlet, oven {self.oven}"

    @property
    def separable(self) -> bool:
        """Whether the clock alone gives the retention time exactly."""
        if self.outlet == "vacuum":
            return self.carrier == "constant" or self.controlled == "pressure"
        return self.carrier == "constant" and self.controlled == "pressure"


def _kinds() -> Iterator[Kind]:
    """Sixty: all but a constant carrier in a constant oven, which needs no integration."""
    carriers: tuple[Change, ...] = ("constant", "up", "down", "up and down")
    ovens: tuple[Change, ...] = ("constant", "up", "down")
    for controlled, outlet, carrier, oven in product(CONTROLLED, ("ambient", "vacuum"), carriers, ovens):
        if oven != "constant" or carrier in ("up", "down"):
            yield Kind(controlled, outlet, carrier, oven)


KINDS = tuple(_kinds())


@dataclass(frozen=True)
class Case:
    """A program on a column system, the compounds that travel, and those of them that are compared."""

    kind: Kind
    system: ColumnSystem
    retention: Retention
    program: Program
    compared: tuple[int, ...]


def random_cases(seed: int, count: int, kinds: Sequence[Kind] = KINDS) -> Iterator[Case]:
    """Cases that go round the kinds."""
    rng = np.random.default_rng(seed)
    for number in range(count):
        kind = kinds[number % len(kinds)]
        oven = _oven(rng, kind.oven)
        system, carrier = _system_and_carrier(rng, kind, oven.start)
        others = rng.choice(np.arange(1, COMPOUNDS - 1), 3, replace=False)
        compared = (0, *sorted(int(m) for m in others), COMPOUNDS - 1)
        yield Case(kind, system, _compounds(rng), Program(oven, carrier), compared)


def _compounds(rng: np.random.Generator) -> Retention:
    """Thirty compounds, the first hardly retained, the last hardly ever eluted."""
    T0 = np.sort(np.concatenate([[160.0, 900.0], rng.uniform(300, 650, COMPOUNDS - 2)]))
    typical = with_typical_values(T0)
    return Retention(
        T0,
        typical.theta * rng.uniform(0.9, 1.1, COMPOUNDS),
        np.maximum(typical.dCp + rng.uniform(-20, 20, COMPOUNDS), 0.0),
    )


def _rate(rng: np.random.Generator, fastest: float) -> float:
    """One of a hundredth of the fastest to the fastest, which comes up three times of ten."""
    return fastest * (1.0 if rng.random() < 0.3 else float(10 ** rng.uniform(-2, 0)))


def _oven(rng: np.random.Generator, change: Change) -> OvenProgram:
    """None to three ramps, the first as asked for; some holds are of zero length, and some ramps go nowhere."""
    coldest, hottest = TEMPERATURES
    hold = 0.0 if rng.random() < 0.3 else float(rng.uniform(0, 600))
    if change == "constant":
        return OvenProgram(float(rng.uniform(coldest, 520)), hold)
    T = start = float(rng.uniform(coldest, 420) if change == "up" else rng.uniform(380, 570))
    ramps: list[Ramp] = []
    for number in range(rng.integers(1, 4)):
        up = change == "up" if number == 0 else change == "up" or rng.random() < 0.5
        target = (
            T if rng.random() < 0.1 else float(rng.uniform(T, hottest) if up else rng.uniform(coldest, T))
        )
        after = 0.0 if rng.random() < 0.4 else float(rng.uniform(0, 600))
        ramps.append(Ramp(_rate(rng, FASTEST_OVEN), target, after))
        T = target
    return OvenProgram(start, hold, tuple(ramps))


def _system_and_carrier(
    rng: np.random.Generator, kind: Kind, T: float
) -> tuple[ColumnSystem, CarrierProgram]:
    """Column, gas and carrier, drawn until a scenario file would take the set values."""
    low, high = np.log(VELOCITIES)
    while True:
        ambient = AMBIENT if rng.random() < 0.5 else float(rng.uniform(50e3, 110e3))
        bore = float(rng.choice([0.1e-3, 0.18e-3, 0.25e-3, 0.32e-3, 0.53e-3]))
        system = ColumnSystem(
            Column(
                float(np.exp(rng.uniform(np.log(5), np.log(100)))),
                bore,
                float(rng.choice([0.1e-6, 0.25e-6, 1e-6, 5e-6])),
            ),
            list(CARRIER_GASES.values())[int(rng.integers(0, 4))],
            0.0 if kind.outlet == "vacuum" else ambient,
            float(rng.uniform(0.97, 1.03)),
            float(rng.uniform(0.8, 1.3)),
            float(rng.choice([0.0, 0.5])),
            0.0 if rng.random() < 0.5 else float(rng.uniform(1, 20)),
        )
        velocities = np.exp(rng.uniform(low, high, 3))
        if kind.carrier != "constant":
            velocities.sort()
            if kind.carrier == "down":
                velocities = velocities[::-1]
        if kind.carrier == "up and down":
            velocities[1:] = velocities[:0:-1]
        ramps = {"constant": 0, "up and down": 2}.get(kind.carrier, int(rng.integers(1, 3)))
        velocities = velocities[: ramps + 1]
        pressures = inlet_pressure_for_velocity(
            system.column, system.gas, T, velocities, system.outlet_pressure
        )
        flows = flow(system.column, system.gas, T, pressures, system.outlet_pressure)
        gauge = pressures - system.outlet_pressure
        if not (PRESSURES[0] <= gauge.min() and gauge.max() <= PRESSURES[1]):
            continue
        if not (FLOWS[0] <= flows.min() and flows.max() <= FLOWS[1]):
            continue
        start, *targets = {"pressure": pressures, "flow": flows, "velocity": velocities}[
            kind.controlled
        ].tolist()
        # The first change comes between a tenth and ten times the hold-up time.
        hold_up = system.column.length / float(velocities[0])
        hold = 0.0 if rng.random() < 0.2 else hold_up * float(10 ** rng.uniform(-1, 1))
        return system, CarrierProgram(
            kind.controlled,
            start,
            hold,
            tuple(
                Ramp(_rate(rng, FASTEST[kind.controlled]), target, hold_up * float(rng.uniform(0, 3)))
                for target in targets
            ),
        )


@dataclass(frozen=True)
class Outcome:
    """One compound of a case beside the reference, by accuracy.

    Attributes
    ----------
    due : float  [s], retention time of the reference; nan where it does not elute
    lost : accuracies at which only one of the two lets it elute
    times, widths : relative errors, where both let it elute
    """

    case: Case
    compound: int
    due: float
    lost: tuple[Accuracy, ...]
    times: dict[Accuracy, float]
    widths: dict[Accuracy, float]

    def faults(self) -> list[str]:
        """What is out of bounds, in words."""
        found = [f"{accuracy}: {self._lost()}" for accuracy in self.lost]
        for accuracy, (time, width) in BOUNDS.items():
            if self.case.kind.separable and accuracy == "polish":
                time = SEPARABLE
            if not self.times.get(accuracy, 0.0) <= time:
                found.append(f"{accuracy}: time off by {self.times[accuracy]:.1e}")
            if not self.widths.get(accuracy, 0.0) <= width:
                found.append(f"{accuracy}: width off by {self.widths[accuracy]:.1e}")
        if not found:
            return []
        what = f"compound {self.compound} (T0 {self.case.retention.T0[self.compound]:.1f} K), due at {self.due:.3f} s"
        return [f"{self.case.kind}; {what}; {fault}" for fault in found]

    def _lost(self) -> str:
        return "elutes, in the reference not" if np.isnan(self.due) else "does not elute"


def against_reference(cases: Sequence[Case]) -> list[Outcome]:
    """The engine beside the reference, for the compounds of each case that are compared."""
    runs = [(case.system, case.retention[np.array(case.compared)], case.program) for case in cases]
    outcomes = []
    for case, peaks in zip(cases, reference_peaks(runs), strict=True):
        tables = migration_tables(case.system, case.retention, case.program.carrier.controlled)
        batch = batch_of([case.program])
        found = {accuracy: migrate(tables, batch, accuracy) for accuracy in ACCURACIES}
        for m, time, width in zip(case.compared, peaks.time.tolist(), peaks.width.tolist(), strict=True):
            due = time if time <= LONGEST_RETENTION else np.nan
            outcomes.append(_outcome(case, m, due, width, found))
    return outcomes


def _outcome(case: Case, m: int, due: float, width: float, found: dict[Accuracy, Migration]) -> Outcome:
    eluted = {accuracy: bool(run.eluted[0, m]) for accuracy, run in found.items()}
    both = {accuracy: run for accuracy, run in found.items() if eluted[accuracy] and not np.isnan(due)}
    return Outcome(
        case,
        m,
        due,
        tuple(accuracy for accuracy in found if eluted[accuracy] == bool(np.isnan(due))),
        {accuracy: abs(float(run.retention_time[0, m]) / due - 1) for accuracy, run in both.items()},
        {accuracy: abs(float(run.width[0, m]) / width - 1) for accuracy, run in both.items()},
    )
