"""What a goal requires of programs: which pairs count, what is minimised, and the margins of a batch of programs.

Margins are relative and signed: zero on the limit, positive when kept, so that one number compares a resolution
with a pressure. All of a batch is assessed in one call of the engine.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, fields, replace
from functools import cached_property
from typing import Any, Literal, get_args

import numpy as np
from numpy.typing import NDArray

from models.column.programs import Array, Controlled, ProgramBatch, delayed, values_at
from models.effort import Accuracy
from models.fit.fit import Fit
from models.peaks.migration import Migration, MigrationTables, migrate, migration_tables
from models.peaks.resolution import HALF_HEIGHT_WIDTH, facing_shares, leaning_too, pair_resolution
from models.peaks.sensitivity import migrate_around
from models.peaks.tails import Tail
from optimizer.base.interruption import stop_if_asked
from optimizer.goal.cycle import after_run
from optimizer.goal.limits import LATE, Limit, Requirement, Resolution, Runs, carried, equipment_of, margins
from optimizer.goal.outcome import KEPT, LEAST_TAILING
from optimizer.goal.requirements import requirements_of
from optimizer.goal.robustness import (
    DRAWS,
    FEW_DRAWS,
    FRESH_DRAWS,
    FRESH_SEED,
    OTHER_DRAWS,
    OTHER_SEED,
    Backoff,
    Robustness,
)
from optimizer.scenario.data import COUNTED_ROLES, AnalyteDetail, Scenario

Index = NDArray[np.intp]

END_OF_PEAK = 1.5  # half-height widths from the apex of the last peak to the end of the run: 3.5 sigma
END_SHARE = 0.005  # of its retention time, beside that: what an oven a little late moves it; common practice, no source
NEARLY = -1e-3  # equipment margins above this count as kept where a descent fails: rounding brings them back
ONE_MORE = 0.1  # what missing a requirement counts for beside by how much


@dataclass(frozen=True)
class Pairs:
    """The pairs of compounds that count: (P, 2) indices and (P,) resolutions they need."""

    index: Index
    needed: Array


def counted_pairs(scenario: Scenario) -> Pairs:
    """Every pair the scenario wants resolved, with the resolution it needs."""
    names = scenario.compounds
    index, needed = [], []
    for i in range(len(names)):
        for j in range(i + 1, len(names)):
            wanted = scenario.required_resolution(names[i], names[j])
            if wanted is not None:
                index.append((i, j))
                needed.append(wanted)
    return Pairs(np.array(index, dtype=np.intp).reshape(-1, 2), np.array(needed))


@dataclass(frozen=True)
class Assessment:
    """A batch of N programs against the goal; all times in s.

    Attributes
    ----------
    retention, width_half : (N, M) arrays
    run_time : (N,) array, end of the last peak
    cost : (N,) array, what is minimised: run or cycle time, with what follows the last peak
    limits : (N, K) array of margins of everything but resolution, in the order of `Problem.limits`
    tailing : (N, M) array of tailing factors, those of leaning peaks among them
    """

    retention: Array
    width_half: Array
    run_time: Array
    cost: Array
    limits: Array
    tailing: Array

    def __getitem__(self, rows: slice | Index) -> Assessment:
        """Some of the programs."""
        return Assessment(*(getattr(self, each.name)[rows] for each in fields(self)))


@dataclass(frozen=True)
class Problem:
    """A scenario and its fit, ready to assess programs.

    Attributes
    ----------
    scenario : Scenario
    fit : Fit
    pairs : Pairs
    targets : (T,) indices of the compounds whose elution the limits concern
    tables : MigrationTables for each carrier variable that may be set
    backoff : Backoff or None, what every margin is lessened by so that the draws hold
    draws : "usual", those that a search follows; "few", the first of these; "other" and "fresh", others, and
        more of them
    """

    scenario: Scenario
    fit: Fit
    pairs: Pairs
    targets: Index
    tables: dict[Controlled, MigrationTables]
    backoff: Backoff | None = None
    draws: Literal["usual", "few", "other", "fresh"] = "usual"

    def __getstate__(self) -> dict[str, Any]:
        """For another process: what is worked out from the rest is worked out there again."""
        return {each.name: getattr(self, each.name) for each in fields(self)}

    @property
    def warnings(self) -> tuple[str, ...]:
        """Of the scenario, then of the fit."""
        return (*self.scenario.warnings, *self.fit.warnings)

    @cached_property
    def tailing(self) -> Array:
        """Tailing factors (M,): stated, else the mean of the measured ones, else one; before the system's decay."""
        if self.fit.tailing is not None:
            return self.fit.tailing
        stated = [self.scenario.tailing(name) for name in self.scenario.compounds]
        measured = measured_mean(self.scenario, "tailing", 1.0)
        if self.fit.load is not None:  # what was measured of a leaning peak is its lean
            measured = np.where(self.fit.load != 0, 1.0, measured)
        return np.array([m if s is None else s for s, m in zip(stated, measured, strict=True)])

    @cached_property
    def overloads(self) -> bool:
        """Whether the amount of any peak moves it."""
        return self.fit.load is not None and bool(self.fit.load.any())

    @property
    def leans(self) -> bool:
        """Whether tailing factors change from program to program, by amounts or by the system's decay."""
        return self.overloads or self.tail is not None

    @cached_property
    def tail(self) -> Tail | None:
        """The system's decay, with tailing factors before it."""
        tau = self.fit.system.time_constant
        return Tail(tau, np.maximum(self.tailing, LEAST_TAILING)) if tau else None

    @cached_property
    def tails(self) -> bool:
        """Whether any peak is not symmetrical."""
        return self.leans or bool((self.tailing != 1).any())

    def tailing_with(self, front: Array | None) -> Array:
        """Tailing factors (..., M) of peaks with twice such a share of their width in front of the apex (..., M)."""
        return self.tailing if front is None else leaning_too(self.tailing, front)

    @cached_property
    def partners(self) -> tuple[NDArray[np.bool_], Array]:
        """Whether two compounds count as a pair (M, M), and the resolution they need (M, M)."""
        size = len(self.scenario.compounds)
        counts, needed = np.zeros((size, size), dtype=bool), np.zeros((size, size))
        i, j = self.pairs.index.T
        counts[i, j] = counts[j, i] = True
        needed[i, j] = needed[j, i] = self.pairs.needed
        return counts, needed

    @cached_property
    def facing(self) -> tuple[Array, Array]:
        """What to multiply half-height widths (M,) by where a peak faces the one before, and the one after."""
        return facing_shares(self.tailing)

    @cached_property
    def requirements(self) -> tuple[Limit, ...]:
        """What the goal requires beside the resolution of pairs."""
        return tuple(requirements_of(self.scenario, self.targets, self.fit.system))

    @cached_property
    def limits(self) -> tuple[Limit, ...]:
        """The requirements, then the limits of the equipment: K of them, the same for every program."""
        return (*self.requirements, *equipment_of(self.scenario))

    @property
    def confidence(self) -> float:
        """Required pass probability; 0 where only the nominal program counts."""
        return self.scenario.goal.confidence

    @property
    def by_draws(self) -> bool:
        """Whether a program is judged by draws, not by margins alone."""
        return self.confidence > 0 and self.backoff is None

    def without(self, given_up: Iterable[Requirement]) -> Problem:
        """The same problem with some requirements given up."""
        scenario, pairs = self.scenario, self.pairs
        for each in given_up:
            if isinstance(each, Resolution):
                pairs = Pairs(pairs.index[:0], pairs.needed[:0])
            elif each.without is not None:
                scenario = each.without(scenario)
        return replace(self, scenario=scenario, pairs=pairs)

    def holding(self, backoff: Backoff) -> Problem:
        """The same problem with margins lessened by a backoff; draws play no further part in it."""
        return replace(self, backoff=backoff)

    @cached_property
    def robustness(self) -> Robustness:
        """Draws of all uncertain quantities, ready to be applied to programs."""
        scenario = self.scenario
        seed, count = scenario.search.seed, FEW_DRAWS if self.draws == "few" else DRAWS
        if self.draws == "other":
            seed, count = seed + OTHER_SEED, OTHER_DRAWS
        if self.draws == "fresh":
            seed, count = seed + FRESH_SEED, FRESH_DRAWS
        return Robustness(self.fit, scenario.tolerances, scenario.ambient_pressure, self.tables, seed, count)

    @cached_property
    def afresh(self) -> Problem:
        """The same problem with draws that no search has seen: those judge what it found."""
        return replace(self, draws="fresh")

    @cached_property
    def by_other_draws(self) -> Problem:
        """The same problem with draws that neither a search follows nor a result is judged by: what lies between."""
        return replace(self, draws="other")

    @cached_property
    def by_few_draws(self) -> Problem:
        """The same problem with a quarter of its draws, for a quarter of the work."""
        return replace(self, draws="few")

    @property
    def limit_names(self) -> tuple[str, ...]:
        """Names of the limits, as results have them."""
        return tuple(limit.name for limit in self.limits)

    @cached_property
    def equipment(self) -> NDArray[np.bool_]:
        """Which of the limits are the equipment's (K,): these are never traded against requirements."""
        return np.arange(len(self.limits)) >= len(self.requirements)

    def assess(self, batch: ProgramBatch, accuracy: Accuracy = "screen") -> Assessment:
        """Simulate and hold against the limits; a call of another thread to stop is heard here."""
        stop_if_asked()
        return self._assessed(batch, migrate(self.tables[batch.controlled], batch, accuracy))

    def assess_around(self, batch: ProgramBatch) -> Assessment:
        """The first program of a batch simulated, and the others, which are close to it, by its slopes."""
        stop_if_asked()
        return self._assessed(batch, migrate_around(self.tables[batch.controlled], batch))

    def _assessed(self, batch: ProgramBatch, peaks: Migration) -> Assessment:
        tailing = self.tailing + np.zeros((batch.size, 1))
        if peaks.lean is not None:
            tailing = self.tailing_with(np.where(peaks.eluted, peaks.lean.front, 1.0))
        retention = np.where(peaks.eluted, peaks.retention_time, LATE)
        width = np.where(peaks.eluted, peaks.width * HALF_HEIGHT_WIDTH, 1.0)
        run_time = self.end_of_peak(retention, width).max(axis=1)
        bake = self.scenario.goal.bake_out
        pressure, flows = carried(self.fit.system, batch, None if bake is None else bake.temperature)
        runs = Runs(
            batch,
            delayed(batch, self.fit.system.oven_lag),
            retention,
            width,
            peaks.elution_temperature,
            peaks.retention_factor,
            run_time,
            pressure,
            flows,
        )
        cost = self.cost(batch, run_time)
        found = margins(self.limits, runs)
        return self.held(Assessment(retention, width, run_time, cost, found, tailing))

    def held(self, assessment: Assessment) -> Assessment:
        """An assessment without backoff with its limits lessened by that of this problem."""
        if self.backoff is None:
            return assessment
        return replace(assessment, limits=assessment.limits - self.backoff.kappa * self.backoff.limits)

    def end_of_peak(self, retention: Array, width_half: Array) -> Array:
        """When a peak is over [s], with what draws ask for on top where they are held; any shape."""
        return end_of_peak(retention, width_half) + (0.0 if self.backoff is None else self.backoff.end)

    def cost(self, batch: ProgramBatch, end: Array) -> Array:
        """What is minimised (N,) [s], the last peak being over at `end` (N,) [s]."""
        by_cycle = self.scenario.goal.minimise == "cycle time"
        if self.scenario.goal.bake_out is None and not by_cycle:
            return end
        last = values_at(end[:, None], batch.oven_times, batch.oven_temperatures)[:, 0]
        bake_out, turnaround = after_run(self.scenario, batch.oven_temperatures[:, 0], last)
        return end + bake_out + (turnaround if by_cycle else 0.0)

    def pair_resolutions(self, retention: Array, width_half: Array, leaning: Array | None = None) -> Array:
        """(..., P) resolutions of all counted pairs, whatever the order, tailing peaks as they are.

        `leaning` (..., M) are tailing factors where amounts move peaks.
        """
        tailing = self.tailing if leaning is None or not self.leans else leaning
        return pair_resolution(retention, width_half, self.pairs.index, tailing if self.tails else None)

    def resolutions(self, assessment: Assessment) -> Array:
        """(N, P) the same of programs."""
        return self.pair_resolutions(assessment.retention, assessment.width_half, assessment.tailing)

    def resolution_margins(self, assessment: Assessment) -> Array:
        """(N, P) margins of all counted pairs: Rs/needed - 1, whatever the order."""
        found = self.resolutions(assessment)
        result: Array = found / self.pairs.needed - 1
        if self.backoff is not None:
            result -= self.backoff.kappa * self.backoff.pairs[*self.pairs.index.T]
        return result

    def equipment_margin(self, assessment: Assessment) -> Array:
        """(N,) the smallest margin of the equipment's limits."""
        return np.asarray(assessment.limits[:, len(self.requirements) :].min(axis=1))

    def shortfall(self, assessment: Assessment) -> Array:
        """(N,) how much is missed of what is required: the sum of m/(1 + m) + ONE_MORE over the negative margins -m.

        One missed by far counts for no more than one, so that a requirement that cannot be met is not bought with all
        the others; and one more missed counts at once, so that the others are kept rather than nearly kept.
        """
        required = assessment.limits[:, ~self.equipment]
        missed = np.maximum(-np.concatenate([self.resolution_margins(assessment), required], axis=1), 0.0)
        return np.asarray((missed / (1 + missed) + ONE_MORE * (missed > KEPT)).sum(axis=1))

    def smallest_margin(self, assessment: Assessment) -> Array:
        """(N,) the smallest margin of anything."""
        limits: Array = assessment.limits.min(axis=1)
        if not len(self.pairs.needed):
            return limits
        return np.asarray(np.minimum(self.resolution_margins(assessment).min(axis=1), limits))


def end_of_peak(retention: Array, width_half: Array) -> Array:
    """When a peak is over [s], with room for what a run may be late; any shape."""
    return (1 + END_SHARE) * retention + END_OF_PEAK * width_half


def measured_mean(scenario: Scenario, name: str, unknown: float | None = None) -> Array:
    """Mean over the runs of a measured property of each compound (M,).

    Where nothing was measured `unknown` stands in, by default the median of the others, or 1 where nothing was
    measured at all.
    """
    values = []
    for compound in scenario.compounds:
        seen = [
            float(getattr(run.peaks, name)[at])
            for run in scenario.runs
            if (at := run.peaks.index(compound)) is not None
        ]
        known = [value for value in seen if np.isfinite(value)]
        values.append(float(np.mean(known)) if known else np.nan)
    means = np.array(values)
    usual = unknown
    if usual is None:
        usual = 1.0 if np.all(np.isnan(means)) else float(np.nanmedian(means))
    return np.where(np.isnan(means), usual, means)


def nominal_problem(problem: Problem) -> Problem:
    """The problem with programs judged by the predicted chromatogram alone."""
    goal = replace(problem.scenario.goal, confidence=0.0)
    return replace(problem, scenario=replace(problem.scenario, goal=goal))


def problem_of(scenario: Scenario, fit: Fit) -> Problem:
    """Everything the search needs, with tables for every carrier variable."""
    tables = {
        kind: migration_tables(fit.system, fit.retention, kind, fit.diffusion, fit.load, fit.tailing)
        for kind in get_args(Controlled)
    }
    return Problem(scenario, fit, counted_pairs(scenario), _targets(scenario), tables)


def set_aside(problem: Problem, compounds: Iterable[str]) -> Problem:
    """The same problem with compounds ignored of which the scenario says nothing, as of unknowns."""
    ignored = tuple(AnalyteDetail(name, role="ignore") for name in compounds)
    scenario = replace(problem.scenario, analytes=(*problem.scenario.analytes, *ignored))
    return replace(problem, scenario=scenario, pairs=counted_pairs(scenario), targets=_targets(scenario))


def _targets(scenario: Scenario) -> Index:
    """(T,) the compounds that limits of elution concern."""
    names = scenario.compounds
    return np.array(
        [m for m, name in enumerate(names) if scenario.role(name) in COUNTED_ROLES], dtype=np.intp
    )
