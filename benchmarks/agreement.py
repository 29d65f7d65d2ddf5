"""Times and widths beside those of the last engine of arrays and the equations marched in time:
`python -m benchmarks.agreement`.

Only where the older engine is right does its agreement with the present one count: within the bounds that it was found
to keep against an integrator of its own.
"""

from __future__ import annotations

import json
import tempfile
from collections.abc import Sequence
from dataclasses import replace
from itertools import product
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from benchmarks.against import OLDER, both, table
from models.peaks.migration import LONGEST_RETENTION
from tests.reference.adapter import reference_peaks
from tests.reference.cases import CONTROLLED, KINDS, Case, Kind, random_cases

Array = NDArray[np.float64]

SEED = 11
CASES, SAMPLE_CASES = 20, 6  # of each kind
RIGHT = (1e-5, 5e-4)  # of times and of widths: what the older engine keeps where it is right
CLOSE = (1e-9, 1e-8)  # what the two were to agree to
THIN = 0.9e-6  # m; the older engine lets the gas have the whole bore, also beside thicker films
REFERENCE = 1e-12  # relative tolerance of the equations marched in time
ISOTHERMAL = tuple(
    Kind(controlled, outlet, "constant", "constant")
    for controlled, outlet in product(CONTROLLED, ("ambient", "vacuum"))
)


def _plain(case: Case) -> dict[str, object]:
    """A case in numbers, for trees whose classes are others."""
    system, column, program = case.system, case.system.column, case.program
    set_to = {
        name: [start, hold, [[ramp.rate, ramp.target, ramp.hold] for ramp in ramps]]
        for name, start, hold, ramps in (
            ("oven", program.oven.start, program.oven.hold, program.oven.ramps),
            ("carrier", program.carrier.start, program.carrier.hold, program.carrier.ramps),
        )
    }
    return set_to | {
        "column": [column.length, column.inner_diameter, column.film_thickness],
        "system": [
            system.gas.name,
            system.outlet_pressure,
            system.flow_factor,
            system.plate_height_factor,
            system.injection_width,
            system.oven_lag,
        ],
        "retention": [
            values.tolist() for values in (case.retention.T0, case.retention.theta, case.retention.dCp)
        ],
        "controlled": program.carrier.controlled,
    }


def _thin(case: Case) -> Case:
    """With a film that leaves the gas the whole bore."""
    column = case.system.column
    column = replace(column, film_thickness=min(column.film_thickness, THIN))
    return replace(case, system=replace(case.system, column=column))


def _apart(one: Array, other: Array) -> Array:
    """Relative differences of times and widths."""
    return np.abs(one / other - 1)


def _row(name: str, older: Array, newer: Array, due: Array) -> list[str]:
    """Peaks of a group, how many the older engine has right, and of these how near the two are, by times and widths."""
    off = _apart(older, due)
    right = (off <= np.array(RIGHT)[:, None]).all(axis=0)
    cells = [name, str(due.shape[1]), f"{np.mean(right):.1%}"]
    for apart, close, older_off, newer_off in zip(
        _apart(newer, older)[:, right], CLOSE, off[:, right], _apart(newer, due)[:, right], strict=True
    ):
        itself = older_off <= close
        cells += [
            f"{np.mean(apart <= close):.1%}",
            f"{np.mean(apart[itself] <= close):.1%} of {itself.sum()}",
        ]
        cells += [f"{np.max(values):.1e}" for values in (older_off, newer_off)]
    return cells


def run(sample: bool) -> str:
    """A section of benchmarks/RESULTS.md."""
    kinds = (*KINDS, *ISOTHERMAL)
    count = (SAMPLE_CASES if sample else CASES) * len(kinds)
    cases = [_thin(case) for case in random_cases(SEED, count, kinds)]
    with tempfile.TemporaryDirectory() as folder, both(OLDER) as sides:
        file = Path(folder) / "cases.json"
        file.write_text(json.dumps([_plain(case) for case in cases]), encoding="utf-8")
        found = []
        for number, side in enumerate(sides):
            side.seconds(["cases", str(file)], 1, Path(folder) / f"{number}.npz")
            found.append(np.stack(list(np.load(Path(folder) / f"{number}.npz").values())))
    marched = reference_peaks(
        [(case.system, case.retention[np.array(case.compared)], case.program) for case in cases], REFERENCE
    )
    due = np.array([[peaks.time, peaks.width] for peaks in marched]).swapaxes(0, 1)
    compared = np.array([case.compared for case in cases])
    older, newer = (np.take_along_axis(each, compared[None], axis=2) for each in found)
    elutes = due[0] <= LONGEST_RETENTION
    carriers = [f"{case.program.carrier.mode}, {case.kind.outlet}" for case in cases]
    ovens = [f"oven {case.kind.oven}" for case in cases]
    rows = [
        _row(
            name,
            *(
                each[:, np.array([n == name for n in names])[:, None] & elutes]
                for each in (older, newer, due)
            ),
        )
        for names in (carriers, ovens)
        for name in sorted(set(names))
    ]
    rows.append(_row("all", *(each[:, elutes] for each in (older, newer, due))))
    return "\n".join(_lines(len(cases), rows))


def _lines(cases: int, rows: Sequence[Sequence[str]]) -> list[str]:
    heads = ["carrier, outlet; oven", "peaks", "older right"]
    for what, close in zip(("times", "widths"), CLOSE, strict=True):
        near = f"{what} within {close:.0e} of each other"
        heads += [near, "where the older is so near the equations", "older off by", "present off by"]
    return [
        "## Agreement with an older engine",
        "",
        f"{cases} random programs, polished, at commit {OLDER} and now, five of 30 compounds each, as in the section "
        f"on accuracy but for films of at most {1e6 * THIN:g} µm, and constant ones. The older "
        "engine is right where it is within "
        f"{RIGHT[0]:.0e} of the time and {RIGHT[1]:.0e} of the width of the equations marched in time (relative "
        f"tolerance {REFERENCE:.0e}); the columns after that one count those peaks alone. All differences are "
        "relative; what an engine is off by is its largest error against the equations.",
        "",
        *table(heads, rows),
        "",
    ]


if __name__ == "__main__":
    print(run(sample=True))
