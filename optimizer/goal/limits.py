"""Limits as objects: each knows its margin, its words, by how much it is missed, and the scenario without it.

Margins are relative and signed: zero on the limit, positive when kept, and smooth in the set points wherever physics
is, so that a descent can follow them. Here are the limits of the equipment: pneumatics, oven, column, inlet and the
longest run, which no program may break. `requirements` has those of the goal, which can be given up.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import cache
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from models.column.programs import Array, Program, ProgramBatch, corners, values_at
from models.column.system import ColumnSystem, flow, inlet_pressure
from models.peaks.injection import NARROW_BAND
from models.peaks.thermal_exposure import softened_time_above
from models.units import SECONDS_PER_MINUTE, celsius, flow_mL_min, gauge_kPa
from optimizer.base.errors import ScenarioError
from optimizer.goal.outcome import Prediction
from optimizer.goal.split import band_margin, largest_total_flow, lowest_inlet, narrowest
from optimizer.scenario.data import Scenario
from optimizer.scenario.instrument_data import HeatingLimit

Index = NDArray[np.intp]
Bands = tuple[HeatingLimit, ...]

LATE = 1e6  # s, stands for the retention time of a compound that does not elute
SOFT = 1.0  # K below a temperature from which time begins to count as above it, so that descents see it come
TOLERATED = 1e-6  # relative, by which a heating rate may be above its limit: rounding
LONGEST_RUN = 4 * 3600.0  # s; longer programs are no answer unless the runs known so far take about as long


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
Words = Callable[[Prediction], str]


@dataclass(frozen=True)
class Limit:
    """A limit of the equipment, or a requirement of the goal; equal to that of the same name for the same compounds.

    Attributes
    ----------
    name : str, as results have it
    margin : of N programs, (N,) array
    text : of a prediction, the value it has and the value it may have; empty where it has no such value
    kind : str, of requirements that differ in their compounds alone, e.g. "elution temperatures"
    compounds : names of those it concerns; empty where it concerns the program
    missed_by : of a prediction that misses it, by how much; empty where the text says so
    given_up : str, what giving up a requirement means
    without : of a scenario, the same without the requirement; None for a limit of the equipment
    by_times : bool, whether the retention times of a run decide it
    """

    name: str
    margin: Margin = field(compare=False)
    text: Words = field(compare=False)
    kind: str = ""
    compounds: tuple[str, ...] = ()
    missed_by: Words = field(default=lambda prediction: "", compare=False)
    given_up: str = field(default="", compare=False)
    without: Callable[[Scenario], Scenario] | None = field(default=None, compare=False)
    by_times: bool = field(default=False, compare=False)

    @property
    def is_requirement(self) -> bool:
        """Whether it is the goal's, not the equipment's."""
        return self.without is not None

    def shortfall(self, prediction: Prediction) -> str:
        """What it is in a prediction that misses it, what is required, and by how much it is missed."""
        return ": ".join(filter(None, (self.text(prediction), self.missed_by(prediction))))


@dataclass(frozen=True)
class Resolution:
    """The resolution of all counted pairs, in place of a `Limit` for each: they are too many."""

    is_requirement: ClassVar[bool] = True


RESOLUTION = Resolution()
Requirement = Limit | Resolution


def margins(limits: tuple[Limit, ...], runs: Runs) -> Array:
    """(N, K) margins of K limits."""
    return np.array([limit.margin(runs) for limit in limits]).T


def equipment_of(scenario: Scenario) -> Iterator[Limit]:
    """Every limit of the equipment."""
    yield from _of_pneumatics(scenario)
    yield from _of_oven(scenario)
    yield from _of_inlet(scenario)
    longest, minute = longest_run(scenario), SECONDS_PER_MINUTE
    why = ", twice the longest run known" if longest > LONGEST_RUN else ""
    yield Limit(
        "longest run",
        lambda runs: 1 - runs.end / longest,
        lambda seen: (
            f"run of {seen.run_time / minute:.0f} min (the search stops at {longest / minute:.0f} min{why})"
        ),
    )


def longest_run(scenario: Scenario) -> float:
    """Run time [s] beyond which a program is not worth having: 4 h, or twice the longest known."""
    known = [run.program.oven.duration for run in scenario.runs]
    if scenario.current is not None:
        known.append(scenario.current.oven.duration)
    return max(LONGEST_RUN, 2 * max(known, default=0.0))


def carried(system: ColumnSystem, batch: ProgramBatch, bake_out: float | None = None) -> tuple[Array, Array]:
    """Inlet pressure and flow (N, Q) where their extremes lie: corners of a program and half-way between.

    With a `bake_out` temperature [K] also there, at the carrier's last set value.
    """
    _, T, carrier = corners(batch)
    last = carrier[:, -1:]
    T, carrier = _with_middles(T), _with_middles(carrier)
    if bake_out is not None:
        T = np.concatenate([T, np.full((len(T), 1), bake_out)], axis=1)
        carrier = np.concatenate([carrier, last], axis=1)
    pressure = inlet_pressure(system, batch.controlled, carrier, T)
    return pressure, flow(system.column, system.gas, T, pressure, system.outlet_pressure)


def _with_middles(values: Array) -> Array:
    """Values (N, B) at corners, then those half-way between."""
    return np.concatenate([values, (values[:, 1:] + values[:, :-1]) / 2], axis=1)


def _of_pneumatics(scenario: Scenario) -> Iterator[Limit]:
    instrument, ambient = scenario.instrument, scenario.ambient_pressure
    # The pneumatics hold no less than the room's pressure, whatever the outlet.
    most, least = instrument.max_inlet_pressure, max(instrument.min_inlet_pressure, ambient)
    small, large = instrument.min_flow, instrument.largest_column_flow
    gauge = most - ambient

    def kPa(pressure: float) -> str:
        return f"{gauge_kPa(pressure, ambient):.0f}"

    def mL_min(flow: float, decimals: int = 2) -> str:
        return f"{flow_mL_min(flow):.{decimals}f}"

    yield Limit(
        "largest inlet pressure",
        lambda runs: (most - runs.pressure.max(axis=1)) / gauge,
        lambda seen: f"inlet pressure up to {kPa(seen.inlet_pressure.max())} kPa gauge (limit {kPa(most)})",
    )
    yield Limit(
        "smallest inlet pressure",
        lambda runs: (runs.pressure.min(axis=1) - least) / gauge,
        lambda seen: (
            f"inlet pressure down to {kPa(seen.inlet_pressure.min())} kPa gauge (limit {kPa(least)})"
        ),
    )
    yield Limit(
        "smallest column flow",
        lambda runs: runs.flow.min(axis=1) / small - 1,
        lambda seen: f"column flow down to {mL_min(seen.flow.min())} mL/min (limit {mL_min(small)})",
    )
    yield Limit(
        "largest column flow",
        lambda runs: 1 - runs.flow.max(axis=1) / large,
        lambda seen: f"column flow up to {mL_min(seen.flow.max())} mL/min (limit {mL_min(large)})",
    )
    yield _carrier_rate(instrument.max_pressure_rate, instrument.max_flow_rate)
    yield from _of_detector(scenario)
    yield from _of_split(scenario)


def _of_split(scenario: Scenario) -> Iterator[Limit]:
    """The total flow, and the injected band where the split ratio is chosen; both at the ratio that suits them best."""
    inlet, total = scenario.inlet, scenario.inlet.max_total_flow
    lowest = lowest_inlet(scenario)
    if total is not None:

        def taken(runs: Runs) -> Array:
            if inlet.gas_saver is None:
                return np.asarray(1 - lowest.total_flow(runs.flow.max(axis=1)) / total)
            after = inlet.gas_saver.after
            times = _carried_times(runs.batch, runs.flow.shape[1])
            order = np.argsort(times, axis=1, kind="stable")
            times, flows = np.take_along_axis(times, order, 1), np.take_along_axis(runs.flow, order, 1)
            then = values_at(np.full((len(times), 1), after), times, flows)
            before = np.maximum(np.where(times < after, flows, 0.0).max(axis=1), then[:, 0])
            saved = flows.max(axis=1) + inlet.gas_saver.vent_flow + inlet.septum_purge
            return np.asarray(1 - np.maximum(lowest.total_flow(before), saved) / total)

        def words(seen: Prediction) -> str:
            flow = flow_mL_min(largest_total_flow(scenario, seen))
            return f"total flow up to {flow:.0f} mL/min (limit {flow_mL_min(total):.0f})"

        yield Limit("total flow", taken, words)
    if inlet.choose_split and inlet.injected_volume is not None:
        yield Limit(
            "injected band",
            lambda runs: band_margin(scenario, runs.flow, runs.pressure, narrowest(scenario, runs.width)),
            lambda seen: (
                f"injected band within {NARROW_BAND:g} of the standard deviation of the narrowest target, "
                f"{narrowest(scenario, seen.width_half):.2g} s"
            ),
        )


def _carried_times(batch: ProgramBatch, count: int) -> Array:
    """Times [s] of what `carried` gives (N, Q); a bake-out comes after all others."""
    times = _with_middles(corners(batch)[0])
    last = times.max(axis=1, keepdims=True) + 1.0
    return np.concatenate([times, np.repeat(last, count - times.shape[1], axis=1)], axis=1)


def _of_detector(scenario: Scenario) -> Iterator[Limit]:
    detector = scenario.detector
    make_up, least, most = detector.make_up, detector.min_total_flow, detector.max_total_flow

    def text(flow: float, limit: float, way: str) -> str:
        total = f"{flow_mL_min(flow + make_up):.1f} mL/min"
        return f"flow into the detector, with make-up, {way} {total} (limit {flow_mL_min(limit):.1f} mL/min)"

    if least is not None:
        yield Limit(
            "smallest flow into the detector",
            lambda runs: (runs.flow.min(axis=1) + make_up) / least - 1,
            lambda seen: text(float(seen.flow.min()), least, "down to"),
        )
    if most is not None:
        yield Limit(
            "largest flow into the detector",
            lambda runs: 1 - (runs.flow.max(axis=1) + make_up) / most,
            lambda seen: text(float(seen.flow.max()), most, "up to"),
        )


def _carrier_rate(pressure_rate: float, flow_rate: float) -> Limit:
    def margin(runs: Runs) -> Array:
        batch = runs.batch
        limit = {"pressure": pressure_rate, "flow": flow_rate}.get(batch.controlled, np.inf)
        times, values = batch.carrier_times, batch.carrier_values
        if values.shape[1] == 1:
            return np.ones(batch.size)
        change, duration = values[:, 1:] - values[:, :-1], times[:, 1:] - times[:, :-1]
        rate = np.abs(change) / np.maximum(duration, 1e-9)
        return np.asarray(1 - rate.max(axis=1, initial=0.0) / limit)

    def text(seen: Prediction) -> str:
        carrier, minute = seen.program.carrier, SECONDS_PER_MINUTE
        if not carrier.ramps:
            return ""
        fastest = max(ramp.rate for ramp in carrier.ramps) * minute
        if carrier.controlled == "flow":
            rate, limit = flow_mL_min(fastest), flow_mL_min(flow_rate * minute)
            return f"flow ramped at up to {rate:.2f} mL/min per min (limit {limit:.2f})"
        return (
            f"pressure ramped at up to {fastest / 1e3:.1f} kPa/min (limit {pressure_rate * minute / 1e3:.1f})"
        )

    return Limit("carrier rate", margin, text)


def _of_oven(scenario: Scenario) -> Iterator[Limit]:
    lowest, highest = scenario.lowest_temperature, scenario.highest_temperature
    span = max(highest - lowest, 1.0)
    yield _heating_rate(scenario.instrument.heating_limits)
    yield Limit(
        "highest column temperature",
        lambda runs: (highest - runs.batch.oven_temperatures.max(axis=1)) / span,
        lambda seen: (
            f"column up to {celsius(seen.program.oven.highest):.0f} °C (limit {celsius(highest):.0f} °C)"
        ),
    )
    yield Limit(
        "lowest column temperature",
        lambda runs: (runs.batch.oven_temperatures.min(axis=1) - lowest) / span,
        lambda seen: (
            f"column down to {celsius(min(seen.program.oven.knots()[1])):.0f} °C (limit {celsius(lowest):.0f} °C)"
        ),
    )
    continuous, longest = scenario.max_temperature, scenario.max_time_above_continuous
    if highest > continuous:
        bake = scenario.goal.bake_out
        after = bake.hold if bake is not None and bake.temperature > continuous else 0.0

        def stay(runs: Runs) -> Array:
            above = softened_time_above(
                runs.batch, runs.end[:, None], np.array([0]), np.array([continuous]), SOFT
            )[:, 0]
            return 1 - (above + after) / longest

        yield Limit(
            "time above the continuous column limit",
            stay,
            lambda seen: (
                f"stay above {celsius(continuous):.0f} °C (limit {longest / SECONDS_PER_MINUTE:.1f} min)"
            ),
        )


def _heating_rate(bands: Bands) -> Limit:
    def margin(runs: Runs) -> Array:
        times, T = runs.batch.oven_times, runs.batch.oven_temperatures
        start, end, duration = T[:, :-1], T[:, 1:], times[:, 1:] - times[:, :-1]
        rate = (end - start) / np.where(duration > 0, duration, np.inf)
        return np.asarray((1 - rate / heating_limit(bands, start, end)).min(axis=1, initial=1.0))

    def text(seen: Prediction) -> str:
        heating = max(_heating(bands, seen.program), key=lambda ramp: ramp[2] / ramp[3], default=None)
        if heating is None:
            return ""
        _, where, rate, limit = heating
        return f"heating at {rate:.1f} °C/min {where} (limit {limit:.1f} °C/min)"

    return Limit("oven heating rate", margin, text)


def _heating(bands: Bands, program: Program) -> Iterator[tuple[int, str, float, float]]:
    """Of each ramp that heats its number, from and to where, its rate and the largest there [K/min]."""
    start, minute = program.oven.start, SECONDS_PER_MINUTE
    for number, ramp in enumerate(program.oven.ramps, 1):
        if ramp.target > start:
            limit = float(heating_limit(bands, np.array(start), np.array(ramp.target)))
            where = f"from {celsius(start):.0f} to {celsius(ramp.target):.0f} °C"
            yield number, where, ramp.rate * minute, limit * minute
        start = ramp.target


def check_heating(scenario: Scenario, program: Program, origin: str) -> None:
    """Refuse a program that is to be run and heats faster than the oven can; one that was run is only warned of.

    Parameters
    ----------
    origin : where the program comes from, for messages

    Raises
    ------
    ScenarioError : naming each such ramp, and the fastest rate there with the key that states it
    """
    if program in (scenario.current, *(run.program for run in scenario.runs)):
        return
    bands = scenario.instrument.heating_limits
    too_fast = [
        f"{origin}: oven.ramps[{number}].rate_C_per_min = {rate:g}: {where} the oven heats at no more than {most:g} "
        f"°C/min ({scenario.path}: instrument.heating_limits)"
        for number, where, rate, most in _heating(bands, program)
        if rate > most * (1 + TOLERATED)
    ]
    if too_fast:
        raise ScenarioError(too_fast)


def _of_inlet(scenario: Scenario) -> Iterator[Limit]:
    inlet, minute = scenario.inlet, SECONDS_PER_MINUTE
    start = inlet.highest_start
    if start is not None:
        span = max(scenario.highest_temperature - scenario.lowest_temperature, 1.0)
        yield Limit(
            "start below the solvent",
            lambda runs: (start - runs.batch.oven_temperatures[:, 0]) / span,
            lambda seen: (
                f"start at {celsius(seen.program.oven.start):.0f} °C (not above {celsius(start):.0f} °C)"
            ),
        )
    if inlet.shortest_first_hold > 0:

        def hold(runs: Runs) -> Array:
            T = runs.batch.oven_temperatures
            moved = T[:, :1] != T
            first = np.where(moved.any(axis=1), moved.argmax(axis=1) - 1, -1)
            held = runs.batch.oven_times[np.arange(len(T)), first]
            held = np.where(moved.any(axis=1), held, np.maximum(held, runs.end))
            return held / inlet.shortest_first_hold - 1

        yield Limit(
            "first hold and purge",
            hold,
            lambda seen: (
                f"first hold of {seen.program.oven.hold / minute:.2f} min (not below the purge-on time, "
                f"{inlet.shortest_first_hold / minute:.2f} min)"
            ),
        )


def heating_limit(bands: Bands, start: Array, end: Array) -> Array:
    """Largest heating rate [K/s] of ramps from `start` to `end` [K], any matching shapes.

    Bands are (up to [K], rate [K/s]), ascending; a ramp must respect the slowest of those it passes through.
    """
    # A ramp that starts on an edge is in the band above it from the first moment.
    return np.asarray(_slowest(bands)[heating_band(bands, start + 2e-6), heating_band(bands, end)])


@cache
def _slowest(bands: Bands) -> Array:
    """Rates (Z + 1, Z + 1) [K/s] of the slowest band that a ramp from one into another passes through.

    What is above the last band is as in it.
    """
    rates, each = [rate for _, rate in (*bands, bands[-1])], range(len(bands) + 1)
    return np.array([[min(rates[min(a, b) : max(a, b) + 1]) for b in each] for a in each])


def heating_band(bands: Bands, T: Array) -> Index:
    """Number of the band that a temperature [K] lies in, its upper edge included; any shape."""
    return _edges(bands).searchsorted(T - 1e-6)


@cache
def _edges(bands: Bands) -> Array:
    """Upper edges (Z,) [K] of the bands."""
    return np.array([up_to for up_to, _ in bands])
