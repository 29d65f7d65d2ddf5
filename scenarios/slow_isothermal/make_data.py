"""The instrument behind this scenario: it makes the peak tables of the scouting runs and runs confirmations.

    python scenarios/slow_isothermal/make_data.py                   writes slow.csv and fast.csv
    python scenarios/slow_isothermal/make_data.py --current         runs the method in use
    python scenarios/slow_isothermal/make_data.py --confirm candidates.json --rank 1 --out confirm.csv

It shares neither retention model nor engine with the packages, and differs from what they assume where a real
instrument would:

- retention follows vapour pressures and a solution in a polymer, not three fitted parameters;
- the oven lags its set point;
- the pneumatics set the inlet pressure for the nominal bore and the set-point temperature, the gas flows through the
  true bore at the true temperature;
- times, widths and areas carry noise and are printed as a data system prints them.

Bands are marched in time by the reference integrator of the tests. Programs and nominal dimensions are read from
scenario.toml. SI units inside.
"""

from __future__ import annotations

import csv
import math
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parents[1]))

from tests.reference import polymer_solution  # noqa: E402
from tests.reference.confirmation import (  # noqa: E402
    BASE_HALF,
    candidate_of_rank,
    options_of,
    prediction_of,
    print_run,
    resolution,
    run_program,
    write_table,
)
from tests.reference.instrument import (  # noqa: E402
    ZERO_C,
    Instrument,
    Measured,
    Reality,
    Solute,
    diffusion_in_helium,
    load,
)

# What distinguishes this instrument from its data sheet
BORE_FACTOR = 1.005  # true bore / nominal bore
OVEN_LAG = 4.0  # s, time constant of a first-order lag
PLATE_HEIGHT_FACTOR = 1.15  # real columns fall short of Golay's equation
INJECTED = 0.3  # s, standard deviation of the injected band
RETENTION_NOISE = 0.15  # s, standard deviation between like runs
HOLD_UP_NOISE = 0.2  # s, of the marker
WIDTH_NOISE, AREA_NOISE = 0.02, 0.01  # relative standard deviations
SEED = 20251125
NOISE_STREAM = {"slow": 0, "fast": 1, "current": 2}  # a confirmation of rank n draws from stream 10 + n


@dataclass(frozen=True)
class Compound:
    """Molar volume of the liquid [m3/mol], class, atoms, aromatic rings, area injected."""

    volume: float
    kind: str
    atoms: dict[str, int]
    rings: int
    area: float


# Molar volumes from molar mass and density at 25 °C, from memory to about 1 %.
COMPOUNDS = {
    "2-pentanone": Compound(107.5e-6, "carbonyl", {"C": 5, "H": 10, "O": 1}, 0, 640.0),
    "toluene": Compound(106.9e-6, "aromatic", {"C": 7, "H": 8}, 1, 980.0),
    "o-xylene": Compound(121.2e-6, "aromatic", {"C": 8, "H": 10}, 1, 720.0),
    "n-nonane": Compound(179.7e-6, "alkane", {"C": 9, "H": 20}, 0, 850.0),
    "n-propylbenzene": Compound(140.2e-6, "aromatic", {"C": 9, "H": 12}, 1, 690.0),
    "1,2,4-trimethylbenzene": Compound(137.9e-6, "aromatic", {"C": 9, "H": 12}, 1, 1120.0),
    "2-octanone": Compound(157.3e-6, "carbonyl", {"C": 8, "H": 16, "O": 1}, 0, 560.0),
    "1,2-dichlorobenzene": Compound(113.1e-6, "chlorinated", {"C": 6, "H": 4, "Cl": 2}, 1, 430.0),
    "methyl benzoate": Compound(125.7e-6, "aromatic polar", {"C": 8, "H": 8, "O": 2}, 1, 510.0),
    "n-undecane": Compound(212.2e-6, "alkane", {"C": 11, "H": 24}, 0, 910.0),
    "nitrobenzene": Compound(102.7e-6, "aromatic polar", {"C": 6, "H": 5, "N": 1, "O": 2}, 1, 470.0),
    "n-tridecane": Compound(244.9e-6, "alkane", {"C": 13, "H": 28}, 0, 790.0),
    "1-methylnaphthalene": Compound(139.9e-6, "aromatic", {"C": 11, "H": 10}, 2, 880.0),
    "n-tetradecane": Compound(261.3e-6, "alkane", {"C": 14, "H": 30}, 0, 830.0),
}

# chi = a + b/T of a vapour in the polymer, by class. Assumed: round figures with which the classes fall about where
# their retention indices on such a phase lie (from memory, no source).
INTERACTION = {
    "alkane": (0.30, 60.0),
    "aromatic": (0.30, 150.0),
    "chlorinated": (0.30, 200.0),
    "carbonyl": (0.20, 215.0),
    "aromatic polar": (0.20, 480.0),
}


@cache
def vapour_pressures() -> dict[str, tuple[np.ndarray, np.ndarray]]:
    """Temperatures [K] and vapour pressures [Pa] of vapour_pressures.csv, by compound."""
    with open(HERE / "vapour_pressures.csv", encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(line for line in file if not line.startswith("#")))
    return {
        name: (
            np.array([float(row["T_C"]) + ZERO_C for row in rows if row["compound"] == name]),
            np.array([float(row["p_Pa"]) for row in rows if row["compound"] == name]),
        )
        for name in COMPOUNDS
    }


@cache
def ln_vapour_pressure(name: str) -> Callable[[float], float]:
    """ln(p/Pa) as a function of T [K]: least squares in 1, 1/T, ln T and T through the table."""
    T, p = vapour_pressures()[name]

    def terms(T: Any) -> list[Any]:
        return [np.ones_like(T), 400 / T, np.log(T / 400), T / 400]

    coefficients = np.linalg.lstsq(np.stack(terms(T), axis=1), np.log(p), rcond=None)[0]
    c0, c1, c2, c3 = (float(c) for c in coefficients)
    return lambda T: c0 + c1 * 400 / T + c2 * math.log(T / 400) + c3 * T / 400


def ln_retention_factor(name: str, phase_ratio: float) -> Callable[[float], float]:
    """ln k of a compound as a function of T [K]."""
    compound = COMPOUNDS[name]
    ln_p = ln_vapour_pressure(name)
    return polymer_solution.ln_retention_factor(
        ln_p, compound.volume, INTERACTION[compound.kind], phase_ratio
    )


NOMINAL, PROGRAMS = load(HERE / "scenario.toml")
INSTRUMENT = Instrument(
    NOMINAL,
    Reality(
        bore_factor=BORE_FACTOR,
        oven_lag=OVEN_LAG,
        plate_height_factor=PLATE_HEIGHT_FACTOR,
        injected=INJECTED,
        film_diffusion=polymer_solution.film_diffusion,
        retention_noise=RETENTION_NOISE,
        hold_up_noise=HOLD_UP_NOISE,
        width_noise=WIDTH_NOISE,
        area_noise=AREA_NOISE,
        seed=SEED,
    ),
    {
        # At a phase ratio of one the retention factor is the partition coefficient.
        name: Solute(ln_retention_factor(name, 1.0), diffusion_in_helium(one.atoms, one.rings), one.area)
        for name, one in COMPOUNDS.items()
    },
)


def print_comparison(predicted: dict[str, Measured], rows: Sequence[Measured], promised: float) -> None:
    """Predicted against confirmed, in order of confirmed elution; `promised` is the predicted run time [min]."""
    print(
        f"{'compound':24s}{'predicted':>10s}{'confirmed':>10s}{'diff. s':>9s}{'Rs pred.':>10s}{'Rs conf.':>10s}"
    )
    pairs = []
    for before, row in zip([None, *rows], rows, strict=False):
        guess, text = predicted[row.compound], ""
        if before is not None:
            pairs.append(
                (
                    resolution(before, row),
                    resolution(predicted[before.compound], guess),
                    before.compound,
                    row.compound,
                )
            )
            text = f"{pairs[-1][1]:10.2f}{pairs[-1][0]:10.2f}"
        shift = row.time - guess.time
        print(f"{row.compound:24s}{guess.time / 60:10.3f}{row.time / 60:10.3f}{shift:+9.2f}{text}")
    shifts = np.array([row.time - predicted[row.compound].time for row in rows])
    confirmed, _, first, second = min(pairs)
    foretold, third, fourth = min((rs, a, b) for _, rs, a, b in pairs)
    end = max(row.time + BASE_HALF * row.width for row in rows) / 60
    print(f"retention times: largest difference {np.abs(shifts).max():.2f} s, mean {shifts.mean():+.2f} s")
    print(f"smallest resolution: predicted {foretold:.3f} ({third} / {fourth})")
    print(f"                     confirmed {confirmed:.3f} ({first} / {second})")
    late = ", AFTER THE PROGRAM'S END" if end > promised else ""
    print(f"run time {promised:.3f} min, last peak over at {end:.3f} min{late}")
    if [row.compound for row in rows] != sorted(predicted, key=lambda name: predicted[name].time):
        print("THE ORDER OF ELUTION IS NOT THE PREDICTED ONE")


def main(arguments: Sequence[str] | None = None) -> None:
    """Writes the scouting tables, runs the method in use or a program, or confirms a candidate."""
    options = options_of(HERE, arguments)
    if options.confirm:
        candidate = candidate_of_rank(options.confirm, options.rank)
        rows, _ = INSTRUMENT.measure(candidate, 10 + options.rank)
        print_comparison(prediction_of(candidate, INSTRUMENT), rows, candidate["run_time_min"])
        if options.out:
            write_table(options.out, rows, tailing=False)
    elif options.run:
        rows, hold_up = run_program(INSTRUMENT, options.run)
        print_run(rows, hold_up)
        if options.out:
            write_table(options.out, rows, tailing=False)
    elif options.current:
        print_run(*INSTRUMENT.measure(PROGRAMS["current"], NOISE_STREAM["current"]))
    else:
        for name in ("slow", "fast"):
            rows, hold_up = INSTRUMENT.measure(PROGRAMS[name], NOISE_STREAM[name])
            write_table((options.out or HERE) / f"{name}.csv", rows, tailing=False)
            print(f"{name}.csv written; hold_up_min = {hold_up / 60:.3f}")


if __name__ == "__main__":
    main()
