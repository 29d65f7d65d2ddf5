"""The detector in fit, predictions, limits and warnings."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from benchmarks.mixtures import mixture
from models.column.programs import Array, batch_of
from models.peaks.migration import migrate, migration_tables
from models.peaks.resolution import HALF_HEIGHT_WIDTH
from models.peaks.sensitivity import sensitivity
from models.units import flow_si
from optimizer.goal.goal import Problem, problem_of
from optimizer.goal.predict import predict
from optimizer.methods.workflow import fit_scenario, optimize
from optimizer.results.detector import detector_settings
from optimizer.scenario.data import Scenario
from optimizer.scenario.instrument_data import Detector
from optimizer.scenario.reading import load_scenario
from optimizer.search.reasons import held_limits, warnings_of

SLOW = Detector(readings=0.7)


@pytest.fixture(scope="module")
def scenario() -> Scenario:
    return load_scenario(Path(__file__).parents[3] / "scenarios" / "rescued_pair")


def seen_by(scenario: Scenario, detector: Detector) -> Scenario:
    """The scenario with widths as a detector would have shown them."""
    added = detector.readings_variance * HALF_HEIGHT_WIDTH**2
    runs = tuple(
        replace(run, peaks=replace(run.peaks, width_half=np.sqrt(run.peaks.width_half**2 + added)))
        for run in scenario.runs
    )
    return replace(scenario, runs=runs, detector=detector)


def test_the_fit_takes_off_what_predictions_add(scenario: Scenario) -> None:
    plain, slow = fit_scenario(scenario), fit_scenario(seen_by(scenario, SLOW))
    assert np.isfinite(scenario.runs[0].peaks.width_half).all()
    assert slow.system.plate_height_factor == pytest.approx(plain.system.plate_height_factor, rel=0.02)
    program = scenario.runs[1].program
    widths = [predict(problem_of(scenario, fit), program).width_half for fit in (plain, slow)]
    expected = np.sqrt(widths[0] ** 2 + SLOW.readings_variance * HALF_HEIGHT_WIDTH**2)
    assert widths[1] == pytest.approx(expected, rel=0.01)
    ignored = fit_scenario(replace(seen_by(scenario, SLOW), detector=Detector()))
    assert ignored.system.plate_height_factor > 1.03 * plain.system.plate_height_factor


def test_slopes_of_widths_are_those_of_what_is_seen(scenario: Scenario) -> None:
    fit = fit_scenario(seen_by(scenario, SLOW))
    batch = batch_of([scenario.runs[0].program])
    controlled = batch.controlled

    def widths(ln_plates: float = 0.0, injected: float = 0.0, ln_flow: float = 0.0) -> Array:
        system = replace(
            fit.system,
            plate_height_factor=fit.system.plate_height_factor * np.exp(ln_plates),
            injection_width=np.sqrt(0.2**2 + injected),
            flow_factor=fit.system.flow_factor * np.exp(ln_flow),
        )
        return migrate(migration_tables(system, fit.retention, controlled), batch).width[0]

    system = replace(fit.system, injection_width=0.2)
    slopes = sensitivity(migration_tables(system, fit.retention, controlled), batch, 0.0)
    step = 1e-4
    by_flow = widths(ln_flow=step) - widths(ln_flow=-step)
    by_plates = widths(ln_plates=step) - widths(ln_plates=-step)
    by_injected = widths(injected=step) - widths(injected=-step)
    assert slopes.by_shared[1, 0, 0] == pytest.approx(by_flow / (2 * step), rel=0.02, abs=1e-3)
    assert slopes.by_shared[1, 0, 1] == pytest.approx(by_plates / (2 * step), rel=1e-3)
    assert slopes.by_shared[1, 0, 2] == pytest.approx(by_injected / (2 * step), rel=1e-3)


def problem(scenario: Scenario, detector: Detector) -> Problem:
    changed = replace(scenario, detector=detector)
    return problem_of(changed, fit_scenario(changed))


def test_points_and_flows_are_limits(scenario: Scenario) -> None:
    stated = Detector(0.0, 5.0, 12, flow_si(20.0), flow_si(21.0), flow_si(23.0))
    judged = problem(scenario, stated)
    program = scenario.runs[0].program
    seen = predict(judged, program)
    margins = dict(
        zip(judged.limit_names, judged.assess(batch_of([program]), "polish").limits[0], strict=True)
    )
    sigma = seen.width_half.min() / HALF_HEIGHT_WIDTH
    assert margins["readings across the narrowest peak"] == pytest.approx(4 * sigma * 5 / 12 - 1, rel=1e-3)
    smallest, largest = (f * 60e6 + 20 for f in (seen.flow.min(), seen.flow.max()))
    assert margins["smallest flow into the detector"] == pytest.approx(smallest / 21 - 1, abs=1e-4)
    assert margins["largest flow into the detector"] == pytest.approx(1 - largest / 23, abs=1e-4)
    (points,) = (each for each in judged.requirements if "readings" in each.name)
    assert f"{20 * sigma:.1f} readings across the narrowest peak (not below 12)" in points.text(seen)
    assert not any("readings" in each.name for each in judged.without([points]).requirements)
    assert not any(
        "detector" in name or "readings" in name for name in problem(scenario, Detector()).limit_names
    )


def test_needed_rate_of_a_program(scenario: Scenario) -> None:
    judged = problem(scenario, Detector())
    seen = predict(judged, scenario.runs[0].program)
    settings = detector_settings(judged.scenario, seen)
    base = 4 * seen.width_half.min() / HALF_HEIGHT_WIDTH
    assert settings.narrowest == seen.compounds[int(seen.width_half.argmin())]
    assert settings.base_width == pytest.approx(base)
    assert settings.needed == pytest.approx(10 / base)
    assert settings.lines()[0][0] == "Data rate"
    more = replace(judged.scenario, detector=Detector(readings=5.0, min_points=20))
    assert detector_settings(more, seen).needed == pytest.approx(20 / base)


def test_a_slow_data_rate_changes_the_program() -> None:
    """A rate that gives the fastest program too few points makes the search take one with wider peaks."""
    known = mixture(6, 1, 1)
    plain, fit = replace(known.scenario, goal=replace(known.scenario.goal, confidence=0.0)), known.fit
    _, free = optimize(plain, fit, rounds=12, what_if=False)
    fastest = free.candidates[0].prediction
    needed = detector_settings(plain, fastest).needed
    assert needed is not None
    rate = needed / 1.3
    bound = replace(plain, detector=Detector(readings=rate, min_points=10))
    seen = replace(fit, system=replace(fit.system, detector_variance=bound.detector.readings_variance))
    held, outcome = optimize(bound, seen, rounds=12, what_if=False)
    assert outcome.feasible
    slower = outcome.candidates[0].prediction
    own = detector_settings(bound, slower).needed
    assert own is not None
    assert own <= rate * 1.001
    assert slower.run_time > fastest.run_time
    names = [each.shown.name for each in held_limits(held, slower)]
    assert "readings across the narrowest peak" in names


def test_slow_response_and_peaks_beyond_the_linear_range_are_warned_of(scenario: Scenario) -> None:
    runs = tuple(
        replace(run, peaks=replace(run.peaks, area=np.arange(1.0, 1.0 + len(run.peaks.compounds))))
        for run in scenario.runs
    )
    measured = replace(scenario, runs=runs)
    program = scenario.runs[0].program
    judged = problem(measured, Detector())
    seen = predict(judged, program)
    heights = seen.area / (seen.width_half / HALF_HEIGHT_WIDTH * np.sqrt(2 * np.pi))
    limit = float(np.sort(heights)[-2:].mean())
    tallest = seen.compounds[int(heights.argmax())]
    told = warnings_of(problem(measured, Detector(max_height=limit)), seen)
    (line,) = (text for text in told if "linear range" in text)
    assert f": {tallest} (" in line
    assert ";" not in line.split(": ")[1].split("; inject")[0]  # that one alone
    assert not any("linear range" in text for text in warnings_of(judged, seen))
    slow = problem(measured, Detector(response_time=5.0))
    assert any("response time of 5 s" in text for text in warnings_of(slow, predict(slow, program)))
