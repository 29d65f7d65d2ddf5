"""All benchmarks in one run, written to benchmarks/RESULTS.md: `python -m benchmarks.run [--quick]`."""

from __future__ import annotations

import os
import platform
import subprocess
import sys
import time
from importlib.metadata import version
from pathlib import Path

from benchmarks import engine, optimality, peak_matching, start_up, wrong_peaks

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


def main() -> None:
    """Run everything and write the results."""
    quick = "--quick" in sys.argv[1:]
    began = time.time()
    sections = [engine.run(quick), start_up.run(), optimality.run(quick), optimality.run_carrier_ramps(quick)]
    sections += [wrong_peaks.run(quick), peak_matching.run(quick)]
    commit = subprocess.run(
        ["git", "rev-parse", "--short", "HEAD"], capture_output=True, text=True, check=False
    ).stdout.strip()
    head = [
        "# Results",
        "",
        f"{machine()} Commit {commit or 'unknown'}, {time.strftime('%Y-%m-%d')}, "
        f"{(time.time() - began) / 60:.0f} min in all{', quick version' if quick else ''}. "
        "Written by `make bench`; compare ratios rather than absolute figures.",
        "",
    ]
    RESULTS.write_text("\n".join(head) + "\n" + "\n".join(sections), encoding="utf-8")
    print(f"written to {RESULTS}")


if __name__ == "__main__":
    main()
