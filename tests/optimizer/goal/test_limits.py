"""Limits of analytes, inlet, carrier and column: each margin against the physics worked out another way."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import quad

from benchmarks.mixtures import mixture
from models.column.programs import CarrierProgram, OvenProgram, Program, Ramp, batch_of
from models.column.system import flow
from models.peaks.resolution import pair_resolution
from models.units import flow_si, kelvin
from optimizer.goal.cycle import after_run, cycle_time, samples_per_shift, with_bake_out
from optimizer.goal.goal import Problem, problem_of
from optimizer.goal.predict import predict
from optimizer.scenario.data import AnalyteDetail, BakeOut, Decomposition, Near, PairRule, TimeAbove
from optimizer.scenario.instrument_data import CoolDown, HeatingLimit, Inlet
from optimizer.search.program_space import families_of, family
from tests.optimizer.searches import search_of

PROGRAM = Program(
    OvenProgram(kelvin(60.0), 60.0, (Ramp(12 / 60, kelvin(250.0), 600.0),)),
    CarrierProgram("pressure", 101325.0 + 60e3, 60.0, (Ramp(20e3 / 60, 101325.0 + 160e3, 0.0),)),
)


@pytest.fixture(scope="module")
def problem() -> Problem:
    return mixture(10, 1, 2)


def with_scenario(problem: Problem, **changes: object) -> Problem:
    return problem_of(replace(problem.scenario, **changes), problem.fit)  # type: ignore[arg-type]


def margin(problem: Problem, name: str, program: Program = PROGRAM) -> float:
    limits = problem.assess(batch_of([program]), "polish").limits[0]
    return float(limits[problem.limit_names.index(name)])


def analyte(problem: Problem, at: int, **details: object) -> Problem:
    name = problem.scenario.compounds[at]
    return with_scenario(problem, analytes=(AnalyteDetail(name, "target", **details),))  # type: ignore[arg-type]


def test_intact_fraction_is_the_integral_over_the_stay(problem: Problem) -> None:
    """Against scipy's quadrature of the rate over the oven program, up to the retention time."""
    kinetics = Decomposition(120e3, 300.0, kelvin(200.0))
    limited = analyte(problem, 8, decomposition=kinetics, min_intact_fraction=0.9)
    prediction = predict(limited, PROGRAM)
    times, T = PROGRAM.oven.knots()

    def rate(t: float) -> float:
        at = np.interp(t, times, T)
        return np.log(2) / 300.0 * np.exp(-120e3 / 8.314462618 * (1 / at - 1 / kinetics.temperature))

    tR = float(prediction.retention[8])
    lost = sum(quad(rate, a, b, epsrel=1e-10)[0] for a, b in ((0.0, 60.0), (60.0, tR)))
    assert prediction.intact_fraction[8] == pytest.approx(np.exp(-lost), rel=1e-7)
    assert np.isnan(prediction.intact_fraction[7])
    name = f"intact fraction of {limited.scenario.compounds[8]}"
    assert margin(limited, name) == pytest.approx(-np.log(lost / -np.log(0.9)), abs=1e-6)


def test_largest_elution_temperature_and_time_above(problem: Problem) -> None:
    tR = float(predict(problem, PROGRAM).retention[9])
    T = float(np.interp(tR, *PROGRAM.oven.knots()))
    name = problem.scenario.compounds[9]
    for limit, kept in ((T + 1, True), (T - 1, False)):
        some = analyte(problem, 9, max_elution_temperature=limit)
        assert (margin(some, f"elution temperature of {name}") > 0) is kept
    # 12 °C/min: above T - 24 °C for two minutes.
    spent = analyte(problem, 9, max_time_above=TimeAbove(T - 24.0, 240.0))
    assert predict(spent, PROGRAM).time_above[9] == pytest.approx(120.0, abs=0.05)
    # The margin counts half of the last kelvin below, 2.5 s, so that descents see the limit come.
    assert margin(spent, f"time of {name} above a temperature") == pytest.approx(0.5 - 2.5 / 240, abs=1e-3)
    never = analyte(problem, 9, max_time_above=TimeAbove(T + 5.0, 0.0))
    assert margin(never, f"time of {name} above a temperature") > 0


def test_latest_elution_and_retention_factor(problem: Problem) -> None:
    prediction = predict(problem, PROGRAM)
    last, least = float(prediction.retention.max()), float(prediction.retention_factor.min())
    goal = replace(problem.scenario.goal, latest_elution=0.9 * last, min_retention_factor=2 * least)
    some = with_scenario(problem, goal=goal)
    assert margin(some, "latest elution") == pytest.approx(1 - 1 / 0.9)
    assert margin(some, "retention factor at elution") == pytest.approx(-0.5)


def test_order_and_nearness(problem: Problem) -> None:
    names, t = problem.scenario.compounds, predict(problem, PROGRAM).retention
    first, second, far = np.argsort(t)[[0, 1, 5]]
    for a, b, kept in ((first, second, True), (second, first, False)):
        rules = (PairRule((names[a], names[b]), in_order=True),)
        some = with_scenario(problem, pairs=rules)
        assert (margin(some, f"{names[a]} before {names[b]}") > 0) is kept
        assert len(some.pairs.needed) == len(
            problem.pairs.needed
        )  # the order is asked for besides resolution
    apart = float(abs(t[far] - t[first]))
    near = AnalyteDetail(names[first], "internal standard", near=Near((names[far],), 2 * apart))
    some = with_scenario(problem, analytes=(near,))
    assert margin(some, f"{names[first]} near its compounds") == pytest.approx(0.5)


def test_inlet_bounds_start_first_hold_and_total_flow(problem: Problem) -> None:
    inlet = Inlet(
        "splitless", kelvin(69.0), 15.0, 90.0, 20.0, float(flow_si(3.0)), max_total_flow=float(flow_si(50.0))
    )
    some = with_scenario(problem, inlet=inlet)
    assert margin(some, "start below the solvent") == pytest.approx((54 - 60) / (300 - 40), rel=0.2)
    assert margin(some, "first hold and purge") == pytest.approx(60 / 90 - 1)
    most = float(predict(some, PROGRAM).flow.max())
    assert margin(some, "total flow") == pytest.approx(
        1 - (21 * most + flow_si(3.0)) / flow_si(50.0), abs=2e-3
    )
    rng = np.random.default_rng(1)
    for each in families_of(some.scenario):
        values = each.rounded(each.values(each.ordered(rng.random((200, each.size)))))
        assert values[:, 0].max() <= kelvin(54.0) + 1e-9
        if each.ramps:
            assert values[:, 1].min() >= 90.0 - 1e-9


def test_carrier_rate_and_detector_flow(problem: Problem) -> None:
    instrument = replace(
        problem.scenario.instrument, max_pressure_rate=10e3 / 60, detector_max_flow=float(flow_si(1.5))
    )
    some = with_scenario(problem, instrument=instrument)
    assert margin(some, "carrier rate") == pytest.approx(-1.0)
    # The flow is largest where the pressure ramp ends: after 6 min, at 120 °C.
    system = problem.fit.system
    most = float(flow(system.column, system.gas, kelvin(120.0), 101325.0 + 160e3, 101325.0))
    assert margin(some, "largest column flow") == pytest.approx(1 - most / flow_si(1.5), rel=1e-9)


def test_stay_above_the_continuous_limit(problem: Problem) -> None:
    tR = predict(problem, PROGRAM).run_time
    some = with_scenario(
        problem, max_temperature=kelvin(200.0), max_programmed_temperature=kelvin(260.0),
        max_time_above_continuous=120.0,
    )  # fmt: skip
    assert some.scenario.highest_temperature == kelvin(260.0)
    end = float(some.assess(batch_of([PROGRAM]), "polish").run_time[0])
    above = max(end - (60 + 140 / 0.2), 0.0)
    assert above > 0
    assert tR >= end
    expected = 1 - (above + 2.5) / 120
    assert margin(some, "time above the continuous column limit") == pytest.approx(expected, abs=1e-3)


def test_tailing_peak_needs_more_room_behind_it_than_before_it() -> None:
    """Two half Gaussians: at a tailing factor of 2 three quarters of the width lie behind the apex."""
    t, w, pair = np.array([100.0, 104.0]), np.array([2.0, 2.0]), np.array([[0, 1]])
    tailing = np.array([2.0, 1.0])
    assert pair_resolution(t, w, pair, tailing)[0] == pytest.approx(1.18 * 4 / (3.0 + 2.0))
    assert pair_resolution(t[::-1], w, pair, tailing)[0] == pytest.approx(1.18 * 4 / (1.0 + 2.0))
    assert pair_resolution(t, w, pair, np.ones(2))[0] == pytest.approx(1.18 * 4 / 4.0)


def test_bake_out_and_cool_down_count(problem: Problem) -> None:
    """Worked by hand: 250 to 280 °C at 30 °C/min, 2 min there; then Newton's law through 250 to 50 °C in 5 min."""
    goal = replace(problem.scenario.goal, bake_out=BakeOut(kelvin(280.0), 120.0, 0.5), minimise="cycle time")
    instrument = replace(
        problem.scenario.instrument,
        cool_down=CoolDown(kelvin(250.0), kelvin(50.0), 300.0),
        heating_limits=(HeatingLimit(kelvin(450.0), 1.0),),
        equilibration=60.0,
    )
    some = with_scenario(problem, goal=goal, instrument=instrument)
    bake, turn = after_run(some.scenario, np.array([kelvin(60.0)]), np.array([kelvin(250.0)]))
    assert bake[0] == pytest.approx(60.0 + 120.0)
    tau = 300.0 / np.log(225.0 / 25.0)
    assert turn[0] == pytest.approx(tau * np.log(255.0 / 35.0) + 60.0)
    baked = with_bake_out(some.scenario, PROGRAM)
    assert baked.oven.duration == pytest.approx(PROGRAM.oven.duration + 180.0)
    cycle = cycle_time(some.scenario, baked, baked.oven.duration)
    assert cycle == pytest.approx(baked.oven.duration + turn[0])
    cost = some.cost(batch_of([PROGRAM]), np.array([PROGRAM.oven.duration]))
    assert cost[0] == pytest.approx(cycle)
    assert samples_per_shift(some.scenario, 8 * 3600 / 20.0) == 20


def test_carrier_families_hold_the_constant_ones(problem: Problem) -> None:
    """A carrier ramp costs nothing: with it the search is never slower than without, and rounding keeps limits."""
    scenario = replace(
        problem.scenario,
        search=replace(problem.scenario.search, carrier_modes=("constant flow", "flow program"), max_ramps=1),
    )
    some = problem_of(scenario, problem.fit)
    families = families_of(scenario)
    assert [each.name for each in families] == [
        "isothermal, constant flow",
        "one ramp, constant flow",
        "isothermal, flow ramp",
        "one ramp, flow ramp",
    ]
    ends = search_of(some, families, 72).best
    constant, ramped = ends[1][0], ends[3][0]
    assert constant.feasible
    assert ramped.feasible
    assert ramped.descent.cost <= constant.descent.cost * 1.001


def test_batch_of_a_carrier_family_is_the_same_program(problem: Problem) -> None:
    rng = np.random.default_rng(4)
    for controlled in ("pressure", "flow"):
        for count in (1, 2):
            some = family(problem.scenario, 1, controlled, count)
            for z in some.ordered(rng.random((8, some.size))):
                values = some.rounded(some.values(z))
                full = problem.assess(some.batch(values[None]), "polish")
                if full.run_time[0] > 36000:
                    continue
                program = some.program(values, float(full.run_time[0]), 6.0)
                cut = problem.assess(batch_of([program]), "polish")
                np.testing.assert_allclose(cut.retention, full.retention, rtol=3e-5)


def test_a_split_ramp_nearly_keeps_the_program(problem: Problem) -> None:
    """One of two ramps in two of nearly the same rate, without a hold between: the corners stay."""
    two, three = family(problem.scenario, 2, "flow"), family(problem.scenario, 3, "flow")
    rng = np.random.default_rng(5)
    z = two.ordered(rng.random((30, two.size)))
    split = three.split(two, z, rng)
    old, new = two.values(z), three.values(split)
    np.testing.assert_allclose(new[:, :2], old[:, :2])  # start and first hold
    np.testing.assert_allclose(new[:, -1], old[:, -1])  # carrier
    for before, after in zip(old, new, strict=True):
        corners = after[[3, 6, 9]]
        assert np.all(np.diff(np.concatenate([after[:1], corners])) >= -1e-9)
        for target in before[[3, 6]]:
            assert np.min(np.abs(corners - target)) < 1e-9
