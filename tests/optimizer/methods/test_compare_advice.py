"""What is advised after a compared run, and which suspicions of the refit are passed on."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import multivariate_normal

import optimizer.goal.covariance
from models.column.programs import Array, CarrierProgram, OvenProgram, Program, Ramp
from models.column.retention import PARAMETER_STEPS
from models.fit.diagnosis import correction_of, description
from models.fit.fit import Suspect
from models.fit.odds import UNUSUAL
from models.fit.typical import heavy, typical_of
from models.units import kelvin
from optimizer.goal.covariance import drawn_covariance
from optimizer.goal.goal import Problem, problem_of
from optimizer.goal.reliability import Reliability
from optimizer.goal.shared_cause import BEYOND, KINDS, Causes, Expectation, causes_of, expectation
from optimizer.methods.compare import Comparison, compare
from optimizer.methods.compare_refit import Refit, refit, refit_notes
from optimizer.methods.workflow import fit_scenario
from optimizer.methods.wrong_names import FREE, MEDIAN_SQUARE, Correction, RunPeaks, wrong_names
from optimizer.results.compare_words import advice, remarks, retuned_text
from optimizer.runs.peak_tables import PeakTable
from optimizer.scenario.reading import load_scenario
from tests.scenarios.data_scripts import ROOT

REPEATABILITY = 0.18


@pytest.fixture(scope="module")
def problem() -> Problem:
    scenario = load_scenario(ROOT / "scenarios" / "rescued_pair")
    return problem_of(scenario, fit_scenario(scenario))


@pytest.fixture(scope="module")
def expected(problem: Problem) -> Expectation:
    oven = OvenProgram(kelvin(60.0), 60.0, (Ramp(7 / 60, kelvin(240.0), 300.0),))
    return expectation(problem, Program(oven, CarrierProgram("flow", 1.2e-6 / 60)), REPEATABILITY)


def compared(expected: Expectation, t: Array) -> Comparison:
    order = np.argsort(t)
    unknown = np.full(len(order), np.nan)
    names = tuple(expected.problem.scenario.compounds[m] for m in order)
    table = PeakTable(names, t[order], expected.plain[1][order], unknown, unknown)
    return compare(expected.problem, expected.program, table, "run 3", "a test", expected.repeatability)


@pytest.fixture(scope="module")
def sound(expected: Expectation) -> Comparison:
    noise = np.random.default_rng(8).normal(0.0, REPEATABILITY, len(expected.plain[0]))
    return compared(expected, expected.plain[0] + noise)


@pytest.fixture(scope="module")
def after(sound: Comparison) -> Refit:
    return refit(sound)


def shares(share: float) -> Reliability:
    return Reliability(share, 400, None, (), ())


def asking(made: Comparison, confidence: float) -> Comparison:
    scenario = made.problem.scenario
    asked = replace(scenario, goal=replace(scenario.goal, confidence=confidence))
    return replace(made, problem=replace(made.problem, scenario=asked))


def test_a_required_probability_that_was_never_reached_is_named(sound: Comparison, after: Refit) -> None:
    made = replace(asking(sound, 0.95), reliability=shares(0.87))
    last = advice(made, replace(after, reliability=shares(0.81)), False)[-1]
    assert "81 % probability; without this run 87 % probability" in last
    assert "less than the required 95 %" in last
    enough = advice(made, replace(after, reliability=shares(0.96)), False)[-1]
    assert "required 95 %" not in enough


def test_a_common_delay_gets_advice(expected: Expectation) -> None:
    made = compared(expected, expected.plain[0] + 12.0)
    assert made.verdict == "drifts"
    assert made.causes.cause is not None
    assert made.causes.cause.kind == "delay"
    (told,) = [line for line in advice(made, refit(made), False) if "start signal" in line]
    assert "the injection" in told
    assert "the oven" in told
    assert "costs no resolution" in told


@pytest.mark.parametrize(
    ("old", "new", "asked", "begins"),
    [
        (0.81, 0.80, 0.95, "Keep the old program"),
        (0.81, 0.81, 0.0, "Keep the old program"),
        (0.81, 0.97, 0.95, "Use the re-tuned program"),
        (0.97, 0.96, 0.95, "Either program will do"),
        (0.97, 0.94, 0.95, "Keep the old program"),
    ],
)
def test_a_re_tuned_program_is_held_against_the_old_one(
    old: float, new: float, asked: float, begins: str
) -> None:
    text = retuned_text(shares(old), shares(new), asked)
    assert text.startswith(begins)
    assert f"{100 * new:.0f} % probability, the old one with {100 * old:.0f} % probability" in text
    assert ("95 % is required" in text) is bool(asked)
    assert retuned_text(shares(old), None, asked).startswith("Keep the old program")


def suspicion(made: Comparison, run: int, m: int, expected: float, **others: object) -> Suspect:
    told = Suspect(
        compound=m,
        run=run,
        other_run=None,
        kind="foreign",
        partner=None,
        time=float(made.found[m]),
        seconds=float(made.found[m]) - expected,
        sigmas=9.0,
        expected=expected,
        expected_error=0.2,
        intended=expected,
        area_gain=0.0,
        weighed=(("foreign", 0.9), ("mistyped", 0.06), ("curved", 0.04)),
    )
    return replace(told, **others)  # type: ignore[arg-type]


def notes(made: Comparison, after: Refit, suspect: Suspect) -> list[str]:
    """Of a refit that suspects one peak."""
    runs, names = [run.name for run in after.problem.scenario.runs], made.prediction.compounds
    line = f"{description(suspect, runs, names)} {correction_of(suspect, runs, names)}"
    fit = replace(after.problem.fit, suspects=(suspect,), warnings=(line, "Another note."))
    told = refit_notes(made, replace(after, problem=replace(after.problem, fit=fit)))
    assert told[-1] == "Another note."
    return told[:-1]


def far(made: Comparison, m: int, time: float) -> Comparison:
    """The same with one peak elsewhere, taken as found."""
    found = made.found.copy()
    found[m] = time
    return replace(made, found=found, named=found)


def test_a_suspicion_of_a_peak_that_is_where_it_was_foreseen_is_not_passed_on(
    sound: Comparison, after: Refit
) -> None:
    own, m = len(after.problem.scenario.runs) - 1, 4
    at = float(sound.found[m])
    assert notes(sound, after, suspicion(sound, own, m, at - 2.0)) == []
    assert len(notes(sound, after, suspicion(sound, 0, m, at - 2.0))) == 1  # that of a scouting run is
    away = far(sound, m, float(sound.prediction.retention[m] + 3 * sound.time_sd[m]))
    (line,) = notes(away, after, suspicion(away, own, m, at))
    assert "in run 3" in line
    assert "run run" not in line


def test_a_time_is_offered_only_where_one_slip_of_a_key_leads_to_it(sound: Comparison, after: Refit) -> None:
    own, m = len(after.problem.scenario.runs) - 1, 4
    # 8.71 for 6.32 min is no single slip, for 8.17 min it is one.
    unlike = far(sound, m, 60 * 8.71)
    (line,) = notes(unlike, after, suspicion(unlike, own, m, 60 * 6.32))
    assert "meant" not in line
    slip = suspicion(unlike, own, m, 60 * 8.17)
    assert any("8.17 min" in line and "meant" in line for line in notes(unlike, after, slip))
    # A shift that was taken out of the times before they were fitted makes a slip of no key.
    shifted = replace(slip, time=slip.time + 20.0, expected=slip.expected + 20.0, intended=slip.time)
    assert not any("meant" in line and "8.71 min meant" in line for line in notes(unlike, after, shifted))


def test_a_lag_that_is_no_pure_delay_is_no_drift(problem: Problem, monkeypatch: pytest.MonkeyPatch) -> None:
    """However sharply the scouting runs fix the lag, a steeper ramp has another, and the clock starts with no pulse.

    So it is where every temperature was scouted: beyond, what the model leaves out would have room for both.
    """
    scenario = replace(
        problem.scenario, tolerances=replace(problem.scenario.tolerances, oven=0.1, flow=0.001)
    )
    everywhere = np.tile([[-np.inf], [np.inf]], len(problem.fit.retention))
    fit = replace(problem.fit, covariance=1e-3 * problem.fit.covariance, scouted=everywhere)
    sure = problem_of(scenario, fit)
    oven = OvenProgram(kelvin(60.0), 60.0, (Ramp(25 / 60, kelvin(240.0), 300.0),))
    program = Program(oven, CarrierProgram("flow", 1.2e-6 / 60))
    lagging = problem.fit.system.oven_lag + 1.0
    slower = replace(problem.fit, system=replace(problem.fit.system, oven_lag=lagging))
    found = expectation(problem_of(scenario, slower), program, REPEATABILITY).plain[0] + 0.2

    def causes() -> Causes:
        return causes_of(expectation(sure, program, REPEATABILITY), found)

    assert not causes().beyond
    for name in ("LAG_ERROR", "DELAY"):
        monkeypatch.setattr(optimizer.goal.covariance, name, 0.0)
    assert causes().beyond


def test_a_cause_counts_by_what_it_leaves(expected: Expectation) -> None:
    """The same fault is a drift where all else agrees, and none where the rest is off by more than foreseen."""
    found = expected.peaks("oven", 2.0)[0]
    alone = causes_of(expected, found)
    assert alone.beyond
    assert alone.scale == 1.0
    root = np.linalg.cholesky(expected.tolerant_covariance)
    scatter = 1.3 * root @ np.random.default_rng(2).standard_normal(len(found))
    unlike = causes_of(expected, found + scatter)
    assert unlike.fall > BEYOND > unlike.fall / unlike.scale
    assert unlike.cause is not None
    assert not unlike.beyond
    lines = remarks(compared(expected, found + scatter))
    assert any(f"{unlike.fall / unlike.scale:.1f} in units of what remains" in line for line in lines)


def test_a_time_inside_its_own_interval_is_not_called_wrong_for_itself(expected: Expectation) -> None:
    """However well the other peaks fit: of all peaks, the one that these foretell best is moved."""
    covariance = expected.tolerant_covariance
    sd, alone = np.sqrt(np.diag(covariance)), 1 / np.sqrt(np.diag(np.linalg.inv(covariance)))
    m = int(np.argmax(sd / alone))
    assert 1.8 * sd[m] > 5 * alone[m]
    inside, outside = (moved(expected, m, times * float(sd[m])) for times in (1.8, 4.0))
    assert inside == ()
    assert [each.compound for each in outside] == [m]
    (named,) = outside
    assert named.kind in ("mistyped", "foreign")
    assert sum(share for _, share in named.weighed) == pytest.approx(1.0)


@pytest.mark.parametrize("m", [0, 6, 15])
def test_a_compound_of_a_wider_kind_weighs_what_another_prior_gives(expected: Expectation, m: int) -> None:
    """The fit with one prior put in place of the other, in its information matrix; then the run's density."""
    fit, M = expected.problem.fit, len(expected.plain[0])
    usual = typical_of(fit.system.column)
    own = np.array([fit.retention.T0[m], np.log(fit.retention.theta[m]), fit.retention.dCp[m]])
    u, *around = usual.off(own + np.vstack([np.zeros(3), np.diag(PARAMETER_STEPS)])) / usual.spreads
    rows = np.zeros((2, 3 * M + 2))
    rows[:, [m, M + m, 2 * M + m]] = (np.array(around) - u).T / PARAMETER_STEPS
    counted, slope = np.array([[u[0], 1.0], [float(each) for each in heavy(u[1])]]).T

    away = 4.0 * float(np.sqrt(expected.tolerant_covariance[m, m]))
    (named,) = moved(expected, m, away)
    told = dict(named.weighed)
    deviation = np.where(np.arange(M) == m, away, 0.0)
    free = [FREE[kind] * expected.slope(kind) for kind in KINDS]
    of_run = expected.covariance + sum(np.outer(each, each) for each in free)
    precision = np.linalg.inv(of_run)
    remains = (precision @ deviation) ** 2 / np.diag(precision)
    of_run *= max(1.0, float(np.median(remains)) / MEDIAN_SQUARE)  # more scatter than predicted
    C, J = drawn_covariance(fit), expected.by_parameters
    as_usual = multivariate_normal.logpdf(deviation, np.zeros(M), of_run)
    for kind, (odds, wider) in UNUSUAL.items():
        times = np.array(wider)
        changed = times > 1
        more = np.where(changed, 1 / times**2 - slope**2, 0.0)
        then = np.linalg.inv(np.linalg.inv(C) + rows.T * more @ rows)
        pull = np.where(changed, counted * slope - u / times**2, 0.0) @ rows
        shift = then @ pull
        scouted = (np.where(changed, counted**2 - (u / times) ** 2, 0.0).sum() + pull @ shift) / 2
        scouted += (np.linalg.slogdet(then)[1] - np.linalg.slogdet(C)[1]) / 2 - np.log(times).sum()
        here = multivariate_normal.logpdf(deviation, J @ shift, of_run + J @ (then - C) @ J.T)
        ln_weight = np.log(odds) + scouted + here - as_usual
        assert np.log(told[kind] / told["sound"]) == pytest.approx(ln_weight, abs=1e-6)


def moved(expected: Expectation, m: int, seconds: float) -> tuple[Correction, ...]:
    """Names called wrong where one peak of a run is moved that is otherwise as predicted."""
    time, unknown, none = expected.plain[0].copy(), np.full(len(expected.plain[0]), np.nan), np.zeros(0)
    time[m] += seconds
    return wrong_names(expected, RunPeaks(time, unknown, unknown, unknown, none, none))[0]
