"""The fit recovers what made the data; the data come from the reference integrator, not from the engine."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import models.fit.typical
from models.column.carrier_gas import CARRIER_GASES
from models.column.programs import Array, CarrierProgram, OvenProgram, Program, Ramp
from models.column.retention import Retention, typical_dCp
from models.column.system import Column, ColumnSystem
from models.errors import InvalidInputError
from models.fit.compound_fits import retention_of
from models.fit.fit import OVEN_LAG_SPREAD, USUAL_OVEN_LAG
from models.fit.fitting import Fit, Run, fit_retention
from models.fit.typical import Typical
from models.units import flow_si
from tests.reference.adapter import reference_peak

NOMINAL = ColumnSystem(Column(30.0, 0.25e-3, 0.25e-6), CARRIER_GASES["helium"], 101325.0)
TRUE = replace(NOMINAL, flow_factor=1.012, plate_height_factor=1.25, injection_width=0.4)
LAG = 3.0  # s, of the oven behind its set point in a ramp
NAMES = ("a", "b", "c", "d", "e")


def truth() -> Retention:
    off = np.log([1.05, 0.93, 1.08, 1.0, 0.95]), np.array([6.0, -7.0, 3.0, 0.0, 5.0])
    return retention_of(
        Typical().parameters(np.array([340.0, 385.0, 390.0, 450.0, 520.0]), np.transpose(off))
    )


def ramp(rate: float) -> Program:
    oven = OvenProgram(323.15, 60.0, (Ramp(rate / 60, 573.15, 600.0),))
    return Program(oven, CarrierProgram("flow", float(flow_si(1.2))))


def lagging(program: Program, lag: float = LAG) -> Program:
    """What the column feels: the first ramp begins late, and all that follows with it."""
    oven = program.oven
    return replace(program, oven=OvenProgram(oven.start, oven.hold + lag, oven.ramps))


def measured(program: Program, name: str, noise: np.ndarray | float = 0.0, hold_up: bool = False) -> Run:
    felt = lagging(program)
    peaks = [reference_peak(TRUE, truth(), m, felt) for m in range(len(NAMES))]
    assert all(peak is not None for peak in peaks)
    times = np.array([peak.time for peak in peaks if peak]) + noise
    widths = 2 * np.sqrt(2 * np.log(2)) * np.array([peak.width for peak in peaks if peak])
    marker = None
    if hold_up:
        unretained = Retention(np.array([50.0]), np.array([3.0]), np.array([0.0]))
        air = reference_peak(TRUE, unretained, 0, felt)
        assert air is not None
        marker = air.time
    return Run(name, program, times, widths, 0.18, marker)


@pytest.fixture(scope="module")
def three_runs() -> list[Run]:
    return [measured(ramp(rate), f"{rate:g}", hold_up=True) for rate in (3.0, 10.0, 40.0)]


@pytest.fixture(scope="module")
def fitted(three_runs: list[Run]) -> Fit:
    return fit_retention(NOMINAL, three_runs, NAMES)


def test_three_clean_runs_give_back_the_parameters(fitted: Fit) -> None:
    found, true = fitted.retention, truth()
    # Standard errors are those of 0.18 s noise; without noise only the priors pull, by much less than one.
    pull = np.stack([found.T0 - true.T0, np.log(found.theta / true.theta)], axis=1)
    assert np.all(np.abs(pull) < 0.3 * fitted.standard_error[:, :2])
    assert np.all(fitted.standard_error[:, :2] < [0.6, 0.02])
    assert np.all(np.abs(found.T0 - true.T0) < 0.2)


def test_column_corrections_are_recovered(fitted: Fit) -> None:
    assert fitted.system.flow_factor == pytest.approx(TRUE.flow_factor, abs=2e-3)
    assert fitted.widths_fitted
    assert fitted.system.plate_height_factor == pytest.approx(TRUE.plate_height_factor, rel=0.01)
    assert fitted.system.injection_width == pytest.approx(TRUE.injection_width, rel=0.1)


def test_the_ovens_lag_is_recovered(fitted: Fit) -> None:
    error = float(np.sqrt(fitted.covariance[-1, -1]))
    assert error < 1.0  # three ramps tell it far better than the 5 s that are known beforehand
    assert abs(fitted.system.oven_lag - LAG) < error


def test_isothermal_runs_say_nothing_of_the_ovens_lag() -> None:
    runs = [
        measured(Program(OvenProgram(T), CarrierProgram("flow", float(flow_si(1.2)))), f"{T:g}")
        for T in (400.0, 440.0)
    ]
    fit = fit_retention(NOMINAL, runs, NAMES)
    assert fit.system.oven_lag == pytest.approx(USUAL_OVEN_LAG, abs=0.01)
    assert np.sqrt(fit.covariance[-1, -1]) == pytest.approx(OVEN_LAG_SPREAD, rel=0.01)


def test_another_program_is_predicted(three_runs: list[Run]) -> None:
    from models.column.programs import batch_of
    from models.peaks.migration import migrate, migration_tables

    # The truth diffuses as n-alkanes of its T0 do.
    formulas = [f"C{n}H{2 * n + 2}" for n in (9, 11, 11, 14, 17)]
    fitted = fit_retention(NOMINAL, three_runs, NAMES, formulas=formulas)
    oven = OvenProgram(343.15, 30.0, (Ramp(15 / 60, 433.15, 60.0), Ramp(25 / 60, 563.15, 300.0)))
    program = Program(oven, CarrierProgram("flow", float(flow_si(1.6))))
    tables = migration_tables(fitted.system, fitted.retention, "flow", fitted.diffusion)
    peaks = migrate(tables, batch_of([program]))
    for m in range(len(NAMES)):
        true = reference_peak(TRUE, truth(), m, lagging(program))
        assert true is not None
        assert peaks.retention_time[0, m] == pytest.approx(true.time, abs=0.3)
        assert peaks.width[0, m] == pytest.approx(true.width, rel=0.02)


def test_prior_speaks_where_the_runs_do_not(three_runs: list[Run]) -> None:
    two = fit_retention(NOMINAL, [three_runs[1], three_runs[2]], NAMES)
    three = fit_retention(NOMINAL, three_runs, NAMES)
    assert np.all(two.prior_weight[:, 2] > 0.9)
    assert three.prior_weight[:, 2].mean() < two.prior_weight[:, 2].mean()
    assert np.all((two.prior_weight >= 0) & (two.prior_weight <= 1))


def test_two_slow_ramps_leave_heat_capacities_to_typical_ones(monkeypatch: pytest.MonkeyPatch) -> None:
    """Were typical dCp higher, every compound's would lie no farther from that of its theta: the runs say nothing."""
    runs = [measured(ramp(rate), f"{rate:g}") for rate in (1.0, 3.0)]
    higher = 10.0  # J/mol/K

    def found() -> tuple[Array, Array]:
        fit = fit_retention(NOMINAL, runs, NAMES)
        retention = fit.retention
        parameters = np.stack([retention.T0, np.log(retention.theta), retention.dCp], axis=1)
        return Typical().off(parameters)[:, 1], fit.prior_weight[:, 2]

    off, weight = found()
    monkeypatch.setattr(models.fit.typical, "typical_dCp", lambda T0: typical_dCp(T0) + higher)
    follows = 1 + (found()[0] - off) / higher
    assert np.all(follows > 0.95)
    np.testing.assert_allclose(weight, follows, atol=0.03)


def test_two_runs_are_said_to_be_untestable_and_one_is_a_loud_warning(three_runs: list[Run]) -> None:
    two = fit_retention(NOMINAL, three_runs[:2], NAMES)
    assert not two.testable
    assert any("Two runs cannot show a mistake" in text for text in two.warnings)
    one = fit_retention(NOMINAL, three_runs[:1], NAMES)
    assert any("One scouting run only" in text for text in one.warnings)
    three = fit_retention(NOMINAL, three_runs, NAMES)
    assert three.testable
    assert three.warnings == ()


def test_a_compound_missing_in_a_run_is_fine(three_runs: list[Run], fitted: Fit) -> None:
    gap = three_runs[1].retention.copy()
    gap[2] = np.nan
    fit = fit_retention(NOMINAL, [three_runs[0], replace(three_runs[1], retention=gap), three_runs[2]], NAMES)
    assert np.isnan(fit.residual[1, 2])
    assert fit.retention.T0[2] == pytest.approx(fitted.retention.T0[2], abs=0.3)


def test_a_swapped_pair_stands_out(three_runs: list[Run]) -> None:
    swapped = three_runs[0].retention.copy()
    swapped[[3, 4]] = swapped[[4, 3]]
    fit = fit_retention(NOMINAL, [replace(three_runs[0], retention=swapped), *three_runs[1:]], NAMES)
    assert np.nanmax(np.abs(fit.standardised[:, [3, 4]])) > 4
    assert any("swapped" in text or "implausible" in text for text in fit.warnings)


def test_a_wrong_hold_up_time_is_reported(three_runs: list[Run]) -> None:
    marker = three_runs[0].hold_up
    assert marker is not None
    fit = fit_retention(NOMINAL, [replace(three_runs[0], hold_up=1.2 * marker), *three_runs[1:]], NAMES)
    assert any("hold-up time" in text for text in fit.warnings)


def test_without_widths_the_assumption_is_stated(three_runs: list[Run]) -> None:
    bare = [replace(run, width_half=np.full(len(NAMES), np.nan)) for run in three_runs]
    fit = fit_retention(NOMINAL, bare, NAMES)
    assert not fit.widths_fitted
    assert any("No widths were measured" in text for text in fit.warnings)


def test_isothermal_and_ramped_runs_mix_with_other_carrier_modes(fitted: Fit) -> None:
    isothermal = Program(OvenProgram(423.15), CarrierProgram("pressure", 101325.0 + 120e3))
    velocity = Program(ramp(12.0).oven, CarrierProgram("velocity", 0.35))
    fit = fit_retention(
        NOMINAL,
        [measured(isothermal, "iso"), measured(velocity, "velocity"), measured(ramp(5.0), "flow")],
        NAMES,
    )
    assert np.all(np.abs(fit.retention.T0 - truth().T0) < 1.0)


def test_standard_errors_match_the_scatter_of_repeated_fits() -> None:
    """Over ovens with lags as known beforehand, and noise, T0 scatters about the truth as the fit says it does."""
    from models.column.programs import batch_of
    from models.peaks.migration import migrate, migration_tables

    rng = np.random.default_rng(3)
    programs = [ramp(rate) for rate in (3.0, 10.0, 40.0)]
    off = []
    for _ in range(25):
        lag = max(0.0, rng.normal(USUAL_OVEN_LAG, OVEN_LAG_SPREAD))
        tables = migration_tables(replace(TRUE, flow_factor=1.0, oven_lag=lag), truth(), "flow")
        runs = []
        for number, program in enumerate(programs):
            times = migrate(tables, batch_of([program])).retention_time[0]
            noise = rng.normal(0, 0.18, len(NAMES))
            runs.append(Run(str(number), program, times + noise, np.full(len(NAMES), np.nan), 0.18))
        fit = fit_retention(NOMINAL, runs, NAMES, "none")
        off.append((fit.retention.T0 - truth().T0) / fit.standard_error[:, 0])
    # The fit adds a model error of 0.02 % to the noise and a prior on dCp, so it may state somewhat more.
    scatter = np.sqrt(np.mean(np.square(off), axis=0))
    assert np.all(scatter < 1.35)
    assert np.all(scatter > 0.3)


def test_no_runs_and_absent_compounds_are_refused(three_runs: list[Run]) -> None:
    with pytest.raises(InvalidInputError, match="at least one scouting run"):
        fit_retention(NOMINAL, [], NAMES)
    nothing = three_runs[0].retention.copy()
    nothing[0] = np.nan
    with pytest.raises(InvalidInputError, match="no run has a retention time for a"):
        fit_retention(NOMINAL, [replace(three_runs[0], retention=nothing)], NAMES)


def test_every_start_ends_at_the_same_optimum() -> None:
    """200 typical compounds, two ramps, no noise: the staged fit reproduces all retention times."""
    from models.column.programs import batch_of
    from models.peaks.migration import migrate, migration_tables

    rng = np.random.default_rng(5)
    T0 = rng.uniform(320.0, 560.0, 200)
    off = rng.normal(0, 0.15, 200), rng.normal(0, 20, 200)
    true = retention_of(Typical().parameters(T0, np.transpose(off)))
    programs = [ramp(5.0), ramp(20.0)]
    runs = []
    for number, program in enumerate(programs):
        peaks = migrate(migration_tables(NOMINAL, true, "flow"), batch_of([program]))
        runs.append(Run(str(number), program, peaks.retention_time[0], np.full(200, np.nan), 0.18))
    fit = fit_retention(NOMINAL, runs, flow_correction="none")
    assert np.all(np.abs(fit.standardised) < 1.0)


def test_each_run_may_have_its_own_flow() -> None:
    """Three runs with flows 4 % apart: one factor a run finds them, one for the column cannot."""
    programs = [ramp(rate) for rate in (3.0, 10.0, 40.0)]
    flows = (0.97, 1.01, 1.05)
    runs = []
    for program, factor in zip(programs, flows, strict=True):
        system = replace(TRUE, flow_factor=factor)
        felt = lagging(program)
        peaks = [reference_peak(system, truth(), m, felt) for m in range(len(NAMES))]
        unretained = Retention(np.array([50.0]), np.array([3.0]), np.array([0.0]))
        air = reference_peak(system, unretained, 0, felt)
        assert air is not None
        times = np.array([peak.time for peak in peaks if peak])
        runs.append(Run(f"{factor:g}", program, times, np.full(len(NAMES), np.nan), 0.18, air.time))
    fit = fit_retention(NOMINAL, runs, NAMES, "run")
    np.testing.assert_allclose(fit.flow_factors, flows, rtol=3e-3)
    assert fit.covariance.shape == (3 * len(NAMES) + 3 + 1,) * 2
    assert fit.flows == slice(3 * len(NAMES), 3 * len(NAMES) + 3)
    one = fit_retention(NOMINAL, runs, NAMES, "column")
    assert one.chi_square > 4 * fit.chi_square
    off, off_one = (np.abs(each.retention.T0 - truth().T0).max() for each in (fit, one))
    assert off_one > 4 * off


def test_noise_beyond_what_was_stated_widens_the_errors() -> None:
    """Five runs with ten times the stated noise: standard errors are those of a fit that was told of it."""
    clean = [measured(ramp(rate), f"{rate:g}") for rate in (2.0, 5.0, 10.0, 20.0, 40.0)]
    quiet, ratios, wider = fit_retention(NOMINAL, clean, NAMES), [], []
    for seed in range(12):
        rng = np.random.default_rng(seed)
        noisy = [replace(run, retention=run.retention + rng.normal(0, 1.8, len(NAMES))) for run in clean]
        told = [replace(run, repeatability=1.8) for run in noisy]
        loud, aware = (fit_retention(NOMINAL, runs, NAMES) for runs in (noisy, told))
        assert loud.degrees_of_freedom > 10
        ratios.append(loud.standard_error / aware.standard_error)
        wider.append(loud.standard_error[:, 0] / quiet.standard_error[:, 0])
        # Typical values know no less for noisy runs: dCp is never less sure than its prior.
        assert np.all(loud.standard_error[:, 2] < 20.5)
    # Fourteen degrees of freedom tell the noise of one mixture to a fifth, that of twelve to 5 %.
    assert np.exp(np.mean(np.log(ratios))) == pytest.approx(1.0, abs=0.1)
    assert np.all((np.array(ratios) > 0.5) & (np.array(ratios) < 1.6))
    assert np.min(wider) > 1.0
    assert np.exp(np.mean(np.log(wider))) > 1.5


def test_errors_are_as_large_as_they_are_said_to_be_whatever_noise_was_stated() -> None:
    """Two and ten times the stated noise, over many draws of it: T0 and theta scatter as their standard errors say."""
    clean = [measured(ramp(rate), f"{rate:g}") for rate in (2.0, 5.0, 10.0, 20.0, 40.0)]
    rng, true = np.random.default_rng(5), truth()
    for noise in (0.36, 1.8):
        off = []
        for _ in range(4):
            runs = [replace(run, retention=run.retention + rng.normal(0, noise, len(NAMES))) for run in clean]
            fit = fit_retention(NOMINAL, runs, NAMES)
            errors = np.stack([fit.retention.T0 - true.T0, np.log(fit.retention.theta / true.theta)], axis=1)
            off.append(errors / fit.standard_error[:, :2])
        # 40 numbers that share flow and lag by tens; the priors keep them below one.
        assert 0.5 < np.sqrt(np.mean(np.square(off))) < 1.2


def test_an_unretained_peak_is_told_and_does_no_harm() -> None:
    air = Retention(np.array([60.0]), np.array([4.0]), np.array([0.0]))
    runs = []
    for rate in (3.0, 10.0, 40.0):
        run = measured(ramp(rate), f"{rate:g}")
        peak = reference_peak(TRUE, air, 0, run.program)
        assert peak is not None
        runs.append(
            replace(
                run,
                retention=np.append(run.retention, peak.time),
                width_half=np.append(run.width_half, np.nan),
            )
        )
    fit = fit_retention(NOMINAL, runs, (*NAMES, "air"))
    assert any(text.startswith("air elutes with the hold-up time") for text in fit.warnings)
    assert np.all(np.abs(fit.retention.T0[:-1] - truth().T0) < 0.5)
    assert fit.retention.T0[-1] >= 100.0
