"""The instrument behind this scenario: it makes the peak tables of the scouting runs and runs confirmations.

    python scenarios/heat_sensitive/make_data.py                   writes gentle.csv and steep.csv
    python scenarios/heat_sensitive/make_data.py --current         runs the method in use
    python scenarios/heat_sensitive/make_data.py --confirm candidates.json --rank 1 --out confirm.csv

It shares neither retention model nor engine with the packages, and differs from what they assume where a real
instrument would: retention follows boiling points and a solution in a polymer, the oven lags its set point, the
pneumatics know only the nominal bore and the set-point temperature, and times, widths and areas carry noise.

Bands are marched in time by the reference integrator of the tests; what decomposes on the way is integrated along the
true temperature and missing from the area. Programs, nominal dimensions and kinetics are read from scenario.toml.
SI units inside.
"""

from __future__ import annotations

import math
import sys
import tomllib
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
    resolution,
    run_program,
    write_table,
)
from tests.reference.instrument import (  # noqa: E402
    ZERO_C,
    Instrument,
    Measured,
    R,
    Reality,
    Solute,
    diffusion_in_helium,
    load,
)

# What distinguishes this instrument from its data sheet
BORE_FACTOR = 0.996  # true bore / nominal bore
OVEN_LAG = 2.0  # s, time constant of a first-order lag
PLATE_HEIGHT_FACTOR = 1.12  # real columns fall short of Golay's equation
INJECTED = 0.3  # s, standard deviation of the injected band
RETENTION_NOISE = 0.06  # s, standard deviation between like runs
HOLD_UP_NOISE = 0.2  # s, of the marker
WIDTH_NOISE, AREA_NOISE = 0.01, 0.01  # relative standard deviations
SEED = 20251126
NOISE_STREAM = {"gentle": 0, "steep": 1, "current": 2}  # a confirmation of rank n draws from stream 10 + n


@dataclass(frozen=True)
class Compound:
    """Boiling point [K], molar volume of the liquid [m3/mol], class, atoms, area of what is injected."""

    boiling: float
    volume: float
    kind: str
    atoms: dict[str, int]
    area: float


# Invented: boiling points and volumes of the size that such formulas have.
COMPOUNDS = {
    "ether A": Compound(391.0, 161e-6, "ether", {"C": 7, "H": 16, "O": 1}, 620.0),
    "ether B": Compound(391.9, 161e-6, "ether", {"C": 7, "H": 16, "O": 1}, 700.0),
    "ether C": Compound(415.5, 169e-6, "ether", {"C": 8, "H": 18, "O": 1}, 540.0),
    "ester A": Compound(438.0, 150e-6, "ester", {"C": 7, "H": 14, "O": 2}, 810.0),
    "aldehyde A": Compound(464.0, 171e-6, "aldehyde", {"C": 9, "H": 18, "O": 1}, 760.0),
    "ester B": Compound(481.0, 183e-6, "ester", {"C": 9, "H": 18, "O": 2}, 650.0),
    "peroxide A": Compound(490.0, 185e-6, "peroxide", {"C": 8, "H": 18, "O": 2}, 580.0),
    "ester C": Compound(502.0, 200e-6, "ester", {"C": 10, "H": 20, "O": 2}, 690.0),
    "peroxide B": Compound(509.0, 203e-6, "peroxide", {"C": 9, "H": 18, "O": 3}, 610.0),
    "ether D": Compound(517.0, 233e-6, "ether", {"C": 12, "H": 26, "O": 1}, 730.0),
    "peroxide C": Compound(529.0, 221e-6, "peroxide", {"C": 10, "H": 22, "O": 2}, 640.0),
}

# chi = a + b/T of a vapour in the polymer, by class; assumed, round figures.
INTERACTION = {
    "aldehyde": (0.20, 215.0),
    "ether": (0.30, 90.0),
    "ester": (0.25, 190.0),
    "peroxide": (0.25, 240.0),
}


def ln_vapour_pressure(boiling: float) -> Callable[[float], float]:
    """ln(p/Pa) as a function of T [K]: Antoine's equation through the boiling point [K].

    Heat of vaporisation there from Kistiakowsky's rule, Tb (36.61 + R ln Tb) J/mol; Antoine's C from Thomson's,
    0.19 Tb - 18 K. Both as in Reid, Prausnitz, Sherwood, The Properties of Gases and Liquids, 3rd ed. (from memory).
    """
    C = 0.19 * boiling - 18.0
    heat = boiling * (36.61 + R * math.log(boiling))
    B = heat / R * ((boiling - C) / boiling) ** 2
    return lambda T: math.log(101325.0) + B / (boiling - C) - B / (T - C)


def ln_retention_factor(name: str, phase_ratio: float) -> Callable[[float], float]:
    """ln k of a compound as a function of T [K]."""
    compound = COMPOUNDS[name]
    ln_p = ln_vapour_pressure(compound.boiling)
    return polymer_solution.ln_retention_factor(
        ln_p, compound.volume, INTERACTION[compound.kind], phase_ratio
    )


@cache
def kinetics() -> dict[str, dict[str, float]]:
    """What scenario.toml says about decomposition, by compound."""
    document = tomllib.loads((HERE / "scenario.toml").read_text(encoding="utf-8"))
    stated = [analyte for analyte in document["analytes"] if "decomposition" in analyte]
    return {analyte["compound"]: analyte["decomposition"] for analyte in stated}


def rate_constant(name: str) -> Callable[[float], float] | None:
    """First-order rate constant [1/s] of T [K]; None for what lasts."""
    if name not in kinetics():
        return None
    stated = kinetics()[name]
    slope = stated["activation_energy_kJ_per_mol"] * 1e3 / R
    at, there = stated["at_C"] + ZERO_C, math.log(2) / (stated["half_life_min"] * 60)
    return lambda T: there * math.exp(-slope * (1 / T - 1 / at))


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
        name: Solute(
            ln_retention_factor(name, 1.0),
            diffusion_in_helium(one.atoms, 0),
            one.area,
            decomposition=rate_constant(name),
        )
        for name, one in COMPOUNDS.items()
    },
)


def survivors(program: dict[str, Any]) -> dict[str, float]:
    """The share of every compound that leaves the column whole."""
    return {
        name: INSTRUMENT.intact_fraction(program, name, INSTRUMENT.true_peak(program, name).time)
        for name in COMPOUNDS
    }


def print_run(rows: Sequence[Measured], hold_up: float, intact: dict[str, float]) -> None:
    """A run's peaks, the resolution of each from the one before, and what is left of it."""
    print(f"hold-up {hold_up / 60:.3f} min\n{'compound':14s}{'min':>9s}{'w/2 s':>8s}{'Rs':>8s}{'intact':>9s}")
    for before, row in zip([None, *rows], rows, strict=False):
        rs = "" if before is None else f"{resolution(before, row):.2f}"
        print(f"{row.compound:14s}{row.time / 60:9.3f}{row.width:8.2f}{rs:>8s}{intact[row.compound]:9.4f}")


def print_comparison(chosen: dict[str, Any], rows: Sequence[Measured], intact: dict[str, float]) -> None:
    """Predicted against confirmed, in order of confirmed elution."""
    peaks = {peak["compound"]: peak for peak in chosen["peaks"]}
    predicted = {
        name: Measured(name, peak["retention_min"] * 60, peak["width_half_min"] * 60, 0.0)
        for name, peak in peaks.items()
    }
    print(f"{'':14s}{'retention, min':>20s}{'':9s}{'resolution':>16s}{'intact':>16s}")
    print(
        f"{'compound':14s}{'predicted':>10s}{'confirmed':>10s}{'diff. s':>9s}"
        + 2 * f"{'pred.':>8s}{'conf.':>8s}"
    )
    foretold, found = [], []
    for before, row in zip([None, *rows], rows, strict=False):
        guess, text = predicted[row.compound], " " * 16
        if before is not None:
            foretold.append((resolution(predicted[before.compound], guess), before.compound, row.compound))
            found.append((resolution(before, row), before.compound, row.compound))
            text = f"{foretold[-1][0]:8.2f}{found[-1][0]:8.2f}"
        if row.compound in kinetics():
            share = peaks[row.compound].get("intact_fraction")
            text += f"{'-' if share is None else f'{share:.4f}':>8s}{intact[row.compound]:8.4f}"
        shift = row.time - guess.time
        print(f"{row.compound:14s}{guess.time / 60:10.3f}{row.time / 60:10.3f}{shift:+9.2f}{text}")
    shifts = np.array([row.time - predicted[row.compound].time for row in rows])
    end = max(row.time + BASE_HALF * row.width for row in rows) / 60
    print(f"retention times: largest difference {np.abs(shifts).max():.2f} s, mean {shifts.mean():+.2f} s")
    for word, (rs, a, b) in (("predicted", min(foretold)), ("confirmed", min(found))):
        print(f"smallest resolution {word} {rs:.3f} ({a} / {b})")
    print(
        f"smallest intact fraction confirmed {min(intact.values()):.4f} ({min(intact, key=intact.__getitem__)})"
    )
    late = ", AFTER THE PROGRAM'S END" if end > chosen["run_time_min"] else ""
    print(f"run time {chosen['run_time_min']:.3f} min, last peak over at {end:.3f} min{late}")
    if [row.compound for row in rows] != sorted(predicted, key=lambda name: predicted[name].time):
        print("THE ORDER OF ELUTION IS NOT THE PREDICTED ONE")


def main(arguments: Sequence[str] | None = None) -> None:
    """Writes the scouting tables, runs the method in use or a program, or confirms a candidate."""
    options = options_of(HERE, arguments)
    if options.confirm:
        chosen = candidate_of_rank(options.confirm, options.rank)
        rows, _ = INSTRUMENT.measure(chosen, 10 + options.rank)
        print_comparison(chosen, rows, survivors(chosen))
        if options.out:
            write_table(options.out, rows)
    elif options.run:
        rows, hold_up = run_program(INSTRUMENT, options.run)
        survive = survivors(tomllib.loads(options.run.read_text(encoding="utf-8")))
        print_run(rows, hold_up, survive)
        if options.out:
            write_table(options.out, rows)
    elif options.current:
        rows, hold_up = INSTRUMENT.measure(PROGRAMS["current"], NOISE_STREAM["current"])
        print_run(rows, hold_up, survivors(PROGRAMS["current"]))
    else:
        for name in ("gentle", "steep"):
            rows, hold_up = INSTRUMENT.measure(PROGRAMS[name], NOISE_STREAM[name])
            write_table((options.out or HERE) / f"{name}.csv", rows)
            print(f"{name}.csv written; hold_up_min = {hold_up / 60:.3f}")


if __name__ == "__main__":
    main()
