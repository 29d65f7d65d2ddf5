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
from benchmarks.known_programs import Known, keep
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
    assert edit.after < edit.before == before.cost[0]


def test_the_better_program_is_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(known_programs, "BEST", tmp_path / "best.json")
    family = families_of(problem(False).scenario)[-1]
    program = known_programs.corners(family.batch(family.values(np.full((1, family.size), 0.5))))
    keep("a", Known(100.0, "judge", 5.0, program))
    keep("a", Known(90.0, "search", 0.0, program))
    keep("a", Known(95.0, "judge", 5.0, program))
    kept = known_programs.best_known()["a"]
    assert (kept.value, kept.by, kept.judged) == (90.0, "search", 10.0)
    assert kept.batch.size == 1


def test_a_stopped_section_goes_on(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    made: list[int] = []

    def measured(now: optimality.Yardstick, seconds: float, seed: int, **_: bool) -> optimality.Run:
        made.append(seed)
        return optimality.Run(60.0 + seed, 0.0, True, 66.0, seconds, 0.0)

    monkeypatch.setattr(optimality, "measured", measured)
    now = known_programs.Yardstick(SMALL, problem(False), "small", None)
    path = tmp_path / "runs.jsonl"
    first = optimality.Record(path).run(now, 1.0, 101, edited=False)
    again = optimality.Record(path)
    assert replace(again.run(now, 1.0, 101, edited=False), gain=0.0) == replace(first, gain=0.0)
    again.run(now, 1.0, 102, edited=False)
    assert made == [101, 102]
