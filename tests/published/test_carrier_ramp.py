"""A gas slug during pressure and flow ramps, against a fine integration of Poiseuille's law written for this test.

The slug is a compound that the film does not hold (k next to nothing): its retention time is the hold-up time of a run
whose carrier is ramped. The local velocity of an isothermal laminar flow of a compressible gas, from the pressure at
the place, is textbook physics (Poiseuille 1846; James and Martin, Biochem. J. 50 (1952) 679, for gas chromatography).
"""

from __future__ import annotations

import numpy as np
import pytest

from models.carrier_flow import inlet_pressure_for_flow
from models.carrier_gas import CARRIER_GASES, viscosity
from models.column import Column
from models.migration import migrate, migration_tables
from models.programs import CarrierProgram, OvenProgram, Program, Ramp, batch_of
from models.retention import Retention
from models.system import ColumnSystem
from models.units import flow_si, kelvin

COLUMN = Column(30.0, 0.25e-3, 0.25e-6)
HELIUM = CARRIER_GASES["helium"]
UNRETAINED = Retention(np.array([20.0]), np.array([1.0]), np.array([0.0]))  # k below 1e-7 from 50 °C on
ROOM = 101325.0
OVENS = (
    OvenProgram(kelvin(80.0)),
    OvenProgram(kelvin(60.0), 10.0, (Ramp(0.6, kelvin(180.0)),)),
)


def slug_time(oven: OvenProgram, pressure_at, outlet: float, steps: int = 40_000) -> float:  # type: ignore[no-untyped-def]
    """Fourth-order march of z in time with the local velocity r^2/(8 eta) |dp/dz|, p^2 straight in z."""
    r, L = COLUMN.inner_diameter / 2, COLUMN.length
    corner_times, corner_T = oven.knots()

    def velocity(t: float, z: float) -> float:
        T = float(np.interp(t, corner_times, corner_T))
        pi = pressure_at(t, T)
        p = np.sqrt(max(pi**2 - (pi**2 - outlet**2) * min(z, L) / L, 1.0))
        gradient = (pi**2 - outlet**2) / (2 * p * L)
        return float(r**2 / (8 * float(viscosity(HELIUM, T))) * gradient)

    dt, t, z = 300.0 / steps, 0.0, 0.0
    while True:
        a = velocity(t, z)
        b = velocity(t + dt / 2, z + a * dt / 2)
        c = velocity(t + dt / 2, z + b * dt / 2)
        d = velocity(t + dt, z + c * dt)
        step = (a + 2 * b + 2 * c + d) * dt / 6
        if z + step >= L:
            return t + dt * (L - z) / step
        t, z = t + dt, z + step


@pytest.mark.parametrize("oven", OVENS, ids=("isothermal", "oven ramp"))
def test_pressure_ramp(oven: OvenProgram) -> None:
    carrier = CarrierProgram("pressure", ROOM + 40e3, 20.0, (Ramp(2e3, ROOM + 200e3),))
    times, values = carrier.knots()
    expected = slug_time(oven, lambda t, T: float(np.interp(t, times, values)), ROOM, 8000)
    assert engine(oven, carrier) == pytest.approx(expected, rel=1e-4)


@pytest.mark.parametrize("oven", OVENS, ids=("isothermal", "oven ramp"))
def test_flow_ramp(oven: OvenProgram) -> None:
    """The pneumatics turn the flow into a pressure as the oven heats.

    pi^2 = po^2 + 16 eta L p_ref F T/(pi r^4 T_ref).
    """
    low, high = float(flow_si(0.7)), float(flow_si(2.5))
    carrier = CarrierProgram("flow", low, 15.0, (Ramp((high - low) / 60.0, high),))
    times, values = carrier.knots()
    r, L = COLUMN.inner_diameter / 2, COLUMN.length

    def pressure(t: float, T: float) -> float:
        F = float(np.interp(t, times, values))
        eta = float(viscosity(HELIUM, T))
        return float(np.sqrt(ROOM**2 + 16 * eta * L * 101325.0 * F * T / (np.pi * r**4 * 298.15)))

    expected = slug_time(oven, pressure, ROOM, 8000)
    assert engine(oven, carrier) == pytest.approx(expected, rel=1e-4)
    # And the inlet pressure itself, half-way up the ramp.
    F, T = (low + high) / 2, float(np.interp(45.0, *oven.knots()))
    own = float(inlet_pressure_for_flow(COLUMN, HELIUM, T, F, ROOM))
    assert own == pytest.approx(pressure(45.0, T), rel=1e-9)


def test_a_ramp_is_not_its_mean() -> None:
    """The check can fail: the hold-up time at the mean pressure is off by more than the ramp test allows."""
    carrier = CarrierProgram("pressure", ROOM + 40e3, 20.0, (Ramp(2e3, ROOM + 200e3),))
    steady = CarrierProgram("pressure", ROOM + 120e3)
    assert abs(engine(OVENS[0], steady) / engine(OVENS[0], carrier) - 1) > 0.05


def engine(oven: OvenProgram, carrier: CarrierProgram) -> float:
    system = ColumnSystem(COLUMN, HELIUM, ROOM)
    tables = migration_tables(system, UNRETAINED, carrier.controlled)
    return float(migrate(tables, batch_of([Program(oven, carrier)]), "polish").retention_time[0, 0])
