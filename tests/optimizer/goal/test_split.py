"""The split ratio that would do where the total flow holds the column flow down."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from benchmarks.mixtures import mixture
from models.column.carrier_gas import CARRIER_GASES
from models.column.programs import CarrierProgram, OvenProgram, Program, Ramp, batch_of
from models.column.scaling import speed_optimised_flow
from models.peaks.injection import flow_for_band
from models.units import flow_mL_min, flow_si
from optimizer.goal.goal import Problem, problem_of
from optimizer.goal.outcome import SearchOutcome, WhatIf
from optimizer.goal.split import (
    LowerSplit,
    chosen_split,
    inlet_of,
    largest_total_flow,
    lower_split,
    narrowest,
)
from optimizer.methods.adapt import on_new_system
from optimizer.methods.adapt_options import Change
from optimizer.methods.what_if import trials_of, with_hydrogen
from optimizer.methods.workflow import optimize
from optimizer.results.candidate import candidate_document
from optimizer.results.set_points import inlet_line
from optimizer.scenario.data import AnalyteDetail, Scenario
from optimizer.scenario.instrument_data import Detector, GasSaver, Inlet
from optimizer.search.reasons import gas_per_run, warnings_of
from optimizer.show.console.candidates import candidate_lines
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


def choosing(**keys: object) -> Inlet:
    """A 40:1 inlet that may go down to 10:1."""
    return replace(
        Inlet(split_ratio=40.0, choose_split=True, min_split_ratio=10.0, max_total_flow=LIMIT),
        **keys,  # type: ignore[arg-type]
    )


@pytest.fixture(scope="module")
def chosen() -> tuple[Problem, SearchOutcome]:
    return made(choosing())


def test_a_chosen_ratio_makes_hydrogen_faster_than_helium(
    held: tuple[Problem, SearchOutcome], chosen: tuple[Problem, SearchOutcome]
) -> None:
    """At the stated 40:1 the total flow holds hydrogen down, and helium would be the gas to take."""
    problem, outcome = chosen
    helium = best(made(Inlet(split_ratio=40.0), "helium")[1])
    assert best(outcome) < helium < best(held[1])
    for each in outcome.candidates:
        split = chosen_split(problem.scenario, each.prediction)
        assert split is not None
        assert split.possible
        assert 10 <= split.ratio <= 40
        total = float(flow_mL_min(each.prediction.flow.max())) * (1 + split.ratio) + 3
        assert total <= 50 * (1 + 1e-6)
        assert largest_total_flow(problem.scenario, each.prediction) == pytest.approx(float(flow_si(total)))
        # The nearest whole ratio to the stated one: one more would be above the limit.
        assert split.ratio == 40 or total + float(flow_mL_min(each.prediction.flow.max())) > 50
    assert not any("would allow" in text for each in outcome.candidates for text in each.warnings)


def test_the_chosen_ratio_is_on_every_screen(chosen: tuple[Problem, SearchOutcome]) -> None:
    problem, outcome = chosen
    first = outcome.candidates[0]
    ratio = inlet_of(problem.scenario, first.prediction).split_ratio
    document = candidate_document(problem.scenario, outcome)["candidates"][0]["inlet_flows"]
    assert document["split_ratio"] == ratio
    assert document["chosen_split"]["lowest_by"] == "inlet.min_split_ratio"
    assert document["chosen_split"]["highest_by"] == "inlet.max_total_flow_mL_min"
    line = inlet_line(problem.scenario, first.prediction)
    assert line is not None
    assert dict(line.lines())["Split"].startswith(f"ratio {ratio:g}:1, ")
    assert "40:1 was scouted" in dict(line.lines())["Split ratio chosen"]
    assert any(
        f"split ratio {ratio:g}:1, chosen" in text for text in candidate_lines(problem.scenario, first)
    )


def test_capacity_and_detection_bound_the_choice(held: tuple[Problem, SearchOutcome]) -> None:
    """Own arithmetic: 45 ng at 40:1 are 1,845 ng injected, 60 ng of them at 29.75:1."""
    problem, outcome = held
    prediction = outcome.candidates[0].prediction
    names = problem.scenario.compounds
    free = choosing(max_total_flow=float(flow_si(500.0)))

    def ratio(amounts: tuple[float, ...], **changes: object) -> tuple[float, bool]:
        analytes = tuple(AnalyteDetail(n, amount=a) for n, a in zip(names, amounts, strict=False))
        scenario: Scenario = replace(problem.scenario, inlet=free, analytes=analytes, **changes)  # type: ignore[arg-type]
        split = chosen_split(scenario, prediction)
        assert split is not None
        return split.ratio, split.possible

    assert ratio((45.0, 2.0)) == (40.0, True)
    assert ratio((120.0, 2.0), capacity=60.0) == (81.0, True)  # 120 x 41/60 - 1 = 81
    assert ratio((121.0, 2.0), capacity=60.0) == (82.0, True)  # 81.7, upward
    assert ratio((45.0, 2.0), detector=Detector(min_amount=2.5)) == (
        31.0,
        True,
    )  # 2 x 41/2.5 - 1 = 31.8, downward
    both = ratio((120.0, 2.0), capacity=60.0, detector=Detector(min_amount=2.5))
    assert both == (81.0, False)


@pytest.mark.parametrize("row", rows("split"), ids=lambda row: f"{row['Fc_mL_min']} mL/min, {row['split']}:1")
def test_the_injected_band_is_that_of_a_table(row: dict[str, str]) -> None:
    """A plug of 0.4 mL at the reference state; own arithmetic, independent of this project."""
    flow = flow_for_band(0.4e-6, float(row["plug_sigma_s"]), 298.15, 101325.0)
    assert float(flow_mL_min(flow)) == pytest.approx(
        float(row["Fc_mL_min"]) * (1 + float(row["split"])), rel=1e-6
    )


def test_an_injected_band_holds_the_search(chosen: tuple[Problem, SearchOutcome]) -> None:
    """1 mL of vapour asks for more flow through the inlet than 50 mL/min: peaks must be wider."""
    problem, outcome = made(choosing(injected_volume=1e-6))
    first = outcome.candidates[0]
    assert best(outcome) > 1.02 * best(chosen[1])
    assert "injected band" in first.limited_by
    split = chosen_split(problem.scenario, first.prediction)
    assert split is not None
    assert split.possible
    flow = float(first.prediction.flow[0]) * (1 + split.ratio)
    there = flow * (523.15 / 298.15) * (101325.0 / float(first.prediction.inlet_pressure[0]))
    sigma = float(narrowest(problem.scenario, first.prediction.width_half))
    assert 1e-6 / (12**0.5 * there) <= 0.3 * sigma * (1 + 1e-3)


def test_a_gas_saver_counts(held: tuple[Problem, SearchOutcome]) -> None:
    """Of 2 mL/min at 40:1, 83 of 85 mL/min go by split and purge; from 2 min on 25 mL/min in all."""
    saver = Inlet(split_ratio=40.0, gas_saver=GasSaver(120.0, float(flow_si(20.0))))
    times, flow = np.array([0.0, 119.0, 120.0, 600.0]), np.full(4, float(flow_si(2.0)))
    assert flow_mL_min(saver.flow_taken(flow, times)) == pytest.approx([85.0, 85.0, 25.0, 25.0])
    problem, outcome = held
    prediction = outcome.candidates[0].prediction
    with_saver = replace(problem, scenario=replace(problem.scenario, inlet=saver))
    assert gas_per_run(with_saver, prediction) < gas_per_run(problem, prediction)
    line = inlet_line(with_saver.scenario, prediction)
    assert line is not None
    assert dict(line.lines())["Gas saver"] == "20 mL/min out of the split vent from 2 min"


def test_with_a_gas_saver_a_late_flow_ramp_is_not_held_to_the_split() -> None:
    """1 mL/min for 10 min at 40:1 is 44 mL/min; 3 mL/min after it would be 126, with the saver 26."""
    known = mixture(6, 1, 1)
    inlet = Inlet(split_ratio=40.0, max_total_flow=LIMIT)
    ramp = CarrierProgram(
        "flow", float(flow_si(1.0)), 600.0, (Ramp(float(flow_si(1.0)) / 60, float(flow_si(3.0))),)
    )
    batch = batch_of([Program(OvenProgram(400.0), ramp)])

    def margin(inlet: Inlet) -> float:
        problem = problem_of(replace(known.scenario, inlet=inlet), known.fit)
        at = problem.limit_names.index("total flow")
        return float(problem.assess(batch).limits[0, at])

    assert margin(inlet) == pytest.approx(1 - 126 / 50, abs=1e-6)
    late, early = GasSaver(120.0, float(flow_si(20.0))), GasSaver(660.0, float(flow_si(20.0)))
    assert margin(replace(inlet, gas_saver=late)) == pytest.approx(1 - 44 / 50, abs=1e-6)
    assert margin(replace(inlet, gas_saver=early)) == pytest.approx(1 - 85 / 50, abs=1e-6)  # 2 mL/min by then


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
    trials = {trial.change: trial for trial in trials_of(problem, closest, [])}
    trial = trials[f"a split ratio of {lower.ratio:g}:1 in place of 40:1"]
    assert trial.problem.scenario.inlet.split_ratio == lower.ratio
    assert trial.relaxes
    found = with_hydrogen(WhatIf("hydrogen", 300.0, 0.0, ""), problem.scenario, closest.prediction)
    assert lower.words in found.change
    assert problem_of(trial.problem.scenario, problem.fit).limit_names == trial.problem.limit_names
