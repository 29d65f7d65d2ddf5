"""The instrument behind this scenario: it makes the peak tables of the scouting runs and runs confirmations.

    python scenarios/rescued_pair/make_data.py                   writes slow.csv and fast.csv
    python scenarios/rescued_pair/make_data.py --current         runs the method in use
    python scenarios/rescued_pair/make_data.py --confirm candidates.json --rank 1 --out confirm.csv

It shares neither retention model nor engine with the packages. Retention follows from each compound's vapour pressure
and its activity coefficient in the liquid phase, not from fitted parameters; bands are marched in time by the reference
integrator of the tests. Programs and nominal dimensions are read from scenario.toml. SI units inside.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parents[1]))

from tests.reference import confirmation  # noqa: E402
from tests.reference.instrument import (  # noqa: E402
    ZERO_C,
    Instrument,
    R,
    Reality,
    Solute,
    diffusion_in_helium,
    load,
    molar_mass,
)

REFERENCE_T = 383.15  # K, the temperature at which activity coefficients are given
ATMOSPHERE = 101325.0  # Pa


@dataclass(frozen=True)
class Compound:
    """One compound as this instrument sees it.

    Boiling point [°C], critical temperature [K], enthalpy of vaporisation at the boiling point [kJ/mol]; logarithm of
    the activity coefficient (mass fraction, infinite dilution) at 110 °C, enthalpy of mixing with the phase [kJ/mol];
    carbon, hydrogen and oxygen atoms, aromatic rings; area injected; tailing factor.
    """

    boiling: float
    critical: float
    vaporisation: float
    ln_activity: float
    mixing: float
    formula: tuple[int, int, int]
    rings: int
    area: float
    tailing: float = 1.0

    @property
    def atoms(self) -> dict[str, int]:
        """The formula by element."""
        return dict(zip("CHO", self.formula, strict=True))


# Invented figures of plausible size. Boiling and critical points and enthalpies of vaporisation lie near what handbooks
# give (from memory, rounded); activity coefficients put each compound about where its retention index on such a phase
# lies (from memory); enthalpies of mixing are round: positive for hydrocarbons, small for ketones and esters,
# negative for what gives the ether oxygens a hydrogen bond. The two pairs that change places were made to do so.
COMPOUNDS = {
    "alpha-pinene": Compound(156, 632, 37.8, 2.543, 6.0, (10, 16, 0), 0, 210.0),
    "beta-pinene": Compound(166, 643, 38.6, 2.366, 6.0, (10, 16, 0), 0, 160.0),
    "limonene": Compound(176, 653, 39.5, 2.170, 5.0, (10, 16, 0), 0, 540.0),
    "1,8-cineole": Compound(176, 661, 40.5, 1.996, 4.0, (10, 18, 1), 0, 1480.0),
    "p-cymene": Compound(177, 653, 38.2, 1.739, 4.0, (10, 14, 0), 1, 180.0),
    "n-tetradecane": Compound(254, 693, 47.7, 3.500, 8.0, (14, 30, 0), 0, 800.0),
    "menthone": Compound(209, 694, 44.0, 1.713, 2.0, (10, 18, 1), 0, 620.0),
    "camphor": Compound(209, 709, 44.0, 1.294, 1.0, (10, 16, 1), 0, 1350.0),
    "linalool": Compound(198, 635, 48.0, 1.326, 0.0, (10, 18, 1), 0, 460.0),
    "menthyl acetate": Compound(229, 690, 46.5, 1.653, 2.5, (12, 22, 2), 0, 330.0),
    "terpinen-4-ol": Compound(212, 675, 48.5, 1.359, -1.0, (10, 18, 1), 0, 190.0),
    "beta-caryophyllene": Compound(262, 730, 49.5, 2.648, 6.0, (15, 24, 0), 0, 240.0),
    "menthol": Compound(215, 694, 50.0, 1.333, -0.5, (10, 20, 1), 0, 14600.0, tailing=1.25),
    "isomenthol": Compound(218, 694, 50.5, 1.411, -1.0, (10, 20, 1), 0, 150.0),
    "alpha-terpineol": Compound(219, 680, 50.0, 1.157, -1.5, (10, 18, 1), 0, 170.0),
    "carvone": Compound(231, 720, 46.0, 0.944, 1.5, (10, 14, 1), 0, 230.0),
    "methyl salicylate": Compound(222, 709, 46.5, 0.560, 0.0, (8, 8, 3), 1, 1720.0),
    "geraniol": Compound(230, 670, 54.0, 0.877, -1.5, (10, 18, 1), 0, 210.0),
    "eugenol": Compound(253, 740, 52.0, -0.366, -6.0, (10, 12, 2), 1, 360.0),
    "thymol": Compound(233, 699, 51.0, -1.084, -9.0, (10, 14, 1), 1, 410.0),
}


def ln_vapour_pressure(compound: Compound) -> Callable[[float], float]:
    """ln(p/Pa) as a function of T [K].

    d ln p/dT = H/(R T^2) from the boiling point on, by quadrature, with H falling as ((Tc - T)/(Tc - Tb))^0.38:
    Watson, Ind. Eng. Chem. 35 (1943) 398.
    """
    nodes, weights = np.polynomial.legendre.leggauss(20)
    boiling, critical = compound.boiling + ZERO_C, compound.critical

    def value(T: float) -> float:
        middle, half = (T + boiling) / 2, (T - boiling) / 2
        t = middle + half * nodes
        slope = ((critical - t) / (critical - boiling)) ** 0.38 / t**2
        return math.log(ATMOSPHERE) + compound.vaporisation * 1e3 / R * half * float(weights @ slope)

    return value


def phase_density(T: float) -> float:
    """[kg/m3] of polyethylene glycol at T [K]; round figures, from memory."""
    return 1120 - 0.8 * (T - 298.15)


def film_diffusion(T: float) -> float:
    """[m2/s] at T [K]; round figures for polyethylene glycol, from memory."""
    return 2e-10 * math.exp(-38e3 / R * (1 / T - 1 / 373.15))


def ln_partition(compound: Compound) -> Callable[[float], float]:
    """ln(c_film/c_gas) as a function of T [K].

    p = w gamma p_vap with w the mass fraction, c_film = w rho/M and c_gas = p/(R T) give R T rho/(M gamma p_vap).
    """
    ln_p, mass = ln_vapour_pressure(compound), molar_mass(compound.atoms) * 1e-3

    def value(T: float) -> float:
        ln_activity = compound.ln_activity + compound.mixing * 1e3 / R * (1 / T - 1 / REFERENCE_T)
        return math.log(R * T * phase_density(T) / mass) - ln_activity - ln_p(T)

    return value


NOMINAL, PROGRAMS = load(HERE / "scenario.toml")
INSTRUMENT = Instrument(
    NOMINAL,
    Reality(
        bore_factor=0.996,
        oven_lag=4.0,
        plate_height_factor=1.15,
        injected=0.3,
        film_diffusion=film_diffusion,
        retention_noise=0.15,
        hold_up_noise=0.2,
        width_noise=0.02,
        area_noise=0.01,
        seed=20251202,
    ),
    {
        name: Solute(ln_partition(one), diffusion_in_helium(one.atoms, one.rings), one.area, one.tailing)
        for name, one in COMPOUNDS.items()
    },
)


def main(arguments: Sequence[str] | None = None) -> None:
    """Writes the scouting tables, runs the method in use or a program, or confirms a candidate."""
    confirmation.run_command(INSTRUMENT, PROGRAMS, HERE, arguments)


if __name__ == "__main__":
    main()
