"""`optimize` within its budget, on any number of cores, and ended by another thread."""

from __future__ import annotations

import subprocess
import threading
from dataclasses import replace
from itertools import count
from pathlib import Path

import pytest

import rampwright as rw
from models.errors import InvalidInputError
from optimizer.base.clock import REPORT, left_of, wall
from optimizer.methods.workflow import optimize
from tests.optimizer.bad_inputs import write_good_scenario
from tests.optimizer.command import call
from tests.optimizer.searches import STEP

BUDGET = 130 * STEP  # s, long enough for islands
OVER = 1.1  # what of a budget may be spent


@pytest.fixture(scope="module")
def fitted(tmp_path_factory: pytest.TempPathFactory) -> rw.Fitted:
    folder = tmp_path_factory.mktemp("budget") / "five"
    write_good_scenario(folder)
    return rw.fit(rw.load_scenario(folder))


def goal(fitted: rw.Fitted, **changes: object):
    scenario = fitted.scenario
    return replace(scenario, goal=replace(scenario.goal, **changes))


@pytest.mark.parametrize(
    "changes", [{}, {"front_points": 4}, {"min_resolution": 20.0}], ids=["search", "front", "what-ifs"]
)
def test_all_of_it_shares_the_budget(fitted: rw.Fitted, changes: dict[str, object]) -> None:
    began = wall()
    _, outcome = optimize(goal(fitted, **changes), fitted.fit, BUDGET)
    spent = wall() - began
    assert BUDGET / 2 < spent < OVER * BUDGET
    assert outcome.feasible == ("min_resolution" not in changes)
    assert bool(outcome.front) == ("front_points" in changes)
    assert bool(outcome.what_ifs) == ("min_resolution" in changes)


def test_a_report_is_as_slow_as_what_came_before(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("optimizer.base.clock.perf_counter", lambda: 107.0)
    assert left_of(20.0, 105.0) == pytest.approx(20.0 - 2.0 - 2.0 * REPORT)
    assert left_of(20.0, 95.0) == 10.0  # half is for the search, whatever the rest takes


@pytest.mark.parametrize(
    ("options", "left"), [(["--seconds", "40"], 40.0), ([], 20.0), (["--rounds", "9"], None)]
)
def test_the_budget_of_a_command_begins_with_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, options: list[str], left: float | None
) -> None:
    write_good_scenario(tmp_path / "five")
    given: list[float | None] = []

    def noted(*_: object, seconds: float | None, **__: object) -> None:
        given.append(seconds)
        raise InvalidInputError("enough")

    monkeypatch.setattr("optimizer.app.interface.optimize", noted)
    looks = count()
    monkeypatch.setattr("optimizer.base.clock.perf_counter", lambda: float(next(looks)))  # s a look
    assert call(monkeypatch, "optimize", tmp_path / "five", "--out", tmp_path / "out", *options) == 2
    assert given == [None if left is None else pytest.approx(left - 1 - REPORT)]


def test_processes_without_work_end_with_their_command(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_good_scenario(tmp_path / "five")
    started = []

    class Noted(subprocess.Popen):
        def __init__(self, *arguments, **keys) -> None:
            super().__init__(*arguments, **keys)
            started.append(self)

    def refused(*_: object, **__: object) -> None:
        raise InvalidInputError("enough")

    monkeypatch.setattr(subprocess, "Popen", Noted)
    monkeypatch.setattr("optimizer.app.interface.optimize", refused)
    options = ("--seconds", "40", "--cores", "2")
    assert call(monkeypatch, "optimize", tmp_path / "five", "--out", tmp_path / "out", *options) == 2
    assert len(started) == 2
    assert all(each.returncode is not None for each in started)


def test_cores_do_not_change_candidates(fitted: rw.Fitted) -> None:
    told: list[str] = []
    one, two = (
        rw.optimize(fitted, rounds=40, cores=cores, progress=lambda _, text: told.append(text))
        for cores in (1, 2)
    )
    assert one.feasible
    assert [each.prediction.program for each in one.candidates] == [
        each.prediction.program for each in two.candidates
    ]
    assert told[-2:] == ["rounding to the instrument's steps", "what another injection is worth"]


def test_another_thread_stops_it(fitted: rw.Fitted) -> None:
    stop = threading.Event()

    def asking(share: float, text: str) -> None:
        if text.startswith("best so far") and "min" in text:
            stop.set()

    made = rw.optimize(fitted, rounds=10_000, cores=1, stop=stop, progress=asking)
    assert made.outcome.interrupted
    assert made.candidates


def test_no_cores_are_too_few(fitted: rw.Fitted) -> None:
    with pytest.raises(InvalidInputError, match="cores = 0: expected at least 1"):
        rw.optimize(fitted, cores=0)
