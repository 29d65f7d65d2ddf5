"""Many workers on one study: how much sooner they reach what one finds, and what the storage costs.

Workers are processes of this machine on one PostgreSQL server, which runs here too. With more workers than cores they
share the cores, so races are timed by what the workers spend of their processors.
"""

from __future__ import annotations

import json
import os
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from benchmarks.postgres_server import PASSWORD, NoServer, Server, server
from benchmarks.shares import share
from benchmarks.study_worker import Case, begin, started
from optimizer.search.islands import search
from optimizer.search.program_space import families_of
from optimizer.search.study import open_study
from optimizer.search.study_place import StudyPlace, study_place
from tests.optimizer.studies import complete, repeated, trials_of

CASES = (
    *(Case("crowded", 40, seed) for seed in (1, 2, 3)),
    *(Case("ramped", 20, seed) for seed in (1, 2, 3)),
)
SAMPLE_CASES = CASES[::3]
OTHER_SEED = 101  # of the single search: not one that a worker has
BUDGET = 20.0  # s, of the single search whose optimum is to be reached
WITHIN = 1.01
LONGEST = 2.0  # times the budget, after which workers are stopped
WORKERS = (1, 2, 4)
OVERHEAD_SECONDS, OVERHEAD_ROUNDS, SAMPLE_ROUNDS = 10.0, 3, 2


@dataclass(frozen=True)
class Race:
    """A number of workers on a new study.

    Attributes
    ----------
    seconds : float or None  [s], of its processor that the worker spent which reached the target; None if none did
    descents : int, of all workers until then
    repeated : int, descents into a class that another worker had taken with a start as good
    """

    seconds: float | None
    descents: int
    repeated: int


def raced(running: Server, workers: int, case: Case, target: float, longest: float) -> Race:
    """Let workers search until one reaches the target or their time is over."""
    name = f"{case.kind} {case.seed} {workers}"
    password = {"PGPASSWORD": PASSWORD}
    processes = [started(running.url, case, longest, password, name, target) for _ in range(workers)]
    reached = None
    try:
        for process in processes:
            begin(process)
        left = list(processes)
        while left and reached is None:
            time.sleep(0.05)
            for process in [each for each in left if each.poll() is not None]:
                left.remove(process)
                out, complaint = process.communicate()
                if process.returncode != 0:
                    raise RuntimeError(complaint)
                told = json.loads(out)
                if told["reached"]:
                    reached = float(told["processor"])
    finally:
        for process in processes:
            process.kill()
            process.communicate()
    trials = trials_of(study_place(running.url), name)
    return Race(reached, len(complete(trials)), len(repeated(trials)))


@contextmanager
def _password_set() -> Iterator[None]:
    before = os.environ.get("PGPASSWORD")
    os.environ["PGPASSWORD"] = PASSWORD
    try:
        yield
    finally:
        if before is None:
            del os.environ["PGPASSWORD"]
        else:
            os.environ["PGPASSWORD"] = before


def descents_done(seconds: float, place: StudyPlace | None, name: str) -> int:
    """Descents of one worker in a time, its study kept at a place or in memory."""
    problem = CASES[3].problem
    families = families_of(problem.scenario)
    shared = None if place is None else open_study(place, name, problem, families)
    done = 0

    def count(share: float, text: str) -> None:
        nonlocal done
        done += text.startswith("best")

    search(problem, families, seconds, 1, count, shared=shared)
    return done


def overhead(running: Server, rounds: int) -> list[str]:
    """Lines on what storages cost: memory, file and server in turn."""
    done: dict[str, list[int]] = {"memory": [], "SQLite": [], "PostgreSQL": []}
    with tempfile.TemporaryDirectory() as folder:
        for number in range(rounds):
            places = {
                "memory": None,
                "SQLite": study_place(str(Path(folder) / f"{number}.db")),
                "PostgreSQL": study_place(running.url),
            }
            for kind, place in places.items():
                done[kind].append(descents_done(OVERHEAD_SECONDS, place, f"overhead {number}"))
    lines = [
        f"Descents of one worker in {OVERHEAD_SECONDS:g} s (20 compounds with carrier ramps, mean of {rounds} in "
        "turn):",
        "",
        "| study kept in | descents | share of memory's |",
        "|---|---|---|",
    ]
    base = float(np.mean(done["memory"]))
    lines += [
        f"| {kind} | {np.mean(counts):.0f} | {100 * np.mean(counts) / base:.0f} % |"
        for kind, counts in done.items()
    ]
    return lines


def run(sample: bool) -> str:
    """A section of benchmarks/RESULTS.md."""
    head = "## Many workers, one study\n\n"
    try:
        with server() as running, _password_set():
            descents_done(0.1, study_place(running.url), "tables")  # a lab's server has its tables already
            lines = _races(running, SAMPLE_CASES if sample else CASES)
            lines += [
                "",
                *overhead(running, SAMPLE_ROUNDS if sample else OVERHEAD_ROUNDS),
            ]
    except NoServer as missing:
        return f"{head}Not measured: {missing}.\n"
    print("\n".join(lines), flush=True)
    return head + "\n".join(lines) + "\n"


def _races(running: Server, cases: Sequence[Case]) -> list[str]:
    races: dict[int, list[Race]] = {workers: [] for workers in WORKERS}
    for case in cases:
        problem = case.problem
        best = search(
            problem, families_of(problem.scenario), BUDGET, OTHER_SEED, clock=time.process_time
        ).all()[0]
        if not best.feasible:
            continue
        for workers in WORKERS:
            races[workers].append(raced(running, workers, case, WITHIN * best.descent.cost, LONGEST * BUDGET))
            print(case, workers, races[workers][-1], flush=True)
    counted = len(races[WORKERS[0]])
    lines = [
        f"{counted} mixtures: 40 crowded compounds with up to three ramps, or 20 with carrier ramps. A single search "
        f"in memory of {BUDGET:g} s gives the optimum; then workers begin together on a new PostgreSQL study until one "
        f"is within {100 * (WITHIN - 1):.0f} % of it, for at most {LONGEST * BUDGET:g} s (what was not reached counts "
        f"as that). This machine has {os.cpu_count()} cores and other work, so time is what the worker that got there "
        "spent of its processor, opening the study and screening included: what it takes where each has a core of its "
        "own, but for waiting for the server.",
        "",
        "| workers | reached | time to it, geometric mean, s | sooner than one worker by | descents of all until then, "
        "geometric mean | classes done twice |",
        "|---|---|---|---|---|---|",
    ]
    times = {
        workers: np.array(
            [LONGEST * BUDGET if race.seconds is None else race.seconds for race in races[workers]]
        )
        for workers in WORKERS
    }
    for workers, each in races.items():
        if not each:
            continue
        ratio = float(np.exp(np.mean(np.log(times[WORKERS[0]] / times[workers]))))
        lines.append(
            f"| {workers} | {share(sum(race.seconds is not None for race in each), counted)} of {counted} | "
            f"{np.exp(np.mean(np.log(times[workers]))):.1f} | {ratio:.2f} x | "
            f"{np.exp(np.mean(np.log([race.descents for race in each]))):.0f} | {sum(race.repeated for race in each)} |"
        )
    return lines
