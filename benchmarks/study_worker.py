"""One worker on a shared study of a synthetic mixture: a process for tests and benchmarks to start, and to kill.

`python -m benchmarks.study_worker KIND COMPOUNDS SEED SECONDS NAME [TARGET]`, the study's place in RAMPWRIGHT_STUDY.
It says "ready", begins with the first line it is sent, ends after the time, with a signal or with a descent that
reaches the target, and prints what it found as JSON.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from benchmarks.mixtures import mixture
from optimizer.base.clock import now
from optimizer.base.interruption import stop_on_signals
from optimizer.goal.goal import Problem
from optimizer.search.islands import search
from optimizer.search.program_space import families_of
from optimizer.search.study import SharedStudy, open_study
from optimizer.search.study_place import VARIABLE, study_place
from optimizer.search.study_records import End

ROOT = Path(__file__).parents[1]
NAME = "mixture"
CONSTANT = ("constant flow", "constant pressure")
# Kinds of mixtures: ramps, scatter of ln theta, resolution asked for, carrier modes.
KINDS = {
    "small": (2, 0.08, 1.5, CONSTANT),
    "crowded": (3, 0.06, 0.8, CONSTANT),
    "ramped": (2, 0.12, 1.5, (*CONSTANT, "flow program", "pressure program")),
}


@dataclass(frozen=True)
class Case:
    """A mixture to be searched."""

    kind: str
    compounds: int
    seed: int

    @property
    def problem(self) -> Problem:
        """It and what is asked of it."""
        ramps, crossing, needed, modes = KINDS[self.kind]
        return mixture(self.compounds, self.seed, ramps, crossing, needed, modes)


def main() -> None:
    """Search as told."""
    stop_on_signals()
    case = Case(sys.argv[1], int(sys.argv[2]), int(sys.argv[3]))
    seconds, name = float(sys.argv[4]), sys.argv[5]
    problem = case.problem
    families = families_of(problem.scenario)
    target = float(sys.argv[6]) if len(sys.argv) > 6 else None
    print("ready", flush=True)
    sys.stdin.readline()
    began = time.process_time()
    shared = open_study(study_place(os.environ[VARIABLE], typed=False), name, problem, families)
    if target is not None:
        _stop_at(target, shared)
    # Against a target it is the processor's time that counts: others may be at work on this machine.
    clock = now if target is None else time.process_time
    found = search(problem, families, seconds, 1, clock=clock, shared=shared)
    assert found.study is not None
    best = found.all()[0]
    print(
        json.dumps(
            {
                "worker": found.study.worker,
                "own": found.study.own,
                "unstored": found.study.unstored,
                "feasible": best.feasible,
                "best": best.descent.cost,
                "reached": target is not None and best.descent.cost <= target,
                "processor": time.process_time() - began,
            }
        )
    )


def _stop_at(target: float, shared: SharedStudy) -> None:
    """End the search, as a Ctrl-C would, with the first descent that reaches a target."""
    end = shared.end

    def end_or_stop(found: End, value: float) -> None:
        end(found, value)
        if value <= target:
            raise KeyboardInterrupt

    shared.end = end_or_stop  # type: ignore[method-assign]


def started(
    place: str,
    case: Case,
    seconds: float,
    environment: Mapping[str, str],
    name: str = NAME,
    *target: float,
    before: str = "",
) -> subprocess.Popen[str]:
    """A worker process that is ready to begin; `before` is code that runs before anything else of it."""
    process = subprocess.Popen(
        [
            sys.executable,
            "-c",
            before + "from benchmarks.study_worker import main; main()",
            *map(str, (case.kind, case.compounds, case.seed, seconds, name, *target)),
        ],
        cwd=ROOT,
        env={**os.environ, "OMP_NUM_THREADS": "1", **environment, VARIABLE: place},
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    process.stdout.readline()
    return process


def begin(process: subprocess.Popen[str]) -> None:
    """Let a ready worker begin."""
    assert process.stdin is not None
    process.stdin.write("go\n")
    process.stdin.flush()


if __name__ == "__main__":
    main()
