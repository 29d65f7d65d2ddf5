"""Flow in the column: round trips, limits and Poiseuille's law integrated by a second way."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import quad

from models.column.carrier_gas import CARRIER_GASES, carrier_gas, viscosity
from models.column.pieces import Bare
from models.column.system import (
    Column,
    compressibility,
    flow,
    hold_up_time,
    inlet_pressure_for_flow,
    inlet_pressure_for_velocity,
    pressure_leaving,
    velocity_outlet,
)
from models.errors import InvalidInputError

COLUMN = Column(30.0, 0.25e-3, 0.25e-6)
AMBIENT = 101325.0
GASES = list(CARRIER_GASES.values())
T = np.linspace(300.0, 620.0, 9)


@pytest.mark.parametrize("gas", GASES, ids=lambda gas: gas.name)
@pytest.mark.parametrize("outlet", [AMBIENT, 0.0])
def test_flow_and_inlet_pressure_are_inverse(gas, outlet) -> None:  # type: ignore[no-untyped-def]
    pi = np.linspace(outlet + 5e3, outlet + 5e5, 9)
    there = flow(COLUMN, gas, T, pi, outlet)
    np.testing.assert_allclose(inlet_pressure_for_flow(COLUMN, gas, T, there, outlet), pi, rtol=1e-13)


@pytest.mark.parametrize("gas", GASES, ids=lambda gas: gas.name)
@pytest.mark.parametrize("outlet", [AMBIENT, 0.0])
def test_average_velocity_and_inlet_pressure_are_inverse(gas, outlet) -> None:  # type: ignore[no-untyped-def]
    velocity = np.geomspace(0.02, 3.0, 9)
    pi = inlet_pressure_for_velocity(COLUMN, gas, T, velocity, outlet)
    np.testing.assert_allclose(COLUMN.length / hold_up_time(COLUMN, gas, T, pi, outlet), velocity, rtol=1e-11)


@pytest.mark.parametrize("pi", [1.02e5, 1.5e5, 6e5])
def test_hold_up_time_is_the_integral_of_time_per_length(pi: float) -> None:
    """dt = dx/u with p u = constant = r^2 (pi^2 - po^2)/(16 eta L): Poiseuille's law with the ideal gas law."""
    gas = carrier_gas("nitrogen")
    up = COLUMN.radius**2 * (pi**2 - AMBIENT**2) / (16 * viscosity(gas, 400.0) * COLUMN.length)
    total = quad(lambda z: float(np.sqrt(pi**2 - (pi**2 - AMBIENT**2) * z) / up), 0, 1)[0] * COLUMN.length
    assert float(hold_up_time(COLUMN, gas, 400.0, pi, AMBIENT)) == pytest.approx(total, rel=1e-10)


@pytest.mark.parametrize("outlet", [AMBIENT, 0.0])
def test_a_line_passes_what_its_column_passes(outlet: float) -> None:
    """Each as a tube by itself, at its own temperature, between the pressures at its ends."""
    gas, pi, heat, line = (
        carrier_gas("helium"),
        np.linspace(1.3e5, 4e5, 9),
        553.15,
        Column(1.0, 0.15e-3, 1e-9),
    )
    joined = replace(COLUMN, after=(Bare(0.4, 0.15e-3, heat), Bare(0.6, 0.15e-3, heat)))
    px = np.asarray(pressure_leaving(joined, gas, T, pi, outlet))
    assert ((px > outlet) & (px < pi)).all()
    there = flow(joined, gas, T, pi, outlet)
    np.testing.assert_allclose(
        there, [float(flow(COLUMN, gas, *each)) for each in zip(T, pi, px, strict=True)]
    )
    np.testing.assert_allclose(there, [float(flow(line, gas, heat, p, outlet)) for p in px])
    np.testing.assert_allclose(inlet_pressure_for_flow(joined, gas, T, there, outlet), pi)
    stays = [hold_up_time(COLUMN, gas, T, pi, px), hold_up_time(line, gas, heat, px, outlet)]
    np.testing.assert_allclose(hold_up_time(joined, gas, T, pi, outlet), stays[0] + stays[1])


def test_vanishing_drop_leaves_an_incompressible_fluid() -> None:
    """u = r^2 dp/(8 eta L), Poiseuille; j tends to one."""
    gas, drop = carrier_gas("helium"), 1.0
    u = COLUMN.radius**2 * drop / (8 * viscosity(gas, 373.15) * COLUMN.length)
    tM = hold_up_time(COLUMN, gas, 373.15, AMBIENT + drop, AMBIENT)
    assert float(tM) == pytest.approx(COLUMN.length / float(u), rel=1e-5)
    assert float(compressibility(AMBIENT + drop, AMBIENT)) == pytest.approx(1.0, abs=1e-5)


def test_average_velocity_is_j_times_outlet_velocity() -> None:
    """James and Martin, Biochem. J. 50 (1952) 679."""
    gas, pi = carrier_gas("hydrogen"), np.linspace(1.1e5, 6e5, 7)
    mean = COLUMN.length / hold_up_time(COLUMN, gas, 350.0, pi, AMBIENT)
    product = compressibility(pi, AMBIENT) * velocity_outlet(COLUMN, gas, 350.0, pi, AMBIENT)
    np.testing.assert_allclose(mean, product, rtol=1e-12)


def test_velocity_at_a_vacuum_outlet_is_unbounded() -> None:
    assert np.isinf(velocity_outlet(COLUMN, carrier_gas("helium"), 400.0, 1e5, 0.0))


@pytest.mark.parametrize("function", [hold_up_time, flow, velocity_outlet])
def test_inlet_below_outlet_is_refused(function) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(InvalidInputError, match="gauge"):
        function(COLUMN, carrier_gas("helium"), 400.0, np.array([2e5, 9e4]), AMBIENT)


def test_unknown_gas_names_the_known_ones() -> None:
    with pytest.raises(InvalidInputError, match="helium"):
        carrier_gas("neon")


@pytest.mark.parametrize(
    "dimensions", [(0.0, 2.5e-4, 2.5e-7), (30.0, -1e-4, 2.5e-7), (30.0, 2.5e-4, 1.25e-4)]
)
def test_impossible_columns_are_refused(dimensions: tuple[float, float, float]) -> None:
    with pytest.raises(InvalidInputError):
        Column(*dimensions)
