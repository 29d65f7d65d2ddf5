"""Expansion of the gas: James and Martin's j on the times, Giddings' f1 on the plate height.

Sources: j, James and Martin, Biochem. J. 50 (1952) 679; f1 = (9/8)(P^4 - 1)(P^2 - 1)/(P^3 - 1)^2, Giddings, Seager,
Stucki and Stewart, Anal. Chem. 32 (1960) 867. `compressibility.csv` tabulates both from these expressions.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad

from models.column.carrier_gas import DIFFUSION_TEMPERATURE_EXPONENT, carrier_gas
from models.column.plate_height import gas_plate_height
from models.column.system import Column, compressibility, velocity_outlet
from tests.published.isothermal_bands import NO_FILM, plate_height
from tests.published.tables import half_unit, rows

TABLE = rows("compressibility")
RATIO = np.array([float(row["P_ratio"]) for row in TABLE])
J = np.array([float(row["j"]) for row in TABLE])
F1 = np.array([float(row["f1_Giddings"]) for row in TABLE])
ATMOSPHERE = 101325.0
COLUMN = Column(2.0, 0.25e-3, NO_FILM)  # short, so that something elutes even at a pressure ratio of 1.0001
HELIUM = carrier_gas("helium")
T = 373.15
D = 0.3e-4  # m2/s at the outlet; any value will do


def test_j() -> None:
    ours = compressibility(RATIO * ATMOSPHERE, ATMOSPHERE)
    assert np.abs(ours - J).max() <= half_unit(7) * (1 + 1e-6)


def test_f1_is_the_mean_square_of_the_local_pressure() -> None:
    """f1 = <p^2>/<p>^2, means over the length, from p(z) alone and no closed form.

    Both gas terms of the local plate height are the same everywhere; a slice dz adds H dz to the variance in length,
    and (p/<p>)^2 H dz/L^2 to the variance relative to the hold-up time, since time per length goes as p.
    """
    for P, f1 in zip(RATIO, F1, strict=True):

        def pressure(z: float, P: float = P) -> float:
            return float(np.sqrt(P**2 - (P**2 - 1) * z))

        mean = quad(pressure, 0, 1, epsabs=0, epsrel=1e-11)[0]
        mean_square = quad(lambda z: pressure(z) ** 2, 0, 1, epsabs=0, epsrel=1e-11)[0]
        assert mean_square / mean**2 == pytest.approx(f1, abs=half_unit(7) + 1e-9)


@pytest.mark.parametrize("k", [0.1, 0.5, 5.0])
def test_f1_and_j_from_the_engine(k: float) -> None:
    """Nowhere does the engine know j or f1: they must come out of its times and widths."""
    H, velocity = plate_height(
        COLUMN,
        HELIUM,
        D * ATMOSPHERE / T**DIFFUSION_TEMPERATURE_EXPONENT,
        k,
        T,
        RATIO * ATMOSPHERE,
        ATMOSPHERE,
    )
    u_out = velocity_outlet(COLUMN, HELIUM, T, RATIO * ATMOSPHERE, ATMOSPHERE)
    local = gas_plate_height(np.array(k), D / u_out, COLUMN.radius)
    assert np.abs(velocity / u_out - J).max() <= half_unit(7) + 1e-9
    assert np.abs(H / local - F1).max() <= half_unit(7) + 1e-8
