"""The window diagram of a scenario's pairs over the column's temperatures, and the isothermal runs at them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Annotated, NamedTuple

import numpy as np
from numpy.typing import NDArray

from models.column.programs import Array, OvenProgram, Program, batch_of
from models.column.retention import ln_retention_factor
from models.peaks.resolution import plate_count
from models.peaks.window_diagram import WindowDiagram, relative_retention, required_plates, window_diagram
from models.units import ZERO_CELSIUS, celsius
from optimizer.base.errors import ScenarioError
from optimizer.base.numbers import Rounded
from optimizer.base.quantities import CELSIUS, KELVINS
from optimizer.base.tables import BESIDE, key
from optimizer.goal.goal import Problem
from optimizer.goal.limits import LATE
from optimizer.goal.set_point_names import SetPoint, set_points_of
from optimizer.methods.sweep import Sweep, sweep
from optimizer.methods.sweep_axes import Axis, Gives

POINTS = 401  # temperatures over the column's range
MOST_STEPS = 1000  # of the instrument over that range that are run too


Pair = tuple[str, str]
COLUMN_T, EDGE = Rounded(CELSIUS, 5, shown=".1f"), Rounded(CELSIUS, 5, shown=".0f")
PLATES = Rounded(shown=".0f")


@dataclass(frozen=True)
class IsothermalRun:
    """One temperature [K]: the smallest relative retention, the plates [-] needed and there, and what the run gives."""

    temperature: Annotated[float, COLUMN_T, key("temperature_C")]
    smallest_alpha: Annotated[float, Rounded(digits=5, shown=".4f"), key()]
    alpha_pair: Annotated[Pair, key()]
    plates_needed: Annotated[float, PLATES, key()]
    plates_pair: Annotated[Pair, key()]
    plates: Annotated[float, PLATES, key()]
    gives: Annotated[Gives, key(BESIDE)]


class WindowRun(NamedTuple):
    """A window [K] and the run at its top."""

    low: Annotated[float, EDGE, key("from_C")]
    high: Annotated[float, EDGE, key("to_C")]
    run: Annotated[IsothermalRun, key(BESIDE)]


@dataclass(frozen=True)
class WindowSweep:
    """The window diagram at n temperatures, the tops of its windows among them.

    Attributes
    ----------
    diagram : WindowDiagram over temperatures [K]; its pairs are the counted ones of the problem
    runs : Sweep over the oven temperature: the isothermal runs at these temperatures
    needed_plates : (n,) plates that resolve every pair to what it needs [-]
    pairs : (P, 2) the compounds of each pair
    plates_pair : (n,) which pair needs that many
    plates : (n,) plates the column gives the later peak of that pair; nan where it does not elute
    """

    diagram: WindowDiagram
    runs: Sweep
    pairs: NDArray[np.intp]
    needed_plates: Array
    plates_pair: NDArray[np.intp]
    plates: Array

    @property
    def step(self) -> Annotated[float, Rounded(KELVINS, 6, shown="g"), key("instrument_step_C")]:
        """The instrument's step of temperature [K]."""
        return self.runs.problem.scenario.instrument.steps.temperature

    @cached_property
    def temperatures(self) -> Annotated[tuple[IsothermalRun, ...], key()]:
        """Every temperature, rising."""
        diagram = self.diagram
        return tuple(
            IsothermalRun(
                float(T),
                float(diagram.smallest[at]),
                self._names(diagram.critical[at]),
                float(self.needed_plates[at]),
                self._names(self.plates_pair[at]),
                float(self.plates[at]),
                self.runs.gives(at),
            )
            for at, T in enumerate(diagram.values)
        )

    @property
    def windows(self) -> Annotated[tuple[WindowRun, ...], key()]:
        """The highest first."""
        return tuple(
            WindowRun(each.low, each.high, self.temperatures[self.row(each.best)])
            for each in self.diagram.windows
        )

    @property
    def fewest_plates(self) -> int:
        """The temperature at which the fewest plates are needed.

        Where alpha is largest k may have fallen to next to nothing, and no column has the plates for that.
        """
        return int(self.needed_plates.argmin())

    @property
    def least_demanding(self) -> Annotated[IsothermalRun, key("fewest_plates")]:
        """The run at that temperature."""
        return self.temperatures[self.fewest_plates]

    @property
    def best(self) -> Annotated[IsothermalRun | None, key()]:
        """The shortest run that meets the goal."""
        return self._run(self.runs.best)

    @property
    def best_nominal(self) -> Annotated[IsothermalRun | None, key("best_on_paper")]:
        """The shortest that does nominally."""
        return self._run(self.runs.best_nominal)

    def _run(self, at: int | None) -> IsothermalRun | None:
        return None if at is None else self.temperatures[at]

    def _names(self, pair: int) -> Pair:
        a, b = self.pairs[pair]
        names = self.runs.problem.scenario.compounds
        return names[a], names[b]

    def row(self, temperature: float) -> int:
        """Which of the n temperatures is this one [K]."""
        return int(np.abs(self.diagram.values - temperature).argmin())


def window_sweep(problem: Problem, program: Program, origin: str = "program") -> WindowSweep:
    """The diagram for isothermal operation at the carrier's first set value of a program.

    Raises
    ------
    ScenarioError : when no pair counts
    """
    scenario, pairs = problem.scenario, problem.pairs
    if not len(pairs.needed):
        raise ScenarioError(
            f"{scenario.path}: no pair of compounds counts, so there is no window to look for"
        )

    def ln_k(T: Array) -> Array:
        return ln_retention_factor(problem.fit.retention, T)

    step = scenario.instrument.steps.temperature
    T = _temperatures(scenario.min_temperature, scenario.max_temperature, step)
    windows = window_diagram(ln_k, T, pairs.index).windows
    T = np.union1d(T, [window.best for window in windows])
    base = Program(OvenProgram(T[0]), replace(program.carrier, hold=0.0, ramps=()))
    point = oven_temperature(base, scenario.ambient_pressure)
    k = np.exp(ln_k(T))
    alpha = relative_retention(ln_k(T), pairs.index)
    later = np.maximum(k[:, pairs.index[:, 0]], k[:, pairs.index[:, 1]])
    needed = required_plates(alpha, later, pairs.needed)
    worst, each = needed.argmax(axis=1), np.arange(len(T))
    tops = {int(np.abs(T - window.best).argmin()) for window in windows}
    shown = tuple(sorted(tops | {int(needed[each, worst].argmin())}))
    runs = sweep(problem, base, (Axis(point, celsius(T), point.value(base), step),), origin, shown)
    last = np.where(
        k[each, pairs.index[worst, 0]] > k[each, pairs.index[worst, 1]],
        pairs.index[worst, 0],
        pairs.index[worst, 1],
    )
    programs = [replace(base, oven=OvenProgram(float(each))) for each in T]
    assessed = problem.assess(batch_of(programs), "polish")
    t, w = assessed.retention[each, last], assessed.width_half[each, last]
    plates = np.where(t < LATE, plate_count(t, w), np.nan)
    return WindowSweep(
        WindowDiagram(T, alpha, windows), runs, pairs.index, needed[each, worst], worst, plates
    )


def _temperatures(low: float, high: float, step: float) -> Array:
    """Temperatures [K] over a range: evenly, and in between those on the instrument's steps, unless they are many."""
    first, last = np.ceil((low - ZERO_CELSIUS) / step - 1e-9), np.floor((high - ZERO_CELSIUS) / step + 1e-9)
    even = np.linspace(low, high, POINTS)
    if not 1 <= last - first <= MOST_STEPS:
        return even
    settable = np.arange(first, last + 1) * step + ZERO_CELSIUS
    near = np.abs(even[:, None] - settable).min(axis=1) < 1e-3 * step  # twice the same, but for rounding
    return np.union1d(even[~near], settable)


def oven_temperature(program: Program, ambient_pressure: float) -> SetPoint:
    """The temperature of an isothermal program as a set point."""
    return next(point for point in set_points_of(program, ambient_pressure) if point.name == "start_C")
