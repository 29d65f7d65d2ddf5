"""Single changes that are tried when nothing meets the goal, on a mixture with known retention."""

from __future__ import annotations

import math
import re
from dataclasses import replace

import numpy as np
import pytest

import optimizer.methods.what_if
from benchmarks.mixtures import mixture
from models.column.carrier_gas import CARRIER_GASES
from models.column.programs import CarrierProgram, OvenProgram, Program, Ramp
from models.units import flow_si, kelvin
from optimizer.goal.goal import Problem, problem_of
from optimizer.goal.outcome import NOMINAL_GOAL, SearchOutcome, WhatIf
from optimizer.goal.requirements import by_kind
from optimizer.methods.adapt import adapt
from optimizer.methods.adapt_options import Change
from optimizer.methods.trials import Trial
from optimizer.methods.what_if import (
    MORE_DRAWS,
    Missing,
    helpfulness,
    missed_by,
    other_programs,
    other_systems,
    trials_of,
    try_out,
    what_ifs,
)
from optimizer.methods.workflow import optimize
from optimizer.scenario.data import AnalyteDetail, Decomposition, Near, PairRule, Scenario, TimeAbove
from optimizer.scenario.instrument_data import Inlet
from optimizer.search.candidates import outcome_of
from optimizer.search.found import Searched, rank
from optimizer.search.program_space import families_of
from tests.optimizer.searches import search_of, steps

RAMPED = Program(
    OvenProgram(kelvin(60.0), 60.0, (Ramp(0.2, kelvin(250.0)),)), CarrierProgram("flow", float(flow_si(1.0)))
)
LATEST = 300.0  # s
NEEDED = 60.0


def impossible() -> Problem:
    """One pair needs far more than its six-compound mixture gives in the time allowed; two thirds of it can be had."""
    known = mixture(6, 1, 1)
    scenario = replace(
        known.scenario,
        pairs=(PairRule(("c3", "c4"), NEEDED),),
        goal=replace(known.scenario.goal, latest_elution=LATEST),
    )
    return problem_of(scenario, known.fit)


@pytest.fixture(scope="module")
def problem() -> Problem:
    return impossible()


@pytest.fixture(scope="module")
def searched(problem: Problem) -> Searched:
    return search_of(problem, families_of(problem.scenario), 45)


@pytest.fixture(scope="module")
def outcome(problem: Problem, searched: Searched) -> SearchOutcome:
    found = outcome_of(problem, searched)
    assert not found.feasible
    return found


@pytest.fixture(scope="module")
def trials(problem: Problem, outcome: SearchOutcome) -> dict[str, Trial]:
    return {trial.change: trial for trial in trials_of(problem, outcome.candidates[0], [])}


def only(names: tuple[str, ...], monkeypatch: pytest.MonkeyPatch) -> None:
    """Try only changes whose words begin so: each takes a search."""
    real = trials_of
    monkeypatch.setattr(
        optimizer.methods.what_if,
        "trials_of",
        lambda *args: [trial for trial in real(*args) if trial.change.startswith(names)],
    )


def tried(problem: Problem, outcome: SearchOutcome, searched: Searched) -> tuple[WhatIf, ...]:
    return what_ifs(problem, outcome, searched, steps(16))


def test_giving_in_on_what_blocks_helps(
    problem: Problem, outcome: SearchOutcome, searched: Searched, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two thirds of the resolution fits in the time; all of it needs more time; a thinner film gives neither."""
    only(("a resolution of", "peaks later", "half the film"), monkeypatch)
    found = tried(problem, outcome, searched)
    assert [each.change for each in found] == [
        "a resolution of 40.00 for c3 and c4",
        "peaks later than 5 min",
        "half the film (0.125 µm)",
    ]
    lower, later, film = found
    assert lower.cost <= LATEST * 1.02  # its end is a little after its last apex
    assert later.cost > LATEST
    assert lower.shortfall == later.shortfall == 0
    assert lower.missed == later.missed == ""
    assert math.isnan(film.cost)
    assert film.shortfall > 0.01
    assert film.missed.startswith(("resolution of c3 and c4", "last peak at"))


def test_only_that_pair_is_lowered(problem: Problem, trials: dict[str, Trial]) -> None:
    lowered = trials["a resolution of 40.00 for c3 and c4"].problem
    changed = np.flatnonzero(lowered.pairs.needed != problem.pairs.needed)
    assert [tuple(pair) for pair in problem.pairs.index[changed]] == [(2, 3)]
    assert lowered.pairs.needed[changed] == pytest.approx([NEEDED * 2 / 3])


def test_what_only_relaxes_the_goal_comes_out_no_worse_than_the_closest(
    problem: Problem,
    outcome: SearchOutcome,
    searched: Searched,
    trials: dict[str, Trial],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Even where its search finds but the worst program there is; another column has no such claim."""
    worst = max(searched.all(), key=rank)
    monkeypatch.setattr(optimizer.methods.what_if, "ends_of", lambda *args: [worst])
    closest = outcome.candidates[0]
    before = missed_by(problem, closest.prediction, 1.0)

    def given(change: str, **changes: object) -> WhatIf:
        trial = replace(trials[change], **changes)  # type: ignore[arg-type]
        found = try_out(problem.scenario, trial, steps(16), None, closest, before)
        assert found is not None
        return found

    # The closest program misses the resolution alone, and an easier one of 59 by less.
    needed = replace(
        problem.pairs, needed=np.where(problem.pairs.needed == NEEDED, 59.0, problem.pairs.needed)
    )
    easier = replace(problem, pairs=needed)
    found = given("a resolution of 40.00 for c3 and c4", problem=easier)
    by_itself = given("a resolution of 40.00 for c3 and c4", problem=easier, relaxes=False)
    assert found.shortfall < by_itself.shortfall
    assert found.shortfall == pytest.approx(missed_by(easier, closest.prediction, 1.0).nominal, rel=1e-6)
    assert found.improves
    assert not by_itself.improves
    same = given("a resolution of 40.00 for c3 and c4", problem=problem)
    assert not same.improves
    assert same.missed.startswith(outcome.blocking[0])
    assert trials["peaks later than 5 min"].relaxes
    assert trials["up to 2 oven ramps"].relaxes
    for change in ("half the film (0.125 µm)", "constant pressure of the carrier"):
        assert not trials[change].relaxes


def test_what_is_missed_on_paper_counts_before_draws() -> None:
    paper, draws, fewer = (
        Missing(("a",), False, 0.1, 0.0),
        Missing(("b",), False, 0.0, 0.3),
        Missing(("c",), False, 0.0, 0.3 - MORE_DRAWS / 2),
    )
    assert paper.worse(draws)
    assert not draws.worse(paper)
    assert draws.worse(fewer)
    assert not draws.worse(fewer, MORE_DRAWS)
    assert replace(draws, broken=True).worse(paper)


def test_several_blocking_pairs_are_lowered_together(problem: Problem, outcome: SearchOutcome) -> None:
    closest = outcome.candidates[0]
    prediction = replace(closest.prediction, resolution=0.9 * closest.prediction.needed)
    made = list(trials_of(problem, replace(closest, prediction=prediction), []))
    both = next(trial for trial in made if trial.change.startswith("two thirds"))
    np.testing.assert_allclose(both.problem.pairs.needed, problem.pairs.needed * 2 / 3)
    assert sum(trial.change.startswith("a resolution of") for trial in made) == 2


def test_other_programs_open_what_was_not_allowed(problem: Problem, trials: dict[str, Trial]) -> None:
    assert {family.ramps for family in trials["up to 2 oven ramps"].families} == {2}
    assert {family.controlled for family in trials["constant pressure of the carrier"].families} == {
        "pressure"
    }
    assert any(family.carrier_ramps for family in trials["a flow program of the carrier"].families)
    assert "constant flow of the carrier" not in trials
    fixed = replace(problem.scenario.search, max_ramps=0, oven_temperature=400.0)
    assert "ramps" not in [opens for *_, opens in other_programs(replace(problem.scenario, search=fixed))]
    most = replace(problem.scenario.search, max_ramps=5)
    assert "ramps" not in [opens for *_, opens in other_programs(replace(problem.scenario, search=most))]


def test_other_systems_are_what_they_say(problem: Problem, trials: dict[str, Trial]) -> None:
    hydrogen = trials["hydrogen instead of helium"].problem
    assert hydrogen.fit.system.gas.name == hydrogen.scenario.gas.name == "hydrogen"
    assert hydrogen.fit.system.flow_factor == problem.fit.system.flow_factor
    longer = trials["a column 1.5 times as long (45 m)"].problem
    assert longer.fit.system.column.length == longer.scenario.column.length == pytest.approx(45.0)
    thinner = trials["half the film (0.125 µm)"].problem
    # Half the film is half the k, which shows as peaks that leave some 20 K colder.
    assert np.all(thinner.fit.retention.T0 < problem.fit.retention.T0 - 10)


def test_hydrogen_is_not_tried_instead_of_itself_and_held_to_what_adapt_holds_it_to(problem: Problem) -> None:
    scenario = problem.scenario
    itself = replace(problem, scenario=replace(scenario, gas=CARRIER_GASES["hydrogen"]))
    assert not any("hydrogen" in trial.change for trial in other_systems(itself, []))
    split = replace(problem, scenario=replace(scenario, inlet=Inlet(split_ratio=50.0)))
    hydrogen, lowered, *_ = other_systems(split, [])
    carried = adapt(split.scenario, problem.fit, RAMPED, Change(gas=CARRIER_GASES["hydrogen"]))
    for each in (hydrogen, lowered):
        assert each.problem.scenario.inlet.max_total_flow == pytest.approx(float(flow_si(50.0)))
        assert each.problem.limit_names == carried.new.limit_names
    assert hydrogen.problem.scenario.inlet == carried.new.scenario.inlet
    text = r"hydrogen instead of helium at a split ratio of \d+:1 in place of 50:1"
    assert re.fullmatch(text, lowered.change)
    cap = float(flow_si(80.0))
    stated = replace(problem, scenario=replace(scenario, inlet=Inlet(split_ratio=50.0, max_total_flow=cap)))
    hydrogen = next(iter(other_systems(stated, [])))
    assert hydrogen.change == "hydrogen instead of helium"
    assert hydrogen.problem.scenario.inlet.max_total_flow == cap


@pytest.mark.parametrize(
    ("inlet", "says"),
    [
        (
            Inlet(),
            r"explosive, see the cautions; [4-7]\.\d mL/min of column flow and septum purge, the split flow unknown",
        ),
        (Inlet(split_ratio=10.0), r"explosive, see the cautions; a total flow of up to \d\d mL/min"),
        (
            Inlet(split_ratio=30.0),
            r"a total flow of up to 50 mL/min; a split ratio of \d+:1 in place of 30:1 would allow",
        ),
    ],
    ids=["unknown", "small", "held"],
)
def test_hydrogen_is_suggested_with_its_flow_and_cautions_and_after_what_is_harmless(
    inlet: Inlet, says: str
) -> None:
    """A change that gives twice the run time comes first, if it cannot explode; one that does not help comes last."""
    known = impossible()
    scenario = replace(known.scenario, inlet=inlet, pairs=(PairRule(("c3", "c4"), 40.0),))
    easier = problem_of(replace(scenario, goal=replace(scenario.goal, latest_elution=None)), known.fit)
    fast = what_if_of(easier, "hydrogen")
    assert re.search(says, fast.change)
    assert fast.change.startswith("hydrogen instead of helium (")
    assert any("explodes from 4 % in air" in line for line in fast.cautions)
    assert any("What leaks is the total flow" in line for line in fast.cautions)
    assert math.isfinite(fast.cost)
    slow = WhatIf("an oven ramp", 2 * fast.cost, 0.0, "one ramp, constant flow")
    short = WhatIf("half the film", math.nan, 0.1, "one ramp, constant flow", "c3 and c4")
    assert sorted([fast, short, slow], key=helpfulness) == [slow, fast, short]
    nominal = WhatIf(NOMINAL_GOAL, 1.0, 0.0, "one ramp, constant flow")
    worse = replace(short, shortfall=0.01, improves=False)
    assert sorted([nominal, worse, short, slow], key=helpfulness) == [slow, short, worse, nominal]


def what_if_of(problem: Problem, change: str) -> WhatIf:
    """What a single change gives, tried as where nothing met the goal."""
    trial = next(each for each in other_systems(problem, []) if each.change.startswith(change))
    found = try_out(problem.scenario, trial, steps(16), None)
    assert found is not None
    return found


def demanding(scenario: Scenario) -> Scenario:
    """Every requirement that can be dropped, once."""
    kinetics = Decomposition(120e3, 300.0, 473.15)
    near = AnalyteDetail(
        "c1",
        "internal standard",
        max_time_above=TimeAbove(400.0, 60.0),
        decomposition=kinetics,
        min_intact_fraction=0.9,
        near=Near(("c2",), 60.0),
    )
    goal = replace(scenario.goal, earliest_elution=60.0, min_retention_factor=1.0)
    order = PairRule(("c1", "c2"), in_order=True)
    hot = AnalyteDetail("c2", "target", max_elution_temperature=450.0)
    return replace(scenario, analytes=(near, hot), goal=goal, pairs=(*scenario.pairs, order))


def test_each_requirement_is_dropped_alone(problem: Problem) -> None:
    """It is gone in the changed scenario, and nothing else is."""
    asking = replace(problem, scenario=demanding(problem.scenario))
    assert len(asking.requirements) == 8
    for each in asking.requirements:
        rest = asking.without([each])
        assert set(asking.limits) - set(rest.limits) == {each}
        assert set(rest.limits) < set(asking.limits)


def test_requirements_of_a_kind_are_dropped_together(problem: Problem) -> None:
    """What is left then are the limits of the equipment."""
    scenario = demanding(problem.scenario)
    cool = replace(scenario.analytes[0], max_elution_temperature=440.0)
    several = replace(problem, scenario=replace(scenario, analytes=(cool, scenario.analytes[1])))
    temperatures = by_kind(several.requirements)["elution temperatures"]
    assert [each.name for each in temperatures] == ["elution temperature of c1", "elution temperature of c2"]
    without = several.without(temperatures).scenario
    assert all(each.max_elution_temperature is None for each in without.analytes)
    assert without.goal == several.scenario.goal
    bare = several.without(several.requirements)
    assert bare.requirements == ()
    assert bare.limits == several.limits[len(several.requirements) :]


def test_an_interrupt_keeps_what_was_tried(
    problem: Problem, outcome: SearchOutcome, searched: Searched, monkeypatch: pytest.MonkeyPatch
) -> None:
    only(("a resolution of", "peaks later"), monkeypatch)
    told = []

    def progress(share: float, text: str) -> None:
        told.append(text)
        if "peaks later" in text:
            raise KeyboardInterrupt

    found = what_ifs(problem, outcome, searched, steps(16), progress)
    assert [each.change for each in found] == ["a resolution of 40.00 for c3 and c4"]
    assert told[0] == "what if: a resolution of 40.00 for c3 and c4"


def test_workflow_tries_changes_only_when_nothing_is_feasible(
    problem: Problem, monkeypatch: pytest.MonkeyPatch
) -> None:
    only(("a resolution of",), monkeypatch)
    scenario = replace(problem.scenario, search=replace(problem.scenario.search, max_ramps=1, candidates=1))
    _, found = optimize(scenario, problem.fit, steps(160))
    assert [each.change for each in found.what_ifs] == ["a resolution of 40.00 for c3 and c4"]
    assert optimize(scenario, problem.fit, steps(6), what_if=False)[1].what_ifs == ()
    easy = replace(scenario, pairs=())
    _, met = optimize(easy, problem.fit, steps(24))
    assert met.feasible
    assert met.what_ifs == ()
