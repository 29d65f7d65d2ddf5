"""The readers of recorded traces, for `benchmarks.fuzz`: `peaks`, and traces as runs of a scenario."""

from __future__ import annotations

import contextlib
import hashlib
import io
import tempfile
from collections.abc import Mapping
from pathlib import Path

import numpy as np

from benchmarks.fuzz_cases import Kind, chosen
from benchmarks.fuzz_files import check_and_fit
from benchmarks.trace_mutations import mutated_traces
from optimizer.app import cli
from optimizer.runs.peak_tables import PeakTable, read_peak_table
from tests.optimizer.bad_inputs import write_good_scenario
from tests.optimizer.recorded import Recording, Written, recorded, write_csv, write_e1947

REAL = Path(__file__).parents[1] / "tests" / "data" / "liquid_chromatograph.cdf"
NAMES = ("alpha", "beta", "gamma", "delta")
PEAKS = PeakTable(
    NAMES,
    np.array([61.3, 88.8, 104.4, 202.9]),
    np.array([2.5, 3.0, 3.1, 4.2]),
    np.array([900.0, 300.0, 2500.0, 120.0]),
    np.array([1.0, 1.2, 1.1, 1.4]),
)
NOISE = 0.02
FIT_LIMIT = 60.0  # s: a fit to runs that contradict each other may take ten
OPTIONS = (
    (),
    ("--from-trace",),
    ("--from-trace", "--min-signal-to-noise", "0.5"),
    ("--from-trace", "--min-width-s", "0.01"),
)


def kinds() -> list[Kind]:
    """All readers: files of one run each, and a scenario whose runs are traces."""
    run = recorded(PEAKS, noise=NOISE)
    ways = {
        "readings": Written(),
        "minutes": Written(unit="minutes"),
        "listed": Written(listed=True, names=NAMES),
        "integers": Written(scale=(float(np.ptp(run.signal)) / 60_000, float(np.ptp(run.signal)) / 2)),
    }
    found = [Kind(name, {"run.cdf": _netcdf(run, how)}, _peaks, mutated_traces) for name, how in ways.items()]
    table = _netcdf(run, Written(listed=True, names=NAMES, trace=False))
    found.append(Kind("table", {"run.cdf": table}, _listed_peaks, mutated_traces))
    found.append(Kind("real", {"run.cdf": REAL.read_bytes()}, _peaks, mutated_traces))
    found.append(Kind("csv", {"run.csv": _csv(run)}, _peaks, mutated_traces))
    found.append(Kind("scenario", _scenario(), check_and_fit, mutated_traces, FIT_LIMIT))
    return found


def _peaks(folder: Path) -> None:
    """What `rampwright peaks` does, with one or another option; of some files with its picture."""
    file = next(iter(folder.iterdir()))
    _peaks_of(file, OPTIONS)


def _listed_peaks(folder: Path) -> None:
    """The same of a file that may hold no readings, whose own peaks are wanted."""
    _peaks_of(next(iter(folder.iterdir())), ((),))


def _peaks_of(file: Path, ways: tuple[tuple[str, ...], ...]) -> None:
    number = int(hashlib.sha256(file.read_bytes()).hexdigest()[:8], 16)
    options = [*ways[number % len(ways)], *(("--json",) if number % 3 else ())]
    if chosen(number):
        options += ["--out", str(file.parent / "found")]
    with contextlib.redirect_stdout(io.StringIO()):
        cli.app(["peaks", str(file), *options], standalone_mode=False)


def _netcdf(run: Recording, how: Written) -> bytes:
    with tempfile.TemporaryDirectory() as name:
        return write_e1947(Path(name) / "run.cdf", run, how).read_bytes()


def _csv(run: Recording) -> bytes:
    with tempfile.TemporaryDirectory() as name:
        return write_csv(Path(name) / "run.csv", run).read_bytes()


def _scenario() -> Mapping[str, bytes]:
    """A scenario whose runs are traces that list their peaks."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_good_scenario(folder)
        files = {"scenario.toml": (folder / "scenario.toml").read_bytes()}
        for run in ("slow", "fast"):
            peaks = read_peak_table(folder / f"{run}.csv")
            how = Written(listed=True, names=peaks.compounds)
            files[f"{run}.cdf"] = _netcdf(recorded(peaks, noise=NOISE), how)
            files["scenario.toml"] = files["scenario.toml"].replace(
                f"{run}.csv".encode(), f"{run}.cdf".encode()
            )
    return files
