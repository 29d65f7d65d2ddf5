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

import argparse
import csv
import json
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

from tests.reference.integrator import Band, Peak, Stretch, Tube, follow  # noqa: E402

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

R = 8.314462618  # J/(mol K)
ZERO_C = 273.15
FLOW_T, FLOW_P = 298.15, 101325.0  # conditions of volumetric flow
HALF_HEIGHT = 2.3548  # width at half height of a Gaussian / its standard deviation
BASE_HALF = 2 / HALF_HEIGHT  # half the base width / width at half height
ENDLESS = 4e5  # s, the hold after the program's end


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

# Diffusion volumes [cm3/mol] and molar masses [g/mol]. Fuller, Ensley, Giddings, J. Phys. Chem. 73 (1969) 3679, as in
# Poling, Prausnitz, O'Connell, The Properties of Gases and Liquids, 5th ed., table 11-1 and eq. 11-4.4.
DIFFUSION_VOLUME = {"C": 15.9, "H": 2.31, "O": 6.11, "N": 4.54, "Cl": 21.0}
RING_VOLUME, HELIUM_VOLUME = -18.3, 2.67
MOLAR_MASS = {"C": 12.011, "H": 1.008, "O": 15.999, "N": 14.007, "Cl": 35.453}
HELIUM_MASS = 4.0026


def helium_viscosity(T: float) -> float:
    """[Pa s] at T [K]; cubic in ln T, within 0.001 % of Arp, McCarty, Friend, NIST TN 1334 (1998), 0 to 400 °C."""
    x = math.log(T / 298.15)
    return 19.8458e-6 * math.exp(0.683836 * x + 0.0148382 * x**2 - 0.00302909 * x**3)


def diffusion(compound: Compound) -> float:
    """D p/T^1.75 in helium [m2 Pa/(s K^1.75)]."""
    mass = sum(MOLAR_MASS[atom] * n for atom, n in compound.atoms.items())
    volume = (
        sum(DIFFUSION_VOLUME[atom] * n for atom, n in compound.atoms.items()) + RING_VOLUME * compound.rings
    )
    reduced = 2 / (1 / mass + 1 / HELIUM_MASS)
    return 0.0143 / (math.sqrt(reduced) * (math.cbrt(volume) + math.cbrt(HELIUM_VOLUME)) ** 2)


def film_diffusion(T: float) -> float:
    """[m2/s] at T [K]; round figures for a polysiloxane, from memory."""
    return 4e-10 * math.exp(-35e3 / R * (1 / T - 1 / 373.15))


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
    """ln k as a function of T [K], from vapour pressure and a dilute solution in a polymer.

    p = phi exp(1 + chi) p_vap (Flory-Huggins, infinite dilution in a long chain) and phi = c_film V give
    c_film/c_gas = R T/(V exp(1 + chi) p_vap); k is that divided by the phase ratio.
    """
    compound, ln_p = COMPOUNDS[name], ln_vapour_pressure(name)
    a, b = INTERACTION[compound.kind]
    constant = math.log(R / (compound.volume * phase_ratio)) - 1 - a
    return lambda T: constant + math.log(T) - b / T - ln_p(T)


@dataclass(frozen=True)
class Nominal:
    """What the tag and the pneumatics know: length, bore, film [m]; ambient pressure [Pa]."""

    length: float
    bore: float
    film: float
    ambient: float

    def inlet_for_flow(self, flow: float, T: float) -> float:
        """Inlet pressure [Pa] that drives `flow` [m3/s at 25 °C and 1 atm] through the nominal bore at T [K].

        Laminar compressible flow: n R T = pi r^4 (pi^2 - po^2)/(16 eta L), and n = flow FLOW_P/(R FLOW_T).
        """
        drive = (
            16
            * helium_viscosity(T)
            * self.length
            * flow
            * FLOW_P
            * T
            / (math.pi * (self.bore / 2) ** 4 * FLOW_T)
        )
        return math.sqrt(self.ambient**2 + drive)


@dataclass(frozen=True)
class Measured:
    """One row of a peak table: retention time and width at half height [s], area."""

    compound: str
    time: float
    width: float
    area: float


def load(path: Path = HERE / "scenario.toml") -> tuple[Nominal, dict[str, dict[str, Any]]]:
    """Nominal dimensions and the programs of scenario.toml by name, "current" among them."""
    document = tomllib.loads(path.read_text(encoding="utf-8"))
    column = document["column"]
    nominal = Nominal(
        column["length_m"],
        column["inner_diameter_mm"] * 1e-3,
        column["film_thickness_um"] * 1e-6,
        document["carrier"]["ambient_pressure_kPa"] * 1e3,
    )
    return nominal, {run["name"]: run for run in document["scouting_runs"]} | {"current": document["current"]}


def pressure_at(nominal: Nominal, carrier: dict[str, Any]) -> Callable[[float], float]:
    """Inlet pressure [Pa absolute] that the pneumatics set at a set-point oven temperature [K]."""
    if carrier["mode"] == "constant flow":
        flow = carrier["flow_mL_min"] * 1e-6 / 60
        return lambda T: nominal.inlet_for_flow(flow, T)
    if carrier["mode"] == "constant pressure":
        inlet = nominal.ambient + carrier["inlet_kPa"] * 1e3
        return lambda T: inlet
    raise SystemExit(
        f"carrier mode {carrier['mode']!r}: this instrument does constant flow and constant pressure only"
    )


def stretches_of(nominal: Nominal, program: dict[str, Any], lag: float = OVEN_LAG) -> list[Stretch]:
    """The stretches of a program; the oven follows its set point with lag dT/dt = T_set - T [s]."""
    oven = program["oven"]
    inlet = pressure_at(nominal, program["carrier"])
    T = oven["start_C"] + ZERO_C
    pieces = [(oven.get("hold_min", 0.0) * 60, 0.0, T)]  # duration, set-point slope, set point at its start
    for ramp in oven.get("ramps", []):
        target = ramp["to_C"] + ZERO_C
        if target != T:
            slope = math.copysign(ramp["rate_C_per_min"] / 60, target - T)
            pieces.append(((target - T) / slope, slope, T))
        pieces.append((ramp.get("hold_min", 0.0) * 60, 0.0, target))
        T = target
    pieces.append((ENDLESS, 0.0, T))

    stretches, start, behind = [], 0.0, 0.0  # behind: oven less set point at the start of the piece
    for duration, slope, begin in pieces:

        def set_point(t: float, start: float = start, slope: float = slope, begin: float = begin) -> float:
            return begin + slope * (t - start)

        steady = -slope * lag

        def temperature(
            t: float,
            start: float = start,
            steady: float = steady,
            excess: float = behind - steady,
            set_point: Callable[[float], float] = set_point,
        ) -> float:
            return set_point(t) + steady + excess * math.exp(-(t - start) / lag)

        def pressure(t: float, set_point: Callable[[float], float] = set_point) -> float:
            return inlet(set_point(t))

        stretches.append(Stretch(start, start + duration, temperature, pressure))
        behind = steady + (behind - steady) * math.exp(-duration / lag)
        start += duration
    return stretches


def true_peak(nominal: Nominal, program: dict[str, Any], name: str | None) -> Peak:
    """A compound's peak, or the unretained marker's, without noise."""
    bore = nominal.bore * BORE_FACTOR
    tube = Tube(nominal.length, bore / 2, nominal.film, nominal.ambient, 1.0, PLATE_HEIGHT_FACTOR)
    if name is None:
        band = Band(lambda T: -600.0, diffusion(COMPOUNDS["2-pentanone"]), film_diffusion, INJECTED)
    else:
        # Phase ratio of the true tube, bore/(4 film): the film is what the tag says.
        ln_k = ln_retention_factor(name, bore / (4 * nominal.film))
        band = Band(ln_k, diffusion(COMPOUNDS[name]), film_diffusion, INJECTED)
    steady = program["carrier"]["mode"] == "constant pressure"
    peak = follow(tube, helium_viscosity, band, stretches_of(nominal, program), rtol=1e-9, steady=steady)
    if peak is None:
        raise SystemExit(f"{name}: does not leave the column")
    return peak


def measure(nominal: Nominal, program: dict[str, Any], stream: int) -> tuple[list[Measured], float]:
    """Peaks as measured, in order of elution, and the measured hold-up time [s]."""
    rng = np.random.default_rng([SEED, stream])
    rows = []
    for name, compound in COMPOUNDS.items():
        peak = true_peak(nominal, program, name)
        shift, widening, response = rng.standard_normal(3)
        rows.append(
            Measured(
                name,
                peak.time + RETENTION_NOISE * shift,
                HALF_HEIGHT * peak.width * (1 + WIDTH_NOISE * widening),
                compound.area * (1 + AREA_NOISE * response),
            )
        )
    hold_up = true_peak(nominal, program, None).time + HOLD_UP_NOISE * rng.standard_normal()
    return sorted(rows, key=lambda row: row.time), hold_up


def write_table(path: Path, rows: Sequence[Measured]) -> None:
    """A peak table as a data system exports it."""
    with open(path, "w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(["compound", "retention_min", "width_half_min", "area"])
        for row in rows:
            writer.writerow(
                [row.compound, f"{row.time / 60:.3f}", f"{row.width / 60:.4f}", f"{row.area:.1f}"]
            )


def resolution(first: Measured, second: Measured) -> float:
    """1.18 (t2 - t1)/(w1 + w2), widths at half height; USP <621>."""
    return 1.18 * (second.time - first.time) / (first.width + second.width)


def print_run(rows: Sequence[Measured], hold_up: float) -> None:
    """A run's peaks and the resolution of each from the one before."""
    print(f"hold-up {hold_up / 60:.3f} min\n{'compound':24s}{'min':>9s}{'w/2 s':>8s}{'Rs':>8s}")
    for before, row in zip([None, *rows], rows, strict=False):
        rs = "" if before is None else f"{resolution(before, row):8.2f}"
        print(f"{row.compound:24s}{row.time / 60:9.3f}{row.width:8.2f}{rs}")


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


def confirm(nominal: Nominal, path: Path, rank: int) -> tuple[dict[str, Measured], list[Measured], float]:
    """Prediction and confirmation run of the candidate of that rank, and its predicted run time [min]."""
    candidates = json.loads(path.read_text(encoding="utf-8"))["candidates"]
    chosen = next((each for each in candidates if each["rank"] == rank), None)
    if chosen is None:
        raise SystemExit(
            f"{path}: no candidate of rank {rank}; it has {[each['rank'] for each in candidates]}"
        )
    predicted = {
        peak["compound"]: Measured(
            peak["compound"], peak["retention_min"] * 60, peak["width_half_min"] * 60, 0.0
        )
        for peak in chosen["peaks"]
    }
    rows, _ = measure(nominal, chosen, 10 + rank)
    return predicted, rows, chosen["run_time_min"]


def main(arguments: Sequence[str] | None = None) -> None:
    """Writes the scouting tables, or runs the method in use, or confirms a candidate."""
    parser = argparse.ArgumentParser(description="The simulated instrument of the slow_isothermal scenario.")
    parser.add_argument("--current", action="store_true", help="run the method in use and print its peaks")
    parser.add_argument("--confirm", type=Path, metavar="CANDIDATES", help="candidates.json to confirm from")
    parser.add_argument("--rank", type=int, default=1, help="rank of the candidate to run (default 1)")
    parser.add_argument(
        "--out", type=Path, help="peak table of the confirmation, or folder of the scouting tables"
    )
    options = parser.parse_args(arguments)
    nominal, programs = load()
    if options.confirm:
        predicted, rows, promised = confirm(nominal, options.confirm, options.rank)
        print_comparison(predicted, rows, promised)
        if options.out:
            write_table(options.out, rows)
    elif options.current:
        print_run(*measure(nominal, programs["current"], NOISE_STREAM["current"]))
    else:
        for name in ("slow", "fast"):
            rows, hold_up = measure(nominal, programs[name], NOISE_STREAM[name])
            write_table((options.out or HERE) / f"{name}.csv", rows)
            print(f"{name}.csv written; hold_up_min = {hold_up / 60:.3f}")


if __name__ == "__main__":
    main()
