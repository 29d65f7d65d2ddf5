"""What is asked of a program: which pairs count, which limits hold, and how far a batch of programs is off.

Margins are relative and signed: zero on the limit, positive when kept, so that one number compares a resolution
with a pressure. All of a batch is assessed in one call of the engine.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from models.carrier_flow import flow
from models.fitting import Fit
from models.migration import Accuracy, MigrationTables, migrate, migration_tables
from models.programs import Array, Controlled, ProgramBatch
from models.resolution import HALF_HEIGHT_WIDTH, pair_resolution
from models.system import inlet_pressure
from optimizer.scenario import Scenario

Index = NDArray[np.intp]

END_OF_PEAK = 1.5  # half-height widths from the apex of the last peak to the end of the run: 3.5 sigma
END_SHARE = 0.005  # of its retention time, beside that: what an oven a little late moves it; common practice, no source
LONGEST_RUN = 4 * 3600.0  # s; longer programs are no answer unless the runs known so far take about as long
LATE = 1e6  # s, stands for the retention time of a compound that does not elute
TABLE_MARGIN = 60.0  # K of room around the column's limits that the tables cover


@dataclass(frozen=True)
class Pairs:
    """The pairs of compounds that count: (P, 2) indices and (P,) resolutions they need."""

    index: Index
    needed: Array


def counted_pairs(scenario: Scenario) -> Pairs:
    """Every pair the scenario wants resolved, with the resolution it needs."""
    names = scenario.compounds
    index, needed = [], []
    for i in range(len(names)):
        for j in range(i + 1, len(names)):
            wanted = scenario.required_resolution(names[i], names[j])
            if wanted is not None:
                index.append((i, j))
                needed.append(wanted)
    return Pairs(np.array(index, dtype=np.intp).reshape(-1, 2), np.array(needed))


@dataclass(frozen=True)
class Assessment:
    """A batch of N programs against the goal; all times in s.

    Attributes
    ----------
    retention, width_half : (N, M) arrays
    run_time : (N,) array, end of the last peak
    limits : (N, K) array of margins of everything but resolution, in the order of `Problem.limit_names`
    """

    retention: Array
    width_half: Array
    run_time: Array
    limits: Array


@dataclass(frozen=True)
class Problem:
    """A scenario and its fit, ready to assess programs.

    Attributes
    ----------
    scenario : Scenario
    fit : Fit
    pairs : Pairs
    targets : (T,) indices of the compounds whose elution the limits concern
    """

    scenario: Scenario
    fit: Fit
    pairs: Pairs
    targets: Index
    tables: dict[Controlled, MigrationTables]

    @cached_property
    def partners(self) -> tuple[NDArray[np.bool_], Array]:
        """Whether two compounds count as a pair (M, M), and the resolution they need (M, M)."""
        size = len(self.scenario.compounds)
        counts, needed = np.zeros((size, size), dtype=bool), np.zeros((size, size))
        i, j = self.pairs.index.T
        counts[i, j] = counts[j, i] = True
        needed[i, j] = needed[j, i] = self.pairs.needed
        return counts, needed

    @property
    def limit_names(self) -> tuple[str, ...]:
        """Names of the limits in `Assessment.limits`."""
        return (
            "earliest elution",
            "largest inlet pressure",
            "smallest inlet pressure",
            "smallest column flow",
            "largest column flow",
            "oven heating rate",
            "highest column temperature",
            "lowest column temperature",
            "longest run",
        )

    def assess(self, batch: ProgramBatch, accuracy: Accuracy = "screen") -> Assessment:
        """Simulate and hold against the limits."""
        peaks = migrate(self.tables[batch.controlled], batch, accuracy)
        retention = np.where(peaks.eluted, peaks.retention_time, LATE)
        width = np.where(peaks.eluted, peaks.width * HALF_HEIGHT_WIDTH, 1.0)
        run_time = end_of_peak(retention, width).max(axis=1)
        limits = np.concatenate(
            [self._limits(batch, retention, width), 1 - run_time[:, None] / self.longest_run], axis=1
        )
        return Assessment(retention, width, run_time, limits)

    @cached_property
    def longest_run(self) -> float:
        """Run time [s] beyond which a program is not worth having: 4 h, or twice the longest known."""
        known = [run.program.oven.duration for run in self.scenario.runs]
        if self.scenario.current is not None:
            known.append(self.scenario.current.oven.duration)
        return max(LONGEST_RUN, 2 * max(known, default=0.0))

    def resolution_margins(self, assessment: Assessment) -> Array:
        """(N, P) margins of all counted pairs: Rs/needed - 1, whatever the order."""
        found = pair_resolution(assessment.retention, assessment.width_half, self.pairs.index)
        result: Array = found / self.pairs.needed - 1
        return result

    def smallest_margin(self, assessment: Assessment) -> Array:
        """(N,) the smallest margin of anything."""
        limits: Array = assessment.limits.min(axis=1)
        if not len(self.pairs.needed):
            return limits
        result: Array = np.minimum(self.resolution_margins(assessment).min(axis=1), limits)
        return result

    def _limits(self, batch: ProgramBatch, retention: Array, width: Array) -> Array:
        """(N, K) margins; the oven and carrier ones at the corners of the program, where their extremes lie."""
        scenario, instrument = self.scenario, self.scenario.instrument
        earliest = scenario.goal.earliest_elution
        first = first_elution(retention, width, self.targets)
        T = batch.oven_temperatures
        carrier = batch.carrier_values[:, :1]
        system = self.fit.system
        pressure = inlet_pressure(system, batch.controlled, carrier, T)
        flows = flow(system.column, system.gas, T, pressure, system.outlet_pressure)
        gauge = instrument.max_inlet_pressure - scenario.ambient_pressure
        span = scenario.max_temperature - scenario.min_temperature
        rise, duration = np.diff(T, axis=1), np.diff(batch.oven_times, axis=1)
        rate = rise / np.where(duration > 0, duration, np.inf)
        limit = heating_limit(instrument.heating_limits, T[:, :-1], T[:, 1:])
        return np.stack(
            [
                first / earliest - 1 if earliest > 0 else np.ones(len(T)),
                (instrument.max_inlet_pressure - pressure.max(axis=1)) / gauge,
                (pressure.min(axis=1) - scenario.ambient_pressure) / gauge,
                flows.min(axis=1) / instrument.min_flow - 1,
                1 - flows.max(axis=1) / instrument.max_flow,
                (1 - rate / limit).min(axis=1),
                (scenario.max_temperature - T.max(axis=1)) / span,
                (T.min(axis=1) - scenario.min_temperature) / span,
            ],
            axis=1,
        )


def end_of_peak(retention: Array, width_half: Array) -> Array:
    """When a peak is over [s], with room for what a run may be late; any shape."""
    result: Array = (1 + END_SHARE) * retention + END_OF_PEAK * width_half
    return result


def first_elution(retention: Array, width_half: Array, targets: Index) -> Array:
    """When the first of the targets begins to leave [s]: (..., M) arrays to (...,)."""
    begins = retention[..., targets] - width_half[..., targets]
    result: Array = begins.min(axis=-1, initial=LATE)
    return result


def heating_limit(bands: tuple[tuple[float, float], ...], start: Array, end: Array) -> Array:
    """Largest heating rate [K/s] of ramps from `start` to `end` [K], any matching shapes.

    Bands are (up to [K], rate [K/s]), ascending; a ramp must respect the slowest of those it passes through.
    """
    rates = [rate for _, rate in bands]
    last = len(bands) - 1
    slowest = np.array(
        [[min(rates[min(a, b) : max(a, b) + 1]) for b in range(last + 1)] for a in range(last + 1)]
    )
    # A ramp that starts on an edge is in the band above it from the first moment.
    first = np.minimum(heating_band(bands, np.asarray(start) + 2e-6), last)
    result: Array = slowest[first, np.minimum(heating_band(bands, np.asarray(end)), last)]
    return result


def heating_band(bands: tuple[tuple[float, float], ...], T: Array) -> Index:
    """Number of the band that a temperature [K] lies in, its upper edge included; any shape."""
    edges = np.array([up_to for up_to, _ in bands])
    result: Index = np.searchsorted(edges, T - 1e-6)
    return result


def problem_of(scenario: Scenario, fit: Fit) -> Problem:
    """Everything the search needs, with tables for every carrier variable it may set."""
    kinds: set[Controlled] = {"flow", "pressure"}
    kinds |= {run.program.carrier.controlled for run in scenario.runs}
    if scenario.current is not None:
        kinds.add(scenario.current.carrier.controlled)
    low = scenario.min_temperature - TABLE_MARGIN
    high = max(scenario.max_temperature, scenario.max_programmed_temperature) + TABLE_MARGIN
    tables = {kind: migration_tables(fit.system, fit.retention, kind, low, high) for kind in kinds}
    names = scenario.compounds
    targets = [m for m, name in enumerate(names) if scenario.role(name) in ("target", "internal standard")]
    return Problem(scenario, fit, counted_pairs(scenario), np.array(targets, dtype=np.intp), tables)
