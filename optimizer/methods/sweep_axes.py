"""The set points that a sweep varies, the values they take (from what was typed to what the instrument can set), and
what a sweep says of each run."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Annotated, NamedTuple

import numpy as np
from numpy.typing import NDArray

from models.column.programs import Array, Controlled, Program
from optimizer.base.errors import ScenarioError
from optimizer.base.numbers import MINUTES, SHARE, Rounded
from optimizer.base.tables import BESIDE, OR_NULL, WrittenBy, key
from optimizer.base.text_files import nearest
from optimizer.goal.set_point_names import SetPoint, range_problem, set_points_of
from optimizer.scenario.data import Scenario
from optimizer.scenario.instrument_steps import carrier_rate_step, carrier_step

ONE_COUNT, TWO_COUNT = 81, 41  # values of each set point unless stated
MOST_RUNS = (
    40_000  # in one sweep: seconds, up to two minutes where draws judge, and as many rows in its files
)
OFF_STEP = 1e-6  # of a step
NEAR = 1e-3  # of a step; values closer to one than this are that step
LEAST_WORD = 4  # letters of the beginning of a word that stand for it

VALUE = Rounded(digits=8, shown="g")  # of a set point, in its own unit


@dataclass(frozen=True)
class Axis:
    """A set point and the values it takes, rising, in its own unit.

    Attributes
    ----------
    now : its value in the program as it is
    step : the instrument's; with None nothing is known of how finely it takes the values
    """

    point: Annotated[SetPoint, key(BESIDE)]
    values: Array
    now: Annotated[float, VALUE, key("as_it_is")]
    step: Annotated[float | None, Rounded(digits=6, shown="g"), key("instrument_step")] = None

    @property
    def low(self) -> Annotated[float, VALUE, key("from")]:
        """The smallest value."""
        return float(self.values[0])

    @property
    def high(self) -> Annotated[float, VALUE, key("to")]:
        """The largest value."""
        return float(self.values[-1])

    @property
    def count(self) -> Annotated[int, key()]:
        """How many values."""
        return len(self.values)

    @property
    def on_steps(self) -> NDArray[np.bool_]:
        """Which values the instrument takes as they are; all, as long as its step is not known."""
        if self.step is None:
            return np.ones(len(self.values), dtype=np.bool_)
        steps = self.values / self.step
        return np.abs(steps - np.round(steps)) < OFF_STEP

    @property
    def settable_count(self) -> Annotated[int, key("on_steps")]:
        """How many of them the instrument takes."""
        return int(self.on_steps.sum())


@dataclass(frozen=True)
class AsItIs:
    """The program with its set points as they were."""

    run_time: Annotated[float, MINUTES, key("run_time_min")]
    """end of the last peak; nan where a compound does not elute"""
    oven_program: Annotated[float, MINUTES, key("oven_program_min")]
    """end of its last hold"""
    nominal: Annotated[bool, key("on_paper")]
    """whether the predicted chromatogram meets the goal"""
    pass_probability: Annotated[float, SHARE, key()]
    """simulated; nan where the nominal chromatogram judges"""
    breaks_equipment: Annotated[tuple[str, ...], key()]
    """limits of column and instrument that it breaks, each with its value; it cannot be run as it is"""


@dataclass(frozen=True)
class Gives:
    """What a run gives, and whether it meets the goal; its fields are those of `Sweep` for one combination."""

    run_time: Annotated[float, MINUTES, key("run_time_min")]
    """to the end of the last peak; nan where a compound does not elute"""
    cost: Annotated[float, MINUTES, key("minimised_min")]
    """what the goal minimises"""
    resolution: Annotated[float, Rounded(), key()]
    """of the critical pair"""
    needed: Annotated[float, Rounded(), key()]
    """what that pair needs"""
    pair: Annotated[tuple[str, str] | None, key("critical_pair")]
    """its names in order of elution"""
    feasible: Annotated[bool, key()]
    """whether the goal is met as it was asked, with the required probability; of a run that no draws are simulated of,
    by first derivatives"""
    nominal: Annotated[bool, key("on_paper")]
    """whether it is met nominally"""
    probability: Annotated[float, SHARE, key("pass_probability")]
    """its pass probability, as `predict` gives it; nan for runs of which it is not shown (see above)"""
    by_derivatives: Annotated[float, Rounded(), key("share_by_derivatives")]
    """the same by first derivatives alone, some points off it; nan where the goal is not met nominally, and
    where the nominal chromatogram judges"""
    allowed: Annotated[bool, key("limits_kept")]
    """whether every limit but resolution is kept"""
    breaks: Annotated[str, OR_NULL, key()]
    """what it misses most: a limit, resolution, or the share of draws; None where nothing is missed"""


Values = Annotated[
    dict[str, float],
    WrittenBy(lambda values, _: {name: VALUE.written(value) for name, value in values.items()}),
    key("set"),
]


@dataclass(frozen=True)
class Run:
    """A combination of set values that was run."""

    values: Values
    settable: Annotated[bool, key()]
    gives: Annotated[Gives, key(BESIDE)]


@dataclass(frozen=True)
class NotRun:
    """A combination of set values that is no program that can be run, and why."""

    values: Values
    reason: Annotated[str, key("not_run")]


class BrokenLimit(NamedTuple):
    """A limit, and how many runs break it."""

    name: Annotated[str, key("limit")]
    runs: Annotated[int, key()]


class Impossible(NamedTuple):
    """Why combinations are no program that can be run, and how many of them."""

    reason: Annotated[str, key()]
    runs: Annotated[int, key()]


def parse_axes(
    texts: Sequence[str], program: Program, ambient_pressure: float, origin: str
) -> tuple[Axis, ...]:
    """Axes from NAME=FROM:TO[:COUNT], once or twice.

    Parameters
    ----------
    ambient_pressure : float  [Pa absolute]
    origin : where the program comes from, for messages

    Raises
    ------
    ScenarioError : naming the option, what is wrong with it and what was expected
    """
    if not 1 <= len(texts) <= 2:
        raise ScenarioError(
            f"--vary was given {len(texts)} times; a sweep varies one or two set points, each as NAME=FROM:TO "
            f"or NAME=FROM:TO:COUNT. This program has {_listed(program, ambient_pressure)}"
        )
    count = ONE_COUNT if len(texts) == 1 else TWO_COUNT
    axes = tuple(_axis(text, program, ambient_pressure, origin, count) for text in texts)
    if len({axis.point.name for axis in axes}) < len(axes):
        raise ScenarioError(f"--vary names {axes[0].point.name} twice; name two set points, or one once")
    runs = int(np.prod([len(axis.values) for axis in axes]))
    if runs > MOST_RUNS:
        raise ScenarioError(f"--vary asks for {runs} runs; at most {MOST_RUNS} are made, lower a COUNT")
    return axes


def _axis(text: str, program: Program, ambient_pressure: float, origin: str, count: int) -> Axis:
    name, equals, rest = text.partition("=")
    parts = rest.split(":")
    try:
        if not equals or not 2 <= len(parts) <= 3:
            raise ValueError
        low, high = float(parts[0]), float(parts[1])
        count = int(parts[2]) if len(parts) == 3 else count
    except ValueError:
        raise ScenarioError(
            f"--vary {text}: expected NAME=FROM:TO or NAME=FROM:TO:COUNT, as in start_C=40:120 or start_C=40:120:41"
        ) from None
    point = _named(name.strip(), text, program, ambient_pressure, origin)
    for value in (low, high):
        problem = range_problem(point, program, value, ambient_pressure)
        if problem:
            raise ScenarioError(f"--vary {text}: {problem}")
    if not low < high:
        raise ScenarioError(f"--vary {text}: FROM must be below TO; it goes from {low:g} to {high:g}")
    if count < 2:
        raise ScenarioError(f"--vary {text}: COUNT must be 2 or more, got {count}")
    return Axis(point, np.linspace(low, high, count), point.value(program))


def _named(name: str, text: str, program: Program, ambient_pressure: float, origin: str) -> SetPoint:
    points = {point.name: point for point in set_points_of(program, ambient_pressure)}
    if name in points:
        return points[name]
    guess = nearest(name, list(points)) or _named_alike(name, list(points.values()))
    raise ScenarioError(
        f"--vary {text}: {origin} has no set point {name!r}"
        + (f", did you mean {guess}?" if guess else ".")
        + f" It has {_listed(program, ambient_pressure)} (a hold at its end changes nothing: a run lasts until its "
        "last peak is out)"
    )


def _named_alike(typed: str, points: Sequence[SetPoint]) -> str | None:
    """The set point whose words in plain English hold most of the typed ones, or None: `temperature` is no name."""
    words = _words(typed)

    def alike(point: SetPoint) -> int:
        known = _words(f"{point.part} {point.label} {point.name}")
        return sum(
            any(each == word or (len(word) >= LEAST_WORD and each.startswith(word)) for each in known)
            for word in words
        )

    best = max(points, key=alike)  # the first of equals
    return best.name if alike(best) else None


def _words(text: str) -> list[str]:
    return re.findall(r"[a-z]+|\d+", text.lower())


def _listed(program: Program, ambient_pressure: float) -> str:
    return ", ".join(point.name for point in set_points_of(program, ambient_pressure))


def on_steps(scenario: Scenario, axes: tuple[Axis, ...], controlled: Controlled) -> tuple[Axis, ...]:
    """Axes whose values hold the instrument's steps, within the range asked for.

    Values are moved to the nearest step. Where the steps are coarser than the values of a single axis, these are kept
    for the sake of the curve, and those on the steps are put between them.

    Parameters
    ----------
    controlled : what the carrier program sets
    """
    single = len(axes) == 1
    return tuple(_on_steps(axis, step_of(scenario, axis.point, controlled), single) for axis in axes)


def _on_steps(axis: Axis, step: float, single: bool) -> Axis:
    low, high = (axis.values[at] / step for at in (0, -1))
    first, last = np.ceil(low - OFF_STEP), np.floor(high + OFF_STEP)
    count = int(last - first) + 1
    if count < 2 or (single and count < len(axis.values)):
        grid = np.arange(first, last + 1) * step
        between = [value for value in axis.values if not np.any(np.abs(grid - value) < NEAR * step)]
        return replace(axis, values=np.sort([*between, *grid]), step=step)
    settable = np.unique(np.clip(np.round(axis.values / step), first, last))
    return replace(axis, values=settable * step, step=step)


def step_of(scenario: Scenario, point: SetPoint, controlled: Controlled) -> float:
    """The instrument's step for a set point, in the unit of its values.

    Values here are counted as instruments count them, temperatures in °C and pressures from the room's: their steps
    start at zero.
    """
    steps = scenario.instrument.steps
    if point.field == "hold":
        step = steps.time
    elif point.part == "oven":
        step = steps.rate if point.field == "rate" else steps.temperature
    elif point.field == "rate":
        step = carrier_rate_step(scenario, controlled)
    else:
        step, _ = carrier_step(scenario, controlled)
    return step / point.scale
