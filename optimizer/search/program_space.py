"""Families of programs as vectors on the unit cube, and the set points an instrument accepts.

A family is a number of oven ramps, a carrier variable and a number of carrier ramps. Its vector holds, in this order,

    start temperature, first hold, then rate, target and hold of each ramp,
    the carrier's first set value, then hold, rate and target of each of its ramps, the hold coming before the ramp;

the hold after the last ramp is left out: a run lasts until its last peak is out. Isothermal programs have a
temperature alone before the carrier.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from models.column.programs import Array, CarrierProgram, Controlled, OvenProgram, Program, ProgramBatch, Ramp
from models.units import SECONDS_PER_MINUTE
from optimizer.base.errors import ScenarioError
from optimizer.goal.limits import heating_band, heating_limit
from optimizer.scenario.data import Scenario
from optimizer.scenario.instrument_data import HeatingLimit
from optimizer.scenario.instrument_steps import VELOCITY_STEP

LONGEST_HOLD = 40 * SECONDS_PER_MINUTE  # s, of the first hold and those between ramps
SHORT_HOLD = 20.0  # s; holds are spread evenly in ln(hold + this), dense where most optima lie
SLOWEST = 0.5 / SECONDS_PER_MINUTE  # K/s; slower ramps are as good as a hold
EDGE = 1e-3  # K; how far above the edge of a heating band the next one begins
LEADING_THERE = 0.5  # share of carrier ramps put before what a simpler program has, rather than after
AT_END = 0.4  # share of them without a hold before, and of those as fast as can be
AT_EDGE = 0.5  # share of ramps across a step of the heating limits that are split there
LEAST_RISE = 2.0  # K between the ends of a ramp
WORDS = ("isothermal", "one ramp", "two ramps", "three ramps", "four ramps", "five ramps")
CARRIERS: tuple[Controlled, ...] = ("flow", "pressure", "velocity")  # the last is not ramped
VELOCITIES = (0.05, 3.0)  # m/s, of constant velocity; flow and pressure limits bound it further


@dataclass(frozen=True)
class Family:
    """Programs with the same number of ramps and the same kind of carrier control.

    Attributes
    ----------
    ramps : int, 0 to 5, of the oven
    controlled : "flow", "pressure" or "velocity"
    carrier_ramps : int, 0 to 2
    low, high : (D,) arrays, bounds in SI units
    logarithmic : (D,) bool array, which variables are spread evenly on a logarithmic scale
    shift : (D,) array, added before the logarithm: holds start at zero
    heating_limits : bands, ascending
    step : (D,) array, the instrument's steps in SI units
    offset : (D,) array, what is added to a multiple of the step (0 °C in kelvin, ambient pressure)
    """

    ramps: int
    controlled: Controlled
    carrier_ramps: int
    low: Array
    high: Array
    logarithmic: NDArray[np.bool_]
    shift: Array
    heating_limits: tuple[HeatingLimit, ...]
    step: Array
    offset: Array

    @property
    def name(self) -> str:
        """In words, as shown to people."""
        return f"{WORDS[self.ramps]}, {carrier_words(self.controlled, self.carrier_ramps)}"

    @property
    def size(self) -> int:
        """Number of variables."""
        return int(self.low.size)

    @property
    def carrier_at(self) -> int:
        """Position of the carrier's first set value."""
        return 3 * self.ramps + 1

    @cached_property
    def temperatures(self) -> NDArray[np.intp]:
        """Positions of the start temperature and the targets."""
        return np.array([0, *(3 + 3 * i for i in range(self.ramps))], dtype=np.intp)

    def values(self, z: Array) -> Array:
        """Set values (..., D) in SI from points on the unit cube."""
        low, high = self.low + self.shift, self.high + self.shift
        linear = low + z * (high - low)
        ratio = np.where(self.logarithmic, high / np.where(self.logarithmic, low, 1.0), 1.0)
        result: Array = np.where(self.logarithmic, low * ratio**z, linear) - self.shift
        return result

    def points(self, values: Array) -> Array:
        """Points on the unit cube (..., D) from set values in SI: `values` turned round."""
        low, high, values = self.low + self.shift, self.high + self.shift, values + self.shift
        wide = high != low
        linear = (values - low) / np.where(wide, high - low, 1.0)
        logs = np.log(np.where(self.logarithmic, values / low, 1.0))
        span = np.log(np.where(self.logarithmic & wide, high / low, np.e))
        result: Array = np.clip(np.where(self.logarithmic, logs / span, linear), 0.0, 1.0)
        return result

    @cached_property
    def rates(self) -> NDArray[np.intp]:
        """Positions of the heating rates."""
        return np.array([2 + 3 * i for i in range(self.ramps)], dtype=np.intp)

    def ordered(self, z: Array) -> Array:
        """The same points with the temperatures of each sorted upwards and no rate above its heating limit."""
        z = np.clip(z, 0.0, 1.0)
        if self.ramps:
            at = self.temperatures
            T = np.sort(self.values(z)[..., at], axis=-1)
            span = self.high[at] - self.low[at]
            z[..., at] = np.clip((T - self.low[at]) / np.where(span > 0, span, 1.0), 0.0, 1.0)
            z[..., self.rates] = np.minimum(z[..., self.rates], self._highest_rate(T))
        return z

    def _highest_rate(self, T: Array) -> Array:
        """The heating limits of the ramps between temperatures (..., ramps + 1) [K], on the unit cube."""
        low, high = self.low[self.rates], self.high[self.rates]
        limit = np.clip(heating_limit(self.heating_limits, T[..., :-1], T[..., 1:]), low, high)
        span = np.log(high / low)
        result: Array = np.where(span > 0, np.log(limit / low) / np.where(span > 0, span, 1.0), 1.0)
        return result

    @cached_property
    def stepping(self) -> NDArray[np.intp]:
        """Positions of the temperatures whose heating band decides how fast a ramp may be.

        Where limits fall with temperature, as ovens' do, only the end of a ramp matters.
        """
        rates = [rate for _, rate in self.heating_limits]
        falling = all(a >= b for a, b in pairwise(rates))
        return self.temperatures[1:] if falling else self.temperatures

    @cached_property
    def _edges(self) -> list[float]:
        """Where heating limits step, on the unit cube of the targets."""
        at, edges = self.temperatures[-1], np.array([up_to for up_to, _ in self.heating_limits[:-1]])
        return list((edges - self.low[at]) / max(float(self.high[at] - self.low[at]), EDGE))

    def bands(self, z: Array) -> NDArray[np.intp]:
        """Heating bands of those temperatures, (..., n)."""
        return heating_band(self.heating_limits, self.values(z)[..., self.stepping])

    def bounds(self, z: Array) -> tuple[Array, Array]:
        """Bounds (D,) on the unit cube within which heating limits do not step: those of the point's bands."""
        low, high = np.zeros(self.size), np.ones(self.size)
        if not self.ramps:
            return low, high
        edges = np.array([-np.inf, *(up_to for up_to, _ in self.heating_limits[:-1]), np.inf])
        at = self.stepping
        band = np.minimum(self.bands(z), len(edges) - 2)
        span = np.where(self.high[at] > self.low[at], self.high[at] - self.low[at], 1.0)
        low[at] = np.clip((edges[band] + EDGE - self.low[at]) / span, 0.0, 1.0)
        high[at] = np.clip((edges[band + 1] - self.low[at]) / span, low[at], 1.0)
        high[self.rates] = self._highest_rate(self.values(z)[self.temperatures])
        return low, high

    def batch(self, values: Array) -> ProgramBatch:
        """Programs from set values (N, D); a target below the temperature before it counts as no ramp."""
        N = len(values)
        times, temperatures = np.zeros((N, 2 + 2 * self.ramps)), np.empty((N, 2 + 2 * self.ramps))
        temperatures[:, :2] = values[:, :1]
        if self.ramps:
            times[:, 1] = values[:, 1]
        for i in range(self.ramps):
            rate, target = values[:, 2 + 3 * i], np.maximum(values[:, 3 + 3 * i], temperatures[:, 2 * i + 1])
            hold = values[:, 4 + 3 * i] if i < self.ramps - 1 else 0.0
            times[:, 2 * i + 2] = times[:, 2 * i + 1] + (target - temperatures[:, 2 * i + 1]) / rate
            times[:, 2 * i + 3] = times[:, 2 * i + 2] + hold
            temperatures[:, 2 * i + 2] = temperatures[:, 2 * i + 3] = target
        return ProgramBatch(self.controlled, times, temperatures, *self._carrier(values))

    def _carrier(self, values: Array) -> tuple[Array, Array]:
        """Times and set values (N, C) of the carrier's corners."""
        at, N = self.carrier_at, len(values)
        if not self.carrier_ramps:
            return np.zeros((N, 1)), values[:, at : at + 1]
        corners = 1 + 2 * self.carrier_ramps
        times, set_values = np.zeros((N, corners)), np.empty((N, corners))
        set_values[:, 0] = values[:, at]
        for i in range(self.carrier_ramps):
            hold, rate, target = values[:, at + 1 + 3 * i : at + 4 + 3 * i].T
            now = 2 * i
            times[:, now + 1] = times[:, now] + hold
            set_values[:, now + 1] = set_values[:, now]
            times[:, now + 2] = times[:, now + 1] + np.abs(target - set_values[:, now]) / rate
            set_values[:, now + 2] = target
        return times, set_values

    def widened(self, simpler: Family, z: Array, rng: np.random.Generator) -> Array:
        """Points (K, D) that hold programs (K, d) of a family with fewer carrier ramps, the rest at random."""
        points = rng.random((len(z), self.size))
        shared = simpler.size
        points[:, :shared] = z
        for i in range(simpler.carrier_ramps, self.carrier_ramps):
            # Ramps that start where the simpler program is, and go a random way from there, or lead to it.
            target = shared + 3 * (i - simpler.carrier_ramps) + 2
            before = target - 3 if i else self.carrier_at
            known = points[:, before].copy()
            moved = known + rng.uniform(-1.0, 1.0, len(z)) ** 3
            leading = rng.random(len(z)) < LEADING_THERE
            points[:, before], points[:, target] = (
                np.where(leading, moved, known),
                np.where(leading, known, moved),
            )
            at = slice(target - 2, target)  # its hold and rate: often none, and the fastest
            points[:, at] += np.where(rng.random((len(z), 2)) < AT_END, [-1.0, 1.0], 0.0)
        return np.clip(points, 0.0, 1.0)

    def split(self, simpler: Family, z: Array, rng: np.random.Generator) -> Array:
        """Points (K, D) near programs (K, d) of a family with one oven ramp less: one of its ramps is cut in two."""
        points = rng.random((len(z), self.size))
        points[:, self.carrier_at :] = z[:, simpler.carrier_at :]
        points[:, :2] = z[:, :2]
        for point, old in zip(points, z, strict=True):
            cut = int(rng.integers(simpler.ramps))
            corners = [0.0, *(old[3 + 3 * i] for i in range(simpler.ramps))]
            corners[0] = old[0]
            for i in range(self.ramps):
                source = i if i <= cut else i - 1
                point[2 + 3 * i], point[3 + 3 * i] = old[2 + 3 * source], old[3 + 3 * source]
                if i < self.ramps - 1:
                    after = 4 + 3 * source
                    point[4 + 3 * i] = old[after] if i != cut and source < simpler.ramps - 1 else 0.0
            low, high = corners[cut], corners[cut + 1]
            edges = [edge for edge in self._edges if low < edge < high]
            if edges and rng.random() < AT_EDGE:  # as fast as the oven can until its limit steps
                point[2 + 3 * cut], point[3 + 3 * cut], point[4 + 3 * cut] = 1.0, rng.choice(edges), 0.0
                continue
            point[3 + 3 * cut] = low + rng.random() * (high - low)
            point[4 + 3 * cut] = 0.5 * rng.random() ** 2
            point[5 + 3 * cut] += 0.3 * rng.standard_normal()
        return np.clip(points, 0.0, 1.0)

    def rounded(self, values: Array) -> Array:
        """The nearest set values the instrument accepts, inside the bounds."""
        low = np.ceil((self.low - self.offset) / self.step - 1e-9)
        high = np.floor((self.high - self.offset) / self.step + 1e-9)
        count = np.clip(np.round((values - self.offset) / self.step), low, high)
        result: Array = count * self.step + self.offset
        return result

    def program(self, values: Array, run_time: float, time_step: float, eased: bool = False) -> Program:
        """The program of set values (D,), ended at the first settable time after `run_time` [s].

        What would begin after the end is dropped; a hold under way is cut at the first multiple of the time step,
        a ramp under way at the first settable temperature at or above the one reached. A slow ramp may take a minute
        for that: `eased`, it ends at the last settable temperature before, which is held to the end.
        """
        start = float(values[0])

        def up_to_end(clock: float) -> float:
            return float(np.ceil(max(run_time - clock, 0.0) / time_step - 1e-6) * time_step)

        holds = [min(float(values[1]), up_to_end(0.0)) if self.ramps else up_to_end(0.0)]
        rises: list[tuple[float, float]] = []  # rate and target; holds has one more
        clock, T = holds[0], start
        for i in range(self.ramps):
            if clock >= run_time:
                break
            rate, target = float(values[2 + 3 * i]), float(values[3 + 3 * i])
            if target > T:
                reached = T + rate * (run_time - clock)
                if reached < target:
                    steps = (reached - self.offset[0]) / self.step[0]
                    whole = np.floor(steps + 1e-6) if eased else np.ceil(steps - 1e-6)
                    target = min(target, float(whole * self.step[0] + self.offset[0]))
                if target > T:
                    clock += (target - T) / rate
                    T = target
                    rises.append((rate, target))
                    holds.append(0.0)
                if eased and reached < float(values[3 + 3 * i]):
                    holds[-1] += up_to_end(clock)
                    break
            wanted = float(values[4 + 3 * i]) if i < self.ramps - 1 else np.inf
            after = min(wanted, up_to_end(clock))
            holds[-1] += after
            clock += after
        ramps = tuple(Ramp(rate, to, hold) for (rate, to), hold in zip(rises, holds[1:], strict=True))
        return Program(OvenProgram(start, holds[0], ramps), self._carrier_program(values, run_time))

    def _carrier_program(self, values: Array, run_time: float) -> CarrierProgram:
        """The carrier's part; a ramp that would begin after the end, or leads nowhere, is dropped."""
        at = self.carrier_at
        start = now = float(values[at])
        holds, rises, clock = [0.0], [], 0.0
        for i in range(self.carrier_ramps):
            hold, rate, target = (float(value) for value in values[at + 1 + 3 * i : at + 4 + 3 * i])
            clock += hold
            if clock >= run_time:
                break
            holds[-1] += hold
            if abs(target - now) > 1e-9 * now:
                clock += abs(target - now) / rate
                rises.append((rate, target))
                holds.append(0.0)
                now = target
        if not rises:
            return CarrierProgram(self.controlled, start)
        # The value reached is kept to the end of the run: no hold after the last ramp is needed.
        ramps = [Ramp(rate, to, hold) for (rate, to), hold in zip(rises, (*holds[1:-1], 0.0), strict=True)]
        return CarrierProgram(self.controlled, start, holds[0], tuple(ramps))


def carrier_words(controlled: Controlled, ramps: int) -> str:
    """A carrier program in words, as shown to people."""
    if not ramps:
        return f"constant {controlled}"
    return f"{controlled} ramp" if ramps == 1 else f"two {controlled} ramps"


def families_of(scenario: Scenario) -> list[Family]:
    """The families a scenario allows, simplest first."""
    search = scenario.search
    kinds: list[tuple[Controlled, int]] = []
    for controlled in CARRIERS:
        if f"constant {controlled}" in search.carrier_modes:
            kinds.append((controlled, 0))
    for count in range(1, search.max_carrier_ramps + 1):
        for controlled in CARRIERS[:2]:
            if f"{controlled} program" in search.carrier_modes:
                kinds.append((controlled, count))
    # A bake-out is one more ramp of the instrument's.
    baking = 1 if scenario.goal.bake_out is not None else 0
    most = min(search.max_ramps, scenario.instrument.max_oven_ramps - baking)
    return [
        family(scenario, ramps, controlled, count)
        for count in range(search.max_carrier_ramps + 1)
        for ramps in range(max(most, 0) + 1)
        for controlled, own in kinds
        if own == count
    ]


Variable = tuple[float, float, bool, float, float, float]  # low, high, logarithmic, step, offset, shift


def family(scenario: Scenario, ramps: int, controlled: Controlled, carrier_ramps: int = 0) -> Family:
    """One family within the scenario's limits."""
    instrument, steps = scenario.instrument, scenario.instrument.steps
    low, high = scenario.lowest_temperature, scenario.highest_temperature
    T: Variable = (low, high, False, steps.temperature, 273.15, 0.0)
    start = T
    fixed = scenario.search.oven_temperature
    if fixed is not None:
        start = (fixed, fixed, False, steps.temperature, fixed, 0.0)
    elif scenario.inlet.highest_start is not None:
        start = (low, max(min(high, scenario.inlet.highest_start), low), *T[2:])
    hold: Variable = (0.0, LONGEST_HOLD, True, steps.time, 0.0, SHORT_HOLD)
    purge = float(np.ceil(scenario.inlet.shortest_first_hold / steps.time - 1e-9) * steps.time)
    first_hold = (purge, max(LONGEST_HOLD, 2 * purge), *hold[2:])
    fastest = max(rate for _, rate in instrument.heating_limits)
    rate: Variable = (min(max(SLOWEST, steps.rate), fastest), fastest, True, steps.rate, 0.0, 0.0)
    variables = [start] if ramps == 0 else [start, first_hold]
    for i in range(ramps):
        variables += [rate, T] if i == ramps - 1 else [rate, T, hold]
    carrier, carrier_rate = _carrier_variables(scenario, controlled)
    variables.append(carrier)
    for _ in range(carrier_ramps):
        variables += [hold, carrier_rate, carrier]
    columns = list(zip(*variables, strict=True))
    _require_settable(scenario, start, "temperature", "°C")
    _require_settable(scenario, carrier, controlled, UNITS[controlled])
    return Family(
        ramps,
        controlled,
        carrier_ramps,
        np.array(columns[0], dtype=float),
        np.array(columns[1], dtype=float),
        np.array(columns[2], dtype=bool),
        np.array(columns[5], dtype=float),
        instrument.heating_limits,
        np.array(columns[3], dtype=float),
        np.array(columns[4], dtype=float),
    )


UNITS: dict[Controlled, str] = {"flow": "mL/min", "pressure": "kPa gauge", "velocity": "cm/s"}


def _carrier_variables(scenario: Scenario, controlled: Controlled) -> tuple[Variable, Variable]:
    """The carrier's set value, and the rate of its ramps."""
    instrument, steps = scenario.instrument, scenario.instrument.steps
    if controlled == "flow":
        value = (instrument.min_flow, instrument.largest_column_flow, True, steps.flow, 0.0, 0.0)
        slowest = min(steps.flow_rate, instrument.max_flow_rate)
        return value, (slowest, instrument.max_flow_rate, True, steps.flow_rate, 0.0, 0.0)
    if controlled == "velocity":
        velocity = (*VELOCITIES, True, VELOCITY_STEP, 0.0, 0.0)
        return velocity, velocity
    # The pneumatics hold no less than the room's pressure, whatever the outlet.
    room = scenario.ambient_pressure
    lowest = max(room + steps.pressure, instrument.min_inlet_pressure)
    value = (lowest, instrument.max_inlet_pressure, False, steps.pressure, room, 0.0)
    slowest = min(steps.pressure_rate, instrument.max_pressure_rate)
    return value, (slowest, instrument.max_pressure_rate, True, steps.pressure_rate, 0.0, 0.0)


def _require_settable(scenario: Scenario, variable: Variable, name: str, unit: str) -> None:
    """A range narrower than the instrument's step may hold no settable value at all."""
    low, high, _, step, offset, _ = variable
    if np.ceil((low - offset) / step - 1e-9) > np.floor((high - offset) / step + 1e-9):
        raise ScenarioError(
            f"{scenario.path}: instrument.steps: no {name} that can be set ({unit}) lies between the limits; make "
            "the step smaller or the limits wider"
        )
