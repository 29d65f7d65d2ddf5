"""Every limit but resolution, as signed relative margins of a batch of programs: zero on the limit, positive when kept.

Margins are smooth in the set points wherever physics is, so that a descent can follow them; `limit_texts` says the
same in the reader's units.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cache, cached_property, partial

import numpy as np
from numpy.typing import NDArray

from models.column.carrier_flow import flow
from models.column.programs import Array, ProgramBatch, corners
from models.column.system import ColumnSystem, inlet_pressure
from models.peaks.resolution import resolution
from models.peaks.thermal_exposure import (
    Decomposition,
    decomposition,
    highest_temperature,
    ln_decomposed,
    softened_time_above,
)
from optimizer.scenario.data import Scenario
from optimizer.scenario.instrument_data import HeatingLimit

Index = NDArray[np.intp]

LATE = 1e6  # s, stands for the retention time of a compound that does not elute
SOFT = 1.0  # K below a temperature from which time begins to count as above it, so that descents see it come
LEAST_DECOMPOSED = 1e-9  # an intact fraction of one cannot be asked for


@dataclass(frozen=True)
class Runs:
    """N programs and what they do to M compounds: what limits are read from.

    Attributes
    ----------
    batch : ProgramBatch, as set
    column : ProgramBatch, as the column feels it
    retention, width : (N, M) arrays  [s], at half height; LATE and 1 where not eluted
    elution_temperature, retention_factor : (N, M) arrays  [K], [-]; nan where not eluted
    end : (N,) array  [s], end of the last peak
    pressure, flow : (N, Q) arrays  [Pa], [m3/s], at the corners of oven and carrier and half-way between
    """

    batch: ProgramBatch
    column: ProgramBatch
    retention: Array
    width: Array
    elution_temperature: Array
    retention_factor: Array
    end: Array
    pressure: Array
    flow: Array


Margin = Callable[[Runs], Array]


@dataclass(frozen=True)
class Limits:
    """The limits of a scenario by name; K of them, the same for every program.

    Attributes
    ----------
    names, margins : K of each
    equipment : (K,) bool array: limits of column, oven, pneumatics and inlet, which no program may break; the others
        are wishes, which programs come closer to or not
    """

    names: tuple[str, ...]
    margins: tuple[Margin, ...]
    equipment: NDArray[np.bool_]

    @cached_property
    def wishes(self) -> Limits:
        """Those that are no limits of the equipment."""
        kept = np.flatnonzero(~self.equipment)
        return Limits(
            tuple(self.names[at] for at in kept),
            tuple(self.margins[at] for at in kept),
            self.equipment[kept],
        )

    def __call__(self, runs: Runs) -> Array:
        """(N, K) margins."""
        return np.array([margin(runs) for margin in self.margins]).T


def limits_of(scenario: Scenario, targets: Index) -> Limits:
    """All limits of a scenario; `targets` (T,) are the compounds that its times concern."""
    wishes = [*_of_elution(scenario, targets), *_of_analytes(scenario), *_of_order(scenario)]
    equipment = [*_of_pneumatics(scenario), *_of_oven(scenario), *_of_inlet(scenario)]
    named = [*wishes, *equipment]
    return Limits(
        tuple(name for name, _ in named),
        tuple(margin for _, margin in named),
        np.arange(len(named)) >= len(wishes),
    )


def carried(system: ColumnSystem, batch: ProgramBatch, bake_out: float | None = None) -> tuple[Array, Array]:
    """Inlet pressure and flow (N, Q) where their extremes lie: corners of a program and half-way between.

    With a `bake_out` temperature [K] also there, at the carrier's last set value.
    """
    _, T, carrier = (np.ascontiguousarray(values.T) for values in corners(batch))
    T = np.concatenate([T, (T[:, 1:] + T[:, :-1]) / 2], axis=1)
    last = carrier[:, -1:]
    carrier = np.concatenate([carrier, (carrier[:, 1:] + carrier[:, :-1]) / 2], axis=1)
    if bake_out is not None:
        T = np.concatenate([T, np.full((len(T), 1), bake_out)], axis=1)
        carrier = np.concatenate([carrier, last], axis=1)
    pressure = inlet_pressure(system, batch.controlled, carrier, T)
    return pressure, flow(system.column, system.gas, T, pressure, system.outlet_pressure)


def first_elution(retention: Array, width_half: Array, targets: Index) -> Array:
    """When the first of the targets begins to leave [s]: (..., M) arrays to (...,)."""
    begins = retention[..., targets] - width_half[..., targets]
    result: Array = begins.min(axis=-1, initial=LATE)
    return result


def _of_elution(scenario: Scenario, targets: Index) -> Iterator[tuple[str, Margin]]:
    goal = scenario.goal
    if goal.earliest_elution > 0:
        yield (
            "earliest elution",
            lambda runs: first_elution(runs.retention, runs.width, targets) / goal.earliest_elution - 1,
        )
    latest = goal.latest_elution
    if latest is not None:
        yield "latest elution", lambda runs: 1 - runs.retention[:, targets].max(axis=1, initial=0.0) / latest
    if goal.min_retention_factor > 0:
        yield (
            "retention factor at elution",
            lambda runs: (
                np.nan_to_num(runs.retention_factor[:, targets], nan=0.0).min(axis=1, initial=np.inf)
                / goal.min_retention_factor
                - 1
            ),
        )


def _of_pneumatics(scenario: Scenario) -> Iterator[tuple[str, Margin]]:
    instrument = scenario.instrument
    gauge = instrument.max_inlet_pressure - scenario.ambient_pressure
    # The pneumatics hold no less than the room's pressure, whatever the outlet.
    least = max(instrument.min_inlet_pressure, scenario.ambient_pressure)
    yield (
        "largest inlet pressure",
        lambda runs: (instrument.max_inlet_pressure - runs.pressure.max(axis=1)) / gauge,
    )
    yield "smallest inlet pressure", lambda runs: (runs.pressure.min(axis=1) - least) / gauge
    yield "smallest column flow", lambda runs: runs.flow.min(axis=1) / instrument.min_flow - 1
    yield "largest column flow", lambda runs: 1 - runs.flow.max(axis=1) / instrument.largest_column_flow
    yield "carrier rate", partial(_carrier_rate, instrument.max_pressure_rate, instrument.max_flow_rate)
    most = scenario.inlet.max_total_flow
    if most is not None:
        yield "total flow", lambda runs: 1 - scenario.inlet.total_flow(runs.flow.max(axis=1)) / most


def _carrier_rate(pressure_rate: float, flow_rate: float, runs: Runs) -> Array:
    batch = runs.batch
    limit = {"pressure": pressure_rate, "flow": flow_rate}.get(batch.controlled, np.inf)
    change, duration = np.abs(np.diff(batch.carrier_values)), np.diff(batch.carrier_times)
    rate = change / np.maximum(duration, 1e-9)
    result: Array = 1 - rate.max(axis=1, initial=0.0) / limit
    return result


def _of_oven(scenario: Scenario) -> Iterator[tuple[str, Margin]]:
    lowest, highest = scenario.lowest_temperature, scenario.highest_temperature
    span = max(highest - lowest, 1.0)
    bands = scenario.instrument.heating_limits

    def heating(runs: Runs) -> Array:
        T = runs.batch.oven_temperatures
        rise, duration = np.diff(T, axis=1), np.diff(runs.batch.oven_times, axis=1)
        rate = rise / np.where(duration > 0, duration, np.inf)
        result: Array = (1 - rate / heating_limit(bands, T[:, :-1], T[:, 1:])).min(axis=1, initial=1.0)
        return result

    yield "oven heating rate", heating
    yield (
        "highest column temperature",
        lambda runs: (highest - runs.batch.oven_temperatures.max(axis=1)) / span,
    )
    yield (
        "lowest column temperature",
        lambda runs: (runs.batch.oven_temperatures.min(axis=1) - lowest) / span,
    )
    if highest > scenario.max_temperature:
        bake = scenario.goal.bake_out
        after = bake.hold if bake is not None and bake.temperature > scenario.max_temperature else 0.0

        def stay(runs: Runs) -> Array:
            above = softened_time_above(
                runs.batch, runs.end[:, None], np.array([0]), np.array([scenario.max_temperature]), SOFT
            )[:, 0]
            result: Array = 1 - (above + after) / scenario.max_time_above_continuous
            return result

        yield "time above the continuous column limit", stay


def _of_inlet(scenario: Scenario) -> Iterator[tuple[str, Margin]]:
    inlet = scenario.inlet
    start = inlet.highest_start
    if start is not None:
        span = max(scenario.highest_temperature - scenario.lowest_temperature, 1.0)
        yield "start below the solvent", lambda runs: (start - runs.batch.oven_temperatures[:, 0]) / span
    if inlet.shortest_first_hold > 0:

        def hold(runs: Runs) -> Array:
            T = runs.batch.oven_temperatures
            moved = T[:, :1] != T
            first = np.where(moved.any(axis=1), moved.argmax(axis=1) - 1, -1)
            held = runs.batch.oven_times[np.arange(len(T)), first]
            held = np.where(moved.any(axis=1), held, np.maximum(held, runs.end))
            result: Array = held / inlet.shortest_first_hold - 1
            return result

        yield "first hold and purge", hold


def _of_analytes(scenario: Scenario) -> Iterator[tuple[str, Margin]]:
    span = max(scenario.highest_temperature - scenario.lowest_temperature, 1.0)
    for m, name in enumerate(scenario.compounds):
        detail = scenario.detail(name)
        at = np.array([m])
        if detail.max_elution_temperature is not None:
            yield (
                f"elution temperature of {name}",
                partial(_below, detail.max_elution_temperature, span, m),
            )
        if detail.max_time_above is not None:
            limit = detail.max_time_above
            yield (
                f"time of {name} above a temperature",
                partial(_short_above, limit.temperature, limit.duration, span, at),
            )
        if detail.decomposition is not None and detail.min_intact_fraction is not None:
            kinetics = decomposition_of(scenario, (name,))
            most = max(-np.log(detail.min_intact_fraction), LEAST_DECOMPOSED)
            yield f"intact fraction of {name}", partial(_intact, kinetics, most, at)
        if detail.near is not None:
            others = np.array([scenario.compounds.index(other) for other in detail.near.compounds])
            yield f"{name} near its compounds", partial(_near, m, others, detail.near.within)


def decomposition_of(scenario: Scenario, compounds: tuple[str, ...]) -> Decomposition:
    """The kinetics of compounds that have them stated."""
    stated = [scenario.detail(name).decomposition for name in compounds]
    known = [each for each in stated if each is not None]
    return decomposition(
        np.array([each.activation_energy for each in known]),
        np.array([each.half_life for each in known]),
        np.array([each.temperature for each in known]),
    )


def _below(limit: float, span: float, m: int, runs: Runs) -> Array:
    T = runs.elution_temperature[:, m]
    result: Array = (limit - np.where(np.isfinite(T), T, runs.column.oven_temperatures[:, -1])) / span
    return result


def _short_above(limit: float, longest: float, span: float, at: Index, runs: Runs) -> Array:
    if longest <= 0:
        result: Array = (limit - highest_temperature(runs.column, runs.retention, at)[:, 0]) / span
        return result
    stay = softened_time_above(runs.column, runs.retention, at, np.array([limit]), SOFT)[:, 0]
    return 1 - stay / longest


def _intact(kinetics: Decomposition, most: float, at: Index, runs: Runs) -> Array:
    """-ln(X/Xmax), X = ln(1/intact fraction): nearly straight in the set points, X being exponential in 1/T."""
    X = ln_decomposed(runs.column, runs.retention, at, kinetics)[:, 0]
    result: Array = -np.log(np.maximum(X, 1e-300) / most)
    return result


def _near(m: int, others: Index, within: float, runs: Runs) -> Array:
    apart = np.abs(runs.retention[:, others] - runs.retention[:, m : m + 1])
    result: Array = 1 - apart.max(axis=1) / within
    return result


def _of_order(scenario: Scenario) -> Iterator[tuple[str, Margin]]:
    for first, second in scenario.in_order:
        a, b = scenario.compounds.index(first), scenario.compounds.index(second)

        def ahead(runs: Runs, a: int = a, b: int = b) -> Array:
            t, w = runs.retention, runs.width
            return resolution(t[:, a], t[:, b], w[:, a], w[:, b])

        yield f"{first} before {second}", ahead


def heating_limit(bands: tuple[HeatingLimit, ...], start: Array, end: Array) -> Array:
    """Largest heating rate [K/s] of ramps from `start` to `end` [K], any matching shapes.

    Bands are (up to [K], rate [K/s]), ascending; a ramp must respect the slowest of those it passes through.
    """
    last = len(bands) - 1
    # A ramp that starts on an edge is in the band above it from the first moment.
    first = np.minimum(heating_band(bands, np.asarray(start) + 2e-6), last)
    result: Array = _slowest(bands)[first, np.minimum(heating_band(bands, np.asarray(end)), last)]
    return result


@cache
def _slowest(bands: tuple[HeatingLimit, ...]) -> Array:
    """Rates (Z, Z) [K/s] of the slowest band that a ramp from one band into another passes through."""
    rates, each = [rate for _, rate in bands], range(len(bands))
    return np.array([[min(rates[min(a, b) : max(a, b) + 1]) for b in each] for a in each])


def heating_band(bands: tuple[HeatingLimit, ...], T: Array) -> Index:
    """Number of the band that a temperature [K] lies in, its upper edge included; any shape."""
    result: Index = _edges(bands).searchsorted(T - 1e-6)
    return result


@cache
def _edges(bands: tuple[HeatingLimit, ...]) -> Array:
    """Upper edges (Z,) [K] of the bands."""
    return np.array([up_to for up_to, _ in bands])
