"""A simulated gas chromatograph for the data scripts of scenarios; shares no code with the packages.

Bands are marched in time by the reference integrator, and the instrument differs from its data sheet where a real one
would: the oven lags its set point, the pneumatics set the inlet pressure for the nominal bore at the set-point
temperature while the gas flows through the true bore at the true one, and peak tables carry noise. Helium, outlet
at ambient pressure, constant flow or constant pressure. SI units.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from tests.reference.integrator import Band, Peak, Stretch, Tube, follow

R = 8.314462618  # J/(mol K)
ZERO_C = 273.15
FLOW_T, FLOW_P = 298.15, 101325.0  # conditions of volumetric flow
HALF_HEIGHT = 2.3548  # width at half height of a Gaussian / its standard deviation
ENDLESS = 4e5  # s, the hold after the program's end

# Diffusion volumes [cm3/mol] and molar masses [g/mol]. Fuller, Ensley, Giddings, J. Phys. Chem. 73 (1969) 3679, as in
# Poling, Prausnitz, O'Connell, The Properties of Gases and Liquids, 5th ed., table 11-1 and eq. 11-4.4.
DIFFUSION_VOLUME = {"C": 15.9, "H": 2.31, "O": 6.11}
RING_VOLUME, HELIUM_VOLUME = -18.3, 2.67
MOLAR_MASS = {"C": 12.011, "H": 1.008, "O": 15.999}
HELIUM_MASS = 4.0026


def helium_viscosity(T: float) -> float:
    """[Pa s] at T [K]; cubic in ln T, within 0.001 % of Arp, McCarty, Friend, NIST TN 1334 (1998), 0 to 400 °C."""
    x = math.log(T / 298.15)
    return 19.8458e-6 * math.exp(0.683836 * x + 0.0148382 * x**2 - 0.00302909 * x**3)


def molar_mass(atoms: Mapping[str, int]) -> float:
    """[g/mol]"""
    return sum(MOLAR_MASS[atom] * n for atom, n in atoms.items())


def diffusion_in_helium(atoms: Mapping[str, int], rings: int) -> float:
    """D p/T^1.75 [m2 Pa/(s K^1.75)] from the formula and the number of aromatic rings (Fuller)."""
    volume = sum(DIFFUSION_VOLUME[atom] * n for atom, n in atoms.items()) + RING_VOLUME * rings
    reduced = 2 / (1 / molar_mass(atoms) + 1 / HELIUM_MASS)
    return 0.0143 / (math.sqrt(reduced) * (math.cbrt(volume) + math.cbrt(HELIUM_VOLUME)) ** 2)


@dataclass(frozen=True)
class Solute:
    """One compound on this column's phase.

    Partition coefficient (film/gas) as ln K(T [K]), diffusion constant in helium [m2 Pa/(s K^1.75)], area injected,
    and USP tailing factor.
    """

    ln_partition: Callable[[float], float]
    diffusion: float
    area: float
    tailing: float = 1.0


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
        molar = flow * FLOW_P / (R * FLOW_T)
        resistance = 16 * helium_viscosity(T) * self.length / (math.pi * (self.bore / 2) ** 4)
        return math.sqrt(self.ambient**2 + resistance * molar * R * T)


@dataclass(frozen=True)
class Reality:
    """What distinguishes an instrument from its data sheet, and the seed of its noise.

    Times in s; `plate_height_factor` on Golay's equation; noise as standard deviations, of widths and areas relative.
    """

    bore_factor: float
    oven_lag: float
    plate_height_factor: float
    injected: float
    film_diffusion: Callable[[float], float]
    retention_noise: float
    hold_up_noise: float
    width_noise: float
    area_noise: float
    seed: int


@dataclass(frozen=True)
class Measured:
    """One row of a peak table: retention time and width at half height [s], area, tailing factor."""

    compound: str
    time: float
    width: float
    area: float
    tailing: float = 1.0


@dataclass(frozen=True)
class Instrument:
    """A column in an oven, with the solutes of one sample."""

    nominal: Nominal
    reality: Reality
    solutes: Mapping[str, Solute]

    def true_peak(self, program: Mapping[str, Any], name: str | None) -> Peak:
        """A solute's peak, or the unretained marker's, without noise."""
        nominal, reality = self.nominal, self.reality
        bore = nominal.bore * reality.bore_factor
        tube = Tube(nominal.length, bore / 2, nominal.film, nominal.ambient, 1.0, reality.plate_height_factor)
        solute = self.solutes[name] if name is not None else next(iter(self.solutes.values()))
        ln_phase_ratio = math.log(
            bore / (4 * nominal.film)
        )  # of the true tube; the film is what the tag says

        def ln_k(T: float) -> float:
            return solute.ln_partition(T) - ln_phase_ratio if name is not None else -600.0

        band = Band(ln_k, solute.diffusion, reality.film_diffusion, reality.injected)
        stretches = stretches_of(nominal, program, reality.oven_lag)
        steady = program["carrier"]["mode"] == "constant pressure"
        peak = follow(tube, helium_viscosity, band, stretches, rtol=1e-9, steady=steady)
        if peak is None:
            raise SystemExit(f"{name}: does not leave the column")
        return peak

    def measure(self, program: Mapping[str, Any], stream: int) -> tuple[list[Measured], float]:
        """Peaks as measured, in order of elution, and the measured hold-up time [s].

        Noise comes from the given stream of random numbers and is independent from peak to peak; overlapping peaks are
        reported as if each were seen alone.
        """
        reality = self.reality
        rng = np.random.default_rng([reality.seed, stream])
        rows = []
        for name, solute in self.solutes.items():
            peak = self.true_peak(program, name)
            shift, widening, response = rng.standard_normal(3)
            rows.append(
                Measured(
                    name,
                    peak.time + reality.retention_noise * shift,
                    HALF_HEIGHT * peak.width * (1 + reality.width_noise * widening),
                    solute.area * (1 + reality.area_noise * response),
                    solute.tailing,
                )
            )
        hold_up = self.true_peak(program, None).time + reality.hold_up_noise * rng.standard_normal()
        return sorted(rows, key=lambda row: row.time), hold_up


def load(path: Path) -> tuple[Nominal, dict[str, dict[str, Any]]]:
    """Nominal dimensions and the programs of a scenario file by name, "current" among them."""
    document = tomllib.loads(path.read_text(encoding="utf-8"))
    column = document["column"]
    nominal = Nominal(
        column["length_m"],
        column["inner_diameter_mm"] * 1e-3,
        column["film_thickness_um"] * 1e-6,
        document["carrier"]["ambient_pressure_kPa"] * 1e3,
    )
    return nominal, {run["name"]: run for run in document["scouting_runs"]} | {"current": document["current"]}


def pressure_at(nominal: Nominal, carrier: Mapping[str, Any]) -> Callable[[float], float]:
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


def set_points(oven: Mapping[str, Any]) -> list[tuple[float, float, float]]:
    """Duration [s], slope [K/s] and first temperature [K] of each piece of an oven program."""
    T = oven["start_C"] + ZERO_C
    pieces = [(oven.get("hold_min", 0.0) * 60, 0.0, T)]
    for ramp in oven.get("ramps", []):
        target = ramp["to_C"] + ZERO_C
        if target != T:
            slope = math.copysign(ramp["rate_C_per_min"] / 60, target - T)
            pieces.append(((target - T) / slope, slope, T))
        pieces.append((ramp.get("hold_min", 0.0) * 60, 0.0, target))
        T = target
    return [*pieces, (ENDLESS, 0.0, T)]


def stretches_of(nominal: Nominal, program: Mapping[str, Any], lag: float) -> list[Stretch]:
    """The stretches of a program; the oven follows its set point with lag dT/dt = T_set - T [s]."""
    inlet = pressure_at(nominal, program["carrier"])
    stretches, start, behind = [], 0.0, 0.0  # behind: oven less set point at the start of the piece
    for duration, slope, begin in set_points(program["oven"]):

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
