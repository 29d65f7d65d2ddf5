"""A gas slug during pressure and flow ramps, against a fine integration of Poiseuille's law written for this test.

The slug is a compound that the film does not hold (k below 1e-7): its retention time is the hold-up time of a run
whose carrier is ramped. Local velocity and pressure of a laminar, isothermal flow of an ideal gas are textbook physics
(Poiseuille 1846; James and Martin, Biochem. J. 50 (1952) 679, for gas chromatography). Only the viscosity is the
package's, which `test_viscosity` holds against reference equations.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from models.column.carrier_gas import CARRIER_GASES, viscosity
from models.column.programs import CarrierProgram, Controlled, OvenProgram, Program, Ramp, batch_of
from models.column.retention import Retention
from models.column.system import Column, ColumnSystem, flow, hold_up_time, inlet_pressure
from models.peaks.migration import migrate, migration_tables
from models.units import flow_si, kelvin

COLUMN = Column(30.0, 0.25e-3, 0.25e-6)
RADIUS, LENGTH = 0.125e-3, 30.0
HELIUM = CARRIER_GASES["helium"]
UNRETAINED = Retention(np.array([20.0]), np.array([1.0]), np.array([0.0]))
ROOM = 101325.0
OUTLETS = pytest.mark.parametrize("outlet", [ROOM, 0.0], ids=("ambient", "vacuum"))
OVENS = pytest.mark.parametrize(
    "oven",
    [OvenProgram(kelvin(80.0)), OvenProgram(kelvin(60.0), 10.0, (Ramp(0.6, kelvin(180.0)),))],
    ids=("isothermal", "oven ramp"),
)
# Slow enough that the slug leaves in the middle of the ramp: up, and down again after a hold.
RAMPS = pytest.mark.parametrize(
    ("start", "ramps"),
    [(0.35, (Ramp(1 / 200, 1.0),)), (0.6, (Ramp(1 / 40, 1.0, 10.0), Ramp(1 / 400, 0.5)))],
    ids=("up", "up and down"),
)
PRESSURE, FLOW = 150e3, float(flow_si(2.0))  # Pa gauge and m3/s, by which the ramps are scaled


def carrier(controlled: Controlled, start: float, ramps: tuple[Ramp, ...]) -> CarrierProgram:
    """A ramp of the scaled pressure or flow, after 15 s."""
    base, scale = (ROOM, PRESSURE) if controlled == "pressure" else (0.0, FLOW)
    scaled = tuple(Ramp(ramp.rate * scale, base + scale * ramp.target, ramp.hold) for ramp in ramps)
    return CarrierProgram(controlled, base + scale * start, 15.0, scaled)


def engine(oven: OvenProgram, program: CarrierProgram, outlet: float) -> float:
    """The engine's hold-up time [s]."""
    tables = migration_tables(ColumnSystem(COLUMN, HELIUM, outlet), UNRETAINED, program.controlled)
    return float(migrate(tables, batch_of([Program(oven, program)]), "polish").retention_time[0, 0])


def line(knots: tuple[list[float], list[float]], t: float) -> float:
    return float(np.interp(t, *knots))


def slug_time(oven: OvenProgram, pressure_at: Callable[[float, float], float], outlet: float) -> float:
    """Fourth-order march in time of the slug's place, with the velocity r^2/(8 eta) |dp/dz| there.

    The pressure falls along the column so that p^2 is straight; steps shorten towards a vacuum, where the gas rushes.
    """
    knots = oven.knots()

    def velocity(t: float, z: float) -> float:
        T = line(knots, t)
        pi = pressure_at(t, T)
        p = np.sqrt(pi**2 - (pi**2 - outlet**2) * min(z, 0.9999999 * LENGTH) / LENGTH)
        gradient = (pi**2 - outlet**2) / (2 * p * LENGTH)
        return float(RADIUS**2 / (8 * float(viscosity(HELIUM, T))) * gradient)

    t, z = 0.0, 0.0
    while LENGTH - z > 1e-6 * LENGTH:
        a = velocity(t, z)
        dt = min(0.05, 0.05 * (LENGTH - z) / a)
        b = velocity(t + dt / 2, z + a * dt / 2)
        c = velocity(t + dt / 2, z + b * dt / 2)
        d = velocity(t + dt, z + c * dt)
        t, z = t + dt, z + (a + 2 * b + 2 * c + d) * dt / 6
    return t + (LENGTH - z) / velocity(t, z)


def marched_inlet_pressure(T: float, F: float, outlet: float, steps: int = 4000) -> tuple[float, float]:
    """Inlet pressure [Pa] for a flow F at 25 °C and 101.325 kPa, and hold-up time [s], from the outlet upstream.

    dp/dx = 8 eta v/r^2 and v = F (101325/p) (T/298.15)/(pi r^2), in equal steps of p^2 so that a vacuum does no harm:
    d(p^2)/dx = 2 p dp/dx does not change with p, and dt = dx/v.
    """
    per_pressure = F * 101325.0 * T / 298.15 / (np.pi * RADIUS**2)  # v p
    p2, time, dx = outlet**2, 0.0, LENGTH / steps
    for _ in range(steps):
        above = p2 + 2 * 8 * float(viscosity(HELIUM, T)) * per_pressure / RADIUS**2 * dx
        # Simpson's rule for dx/v = p dx/(v p) over the step.
        mean = (np.sqrt(p2) + 4 * np.sqrt((p2 + above) / 2) + np.sqrt(above)) / 6
        p2, time = above, time + mean * dx / per_pressure
    return float(np.sqrt(p2)), float(time)


@RAMPS
@OVENS
@OUTLETS
def test_hold_up_in_a_pressure_ramp(
    outlet: float, oven: OvenProgram, start: float, ramps: tuple[Ramp, ...]
) -> None:
    program = carrier("pressure", start, ramps)
    knots = program.knots()
    expected = slug_time(oven, lambda t, T: line(knots, t), outlet)
    assert 15.0 < expected < knots[0][-1]  # it leaves while the pressure changes
    assert engine(oven, program, outlet) == pytest.approx(expected, rel=5e-6)


@RAMPS
@OVENS
@OUTLETS
def test_hold_up_in_a_flow_ramp(
    outlet: float, oven: OvenProgram, start: float, ramps: tuple[Ramp, ...]
) -> None:
    """The pneumatics follow flow and oven: pi^2 = po^2 + 16 eta L p_ref F T/(3.14159 r^4 T_ref)."""
    program = carrier("flow", start, ramps)
    knots = program.knots()

    def pressure(t: float, T: float) -> float:
        squares = 16 * float(viscosity(HELIUM, T)) * LENGTH * 101325.0 * line(knots, t) * T
        return float(np.sqrt(outlet**2 + squares / (np.pi * RADIUS**4 * 298.15)))

    expected = slug_time(oven, pressure, outlet)
    assert 15.0 < expected < knots[0][-1]
    assert engine(oven, program, outlet) == pytest.approx(expected, rel=5e-6)


@RAMPS
@OVENS
@OUTLETS
def test_inlet_pressure_along_a_flow_ramp(
    outlet: float, oven: OvenProgram, start: float, ramps: tuple[Ramp, ...]
) -> None:
    """At moments before, in and after the ramp; with the hold-up time that gas would have if all stayed so."""
    system = ColumnSystem(COLUMN, HELIUM, outlet)
    program = carrier("flow", start, ramps)
    for t in (0.0, 20.0, 45.0, 90.0, 150.0, 400.0):
        T, F = line(oven.knots(), t), line(program.knots(), t)
        pressure, time = marched_inlet_pressure(T, F, outlet)
        found = float(inlet_pressure(system, program.controlled, np.array(F), np.array(T)))
        assert found == pytest.approx(pressure, rel=1e-9)
        assert float(hold_up_time(COLUMN, HELIUM, T, found, outlet)) == pytest.approx(time, rel=1e-5)


@RAMPS
@OVENS
@OUTLETS
def test_flow_along_a_pressure_ramp(
    outlet: float, oven: OvenProgram, start: float, ramps: tuple[Ramp, ...]
) -> None:
    """The inlet pressure is the set one; the flow that goes with it, put into the march, needs that pressure."""
    system = ColumnSystem(COLUMN, HELIUM, outlet)
    program = carrier("pressure", start, ramps)
    for t in (0.0, 20.0, 45.0, 90.0, 150.0, 400.0):
        T, stated = line(oven.knots(), t), line(program.knots(), t)
        found = float(inlet_pressure(system, program.controlled, np.array(stated), np.array(T)))
        F = float(flow(COLUMN, HELIUM, T, found, outlet))
        pressure, time = marched_inlet_pressure(T, F, outlet)
        assert pressure == pytest.approx(stated, rel=1e-9)
        assert float(hold_up_time(COLUMN, HELIUM, T, found, outlet)) == pytest.approx(time, rel=1e-5)


def test_a_ramp_is_not_its_mean() -> None:
    """The check can fail: at the mean pressure the hold-up time is off by far more than the ramps are allowed."""
    oven = OvenProgram(kelvin(80.0))
    ramp = carrier("pressure", 0.35, (Ramp(1 / 200, 1.0),))
    leaves = engine(oven, ramp, ROOM)
    times = np.linspace(0.0, leaves, 2001)
    mean = float(np.interp(times, *ramp.knots()).mean())
    steady = engine(oven, CarrierProgram("pressure", mean), ROOM)
    assert abs(steady / leaves - 1) > 0.01
