"""Golay's equation, its parts, and the tables the engine reads it from."""

from __future__ import annotations

import numpy as np
import pytest

from models.carrier_gas import CARRIER_GASES, diffusion, viscosity
from models.column import Column
from models.interpolation import antiderivative_table
from models.plate_height import (
    film_diffusion,
    film_plate_height,
    gas_plate_height,
    golay_factor,
    typical_diffusion_constant,
)
from models.plate_height_tables import plate_height_tables
from models.retention import ln_retention_factor, with_typical_values
from models.system import ColumnSystem, clock_weight, flow_group


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


def test_film_term_is_largest_at_k_one_and_goes_as_the_film_squared() -> None:
    k = np.geomspace(0.01, 100, 801)
    H = film_plate_height(k, np.array(0.4), 0.25e-6, film_diffusion(np.array(400.0)))
    assert k[int(np.argmax(H))] == pytest.approx(1.0, rel=0.02)
    thick = film_plate_height(k, np.array(0.4), 0.5e-6, film_diffusion(np.array(400.0)))
    np.testing.assert_allclose(thick, 4 * H, rtol=1e-12)


def test_larger_molecules_diffuse_more_slowly_and_hydrogen_lets_them_fastest() -> None:
    T0 = np.linspace(300, 650, 20)
    constants = {name: typical_diffusion_constant(gas, T0) for name, gas in CARRIER_GASES.items()}
    for values in constants.values():
        assert np.all(np.diff(values) < 0)
    assert np.all(constants["hydrogen"] > constants["helium"])
    assert np.all(constants["helium"] > constants["nitrogen"])


@pytest.mark.parametrize(("curved", "tolerance"), [(False, 1e-4), (True, 2e-6)])
def test_tables_against_the_equations(curved: bool, tolerance: float) -> None:
    system = ColumnSystem(Column(30.0, 0.25e-3, 1e-6), CARRIER_GASES["helium"], 101325.0)
    retention = with_typical_values(np.array([340.0, 430.0, 560.0]))
    constant = typical_diffusion_constant(system.gas, retention.T0)
    table = antiderivative_table(
        retention, lambda T: clock_weight("pressure", T, viscosity(system.gas, T)), 300.0, 620.0, 0.35
    )
    heights = plate_height_tables(system, retention, constant, table)
    compound = np.repeat(np.arange(3), 60)
    T = np.tile(np.linspace(305.0, 615.0, 60), 3)
    phi, _ = table.phi(T, compound)
    pi, P = np.array(2.5e5), 0.7
    places = heights.at(phi[None], compound, curved)
    np.testing.assert_allclose(places.temperature[0], T, rtol=tolerance)

    G = flow_group(system, pi)
    k = np.exp(ln_retention_factor(retention, T)[np.arange(180), compound])
    u = G / viscosity(system.gas, T) / (P * pi)
    H = gas_plate_height(k, diffusion(constant[compound], T, P * pi) / u, system.column.radius)
    H = H + film_plate_height(k, u, system.column.film_thickness, film_diffusion(T))
    read = places.plate_height_share(G, 1 / (pi * np.array(P)))[0]
    np.testing.assert_allclose(read * system.column.length, H, rtol=tolerance)
