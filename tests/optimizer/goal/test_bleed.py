"""Bleed as a requirement, in predictions, in pictures, and on another column."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from benchmarks.mixtures import mixture
from models.column.programs import batch_of
from models.fit.fit import Fit
from models.peaks.bleed import Bleed
from models.units import GAS_CONSTANT, celsius, flow_si, kelvin
from optimizer.base.errors import ScenarioError
from optimizer.goal.drawn_margins import drawn_margins
from optimizer.goal.goal import problem_of
from optimizer.goal.predict import predict
from optimizer.methods.adapt import adapt
from optimizer.methods.adapt_options import change_of
from optimizer.methods.workflow import fit_scenario, optimize
from optimizer.results.detector import detector_settings
from optimizer.results.plot_data import chromatogram_data
from optimizer.results.scenario_words import inputs
from optimizer.runs.blank import BlankLevel, ColumnBleed
from optimizer.scenario.conversion import tables_of
from optimizer.scenario.data import Scenario
from optimizer.scenario.reading import load_scenario
from optimizer.show.pages.report_candidate import chart_view
from optimizer.show.pictures.chromatograms import BLEED_NOTE, chromatogram_figure
from tests.models.peaks.test_bleed import PLAIN, marched

FOLDER = Path(__file__).parents[3] / "scenarios" / "rescued_pair"
NAME = "bleed at the last peak"
LEVELS = (
    BlankLevel(temperature=kelvin(220.0), level=1.0),
    BlankLevel(temperature=kelvin(240.0), level=3.0),
)


@pytest.fixture(scope="module")
def known() -> tuple[Scenario, Fit]:
    scenario = load_scenario(FOLDER)
    return scenario, fit_scenario(scenario)


def with_bleed(scenario: Scenario, most: float | None = None, times: float = 1.0) -> Scenario:
    levels = tuple(replace(each, level=times * each.level) for each in LEVELS)
    return replace(scenario, bleed=ColumnBleed(levels=levels, max_level=most))


def test_two_levels_tell_the_energy() -> None:
    bleed = ColumnBleed(levels=LEVELS).measured(0.0)
    # ln 3 over the difference of 1/T, worked out by hand.
    expected = GAS_CONSTANT * 1.0986123 / (1 / 493.15 - 1 / 513.15)
    assert bleed.activation_energy == pytest.approx(expected, rel=1e-6)
    assert expected == pytest.approx(115.6e3, rel=1e-3)


def test_the_limit_is_a_requirement_that_draws_judge(known: tuple[Scenario, Fit]) -> None:
    scenario, fit = known
    program = scenario.runs[1].program
    plain, free = problem_of(scenario, fit), problem_of(with_bleed(scenario), fit)
    assert NAME not in plain.limit_names
    assert NAME not in free.limit_names
    assert predict(plain, program).bleed is None
    seen = predict(free, program)
    assert seen.bleed is not None
    # Long after the ramp the level is that at rest, at the temperature of the last hold.
    assert celsius(program.oven.highest) == pytest.approx(240.0)
    assert seen.bleed[-1] == pytest.approx(3.0, rel=1e-3)
    settings = detector_settings(free.scenario, seen)
    assert settings.bleed is not None
    assert (
        "Bleed at the last peak",
        f"{settings.bleed:.3g} (unit of the areas per second)",
    ) in settings.lines()
    assert detector_settings(scenario, seen).bleed == pytest.approx(settings.bleed)
    most = 0.8 * settings.bleed
    held = problem_of(with_bleed(scenario, most), fit)
    (limit,) = (each for each in held.requirements if each.name == NAME)
    batch = batch_of([program])
    assessment = held.assess(batch, "polish")
    margins = dict(zip(held.limit_names, assessment.limits[0], strict=True))
    assert margins[NAME] == pytest.approx(np.log(0.8), abs=5e-3)
    assert "(not above" in limit.text(seen)
    assert limit.missed_by(seen) == "1.25 times the level allowed"
    assert NAME not in held.without([limit]).limit_names
    drawn = drawn_margins(held, batch, assessment)
    own = drawn.requirement_margins[0, held.limit_names.index(NAME)]
    assert own.mean() == pytest.approx(np.log(0.8), abs=0.02)
    assert 0.001 < own.std() < 0.1  # an oven within 1 °C moves the level by some per cent


def test_a_limit_changes_the_program() -> None:
    """A ceiling below the level of the fastest program makes the search take a cooler and slower one."""
    base = mixture(6, 1, 1)
    plain = replace(base.scenario, goal=replace(base.scenario.goal, confidence=0.0))
    _, free = optimize(with_bleed(plain), base.fit, rounds=12, what_if=False)
    fastest = free.candidates[0].prediction
    level = detector_settings(plain, fastest).bleed
    assert level is not None
    most = 0.2 * level
    _, held = optimize(with_bleed(plain, most), base.fit, rounds=12, what_if=False)
    assert held.feasible
    cooler = held.candidates[0].prediction
    kept = detector_settings(plain, cooler).bleed
    assert kept is not None
    assert kept <= most * 1.01
    assert cooler.run_time > fastest.run_time
    assert cooler.elution_temperature.max() < fastest.elution_temperature.max() - 5


def test_pictures_stand_on_the_bleed(known: tuple[Scenario, Fit]) -> None:
    scenario, fit = known
    program = scenario.runs[1].program
    bare = chromatogram_data(predict(problem_of(scenario, fit), program), scenario.ambient_pressure, "")
    seen = predict(problem_of(with_bleed(scenario, times=1000.0), fit), program)
    data = chromatogram_data(seen, scenario.ambient_pressure, "")
    assert bare.bleed is None
    assert data.bleed is not None
    np.testing.assert_allclose(data.response - data.bleed, bare.response, atol=1e-9)
    last, plain_last = data.labels[-1], bare.labels[-1]
    at = np.interp(last.time, data.times, data.bleed)
    assert last.height == pytest.approx(plain_last.height + at, rel=1e-3)
    assert data.bleed[-1] > 1.5 * at > 10
    texts = [[each.get_text() for each in chromatogram_figure(of).texts] for of in (data, bare)]
    assert [any(BLEED_NOTE in text for text in those) for those in texts] == [True, False]
    assert chart_view(seen, data)["signal"]["values"][-1] == pytest.approx(data.bleed[-1], rel=1e-3)
    tint = chart_view(seen, data)["critical"][0]
    floor = np.interp(tint["times"], data.times, data.bleed)
    assert (np.array(tint["values"]) >= 0.999 * floor).all()


def test_another_column_bleeds_by_its_film(known: tuple[Scenario, Fit]) -> None:
    scenario, fit = known
    change = change_of(scenario, length_m=15.0, film_thickness_um=0.5)
    made = adapt(with_bleed(scenario, 5.0), fit, scenario.runs[0].program, change)
    moved = made.new.scenario.bleed
    assert moved is not None
    assert [each.level for each in moved.levels] == pytest.approx(
        [1.0, 3.0]
    )  # half the length, twice the film
    thin = change_of(scenario, film_thickness_um=0.1)
    made = adapt(with_bleed(scenario, 5.0), fit, scenario.runs[0].program, thin)
    assert made.new.scenario.bleed is not None
    assert made.new.scenario.bleed.levels[1].level == pytest.approx(1.2)
    assert made.new.scenario.bleed.max_level == 5.0
    assert tables_of(made.new.scenario)["column"].bleed == made.new.scenario.bleed


def test_a_blanks_trace_tells_level_and_energy(tmp_path: Path) -> None:
    """A blank recorded by the reference of marched parcels, with noise, an offset, a solvent and a contamination."""
    shutil.copytree(FOLDER, tmp_path, dirs_exist_ok=True)
    text = (FOLDER / "scenario.toml").read_text(encoding="utf-8")
    stated = '[column.bleed]\ntrace = "blank.csv"\nlike_run = "fast"\n\n[carrier]\n'
    (tmp_path / "scenario.toml").write_text(text.replace("[carrier]\n", stated, 1), encoding="utf-8")
    energy, level = 150e3, 40.0
    times = np.arange(0.0, 1440.0, 0.5)
    start, hold, rate, top, flow = kelvin(60.0), 60.0, 10 / 60, kelvin(240.0), flow_si(1.2)

    def oven(t: float) -> float:
        return float(np.clip(start + rate * (t - hold), start, top))

    coarse = times[::20]
    shape = [marched(PLAIN, "flow", float(t), oven, Bleed(1.0, top, energy), flow, steps=200) for t in coarse]
    signal = 7.0 + level * np.interp(times, coarse, shape)
    for apex, width, height in ((110.0, 8.0, 1e4), (900.0, 1.5, 60.0)):
        signal += height * np.exp(-(((times - apex) / width) ** 2) / 2)
    signal += 0.05 * np.random.default_rng(5).standard_normal(len(times))
    rows = "\n".join(f"{t / 60:.6f},{y:.5f}" for t, y in zip(times, signal, strict=True))
    (tmp_path / "blank.csv").write_text(f"time_min,signal\n{rows}\n", encoding="utf-8")
    scenario = load_scenario(tmp_path)
    assert scenario.bleed is not None
    (found,) = scenario.bleed.levels
    assert found.temperature == pytest.approx(top)
    assert found.level == pytest.approx(level, rel=0.01)
    assert scenario.bleed.activation_energy == pytest.approx(energy, rel=0.02)
    assert "from blank.csv" in dict(inputs(scenario))["Bleed"]
    flat = "\n".join(f"{t / 60:.6f},{7 + y:.5f}" for t, y in zip(times, np.sin(times), strict=True))
    (tmp_path / "blank.csv").write_text(f"time_min,signal\n{flat}\n", encoding="utf-8")
    with pytest.raises(ScenarioError, match=r'column.bleed.trace = "blank.csv": does not rise'):
        load_scenario(tmp_path)
