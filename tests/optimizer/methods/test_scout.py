"""Scouting runs that are proposed: what they are expected to teach against what they do, limits, and the command."""

from __future__ import annotations

import itertools
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from rich.console import Console

import rampwright as rw
from models.column.plate_height import typical_diffusion_constant
from models.column.programs import Array, CarrierProgram, OvenProgram, Program, Ramp, batch_of
from models.column.retention import Retention, typical_dCp, typical_theta
from models.column.scaling import hold_up_at
from models.column.system import Column, ColumnSystem
from models.errors import InvalidInputError
from models.fit.compound_fits import retention_of
from models.fit.fit import MODEL_ERROR, OVEN_LAG_SPREAD, USUAL_OVEN_LAG, Fit
from models.fit.typical import Typical
from models.fit.widths import MEAN_EXCESS
from models.peaks.migration import migrate, migration_tables
from models.peaks.resolution import HALF_HEIGHT_WIDTH
from models.units import flow_mL_min, flow_si, kelvin
from optimizer.app import interface_scout
from optimizer.campaign.next_run import Standing, standing
from optimizer.campaign.scouted import Scouted
from optimizer.goal.goal import Problem, problem_of
from optimizer.goal.outcome import Prediction
from optimizer.goal.predict import hold_up_time_of, predict
from optimizer.methods.expected_information import (
    covariance_after,
    resolution_slopes,
    with_next_flow,
    with_own_apex,
)
from optimizer.methods.scout import critical_pairs, taught
from optimizer.methods.scout_programs import first_runs, possible_runs
from optimizer.methods.workflow import fit_scenario
from optimizer.runs.peak_tables import PeakTable
from optimizer.scenario.data import Scenario, ScoutingRun
from optimizer.scenario.instrument_data import Inlet, Tolerances
from optimizer.search.found import FEASIBLE
from optimizer.show.console.campaign import worth_row
from tests.optimizer.command import call
from tests.optimizer.made_up import AMBIENT, COLUMN, TWO_RAMPS, made_up_fit, made_up_scenario, names_of
from tests.scenarios.data_scripts import ROOT

SYSTEM = ColumnSystem(COLUMN, made_up_scenario(names_of(2), Retention(*np.full((3, 2), 350.0))).gas, AMBIENT)
NEVER_OFF = Tolerances(0.0, 0.0, 0.0)
PLAIN = replace(SYSTEM, plate_height_factor=1.1)
REPEATABILITY = 0.18  # s
ROUNDS = 6
T0 = np.array([352.0, 368.0, 385.0, 389.0, 404.0, 421.0, 425.5, 447.0])
NO_COMPOUNDS = """\
title = "Nothing run yet"

[column]
length_m = 30
inner_diameter_mm = 0.25
film_thickness_um = 0.25
min_temperature_C = 40
max_temperature_C = 325

[carrier]
gas = "helium"
"""


def ramp(rate: float, hold: float = 600.0) -> Program:
    """50 °C for 1 min, then to 280 °C at so many °C/min, 1.2 mL/min."""
    oven = OvenProgram(kelvin(50.0), 60.0, (Ramp(rate / 60, kelvin(280.0), hold),))
    return Program(oven, CarrierProgram("flow", flow_si(1.2)))


def isothermal(T_C: float) -> Program:
    return Program(OvenProgram(kelvin(T_C), 7200.0), CarrierProgram("flow", flow_si(1.2)))


def drawn_truth(rng: np.random.Generator) -> tuple[Retention, ColumnSystem]:
    """Compounds as the fit's typical values expect them, and a column and oven as it expects those."""
    typical = Typical()
    scatter = (typical.spreads * typical.own_share)[:, None] * rng.standard_normal((2, len(T0)))
    scatter += np.array(typical.offsets)[:, None] * rng.standard_normal((2, 1))
    truth = retention_of(typical.parameters(T0, scatter.T))
    flow_factor = float(np.exp(0.02 * rng.standard_normal()))
    lag = max(0.0, float(rng.normal(USUAL_OVEN_LAG, OVEN_LAG_SPREAD)))
    return truth, replace(SYSTEM, flow_factor=flow_factor, plate_height_factor=1.1, oven_lag=lag)


def measured(
    truth: Retention, system: ColumnSystem, program: Program, rng: np.random.Generator | None
) -> tuple[Array, Array]:
    """Retention times, with noise unless `rng` is None, and half-height widths [s]."""
    diffusion = np.exp(MEAN_EXCESS) * typical_diffusion_constant(system.gas, truth.T0)  # as the fit expects
    tables = migration_tables(system, truth, program.carrier.controlled, diffusion)
    peaks = migrate(tables, batch_of([program]), "polish")
    t = peaks.retention_time[0]
    if rng is not None:
        t = t + np.hypot(REPEATABILITY, MODEL_ERROR * t) * rng.standard_normal(len(t))
    return t, peaks.width[0] * HALF_HEIGHT_WIDTH


def scouted_scenario(
    truth: Retention, system: ColumnSystem, programs: list[Program], rng: np.random.Generator | None
) -> Scenario:
    """Programs run on the true column."""
    names = names_of(len(truth.T0))
    runs = []
    for number, program in enumerate(programs):
        t, w = measured(truth, system, program, rng)
        nothing = np.full(len(t), np.nan)
        runs.append(
            ScoutingRun(
                f"run {number}", program, PeakTable(names, t, w, nothing, nothing), None, REPEATABILITY
            )
        )
    return replace(made_up_scenario(names, truth), runs=tuple(runs), current=None)


def own_covariance(fit: Fit) -> Array:
    """The covariance as the stated errors make it, not widened by residuals that happened to be large."""
    excess = fit.chi_square / fit.degrees_of_freedom if fit.degrees_of_freedom >= 3 else 1.0
    return fit.covariance / max(1.0, excess)


def neighbours(problem: Problem, prediction: Prediction) -> list[int]:
    """Numbers of the pairs of peaks that follow one another."""
    order = [int(m) for m in prediction.order]
    after = {frozenset(pair) for pair in itertools.pairwise(order)}
    return [q for q, pair in enumerate(problem.pairs.index) if frozenset(map(int, pair)) in after]


def predicted_and_refitted(
    new: Program, seed: int, tolerances: Tolerances = NEVER_OFF
) -> tuple[Array, Array, Array, Array]:
    """Of the neighbours' resolutions under TWO_RAMPS: standard deviations from two ramps, expected from a third run,
    and found by the fit with that run; and how far that fit is off the truth."""
    rng = np.random.default_rng(seed)
    truth, system = drawn_truth(rng)
    two = replace(scouted_scenario(truth, system, [ramp(3), ramp(6)], rng), tolerances=tolerances)
    problem = problem_of(two, fit_scenario(two))
    prediction = predict(problem, TWO_RAMPS)
    near = neighbours(problem, prediction)
    slopes = resolution_slopes(problem, TWO_RAMPS, prediction.retention, prediction.width_half)[near]
    now = own_covariance(problem.fit)
    expected, _ = covariance_after(problem, new, now, hold_up=False)

    t, w = measured(truth, system, new, rng)
    # Where two peaks are expected to merge, no time counts; nor does it in the expectation.
    seen = predict(problem, new)
    t = np.where(with_own_apex(seen.retention, seen.width_half), t, np.nan)
    table = replace(two.runs[0].peaks, retention=t, width_half=w)
    run = ScoutingRun("new", new, table, None, REPEATABILITY, day="another")
    three = replace(two, runs=(*two.runs, run))
    then = problem_of(three, fit_scenario(three))
    found = predict(then, TWO_RAMPS)
    found_slopes = resolution_slopes(then, TWO_RAMPS, found.retention, found.width_half)[near]

    # The covariance is that of times: widths are off by what it does not say.
    true_t, w = measured(truth, system, TWO_RAMPS, None)[0], found.width_half
    a, b = problem.pairs.index[near].T
    off = found.resolution[near] - 1.18 * np.abs(true_t[b] - true_t[a]) / (w[a] + w[b])

    def sd(rows: Array, covariance: Array) -> Array:
        result: Array = np.sqrt(np.einsum("qi,ij,qj->q", rows, covariance, rows))
        return result

    return sd(slopes, now), sd(slopes, expected), sd(found_slopes, own_covariance(then.fit)), off


@pytest.mark.parametrize(
    "new", [ramp(30), isothermal(130.0), TWO_RAMPS], ids=["ramp", "isothermal", "itself"]
)
def test_a_run_that_is_made_narrows_the_fit_as_expected(new: Program) -> None:
    ratios, falls = [], []
    for seed in range(4):
        now, expected, found, _ = predicted_and_refitted(new, seed)
        assert np.all(expected <= now)
        ratios.append(found / expected)
        falls.append(now / expected)
    assert np.median(np.concatenate(ratios)) == pytest.approx(1.0, abs=0.02)
    # One by one they differ more: the new run moves the oven's lag by seconds, and slopes with it.
    off = np.abs(np.log(np.concatenate(ratios)))
    assert np.percentile(off, 90) < np.log(1.06)
    assert off.max() < np.log(1.15)
    assert np.median(np.concatenate(falls)) > 1.3  # there was something to narrow


def test_a_run_of_another_day_teaches_less_and_as_much_as_expected() -> None:
    usual = Tolerances()
    ratios, less = [], []
    for seed in range(4):
        _, expected, found, _ = predicted_and_refitted(ramp(30), seed, usual)
        ratios.append(found / expected)
        less.append(predicted_and_refitted(ramp(30), seed)[1] / expected)
    # The fit then also asks what the first day was off, which one day alone never tells.
    assert np.median(np.concatenate(ratios)) == pytest.approx(1.0, abs=0.1)
    # What oven and carrier are off moves neighbours alike: of most resolutions such a run teaches as much.
    assert np.all(np.concatenate(less) < 1)
    assert np.concatenate(less).min() < 0.92


def test_errors_after_the_run_are_as_large_as_expected() -> None:
    scores, before = [], []
    for seed in range(100, 116):
        now, expected, _, off = predicted_and_refitted(ramp(30), seed)
        scores.append(off / expected)
        before.append(off / now)
    rms = float(np.sqrt(np.mean(np.concatenate(scores) ** 2)))
    assert 0.8 < rms < 1.25  # 16 truths, seven pairs each that share compounds: a scatter of about 10 %
    assert float(np.sqrt(np.mean(np.concatenate(before) ** 2))) < 0.7 * rms


def problem_after(rates: list[float]) -> Problem:
    """After ramps at these rates [°C/min]."""
    rng = np.random.default_rng(3)
    scenario = scouted_scenario(*drawn_truth(rng), [ramp(rate) for rate in rates], rng)
    return problem_of(scenario, fit_scenario(scenario))


def rate_of(program: Program) -> float:
    return 60 * program.oven.ramps[0].rate


def test_after_two_ramps_close_together_a_distant_one_teaches_most() -> None:
    problem = problem_after([7.0, 8.0])
    pairs, slopes = critical_pairs(problem, predict(problem, TWO_RAMPS), 1)
    ramps = [run.program for run in possible_runs(problem, {}, [0, 1]) if run.kind == "ramp"]
    apart = [abs(np.log(rate_of(program) / 7.5)) for program in ramps]
    taughts = [taught(problem, program, pairs, np.array(slopes)) for program in ramps]
    assert min(apart) < np.log(1.3)  # one like those made was looked at
    best, nearest = int(np.argmax(taughts)), int(np.argmin(apart))
    assert apart[best] > np.log(2.0)
    assert 1 > taughts[best] > taughts[nearest] + 0.3 > 0.3


def test_what_a_run_teaches_of_one_pair_is_the_fall_of_its_variance() -> None:
    problem = problem_after([7.0, 8.0])
    pairs, slopes = critical_pairs(problem, predict(problem, TWO_RAMPS), 1)
    after, _ = covariance_after(problem, ramp(30), with_next_flow(problem.fit, problem.scenario), False)
    sd_then = float(np.sqrt(slopes[0] @ after @ slopes[0]))
    expected = 1 - (sd_then / pairs[0].sd_fit) ** 2
    assert taught(problem, ramp(30), pairs[:1], np.array(slopes[:1])) == pytest.approx(expected, rel=1e-9)


def test_ramps_far_apart_leave_less_to_learn() -> None:
    sds = []
    for rates in ([7.0, 8.0], [3.0, 12.0]):
        problem = problem_after(rates)
        pairs, _ = critical_pairs(problem, predict(problem, TWO_RAMPS), 1)
        sds.append(max(pair.sd_fit for pair in pairs))
    assert sds[1] < 0.6 * sds[0]


def problem_with(scenario: Scenario, truth: Retention) -> Problem:
    fit = made_up_fit(truth, len(scenario.runs))
    system = replace(
        fit.system, column=scenario.column, gas=scenario.gas, outlet_pressure=scenario.outlet_pressure
    )
    return problem_of(scenario, replace(fit, system=system))


def test_the_update_agrees_with_the_sum_of_informations() -> None:
    truth, _ = drawn_truth(np.random.default_rng(1))
    scenario = scouted_scenario(truth, PLAIN, [ramp(5), ramp(15)], None)
    problem = problem_with(replace(scenario, tolerances=NEVER_OFF), truth)
    program, M = ramp(30), len(T0)
    covariance = np.diag([*np.full(M, 0.3), *np.full(M, 0.02), *np.full(M, 15.0), 0.015]) ** 2
    after, merged = covariance_after(problem, program, covariance, hold_up=False)
    assert merged == 0
    step = 1e-3
    base, _ = measured_by(problem, problem.fit.retention, 1.0, program)
    J = np.zeros((M, 3 * M + 1))
    for m in range(M):
        for i, size in enumerate((step, step, 1.0)):
            moved = [
                problem.fit.retention.T0.copy(),
                problem.fit.retention.theta.copy(),
                problem.fit.retention.dCp.copy(),
            ]
            moved[i][m] = moved[i][m] * np.exp(size) if i == 1 else moved[i][m] + size
            J[m, i * M + m] = (measured_by(problem, Retention(*moved), 1.0, program)[0][m] - base[m]) / size
    J[:, -1] = (measured_by(problem, problem.fit.retention, np.exp(step), program)[0] - base) / step
    information = J.T @ np.diag(1 / (REPEATABILITY**2 + (MODEL_ERROR * base) ** 2)) @ J
    expected = np.linalg.inv(np.linalg.inv(covariance) + information)
    assert np.sqrt(np.diag(after)) == pytest.approx(np.sqrt(np.diag(expected)), rel=0.01)


def measured_by(problem: Problem, retention: Retention, flow: float, program: Program) -> tuple[Array, Array]:
    system = replace(problem.fit.system, flow_factor=problem.fit.system.flow_factor * float(flow))
    peaks = migrate(
        migration_tables(system, retention, program.carrier.controlled),
        batch_of([program]),
        "polish",
    )
    return peaks.retention_time[0], peaks.width[0]


def test_merged_peaks_teach_nothing_and_a_measured_hold_up_time_teaches_of_the_flow() -> None:
    T = np.array([360.0, 400.0, 400.02, 440.0])
    truth = Retention(T, typical_theta(T), typical_dCp(T))
    scenario = scouted_scenario(truth, PLAIN, [ramp(5), ramp(15)], None)
    problem = problem_with(replace(scenario, tolerances=NEVER_OFF), truth)
    covariance = np.diag([*np.full(4, 0.3), *np.full(4, 0.02), *np.full(4, 15.0), 0.015]) ** 2
    after, merged = covariance_after(problem, ramp(10), covariance, hold_up=False)
    assert merged == 2
    kept = np.diag(after) / np.diag(covariance)
    assert kept[[1, 2, 5, 6]] == pytest.approx(1.0, abs=1e-9)
    assert np.all(kept[[0, 3]] < 0.9)
    with_hold_up, _ = covariance_after(problem, ramp(10), covariance, hold_up=True)
    # The hold-up time goes as one over the flow: known to half a per cent and the repeatability, so is the flow.
    t_M = hold_up_time_of(problem.fit.system, ramp(10))
    own = 0.005**2 + (REPEATABILITY / t_M) ** 2
    assert with_hold_up[-1, -1] == pytest.approx(1 / (1 / after[-1, -1] + 1 / own), rel=0.03)


def test_a_run_tells_no_more_of_the_flow_than_its_day_allows() -> None:
    """The more the flow may be off on the day of the run, the more of the flow factor stays unknown."""
    T = np.array([360.0, 400.0, 440.0])
    truth = Retention(T, typical_theta(T), typical_dCp(T))
    scenario = scouted_scenario(truth, PLAIN, [ramp(5), ramp(15)], None)
    covariance = np.diag([*np.full(3, 0.3), *np.full(3, 0.02), *np.full(3, 15.0), 0.015]) ** 2
    left = []
    for flow in (0.0, 0.01, 0.03):
        off = replace(scenario, tolerances=replace(NEVER_OFF, flow=flow))
        after, _ = covariance_after(problem_with(off, truth), ramp(10), covariance, hold_up=True)
        left.append(after[-1, -1])
    assert 1.5 * left[0] < left[1] < 0.5 * left[2] < 0.5 * 0.015**2


def bench(name: str) -> Scenario:
    """A scenario on another column, gas or inlet."""
    truth, _ = drawn_truth(np.random.default_rng(5))
    base = scouted_scenario(truth, PLAIN, [ramp(5), ramp(15)], None)
    if name == "hydrogen":
        base = replace(base, gas=made_up_scenario(names_of(2), truth, gas="hydrogen").gas)
        return replace(base, inlet=Inlet(split_ratio=20.0, max_total_flow=flow_si(50.0)))
    if name == "vacuum":
        return replace(base, outlet_pressure=0.0)
    if name == "narrow":
        pneumatics = replace(base.instrument, max_inlet_pressure=AMBIENT + 600e3, min_flow=flow_si(0.2))
        gentle = CarrierProgram("flow", flow_si(0.4))
        runs = tuple(replace(run, program=replace(run.program, carrier=gentle)) for run in base.runs)
        return replace(base, column=Column(10.0, 0.1e-3, 0.1e-6), instrument=pneumatics, runs=runs)
    if name == "wide":
        wide = replace(base.instrument, max_flow=flow_si(20.0))
        return replace(base, column=Column(30.0, 0.53e-3, 1.0e-6), instrument=wide)
    if name == "splitless":
        return replace(base, inlet=Inlet("splitless", kelvin(69.0), 15.0, 66.0))
    if name == "pressure":
        return replace(base, search=replace(base.search, carrier_modes=("constant pressure",)))
    return base


BENCHES = ["usual", "hydrogen", "vacuum", "narrow", "wide", "splitless", "pressure"]


def assert_settable(problem: Problem, program: Program) -> None:
    """Within the equipment's limits, and on the instrument's steps."""
    margin = problem.equipment_margin(problem.assess(batch_of([program]), "polish"))[0]
    assert margin >= FEASIBLE
    steps, oven = problem.scenario.instrument.steps, program.oven
    on = [((oven.start - kelvin(0.0)), steps.temperature), (oven.hold, steps.time)]
    for each in oven.ramps:
        on += [
            (each.rate, steps.rate),
            (each.target - kelvin(0.0), steps.temperature),
            (each.hold, steps.time),
        ]
    for value, step in on:
        assert value / step == pytest.approx(round(value / step), abs=1e-6)


@pytest.mark.parametrize("name", BENCHES)
def test_first_runs_lie_four_fold_apart_within_all_limits(name: str) -> None:
    scenario = bench(name)
    truth, _ = drawn_truth(np.random.default_rng(5))
    slow, fast = first_runs(replace(scenario, runs=()))
    problem = problem_with(scenario, truth)
    for run in (slow, fast):
        assert_settable(problem, run.program)
        assert run.program.oven.ramps[-1].hold >= 600.0
        assert run.program.oven.highest <= scenario.max_temperature - 9.9
    a, b = rate_of(slow.program), rate_of(fast.program)
    assert 3.5 < b / a < 4.6
    carrier, oven = fast.program.carrier, fast.program.oven
    middle = (oven.start + oven.ramps[0].target) / 2
    system = ColumnSystem(scenario.column, scenario.gas, scenario.outlet_pressure)
    t_M = hold_up_at(system, carrier.controlled, carrier.start, middle)
    if fast.clipped:
        assert b == pytest.approx(30.0)
    else:
        assert 18.0 < b / 60 * t_M <= 20.0
        assert 4.0 < a / 60 * t_M < 5.6


def test_first_runs_start_and_flow_as_bore_and_inlet_ask() -> None:
    usual = first_runs(bench("usual"))[0].program
    assert usual.oven.start == pytest.approx(kelvin(40.0))
    assert usual.oven.hold == 0
    assert float(flow_mL_min(usual.carrier.start)) == pytest.approx(
        2.0
    )  # helium, 8 mL/min per mm: see `scaling`
    assert float(flow_mL_min(first_runs(bench("wide"))[0].program.carrier.start)) == pytest.approx(4.25)
    # Hydrogen: 2.5 mL/min would take 21 x 2.5 + 3 = 55.5 mL/min in all, more than 50.
    assert float(flow_mL_min(first_runs(bench("hydrogen"))[0].program.carrier.start)) == pytest.approx(2.2)
    splitless = first_runs(bench("splitless"))[0].program.oven
    assert splitless.start <= kelvin(54.0)
    assert splitless.hold >= 66.0
    assert first_runs(bench("pressure"))[0].program.carrier.controlled == "pressure"


@pytest.mark.parametrize("name", BENCHES)
def test_possible_runs_keep_all_limits(name: str) -> None:
    scenario = bench(name)
    truth, _ = drawn_truth(np.random.default_rng(5))
    problem = problem_with(scenario, truth)
    runs = possible_runs(problem, {}, [2, 3])
    assert runs
    for run in runs:
        assert_settable(problem, run.program)
        last = float(problem.assess(batch_of([run.program]), "polish").run_time[0])
        assert last <= run.program.oven.duration + 1e-6  # all peaks are out when it ends
    rates = [rate_of(run.program) for run in runs if run.kind == "ramp"]
    assert max(rates) > 3.9 * min(rates)


def test_a_scouting_carrier_beyond_the_limits_is_not_asked_for_again() -> None:
    scenario = bench("usual")
    torrent = CarrierProgram("flow", flow_si(9.0))
    runs = tuple(replace(run, program=replace(run.program, carrier=torrent)) for run in scenario.runs)
    problem = problem_with(replace(scenario, runs=runs), drawn_truth(np.random.default_rng(5))[0])
    possible = possible_runs(problem, {}, [2, 3])
    assert len(possible) > 4
    for run in possible:
        assert_settable(problem, run.program)


@pytest.fixture
def bare(tmp_path: Path) -> Path:
    """A scenario folder without any runs."""
    folder = tmp_path / "bare"
    folder.mkdir()
    (folder / "scenario.toml").write_text(NO_COMPOUNDS, encoding="utf-8")
    return folder


@pytest.mark.parametrize("by", ["add", "hand"])
def test_first_runs_can_be_made_put_in_and_fitted(
    by: str, bare: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out"
    assert call(monkeypatch, "scout", bare, "--json", "--out", out) == 0
    document = json.loads(capsys.readouterr().out)
    assert json.loads((out / "scout.json").read_text(encoding="utf-8")) == document
    assert [run["name"] for run in document["runs"]] == ["slow", "fast"]
    if by == "hand":
        pasted = NO_COMPOUNDS + (out / "scout.toml").read_text(encoding="utf-8")
        (bare / "scenario.toml").write_text(pasted, encoding="utf-8")
    folder = bare if by == "hand" else tmp_path
    truth, system = drawn_truth(np.random.default_rng(2))
    for number, run in enumerate(document["runs"], 1):
        start, heat = run["oven"]["start_C"], run["oven"]["ramps"][0]
        program = Program(
            OvenProgram(
                kelvin(start), 0.0, (Ramp(heat["rate_C_per_min"] / 60, kelvin(heat["to_C"]), 600.0),)
            ),
            CarrierProgram("flow", flow_si(run["carrier"]["flow_mL_min"])),
        )
        t, _ = measured(truth, system, program, np.random.default_rng(4))
        rows = [f"{name},{time / 60:.4f}" for name, time in zip("abcdefgh", t, strict=True)]
        peaks = folder / f"{run['name']}.csv"
        peaks.write_text("compound,retention_min\n" + "\n".join(rows), encoding="utf-8")
        if by == "add":
            program = out / f"run_{number}.toml"
            assert call(monkeypatch, "add", bare, "--run", peaks, "--program", program, "--yes") == 0
            assert rw.load_scenario(bare).runs[-1].program.oven.start == kelvin(start)
    capsys.readouterr()
    assert call(monkeypatch, "fit", bare, "--json") == 0
    fitted = json.loads(capsys.readouterr().out)
    true_C = dict(zip("abcdefgh", truth.T0 - kelvin(0.0), strict=True))
    for each in fitted["compounds"]:
        assert abs(each["T0_C"] - true_C[each["compound"]]) < 4 * each["T0_sd_K"] + 0.5


def test_check_shows_what_it_understood_before_there_are_runs(
    bare: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Column and instrument are what can be wrong by then; without compounds no pair can be counted."""
    assert call(monkeypatch, "check", bare) == 0
    text = " ".join(capsys.readouterr().out.split())
    for part in (
        "Column 30 m × 0.25 mm × 0.25 µm",
        "septum purge 3 mL/min; up to 400.0 kPa gauge",
        "Column flow 0.5 to 5 mL/min",
        "Compounds none known yet",
        f"Next: No [[scouting_runs]] yet, and nothing to fit; rampwright next {bare} says which two to make first, one",
    ):
        assert part in text
    assert call(monkeypatch, "check", bare / "scenario.toml", "--json") == 0
    document = json.loads(capsys.readouterr().out)
    assert document["scouting_runs"] == []
    assert f"rampwright next {bare} " in document["next"]
    assert rw.check(rw.load_scenario(bare, runs_needed=False)).to_dict() == document


@pytest.mark.parametrize("command", ["fit", "predict", "sweep", "adapt"])
def test_other_commands_point_to_the_first_runs(
    command: str, bare: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert call(monkeypatch, command, bare) == 2
    lines = capsys.readouterr().err.strip().splitlines()
    assert len(lines) == 1
    assert "no [[scouting_runs]]" in lines[0]
    assert f"rampwright next {bare}" in lines[0]


def test_a_list_of_compounds_is_held_against_rules_and_peak_tables(
    bare: Path, scenario: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    listed = 'compounds = ["toluene", "octane"]\n' + NO_COMPOUNDS
    (bare / "scenario.toml").write_text(listed, encoding="utf-8")
    assert call(monkeypatch, "scout", bare) == 0
    assert "toluene, octane" in capsys.readouterr().out
    (bare / "scenario.toml").write_text(listed + '\n[[analytes]]\ncompound = "octan"\n', encoding="utf-8")
    assert call(monkeypatch, "scout", bare) == 2
    assert "did you mean 'octane'" in capsys.readouterr().err
    twice = listed.replace('"octane"]', '"toluene"]')
    (bare / "scenario.toml").write_text(twice, encoding="utf-8")
    assert call(monkeypatch, "scout", bare) == 2
    assert 'compounds[2] = "toluene"' in capsys.readouterr().err
    text = (scenario / "scenario.toml").read_text(encoding="utf-8")
    (scenario / "scenario.toml").write_text('compounds = ["toluene", "benzene"]\n' + text, encoding="utf-8")
    assert call(monkeypatch, "check", scenario, "--json") == 0
    warnings = json.loads(capsys.readouterr().out)["warnings"]
    assert any("in no peak table" in each and "benzene" in each for each in warnings)
    assert any("not listed" in each and "octane" in each for each in warnings)


def test_limits_that_leave_no_first_run_are_told(
    bare: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    for table, fragment in (
        ("[instrument]\nmax_oven_ramps = 0\n[search]\nmax_ramps = 0", "max_oven_ramps = 0"),
        (
            "[instrument]\nmax_inlet_pressure_kPa = 20\nmin_flow_mL_min = 3",
            "no column flow keeps all limits on this column: instrument.min_flow_mL_min = 3 asks for at least "
            "3 mL/min, and instrument.max_inlet_pressure_kPa = 20 allows at most ",
        ),
        (
            "[inlet]\nsplit_ratio = 50\nmax_total_flow_mL_min = 30\n[instrument]\nmin_inlet_pressure_kPa = 60",
            "instrument.min_inlet_pressure_kPa = 60 asks for at least 0.69 mL/min at 40 °C, and "
            "inlet.max_total_flow_mL_min = 30 allows at most 0.53 mL/min;",
        ),
        ("[instrument]\noven_max_C = 48", "no room for a ramp"),
    ):
        (bare / "scenario.toml").write_text(f"{NO_COMPOUNDS}\n{table}\n", encoding="utf-8")
        assert call(monkeypatch, "scout", bare) == 2
        assert fragment in capsys.readouterr().err


def test_of_two_limits_that_collide_a_default_is_called_one(
    bare: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """10 m of 0.1 mm pass half a millilitre a minute at no pressure up to 200 kPa, once they are hot.

    The flow at 200 kPa gauge and 315 °C by Poiseuille's law with the viscosity of hydrogen is checked apart.
    """
    narrow = NO_COMPOUNDS.replace("length_m = 30", "length_m = 10").replace("_mm = 0.25", "_mm = 0.1")
    text = narrow.replace('"helium"', '"hydrogen"') + "[instrument]\nmax_inlet_pressure_kPa = 200\n"
    (bare / "scenario.toml").write_text(text, encoding="utf-8")
    assert call(monkeypatch, "scout", bare) == 2
    said = capsys.readouterr().err
    p, T = AMBIENT + 200e3, kelvin(315.0)
    # F = pi r^4 (p^2 - p0^2)/(16 eta L p_ref) T_ref/T; hydrogen's viscosity 8.4 µPa s at 273 K, growing as T^0.68:
    # handbook values, from memory.
    eta = 8.4e-6 * (T / 273.15) ** 0.68
    expected = np.pi * 0.05e-3**4 * (p**2 - AMBIENT**2) / (16 * eta * 10.0 * AMBIENT) * 298.15 / T * 60e6
    assert expected == pytest.approx(0.21, abs=0.01)
    assert "instrument.min_flow_mL_min = 0.5 (the default) asks for at least 0.5 mL/min, and " in said
    assert "instrument.max_inlet_pressure_kPa = 200 allows at most 0.21 mL/min at 315 °C;" in said


@pytest.fixture(scope="module")
def scouted() -> rw.Scouted:
    return rw.scout(rw.load_scenario(ROOT / "scenarios" / "slow_isothermal"), rounds=ROUNDS)


def test_scout_suggests_what_next_proposes(scouted: rw.Scouted) -> None:
    proposed, found = rw.next_run(scouted.scenario, rounds=ROUNDS).to_dict(), scouted.to_dict()
    assert proposed["proposed"] is not None
    suggested = [run for run in found["runs"] if run["suggested"]]
    assert [run["name"] for run in suggested] == [proposed["proposed"]["name"]]
    assert suggested[0]["oven"] == proposed["proposed"]["oven"]
    assert suggested[0]["set_points"] == found["set_points"] == proposed["proposed"]["set_points"]
    assert [found["stands"], *found["suggestion"]] == proposed["says"]
    worth = proposed["possible_runs"]
    assert [{key: run[key] for key in worth[0]} for run in found["runs"]] == worth
    # Bold ones are weighed beside those that teach.
    kinds = {run["kind"] for run in found["runs"]}
    assert "bold" in kinds
    assert kinds & {"ramp", "isothermal", "heated out"}
    assert all(0 < run["taught"] < 1 for run in found["runs"])


def test_after_one_run_scout_suggests_the_second_of_the_first_as_next_does() -> None:
    scenario = rw.load_scenario(ROOT / "scenarios" / "slow_isothermal")
    slow, fast = first_runs(replace(scenario, runs=()))
    for made, left in ((slow, fast), (fast, slow)):
        one = replace(scenario, runs=(replace(scenario.runs[0], program=made.program),))
        found, proposed = rw.scout(one), rw.next_run(one)
        assert [run["name"] for run in found.to_dict()["runs"]] == [left.name]
        assert proposed.proposed == left.program
        console = Console(width=500)
        with console.capture() as captured:
            found.show(console)
        assert "one scouting run so far" in captured.get()


def test_the_picture_shows_what_was_computed_not_what_is_written(scouted: rw.Scouted) -> None:
    assert isinstance(scouted.found, Scouted)
    axes = scouted.figure().axes[0]
    assert [bar.get_width() for bar in axes.patches] == [
        100 * run.gain for run in scouted.found.standing.worth
    ]
    names = [label.get_text() for label in axes.get_yticklabels()]
    names += [worth_row(scouted.found.standing, each)[0] for each in scouted.found.standing.worth]
    bold = [name for name in names if "bold program" in name]
    assert bold
    assert not any(" of " in name for name in bold)  # the length stands beside


def test_where_nothing_meets_the_goal_that_is_said_first() -> None:
    scenario = rw.load_scenario(ROOT / "scenarios" / "slow_isothermal")
    made = rw.scout(replace(scenario, goal=replace(scenario.goal, min_resolution=60.0)), rounds=2)
    assert isinstance(made.found, Scouted)
    assert made.found.leading[0].missed[0] in made.to_dict()["stands"]
    console = Console(width=500)
    with console.capture() as captured:
        made.show(console)
    text = captured.get()
    assert text.index("No program found meets the goal") < text.index("Candidate 1:")
    assert made.to_paste is None
    with pytest.raises(InvalidInputError, match="no possible runs"):
        made.figure()


def test_the_command_with_runs(
    scenario: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out"
    assert call(monkeypatch, "scout", scenario, "--seconds", "0.5", "--out", out, "--json") == 0
    document = json.loads(capsys.readouterr().out)
    assert json.loads((out / "scout.json").read_text(encoding="utf-8")) == document
    assert document["job"] == "next run"
    assert document["candidates"]
    assert document["critical_pairs"]
    assert (out / "scout.png").read_bytes().startswith(b"\x89PNG")
    assert sum(run["suggested"] for run in document["runs"]) <= 1
    assert call(monkeypatch, "scout", scenario, "--results", tmp_path / "nowhere") == 2
    assert "nowhere" in capsys.readouterr().err


def test_candidates_of_a_search_that_was_made_are_begun_from(
    scenario: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    programs = [
        {
            "oven": {
                "start_C": 50,
                "hold_min": 1,
                "ramps": [{"rate_C_per_min": rate, "to_C": 150, "hold_min": 2}],
            },
            "carrier": {"mode": "constant flow", "flow_mL_min": 1.5},
        }
        for rate in (12, 9)
    ]
    (tmp_path / "candidates.json").write_text(json.dumps({"candidates": programs}), encoding="utf-8")
    begun: list[Program] = []

    def begin(*asked: Any) -> Standing:
        begun.extend(asked[-1])
        return standing(*asked)

    monkeypatch.setattr(interface_scout, "standing", begin)
    assert call(monkeypatch, "scout", scenario, "--results", tmp_path, "--rounds", "2", "--json") == 0
    assert json.loads(capsys.readouterr().out)["candidates"]
    assert [rate_of(program) for program in begun] == pytest.approx([12, 9])
