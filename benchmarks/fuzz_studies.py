"""Shared studies for `benchmarks.fuzz`: spoilt files, and searches that are killed, crowded or out of room."""

from __future__ import annotations

import json
import math
import multiprocessing
import os
import random
import resource
import signal
import sqlite3
import sys
import tempfile
import time
import traceback
from collections.abc import Callable, Mapping
from contextlib import closing
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np

from benchmarks.fuzz_cases import Kind
from benchmarks.study_mutations import STUDY, mutated_study
from benchmarks.study_worker import NAME, Case
from models.errors import RampwrightError
from optimizer.base.interruption import stop_on_signals
from optimizer.goal.goal import Problem
from optimizer.search.descent import Descent
from optimizer.search.islands import search
from optimizer.search.program_space import families_of
from optimizer.search.study import open_study
from optimizer.search.study_place import study_place
from optimizer.search.study_records import Claim, End

CASE = Case("small", 10, 1)
BRIEFLY = 0.05  # s of a search that only has to meet what is in the file
LIMIT = 1800.0  # s for one case, after which it is taken to hang
PATIENCE = 600.0  # s within which a search ends that was given one or two, or was stopped
SIGNALS = ("SIGKILL", "SIGTERM", "SIGINT")
PLAN = "plan.json"


def kinds() -> list[Kind]:
    """All cases; those with processes of their own only where processes can be forked."""
    found = [Kind("file", {STUDY: _study()}, _opened, mutated_study)]
    if hasattr(os, "fork"):
        plans: dict[str, Callable[[random.Random], dict[str, object]]] = {
            "killed": lambda rng: {
                "stops": [[rng.choice(SIGNALS), rng.uniform(0, 1.5)] for _ in range(rng.choice((1, 2, 3)))]
            },
            "full": lambda rng: {"room": rng.randrange(0, 250_000)},
            "together": lambda rng: {"workers": 2, "stops": [[rng.choice(SIGNALS), rng.uniform(0, 1.5)]]},
        }
        reads = {"killed": _killed, "full": _full, "together": _together}
        found += [Kind(name, {PLAN: b""}, reads[name], _planned(plan), LIMIT) for name, plan in plans.items()]
        found.append(
            Kind("file", found[0].files, _opened, mutated_study)
        )  # these cost least, so they come twice
    return found


def _planned(
    plan: Callable[[random.Random], dict[str, object]],
) -> Callable[[random.Random, Mapping[str, bytes]], tuple[dict[str, bytes], list[str]]]:
    def spoil(rng: random.Random, files: Mapping[str, bytes]) -> tuple[dict[str, bytes], list[str]]:
        made = plan(rng)
        return {PLAN: json.dumps(made).encode()}, [str(made)]

    return spoil


@cache
def _problem() -> Problem:
    return CASE.problem


@cache
def _study() -> bytes:
    """The file of a study with ends of two workers, one start given up and one whose worker is no more."""
    problem, rng = _problem(), np.random.default_rng(1)
    families = families_of(problem.scenario)
    with tempfile.TemporaryDirectory() as name:
        place = study_place(str(Path(name) / STUDY))
        for worker in range(2):
            shared = open_study(place, NAME, problem, families)
            for n in range(6):
                number = (n + worker) % len(families)
                size = families[number].size
                chosen = n % 2 == 0
                claim = Claim(
                    number,
                    rng.random(size),
                    "class" if chosen else "sampler",
                    bytes([worker, n]) if chosen else None,
                    1.0 if chosen else None,
                )
                assert shared.claim(claim)
                descent = Descent(rng.random(size), 500.0 + n, 0.1 - 0.05 * n, 0.2, 0.0, 77, None)
                shared.end(End(descent, bytes([n, worker]), 64), 500.0 + n)
            if worker == 0:
                shared.claim(Claim(0, rng.random(families[0].size), "class", b"given up", 1.0))
                shared.leave()
        with closing(sqlite3.connect(Path(name) / STUDY)) as database:
            database.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        return (Path(name) / STUDY).read_bytes()


def _search(file: Path, seconds: float) -> None:
    problem = _problem()
    families = families_of(problem.scenario)
    found = search(
        problem, families, seconds, 1, shared=open_study(study_place(str(file)), NAME, problem, families)
    )
    if found.interrupted and not found.all():
        raise KeyboardInterrupt  # as the command does
    assert all(math.isfinite(each.descent.margin) for each in found.all())


def complete(file: Path) -> dict[int, str]:
    """The ends of all trials that are complete, by their ids; none of a file that cannot be read."""
    query = (
        "SELECT trial_id, value_json FROM trials JOIN studies USING (study_id) JOIN trial_user_attributes USING "
        "(trial_id) WHERE state = 'COMPLETE' AND key = 'end' AND study_name = ?"
    )
    try:
        with closing(sqlite3.connect(file)) as database:
            return dict(database.execute(query, (NAME,)).fetchall())
    except (sqlite3.Error, UnicodeDecodeError):
        return {}


def _opened(folder: Path) -> None:
    """What `optimize --study` does with a file: opened, searched on briefly; what was complete is so still."""
    file = folder / STUDY
    before = complete(file)
    try:
        _search(file, BRIEFLY)
    finally:
        _assert_kept(before, file)


def _assert_kept(before: dict[int, str], file: Path) -> None:
    after = complete(file)
    lost = [trial for trial in before if before[trial] != after.get(trial)]
    if lost:
        raise AssertionError(
            f"{len(lost)} of {len(before)} trials that were complete are so no longer: {lost[:5]}"
        )


@dataclass(frozen=True)
class _Worker:
    """A search in a process of its own, forked, and where it says how it ended."""

    process: multiprocessing.process.BaseProcess
    said: Path

    def ended(self, stopped: bool = False) -> str:
        """What it said; fails unless it ended in a way that is allowed."""
        self.process.join(PATIENCE)
        if self.process.is_alive():
            self.process.kill()
            self.process.join()
            raise AssertionError(f"still searching after {PATIENCE:g} s")
        code = self.process.exitcode
        said = self.said.read_text(encoding="utf-8") if self.said.exists() else ""
        allowed = {0, 2, *((130, 143, -signal.SIGKILL, -signal.SIGTERM, -signal.SIGINT) if stopped else ())}
        if code not in allowed or ("Traceback" in said):
            raise AssertionError(f"ended with {code}: {said[-1500:]}")
        return said


def _worker(file: Path, seconds: float, room: int | None = None) -> _Worker:
    said = file.parent / f"said_{time.monotonic_ns()}.txt"
    context = multiprocessing.get_context("fork")
    handles_signals = context.Event()
    process = context.Process(target=_work, args=(file, seconds, room, said, handles_signals.set))
    process.start()
    handles_signals.wait(PATIENCE)
    return _Worker(process, said)


def _work(file: Path, seconds: float, room: int | None, said: Path, begun: Callable[[], None]) -> None:
    """A search as the command makes it: deliberate errors become one message and exit status 2."""
    signal.setitimer(signal.ITIMER_REAL, 0)
    with said.open("w", encoding="utf-8", buffering=1) as out:
        os.dup2(out.fileno(), 2)
        sys.stderr = out
        try:
            stop_on_signals()
            begun()
            if room is not None:
                signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
                unlimited = resource.getrlimit(resource.RLIMIT_FSIZE)
                resource.setrlimit(resource.RLIMIT_FSIZE, (room, unlimited[1]))
            _search(file, seconds)
            code, told = 0, ""
        except RampwrightError as error:
            code, told = 2, f"rampwright: {error}\n"
        except KeyboardInterrupt:
            code, told = 130, ""
        except BaseException:
            code, told = 1, traceback.format_exc(limit=-6)
        if room is not None:  # this file, too, has no more room
            resource.setrlimit(resource.RLIMIT_FSIZE, unlimited)
        out.write(told)
        out.flush()
        os._exit(code)


def _plan(folder: Path) -> dict[str, object]:
    plan: dict[str, object] = json.loads((folder / PLAN).read_bytes())
    return plan


def _killed(folder: Path) -> None:
    """Searches stopped at some moment, then one that goes on to its end: nothing that was complete is lost."""
    file, stops = folder / STUDY, _plan(folder)["stops"]
    assert isinstance(stops, list)
    for name, after in stops:
        before = complete(file)
        worker = _worker(file, 60.0)
        time.sleep(after)
        if worker.process.pid is not None:
            os.kill(worker.process.pid, getattr(signal, name))
        said = worker.ended(stopped=True)
        if said:
            raise AssertionError(f"stopped by {name}, it said: {said}")
        _assert_kept(before, file)
    _goes_on(file)


def _goes_on(file: Path) -> None:
    """Another search on the study: it can be opened, nothing is lost, nothing runs for ever."""
    before = complete(file)
    said = _worker(file, 0.3).ended()
    if said:
        raise AssertionError(f"the study cannot be gone on with: {said}")
    _assert_kept(before, file)
    with closing(sqlite3.connect(file)) as database:
        query = "SELECT COUNT(*) FROM trials JOIN studies USING (study_id) WHERE state = 'RUNNING' AND study_name = ?"
        running = database.execute(query, (NAME,)).fetchone()[0]
        sound = database.execute("PRAGMA integrity_check").fetchone()[0]
    if running or sound != "ok":
        raise AssertionError(f"{running} trials are still running; integrity: {sound}")


def _full(folder: Path) -> None:
    """A disk without room: the search goes on by itself or is refused with a message; with room it goes on."""
    file, room = folder / STUDY, _plan(folder)["room"]
    assert isinstance(room, int)
    said = _worker(file, 0.5, room).ended()
    if said and (str(folder) not in said or len(said.strip().split("\n")) > 1):
        raise AssertionError(f"no one line that names the file: {said}")
    before = complete(file)
    _goes_on(file)
    _assert_kept(before, file)


def _together(folder: Path) -> None:
    """Two searches on one new study, one of them stopped."""
    file, ((name, after),) = folder / STUDY, _plan(folder)["stops"]  # type: ignore[misc]
    workers = [_worker(file, seconds) for seconds in (60.0, 1.0)]
    time.sleep(after)
    if workers[0].process.pid is not None:
        os.kill(workers[0].process.pid, getattr(signal, name))
    for worker in workers:
        said = worker.ended(stopped=worker is workers[0])
        if said:
            raise AssertionError(f"beside another, it said: {said}")
    _goes_on(file)
