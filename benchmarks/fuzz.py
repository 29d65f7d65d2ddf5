"""Readers held against spoilt files: `python -m benchmarks.fuzz --count 20000 [--seed 1] [--only KIND]`.

Every case is a file set of the scenarios with seeded changes, given to one reader. Allowed are success, and an error
that is meant for people: one to a few lines that name the file. Anything else is a finding and is printed.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import json
import random
import signal
import sys
import tempfile
import time
import traceback
import warnings
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from rich.console import Console

from benchmarks.mutations import mutated
from models.errors import RampwrightError
from models.programs import Program
from optimizer.candidate_document import json_bytes
from optimizer.candidate_file import read_candidates
from optimizer.compare_command import run_compared
from optimizer.console import show_check, show_fit
from optimizer.documents import check_document, fit_document, prediction_document
from optimizer.goal import Problem, problem_of
from optimizer.predict import predict
from optimizer.scenario import Scenario, load_scenario, read_program
from optimizer.workflow import fit_scenario

SCENARIOS = Path(__file__).parent.parent / "scenarios"
LIMIT = 20.0  # s for one case; reading takes milliseconds, a fit seconds where the machine is busy
LONGEST_MESSAGE = 4000  # characters; five lines of a few hundred each
MOST_LINES = 6
DEEPER = 15  # every so manieth file that can be read is fitted and predicted as well

PROGRAM = b"""\
oven = { start_C = 40, hold_min = 1, ramps = [{ rate_C_per_min = 20, to_C = 200, hold_min = 3 }] }
carrier = { mode = "pressure program", start_psi = 12, hold_min = 1, ramps = [{ rate_psi_per_min = 2, to_psi = 30 }] }
"""


@dataclass(frozen=True)
class Kind:
    """One reader: the sound files it is given, and how it is called on the folder that holds them."""

    name: str
    files: Mapping[str, bytes]
    read: Callable[[Path], object]


class TooLong(BaseException):
    """A case took longer than its limit."""


def kinds() -> list[Kind]:
    """All readers: a scenario each, and the other files that commands read."""
    folders = sorted(each for each in SCENARIOS.iterdir() if (each / "scenario.toml").exists())
    found = [Kind(each.name, _files(each), _check) for each in folders]
    demo, crossing = SCENARIOS / "slow_isothermal", SCENARIOS / "rescued_pair"
    loaded = load_scenario(demo)
    problem = problem_of(loaded, fit_scenario(loaded))
    ambient = loaded.ambient_pressure

    def program(at: Path) -> None:
        _predicted(problem, [read_program(at / "program.toml", ambient)])

    def candidates(at: Path) -> None:
        _predicted(problem, read_candidates(at / "candidates.json", ambient, 5))

    def run(at: Path) -> None:
        run_compared(loaded, at / "run.csv")

    document = json.dumps({"format": 1, "candidates": _candidates(loaded)}, indent=1).encode()
    found.append(Kind("program", {"program.toml": PROGRAM}, program))
    found.append(Kind("candidates", {"candidates.json": document}, candidates))
    found.append(Kind("run", {"run.csv": (demo / "fast.csv").read_bytes()}, run))
    found.append(Kind("matching", _nameless(crossing), _check))
    return found


def cases(
    seed: int, count: int, only: str | None = None
) -> Iterator[tuple[int, Kind, dict[str, bytes], list[str]]]:
    """Case number, reader, spoilt files, and what was done to them; the same for the same seed and files."""
    readers = [each for each in kinds() if only in (None, each.name)]
    for number in range(count):
        rng = random.Random(f"{seed}/{number}")
        kind = readers[number % len(readers)]
        files, done = mutated(rng, kind.files)
        yield number, kind, files, done


def finding(
    kind: Kind, files: Mapping[str, bytes], folder: Path, limit: float = LIMIT
) -> tuple[str, str | None]:
    """How one case ended ("read", "refused" or "failed"), and what is wrong with that, if anything."""
    for name, content in files.items():
        (folder / name).write_bytes(content)
    out = io.StringIO()
    try:
        with (
            _within(limit),
            warnings.catch_warnings(),
            contextlib.redirect_stderr(out),
            contextlib.redirect_stdout(out),
        ):
            warnings.simplefilter("error")
            kind.read(folder)
    except RampwrightError as error:
        return "refused", _wrong_message(str(error), folder, files)
    except TooLong:
        return "failed", f"took longer than {limit:g} s\n{traceback.format_exc(limit=-6)}"
    except Exception:
        return "failed", traceback.format_exc(limit=-6)
    return "read", f"wrote {out.getvalue()!r}" if out.getvalue() else None


def _wrong_message(message: str, folder: Path, files: Mapping[str, bytes]) -> str | None:
    lines = message.split("\n")
    if not message.strip() or len(lines) > MOST_LINES or len(message) > LONGEST_MESSAGE:
        return f"message of {len(lines)} lines, {len(message)} characters: {message[:300]!r}"
    if str(folder) not in lines[0]:
        return f"message names no file: {message!r}"
    bad = next((c for c in message if not (c.isprintable() or c == "\n" or c == "\u00a0")), None)
    return None if bad is None else f"message holds the character {bad!r}: {message[:300]!r}"


def _check(folder: Path) -> None:
    """What `rampwright check` does, and of some scenarios `rampwright fit`."""
    scenario = load_scenario(folder)
    document = check_document(scenario)
    json_bytes(document)
    show_check(Console(file=io.StringIO(), width=160), document)
    if _chosen(scenario.warnings, scenario.title):
        fitted = fit_scenario(scenario)
        document = fit_document(scenario, fitted)
        json_bytes(document)
        show_fit(Console(file=io.StringIO(), width=160), document)
        if scenario.current is not None:
            _predicted(problem_of(scenario, fitted), [scenario.current], always=True)


def _predicted(problem: Problem, programs: list[Program], always: bool = False) -> None:
    """Of some programs what `rampwright predict` does."""
    for program in programs:
        if always or _chosen(program):
            document = prediction_document(problem.scenario, predict(problem, program))
            json_bytes(document)


def _chosen(*of: object) -> bool:
    """Whether to go deeper: one in `DEEPER`, the same ones whenever they come."""
    return random.Random(repr(of)).randrange(DEEPER) == 0


def _files(folder: Path) -> dict[str, bytes]:
    names = ["scenario.toml", *(run.peaks for run in _runs(folder))]
    return {name: (folder / name).read_bytes() for name in names}


def _runs(folder: Path) -> list[_Run]:
    import tomllib

    table = tomllib.loads((folder / "scenario.toml").read_text(encoding="utf-8"))
    return [_Run(run["peaks"]) for run in table["scouting_runs"]]


@dataclass(frozen=True)
class _Run:
    peaks: str


def _nameless(folder: Path) -> dict[str, bytes]:
    """A scenario whose second run has names only by a matching table."""
    files = _files(folder)
    lines = [line.rsplit(",", 4) for line in files["fast.csv"].decode().strip().split("\n")]
    files["fast.csv"] = "\n".join(",".join(cells[1:]) for cells in lines).encode()
    rows = [f"fast,{cells[1]},{cells[0]},0.990" for cells in lines[1:]]
    files["matching.csv"] = ("run,retention_min,compound,confidence\n" + "\n".join(rows) + "\n").encode()
    files["scenario.toml"] = b'matching = "matching.csv"\n' + files["scenario.toml"]
    return files


def _candidates(scenario: Scenario) -> list[dict[str, object]]:
    from optimizer.documents import program_document

    programs = [*(run.program for run in scenario.runs), scenario.current]
    return [
        {
            "rank": rank,
            "family": "one ramp",
            **program_document(program, scenario.ambient_pressure),
            "run_time_min": 9.9,
        }
        for rank, program in enumerate(programs, 1)
        if program is not None
    ]


@contextlib.contextmanager
def _within(seconds: float) -> Iterator[None]:
    """End what takes longer; where the system has no such timer, nothing is ended."""
    if not hasattr(signal, "setitimer"):
        yield
        return

    def over(*_: object) -> None:
        raise TooLong

    before = signal.signal(signal.SIGALRM, over)
    signal.setitimer(signal.ITIMER_REAL, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before)


def main() -> int:
    """Run the cases; exit status 1 when there are findings."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--count", type=int, default=20_000)
    options.add_argument("--first", type=int, default=0, help="number of the first case")
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--only", choices=[each.name for each in kinds()], help="one reader alone")
    options.add_argument("--keep", type=Path, help="folder to write the files of findings into")
    asked = options.parse_args()
    began, slowest = time.perf_counter(), (0.0, -1)
    ends: Counter[str] = Counter()
    found: dict[str, list[int]] = {}
    for number, kind, files, done in cases(asked.seed, asked.first + asked.count, asked.only):
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
    print(f"{asked.count} cases in {seconds:.0f} s, slowest {longest:.2f} s (case {which}): {dict(ends)}")
    for signature, numbers in found.items():
        print(f"{len(numbers)} times: {signature} (cases {', '.join(map(str, numbers[:5]))})")
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main())
