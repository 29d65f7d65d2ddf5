"""One or two set points of a program varied, everything else kept: what becomes of resolution and run time."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property
from itertools import product
from typing import Annotated

import numpy as np
from numpy.typing import NDArray

from models.column.programs import Array, Program, batch_of
from optimizer.base.errors import ScenarioError
from optimizer.base.tables import key
from optimizer.goal.drawn_margins import judged
from optimizer.goal.goal import Problem
from optimizer.goal.limits import LATE
from optimizer.goal.predict import predict
from optimizer.goal.robustness import FRESH_DRAWS
from optimizer.goal.set_point_names import no_such_run
from optimizer.goal.uncertainty import with_uncertainty
from optimizer.methods.sweep_axes import VALUE, AsItIs, Axis, BrokenLimit, Gives, Impossible, NotRun, Run
from optimizer.search.found import FEASIBLE
from optimizer.search.reasons import broken_equipment

Index = NDArray[np.intp]
Flags = NDArray[np.bool_]

ROWS = 21  # of an excerpt of a curve, beside the runs that matter
CHUNK = 2048  # programs assessed at a time: all pairs of a crowded chromatogram must fit into memory


Ranges = tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class Sweep:
    """What every combination of set values gives: N of them, the last axis running fastest.

    Attributes
    ----------
    problem : it was run on
    program : with its set points as they were
    origin : where the program comes from, in words
    axes : one or two
    reasons : (N,) why a combination is no program that can be run, empty where it is
    resolution, needed : (N,) of the critical pair [-]; nan where nothing was run or no pair counts
    critical : (N, 2) compounds of the critical pair in order of elution, -1 where there is none
    run_time : (N,) end of the last peak [s]; nan where a compound does not elute
    cost : (N,) what the goal minimises [s], with what follows the last peak
    minimise : "run time" or "cycle time"
    resolution_margin : (N,) smallest margin of the pairs [-]
    limits : (N, K) margins of everything else [-]
    limit_names : names of these limits, K of them
    required : the pass probability that is required; 0 where the nominal chromatogram alone judges
    probabilities : (N,) of passing by first derivatives, of the runs that meet the goal nominally; nan elsewhere, and
        everywhere with `required` 0
    as_it_is : AsItIs
    shown : numbers of the runs that are shown one by one
    simulated : pass probability of those of them that meet the goal nominally, and of the best, some draws simulated
        outright
    """

    problem: Problem
    program: Program
    origin: str
    axes: Annotated[tuple[Axis, ...], key("vary")]
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
    required: float
    probabilities: Array
    as_it_is: Annotated[AsItIs, key()]
    stated: tuple[int, ...] | None = None
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
    def possible(self) -> Flags:
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
        return np.asarray(self.limits[:, bounding].min(axis=1) - FEASIBLE)

    @property
    def margin(self) -> Array:
        """(N,) smallest margin of the pairs and of the limits that are broken somewhere."""
        return np.fmin(self.resolution_margin - FEASIBLE, self.limit_margin)

    @cached_property
    def allowed(self) -> Flags:
        """(N,) whether every limit but resolution is kept."""
        return np.asarray(np.all(self.limits >= FEASIBLE, axis=1))

    @property
    def margin_in_draws(self) -> Array:
        """(N,) the same where draws judge: by how much the pass probability is above the required one.

        Half a draw more, so that a run that just passes lies inside. Where the nominal chromatogram falls short, by how
        much it does.
        """
        if not self.required:
            return self.margin
        above = self.deciding - self.required + 0.5 / FRESH_DRAWS
        return np.where(np.isnan(self.probabilities), np.minimum(self.margin, 0.0), above)

    @cached_property
    def nominal(self) -> Flags:
        """(N,) whether every limit and every pair is kept on the nominal chromatogram."""
        return self.allowed & ~(self.resolution_margin < FEASIBLE)

    @cached_property
    def feasible(self) -> Flags:
        """(N,) whether the goal is met as it was asked: nominally, and with the required probability."""
        if not self.required:
            return self.nominal
        return self.nominal & (self.deciding >= self.required)

    @property
    def deciding(self) -> Array:
        """(N,) pass probabilities: those simulated outright where they are, else those by first derivatives."""
        known = self.probabilities.copy()
        for at, simulated in self.simulated.items():
            known[at] = simulated
        return known

    @property
    def best(self) -> int | None:
        """The feasible run with the least of what is minimised, of those that can be set; None when there is none."""
        return self._least(self.feasible)

    @property
    def best_nominal(self) -> int | None:
        """The same of all that meet the goal nominally."""
        return self._least(self.nominal)

    def _least(self, kept: Flags) -> int | None:
        if not kept.any():
            return None
        among = kept & self.settable if (kept & self.settable).any() else kept
        return int(np.argmin(np.where(among, np.nan_to_num(self.cost, nan=np.inf), np.inf)))

    @cached_property
    def settable(self) -> Flags:
        """(N,) whether the instrument takes the values as they are, as far as its steps are known."""
        return np.array([all(each) for each in product(*(axis.on_steps for axis in self.axes))])

    @cached_property
    def shown(self) -> tuple[int, ...]:
        """Numbers of the runs that are shown one by one: the best, and those stated; without any of a curve an even
        choice and both sides of every change of whether the goal is met, and how."""
        rows = {at for at in (self.best, self.best_nominal) if at is not None}
        if self.stated is not None:
            return tuple(sorted(rows | set(self.stated)))
        if len(self.axes) == 1:
            count = len(self.reasons)
            rows |= {round(at) for at in np.linspace(0, count - 1, min(ROWS, count))}
            changes = np.flatnonzero(np.diff(self.feasible.astype(int) + self.nominal))
            rows |= {int(at) + side for at in changes for side in (0, 1)}
        return tuple(sorted(rows))

    @property
    def broken_limits(self) -> Annotated[tuple[BrokenLimit, ...], key()]:
        """Limits that are broken anywhere, the most broken first."""
        counts = (self.limits < FEASIBLE).sum(axis=0)
        found = [
            BrokenLimit(name, int(runs)) for name, runs in zip(self.limit_names, counts, strict=True) if runs
        ]
        return tuple(sorted(found, key=lambda each: -each.runs))

    def breaks(self, at: int) -> str:
        """The limit that a combination breaks most, resolution, or the required probability; empty when all is kept
        or nothing was run."""
        if not self.possible[at] or self.feasible[at]:
            return ""
        if self.nominal[at]:
            return "share of draws"
        return "resolution" if self.allowed[at] else self.limit_names[int(self.limits[at].argmin())]

    def gives(self, at: int) -> Gives:
        """What a combination that was run gives."""
        names, (first, second) = self.problem.scenario.compounds, self.critical[at]
        return Gives(
            float(self.run_time[at]),
            float(self.cost[at]),
            float(self.resolution[at]),
            float(self.needed[at]),
            None if first < 0 else (names[first], names[second]),
            bool(self.feasible[at]),
            bool(self.nominal[at]),
            self.simulated.get(at, np.nan),
            float(self.probabilities[at]),
            bool(self.allowed[at]),
            self.breaks(at),
        )

    @cached_property
    def runs(self) -> Annotated[tuple[Run | NotRun, ...], key()]:
        """Every combination, the last set point running fastest."""
        names = [axis.point.name for axis in self.axes]
        sets = [dict(zip(names, map(float, values), strict=True)) for values in self.combinations]
        return tuple(
            NotRun(values, reason) if reason else Run(values, bool(self.settable[at]), self.gives(at))
            for at, (values, reason) in enumerate(zip(sets, self.reasons, strict=True))
        )

    def _run(self, at: int | None) -> Run | None:
        run = None if at is None else self.runs[at]
        return run if isinstance(run, Run) else None

    @property
    def best_run(self) -> Annotated[Run | None, key("best")]:
        """The run `best`."""
        return self._run(self.best)

    @property
    def best_nominal_run(self) -> Annotated[Run | None, key("best_on_paper")]:
        """The run `best_nominal`."""
        return self._run(self.best_nominal)

    @property
    def feasible_ranges(self) -> Annotated[Ranges | None, VALUE, key()]:
        """Stretches of values of a single set point that meet the goal, as the values that were run."""
        return self._ranges(self.feasible)

    @property
    def nominal_ranges(self) -> Annotated[Ranges | None, VALUE, key("on_paper_ranges")]:
        """The same nominally."""
        return self._ranges(self.nominal)

    def _ranges(self, kept: Flags) -> Ranges | None:
        if len(self.axes) > 1:
            return None
        values = self.axes[0].values
        edges = np.flatnonzero(np.diff(np.concatenate([[False], kept, [False]]).astype(int)))
        return tuple(
            (float(values[first]), float(values[after - 1]))
            for first, after in zip(edges[::2], edges[1::2], strict=True)
        )

    @property
    def impossible(self) -> Annotated[tuple[Impossible, ...], key("not_run")]:
        """Why combinations are no program that can be run."""
        reasons = [reason for reason in self.reasons if reason]
        return tuple(Impossible(reason, reasons.count(reason)) for reason in dict.fromkeys(reasons))


def sweep(
    problem: Problem,
    program: Program,
    axes: tuple[Axis, ...],
    origin: str = "program",
    shown: tuple[int, ...] | None = None,
) -> Sweep:
    """Run all combinations; `shown` are those that are shown one by one, where `Sweep.shown` is not what is wanted.

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
        problem=problem,
        program=program,
        origin=origin,
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
        required=problem.confidence if problem.by_draws else 0.0,
        probabilities=unknown(),
        as_it_is=_as_it_is(problem, program),
        stated=shown,
    )
    for start in range(0, run.size, CHUNK):
        rows = run[start : start + CHUNK]
        _fill(found, problem, [programs[at] for at in rows], rows)
    if not found.required:
        return found
    # What is simulated may turn out to meet the goal or not, so that others become the best, or stand at an edge.
    while missing := [at for at in found.shown if found.nominal[at] and at not in found.simulated]:
        simulated = {at: _simulated_probability(problem, programs[at]) for at in missing}
        found = replace(found, simulated={**found.simulated, **simulated})
    return found


def _simulated_probability(problem: Problem, program: Program) -> float:
    """Pass probability of a program, some draws simulated outright (a quarter of a second)."""
    return with_uncertainty(problem, predict(problem, program), exact=True, sources=False)[1].share


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
    if found.required:
        # What misses the goal nominally passes in too few draws anyhow.
        kept = np.flatnonzero(problem.smallest_margin(assessed) >= FEASIBLE)
        if kept.size:
            batch = batch_of([programs[at] for at in kept])
            found.probabilities[rows[kept]] = judged(problem.afresh, batch, assessed[kept]).pass_probability


def _as_it_is(problem: Problem, program: Program) -> AsItIs:
    assessed = problem.assess(batch_of([program]), "polish")
    end = float(assessed.run_time[0])
    return AsItIs(
        end if end < LATE else np.nan,
        program.oven.duration,
        bool(problem.smallest_margin(assessed)[0] >= FEASIBLE),
        _simulated_probability(problem, program) if problem.by_draws else np.nan,
        broken_equipment(problem, predict(problem, program)),
    )
