"""Peak tables written and runs compared for the data scripts of scenarios; shares no code with the packages."""

from __future__ import annotations

import argparse
import csv
import json
import tomllib
import zlib
from collections.abc import Mapping, Sequence
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

from tests.reference.instrument import HALF_HEIGHT, Instrument, Measured, oven_pieces

BASE_HALF = 2 / HALF_HEIGHT  # half the base width / width at half height
PROGRAM_STREAM = 1000  # noise of a program's own run, and more
CURRENT_STREAM = 9  # noise of the method in use; a confirmation of rank n draws from stream 10 + n


def write_table(path: Path, rows: Sequence[Measured], tailing: bool = True) -> None:
    """A peak table as a data system exports it, with or without tailing factors."""
    with open(path, "w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        columns = ["compound", "retention_min", "width_half_min", "area", "tailing"]
        shown = len(columns) if tailing else -1
        writer.writerow(columns[:shown])
        for row in rows:
            values = [
                f"{row.time / 60:.3f}",
                f"{row.width / 60:.4f}",
                f"{row.area:.1f}",
                f"{row.tailing:.2f}",
            ]
            writer.writerow([row.compound, *values][:shown])


def resolution(first: Measured, second: Measured) -> float:
    """1.18 (t2 - t1)/(w1 + w2), widths at half height (USP <621>).

    Of a peak of tailing factor T the front is 1/(2T) of the width and the back the rest: what faces the other peak
    counts, twice.
    """
    back = first.width * (2 - 1 / first.tailing)
    front = second.width / second.tailing
    return 1.18 * (second.time - first.time) / (back + front)


def print_run(rows: Sequence[Measured], hold_up: float) -> None:
    """A run's peaks and the resolution of each from the one before."""
    print(f"hold-up {hold_up / 60:.3f} min\n{'compound':24s}{'min':>9s}{'w/2 s':>8s}{'Rs':>8s}")
    for before, row in zip([None, *rows], rows, strict=False):
        rs = "" if before is None else f"{resolution(before, row):8.2f}"
        print(f"{row.compound:24s}{row.time / 60:9.3f}{row.width:8.2f}{rs}")


def print_comparison(predicted: Mapping[str, Measured], rows: Sequence[Measured], promised: float) -> None:
    """Predicted against confirmed, in order of confirmed elution; `promised` is the predicted run time [min]."""
    print(
        f"{'compound':24s}{'predicted':>10s}{'confirmed':>10s}{'diff. s':>9s}{'Rs pred.':>10s}{'Rs conf.':>10s}"
    )
    for before, row in zip([None, *rows], rows, strict=False):
        guess, text = predicted[row.compound], ""
        if before is not None:
            text = f"{resolution(predicted[before.compound], guess):10.2f}{resolution(before, row):10.2f}"
        print(
            f"{row.compound:24s}{guess.time / 60:10.3f}{row.time / 60:10.3f}{row.time - guess.time:+9.2f}{text}"
        )
    shifts = np.array([row.time - predicted[row.compound].time for row in rows])
    foretold = sorted(predicted.values(), key=lambda row: row.time)
    print(f"retention times: largest difference {np.abs(shifts).max():.2f} s, mean {shifts.mean():+.2f} s")
    for word, run in (("predicted", foretold), ("confirmed", rows)):
        rs, first, second = min((resolution(a, b), a.compound, b.compound) for a, b in pairwise(run))
        print(f"smallest resolution, {word}: {rs:.3f} ({first} / {second})")
    end = max(row.time + BASE_HALF * row.width for row in rows) / 60
    late = ", AFTER THE PROGRAM'S END" if end > promised else ""
    print(f"run time {promised:.3f} min, last peak over at {end:.3f} min{late}")
    if [row.compound for row in rows] != [row.compound for row in foretold]:
        print("THE ORDER OF ELUTION IS NOT THE PREDICTED ONE")


def candidate_of_rank(path: Path, rank: int) -> dict[str, Any]:
    """One candidate of a candidates.json."""
    candidates: list[dict[str, Any]] = json.loads(path.read_text(encoding="utf-8"))["candidates"]
    for candidate in candidates:
        if candidate["rank"] == rank:
            return candidate
    raise SystemExit(f"{path}: no candidate of rank {rank}; it has {[each['rank'] for each in candidates]}")


def run_program(instrument: Instrument, path: Path) -> tuple[list[Measured], float]:
    """A run of the tables `oven` and `carrier` of a program file: what elutes before it ends, and the hold-up time [s].

    Noise is the program's own, the same whenever it is run.
    """
    program = tomllib.loads(path.read_text(encoding="utf-8"))
    settings = json.dumps([program["oven"], program["carrier"]], sort_keys=True)
    rows, hold_up = instrument.measure(program, PROGRAM_STREAM + zlib.crc32(settings.encode()))
    end = oven_pieces(program["oven"])[-1].start
    return [row for row in rows if row.time < end], hold_up


def prediction_of(candidate: Mapping[str, Any], instrument: Instrument) -> dict[str, Measured]:
    """A candidate's predicted peaks by compound, with the tailing factors that the peak tables state."""
    return {
        peak["compound"]: Measured(
            peak["compound"],
            peak["retention_min"] * 60,
            peak["width_half_min"] * 60,
            0.0,
            instrument.solutes[peak["compound"]].tailing,
        )
        for peak in candidate["peaks"]
    }


def options_of(folder: Path, arguments: Sequence[str] | None) -> argparse.Namespace:
    """The options of a data script's command line."""
    parser = argparse.ArgumentParser(description=f"The simulated instrument of the scenario {folder.name}.")
    parser.add_argument("--current", action="store_true", help="run the method in use and print its peaks")
    parser.add_argument("--confirm", type=Path, metavar="CANDIDATES", help="candidates.json to confirm from")
    parser.add_argument(
        "--run", type=Path, metavar="PROGRAM", help="program file to run, as campaign/next.toml"
    )
    parser.add_argument("--rank", type=int, default=1, help="rank of the candidate to run (default 1)")
    parser.add_argument("--out", type=Path, help="peak table of the run, or folder of the scouting tables")
    return parser.parse_args(arguments)


def run_command(
    instrument: Instrument,
    programs: Mapping[str, Mapping[str, Any]],
    folder: Path,
    arguments: Sequence[str] | None = None,
) -> None:
    """The command line of a data script: scouting tables into `folder`, the method in use, or a confirmation."""
    options = options_of(folder, arguments)
    if options.confirm:
        candidate = candidate_of_rank(options.confirm, options.rank)
        rows, _ = instrument.measure(candidate, 10 + options.rank)
        print_comparison(prediction_of(candidate, instrument), rows, candidate["run_time_min"])
        if options.out:
            write_table(options.out, rows)
    elif options.run:
        rows, hold_up = run_program(instrument, options.run)
        print_run(rows, hold_up)
        if options.out:
            write_table(options.out, rows)
    elif options.current:
        print_run(*instrument.measure(programs["current"], CURRENT_STREAM))
    else:
        for stream, name in enumerate(name for name in programs if name != "current"):
            rows, hold_up = instrument.measure(programs[name], stream)
            write_table((options.out or folder) / f"{name}.csv", rows)
            print(f"{name}.csv written; hold_up_min = {hold_up / 60:.3f}")
