"""Oven and carrier programs: piecewise-linear set points in time, singly and as batches of arrays; and cooling down.

A program is a start value, a first hold, then ramps, each with a rate, a target and a hold. Past its last
hold it stays at its last value: whether a run is stopped there is the business of whoever asks. After
it an oven cools by

T(t) = Ta + (T0 - Ta) exp(-t/tau),  so that  t = tau ln((T0 - Ta)/(T - Ta))                          [1]

with Ta the room's temperature.

[1] Newton's law of cooling, through one stated point; that ovens follow it is common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from models.errors import InvalidInputError

Array = NDArray[np.float64]
Controlled = Literal["pressure", "flow", "velocity"]

LEAST_EXCESS = 1.0  # K above the room that count as cold: its own temperature is never reached
NO_TIME = 1e-9  # s; a change within less is a jump


@dataclass(frozen=True)
class Ramp:
    """One linear change followed by a hold.

    Attributes
    ----------
    rate : float  [unit of the value per s], > 0; the direction follows from the target
    target : float  [K, Pa, m3/s or m/s]
    hold : float  [s], >= 0
    """

    rate: float
    target: float
    hold: float = 0.0


def _knots(start: float, hold: float, ramps: tuple[Ramp, ...]) -> tuple[list[float], list[float]]:
    times, values = [0.0, hold], [start, start]
    for ramp in ramps:
        arrive = times[-1] + abs(ramp.target - values[-1]) / ramp.rate
        times += [arrive, arrive + ramp.hold]
        values += [ramp.target, ramp.target]
    return times, values


def _check_schedule(what: str, start: float, hold: float, ramps: tuple[Ramp, ...]) -> None:
    if not start > 0:
        raise InvalidInputError(f"{what} program: the start value must be above zero, got {start:g}")
    if not hold >= 0:
        raise InvalidInputError(f"{what} program: the first hold must not be negative, got {hold:g} s")
    for number, ramp in enumerate(ramps, 1):
        if not ramp.rate > 0 or not ramp.hold >= 0 or not ramp.target > 0:
            raise InvalidInputError(
                f"{what} program, ramp {number}: rate and target must be above zero and the hold not negative, "
                f"got rate {ramp.rate:g}, target {ramp.target:g}, hold {ramp.hold:g} s"
            )


@dataclass(frozen=True)
class OvenProgram:
    """Column temperature against time.

    Attributes
    ----------
    start : float  [K]
    hold : float  [s], the hold at the start temperature
    ramps : tuple of Ramp, rates in K/s, targets in K
    """

    start: float
    hold: float = 0.0
    ramps: tuple[Ramp, ...] = ()

    def __post_init__(self) -> None:
        _check_schedule("oven", self.start, self.hold, self.ramps)

    def knots(self) -> tuple[list[float], list[float]]:
        """Times [s] and temperatures [K] of the corners."""
        return _knots(self.start, self.hold, self.ramps)

    @property
    def duration(self) -> float:
        """Length of the program [s]."""
        return self.knots()[0][-1]

    @property
    def highest(self) -> float:
        """Highest temperature [K]."""
        return max(self.knots()[1])


@dataclass(frozen=True)
class CarrierProgram:
    """What the pneumatics hold or ramp: inlet pressure, column flow or average velocity.

    Attributes
    ----------
    controlled : "pressure", "flow" or "velocity"
    start : float  [Pa absolute at the inlet; m3/s at 25 °C and 101.325 kPa; m/s]
    hold : float  [s]
    ramps : tuple of Ramp in the same unit
    """

    controlled: Controlled
    start: float
    hold: float = 0.0
    ramps: tuple[Ramp, ...] = ()

    def __post_init__(self) -> None:
        _check_schedule("carrier", self.start, self.hold, self.ramps)

    def knots(self) -> tuple[list[float], list[float]]:
        """Times [s] and set values of the corners."""
        return _knots(self.start, self.hold, self.ramps)

    @property
    def mode(self) -> str:
        """The mode in words, as in a scenario file."""
        return f"{self.controlled} program" if self.ramps else f"constant {self.controlled}"


@dataclass(frozen=True)
class Program:
    """An oven program and the carrier program that runs beside it."""

    oven: OvenProgram
    carrier: CarrierProgram


@dataclass(frozen=True)
class ProgramBatch:
    """N programs as arrays of corners; all have the same controlled carrier variable.

    Attributes
    ----------
    controlled : "pressure", "flow" or "velocity"
    oven_times, oven_temperatures : (N, B) arrays  [s], [K]; times do not decrease along a row
    carrier_times, carrier_values : (N, C) arrays  [s], [Pa, m3/s or m/s]
    velocity_factors : (N,) array or None  [-], by which the gas of single programs is faster than the system's
    """

    controlled: Controlled
    oven_times: Array
    oven_temperatures: Array
    carrier_times: Array
    carrier_values: Array
    velocity_factors: Array | None = None

    @property
    def size(self) -> int:
        """Number of programs."""
        return int(self.oven_times.shape[0])

    def __getitem__(self, rows: slice | NDArray[np.intp]) -> ProgramBatch:
        return ProgramBatch(
            self.controlled,
            self.oven_times[rows],
            self.oven_temperatures[rows],
            self.carrier_times[rows],
            self.carrier_values[rows],
            None if self.velocity_factors is None else self.velocity_factors[rows],
        )


def batch_of(programs: Sequence[Program]) -> ProgramBatch:
    """Arrays of corners of one or more programs, shorter ones padded with their last corner.

    Raises
    ------
    InvalidInputError : when there is no program, or the controlled carrier variable differs between them
    """
    if not programs:
        raise InvalidInputError("a batch needs at least one program")
    kinds = {program.carrier.controlled for program in programs}
    if len(kinds) > 1:
        raise InvalidInputError(
            f"one batch holds one kind of carrier control, got {', '.join(sorted(kinds))}"
        )
    oven_times, oven_temperatures = _padded([program.oven.knots() for program in programs])
    carrier_times, carrier_values = _padded([program.carrier.knots() for program in programs])
    return ProgramBatch(
        programs[0].carrier.controlled, oven_times, oven_temperatures, carrier_times, carrier_values
    )


def _padded(knots: Sequence[tuple[list[float], list[float]]]) -> tuple[Array, Array]:
    width = max(len(times) for times, _ in knots)
    return (
        np.array([times + times[-1:] * (width - len(times)) for times, _ in knots]),
        np.array([values + values[-1:] * (width - len(values)) for _, values in knots]),
    )


def delayed(batch: ProgramBatch, lag: float) -> ProgramBatch:
    """What the column feels of N programs: every corner of the oven but its start comes `lag` [s] late.

    An oven that follows its set point with a time constant runs, in a ramp, that much behind it; so does the column
    inside it.
    """
    if lag == 0:
        return batch
    times = batch.oven_times + lag
    times[:, 0] = batch.oven_times[:, 0]
    return replace(batch, oven_times=times)


def values_at(times: Array, corner_times: Array, corner_values: Array) -> Array:
    """Piecewise-linear values of N programs at given times.

    Parameters
    ----------
    times : (N, Q) array  [s]
    corner_times, corner_values : (N, B) arrays  [s], any unit

    Returns
    -------
    values : (N, Q) array, the last value being kept past the last corner
    """
    last = corner_times.shape[1] - 1
    upper = np.minimum((corner_times[:, None, :] <= times[:, :, None]).sum(axis=2), last)
    lower = np.maximum(upper - 1, 0)
    rows = np.arange(times.shape[0])[:, None]
    t0, t1 = corner_times[rows, lower], corner_times[rows, upper]
    v0, v1 = corner_values[rows, lower], corner_values[rows, upper]
    lasts = t1 - t0 > NO_TIME
    share = np.where(lasts, (times - t0) / np.where(lasts, t1 - t0, 1.0), 1.0)
    result: Array = v0 + (v1 - v0) * np.clip(share, 0.0, 1.0)
    return result


def is_static(batch: ProgramBatch) -> bool:
    """Whether no program of the batch ramps its carrier."""
    return bool((batch.carrier_values == batch.carrier_values[:, :1]).all())


def corners(batch: ProgramBatch) -> tuple[Array, Array, Array]:
    """Start times [s], temperatures [K] and set values at the corners of oven and carrier, each (N, B)."""
    times, T = _trimmed(batch.oven_times, batch.oven_temperatures)
    if is_static(batch):
        return times, T, np.repeat(batch.carrier_values[:, :1], times.shape[1], axis=1)
    carrier_times, carrier_values = _trimmed(batch.carrier_times, batch.carrier_values)
    merged = np.sort(np.concatenate([times, carrier_times[:, 1:]], axis=1), axis=1)
    return merged, values_at(merged, times, T), values_at(merged, carrier_times, carrier_values)


def _trimmed(times: Array, values: Array) -> tuple[Array, Array]:
    """Corners without the last ones that change nothing, because a program keeps its last value anyway."""
    count = times.shape[1]
    while count > 1 and (values[:, count - 1] == values[:, count - 2]).all():
        count -= 1
    return times[:, :count], values[:, :count]


def time_constant(duration: float, start: float, end: float, ambient: float) -> float:
    """tau [s] of an oven that takes `duration` [s] from `start` to `end` [K] in a room of `ambient` [K]; [1].

    Zero when the stated end is not below the start.
    """
    ratio = max(start - ambient, LEAST_EXCESS) / max(end - ambient, LEAST_EXCESS)
    return float(duration / np.log(ratio)) if ratio > 1 else 0.0


def cooling_time(tau: float, start: Array, end: Array, ambient: float) -> Array:
    """Time [s] from `start` to `end` [K], any shapes that broadcast; zero where the oven need not cool; [1]."""
    hot, cold = np.maximum(start - ambient, LEAST_EXCESS), np.maximum(end - ambient, LEAST_EXCESS)
    return tau * np.log(np.maximum(hot / cold, 1.0))
