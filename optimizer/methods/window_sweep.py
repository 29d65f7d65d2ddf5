"""The window diagram of a scenario's pairs over the column's temperatures, and the isothermal runs at them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from models.column.programs import Array, OvenProgram, Program, batch_of
from models.column.retention import ln_retention_factor
from models.peaks.resolution import plate_count
from models.peaks.window_diagram import WindowDiagram, relative_retention, required_plates, window_diagram
from models.units import ZERO_CELSIUS, celsius
from optimizer.base.errors import ScenarioError
from optimizer.goal.goal import Problem
from optimizer.goal.limits import LATE
from optimizer.goal.predict import covering
from optimizer.goal.set_point_names import SetPoint, set_points_of
from optimizer.methods.sweep import Axis, Sweep, sweep

POINTS = 401  # temperatures over the column's range
MOST_STEPS = 1000  # of the instrument over that range that are run too


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
    def fewest_plates(self) -> int:
        """The temperature at which the fewest plates are needed.

        Where alpha is largest k may have fallen to next to nothing, and no column has the plates for that.
        """
        return int(self.needed_plates.argmin())

    def names(self, compounds: Sequence[str], pair: int) -> list[str]:
        """The two names of a pair."""
        a, b = self.pairs[pair]
        return [compounds[a], compounds[b]]

    def row(self, temperature: float) -> int:
        """Which of the n temperatures is this one [K]."""
        return int(np.abs(self.diagram.values - temperature).argmin())


def window_sweep(problem: Problem, program: Program) -> WindowSweep:
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
    runs = sweep(problem, base, (Axis(oven_temperature(base, scenario.ambient_pressure), celsius(T), step),))

    k = np.exp(ln_k(T))
    alpha = relative_retention(ln_k(T), pairs.index)
    later = np.maximum(k[:, pairs.index[:, 0]], k[:, pairs.index[:, 1]])
    needed = required_plates(alpha, later, pairs.needed)
    worst, each = needed.argmax(axis=1), np.arange(len(T))
    last = np.where(
        k[each, pairs.index[worst, 0]] > k[each, pairs.index[worst, 1]],
        pairs.index[worst, 0],
        pairs.index[worst, 1],
    )
    programs = [replace(base, oven=OvenProgram(float(each))) for each in T]
    assessed = covering(problem, programs).assess(batch_of(programs), "polish")
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
