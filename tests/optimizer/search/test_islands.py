"""Islands on several cores: the same programs as on one, an end when asked, and nothing left running."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from itertools import count
from pathlib import Path

import numpy as np
import pytest

from benchmarks.mixtures import mixture
from optimizer.base.clock import ROUND, rounds_counted
from optimizer.base.interruption import stopped_by
from optimizer.base.processes import Apart, Here, LostWorkerError, end_early, start_early
from optimizer.goal.goal import Problem
from optimizer.search.found import Searched
from optimizer.search.islands import ALONE, ISLANDS, LEAST_SCREENED, SCREENED, STEPS, island_work, search
from optimizer.search.program_space import families_of
from tests.optimizer.workers import echo

ROOT = Path(__file__).parents[3]
HANG = 300.0  # s
ROUNDS = 3 * STEPS * ISLANDS + 2  # three exchanges, and a last one that is not whole


@pytest.fixture(scope="module")
def problem() -> Problem:
    return mixture(6, 1, 1)


def after_rounds(problem: Problem, rounds: int = ROUNDS, seed: int = 1) -> Searched:
    with rounds_counted():
        return search(problem, families_of(problem.scenario), ROUND * rounds, seed, cores=1)


@pytest.fixture(scope="module")
def on_one(problem: Problem) -> Searched:
    return after_rounds(problem)


def programs(found: Searched) -> list[tuple[str, float, bytes]]:
    return [(each.family.name, each.descent.cost, each.descent.z.tobytes()) for each in found.all()]


def test_cores_do_not_change_what_is_found(problem: Problem, on_one: Searched) -> None:
    """And objects from another process are equal at best; what follows tells families apart by identity."""
    families = families_of(problem.scenario)
    with rounds_counted():
        again = search(problem, families, ROUND * ROUNDS, 1, cores=3)  # of four islands one has two
    assert programs(again) == programs(on_one)
    assert again.programs == on_one.programs
    assert all(any(each.family is family for family in families) for each in again.all())


def test_another_seed_finds_others(problem: Problem) -> None:
    one, other = (programs(after_rounds(problem, STEPS, seed)) for seed in (1, 2))
    assert one
    assert one != other


@pytest.mark.parametrize("cores", [1, 2])
def test_another_thread_stops_it_and_the_best_is_kept(problem: Problem, cores: int) -> None:
    stop, told = threading.Event(), []

    def asking(share: float, text: str) -> None:
        told.append(text)
        if "best so far" in text:
            stop.set()

    with stopped_by(stop):
        found = search(problem, families_of(problem.scenario), 1e9, 1, asking, lambda: 0.0, cores=cores)
    assert found.interrupted
    assert sum("best so far" in text for text in told) == 1
    assert found.all()


def test_time_ends_it_between_exchanges(problem: Problem) -> None:
    looks = count()
    found = search(
        problem, families_of(problem.scenario), 100.0, 1, clock=lambda: float(next(looks)), cores=2
    )
    assert not found.interrupted
    assert next(looks) == 101


def test_without_anything_feasible_it_ends_sooner(problem: Problem) -> None:
    far = np.full(len(problem.pairs.needed), 1e3)
    hopeless = mixture(6, 1, 1)
    object.__setattr__(hopeless, "pairs", type(problem.pairs)(problem.pairs.index, far))
    with rounds_counted():
        found = search(hopeless, families_of(problem.scenario), 100 * ROUND, 1, cores=1, without=24 * ROUND)
        from optimizer.base.clock import now

        assert now() == 24 * ROUND
    assert not found.all()[0].feasible


class Starting(Here):
    """A worker that takes a number of looks to start."""

    looks = 0

    def answer(self, seconds: float) -> tuple[int, object] | None:
        self.looks -= 1
        return None if self.looks >= 0 else super().answer(seconds)


@pytest.mark.parametrize(("start", "counted"), [(1, 2), (10, 11), (100, 20)])
def test_the_start_of_processes_is_no_time_in_which_nothing_was_found(
    problem: Problem, monkeypatch: pytest.MonkeyPatch, start: int, counted: int
) -> None:
    """Up to half of that time."""
    far = np.full(len(problem.pairs.needed), 1e3)
    hopeless = mixture(6, 1, 1)
    object.__setattr__(hopeless, "pairs", type(problem.pairs)(problem.pairs.index, far))
    monkeypatch.setattr(Starting, "looks", start)
    monkeypatch.setattr("optimizer.search.islands.Here", Starting)
    looks = count()
    clock = lambda: float(next(looks))  # noqa: E731
    found = search(hopeless, families_of(problem.scenario), 45.0, 1, clock=clock, cores=1, without=40.0)
    assert next(looks) - 1 == 40 + counted
    assert found.late == counted


def test_a_search_goes_on_with_the_first_that_meets_the_goal(problem: Problem) -> None:
    """Not only once islands have told each other of it."""
    families, told, looks = families_of(problem.scenario), [], count()
    screened = len(families) * SCREENED // LEAST_SCREENED
    search(
        problem,
        families,
        300.0,
        1,
        lambda _, text: told.append(text),
        lambda: float(next(looks)),
        cores=1,
        without=screened + STEPS + 1.0,
    )
    assert next(looks) - 1 == 300
    assert any("min" in text for text in told[: screened + STEPS])


def test_processes_that_were_started_early_are_the_workers(monkeypatch: pytest.MonkeyPatch) -> None:
    started = []

    class Noted(subprocess.Popen):
        def __init__(self, *arguments, **keys) -> None:
            super().__init__(*arguments, **keys)
            started.append(self)

    monkeypatch.setattr(subprocess, "Popen", Noted)
    start_early(3, "optimizer.search.islands")
    start_early(2, "optimizer.search.islands")
    assert len(started) == 3
    workers = Apart(echo, ["a", "b"])
    try:
        assert {workers.answer(HANG)[1] for _ in range(2)} == {each.pid for each in started[1:]}
    finally:
        workers.end()
        end_early()
    assert len(started) == 3
    assert all(each.returncode is not None for each in started)


def test_a_short_search_starts_no_process(problem: Problem, monkeypatch: pytest.MonkeyPatch) -> None:
    def started() -> None:
        raise AssertionError("a process was started")

    monkeypatch.setattr("optimizer.base.processes._started", started)
    with rounds_counted():
        assert search(problem, families_of(problem.scenario), ALONE / 2, 1, cores=2).all()


def test_workers_answer_fail_and_die_one_by_one() -> None:
    workers = Apart(echo, ["a", "b", "c"])
    try:
        pids = dict(workers.answer(HANG) for _ in range(3))
        assert len({*pids.values(), os.getpid()}) == 4
        workers.order(1, "hello")
        assert workers.answer(HANG) == (1, "hello")
        assert workers.answer(0.0) is None
        workers.order(0, "fail")
        with pytest.raises(ValueError, match="a"):
            workers.answer(HANG)
        workers.order(2, "die")
        lost = []
        while not any("status 7" in each for each in lost):
            with pytest.raises(LostWorkerError) as caught:
                workers.answer(HANG)
            lost.append(str(caught.value))
    finally:
        workers.end()
    assert not any(alive(pid) for pid in pids.values())


def dying(given, orders):
    """The work of islands; the second core's process ends by itself in the second exchange."""
    ended = 0
    for answer in island_work(given, orders):
        ended += answer.ended is not None
        if 1 in given.islands and ended > 2 * STEPS:
            os._exit(7)
        yield answer


def dead(given, orders):
    os._exit(7)
    yield


def test_a_lost_worker_keeps_what_was_found(problem: Problem, monkeypatch: pytest.MonkeyPatch) -> None:
    families, told, stop, answers = families_of(problem.scenario), [], threading.Event(), count(1)

    def one(share: float, text: str) -> None:
        if "best so far" in text and next(answers) == STEPS * ISLANDS:
            stop.set()

    with rounds_counted(), stopped_by(stop):
        one_exchange = search(problem, families, ROUND * ROUNDS, 1, one, cores=1)
    monkeypatch.setattr("optimizer.search.islands.island_work", dying)
    with rounds_counted():
        found = search(problem, families, ROUND * ROUNDS, 1, lambda _, text: told.append(text), cores=2)
    assert found.interrupted
    assert "status 7" in told[-1]
    best = {each.family.name: each.descent.cost for each in reversed(found.all()) if each.feasible}
    known = {each.family.name: each.descent.cost for each in reversed(one_exchange.all()) if each.feasible}
    assert known
    assert all(best[name] <= cost for name, cost in known.items())
    assert found.programs >= one_exchange.programs


def test_workers_lost_before_anything_is_found_are_an_error(
    problem: Problem, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("optimizer.search.islands.island_work", dead)
    with rounds_counted(), pytest.raises(LostWorkerError, match="status 7"):
        search(problem, families_of(problem.scenario), ROUND * ROUNDS, 1, cores=2)


def alive(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    return True


PARENT = """
import os, signal, sys, threading
from optimizer.base.processes import Apart
from tests.optimizer.workers import echo
workers = Apart(echo, [1, 2])
print(*[workers.answer(100.0)[1] for _ in range(2)], flush=True)
os.kill(os.getpid(), signal.SIGKILL)
"""


@pytest.mark.skipif(os.name != "posix", reason="NOT TESTED: there is no SIGKILL")
def test_no_worker_outlives_its_parent() -> None:
    done = subprocess.run(
        [sys.executable, "-c", PARENT], cwd=ROOT, capture_output=True, text=True, check=False, timeout=HANG
    )
    assert done.returncode == -signal.SIGKILL
    pids = [int(each) for each in done.stdout.split()]
    assert len(pids) == 2
    until = time.monotonic() + HANG
    while any(alive(pid) for pid in pids):
        assert time.monotonic() < until
        time.sleep(0.05)
