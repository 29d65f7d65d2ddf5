"""The split ratio that would do where the total flow holds the column flow down."""

from __future__ import annotations

from dataclasses import replace

import pytest

from benchmarks.mixtures import mixture
from models.column.carrier_gas import CARRIER_GASES
from models.column.scaling import speed_optimised_flow
from models.units import flow_mL_min, flow_si
from optimizer.goal.cautions import LowerSplit, lower_split
from optimizer.goal.goal import Problem, problem_of
from optimizer.goal.outcome import SearchOutcome, WhatIf
from optimizer.methods.adapt import on_new_system
from optimizer.methods.adapt_options import Change
from optimizer.methods.what_if import _trials, _with_hydrogen
from optimizer.methods.workflow import optimize
from optimizer.scenario.data import AnalyteDetail, Scenario
from optimizer.scenario.instrument_data import Inlet
from optimizer.search.reasons import warnings_of
from tests.published.tables import rows

LIMIT = float(flow_si(50.0))


def made(inlet: Inlet, gas: str = "hydrogen") -> tuple[Problem, SearchOutcome]:
    """Six compounds on 30 m x 0.25 mm, nominally."""
    known = mixture(6, 1, 1)
    fit, _ = on_new_system(known.scenario, known.fit, Change(gas=CARRIER_GASES[gas]))
    goal = replace(known.scenario.goal, confidence=0.0)
    scenario = replace(known.scenario, gas=fit.system.gas, inlet=inlet, goal=goal)
    return optimize(scenario, fit, rounds=12, what_if=False)


@pytest.fixture(scope="module")
def held() -> tuple[Problem, SearchOutcome]:
    return made(Inlet(split_ratio=40.0, max_total_flow=LIMIT))


def best(outcome: SearchOutcome) -> float:
    assert outcome.feasible
    return outcome.candidates[0].prediction.run_time


def told(problem: Problem, outcome: SearchOutcome, **changes: object) -> LowerSplit | None:
    scenario: Scenario = replace(problem.scenario, **changes)  # type: ignore[arg-type]
    return lower_split(scenario, float(outcome.candidates[0].prediction.flow.max()))


@pytest.mark.parametrize("row", rows("split"), ids=lambda row: f"{row['Fc_mL_min']} mL/min, {row['split']}:1")
def test_flows_and_amounts_are_those_of_a_table(row: dict[str, str]) -> None:
    """Own arithmetic, independent of this project: 1000 ng injected, 3 mL/min of septum purge."""
    ratio = float(row["split"])
    total = Inlet(split_ratio=ratio).total_flow(float(flow_si(float(row["Fc_mL_min"]))))
    assert float(flow_mL_min(total)) == pytest.approx(float(row["total_mL_min"]), rel=1e-9)
    assert 1000 / (1 + ratio) == pytest.approx(float(row["ng_on_column_of_1000_ng"]), rel=1e-6)


def test_the_ratio_that_is_named_makes_hydrogen_faster_than_helium(
    held: tuple[Problem, SearchOutcome],
) -> None:
    problem, outcome = held
    helium = best(made(Inlet(split_ratio=40.0), "helium")[1])
    assert best(outcome) > helium
    lower = told(problem, outcome)
    assert lower is not None
    assert lower.text in outcome.candidates[0].warnings
    freed = best(made(Inlet(split_ratio=lower.ratio, max_total_flow=LIMIT))[1])
    assert freed < helium < best(outcome)


def test_it_allows_the_usual_flow_within_the_limit(held: tuple[Problem, SearchOutcome]) -> None:
    problem, outcome = held
    lower = told(problem, outcome)
    assert lower is not None
    usual = speed_optimised_flow(problem.scenario.column, problem.scenario.gas)
    assert lower.allowed == pytest.approx(usual)
    inlet = replace(problem.scenario.inlet, split_ratio=lower.ratio)
    assert inlet.total_flow(lower.allowed) <= LIMIT
    assert replace(inlet, split_ratio=lower.ratio + 1).total_flow(usual) > LIMIT
    assert lower.amount == pytest.approx(41 / (1 + lower.ratio))
    assert "times as much on the column" in lower.text


def test_bounds_hold_the_ratio(held: tuple[Problem, SearchOutcome]) -> None:
    problem, outcome = held
    inlet = replace(problem.scenario.inlet, min_split_ratio=25.0)
    bound = told(problem, outcome, inlet=inlet)
    assert bound is not None
    assert bound.ratio == 25
    assert bound.words.endswith("(inlet.min_split_ratio allows no lower one)")
    name = problem.scenario.compounds[0]
    capacity = told(problem, outcome, capacity=60.0, analytes=(AnalyteDetail(name, amount=45.0),))
    assert capacity is not None
    assert capacity.ratio == 30  # 45 ng x 41/31 = 59.5 ng
    assert "column.capacity_ng" in capacity.words
    assert told(problem, outcome, capacity=60.0, analytes=(AnalyteDetail(name, amount=60.0),)) is None
    splitless = told(problem, outcome, inlet=replace(problem.scenario.inlet, mode="splitless"))
    assert splitless is not None
    assert splitless.amount == 1.0


def test_nothing_is_said_where_the_total_flow_holds_nothing(held: tuple[Problem, SearchOutcome]) -> None:
    problem, outcome = held
    free = replace(problem.scenario.inlet, max_total_flow=float(flow_si(500.0)))
    for inlet in (Inlet(), Inlet(max_total_flow=LIMIT), free):
        assert told(problem, outcome, inlet=inlet) is None
        changed = replace(problem, scenario=replace(problem.scenario, inlet=inlet))
        assert not any(
            "split ratio" in text for text in warnings_of(changed, outcome.candidates[0].prediction)
        )


def test_what_ifs_try_it_and_name_it_with_hydrogen(held: tuple[Problem, SearchOutcome]) -> None:
    problem, outcome = held
    closest = outcome.candidates[0]
    lower = told(problem, outcome)
    assert lower is not None
    trials = {trial.change: trial for trial in _trials(problem, closest, [])}
    trial = trials[f"a split ratio of {lower.ratio:g}:1 in place of 40:1"]
    assert trial.problem.scenario.inlet.split_ratio == lower.ratio
    assert trial.relaxes
    found = _with_hydrogen(WhatIf("hydrogen", 300.0, 0.0, ""), problem.scenario, closest.prediction)
    assert lower.words in found.change
    assert problem_of(trial.problem.scenario, problem.fit).limit_names == trial.problem.limit_names
