"""Which set point is critical: each moved by itself as far as an instrument may be off it, and what that does.

Temperatures move by the scenario's tolerance of the oven, flows and pressures by their percentage, rates and times by
one step of the instrument, the least by which they can be mistyped. All programs go through the engine in one batch.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations, product

import numpy as np
from numpy.typing import NDArray

from models.column.programs import Array, Program, batch_of
from models.errors import InvalidInputError
from optimizer.goal.goal import Assessment, Problem
from optimizer.goal.outcome import KEPT, Prediction
from optimizer.goal.reliability import Moved, MovedTogether, SetPointTolerance
from optimizer.goal.set_point_names import SetPoint, no_such_run, set_points_of
from optimizer.scenario.instrument_steps import carrier_rate_step

NOTHING = 1e-4  # relative margin; less, and none of the run time, is no effect worth a line
NO_TIME = 0.05  # s
TOGETHER = 3  # most critical set points that are also moved two at a time


def set_point_tolerances(problem: Problem, prediction: Prediction) -> tuple[SetPointTolerance, ...]:
    """Every set point of a program with what a move both ways does, the most critical first.

    Set points without a tolerance are left out, and those that change nothing: what comes after the last peak.
    """
    program, scenario = prediction.program, problem.scenario
    points = [
        (point, tolerance)
        for point in set_points_of(program, scenario.ambient_pressure)
        if (tolerance := _tolerance(problem, program, point)) > 0
    ]
    moves = [
        (at, sign, moved)
        for at, (point, tolerance) in enumerate(points)
        for sign in (-1, 1)
        if (moved := _moved(problem, program, point, sign * tolerance)) is not None
    ]
    programs = [program, *(moved for _, _, moved in moves)]
    effects = _effects(problem, problem.assess(batch_of(programs), "polish"))
    base = effects[0]
    by_point: dict[int, dict[int, _Effect]] = {at: {} for at in range(len(points))}
    for (at, sign, _), effect in zip(moves, effects[1:], strict=True):
        by_point[at][sign] = effect
    found = []
    for (point, tolerance), own in zip(points, by_point.values(), strict=True):
        losses = [base.margin - each.margin for each in own.values()] if base.pair else []
        each = SetPointTolerance(
            point.name,
            point.label,
            point.unit,
            point.value(program),
            tolerance,
            _against(base, own.get(-1)),
            _against(base, own.get(1)),
            max(losses, default=0.0),
        )
        if each.loss >= NOTHING or each.breaks or any(abs(e.end - base.end) >= NO_TIME for e in own.values()):
            found.append(replace(each, loss=max(each.loss, 0.0)))
    return tuple(sorted(found, key=lambda each: -each.loss))


def moved_together(
    problem: Problem, prediction: Prediction, known: Sequence[SetPointTolerance]
) -> tuple[MovedTogether, ...]:
    """The most critical set points two at a time, each pair off by both tolerances in all four ways.

    A two-level factorial design of each pair, predicted; `known` is what `set_point_tolerances` gives.
    """
    program = prediction.program
    named = {point.name: point for point in set_points_of(program, problem.scenario.ambient_pressure)}
    pairs = list(combinations(known[:TOGETHER], 2))
    programs: list[Program] = [program]
    rows: list[list[int | None]] = []
    for pair in pairs:
        rows.append([])
        for signs in product((-1, 1), repeat=2):
            moved: Program | None = program
            for each, sign in zip(pair, signs, strict=True):
                if moved is not None:
                    moved = _moved(problem, moved, named[each.name], sign * each.tolerance)
            rows[-1].append(None if moved is None else len(programs))
            programs += [] if moved is None else [moved]
    effects = _effects(problem, problem.assess(batch_of(programs), "polish")) if pairs else []
    return tuple(
        MovedTogether(*pair, tuple(_against(effects[0], None if at is None else effects[at]) for at in row))
        for pair, row in zip(pairs, rows, strict=True)
    )


def _against(base: _Effect, effect: _Effect | None) -> Moved | None:
    """What a move does to the program as it is."""
    if effect is None:
        return None
    breaks = tuple(name for name in effect.missed if name not in base.missed)
    return Moved(effect.end - base.end, effect.resolution, effect.needed, effect.pair, effect.margin, breaks)


def _tolerance(problem: Problem, program: Program, point: SetPoint) -> float:
    """How far a set point may be off, in its own unit."""
    scenario = problem.scenario
    steps, tolerances = scenario.instrument.steps, scenario.tolerances
    if point.field == "hold":
        return steps.time / point.scale
    if point.field == "rate":
        step = steps.rate if point.part == "oven" else carrier_rate_step(scenario, program.carrier.controlled)
        return step / point.scale
    if point.part == "oven":
        return tolerances.oven
    share = tolerances.pressure if program.carrier.controlled == "pressure" else tolerances.flow
    return share * abs(point.value(program))  # pressures are read as gauge


def _moved(problem: Problem, program: Program, point: SetPoint, by: float) -> Program | None:
    """The program with one set point moved, None where that is no program."""
    try:
        moved = point.moved(program, point.value(program) + by)
    except InvalidInputError:  # a hold below zero, a rate not above it
        return None
    return None if no_such_run(moved, program, problem.fit.system.outlet_pressure) else moved


@dataclass(frozen=True)
class _Effect:
    """What one program gives: when its last peak has ended [s], its tightest pair, and the requirements it misses."""

    end: float
    resolution: float
    needed: float
    pair: tuple[str, str] | None
    margin: float
    missed: tuple[str, ...]


def _effects(problem: Problem, assessment: Assessment) -> list[_Effect]:
    """Of every program of a batch, the first of which is the one that all others are held against."""
    names, pairs = problem.scenario.compounds, problem.pairs
    a, b = pairs.index.T
    t = assessment.retention
    apart = t[:, b] - t[:, a]
    # A pair that swaps is not resolved as predicted, however far apart it then is.
    signed = np.sign(apart * apart[0])
    found = signed * problem.resolutions(assessment)
    margins: Array = found / pairs.needed - 1
    missed: NDArray[np.bool_] = assessment.limits[:, ~problem.equipment] < -KEPT
    effects = []
    for row in range(len(t)):
        tightest = int(np.argmin(margins[row])) if len(pairs.needed) else None
        pair = None
        if tightest is not None:
            first, second = sorted(pairs.index[tightest], key=lambda m: t[row, m])
            pair = names[first], names[second]
        short = [
            f"resolution of {names[i]} and {names[j]}"
            for i, j in (
                sorted(pairs.index[at], key=lambda m: t[0, m]) for at in np.flatnonzero(margins[row] < -KEPT)
            )
        ]
        effects.append(
            _Effect(
                float(assessment.run_time[row]),
                float("nan") if tightest is None else float(found[row, tightest]),
                float("nan") if tightest is None else float(pairs.needed[tightest]),
                pair,
                float("inf") if tightest is None else float(margins[row, tightest]),
                (*short, *(problem.requirements[at].name for at in np.flatnonzero(missed[row]))),
            )
        )
    return effects
