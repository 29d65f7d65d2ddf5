"""Golay's equation, and its parts."""

from __future__ import annotations

import numpy as np
import pytest

from models.column.carrier_gas import CARRIER_GASES
from models.column.plate_height import (
    gas_plate_height,
    golay_factor,
    terms_of,
    typical_diffusion_constant,
)
from models.column.system import Column


def test_golay_factor_from_its_definition() -> None:
    k = np.array([0.0, 0.3, 1.0, 7.0, 1e6])
    np.testing.assert_allclose(golay_factor(k), (1 + 6 * k + 11 * k**2) / (1 + k) ** 2, rtol=1e-14)
    assert golay_factor(np.array(0.0)) == 1.0


@pytest.mark.parametrize("k", [0.0, 1.0, 20.0])
def test_optimum_of_the_gas_terms(k: float) -> None:
    """H = 2 D/u + g u is least where both terms are equal."""
    radius, D = 1.25e-4, 4e-5
    u = np.geomspace(0.01, 10, 20001)
    H = gas_plate_height(np.array(k), D / u, radius)
    at = int(np.argmin(H))
    assert H[at] == pytest.approx(4 * D / u[at], rel=1e-3)


def test_taylor_dispersion_without_retention() -> None:
    """G. I. Taylor (Proc. R. Soc. A 219 (1953) 186): D_eff = r^2 u^2/(48 D) in a tube, so that H = r^2 u/(24 D)."""
    radius, D, u = 1e-4, 1e-5, 5.0
    spreading = gas_plate_height(np.array(0.0), np.array(D / u), radius) - 2 * D / u
    assert float(spreading) == pytest.approx(2 * radius**2 * u**2 / (48 * D) / u, rel=1e-12)


def test_film_term_goes_as_the_film_squared() -> None:
    thin, thick = (terms_of(Column(30.0, 0.25e-3, film)) for film in (0.25e-6, 0.5e-6))
    assert thick.resistance == pytest.approx(4 * thin.resistance, rel=1e-12)


def test_larger_molecules_diffuse_more_slowly_and_hydrogen_lets_them_fastest() -> None:
    T0 = np.linspace(300, 650, 20)
    constants = {name: typical_diffusion_constant(gas, T0) for name, gas in CARRIER_GASES.items()}
    for values in constants.values():
        assert np.all(np.diff(values) < 0)
    assert np.all(constants["hydrogen"] > constants["helium"])
    assert np.all(constants["helium"] > constants["nitrogen"])
