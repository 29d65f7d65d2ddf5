"""All benchmarks in one run, written to benchmarks/RESULTS.md: `python -m benchmarks.run [--quick]`."""

from __future__ import annotations

import argparse
import os
import platform
import subprocess
import time
from concurrent.futures import ProcessPoolExecutor, as_completed
from importlib.metadata import version
from pathlib import Path

from benchmarks import (
    calibration,
    compare_runs,
    draws,
    engine,
    optimality,
    peak_matching,
    robust_search,
    start_up,
    workers,
    wrong_peaks,
)

RESULTS = Path(__file__).parent / "RESULTS.md"


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
    threads = os.environ.get("OMP_NUM_THREADS", "not limited")
    return (
        f"{model}, {os.cpu_count()} cores, shared with other work; Python {platform.python_version()}, {packages}; "
        f"OMP_NUM_THREADS {threads}."
    )


SECTIONS = (
    engine.run,
    draws.run,
    start_up.run,
    optimality.run,
    optimality.run_carrier_ramps,
    calibration.run,
    robust_search.run,
    compare_runs.run,
    wrong_peaks.run,
    peak_matching.run,
    workers.run,
)


def _section(number: int, quick: bool) -> str:
    return SECTIONS[number](quick)


def main() -> None:
    """Run everything, `--jobs` sections at a time, and write the results."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="a fraction of the work: a few minutes")
    parser.add_argument(
        "--jobs", type=int, default=1, help="sections at a time; more than one blurs times, not ratios"
    )
    asked = parser.parse_args()
    quick: bool = asked.quick
    began = time.time()
    commit = subprocess.run(
        ["git", "rev-parse", "--short", "HEAD"], capture_output=True, text=True, check=False
    ).stdout.strip()
    done: dict[int, str] = {}
    with ProcessPoolExecutor(asked.jobs) as pool:
        running = {pool.submit(_section, number, quick): number for number in range(len(SECTIONS))}
        for finished in as_completed(running):
            done[running[finished]] = finished.result()
            # After every section, so that one that fails or is stopped takes none of the others with it.
            missing = len(SECTIONS) - len(done)
            head = [
                "# Results",
                "",
                f"{machine()} Commit {commit or 'unknown'}, {time.strftime('%Y-%m-%d')}, "
                f"{(time.time() - began) / 60:.0f} min in all{', quick version' if quick else ''}"
                f"{f', {asked.jobs} sections at a time' if asked.jobs > 1 else ''}"
                f"{f'; {missing} sections did not finish' if missing else ''}. "
                "Written by `make bench`; compare ratios rather than absolute figures.",
                "",
            ]
            text = "\n".join(head) + "\n" + "\n".join(done[number] for number in sorted(done))
            RESULTS.write_text(text, encoding="utf-8")
    print(f"written to {RESULTS}")


if __name__ == "__main__":
    main()
