"""The instrument behind this scenario: it makes the peak tables of the scouting runs and runs confirmations.

    python scenarios/light_gases/make_data.py                       writes slow.csv and fast.csv
    python scenarios/light_gases/make_data.py --current             runs the method in use
    python scenarios/light_gases/make_data.py --confirm candidates.json --rank 1 --out confirm.csv

It shares neither retention model nor engine with the packages, and differs from what they assume where a real
instrument would:

- molecules are held by two kinds of places of different strength, so that no straight line in 1/T describes them;
- the layer is thicker than its tag says, and leaves the gas less room;
- the oven lags its set point;
- times, widths and areas carry noise and are printed as a data system prints them.

Bands are marched in time by the reference integrator of the tests. Programs and nominal dimensions are read from
scenario.toml. SI units inside.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parents[1]))

from tests.reference import polymer_solution  # noqa: E402
from tests.reference.confirmation import run_command  # noqa: E402
from tests.reference.instrument import (  # noqa: E402
    HELIUM_MASS,
    HELIUM_VOLUME,
    Instrument,
    R,
    Reality,
    Solute,
    load,
)

# What distinguishes this instrument from its data sheet
LAYER = 20.8e-6  # m, where the tag says 20 µm
RESISTANCE = 1.6e-3  # s, of exchange with the layer, C in C k/(1+k)^2 u
OVEN_LAG = 4.0  # s, time constant of a first-order lag
PLATE_HEIGHT_FACTOR = 1.15  # real columns fall short of the theory
INJECTED = 0.35  # s, standard deviation of the injected band, a gas loop
RETENTION_NOISE = 0.15  # s, standard deviation between like runs
HOLD_UP_NOISE = 0.2  # s, of the marker
WIDTH_NOISE, AREA_NOISE = 0.02, 0.01  # relative standard deviations
SEED = 20261130

T_GIVEN = 373.15  # K, at which the constants below hold
STRONG_SHARE = 0.15  # of what is held there, by the stronger places
STRONGER = 8e3  # J/mol, by how much these hold more strongly


@dataclass(frozen=True)
class Compound:
    """Layer over gas at 100 °C [-], heat of the weaker places [J/mol], g/mol, diffusion volume [cm3/mol], area."""

    partition: float
    heat: float
    mass: float
    volume: float
    area: float


# Heats of alkanes from the published increments on a porous polymer (12 kJ/mol a CH3, 7.5 a CH2), the others and all
# partition coefficients round figures of our own. Diffusion volumes: Fuller, Ensley, Giddings (1969).
COMPOUNDS = {
    "nitrogen": Compound(0.29, 11.0e3, 28.01, 18.5, 900.0),
    "methane": Compound(0.52, 15.5e3, 16.04, 25.1, 1450.0),
    "carbon dioxide": Compound(1.05, 21.0e3, 44.01, 26.9, 620.0),
    "ethylene": Compound(1.85, 23.0e3, 28.05, 41.0, 980.0),
    "acetylene": Compound(2.08, 26.0e3, 26.04, 36.4, 310.0),
    "ethane": Compound(2.42, 24.0e3, 30.07, 45.7, 870.0),
    "propylene": Compound(7.8, 31.0e3, 42.08, 61.6, 760.0),
    "propane": Compound(8.7, 31.5e3, 44.10, 66.2, 690.0),
    "isobutane": Compound(20.8, 37.0e3, 58.12, 86.7, 420.0),
    "1-butene": Compound(24.0, 38.5e3, 56.11, 82.1, 330.0),
    "1,3-butadiene": Compound(25.9, 40.5e3, 54.09, 77.5, 280.0),
    "n-butane": Compound(28.0, 39.0e3, 58.12, 86.7, 460.0),
    "isopentane": Compound(67.0, 44.5e3, 72.15, 107.2, 210.0),
    "n-pentane": Compound(84.0, 46.5e3, 72.15, 107.2, 260.0),
}


def ln_partition(compound: Compound) -> Callable[[float], float]:
    """ln of layer over gas as a function of T [K]: places of two strengths side by side."""

    def of(T: float) -> float:
        x = (1 / T - 1 / T_GIVEN) / R
        weak = (1 - STRONG_SHARE) * math.exp(compound.heat * x)
        strong = STRONG_SHARE * math.exp((compound.heat + STRONGER) * x)
        return math.log(compound.partition * (weak + strong))

    return of


def diffusion(compound: Compound) -> float:
    """D p/T^1.75 [m2 Pa/(s K^1.75)] in helium (Fuller)."""
    reduced = 2 / (1 / compound.mass + 1 / HELIUM_MASS)
    return 0.0143 / (math.sqrt(reduced) * (math.cbrt(compound.volume) + math.cbrt(HELIUM_VOLUME)) ** 2)


NOMINAL, PROGRAMS = load(HERE / "scenario.toml")
INSTRUMENT = Instrument(
    NOMINAL,
    Reality(
        bore_factor=1.0,
        oven_lag=OVEN_LAG,
        plate_height_factor=PLATE_HEIGHT_FACTOR,
        injected=INJECTED,
        film_diffusion=polymer_solution.film_diffusion,  # of no account: the resistance is stated
        retention_noise=RETENTION_NOISE,
        hold_up_noise=HOLD_UP_NOISE,
        width_noise=WIDTH_NOISE,
        area_noise=AREA_NOISE,
        seed=SEED,
        layer=LAYER,
        resistance=RESISTANCE,
    ),
    {
        name: Solute(ln_partition(compound), diffusion(compound), compound.area)
        for name, compound in COMPOUNDS.items()
    },
)


def main(arguments: Sequence[str] | None = None) -> None:
    """Writes the scouting tables, runs the method in use or a program, or confirms a candidate."""
    run_command(INSTRUMENT, PROGRAMS, HERE, arguments)


if __name__ == "__main__":
    main()
