"""A simulated gas chromatograph for the data scripts of scenarios; shares no code with the packages.

Bands are marched in time by the reference integrator, and the instrument differs from its data sheet where a real one
would: the oven lags its set point, the pneumatics set the inlet pressure for the nominal bore at the set-point
temperature while the gas flows through the true bore at the true one, and peak tables carry noise. Helium, outlet
at ambient pressure, constant flow, constant pressure or a pressure program. What decomposes in the column is
integrated along the true temperature and missing from the area. SI units.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from scipy.integrate import quad

from tests.reference.integrator import Band, Peak, Stretch, Tube, follow

R = 8.314462618  # J/(mol K)
ZERO_C = 273.15
FLOW_T, FLOW_P = 298.15, 101325.0  # conditions of volumetric flow
HALF_HEIGHT = 2.3548  # width at half height of a Gaussian / its standard deviation
ENDLESS = 4e5  # s, the hold after the program's end

# Diffusion volumes [cm3/mol] and molar masses [g/mol]. Fuller, Ensley, Giddings, J. Phys. Chem. 73 (1969) 3679, as in
# Poling, Prausnitz, O'Connell, The Properties of Gases and Liquids, 5th ed., table 11-1 and eq. 11-4.4.
DIFFUSION_VOLUME = {"C": 15.9, "H": 2.31, "O": 6.11, "N": 4.54, "S": 22.9, "Cl": 21.0}
RING_VOLUME, HELIUM_VOLUME = -18.3, 2.67
MOLAR_MASS = {"C": 12.011, "H": 1.008, "O": 15.999, "N": 14.007, "S": 32.06, "Cl": 35.453}
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
    USP tailing factor, and rate constant of its decomposition [1/s] at T [K]; None for what lasts.
    """

    ln_partition: Callable[[float], float]
    diffusion: float
    area: float
    tailing: float = 1.0
    decomposition: Callable[[float], float] | None = None


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
    A porous layer is so thick in truth [m], narrows the bore and slows exchange by C k/(1+k)^2 u, `resistance` C [s].
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
    layer: float = 0.0
    resistance: float | None = None


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
        free = bore / 2 - reality.layer
        tube = Tube(
            nominal.length,
            free,
            nominal.film,
            nominal.ambient,
            1.0,
            reality.plate_height_factor,
            resistance=reality.resistance,
        )
        solute = self.solutes[name] if name is not None else next(iter(self.solutes.values()))
        # of the true tube; the film is what the tag says
        ln_phase_ratio = math.log(bore / (4 * nominal.film))
        if reality.layer:
            ln_phase_ratio = math.log(free**2 / (bore**2 / 4 - free**2))

        def ln_k(T: float) -> float:
            return solute.ln_partition(T) - ln_phase_ratio if name is not None else -600.0

        band = Band(ln_k, solute.diffusion, reality.film_diffusion, reality.injected)
        stretches = stretches_of(nominal, program, reality.oven_lag)
        steady = program["carrier"]["mode"] == "constant pressure"
        peak = follow(tube, helium_viscosity, band, stretches, rtol=1e-9, steady=steady)
        if peak is None:
            raise SystemExit(f"{name}: does not leave the column")
        return peak

    def intact_fraction(self, program: Mapping[str, Any], name: str, until: float) -> float:
        """The share of a solute that is whole after its stay of `until` [s] in the column."""
        rate = self.solutes[name].decomposition
        if rate is None:
            return 1.0
        decomposed = 0.0
        for stretch in stretches_of(self.nominal, program, self.reality.oven_lag):
            stop = min(stretch.stop, until)
            if stop > stretch.start:
                temperature = stretch.temperature
                decomposed += quad(lambda t, of=temperature: rate(of(t)), stretch.start, stop, epsrel=1e-9)[0]
        return math.exp(-decomposed)

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
            whole = self.intact_fraction(program, name, peak.time)
            rows.append(
                Measured(
                    name,
                    peak.time + reality.retention_noise * shift,
                    HALF_HEIGHT * peak.width * (1 + reality.width_noise * widening),
                    solute.area * whole * (1 + reality.area_noise * response),
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
        column.get("film_thickness_um", column.get("layer_thickness_um")) * 1e-6,
        document["carrier"]["ambient_pressure_kPa"] * 1e3,
    )
    return nominal, {run["name"]: run for run in document["scouting_runs"]} | {"current": document["current"]}


@dataclass(frozen=True)
class Piece:
    """A set point along a straight line: from `begin` at `start` [s] with a slope, up to `stop` [s]."""

    start: float
    stop: float
    begin: float
    slope: float

    def value(self, t: float) -> float:
        return self.begin + self.slope * (t - self.start)


def pieces_of(start: float, hold: float, ramps: Sequence[tuple[float, float, float]]) -> list[Piece]:
    """Holds and ramps (rate, target, hold) one after the other, and an endless hold; seconds."""
    pieces, clock, value = [Piece(0.0, hold, start, 0.0)], hold, start
    for rate, target, after in ramps:
        slope = math.copysign(rate, target - value)
        arrival = clock + (target - value) / slope
        pieces += [Piece(clock, arrival, value, slope), Piece(arrival, arrival + after, target, 0.0)]
        clock, value = arrival + after, target
    return [*(piece for piece in pieces if piece.stop > piece.start), Piece(clock, ENDLESS, value, 0.0)]


def oven_pieces(oven: Mapping[str, Any]) -> list[Piece]:
    """The oven's set point [K]."""
    ramps = [
        (ramp["rate_C_per_min"] / 60, ramp["to_C"] + ZERO_C, ramp.get("hold_min", 0.0) * 60)
        for ramp in oven.get("ramps", [])
    ]
    return pieces_of(oven["start_C"] + ZERO_C, oven.get("hold_min", 0.0) * 60, ramps)


def pressure_pieces(nominal: Nominal, carrier: Mapping[str, Any]) -> list[Piece]:
    """The set point of the inlet pressure [Pa absolute], ramped or not."""
    if carrier["mode"] == "constant pressure":
        return pieces_of(nominal.ambient + carrier["inlet_kPa"] * 1e3, 0.0, [])
    ramps = [
        (
            ramp["rate_kPa_per_min"] * 1e3 / 60,
            nominal.ambient + ramp["to_kPa"] * 1e3,
            ramp.get("hold_min", 0.0) * 60,
        )
        for ramp in carrier["ramps"]
    ]
    return pieces_of(nominal.ambient + carrier["start_kPa"] * 1e3, carrier.get("hold_min", 0.0) * 60, ramps)


def lagging(piece: Piece, behind: float, lag: float) -> Callable[[float], float]:
    """Temperature along a piece, `behind` [K] off the set point at its start: lag dT/dt = T_set - T."""
    steady = -piece.slope * lag
    excess = behind - steady
    return lambda t: piece.value(t) + steady + excess * math.exp(-(t - piece.start) / lag)


def stretches_of(nominal: Nominal, program: Mapping[str, Any], lag: float) -> list[Stretch]:
    """Stretches of a program on which neither oven nor pneumatics turn a corner; the oven's lag in s."""
    carrier = program["carrier"]
    oven, behind = [], 0.0
    for piece in oven_pieces(program["oven"]):
        temperature = lagging(piece, behind, lag)
        oven.append((piece, temperature))
        behind = temperature(piece.stop) - piece.value(piece.stop)
    if carrier["mode"] == "constant flow":
        flow = carrier["flow_mL_min"] * 1e-6 / 60

        def for_flow(piece: Piece) -> Callable[[float], float]:
            return lambda t: nominal.inlet_for_flow(flow, piece.value(t))

        return [Stretch(piece.start, piece.stop, temperature, for_flow(piece)) for piece, temperature in oven]
    if carrier["mode"] not in ("constant pressure", "pressure program"):
        raise SystemExit(
            f"carrier mode {carrier['mode']!r}: this instrument does constant flow and pressures only"
        )
    return [
        Stretch(max(piece.start, push.start), min(piece.stop, push.stop), temperature, push.value)
        for piece, temperature in oven
        for push in pressure_pieces(nominal, carrier)
        if min(piece.stop, push.stop) > max(piece.start, push.start)
    ]
