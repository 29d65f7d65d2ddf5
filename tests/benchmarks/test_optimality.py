"""The judge of the search: what it takes for a program's cost and margin, what it finds, and edits by hand."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from benchmarks import known_programs, optimality
from benchmarks.fitted_problems import CASES, fitted
from benchmarks.hand_edits import best_edit
from benchmarks.judge import Judge, by_cost, by_resolution, judged_programs
from benchmarks.known_programs import Yardstick
from models.column.programs import CarrierProgram, OvenProgram, Program, Ramp, batch_of
from models.units import flow_si, kelvin
from optimizer.goal.goal import Problem
from optimizer.search.descent import judgement
from optimizer.search.found import FEASIBLE
from optimizer.search.program_space import families_of

SMALL = replace(CASES[0], ramps=1)


@cache
def problem(robust: bool) -> Problem:
    return fitted(replace(SMALL, robust=robust), 1.5)


@pytest.mark.parametrize("robust", [False, True])
def test_judge_and_search_mean_the_same_by_cost_and_margin(robust: bool) -> None:
    asked = problem(robust)
    family = families_of(asked.scenario)[-1]
    rng = np.random.default_rng(1)
    batch = family.batch(family.values(family.ordered(rng.random((20, family.size)))))
    judged = judged_programs(asked, batch)
    for n in range(20):
        one = judgement(asked, batch[n : n + 1])
        assert judged.cost[n] == pytest.approx(one.cost, rel=1e-9)
        assert judged.margin[n] >= FEASIBLE if one.margin >= FEASIBLE else judged.margin[n] < FEASIBLE


def test_no_program_of_many_beats_the_judge() -> None:
    asked = problem(False)
    best = Judge(asked).run(2.0)
    family = families_of(asked.scenario)[-1]
    z = family.ordered(np.random.default_rng(2).random((20000, family.size)))
    judged = judged_programs(asked, family.batch(family.values(z)))
    assert best.key <= by_cost(judged).min()
    at = judged_programs(asked, best.family.batch(best.family.values(best.z[None])))
    assert by_cost(at)[0] == pytest.approx(best.key)


def test_draws_are_not_made_of_programs_that_cannot_win() -> None:
    asked = problem(True)
    family = families_of(asked.scenario)[-1]
    z = family.ordered(np.random.default_rng(3).random((30, family.size)))
    batch = family.batch(family.values(z))
    exact = judged_programs(asked, batch)
    bound = judged_programs(asked, batch, could_win=lambda nominal: np.zeros(30, dtype=bool))
    assert (by_cost(bound) <= by_cost(exact) + 1e-9).all()
    assert (by_resolution(bound) <= by_resolution(exact) + 1e-9).all()


def test_a_long_last_hold_is_found_by_an_edit() -> None:
    """Ten empty minutes are ended by hand."""
    asked = problem(False)
    asked = replace(
        asked, scenario=replace(asked.scenario, search=replace(asked.scenario.search, max_ramps=2))
    )
    oven = OvenProgram(kelvin(50.0), 60.0, (Ramp(10 / 60, kelvin(180.0), 7200.0),))
    program = Program(oven, CarrierProgram("flow", float(flow_si(1.2))))
    before = judged_programs(asked, batch_of([program]))
    assert before.margin[0] >= FEASIBLE
    edit = best_edit(asked, program, float(before.cost[0]))
    assert edit.gain > 0.1
    assert edit.after < edit.before <= before.cost[0]


@pytest.fixture
def now(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Yardstick:
    """A problem of which nothing is known yet."""
    monkeypatch.setattr(known_programs, "BEST", tmp_path / "best.json")
    return Yardstick(SMALL, problem(False), "small")


def test_the_best_program_is_kept(now: Yardstick) -> None:
    good = Judge(now.problem).run(1.0)
    z = good.family.ordered(np.random.default_rng(4).random((2000, good.family.size)))
    keys = by_cost(judged_programs(now.problem, good.family.batch(good.family.values(z))))
    slower, failing = (replace(good, z=z[at]) for at in (keys.argmin(), keys.argmax()))
    assert now.keep(failing, "search") == np.inf == now.cost
    first = now.keep(slower, "search", 2.0)
    best = now.keep(good, "judge", 3.0)
    now.keep(slower, "search", 4.0)
    assert now.known is not None
    assert (now.known.by, now.known.judged) == ("judge", 9.0)
    assert best == now.cost < first


def test_a_kept_program_is_found_in_its_family(now: Yardstick) -> None:
    modes = ("constant flow", "flow program")
    search = replace(now.problem.scenario.search, carrier_modes=modes, max_ramps=3)
    ramped = replace(now.problem, scenario=replace(now.problem.scenario, search=search))
    rng = np.random.default_rng(5)
    for family in families_of(ramped.scenario):
        z = family.ordered(rng.random(family.size))
        found = known_programs.member_of(ramped, family.batch(family.values(z[None])))
        assert found is not None
        assert found.family.name == family.name
        assert found.z == pytest.approx(z, abs=1e-9)


def test_a_stopped_section_goes_on(now: Yardstick, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    made: list[int] = []

    def measured(now: Yardstick, seconds: float, seed: int, **_: bool) -> optimality.Run:
        made.append(seed)
        return optimality.Run(60.0 + seed, 0.0, True, 66.0, seconds, 0.0)

    monkeypatch.setattr(optimality, "measured", measured)
    path = tmp_path / "runs.jsonl"
    first = optimality.Record(path).run(now, 1.0, 101, edited=False)
    again = optimality.Record(path)
    assert replace(again.run(now, 1.0, 101, edited=False), gain=0.0) == replace(first, gain=0.0)
    again.run(now, 1.0, 102, edited=False)
    assert made == [101, 102]
