"""Families of programs as vectors on the unit cube, and the set points an instrument accepts.

A family is a number of oven ramps and a carrier mode. Its vector holds, in this order,

    start temperature, first hold, then rate, target and hold of each ramp, and the carrier's set value;

the hold after the last ramp is left out: a run lasts until its last peak is out. Isothermal programs have a
temperature and a set value alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from models.programs import Array, CarrierProgram, OvenProgram, Program, ProgramBatch, Ramp
from models.units import SECONDS_PER_MINUTE
from optimizer.errors import ScenarioError
from optimizer.goal import heating_band, heating_limit
from optimizer.scenario import Scenario

CarrierKind = Literal["flow", "pressure"]

LONGEST_HOLD = 20 * SECONDS_PER_MINUTE  # s, of the first hold and those between ramps
SHORT_HOLD = 20.0  # s; holds are spread evenly in ln(hold + this), dense where most optima lie
SLOWEST = 0.5 / SECONDS_PER_MINUTE  # K/s; slower ramps are as good as a hold
EDGE = 1e-3  # K; how far above the edge of a heating band the next one begins
LEAST_RISE = 2.0  # K between the ends of a ramp
WORDS = ("isothermal", "one ramp", "two ramps", "three ramps")


@dataclass(frozen=True)
class Family:
    """Programs with the same number of ramps and the same kind of carrier control.

    Attributes
    ----------
    ramps : int, 0 to 3
    controlled : "flow" or "pressure"
    low, high : (D,) arrays, bounds in SI units
    logarithmic : (D,) bool array, which variables are spread evenly on a logarithmic scale
    shift : (D,) array, added before the logarithm: holds start at zero
    heating_limits : bands (up to [K], rate [K/s]), ascending
    step : (D,) array, the instrument's steps in SI units
    offset : (D,) array, what is added to a multiple of the step (0 °C in kelvin, ambient pressure)
    """

    ramps: int
    controlled: CarrierKind
    low: Array
    high: Array
    logarithmic: NDArray[np.bool_]
    shift: Array
    heating_limits: tuple[tuple[float, float], ...]
    step: Array
    offset: Array

    @property
    def name(self) -> str:
        """In words, as shown to people."""
        return f"{WORDS[self.ramps]}, constant {self.controlled}"

    @property
    def size(self) -> int:
        """Number of variables."""
        return int(self.low.size)

    @property
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

    @property
    def rates(self) -> NDArray[np.intp]:
        """Positions of the heating rates."""
        return np.array([2 + 3 * i for i in range(self.ramps)], dtype=np.intp)

    def ordered(self, z: Array) -> Array:
        """The same points with the temperatures of each sorted upwards and no rate above its heating limit."""
        z = np.clip(z, 0.0, 1.0)
        z[..., self.temperatures] = np.sort(z[..., self.temperatures], axis=-1)
        if self.ramps:
            T = self.values(z)[..., self.temperatures]
            z[..., self.rates] = np.minimum(z[..., self.rates], self._highest_rate(T))
        return z

    def _highest_rate(self, T: Array) -> Array:
        """The heating limits of the ramps between temperatures (..., ramps + 1) [K], on the unit cube."""
        low, high = self.low[self.rates], self.high[self.rates]
        limit = np.clip(heating_limit(self.heating_limits, T[..., :-1], T[..., 1:]), low, high)
        span = np.log(high / low)
        result: Array = np.where(span > 0, np.log(limit / low) / np.where(span > 0, span, 1.0), 1.0)
        return result

    @property
    def stepping(self) -> NDArray[np.intp]:
        """Positions of the temperatures whose heating band decides how fast a ramp may be.

        Where limits fall with temperature, as ovens' do, only the end of a ramp matters.
        """
        rates = [rate for _, rate in self.heating_limits]
        falling = all(a >= b for a, b in pairwise(rates))
        return self.temperatures[1:] if falling else self.temperatures

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
        return ProgramBatch(self.controlled, times, temperatures, np.zeros((N, 1)), values[:, -1:])

    def rounded(self, values: Array) -> Array:
        """The nearest set values the instrument accepts, inside the bounds."""
        low = np.ceil((self.low - self.offset) / self.step - 1e-9)
        high = np.floor((self.high - self.offset) / self.step + 1e-9)
        count = np.clip(np.round((values - self.offset) / self.step), low, high)
        result: Array = count * self.step + self.offset
        return result

    def program(self, values: Array, run_time: float, time_step: float) -> Program:
        """The program of set values (D,), ended at the first settable time after `run_time` [s].

        What would begin after the end is dropped; a hold under way is cut at the first multiple of the time step,
        a ramp under way at the first settable temperature at or above the one reached.
        """
        start, carrier = float(values[0]), CarrierProgram(self.controlled, float(values[-1]))

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
                    steps = np.ceil((reached - self.offset[0]) / self.step[0] - 1e-6)
                    target = min(target, float(steps * self.step[0] + self.offset[0]))
                clock += (target - T) / rate
                T = target
                rises.append((rate, target))
                holds.append(0.0)
            wanted = float(values[4 + 3 * i]) if i < self.ramps - 1 else np.inf
            after = min(wanted, up_to_end(clock))
            holds[-1] += after
            clock += after
        ramps = tuple(Ramp(rate, to, hold) for (rate, to), hold in zip(rises, holds[1:], strict=True))
        return Program(OvenProgram(start, holds[0], ramps), carrier)


def families_of(scenario: Scenario) -> list[Family]:
    """The families a scenario allows, simplest first."""
    kinds: list[CarrierKind] = []
    for mode in scenario.search.carrier_modes:
        if mode == "constant flow":
            kinds.append("flow")
        elif mode == "constant pressure":
            kinds.append("pressure")
    return [family(scenario, ramps, kind) for ramps in range(scenario.search.max_ramps + 1) for kind in kinds]


def family(scenario: Scenario, ramps: int, controlled: CarrierKind) -> Family:
    """One family within the scenario's limits."""
    instrument, steps = scenario.instrument, scenario.instrument.steps
    T = (scenario.min_temperature, scenario.max_temperature, False, steps.temperature, 273.15)
    hold = (0.0, LONGEST_HOLD, True, steps.time, 0.0)
    fastest = max(rate for _, rate in instrument.heating_limits)
    rate = (min(max(SLOWEST, steps.rate), fastest), fastest, True, steps.rate, 0.0)
    if controlled == "flow":
        carrier = (instrument.min_flow, instrument.max_flow, True, steps.flow, 0.0)
    else:
        # The pneumatics hold no less than the room's pressure, whatever the outlet.
        carrier = (
            scenario.ambient_pressure + steps.pressure,
            instrument.max_inlet_pressure,
            False,
            steps.pressure,
            scenario.ambient_pressure,
        )
    variables = [T] if ramps == 0 else [T, hold]
    for i in range(ramps):
        variables += [rate, T] if i == ramps - 1 else [rate, T, hold]
    variables.append(carrier)
    columns = list(zip(*variables, strict=True))
    _require_settable(scenario, variables[0], "temperature", "°C")
    _require_settable(scenario, variables[-1], controlled, "mL/min" if controlled == "flow" else "kPa gauge")
    return Family(
        ramps,
        controlled,
        np.array(columns[0], dtype=float),
        np.array(columns[1], dtype=float),
        np.array(columns[2], dtype=bool),
        np.array([SHORT_HOLD if variable is hold else 0.0 for variable in variables]),
        instrument.heating_limits,
        np.array(columns[3], dtype=float),
        np.array(columns[4], dtype=float),
    )


def _require_settable(
    scenario: Scenario, variable: tuple[float, float, bool, float, float], name: str, unit: str
) -> None:
    """A range narrower than the instrument's step may hold no settable value at all."""
    low, high, _, step, offset = variable
    if np.ceil((low - offset) / step - 1e-9) > np.floor((high - offset) / step + 1e-9):
        raise ScenarioError(
            f"{scenario.path}: instrument.steps: no {name} that can be set ({unit}) lies between the limits; make "
            "the step smaller or the limits wider"
        )
