"""All benchmarks, written to benchmarks/RESULTS.md: `python -m benchmarks.run`.

A sample of every section, or with `--long` the whole tables. Each section runs in a process of its own and leaves its
text in STATE, under the commit it was measured at; a run that was interrupted goes on with the sections not yet there.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import platform
import re
import subprocess
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor, as_completed
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path

from benchmarks import (
    accusations,
    against,
    agreement,
    calibration,
    campaign,
    compare_runs,
    draws,
    engine,
    fit,
    optimality,
    page,
    peak_matching,
    robust_search,
    scale,
    start_up,
    workers,
    wrong_peaks,
)

ROOT = Path(__file__).resolve().parents[1]
RESULTS = ROOT / "benchmarks" / "RESULTS.md"
STATE = ROOT / ".bench"
SIDE_BY_SIDE = 2  # sections at a time, of those that are not timed
ONE_THREAD = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "NUMBA_NUM_THREADS": "1"}
MEASURED = (
    "models",
    "optimizer",
    "scenarios",
    "tests",
    "benchmarks",
    "pyproject.toml",
)  # what results depend on


@dataclass(frozen=True)
class Section:
    """One chapter of the results.

    Attributes
    ----------
    name : str, as in `--section`
    run : takes whether a sample will do, gives markdown that begins with a heading of the second level
    timed : bool, whether it must have the machine to itself
    """

    name: str
    run: Callable[[bool], str]
    timed: bool = False


SECTIONS = (
    Section("engine", engine.run, timed=True),
    Section("against", against.run, timed=True),
    Section("agreement", agreement.run, timed=True),
    Section("draws", draws.run, timed=True),
    Section("fit", fit.run, timed=True),
    Section("start-up", start_up.run, timed=True),
    Section("scale", scale.run, timed=True),
    Section("page", page.run, timed=True),
    Section("optimality", optimality.run),
    Section("calibration", calibration.run),
    Section("calibration-held-out", calibration.run_held_out),
    Section("robust-search", robust_search.run),
    Section("campaigns", campaign.run),
    Section("verdicts", compare_runs.run),
    Section("wrong-peaks", wrong_peaks.run),
    Section("accusations", accusations.run),
    Section("peaks-without-names", peak_matching.run),
    Section("workers", workers.run, timed=True),
)

HEAD = """# Results

`make bench` measures a sample of every section, `make bench-long` the whole tables; each section says which it is, of
which commit and when. Compare ratios rather than absolute figures. A share has its 95 % interval in brackets:
Wilson's, or, where the text says so, that of mixtures drawn anew.
"""
PARTS = {"sample": "# Samples (`make bench`)", "whole": "# Whole tables (`make bench-long`)"}
WORDS = {"sample": "Sample", "whole": "Whole table"}


def _git(*arguments: str) -> str:
    done = subprocess.run(["git", *arguments], cwd=ROOT, capture_output=True, text=True, check=False)
    return done.stdout.strip()


def state_of_tree() -> str:
    """The commit, and, where files that results depend on differ from it, a hash of what differs."""
    commit = _git("rev-parse", "--short=10", "HEAD") or "unknown"
    written = (f":(exclude)benchmarks/{name}" for name in ("RESULTS.md", "best_known.json"))
    changes = _git("diff", "HEAD", "--", *MEASURED, *written)
    return f"{commit}-{hashlib.sha256(changes.encode()).hexdigest()[:8]}" if changes else commit


def machine() -> str:
    """The machine in a few words: figures mean nothing without it."""
    model = platform.processor() or platform.machine()
    cpuinfo = Path("/proc/cpuinfo")
    if cpuinfo.exists():
        lines = cpuinfo.read_text(encoding="utf-8").splitlines()
        model = next(
            (line.split(":", 1)[1].strip() for line in lines if line.startswith("model name")), model
        )
    packages = ", ".join(f"{name} {version(name)}" for name in ("numpy", "scipy", "optuna"))
    return f"{model}, {os.cpu_count()} cores; Python {platform.python_version()}, {packages}"


def measure(section: Section, part: str, folder: Path) -> None:
    """Run a section and leave its text in a folder, in one step: what is there is whole."""
    began = time.perf_counter()
    heading, text = section.run(part == "sample").strip().split("\n", 1)
    commit, _, changed = folder.name.partition("-")
    source = (
        f"{WORDS[part]}; commit {commit}{' with changes' if changed else ''}, {time.strftime('%Y-%m-%d')}, "
        f"{time.perf_counter() - began:.0f} s; {machine()}."
    )
    folder.mkdir(parents=True, exist_ok=True)
    unfinished = folder / f"{part} {section.name}.part"
    unfinished.write_text(f"{heading}\n\n{source}\n{text}\n", encoding="utf-8")
    unfinished.replace(folder / f"{part} {section.name}.md")


def merged(before: str, part: str, texts: Mapping[str, str]) -> str:
    """The results with the texts of some sections, by name, put into a part; all others stay as they are."""
    found = {
        (kind, name): text.strip()
        for kind, name, text in re.findall(r"(?ms)^<!-- (\w+) ([\w-]+) -->\n(.*?)(?=^<!-- |^# |\Z)", before)
    }
    found |= {(part, name): text.strip() for name, text in texts.items()}
    lines = [HEAD]
    for kind, heading in PARTS.items():
        blocks = [
            f"<!-- {kind} {section.name} -->\n{found[kind, section.name]}\n"
            for section in SECTIONS
            if (kind, section.name) in found
        ]
        lines += [f"{heading}\n", *(blocks or ["Not measured yet.\n"])]
    return "\n".join(lines)


def in_process(section: Section, part: str, log: Path) -> None:
    """Measure a section in a process of its own, which goes on when this one is killed."""
    command = [sys.executable, "-m", "benchmarks.run", "--measure", section.name]
    command += ["--long"] if part == "whole" else []
    with log.open("w", encoding="utf-8") as out:
        subprocess.run(command, cwd=ROOT, env=os.environ | ONE_THREAD, stdout=out, stderr=out, check=False)


def run(sections: Sequence[Section], part: str, again: bool) -> list[str]:
    """Run the sections that are not done yet (all of them if `again`); names of those that failed."""
    folder = STATE / state_of_tree()
    done = {section.name: folder / f"{part} {section.name}.md" for section in sections}
    due = [section for section in sections if again or not done[section.name].exists()]
    if not due:
        print(f"all done at this commit; `--section NAME` measures one again, removing {STATE} everything")
    for section in due:
        done[section.name].unlink(missing_ok=True)
    folder.mkdir(parents=True, exist_ok=True)

    def publish() -> None:
        texts = {name: file.read_text(encoding="utf-8") for name, file in done.items() if file.exists()}
        before = RESULTS.read_text(encoding="utf-8") if RESULTS.exists() else ""
        RESULTS.write_text(merged(before, part, texts), encoding="utf-8")

    publish()
    # What is timed comes first, alone; the rest two at a time.
    for timed, at_a_time in ((True, 1), (False, SIDE_BY_SIDE)):
        with ThreadPoolExecutor(at_a_time) as pool:
            running = {
                pool.submit(in_process, section, part, folder / f"{part} {section.name}.log"): section
                for section in due
                if section.timed == timed
            }
            try:
                for finished in as_completed(running):
                    finished.result()
                    name = running[finished].name
                    fate = f"FAILED, or the tree changed meanwhile: see {folder / f'{part} {name}.log'}"
                    print(
                        f"{time.strftime('%H:%M:%S')} {name}: {'done' if done[name].exists() else fate}",
                        flush=True,
                    )
                    publish()
            except KeyboardInterrupt:
                pool.shutdown(wait=False, cancel_futures=True)
                raise
    return [name for name, file in done.items() if not file.exists()]


def main(arguments: Sequence[str] | None = None) -> None:
    """Run what is asked for and write the results."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    names = [section.name for section in SECTIONS]
    parser.add_argument("--long", action="store_true", help="the whole tables: a night")
    parser.add_argument("--section", choices=names, metavar="NAME", help="one section, also when it is done")
    parser.add_argument("--list", action="store_true", help="name the sections, and which are done")
    parser.add_argument("--measure", choices=names, help=argparse.SUPPRESS)
    asked = parser.parse_args(arguments)
    part = "whole" if asked.long else "sample"
    folder = STATE / state_of_tree()
    chosen = [section for section in SECTIONS if (asked.section or asked.measure) in (None, section.name)]
    if asked.list:
        for name in names:
            at = [WORDS[kind].lower() for kind in PARTS if (folder / f"{kind} {name}.md").exists()]
            print(f"{name}{': done at this commit: ' + ', '.join(at) if at else ''}")
    elif asked.measure:
        measure(chosen[0], part, folder)
    else:
        failed = run(chosen, part, again=asked.section is not None)
        if failed:
            sys.exit(f"not measured: {', '.join(failed)}; run it again")
        print(f"written to {RESULTS}")


if __name__ == "__main__":
    main()
