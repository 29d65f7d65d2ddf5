"""What the largest job and the first command need: `optimize` with 300 compounds, and compiling the engine."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from benchmarks.against import table
from benchmarks.scouting import Mixture, scouted

SHIPPED = Path(__file__).parent.parent / "scenarios" / "slow_isothermal"
COMPOUNDS, TARGETS = 300, 40  # the others are then matrix
RATES = (3.0, 10.0, 40.0)  # °C/min, of the scouting runs
SECONDS, SAMPLE_SECONDS = 300, 60  # of a search
FIRST, SAMPLE_FIRST = 5, 3  # times that the engine is compiled
MAXRSS = 1 if sys.platform == "darwin" else 1024  # bytes, what the largest resident size is counted in
SCENARIO = """\
column = {{ length_m = 30, inner_diameter_mm = 0.25, film_thickness_um = 0.25, min_temperature_C = 40, \
max_temperature_C = 325 }}
carrier = {{ gas = "helium" }}
goal = {{ min_resolution = {resolution} }}
"""
RUN = """
[[scouting_runs]]
name = "{rate:g}"
peaks = "{rate:g}.csv"
oven = {{ start_C = 50, hold_min = 1, ramps = [{{ rate_C_per_min = {rate}, to_C = 300, hold_min = 10 }}] }}
carrier = {{ mode = "constant flow", flow_mL_min = 1.2 }}
"""
MATRIX = """
[[analytes]]
compound = "compound {number}"
role = "matrix"
"""


@dataclass(frozen=True)
class Done:
    """A command that has ended: its status, wall and processor time [s], and its largest resident size [bytes]."""

    status: int
    wall: float
    processor: float
    resident: int


def timed(*arguments: str, caches: str | None = None) -> Done:
    """Run a command of rampwright, with the engine kept in a folder of its own if one is given."""
    environment = os.environ | (dict.fromkeys(("XDG_CACHE_HOME", "HOME"), caches) if caches else {})
    began = time.perf_counter()
    command = [sys.executable, "-m", "rampwright", *arguments]
    with tempfile.TemporaryFile() as said:
        process = subprocess.Popen(command, env=environment, stdout=subprocess.DEVNULL, stderr=said)
        _, status, usage = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
        wall = time.perf_counter() - began
        if process.returncode not in (0, 3):
            said.seek(0)
            raise RuntimeError(said.read().decode())
    return Done(process.returncode, wall, usage.ru_utime + usage.ru_stime, usage.ru_maxrss * MAXRSS)


def targets(mixture: Mixture, count: int) -> set[int]:
    """The compounds whose nearest neighbour in the second run is the farthest away."""
    retention = mixture.runs[1].retention
    order = np.argsort(retention)
    gaps = np.diff(retention[order], prepend=-np.inf, append=np.inf)
    nearest = np.empty(len(order))
    nearest[order] = np.minimum(gaps[:-1], gaps[1:])
    return set(np.argsort(-nearest)[:count].tolist())


def write_scenario(folder: Path, mixture: Mixture, wanted: set[int], resolution: float) -> None:
    """A scenario folder of a mixture's runs, with these compounds as targets."""
    text = SCENARIO.format(resolution=resolution)
    for rate, run, areas in zip(RATES, mixture.runs, mixture.areas, strict=True):
        text += RUN.format(rate=rate)
        rows = zip(run.retention / 60, run.width_half / 60, areas, strict=True)
        lines = [f"compound {m},{t:.4f},{w:.5f},{area:.1f}" for m, (t, w, area) in enumerate(rows)]
        peaks = "\n".join(["compound,retention_min,width_half_min,area", *lines, ""])
        (folder / f"{rate:g}.csv").write_text(peaks, encoding="utf-8")
    text += "".join(MATRIX.format(number=m) for m in range(len(mixture.retention)) if m not in wanted)
    (folder / "scenario.toml").write_text(text, encoding="utf-8")


def _optimized(wanted: int, resolution: float, seconds: int) -> list[str]:
    """A row: what `optimize` needs and finds."""
    mixture = scouted(COMPOUNDS, RATES, 1)
    with tempfile.TemporaryDirectory() as name:
        folder, out = Path(name) / "scenario", Path(name) / "results"
        folder.mkdir()
        write_scenario(folder, mixture, targets(mixture, wanted), resolution)
        done = timed("optimize", str(folder), "--seconds", str(seconds), "--out", str(out))
        found = json.loads((out / "candidates.json").read_text(encoding="utf-8"))
    return [
        f"{wanted} of {COMPOUNDS}",
        f"{resolution:g}",
        str(len(found["candidates"])),
        "yes" if done.status == 0 else "no",
        f"{done.resident / 1e9:.2f}",
        f"{done.wall:.0f}",
    ]


def _first(repeats: int) -> list[list[str]]:
    """Rows: commands with nothing compiled yet, and once more."""
    rows = []
    with tempfile.TemporaryDirectory() as out:
        for command in (["predict"], ["fit"], ["optimize", "--seconds", "1", "--out", f"{out}/results"]):
            first, again = [], []
            for _ in range(repeats):
                with tempfile.TemporaryDirectory() as caches:
                    given = (command[0], str(SHIPPED), *command[1:])
                    first.append(timed(*given, caches=caches))
                    again.append(timed(*given, caches=caches))
            rows.append(
                [f"`{' '.join(command[:3])}`"]
                + [
                    f"{np.median([getattr(each, what) for each in runs]):.1f}"
                    for runs in (first, again)
                    for what in ("wall", "processor")
                ]
            )
    return rows


def run(sample: bool) -> str:
    """A section of benchmarks/RESULTS.md."""
    load, repeats = os.getloadavg()[0], SAMPLE_FIRST if sample else FIRST
    first = _first(repeats)
    seconds = SAMPLE_SECONDS if sample else SECONDS
    large = [_optimized(TARGETS, 1.0, seconds), _optimized(COMPOUNDS, 1.5, seconds)]
    return "\n".join(
        [
            "## The first command, and the largest",
            "",
            f"A command that compiles the engine, in seconds, and the same again: medians of {repeats}; {load:.1f} "
            "processes wanted a processor when it began.",
            "",
            *table(
                ["command", "first, wall", "first, processor", "again, wall", "again, processor"],
                first,
            ),
            "",
            f"`optimize` with {COMPOUNDS} compounds in {len(RATES)} scouting runs and {seconds} s to search, one "
            "thread; the largest resident size is that of the whole command:",
            "",
            *table(
                ["targets", "least resolution", "candidates", "goal met", "largest resident, GB", "wall, s"],
                large,
            ),
            "",
        ]
    )


if __name__ == "__main__":
    print(run("--long" not in sys.argv[1:]))
