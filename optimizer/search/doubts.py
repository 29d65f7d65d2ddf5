"""What the reader must know before trusting a program, in sentences."""

from __future__ import annotations

import numpy as np

from models.column.programs import Program
from models.peaks.resolution import order_changes
from models.units import SECONDS_PER_MINUTE, celsius
from optimizer.base.numbers import percent
from optimizer.goal.cautions import extrapolation
from optimizer.goal.goal import Problem
from optimizer.goal.outcome import Prediction
from optimizer.goal.predict import hold_up_time_of, predict
from optimizer.goal.reliability import Reliability
from optimizer.scenario.data import Scenario

FAR = 20.0  # K between a predicted elution temperature and the scouted ones that is worth a word
CLEAR_OF_HOLD_UP = (
    1.5  # times the hold-up time, within which a peak sits near the solvent; common practice, no source
)
RISKY = 0.5  # share of draws below which a program is said to be likely to fail


def about_flat_ramp(scenario: Scenario, program: Program) -> tuple[str, ...]:
    """A constant carrier where only ramps of it were asked for."""
    mode, asked = program.carrier.mode, scenario.search.carrier_modes
    if mode in asked or program.carrier.ramps:
        return ()
    return (
        f"{mode.capitalize()} is what came of the {program.carrier.controlled} program that carrier_modes asks for: no "
        "ramp that was tried paid.",
    )


def warnings_of(problem: Problem, prediction: Prediction, now: Prediction | None = None) -> tuple[str, ...]:
    """What the reader must know before trusting a program; `now` is the method in use, if already predicted."""
    current = problem.scenario.current
    if now is None and current is not None:
        now = predict(problem, current)
    return (
        *_about_elution(prediction),
        *_about_extrapolation(problem, prediction),
        *_about_hold_up(problem, prediction),
        *about_order(problem, prediction, now),
        *_about_amounts(problem, prediction),
    )


def _about_elution(prediction: Prediction) -> list[str]:
    missing = [
        name for name, t in zip(prediction.compounds, prediction.retention, strict=True) if not np.isfinite(t)
    ]
    return [f"Not eluted in any reasonable time: {', '.join(missing)}."] if missing else []


def _about_extrapolation(problem: Problem, prediction: Prediction) -> list[str]:
    """Programs outside the scouted temperatures, and compounds that elute far from where they were seen to."""
    runs = problem.scenario.runs
    if not runs:
        return []
    T = prediction.program.oven.knots()[1]
    found = list(extrapolation(problem.scenario, min(T), max(T)))
    far = []
    for m, name in enumerate(prediction.compounds):
        seen = [
            float(np.interp(run.peaks.retention[at], *run.program.oven.knots()))
            for run in runs
            if (at := run.peaks.index(name)) is not None
        ]
        at_elution = float(prediction.elution_temperature[m])
        beyond = at_elution < min(seen, default=np.inf) - FAR or at_elution > max(seen, default=np.inf) + FAR
        if seen and beyond:  # of what never elutes neither is true
            far.append(
                f"{name} ({celsius(at_elution):.0f} °C; scouted {celsius(min(seen)):.0f} to {celsius(max(seen)):.0f})"
            )
    if far:
        found.append(f"Extrapolated, leaving more than {FAR:.0f} °C from where scouted: {_listed(far)}.")
    return found


def _about_hold_up(problem: Problem, prediction: Prediction) -> list[str]:
    """Targets that the column hardly retains: k at elution says nothing of that where a ramp is fast."""
    hold_up = hold_up_time_of(problem.fit.system, prediction.program)
    early = sorted(
        (float(prediction.retention[m]), prediction.compounds[m])
        for m in problem.targets
        if prediction.retention[m] < CLEAR_OF_HOLD_UP * hold_up
    )
    if not early:
        return []
    weak = [f"{name} ({t / SECONDS_PER_MINUTE:.2f} min, {t / hold_up:.2f} times)" for t, name in early]
    return [
        f"Hardly retained, leaving within {CLEAR_OF_HOLD_UP:g} times this program's hold-up time of "
        f"{hold_up / SECONDS_PER_MINUTE:.2f} min, where solvent and matrix crowd: {_listed(weak)}; "
        "earliest_elution_min keeps peaks clear of the solvent."
    ]


def about_order(problem: Problem, prediction: Prediction, now: Prediction | None) -> list[str]:
    """Order changes against the method in use; without one, against the first scouting run."""
    scenario = problem.scenario
    if now is not None:
        known, what = now.retention, "the method in use"
    elif scenario.runs:
        peaks = scenario.runs[0].peaks
        rows = [peaks.index(name) for name in prediction.compounds]
        known = np.array([np.nan if row is None else peaks.retention[row] for row in rows])
        what = "the first scouting run"
    else:
        return []
    names = prediction.compounds
    swapped = [f"{names[b]} before {names[a]}" for a, b in order_changes(known, prediction.retention)]
    return [f"ORDER CHANGE against {what}: {_listed(swapped)}."] if swapped else []


def _about_amounts(problem: Problem, prediction: Prediction) -> list[str]:
    """Peaks above the column's capacity."""
    capacity = problem.scenario.capacity
    if capacity is None:
        return []
    amounts = {name: problem.scenario.detail(name).amount for name in prediction.compounds}
    over = [f"{name} ({ng:g} ng)" for name, ng in amounts.items() if ng is not None and ng > capacity]
    if not over:
        return []
    return [
        f"More than the column's capacity of {capacity:g} ng: {_listed(over)}; such peaks lean forward, widen and come "
        "later than predicted."
    ]


def _listed(items: list[str], most: int = 5) -> str:
    """A list in words, cut where it gets long."""
    more = f" and {len(items) - most} more" if len(items) > most else ""
    return "; ".join(items[:most]) + more


def risk_warnings(confidence: float, reliability: Reliability) -> tuple[str, ...]:
    """What is to be said of a program that meets the goal as it was asked, but on the instrument may well not."""
    share = reliability.share
    if confidence > 0 or share >= RISKY:
        return ()
    return (
        f"Likely to fail: {percent(share)} probability of meeting every requirement. It is the fastest program, not "
        "the safest; with confidence = 0.9 under [goal] the search looks for one with 90 %.",
    )
