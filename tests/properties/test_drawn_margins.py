"""What must hold for any program held against the draws of what is uncertain, and for any that is rounded."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchmarks.mixtures import mixture
from models.column.programs import CarrierProgram, OvenProgram, Program, Ramp, batch_of
from models.units import flow_si, kelvin
from optimizer.goal.drawn_margins import LARGEST_KAPPA, backoff, drawn_margins
from optimizer.goal.goal import Problem, nominal_problem
from optimizer.goal.predict import predict
from optimizer.goal.robustness import SOURCES
from optimizer.goal.uncertainty import with_uncertainty
from optimizer.scenario.instrument_data import Tolerances
from optimizer.search.descent import descend
from optimizer.search.found import FEASIBLE
from optimizer.search.program_space import family
from optimizer.search.reasons import broken_limits
from optimizer.search.rounding import settable
from tests.properties.strategies import AMBIENT, examples, few

MODES = ("constant flow", "constant pressure")


@pytest.fixture(scope="module")
def problem() -> Problem:
    """Eight compounds known to so much, and 90 % of draws asked for."""
    known = mixture(8, 3, 2, modes=MODES, min_resolution=0.5)
    M = len(known.scenario.compounds)
    size = np.concatenate([np.full(M, 0.15), np.full(M, 0.004), np.full(M, 3.0), [0.004]])
    of_widths = np.repeat([0.03, 0.01, 0.2, 0.1, 0.2, 0.01], [1, 1, 1, M, M, M])
    fit = replace(
        known.fit,
        covariance=np.diag(size**2),
        width_covariance=np.diag(of_widths**2),
        width_scatter=0.02,
    )
    scenario = replace(known.scenario, goal=replace(known.scenario.goal, confidence=0.9))
    return replace(known, fit=fit, scenario=scenario)


@st.composite
def programs(draw: st.DrawFn) -> Program:
    """Any program this column takes, from one at which nothing leaves to one at which all leave at once."""
    start = draw(st.floats(45.0, 300.0))
    ramps = ()
    if draw(st.booleans()):
        ramps = (
            Ramp(
                draw(st.floats(1.0, 60.0)) / 60,
                kelvin(draw(st.floats(start, 318.0))),
                draw(st.floats(0.0, 600.0)),
            ),
        )
    carrier = draw(
        st.one_of(
            st.floats(0.5, 4.0).map(lambda flow: CarrierProgram("flow", flow_si(flow))),
            st.floats(20e3, 390e3).map(lambda gauge: CarrierProgram("pressure", AMBIENT + gauge)),
        )
    )
    return Program(OvenProgram(kelvin(start), draw(st.floats(0.0, 300.0)), ramps), carrier)


tolerances = st.builds(
    Tolerances,
    st.floats(0.0, 10.0),
    st.floats(0.0, 0.2),
    st.floats(0.0, 0.2),
    st.floats(0.0, 0.2),
    st.floats(0.0, 10.0),
)


@few
@given(programs(), st.sets(st.sampled_from(SOURCES)))
def test_shares_and_backoffs_are_what_their_names_say(
    problem: Problem, program: Program, without: set[str]
) -> None:
    batch = batch_of([program])
    assessment = problem.assess(batch, "polish")
    found = drawn_margins(problem, batch, assessment, frozenset(without))
    asked = backoff(problem, assessment, found)
    share = found.pass_probability[0]
    assert 0.0 <= share <= 1.0
    assert share == np.mean(found.worst >= 0)
    assert 0.0 <= asked.kappa <= LARGEST_KAPPA
    for spread in (asked.pairs, asked.limits):
        assert np.isfinite(spread).all()
        assert (spread >= 0).all()
    assert np.array_equal(asked.pairs, asked.pairs.T)
    assert not np.isnan(found.pair_margins).any()
    assert not np.isnan(found.requirement_margins).any()
    if len(without) == len(SOURCES) and np.isfinite(found.margin[0]):
        assert share in (0.0, 1.0)  # nothing is uncertain


@examples(0.4)
@given(programs(), tolerances)
def test_a_prediction_has_spreads_exactly_where_it_has_peaks(
    problem: Problem, program: Program, tolerances: Tolerances
) -> None:
    problem = replace(problem, scenario=replace(problem.scenario, tolerances=tolerances))
    prediction, reliability = with_uncertainty(problem, predict(problem, program))
    out = np.isfinite(prediction.retention)
    for spread in (prediction.retention_sd, prediction.width_sd):
        assert np.array_equal(np.isfinite(spread), out)
        assert (spread[out] >= 0).all()
    assert 0.0 <= reliability.share <= 1.0
    for _, share in reliability.failures:
        assert 0.0 < share <= 1.0
    for source in reliability.sources:
        assert 0.0 <= source.share_without <= 1.0


@examples(0.2)
@given(st.integers(0, 2), st.sampled_from(("flow", "pressure")), st.integers(0, 2**32 - 1))
def test_a_rounded_program_is_settable_and_breaks_no_limit_when_it_says_so(
    problem: Problem, ramps: int, controlled: str, seed: int
) -> None:
    nominal = nominal_problem(problem)
    some = family(nominal.scenario, ramps, controlled)
    z = some.ordered(np.random.default_rng(seed).random((1, some.size)))[0]
    found = settable(nominal, some, descend(nominal, some, z).z, seed=1)
    steps = (found.values - some.offset) / some.step
    assert np.allclose(steps, np.round(steps), atol=1e-6)
    prediction = predict(nominal, found.program)
    broken = broken_limits(nominal, prediction)
    assert found.feasible == (found.margin >= FEASIBLE)
    if found.feasible:
        assert list(broken) == []
        assert prediction.min_resolution >= nominal.scenario.goal.min_resolution * (1 + FEASIBLE) - 1e-6
    oven = found.program.oven
    bounds = nominal.scenario.min_temperature, nominal.scenario.max_temperature
    assert all(bounds[0] - 1e-6 <= T <= bounds[1] + 1e-6 for T in oven.knots()[1])
