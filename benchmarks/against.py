"""The engine beside that of an older commit, timed in turn on the same machine: `python -m benchmarks.against`.

The older commit is unpacked into a temporary folder; `timed_calls` runs on it and on this tree, in two processes of
one thread each, which take turns call by call.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path

import numpy as np

from benchmarks.timed_calls import MODES

ROOT = Path(__file__).resolve().parents[1]
OLDER = "0b59a8b"  # the last with an engine of arrays
ONE_THREAD = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "NUMBA_NUM_THREADS": "1"}
ROUNDS, SAMPLE_ROUNDS = 15, 5
LEAST = 0.05  # s that a measurement takes at least, on the slower side
BATCH, COMPOUNDS = 1024, (30, 100, 300)
FEW, FEW_COMPOUNDS = (1, 9), 14
DRAWN = ("constant pressure", "constant flow", "pressure program", "flow program")

Task = Sequence[str | int]


class Side:
    """One tree's process."""

    def __init__(self, tree: Path) -> None:
        script = Path(__file__).with_name("timed_calls.py")
        self.process = subprocess.Popen(
            [sys.executable, "-P", str(script)],
            cwd=tree,
            env=os.environ | ONE_THREAD | {"PYTHONPATH": str(tree)},
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )

    def seconds(self, task: Task, repeats: int, save: Path | None = None) -> float:
        """Seconds of a call; its times and widths into a file."""
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        asked = {"task": task, "repeats": repeats, "save": save and str(save)}
        self.process.stdin.write(json.dumps(asked) + "\n")
        self.process.stdin.flush()
        answer = self.process.stdout.readline()
        if not answer:
            raise RuntimeError(f"{self.process.args}: failed at {task}")
        return float(answer)

    def close(self) -> None:
        """End the process."""
        self.process.kill()
        self.process.communicate()


@contextmanager
def both(commit: str) -> Iterator[tuple[Side, Side]]:
    """A process on the tree of an older commit, and one on this tree."""
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        tree, archive = folder / "older", folder / "older.tar"
        # An archive and no worktree: a run that is killed leaves nothing in the repository.
        subprocess.run(["git", "archive", "-o", str(archive), commit], cwd=ROOT, check=True)
        shutil.unpack_archive(archive, tree)
        sides = []
        for each in (tree, ROOT):
            sides.append(Side(each))
            stack.callback(sides[-1].close)
        yield sides[0], sides[1]


class Comparison:
    """Ratios of the time of calls on the older side to that on the newer, and how far their results lie apart."""

    def __init__(self, older: Side, newer: Side, rounds: int) -> None:
        self.sides, self.rounds = (older, newer), rounds
        self.apart = {"screen": (0.0, 0.0), "polish": (0.0, 0.0)}  # largest, relative: times, widths
        self.peaks = self.only_older = self.only_newer = 0

    def ratio(self, task: Task) -> str:
        """Time on the older side over that on the newer: median (least to most) of the rounds."""
        with tempfile.TemporaryDirectory() as folder:
            files = [Path(folder) / name for name in ("older.npz", "newer.npz")]
            first = [side.seconds(task, 1, file) for side, file in zip(self.sides, files, strict=True)]
            self._hold_together("screen" if "screen" in task else "polish", *files)
        repeats = max(1, int(np.ceil(LEAST / max(first))))
        older, newer = self.sides
        found = [older.seconds(task, repeats) / newer.seconds(task, repeats) for _ in range(self.rounds)]
        print(task, np.round(found, 2), flush=True)
        return f"{np.median(found):.2f} ({min(found):.2f} to {max(found):.2f})"

    def _hold_together(self, accuracy: str, *files: Path) -> None:
        (t, w), (t_new, w_new) = (tuple(np.load(file).values()) for file in files)
        in_both = np.isfinite(t) & np.isfinite(t_new)
        self.peaks += int(in_both.sum())
        self.only_older += int((np.isfinite(t) & ~np.isfinite(t_new)).sum())
        self.only_newer += int((np.isfinite(t_new) & ~np.isfinite(t)).sum())
        apart = (
            float(np.max(np.abs(new[in_both] / old[in_both] - 1), initial=0.0))
            for old, new in ((t, t_new), (w, w_new))
        )
        self.apart[accuracy] = tuple(map(max, zip(self.apart[accuracy], apart, strict=True)))


def table(heads: Sequence[str], rows: Sequence[Sequence[str]]) -> list[str]:
    """A table in markdown."""
    return ["| " + " | ".join(each) + " |" for each in (heads, ["---"] * len(heads), *rows)]


def run(sample: bool, commit: str = OLDER) -> str:
    """A section of benchmarks/RESULTS.md."""
    rounds = SAMPLE_ROUNDS if sample else ROUNDS
    with both(commit) as (older, newer):
        made = Comparison(older, newer, rounds)
        large, small = (
            [
                [mode, *(made.ratio(["batch", mode, M, N, how]) for M, N in sizes for how in made.apart)]
                for mode in MODES
            ]
            for sizes in ([(M, BATCH) for M in COMPOUNDS], [(FEW_COMPOUNDS, N) for N in FEW])
        )
        slopes = [[mode, made.ratio(["point", mode, FEW_COMPOUNDS])] for mode in MODES]
        draws = [[mode, made.ratio(["draws", mode])] for mode in DRAWN]
    lines = [
        "## Engine against an older one",
        "",
        f"Processor time at commit {commit} over that now, one thread, the two in turn in {rounds} rounds: median "
        "(least to most). Two oven ramps; a carrier ramp where the mode says so; into ambient but for the last row.",
        "",
        f"Batches of {BATCH} programs:",
        "",
        *table(["carrier", *(f"{M} compounds, {how}" for M in COMPOUNDS for how in made.apart)], large),
        "",
        f"Few programs at a time, {FEW_COMPOUNDS} compounds:",
        "",
        *table(["carrier", *(f"{N} program{'s'[: N > 1]}, {how}" for N in FEW for how in made.apart)], small),
        "",
        f"A point with its slopes by all set points (nine; eleven with a carrier ramp), {FEW_COMPOUNDS} compounds, "
        "polishing; the older one from as many neighbours:",
        "",
        *table(["carrier", "ratio"], slopes),
        "",
        "One program of 30 compounds, simulated and judged in 200 draws:",
        "",
        *table(["carrier", "ratio"], draws),
        "",
        "Largest relative difference of times and widths between the two: "
        + "; ".join(f"{how} {t:.1e} and {w:.1e}" for how, (t, w) in made.apart.items())
        + f", of {made.peaks} peaks; {made.only_older} peaks that only the older one lets elute, "
        f"{made.only_newer} that only the newer one does.",
    ]
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("commit", nargs="?", default=OLDER)
    parser.add_argument("--long", action="store_true", help=f"{ROUNDS} rounds instead of {SAMPLE_ROUNDS}")
    asked = parser.parse_args()
    print(run(not asked.long, asked.commit))
