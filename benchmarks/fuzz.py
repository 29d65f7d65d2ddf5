"""Readers held against spoilt files: `python -m benchmarks.fuzz --count 20000 [--seed 1] [--kind K] [--only READER]`.

Every case is a set of sound files with seeded changes, given to one reader. Allowed are success, and an error that is
meant for people: one to a few lines that name the file. Anything else is a finding and is printed. `--kind files`, the
usual one, spoils scenarios, peak tables, programs and candidates; `traces` recorded traces, alone and as runs of a
scenario; `studies` the files of shared studies, and the searches on them; `workbooks` workbooks as peak tables. `kills`
and `outputs` are commands that are killed while they write, or cannot; `page` requests to the live page; `meanings`
predictions held against what must be true of them.
"""

from __future__ import annotations

import argparse
import os
import random
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from benchmarks import (
    fuzz_files,
    fuzz_meanings,
    fuzz_outputs,
    fuzz_page,
    fuzz_studies,
    fuzz_traces,
    fuzz_workbooks,
)
from benchmarks.fuzz_cases import Kind, finding
from benchmarks.fuzz_files import SCENARIOS
from optimizer.app.interface import fit

KINDS: dict[
    str, tuple[Callable[[], list[Kind]], int]
] = {  # and how many cases are usual; what takes longest first
    "traces": (fuzz_traces.kinds, 10_000),
    "outputs": (fuzz_outputs.faulty, 200),
    "studies": (fuzz_studies.kinds, 500),
    "workbooks": (fuzz_workbooks.kinds, 1_000),
    "kills": (fuzz_outputs.killed, 200),
    "page": (fuzz_page.kinds, 2_000),
    "files": (fuzz_files.kinds, 20_000),
    "meanings": (fuzz_meanings.kinds, 2_000),
}


def cases(
    seed: int, count: int, readers: Sequence[Kind]
) -> Iterator[tuple[int, Kind, dict[str, bytes], list[str]]]:
    """Case number, reader, spoilt files, and what was done to them; the same for the same seed and files."""
    for number in range(count):
        rng = random.Random(f"{seed}/{number}")
        kind = readers[number % len(readers)]
        files, done = kind.spoil(rng, kind.files)
        yield number, kind, files, done


def main() -> int:
    """Run the cases; exit status 1 when there are findings."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--kind", choices=[*KINDS, "all"], default="files", help="what is spoilt")
    usual = ", ".join(f"{count} {kind}" for kind, (_, count) in KINDS.items())
    options.add_argument("--count", type=int, help=f"unless stated {usual}")
    options.add_argument("--first", type=int, default=0, help="number of the first case")
    options.add_argument("--seed", type=int, default=1, help="1 unless stated, with --kind all a new one")
    options.add_argument("--only", help="one reader alone")
    options.add_argument("--keep", type=Path, help="folder to write the files of findings into")
    asked = options.parse_args()
    if asked.kind != "all":
        return _run(asked, options.error)
    if "--seed" not in sys.argv:
        asked.seed = random.SystemRandom().randrange(10**6)
    print(f"seed {asked.seed}", flush=True)
    return _every_kind(asked)


def _every_kind(asked: argparse.Namespace) -> int:
    """All kinds, as many at once as there are cores, each in a process of its own."""
    given = {"--seed": asked.seed, "--count": asked.count, "--first": asked.first, "--keep": asked.keep}
    options = [str(each) for key, value in given.items() if value is not None for each in (key, value)]

    fit(
        SCENARIOS / "slow_isothermal"
    )  # compiles the engine, which would count in the limits of the first cases

    def run(kind: str) -> int:
        command = [sys.executable, "-m", "benchmarks.fuzz", "--kind", kind, *options]
        done = subprocess.run(
            command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, check=False
        )
        print(f"{kind}:\n{done.stdout}", flush=True)
        return done.returncode

    with ThreadPoolExecutor(os.cpu_count()) as pool:
        return max(pool.map(run, KINDS))


def _run(asked: argparse.Namespace, refuse: Callable[[str], object]) -> int:
    made, usual = KINDS[asked.kind]
    count = usual if asked.count is None else asked.count
    readers = made()
    if asked.only is not None:
        names = [each.name for each in readers]
        if asked.only not in names:
            refuse(f"--only: {asked.only!r} is none of {', '.join(names)}")
        readers = [readers[names.index(asked.only)]]
    began, slowest = time.perf_counter(), (0.0, -1)
    ends: Counter[str] = Counter()
    found: dict[str, list[int]] = {}
    for number, kind, files, done in cases(asked.seed, asked.first + count, readers):
        if number < asked.first:
            continue
        with tempfile.TemporaryDirectory(prefix="fuzz-") as name:
            before = time.perf_counter()
            end, wrong = finding(kind, files, Path(name))
            slowest = max(slowest, (time.perf_counter() - before, number))
        ends[end] += 1
        if wrong is None:
            continue
        signature = wrong.replace(name, "").strip().split("\n")[-1][:100]
        found.setdefault(signature, []).append(number)
        if len(found[signature]) == 1:
            print(f"case {number} ({kind.name}; {', '.join(done)}): {wrong[:3000]}", flush=True)
            if asked.keep is not None:
                (asked.keep / str(number)).mkdir(parents=True, exist_ok=True)
                for file, content in files.items():
                    (asked.keep / str(number) / file).write_bytes(content)
    longest, which = slowest
    seconds = time.perf_counter() - began
    print(f"{count} cases in {seconds:.0f} s, slowest {longest:.2f} s (case {which}): {dict(ends)}")
    for signature, numbers in found.items():
        print(f"{len(numbers)} times: {signature} (cases {', '.join(map(str, numbers[:5]))})")
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main())
