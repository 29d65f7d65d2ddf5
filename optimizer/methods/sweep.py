"""One or two set points of a program varied, everything else kept: what becomes of resolution and run time."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from itertools import product

import numpy as np
from numpy.typing import NDArray

from models.column.programs import Array, Program, batch_of
from optimizer.base.errors import ScenarioError
from optimizer.base.text_files import nearest
from optimizer.goal.goal import Problem
from optimizer.goal.limits import LATE
from optimizer.goal.predict import covering, predict
from optimizer.goal.robustness import DRAWS
from optimizer.goal.set_point_names import SetPoint, no_such_run, range_problem, set_points_of
from optimizer.goal.standing import judged
from optimizer.goal.uncertainty import with_uncertainty
from optimizer.search.found import FEASIBLE

Index = NDArray[np.intp]

ONE_COUNT, TWO_COUNT = 81, 41  # values of each set point unless stated
MOST_RUNS = (
    40_000  # in one sweep: some seconds, up to two minutes where draws judge, and as many rows in its files
)
OFF_STEP = 1e-6  # of a step
LEAST_WORD = 4  # letters of the beginning of a word that stand for it
CHUNK = 2048  # programs assessed at a time: all pairs of a crowded chromatogram must fit into memory


@dataclass(frozen=True)
class Axis:
    """A set point and the values it takes, rising, in its own unit.

    `step` is the instrument's; with None nothing is known of how finely it takes the values.
    """

    point: SetPoint
    values: Array
    step: float | None = None

    @property
    def on_steps(self) -> NDArray[np.bool_]:
        """Which values the instrument takes as they are; all, as long as its step is not known."""
        if self.step is None:
            return np.ones(len(self.values), dtype=np.bool_)
        steps = self.values / self.step
        result: NDArray[np.bool_] = np.abs(steps - np.round(steps)) < OFF_STEP
        return result


@dataclass(frozen=True)
class AsItIs:
    """The program with its set points as they were.

    Attributes
    ----------
    run_time : float  [s], end of the last peak; nan where a compound does not elute
    on_paper : bool, whether the predicted chromatogram meets the goal
    share : float, of draws in which it does, some of them simulated outright; nan where draws do not judge
    """

    run_time: float
    on_paper: bool
    share: float


@dataclass(frozen=True)
class Sweep:
    """What every combination of set values gives: N of them, the last axis running fastest.

    Attributes
    ----------
    program : Program, with its set points as they were
    axes : one or two Axis
    reasons : (N,) why a combination is no program that can be run, empty where it is
    resolution, needed : (N,) of the critical pair [-]; nan where nothing was run or no pair counts
    critical : (N, 2) compounds of the critical pair in order of elution, -1 where there is none
    run_time : (N,) end of the last peak [s]; nan where a compound does not elute
    cost : (N,) what the goal minimises [s], with what follows the last peak
    minimise : "run time" or "cycle time"
    resolution_margin : (N,) smallest margin of the pairs [-]
    limits : (N, K) margins of everything else [-]
    limit_names : names of these limits, K of them
    asked : share of draws in which the goal asks everything to hold; 0 where the predicted chromatogram alone judges
    shares : (N,) share of draws in which everything holds, by first derivatives, of the runs that meet the goal on
        the predicted chromatogram; nan elsewhere, and everywhere with `asked` 0
    as_it_is : AsItIs
    simulated : the share of some runs, corrected by draws that were simulated outright, by the number of the run
    """

    program: Program
    axes: tuple[Axis, ...]
    reasons: tuple[str, ...]
    resolution: Array
    needed: Array
    critical: Index
    run_time: Array
    cost: Array
    minimise: str
    resolution_margin: Array
    limits: Array
    limit_names: tuple[str, ...]
    asked: float
    shares: Array
    as_it_is: AsItIs
    simulated: dict[int, float] = field(default_factory=dict)

    @property
    def shape(self) -> tuple[int, ...]:
        """Number of values of each axis."""
        return tuple(len(axis.values) for axis in self.axes)

    @cached_property
    def combinations(self) -> Array:
        """(N, axes) set values."""
        return np.array(list(product(*(axis.values for axis in self.axes))))

    @cached_property
    def possible(self) -> NDArray[np.bool_]:
        """(N,) whether the combination is a program that can be run."""
        return np.array([not reason for reason in self.reasons])

    @property
    def limit_margin(self) -> Array:
        """(N,) smallest margin of the limits; those that are broken nowhere are left out, for they bound nothing.

        A set point that sits on its limit all along would otherwise hide where the others bound the region. Zero is
        put where a margin just counts as kept, so that rounding does not make such a set point flicker.
        """
        bounding = np.nanmin(self.limits, axis=0) < FEASIBLE
        if not bounding.any():
            return np.where(self.possible, 1.0, np.nan)
        result: Array = self.limits[:, bounding].min(axis=1) - FEASIBLE
        return result

    @property
    def margin(self) -> Array:
        """(N,) smallest margin of the pairs and of the limits that are broken somewhere."""
        result: Array = np.fmin(self.resolution_margin - FEASIBLE, self.limit_margin)
        return result

    @cached_property
    def allowed(self) -> NDArray[np.bool_]:
        """(N,) whether every limit but resolution is kept."""
        result: NDArray[np.bool_] = np.all(self.limits >= FEASIBLE, axis=1)
        return result

    @property
    def margin_in_draws(self) -> Array:
        """(N,) the same where draws judge: by how much the share of draws is above what is asked.

        Half a draw more, so that a run that just holds lies inside. Where the predicted chromatogram falls short, by
        how much it does.
        """
        if not self.asked:
            return self.margin
        above = self.shares - self.asked + 0.5 / DRAWS
        result: Array = np.where(np.isnan(self.shares), np.minimum(self.margin, 0.0), above)
        return result

    @cached_property
    def on_paper(self) -> NDArray[np.bool_]:
        """(N,) whether every limit and every pair is kept on the predicted chromatogram."""
        result: NDArray[np.bool_] = self.allowed & ~(self.resolution_margin < FEASIBLE)
        return result

    @cached_property
    def feasible(self) -> NDArray[np.bool_]:
        """(N,) whether the goal is met as it was asked: on the predicted chromatogram, and in the share of draws."""
        if not self.asked:
            return self.on_paper
        result: NDArray[np.bool_] = self.on_paper & (self.shares >= self.asked)
        return result

    @property
    def best(self) -> int | None:
        """The feasible run with the least of what is minimised, of those that can be set; None when there is none."""
        return self._least(self.feasible)

    @property
    def best_on_paper(self) -> int | None:
        """The same of all that meet the goal on the predicted chromatogram."""
        return self._least(self.on_paper)

    def _least(self, kept: NDArray[np.bool_]) -> int | None:
        if not kept.any():
            return None
        among = kept & self.settable if (kept & self.settable).any() else kept
        return int(np.argmin(np.where(among, np.nan_to_num(self.cost, nan=np.inf), np.inf)))

    @cached_property
    def settable(self) -> NDArray[np.bool_]:
        """(N,) whether the instrument takes the values as they are, as far as its steps are known."""
        return np.array([all(each) for each in product(*(axis.on_steps for axis in self.axes))])

    @property
    def broken_limits(self) -> list[tuple[str, int]]:
        """Limits that are broken anywhere, with the number of runs that break each; the most broken first."""
        counts = (self.limits < FEASIBLE).sum(axis=0)
        found = [(name, int(runs)) for name, runs in zip(self.limit_names, counts, strict=True) if runs]
        return sorted(found, key=lambda each: -each[1])

    def breaks(self, at: int) -> str:
        """The limit that a combination breaks most, resolution, or the share of draws; empty when all is kept or
        nothing was run."""
        if not self.possible[at] or self.feasible[at]:
            return ""
        if self.on_paper[at]:
            return "share of draws"
        return "resolution" if self.allowed[at] else self.limit_names[int(self.limits[at].argmin())]


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
    return Axis(point, np.linspace(low, high, count))


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


def sweep(problem: Problem, program: Program, axes: tuple[Axis, ...]) -> Sweep:
    """Run all combinations.

    Raises
    ------
    ScenarioError : when none of them is a program that can be run
    """
    programs = [program]
    for axis in axes:
        programs = [axis.point.moved(each, float(value)) for each in programs for value in axis.values]
    outlet = problem.scenario.outlet_pressure
    reasons = tuple(no_such_run(each, program, outlet) for each in programs)
    run = np.flatnonzero([not reason for reason in reasons])
    if not run.size:
        raise ScenarioError(f"--vary: none of the combinations can be run: {reasons[0]}")
    count = len(programs)

    def unknown() -> Array:
        return np.full(count, np.nan)

    found = Sweep(
        program=program,
        axes=axes,
        reasons=reasons,
        resolution=unknown(),
        needed=unknown(),
        critical=np.full((count, 2), -1, dtype=np.intp),
        run_time=unknown(),
        cost=unknown(),
        minimise=problem.scenario.goal.minimise,
        resolution_margin=unknown(),
        limits=np.full((count, len(problem.limit_names)), np.nan),
        limit_names=problem.limit_names,
        asked=problem.confidence if problem.by_draws else 0.0,
        shares=unknown(),
        as_it_is=_as_it_is(problem, program),
    )
    ready = covering(problem, [programs[at] for at in run])
    for start in range(0, run.size, CHUNK):
        rows = run[start : start + CHUNK]
        _fill(found, ready, [programs[at] for at in rows], rows)
    if not found.asked:
        return found
    shown = {at for at in (found.best, found.best_on_paper) if at is not None}
    return replace(found, simulated={at: _simulated_share(problem, programs[at]) for at in sorted(shown)})


def _simulated_share(problem: Problem, program: Program) -> float:
    """Share of draws in which a program meets the goal, some of them simulated outright (a third of a second)."""
    return with_uncertainty(problem, predict(problem, program), exact=True)[1].share


def _fill(found: Sweep, problem: Problem, programs: list[Program], rows: Index) -> None:
    """Assess some programs and write what they give into their rows."""
    assessed = problem.assess(batch_of(programs), "polish")
    eluted = assessed.run_time < LATE
    found.run_time[rows] = np.where(eluted, assessed.run_time, np.nan)
    found.cost[rows] = np.where(eluted, assessed.cost, np.nan)
    found.limits[rows] = assessed.limits
    if len(problem.pairs.needed):
        margins = problem.resolution_margins(assessed)
        worst, each = margins.argmin(axis=1), np.arange(len(rows))
        margin, needed = margins[each, worst], problem.pairs.needed[worst]
        found.resolution_margin[rows], found.needed[rows] = margin, needed
        found.resolution[rows] = (1 + margin) * needed
        pair = problem.pairs.index[worst]
        swapped = assessed.retention[each, pair[:, 0]] > assessed.retention[each, pair[:, 1]]
        found.critical[rows] = np.where(swapped[:, None], pair[:, ::-1], pair)
    if found.asked:
        # What misses the goal on the predicted chromatogram holds in too few draws anyhow.
        kept = np.flatnonzero(problem.smallest_margin(assessed) >= FEASIBLE)
        if kept.size:
            batch = batch_of([programs[at] for at in kept])
            found.shares[rows[kept]] = judged(problem, batch, assessed[kept])[0]


def _as_it_is(problem: Problem, program: Program) -> AsItIs:
    ready = covering(problem, [program])
    assessed = ready.assess(batch_of([program]), "polish")
    end = float(assessed.run_time[0])
    return AsItIs(
        end if end < LATE else np.nan,
        bool(ready.smallest_margin(assessed)[0] >= FEASIBLE),
        _simulated_share(problem, program) if problem.by_draws else np.nan,
    )
