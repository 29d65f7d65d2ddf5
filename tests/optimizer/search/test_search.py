"""Families, limits, descents, rounding and the search, on synthetic mixtures with known retention."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations, product

import numpy as np
import pytest
from scipy.optimize import OptimizeResult

from benchmarks.mixtures import mixture
from models.column.programs import CarrierProgram, OvenProgram, Program, Ramp, batch_of
from models.column.retention import with_typical_values
from models.column.system import flow, inlet_pressure_for_flow
from models.fit.fit import MODEL_ERROR
from models.units import flow_si, kelvin
from optimizer.base.errors import ScenarioError
from optimizer.goal.cycle import cycle_time
from optimizer.goal.goal import Problem, end_of_peak, problem_of
from optimizer.goal.limits import heating_limit, longest_run
from optimizer.goal.predict import predict
from optimizer.goal.uncertainty import with_uncertainty
from optimizer.scenario.instrument_data import CoolDown, Tolerances
from optimizer.search.candidates import outcome_of
from optimizer.search.descent import assessed, conceding, descend, fastest_margin, raise_margin
from optimizer.search.found import FEASIBLE
from optimizer.search.islands import search
from optimizer.search.local import Local
from optimizer.search.program_space import families_of, family
from optimizer.search.reasons import broken_limits
from optimizer.search.rounding import settable
from tests.optimizer.searches import search_of
from tests.reference.adapter import reference_peak


@pytest.fixture(scope="module")
def problem() -> Problem:
    return mixture(10, 1, 2, modes=("constant flow", "constant pressure"))


def changed(problem: Problem, **goal: object) -> Problem:
    return replace(problem, scenario=replace(problem.scenario, goal=replace(problem.scenario.goal, **goal)))


def test_family_batch_is_the_same_program_as_its_dataclass(problem: Problem) -> None:
    two = family(problem.scenario, 2, "flow")
    rng = np.random.default_rng(1)
    for z in two.ordered(rng.random((20, two.size))):
        values = two.values(z)
        a = problem.assess(two.batch(values[None]), "polish")
        program = two.program(values, 1e9, 6.0)  # never cut
        b = problem.assess(batch_of([program]), "polish")
        np.testing.assert_allclose(a.retention, b.retention, rtol=2e-6)


def test_cutting_a_program_at_its_end_moves_no_peak(problem: Problem) -> None:
    rng = np.random.default_rng(2)
    step = problem.scenario.instrument.steps.time
    for kind in ("flow", "pressure"):
        for ramps in (0, 1, 2, 3):
            some = family(problem.scenario, ramps, kind)
            for z in some.ordered(rng.random((10, some.size))):
                values = some.rounded(some.values(z))
                full = problem.assess(some.batch(values[None]), "polish")
                end = float(full.run_time[0])
                if end > 36000:
                    continue
                program = some.program(values, end, step)
                cut = problem.assess(batch_of([program]), "polish")
                np.testing.assert_allclose(cut.retention, full.retention, rtol=1e-5)
                assert end - 1e-6 <= program.oven.duration
                # Ended within a step of the clock, or within the time a step of temperature takes.
                slowest = min((r.rate for r in program.oven.ramps), default=1.0)
                assert program.oven.duration <= end + max(step, 1.0 / slowest) + 1e-6


def test_rounded_values_are_multiples_of_the_steps(problem: Problem) -> None:
    some = family(problem.scenario, 2, "pressure")
    values = some.rounded(some.values(np.random.default_rng(3).random((50, some.size))))
    count = (values - some.offset) / some.step
    np.testing.assert_allclose(count, np.round(count), atol=1e-6)
    assert np.all(values >= some.low - 1e-9)
    assert np.all(values <= some.high + 1e-9)


def test_heating_limit_is_that_of_the_slowest_band_crossed() -> None:
    falling = ((kelvin(100.0), 1.0), (kelvin(200.0), 0.8), (kelvin(350.0), 0.5))
    rising = ((kelvin(100.0), 0.2), (kelvin(350.0), 0.8))
    for bands, start, end, limit in (
        (falling, 40.0, 100.0, 1.0),  # an edge belongs to the band below it
        (falling, 40.0, 100.1, 0.8),
        (falling, 150.0, 320.0, 0.5),
        (falling, 40.0, 400.0, 0.5),  # above the last band its rate holds
        (rising, 40.0, 300.0, 0.2),
        (rising, 100.0, 300.0, 0.8),
        (rising, 150.0, 300.0, 0.8),
    ):
        assert float(heating_limit(bands, np.array(kelvin(start)), np.array(kelvin(end)))) == limit


def test_a_rising_heating_limit_is_used(problem: Problem) -> None:
    """Starts above a slow band are not held to it."""
    bands = ((kelvin(70.0), 10 / 60), (kelvin(350.0), 30 / 60))
    scenario = replace(
        problem.scenario, instrument=replace(problem.scenario.instrument, heating_limits=bands)
    )
    rising = problem_of(scenario, problem.fit)
    found = search_of(rising, [family(scenario, 1, "flow")], 40).all()[0]
    values = found.family.values(found.descent.z)
    assert found.feasible
    assert values[0] > kelvin(70.0)
    assert values[2] > 10 / 60


def test_limits_are_the_physics(problem: Problem) -> None:
    """Margins of flow and pressure against the closed forms at the coldest and hottest moment."""
    scenario, system = problem.scenario, problem.fit.system
    oven = OvenProgram(kelvin(60.0), 60.0, (Ramp(0.5, kelvin(250.0), 0.0),))
    at_pressure = Program(oven, CarrierProgram("pressure", 251325.0))
    limits = dict(zip(problem.limit_names, problem.assess(batch_of([at_pressure])).limits[0], strict=True))
    cold = flow(system.column, system.gas, kelvin(60.0), 251325.0, 101325.0)
    hot = flow(system.column, system.gas, kelvin(250.0), 251325.0, 101325.0)
    assert limits["largest column flow"] == pytest.approx(1 - float(cold) / scenario.instrument.max_flow)
    assert limits["smallest column flow"] == pytest.approx(float(hot) / scenario.instrument.min_flow - 1)
    at_flow = Program(oven, CarrierProgram("flow", float(flow_si(2.0))))
    limits = dict(zip(problem.limit_names, problem.assess(batch_of([at_flow])).limits[0], strict=True))
    top = float(inlet_pressure_for_flow(system.column, system.gas, kelvin(250.0), flow_si(2.0), 101325.0))
    assert limits["largest inlet pressure"] == pytest.approx((501325.0 - top) / 400e3)
    assert limits["oven heating rate"] == pytest.approx(0.0)
    assert limits["highest column temperature"] == pytest.approx(70 / 280)


def test_descent_gradients_match_wide_differences(problem: Problem) -> None:
    two = family(problem.scenario, 2, "flow")
    z = two.ordered(np.array([0.2, 0.1, 0.6, 0.6, 0.1, 0.7, 0.9, 0.5]))
    local = Local(problem, two, z)
    local.update(z)
    slope = local.time_slope.copy()
    for i in range(two.size):
        ends = []
        for sign in (-1, 1):
            moved = z.copy()
            moved[i] += sign * 2e-3
            local.update(moved)
            ends.append(local.time)
        assert slope[i] == pytest.approx((ends[1] - ends[0]) / 4e-3, rel=0.03, abs=2e-3)


def test_descent_ends_on_its_limits(problem: Problem) -> None:
    one = family(problem.scenario, 1, "flow")
    rng = np.random.default_rng(4)
    ends = [descend(problem, one, z) for z in rng.random((8, one.size))]
    good = [end for end in ends if end.margin >= FEASIBLE]
    assert good, "no descent of eight ended feasible"
    assert min(end.margin for end in good) < 1e-3  # the fastest lies on a limit


def test_no_descent_comes_back_worse_than_its_start() -> None:
    modes = ("constant flow", "constant pressure", "flow program", "pressure program")
    wide = mixture(12, 1, 2, modes=modes)
    for some in (
        family(wide.scenario, 1, "flow"),
        family(wide.scenario, 2, "pressure"),
        family(wide.scenario, 1, "flow", 1),
        family(wide.scenario, 1, "pressure", 1),
    ):
        z = some.ordered(np.random.default_rng(7).random((6000, some.size)))
        margins = wide.smallest_margin(wide.assess(some.batch(some.values(z))))
        starts = z[margins > 1e-3][:8]
        assert len(starts) == 8
        for start in starts:
            before, after = assessed(wide, some, start), assessed(wide, some, descend(wide, some, start).z)
            assert after.margin >= FEASIBLE
            assert after.cost <= before.cost


@pytest.fixture
def cornered(monkeypatch: pytest.MonkeyPatch) -> None:
    """An optimiser that gives up in a corner of the cube, as SLSQP does with inconsistent linear constraints."""

    def gives_up(fun, x0, constraints, **others) -> OptimizeResult:
        corner = np.ones_like(x0)
        fun(corner)
        constraints["fun"](corner)
        return OptimizeResult(x=corner, status=4, success=False)

    monkeypatch.setattr("optimizer.search.descent.minimize", gives_up)


def test_an_end_that_the_optimiser_did_not_converge_to_is_refused(problem: Problem, cornered: None) -> None:
    one = family(problem.scenario, 1, "flow")
    z = one.ordered(np.random.default_rng(4).random((2000, one.size)))
    start = z[np.argmax(problem.smallest_margin(problem.assess(one.batch(one.values(z)))))]
    before = assessed(problem, one, start)
    assert before.margin > 0
    assert descend(problem, one, start).z == pytest.approx(start)
    assert conceding(problem, one, start, frozenset({"resolution"})).z == pytest.approx(start)
    assert fastest_margin(problem, one, start, before.cost) == pytest.approx(start)
    hard = replace(problem, pairs=replace(problem.pairs, needed=problem.pairs.needed * 40))
    assert raise_margin(Local(hard, one, start), start, 40) == pytest.approx(start)


def test_search_beats_a_grid_of_three_variables() -> None:
    """A dense grid of 35,937 programs finds nothing better than the search does.

    One ramp from a free start at a free rate to the top, at a free flow, with no first hold.
    """
    problem = mixture(8, 1, 1)
    full = family(problem.scenario, 1, "flow")
    low, high = full.low.copy(), full.high.copy()
    high[1] = low[1] = 0.0
    low[3] = high[3]
    three = replace(full, low=low, high=high)
    free = np.flatnonzero(three.high > three.low)
    axis = np.linspace(0, 1, 33)
    z = np.zeros((33**3, three.size))
    z[:, free] = np.stack(np.meshgrid(axis, axis, axis, indexing="ij"), -1).reshape(-1, 3)
    best = np.inf
    for part in np.array_split(z, 70):
        assessment = problem.assess(three.batch(three.values(part)), "screen")
        feasible = problem.smallest_margin(assessment) >= 0
        best = min(best, float(np.where(feasible, assessment.run_time, np.inf).min()))
    found = search_of(problem, [three], 40).all()[0]
    assert found.feasible
    assert found.descent.cost <= best * 1.001


def test_search_is_reproducible(problem: Problem) -> None:
    """The same seed and the same number of trials give the same programs."""

    def limited(seed: int) -> list[float]:
        found = search_of(problem, families_of(problem.scenario), 60, seed)
        return [each.descent.cost for each in found.all()]

    first, again, other = limited(1), limited(1), limited(2)
    assert first == again
    assert first != other


def test_interrupting_keeps_the_best_so_far(problem: Problem) -> None:
    calls = []

    def stop(share: float, text: str) -> None:
        calls.append(text)
        if len(calls) > 12:
            raise KeyboardInterrupt

    state = search(problem, families_of(problem.scenario), 60.0, 1, stop)
    assert state.interrupted
    assert state.all()


@pytest.fixture(scope="module")
def outcome(problem: Problem):
    return outcome_of(problem, search_of(problem, families_of(problem.scenario), 100))


def test_candidates_keep_every_limit_as_rounded_on_the_reference(problem: Problem, outcome) -> None:
    """The shown program, marched by the reference integrator, has the resolution that is shown."""
    assert outcome.feasible
    best = outcome.candidates[0]
    prediction = best.prediction
    peaks = [
        reference_peak(problem.fit.system, problem.fit.retention, m, prediction.program)
        for m in range(len(prediction.compounds))
    ]
    times = np.array([peak.time for peak in peaks if peak])
    widths = np.array([peak.width for peak in peaks if peak]) * 2 * np.sqrt(2 * np.log(2))
    np.testing.assert_allclose(times, prediction.retention, rtol=1e-4)
    order = np.argsort(times)
    t, w = times[order], widths[order]
    smallest = float((1.18 * np.diff(t) / (w[1:] + w[:-1])).min())
    assert smallest == pytest.approx(prediction.min_resolution, rel=3e-3)
    assert smallest >= 1.5 * 0.997


def test_candidates_are_settable_and_differ(problem: Problem, outcome) -> None:
    steps = problem.scenario.instrument.steps
    seen = set()
    for candidate in outcome.candidates:
        program = candidate.prediction.program
        assert candidate.feasible
        assert all(margin.margin >= FEASIBLE for margin in candidate.margins)
        for value, step in [
            (program.oven.start - 273.15, steps.temperature),
            (program.oven.hold, steps.time),
            *((ramp.target - 273.15, steps.temperature) for ramp in program.oven.ramps),
            *((ramp.rate, steps.rate) for ramp in program.oven.ramps),
            *((ramp.hold, steps.time) for ramp in program.oven.ramps),
        ]:
            assert value / step == pytest.approx(round(value / step), abs=1e-6)
        assert np.max(prediction_end(candidate)) <= program.oven.duration + 1e-6
        seen.add((candidate.family, program))
    assert len(seen) == len(outcome.candidates)
    times = [candidate.prediction.run_time for candidate in outcome.candidates]
    assert times == sorted(times)


def test_programs_that_simulated_draws_fail_are_not_shown_beside_those_that_pass(
    problem: Problem, monkeypatch: pytest.MonkeyPatch
) -> None:
    import optimizer.search.candidates as module

    robust = replace(
        problem, scenario=replace(problem.scenario, goal=replace(problem.scenario.goal, confidence=0.9))
    )
    found = search_of(robust, families_of(robust.scenario), 80)
    shares = iter((0.8, 0.95, 0.7, 0.9, 0.93))
    honest = module.with_uncertainty

    def corrected(problem: Problem, prediction, exact: bool = False, known=None):
        prediction, linear = honest(problem, prediction)
        return prediction, replace(
            linear, share=next(shares), by_derivatives=linear.share
        ) if exact else linear

    monkeypatch.setattr(module, "with_uncertainty", corrected)
    candidates = outcome_of(robust, found).candidates
    assert next(shares, None) != 0.95  # the first of them failed, and others were asked
    assert [each.rank for each in candidates] == list(range(1, len(candidates) + 1))
    assert all(each.feasible and each.pass_probability >= 0.9 for each in candidates)
    times = [each.prediction.run_time for each in candidates]
    assert times == sorted(times)


def prediction_end(candidate) -> np.ndarray:
    return end_of_peak(candidate.prediction.retention, candidate.prediction.width_half)


def test_an_impossible_goal_names_what_blocks(problem: Problem) -> None:
    hard = changed(problem, min_resolution=60.0)
    hard = replace(hard, pairs=replace(hard.pairs, needed=np.full_like(hard.pairs.needed, 60.0)))
    result = outcome_of(hard, search_of(hard, families_of(hard.scenario), 64))
    assert not result.feasible
    assert result.candidates
    assert result.blocking
    assert "resolution of" in result.blocking[0]
    assert "short" in result.blocking[0]


def test_rounding_never_gains_on_the_continuous_optimum_but_stays_near(problem: Problem) -> None:
    one = family(problem.scenario, 1, "flow")
    found = search_of(problem, [one], 36).all()[0]
    rounded = settable(problem, one, found.descent.z, 1)
    assert rounded.margin >= FEASIBLE
    assert rounded.program.oven.duration >= found.descent.cost * 0.995
    assert rounded.program.oven.duration <= found.descent.cost * 1.05 + 6.0


@pytest.mark.parametrize("share", [0.4, 0.5])
def test_a_program_ends_within_a_step_of_the_clock_where_ramps_are_set_in_wide_steps(
    problem: Problem, share: float
) -> None:
    """With targets in steps of 10 °C a last ramp may go on for half a minute: held a step before, it ends in time."""
    instrument = problem.scenario.instrument
    wide = replace(instrument, steps=replace(instrument.steps, temperature=10.0))
    easy = replace(
        problem_of(replace(problem.scenario, instrument=wide), problem.fit),
        pairs=replace(problem.pairs, needed=0.3 * problem.pairs.needed),
    )
    one = family(easy.scenario, 1, "flow")
    found = settable(easy, one, one.ordered(np.full(one.size, share)), 1)
    assert found.margin >= FEASIBLE
    end = float(easy.assess(batch_of([found.program]), "polish").run_time[0])
    assert end <= found.program.oven.duration <= end + wide.steps.time + 1e-6


def test_no_two_set_points_moved_by_a_step_make_a_rounded_program_faster(problem: Problem) -> None:
    """Up or down, each on its own, from points about a descent's end; by no more than the clock's fine step hides."""
    instrument = problem.scenario.instrument
    fine = replace(instrument, steps=replace(instrument.steps, time=0.06))
    easy = problem_of(replace(problem.scenario, instrument=fine), problem.fit)
    one = family(easy.scenario, 1, "flow")
    unit = np.eye(one.size)
    moves = [
        up * unit[a] + down * unit[b]
        for a, b in combinations(range(one.size), 2)
        for up, down in product((1, -1), repeat=2)
    ]
    end = descend(easy, one, one.ordered(np.full(one.size, 0.5))).z
    random = np.random.default_rng(1)
    about = end + random.uniform(-0.01, 0.01, (16, one.size))
    for z in one.ordered(np.clip(about, 0.0, 1.0)):
        found = settable(easy, one, z, 1)
        assert found.margin >= FEASIBLE
        near = easy.assess(one.batch(one.rounded(found.values + np.array(moves) * one.step)), "polish")
        kept = easy.smallest_margin(near) >= FEASIBLE
        assert kept.any()
        here = easy.assess(one.batch(found.values[None]), "polish")
        assert near.cost[kept].min() >= here.cost[0] - fine.steps.time


def test_raising_the_margin_raises_the_smallest(problem: Problem) -> None:
    hard = replace(problem, pairs=replace(problem.pairs, needed=problem.pairs.needed * 4))
    one = family(problem.scenario, 1, "flow")
    start = one.ordered(np.full(one.size, 0.4))
    before = float(hard.smallest_margin(hard.assess(one.batch(one.values(start[None])), "polish"))[0])
    raised = raise_margin(Local(hard, one, start), start, 40)
    assert assessed(hard, one, raised).margin > before


def with_tolerances(problem: Problem, tolerances: Tolerances) -> Problem:
    """The same problem on an instrument with other tolerances."""
    return replace(problem, scenario=replace(problem.scenario, tolerances=tolerances))


def test_uncertainty_of_a_perfect_fit_is_the_tolerances_alone(problem: Problem) -> None:
    program = Program(
        OvenProgram(kelvin(50.0), 60.0, (Ramp(10 / 60, kelvin(300.0), 60.0),)),
        CarrierProgram("flow", float(flow_si(1.2))),
    )
    prediction, reliability = with_uncertainty(problem, predict(problem, program))
    steady = with_tolerances(problem, Tolerances(0.0, 0.0, 0.0))
    exact, _ = with_uncertainty(steady, predict(steady, program))
    # What is left is what the model leaves out of single peaks.
    assert exact.retention_sd == pytest.approx(MODEL_ERROR * exact.retention, rel=0.15)
    assert np.all(prediction.retention_sd > 2 * exact.retention_sd)
    again = with_uncertainty(problem, predict(problem, program))[1]
    assert again == reliability


def test_linear_draws_agree_with_refitting_the_parameters(problem: Problem) -> None:
    """Standard deviations of retention from the Jacobian against full simulations of drawn parameters."""
    from models.column.retention import shifted
    from models.peaks.migration import migrate, migration_tables

    M = len(problem.scenario.compounds)
    sd_T0 = 0.5
    covariance = np.zeros((3 * M + 1, 3 * M + 1))
    covariance[np.arange(M), np.arange(M)] = sd_T0**2
    noisy = replace(problem, fit=replace(problem.fit, covariance=covariance))
    program = Program(
        OvenProgram(kelvin(50.0), 60.0, (Ramp(10 / 60, kelvin(300.0), 60.0),)),
        CarrierProgram("flow", float(flow_si(1.2))),
    )
    noisy = with_tolerances(noisy, Tolerances(0.0, 0.0, 0.0))
    prediction, _ = with_uncertainty(noisy, predict(noisy, program))
    rng = np.random.default_rng(6)
    draws = []
    for _ in range(60):
        retention = shifted(problem.fit.retention, T0=rng.normal(0, sd_T0, M))
        tables = migration_tables(problem.fit.system, retention, "flow")
        draws.append(migrate(tables, batch_of([program])).retention_time[0])
    scatter = np.std(draws, axis=0, ddof=1)
    # The sampling error of a standard deviation from 60 draws is 9 %; four times that is allowed.
    np.testing.assert_allclose(prediction.retention_sd, scatter, rtol=0.37)


def test_cool_down_follows_newton(problem: Problem) -> None:
    """Through the stated point: from 250 to 50 °C in 5 min; a run that never heats pays no cool-down."""
    instrument = replace(problem.scenario.instrument, cool_down=CoolDown(523.15, 323.15, 300.0))
    cooled = replace(problem, scenario=replace(problem.scenario, instrument=instrument))
    carrier = CarrierProgram("flow", float(flow_si(1.2)))
    heated = Program(OvenProgram(323.15, 0.0, (Ramp(0.5, 523.15, 600.0),)), carrier)
    prediction = predict(cooled, heated)
    assert cycle_time(cooled.scenario, heated, prediction.run_time) == pytest.approx(
        prediction.run_time + 300.0 + 60.0
    )
    flat = predict(cooled, Program(OvenProgram(423.15, 600.0), carrier))
    assert cycle_time(cooled.scenario, flat.program, flat.run_time) == pytest.approx(flat.run_time + 60.0)


def test_late_eluters_do_not_make_an_answer_of_an_endless_run(problem: Problem) -> None:
    """An impossible goal with a heavy compound that hardly elutes: the closest program still ends in hours."""
    heavy = replace(
        problem.fit.retention,
        T0=np.append(problem.fit.retention.T0[:-1], 640.0),
        theta=np.append(problem.fit.retention.theta[:-1], 40.0),
    )
    fit = replace(problem.fit, retention=heavy)
    hard = problem_of(problem.scenario, fit)
    hard = replace(hard, pairs=replace(hard.pairs, needed=np.full_like(hard.pairs.needed, 60.0)))
    result = outcome_of(hard, search_of(hard, families_of(hard.scenario), 64))
    assert not result.feasible
    assert result.candidates[0].prediction.run_time < 2 * longest_run(hard.scenario)


def test_a_given_program_is_told_the_limits_it_breaks(problem: Problem) -> None:
    hot = Program(
        OvenProgram(kelvin(30.0), 0.0, (Ramp(2.0, kelvin(340.0), 0.0),)),
        CarrierProgram("flow", float(flow_si(6.0))),
    )
    texts = " ".join(broken_limits(problem, predict(problem, hot)))
    for part in (
        "heating at 120.0 °C/min from 30 to 340 °C (limit 30.0 °C/min)",
        "column up to 340 °C",
        "column down to 30 °C",
        "up to 6.00 mL/min",
    ):
        assert part in texts


def test_a_compound_that_never_elutes_makes_nothing_feasible(problem: Problem) -> None:
    retention = replace(problem.fit.retention, T0=np.append(problem.fit.retention.T0[:-1], 900.0))
    stuck = problem_of(problem.scenario, replace(problem.fit, retention=retention))
    result = outcome_of(stuck, search_of(stuck, families_of(stuck.scenario), 64))
    assert not result.feasible
    assert result.blocking
    assert np.isfinite(result.candidates[0].prediction.min_resolution)


def test_far_pairs_that_alone_count_are_held() -> None:
    """Six compounds, only first and last must be resolved: the search finds what random points do."""
    from itertools import combinations

    from optimizer.scenario.data import PairRule

    plain = mixture(6, 1, 1)
    names = plain.scenario.compounds
    rules = tuple(
        PairRule((a, b), ignore=True) for a, b in combinations(names, 2) if {a, b} != {names[0], names[-1]}
    )
    close = with_typical_values(np.arange(400.0, 406.0))
    problem = problem_of(replace(plain.scenario, pairs=rules), replace(plain.fit, retention=close))
    families = families_of(problem.scenario)
    best = np.inf
    for each in families:
        z = each.ordered(np.random.default_rng(1).random((5000, each.size)))
        for part in np.array_split(z, 10):
            assessment = problem.assess(each.batch(each.values(part)))
            feasible = problem.smallest_margin(assessment) >= 0
            best = min(best, float(np.where(feasible, assessment.run_time, np.inf).min()))
    assert np.isfinite(best)
    assert search_of(problem, families, 64).all()[0].descent.cost <= best


def test_matrix_alone_with_one_pair_is_no_error(problem: Problem) -> None:
    from optimizer.scenario.data import AnalyteDetail, PairRule

    names = problem.scenario.compounds
    scenario = replace(
        problem.scenario,
        analytes=tuple(AnalyteDetail(name, "matrix") for name in names),
        pairs=(PairRule((names[0], names[1]), 1.5),),
    )
    odd = problem_of(scenario, problem.fit)
    assert outcome_of(odd, search_of(odd, [family(scenario, 1, "flow")], 28)).feasible


def test_steps_wider_than_the_range_are_refused(problem: Problem) -> None:
    instrument = replace(
        problem.scenario.instrument, min_flow=float(flow_si(1.03)), max_flow=float(flow_si(1.03))
    )
    with pytest.raises(ScenarioError, match="no flow that can be set"):
        family(replace(problem.scenario, instrument=instrument), 1, "flow")


def test_vacuum_pressure_programs_stay_above_the_room(problem: Problem) -> None:
    vacuum = replace(problem.scenario, outlet_pressure=0.0)
    assert family(vacuum, 1, "pressure").low[-1] > vacuum.ambient_pressure
    system = replace(problem.fit.system, outlet_pressure=0.0)
    low = problem_of(vacuum, replace(problem.fit, system=system))
    slow = Program(OvenProgram(kelvin(60.0), 600.0), CarrierProgram("flow", float(flow_si(0.3))))
    limits = dict(zip(low.limit_names, low.assess(batch_of([slow])).limits[0], strict=True))
    # 0.3 mL/min into a vacuum needs less than the room's pressure at the head of 30 m x 0.25 mm.
    assert limits["smallest inlet pressure"] < 0


def test_earliest_elution_is_the_start_of_the_first_target(problem: Problem) -> None:
    from optimizer.scenario.data import AnalyteDetail

    scenario = replace(
        problem.scenario,
        goal=replace(problem.scenario.goal, earliest_elution=120.0),
        analytes=(AnalyteDetail(problem.scenario.compounds[0], "ignore"),),
    )
    late = problem_of(scenario, problem.fit)
    program = Program(
        OvenProgram(kelvin(60.0), 60.0, (Ramp(10 / 60, kelvin(300.0), 60.0),)),
        CarrierProgram("flow", float(flow_si(1.2))),
    )
    assessment = late.assess(batch_of([program]))
    margin = dict(zip(late.limit_names, assessment.limits[0], strict=True))["earliest elution"]
    t, w = assessment.retention[0], assessment.width_half[0]
    assert margin == pytest.approx((t[1:] - w[1:]).min() / 120.0 - 1)


def test_pass_probability_is_that_of_full_simulations(problem: Problem) -> None:
    """Draws of parameters, oven and flow simulated outright, against the linear draws."""
    from models.column.retention import shifted
    from models.peaks.migration import migrate, migration_tables
    from models.peaks.resolution import HALF_HEIGHT_WIDTH

    M = len(problem.scenario.compounds)
    sd = 0.6
    covariance = np.zeros((3 * M + 1, 3 * M + 1))
    covariance[np.arange(M), np.arange(M)] = sd**2
    covariance[-1, -1] = 0.02**2
    noisy = replace(problem, fit=replace(problem.fit, covariance=covariance))
    program = Program(
        OvenProgram(kelvin(50.0), 60.0, (Ramp(20 / 60, kelvin(300.0), 60.0),)),
        CarrierProgram("flow", float(flow_si(1.5))),
    )
    prediction = predict(noisy, program)
    # Put the requirement at the middle of what the draws give, where the share is most sensitive.
    needed = np.full_like(problem.pairs.needed, prediction.resolution.min())
    noisy = replace(noisy, pairs=replace(noisy.pairs, needed=needed))
    prediction = predict(noisy, program)
    judged = with_uncertainty(noisy, prediction, exact=True)
    assert (
        with_uncertainty(noisy, prediction, exact=True, known=judged[1])[1] == judged[1]
    )  # not simulated again
    stated = with_uncertainty(noisy, prediction)[1].share
    simulated = with_uncertainty(noisy, prediction, exact=True)[1].share
    rng = np.random.default_rng(8)
    kept = 0
    draws = 300
    for _ in range(draws):
        retention = shifted(problem.fit.retention, T0=rng.normal(0, sd, M))
        flow_factor = np.exp(rng.normal(0, 0.02)) * (1 + rng.uniform(-0.01, 0.01))
        system = replace(problem.fit.system, flow_factor=problem.fit.system.flow_factor * flow_factor)
        tables = migration_tables(system, retention, "flow")
        off = rng.uniform(-1, 1)
        warmer = Program(
            OvenProgram(kelvin(50.0) + off, 60.0, (Ramp(20 / 60, kelvin(300.0) + off, 60.0),)),
            program.carrier,
        )
        peaks = migrate(tables, batch_of([warmer]), "screen")
        t, w = peaks.retention_time[0], peaks.width[0] * HALF_HEIGHT_WIDTH
        i, j = noisy.pairs.index.T
        kept += bool(np.all(np.abs(1.18 * (t[j] - t[i]) / (w[i] + w[j])) >= needed))
    # Four standard errors of a share of 300 draws and of 400.
    assert stated == pytest.approx(kept / draws, abs=4 * np.sqrt(0.25 / 300 + 0.25 / 400))
    assert simulated == pytest.approx(kept / draws, abs=4 * np.sqrt(0.25 / 300 + 0.25 / 200))
    assert 0.05 < stated < 0.95


def test_pass_probability_of_roomy_and_hopeless_programs(problem: Problem) -> None:
    slow = Program(
        OvenProgram(kelvin(50.0), 60.0, (Ramp(5 / 60, kelvin(300.0), 60.0),)),
        CarrierProgram("flow", float(flow_si(1.2))),
    )
    assert with_uncertainty(problem, predict(problem, slow))[1].share == 1.0
    hard = replace(problem, pairs=replace(problem.pairs, needed=problem.pairs.needed * 20))
    assert with_uncertainty(hard, predict(hard, slow))[1].share == 0.0
