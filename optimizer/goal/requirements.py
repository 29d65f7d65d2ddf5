"""What a goal requires beside the resolution of pairs: times, retention factors, what analytes withstand, orders.

Each requirement is a `Limit` that can be given up, alone or with all of its kind.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from typing import Any

import numpy as np

from models.column.programs import Array, ProgramBatch, batch_of, delayed
from models.column.system import ColumnSystem
from models.peaks.bleed import baseline
from models.peaks.detection import points_across
from models.peaks.resolution import HALF_HEIGHT_WIDTH, resolution
from models.peaks.thermal_exposure import (
    Decomposition,
    decomposition,
    highest_temperature,
    ln_decomposed,
    softened_time_above,
)
from models.units import SECONDS_PER_MINUTE, celsius
from optimizer.goal.limits import LATE, SOFT, Index, Limit, Runs
from optimizer.goal.outcome import Prediction
from optimizer.scenario.data import Near, Scenario, TimeAbove

MOST_MARGIN = 1e3  # where no target has eluted
LEAST_DECOMPOSED = 1e-9  # an intact fraction of one cannot be required


def requirements_of(scenario: Scenario, targets: Index, system: ColumnSystem) -> Iterator[Limit]:
    """Every requirement but resolution, on a system; `targets` (T,) are the compounds that times concern."""
    goal = scenario.goal
    if goal.earliest_elution > 0:
        yield _earliest(goal.earliest_elution, targets)
    if goal.latest_elution is not None:
        yield _latest(goal.latest_elution, targets)
    if goal.min_retention_factor > 0:
        yield _retention_factor(goal.min_retention_factor, targets)
    if scenario.detector.min_points is not None and scenario.detector.readings is not None:
        yield _points(scenario.detector.min_points, scenario.detector.readings, targets)
    if scenario.bleed is not None and scenario.bleed.max_level is not None:
        yield _bleed(scenario, scenario.bleed.max_level, targets, system)
    span = max(scenario.highest_temperature - scenario.lowest_temperature, 1.0)
    for m, name in enumerate(scenario.compounds):
        detail = scenario.detail(name)
        if detail.max_elution_temperature is not None:
            yield _elution_temperature(name, m, detail.max_elution_temperature, span)
        if detail.max_time_above is not None:
            yield _time_above(name, m, detail.max_time_above, span)
        if detail.decomposition is not None and detail.min_intact_fraction is not None:
            yield _intact(name, m, detail.min_intact_fraction, decomposition_of(scenario, (name,)))
        if detail.role == "solvent":
            yield _after_solvent(name, m, targets)
        if detail.near is not None:
            yield _near(name, m, detail.near, scenario.compounds)
    for pair in scenario.in_order:
        yield _order(pair, scenario.compounds)


def by_kind(requirements: Iterable[Limit]) -> dict[str, list[Limit]]:
    """Requirements of a kind together."""
    kinds: dict[str, list[Limit]] = {}
    for each in requirements:
        kinds.setdefault(each.kind or each.name, []).append(each)
    return kinds


def first_elution(retention: Array, width_half: Array, targets: Index) -> Array:
    """When the first of the targets begins to elute [s]: (..., M) arrays to (...,)."""
    begins = retention[..., targets] - width_half[..., targets]
    result: Array = begins.min(axis=-1, initial=LATE)
    return result


def decomposition_of(scenario: Scenario, compounds: tuple[str, ...]) -> Decomposition:
    """The kinetics of compounds that have them stated."""
    stated = [scenario.detail(name).decomposition for name in compounds]
    known = [each for each in stated if each is not None]
    return decomposition(
        np.array([each.activation_energy for each in known]),
        np.array([each.half_life for each in known]),
        np.array([each.temperature for each in known]),
    )


def _goal_with(**changes: Any) -> Callable[[Scenario], Scenario]:
    """The scenario with its goal changed."""
    return lambda scenario: replace(scenario, goal=replace(scenario.goal, **changes))


def _analyte_with(compound: str, **changes: Any) -> Callable[[Scenario], Scenario]:
    """The scenario with what it says about an analyte changed."""

    def changed(scenario: Scenario) -> Scenario:
        known = scenario.analytes
        analytes = (replace(each, **changes) if each.compound == compound else each for each in known)
        return replace(scenario, analytes=tuple(analytes))

    return changed


def _times(seen: Prediction) -> Array:
    """Retention times (M,) [s]; LATE of what does not elute."""
    return np.nan_to_num(seen.retention, nan=LATE)


def _min(seconds: float) -> str:
    return f"{seconds / SECONDS_PER_MINUTE:.2f} min"


def _off(seconds: float) -> str:
    """In seconds where hundredths of a minute say too little."""
    return f"{seconds:.1f} s" if seconds < 0.1 * SECONDS_PER_MINUTE else _min(seconds)


def _earliest(earliest: float, targets: Index) -> Limit:
    def first(seen: Prediction) -> float:
        return float(first_elution(_times(seen), seen.width_half, targets))

    return Limit(
        "earliest elution",
        lambda runs: first_elution(runs.retention, runs.width, targets) / earliest - 1,
        lambda seen: f"first peak begins at {_min(first(seen))} (not before {_min(earliest)})",
        missed_by=lambda seen: f"{_off(earliest - first(seen))} too early",
        given_up=f"peaks earlier than {earliest / SECONDS_PER_MINUTE:g} min",
        without=_goal_with(earliest_elution=0.0),
        by_times=True,
    )


def _after_solvent(name: str, m: int, targets: Index) -> Limit:
    def first(seen: Prediction) -> float:
        return float(first_elution(_times(seen), seen.width_half, targets))

    return Limit(
        f"first peak after {name}",
        lambda runs: first_elution(runs.retention, runs.width, targets) / runs.retention[:, m] - 1,
        lambda seen: f"first peak begins at {_min(first(seen))}, {name} ends at {_min(_times(seen)[m])}",
        "first peaks after solvents",
        (name,),
        missed_by=lambda seen: f"{_off(float(_times(seen)[m]) - first(seen))} too early",
        given_up=f"peaks before the end of {name}",
        without=_analyte_with(name, role="ignore"),
        by_times=True,
    )


def _latest(latest: float, targets: Index) -> Limit:
    def last(seen: Prediction) -> float:
        return float(_times(seen)[targets].max())

    return Limit(
        "latest elution",
        lambda runs: 1 - runs.retention[:, targets].max(axis=1, initial=0.0) / latest,
        lambda seen: f"last peak at {_min(last(seen))} (not after {_min(latest)})",
        missed_by=lambda seen: f"{_off(last(seen) - latest)} too late",
        given_up=f"peaks later than {latest / SECONDS_PER_MINUTE:g} min",
        without=_goal_with(latest_elution=None),
        by_times=True,
    )


def _retention_factor(least: float, targets: Index) -> Limit:
    def smallest(k: Array) -> Any:
        return np.nan_to_num(k[..., targets]).min(axis=-1, initial=np.inf)

    name = "retention factor at elution"
    return Limit(
        name,
        lambda runs: smallest(runs.retention_factor) / least - 1,
        lambda seen: f"{name} down to {smallest(seen.retention_factor):.2f} (not below {least:g})",
        missed_by=lambda seen: f"{least - smallest(seen.retention_factor):.2g} too low",
        given_up=f"retention factors at elution below {least:g}",
        without=_goal_with(min_retention_factor=0.0),
    )


def _points(least: int, readings: float, targets: Index) -> Limit:
    def fewest(retention: Array, width_half: Array) -> Any:
        eluted = retention[..., targets] < LATE
        widths = np.where(eluted, width_half[..., targets], np.inf)
        return points_across(widths.min(axis=-1, initial=np.inf) / HALF_HEIGHT_WIDTH, readings)

    def without(scenario: Scenario) -> Scenario:
        return replace(scenario, detector=replace(scenario.detector, min_points=None))

    return Limit(
        "readings across the narrowest peak",
        lambda runs: np.minimum(fewest(runs.retention, runs.width) / least - 1, MOST_MARGIN),
        lambda seen: (
            f"{fewest(_times(seen), seen.width_half):.1f} readings across the narrowest peak (not below {least})"
        ),
        given_up=f"fewer than {least} readings across the narrowest peak",
        without=without,
    )


def bleed_of(scenario: Scenario, system: ColumnSystem, column: ProgramBatch, times: Array) -> Array:
    """Level of the bleed (N, Q) [unit of the areas per s] of a scenario that states it.

    Parameters
    ----------
    column : N programs, as the column feels them
    times : (N, Q) array  [s]
    """
    assert scenario.bleed is not None
    make_up = scenario.detector.make_up
    dilutes = make_up if scenario.bleed.concentration else None
    return baseline(system, column, times, scenario.bleed.measured(make_up), dilutes)


def _bleed(scenario: Scenario, most: float, targets: Index, system: ColumnSystem) -> Limit:
    def at_last(column: ProgramBatch, retention: Array) -> Array:
        last = retention[:, targets].max(axis=1, initial=0.0)
        return bleed_of(scenario, system, column, last[:, None])[:, 0]

    def level(seen: Prediction) -> float:
        felt = delayed(batch_of([seen.program]), system.oven_lag)
        return float(at_last(felt, _times(seen)[None])[0])

    def without(scenario: Scenario) -> Scenario:
        assert scenario.bleed is not None
        return replace(scenario, bleed=replace(scenario.bleed, max_level=None))

    name = "bleed at the last peak"
    return Limit(
        name,
        # -ln(level/limit): nearly straight in the set points, the level being exponential in 1/T.
        lambda runs: -np.log(at_last(runs.column, runs.retention) / most),
        lambda seen: f"{name} {level(seen):.3g} (not above {most:g}, unit of the areas per second)",
        missed_by=lambda seen: f"{level(seen) / most:.3g} times the level allowed",
        given_up=f"bleed above {most:g} at the last peak",
        without=without,
    )


def _elution_temperature(name: str, m: int, highest: float, span: float) -> Limit:
    most = f"{celsius(highest):.0f} °C"

    def margin(runs: Runs) -> Array:
        T = runs.elution_temperature[:, m]
        return np.asarray(
            (highest - np.where(np.isfinite(T), T, runs.column.oven_temperatures[:, -1])) / span
        )

    def missed_by(seen: Prediction) -> str:
        above = float(seen.elution_temperature[m]) - highest
        return f"{above:.1f} °C too hot" if np.isfinite(above) else "does not elute"

    return Limit(
        f"elution temperature of {name}",
        margin,
        lambda seen: f"{name} elutes at {celsius(seen.elution_temperature[m]):.0f} °C (not above {most})",
        "elution temperatures",
        (name,),
        missed_by=missed_by,
        given_up=f"{name} eluting above {most}",
        without=_analyte_with(name, max_elution_temperature=None),
    )


def _time_above(name: str, m: int, limit: TimeAbove, span: float) -> Limit:
    at, temperature, longest = np.array([m]), limit.temperature, limit.duration
    above = f"above {celsius(temperature):.0f} °C"

    def margin(runs: Runs) -> Array:
        if longest <= 0:
            hottest = highest_temperature(runs.column, runs.retention, at)[:, 0]
            return np.asarray((temperature - hottest) / span)
        stay = softened_time_above(runs.column, runs.retention, at, np.array([temperature]), SOFT)[:, 0]
        return 1 - stay / longest

    return Limit(
        f"time of {name} above a temperature",
        margin,
        lambda seen: f"{name} spends {_min(seen.time_above[m])} {above} (limit {_min(longest)})",
        "times above a temperature",
        (name,),
        missed_by=lambda seen: f"{_off(float(seen.time_above[m]) - longest)} too long",
        given_up=f"{name} longer {above}",
        without=_analyte_with(name, max_time_above=None),
    )


def _intact(name: str, m: int, least: float, kinetics: Decomposition) -> Limit:
    at, most = np.array([m]), max(-np.log(least), LEAST_DECOMPOSED)

    def margin(runs: Runs) -> Array:
        # -ln(X/Xmax), X = ln(1/intact fraction): nearly straight in the set points, X being exponential in 1/T.
        X = ln_decomposed(runs.column, runs.retention, at, kinetics)[:, 0]
        return np.asarray(-np.log(np.maximum(X, 1e-300) / most))

    def missed_by(seen: Prediction) -> str:
        times = (1 - seen.intact_fraction[m]) / (1 - least) if least < 1 else np.inf
        return f"{times:{'.0f' if times >= 10 else '.2g'}} times the loss allowed"

    return Limit(
        f"intact fraction of {name}",
        margin,
        lambda seen: f"{name} {100 * seen.intact_fraction[m]:.2f} % intact (needs {100 * least:.2f} %)",
        "intact fractions",
        (name,),
        missed_by=missed_by,
        given_up=f"less than {100 * least:g} % of {name} intact",
        without=_analyte_with(name, min_intact_fraction=None),
    )


def _near(name: str, m: int, near: Near, compounds: tuple[str, ...]) -> Limit:
    others, within = np.array([compounds.index(other) for other in near.compounds]), near.within

    def apart(t: Array) -> Any:
        return np.abs(t[..., others] - t[..., m : m + 1]).max(axis=-1)

    return Limit(
        f"{name} near its compounds",
        lambda runs: 1 - apart(runs.retention) / within,
        lambda seen: (
            f"{name} up to {_min(apart(seen.retention))} from {', '.join(near.compounds)} (limit {_min(within)})"
        ),
        "internal standards near their compounds",
        (name,),
        missed_by=lambda seen: f"{_off(float(apart(_times(seen))) - within)} too far",
        given_up=f"{name} further than {within / SECONDS_PER_MINUTE:g} min from its compounds",
        without=_analyte_with(name, near=None),
        by_times=True,
    )


def _order(pair: tuple[str, str], compounds: tuple[str, ...]) -> Limit:
    first, second = pair
    a, b = compounds.index(first), compounds.index(second)

    def margin(runs: Runs) -> Array:
        t, w = runs.retention, runs.width
        return resolution(t[:, a], t[:, b], w[:, a], w[:, b])

    def text(seen: Prediction) -> str:
        behind = float(seen.retention[a] - seen.retention[b])
        where, required = ("after", " (must elute before it)") if behind > 0 else ("before", "")
        return f"{first} elutes {_min(abs(behind))} {where} {second}{required}"

    def without(scenario: Scenario) -> Scenario:
        rules = (replace(rule, in_order=rule.in_order and rule.between != pair) for rule in scenario.pairs)
        return replace(scenario, pairs=tuple(rules))

    return Limit(
        f"{first} before {second}",
        margin,
        text,
        "orders of elution",
        pair,
        given_up=f"{first} and {second} in either order",
        without=without,
        by_times=True,
    )
