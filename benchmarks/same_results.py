"""The numbers of thirteen scenarios, recorded to be held against those of a changed program.

    python -m benchmarks.same_results FOLDER             record into a folder (.bench/same_results when left out)
    python -m benchmarks.same_results --compare A B      hold a recording against an earlier one, to 1e-9

The three scenarios that come along and ten made from them go through every command by its --json. Searches have their
budget in rounds, so that the machine decides nothing. Words are free to change, keys may be added; numbers may not
differ and none may be missing.
"""

from __future__ import annotations

import argparse
import contextlib
import csv
import io
import json
import math
import os
import shutil
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from importlib.metadata import entry_points
from multiprocessing import get_context
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[1]
FOLDER = ROOT / ".bench" / "same_results"
TOLERANCE = 1e-9  # relative, and absolute below 1
SIDE_BY_SIDE = 2
ROUNDS = "16"
FOUR = {"toluene", "o-xylene", "1,2-dichlorobenzene", "methyl benzoate"}


@dataclass(frozen=True)
class Case:
    """A scenario and what is asked of it.

    Attributes
    ----------
    base : the scenario that comes along which it is made from
    changes : pieces of its file and what stands in their place
    more : lines at the end of its file
    prepare : what is done with the files of its folder before the commands
    sweep, adapt, compare, scout : options of these commands; scout looks at what optimize found when it has none
    """

    base: str
    changes: tuple[tuple[str, str], ...] = ()
    more: str = ""
    prepare: Callable[[Path], None] | None = None
    sweep: tuple[str, ...] = ("--vary", "start_C=60:120:4")
    adapt: tuple[str, ...] = ("--gas", "hydrogen", "--no-tune")
    compare: tuple[str, ...] = ()
    scout: tuple[str, ...] = ()


def _four_compounds(folder: Path) -> None:
    """Leave four compounds in the peak tables."""
    for file in folder.glob("*.csv"):
        if file.name == "vapour_pressures.csv":
            continue
        rows = _rows(file)
        with file.open("w", encoding="utf-8", newline="") as stream:
            table = csv.DictWriter(stream, rows[0])
            table.writeheader()
            table.writerows(row for row in rows if row["compound"] in FOUR)


def _as_trace(folder: Path) -> None:
    """Put the trace of one run, Gaussian peaks on a line, in place of its peak table; names come by matching."""
    peaks = [
        [float(row[key]) for key in ("retention_min", "width_half_min", "area")]
        for row in _rows(folder / "fast.csv")
    ]
    lines = ["time_min,signal"]
    for reading in range(int(600 * 1.1 * max(t for t, _, _ in peaks))):
        at = reading / 600
        signal = 10 + 0.01 * (reading * 7919 % 13)
        signal += sum(a / w * math.exp(-4 * math.log(2) * ((at - t) / w) ** 2) for t, w, a in peaks)
        lines.append(f"{at:.5f},{signal:.6f}")
    (folder / "fast_trace.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    _command("fit", folder, "--matching", folder / "names.csv", "--accept")
    file = folder / "scenario.toml"
    file.write_text('matching = "names.csv"\n' + file.read_text(encoding="utf-8"), encoding="utf-8")


NO_DRAWS = ("[goal]\n", '[goal]\nconfidence = "nominal"\n')
CASES = {
    "demo": Case("slow_isothermal", compare=("--retune", "--rounds", "8")),
    "heat": Case("heat_sensitive", adapt=("--trim-m", "0.5")),
    "pair": Case("rescued_pair", sweep=("--window",)),
    "flow ramps": Case(
        "slow_isothermal",
        (
            ('["constant flow", "constant pressure"]', '["flow program"]\nmax_carrier_ramps = 2'),
            ("max_ramps = 2", "max_ramps = 1"),
        ),
    ),
    "pressure ramps": Case(
        "heat_sensitive",
        (
            ('"constant flow", "constant pressure", "pressure program"]', '"pressure program"]'),
            ("max_ramps = 2", "max_ramps = 1"),
            # The method in use, too, has a ramp.
            (
                '180, hold_min = 1 }] }\ncarrier = { mode = "constant flow", flow_mL_min = 1.5 }',
                '180, hold_min = 1 }] }\ncarrier = { mode = "pressure program", start_kPa = 100, hold_min = 2, '
                "ramps = [{ rate_kPa_per_min = 20, to_kPa = 200 }] }",
            ),
        ),
        sweep=("--vary", "rate1_C_per_min=5:20:4"),
    ),
    "four compounds": Case(
        "slow_isothermal",
        prepare=_four_compounds,
        adapt=("--gas", "hydrogen", "--tune", "--rounds", "8"),
        scout=("--rounds", "8"),
    ),
    "cycle and front": Case(
        "rescued_pair",
        (('"run time"', '"cycle time"\nfront_points = 4\nshift_h = 10'),),
        adapt=("--length-m", "20", "--no-tune"),
    ),
    "nominal": Case(
        "slow_isothermal",
        (NO_DRAWS, ('"constant flow", "constant pressure"', '"constant velocity"')),
        sweep=("--vary", "start_C=60:120:5", "--vary", "inlet_kPa=60:200:3"),
    ),
    "trace": Case(
        "slow_isothermal", (('peaks = "fast.csv"', 'peaks = "fast_trace.csv"'),), prepare=_as_trace
    ),
    "impossible": Case(
        "slow_isothermal",
        (NO_DRAWS, ("earliest_elution_min = 1.5", "latest_elution_min = 2.5\nearliest_elution_min = 1.5")),
    ),
    "isothermal": Case(
        "rescued_pair",
        (("max_ramps = 2", "max_ramps = 0"), ("near = { within_min = 4,", "near = { within_min = 200,")),
    ),
    "requirements": Case(
        "slow_isothermal",
        (
            (
                "min_resolution = 1.5",
                "min_resolution = 1.2\nmin_retention_factor = 0.5\nbake_out = { at_C = 250, hold_min = 2 }",
            ),
        ),
        more='\n[[pairs]]\nbetween = ["toluene", "2-pentanone"]\nignore = true\n'
        '\n[[groups]]\nname = "aromatics"\nmembers = ["toluene", "o-xylene"]\n',
    ),
    "tolerances": Case(
        "heat_sensitive",
        (
            (NO_DRAWS[0], "[goal]\nconfidence = 0.8\n"),
            ("latest_elution_min = 13", "latest_elution_min = 20"),
        ),
        more='\n[tolerances]\noven_C = 2\nflow_percent = 2\ntrimmed_m = 0.3\n\n[fit]\nflow_correction = "run"\n',
    ),
}


def _rows(file: Path) -> list[dict[str, str]]:
    with file.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(line for line in stream if not line.startswith("#")))


def _command(*arguments: str | Path) -> dict[str, Any]:
    """A command's exit status and JSON document, or what it said in its place."""
    (script,) = entry_points(group="console_scripts", name="rampwright")
    sys.argv = ["rampwright", *map(str, arguments), "--json"]
    status = 0
    with contextlib.redirect_stdout(io.StringIO()) as out, contextlib.redirect_stderr(io.StringIO()) as err:
        try:
            script.load()()
        except SystemExit as end:
            status = int(end.code or 0)
    document = json.loads(out.getvalue() or "null")
    if document is not None:
        document.pop("result_mark", None)  # changes with any digit, also one that may differ
    return {
        "status": status,
        "document": document,
        "error": err.getvalue() if status == 2 else "",
    }


def _record(name: str, into: Path) -> str:
    """Record one case; says how long it took, and which commands did not end well."""
    began, case = time.perf_counter(), CASES[name]
    made: dict[str, Any] = {}
    with tempfile.TemporaryDirectory() as temporary:
        folder, out = Path(temporary) / "scenario", Path(temporary) / "out"
        shutil.copytree(ROOT / "scenarios" / case.base, folder)
        file = folder / "scenario.toml"
        text = file.read_text(encoding="utf-8")
        for old, new in case.changes:
            if text.count(old) != 1:
                raise SystemExit(f"{name}: {old!r} stands {text.count(old)} times in {case.base}, not once")
            text = text.replace(old, new)
        file.write_text(text + case.more, encoding="utf-8")
        if case.prepare is not None:
            case.prepare(folder)
        slow = folder / ("gentle.csv" if case.base == "heat_sensitive" else "slow.csv")
        commands: dict[str, tuple[str | Path, ...]] = {
            "check": (),
            "fit": (),
            "predict": (),
            "optimize": ("--out", out, "--rounds", ROUNDS),
            "sweep": case.sweep,
            "scout": case.scout or ("--results", out),
            "compare": ("--run", slow, "--program", _program_of_first_run(file, folder), *case.compare),
            "adapt": case.adapt,
        }
        for command, options in commands.items():
            made[command] = _command(command, folder, *options)
    (into / f"{name}.json").write_text(json.dumps(made, indent=1, ensure_ascii=False), encoding="utf-8")
    failed = [
        f"{command}: {each['error'].strip()}" for command, each in made.items() if each["document"] is None
    ]
    return "; ".join([f"{name}: {time.perf_counter() - began:.0f} s", *failed])


def _program_of_first_run(scenario: Path, folder: Path) -> Path:
    """A program file with the lines of the first scouting run."""
    lines = scenario.read_text(encoding="utf-8").partition("[[scouting_runs]]")[2].splitlines()
    program = folder / "first_run.toml"
    program.write_text(
        "\n".join(next(line for line in lines if line.startswith(key)) for key in ("oven", "carrier"))
    )
    return program


def record(into: Path) -> None:
    """Record every case."""
    into.mkdir(parents=True, exist_ok=True)
    os.environ["OMP_NUM_THREADS"] = os.environ["OPENBLAS_NUM_THREADS"] = "1"
    with ProcessPoolExecutor(SIDE_BY_SIDE, get_context("spawn")) as pool:
        for said in pool.map(_record, CASES, [into] * len(CASES)):
            print(said, flush=True)


def differences(before: Any, after: Any, where: str = "", tolerance: float = TOLERANCE) -> Iterator[str]:
    """Each number, truth or shape of a document that is no longer what it was, with its place."""
    if isinstance(before, dict) and isinstance(after, dict):
        for key, value in before.items():
            if key == "seconds" and "programs_tried" in before:  # what a search took
                continue
            if key not in after:
                yield f"{where}.{key} is missing"
            else:
                yield from differences(value, after[key], f"{where}.{key}", tolerance)
    elif isinstance(before, list) and isinstance(after, list):
        if len(before) != len(after):
            yield f"{where} has {len(after)} entries, {len(before)} before"
        for number, (one, other) in enumerate(zip(before, after, strict=False)):
            yield from differences(one, other, f"{where}[{number}]", tolerance)
    elif isinstance(before, str) and isinstance(after, str):
        return
    elif type(before) is bool or type(after) is bool or before is None or not _numbers(before, after):
        if before is not after:
            yield f"{where} is {after!r}, {before!r} before"
    elif not math.isclose(before, after, rel_tol=tolerance, abs_tol=tolerance):
        yield f"{where} is {after!r}, {before!r} before"


def _numbers(*values: Any) -> bool:
    return all(isinstance(value, int | float) for value in values)


def compare(before: Path, after: Path) -> int:
    """Say where two recordings differ; the number of commands that do."""
    differing = numbers = 0
    for name in CASES:
        files = [folder / f"{name}.json" for folder in (before, after)]
        one, other = (json.loads(file.read_text(encoding="utf-8")) for file in files)
        for command, made in one.items():
            numbers += _count(made)
            found = list(differences(made, other[command], command))
            if found:
                differing += 1
                print(f"{name}: {found[0]}" + (f"; and {len(found) - 1} more" if len(found) > 1 else ""))
    print(f"{numbers} numbers of {len(CASES)} scenarios; {differing or 'no'} commands differ")
    return differing


def _count(document: Any) -> int:
    if isinstance(document, dict):
        return sum(map(_count, document.values()))
    return sum(map(_count, document)) if isinstance(document, list) else _numbers(document)


def main() -> None:
    """Record, or compare two recordings."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("folder", nargs="?", type=Path, default=FOLDER)
    parser.add_argument("--compare", nargs=2, type=Path, metavar=("BEFORE", "AFTER"))
    asked = parser.parse_args()
    if asked.compare:
        sys.exit(compare(*asked.compare) > 0)
    record(asked.folder)


if __name__ == "__main__":
    main()
