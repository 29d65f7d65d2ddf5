"""Hold-up times and set values to and fro, and programs carried from one system to another."""

from __future__ import annotations

import numpy as np
import pytest

from models.column.carrier_gas import CARRIER_GASES, carrier_gas
from models.column.programs import CarrierProgram, Controlled, OvenProgram, Program, Ramp, batch_of
from models.column.retention import Retention, ln_retention_factor, scaled_to_phase_ratio, with_typical_values
from models.column.scaling import (
    carried,
    carried_carrier,
    hold_up_at,
    kept_temperature,
    set_value_at,
    set_value_for_hold_up,
    speed_optimised_flow,
)
from models.column.system import Column, ColumnSystem, hold_up_time, inlet_pressure
from models.peaks.migration import migrate, migration_tables
from models.units import flow_si

AMBIENT = 101325.0
OLD = ColumnSystem(Column(30.0, 0.25e-3, 0.25e-6), carrier_gas("helium"), AMBIENT, 1.01, 1.2, 0.3)
# Half the bore and half the film: the phase ratio is the same.
NARROW = ColumnSystem(Column(12.0, 0.125e-3, 0.125e-6), carrier_gas("hydrogen"), AMBIENT)
VACUUM = ColumnSystem(Column(30.0, 0.25e-3, 0.25e-6), carrier_gas("helium"), 0.0, 1.01)
STARTS: dict[Controlled, float] = {"pressure": AMBIENT + 90e3, "flow": flow_si(1.2), "velocity": 0.32}
T = 400.0


def compounds() -> Retention:
    return with_typical_values(np.array([340.0, 372.0, 401.0, 433.0, 470.0]))


def elution(system: ColumnSystem, program: Program) -> tuple[np.ndarray, np.ndarray]:
    """Retention times [s] and elution temperatures [K]."""
    run = migrate(
        migration_tables(system, compounds(), program.carrier.controlled), batch_of([program]), "polish"
    )
    assert run.eluted.all()
    return run.retention_time[0], run.elution_temperature[0]


def ramp(carrier: CarrierProgram) -> Program:
    return Program(OvenProgram(323.15, 60.0, (Ramp(0.2, 420.0, 30.0), Ramp(0.4, 550.0, 600.0))), carrier)


@pytest.mark.parametrize("controlled", ["pressure", "flow", "velocity"])
@pytest.mark.parametrize("system", [OLD, NARROW, VACUUM])
def test_set_values_and_hold_up_times_are_inverse(system: ColumnSystem, controlled: Controlled) -> None:
    value = STARTS[controlled]
    pressure = float(inlet_pressure(system, controlled, np.array(value), np.array(T)))
    assert set_value_at(system, controlled, pressure, T) == pytest.approx(value, rel=1e-10)
    expected = (
        hold_up_time(system.column, system.gas, T, pressure, system.outlet_pressure) / system.flow_factor
    )
    hold_up = hold_up_at(system, controlled, value, T)
    assert hold_up == pytest.approx(float(expected), rel=1e-12)
    assert set_value_for_hold_up(system, controlled, hold_up, T) == pytest.approx(value, rel=1e-9)


def test_constant_pressure_keeps_elution_temperatures_exactly_with_the_same_gas() -> None:
    new = ColumnSystem(Column(12.0, 0.125e-3, 0.125e-6), carrier_gas("helium"), 0.0)
    program = ramp(CarrierProgram("pressure", STARTS["pressure"]))
    moved, ratio = carried(program, OLD, new, "pressure", AMBIENT + 120e3, T)
    assert abs(ratio - 1) > 0.2
    t_old, T_old = elution(OLD, program)
    t_new, T_new = elution(new, moved)
    np.testing.assert_allclose(T_new, T_old, atol=1e-4)
    np.testing.assert_allclose(t_new, ratio * t_old, rtol=1e-6)


@pytest.mark.parametrize("controlled", ["flow", "velocity"])
def test_other_modes_keep_them_nearly(controlled: Controlled) -> None:
    program = ramp(CarrierProgram(controlled, STARTS[controlled]))
    start = {"flow": speed_optimised_flow(NARROW.column, NARROW.gas), "velocity": 0.6}[controlled]
    moved, ratio = carried(program, OLD, NARROW, controlled, start, T)
    t_old, T_old = elution(OLD, program)
    t_new, T_new = elution(NARROW, moved)
    np.testing.assert_allclose(T_new, T_old, atol=2.0)
    # On a rising oven a band is off by no more than the hold-up ratio is anywhere on its way; 0.2 % is left for the
    # pressure that rises while it travels.
    way = [np.linspace(323.15, end, 50) for end in T_old]
    off = [
        [
            hold_up_at(NARROW, controlled, start, at)
            / hold_up_at(OLD, controlled, STARTS[controlled], at)
            / ratio
            for at in temperatures
        ]
        for temperatures in way
    ]
    assert np.all(t_new / (ratio * t_old) > np.minimum(np.min(off, axis=1), 1) - 0.002)
    assert np.all(t_new / (ratio * t_old) < np.maximum(np.max(off, axis=1), 1) + 0.002)
    unscaled = elution(NARROW, Program(program.oven, CarrierProgram(controlled, start)))[1]
    assert np.abs(unscaled - T_old).min() > 4.0


def test_a_pressure_ramp_is_carried_corner_by_corner() -> None:
    carrier = CarrierProgram("pressure", AMBIENT + 80e3, 120.0, (Ramp(200.0, AMBIENT + 160e3, 60.0),))
    program = ramp(carrier)
    moved, ratio = carried(program, OLD, NARROW, "pressure", AMBIENT + 250e3, T)
    np.testing.assert_allclose(moved.carrier.knots()[0], ratio * np.array(carrier.knots()[0]), rtol=1e-9)
    for old, new in zip(carrier.knots()[1], moved.carrier.knots()[1], strict=True):
        expected = ratio * hold_up_at(OLD, "pressure", old, T)
        assert hold_up_at(NARROW, "pressure", new, T) == pytest.approx(expected, rel=1e-9)
    np.testing.assert_allclose(elution(NARROW, moved)[1], elution(OLD, program)[1], atol=1.0)


def test_a_flow_program_becomes_a_pressure_program_of_the_same_hold_up_times() -> None:
    carrier = CarrierProgram("flow", flow_si(1.0), 60.0, (Ramp(flow_si(0.5) / 60, flow_si(2.0), 0.0),))
    moved = carried_carrier(carrier, OLD, OLD, "pressure", 1.0, T, T)
    assert moved.controlled == "pressure"
    np.testing.assert_allclose(moved.knots()[0], carrier.knots()[0], rtol=1e-9)
    for old, new in zip(carrier.knots()[1], moved.knots()[1], strict=True):
        assert hold_up_at(OLD, "pressure", new, T) == pytest.approx(hold_up_at(OLD, "flow", old, T), rel=1e-9)


def test_the_kept_temperature_keeps_the_mean_of_ln_k() -> None:
    old, at = compounds(), 390.0
    new = scaled_to_phase_ratio(old, 250.0, 125.0)
    moved = kept_temperature(old, new, at)
    mean_old = ln_retention_factor(old, np.array(at)).mean()
    assert ln_retention_factor(new, np.array(moved)).mean() == pytest.approx(float(mean_old), abs=1e-6)
    # A film twice as thick doubles k; ln 2 times theta (24 to 32 K here) is what the oven must be warmer.
    assert 15.0 < moved - at < 25.0
    assert kept_temperature(old, old, at) == pytest.approx(at, abs=1e-5)


def test_moved_temperatures_keep_the_scaled_times_of_the_corners() -> None:
    program = ramp(CarrierProgram("pressure", STARTS["pressure"]))
    moved, ratio = carried(program, OLD, OLD, "pressure", AMBIENT + 60e3, T, lambda T: 0.9 * T + 60.0)
    np.testing.assert_allclose(moved.oven.knots()[0], ratio * np.array(program.oven.knots()[0]), rtol=1e-12)
    np.testing.assert_allclose(moved.oven.knots()[1], 0.9 * np.array(program.oven.knots()[1]) + 60.0)


def test_every_gas_has_a_usual_flow_in_the_order_of_diffusion() -> None:
    flows = {name: speed_optimised_flow(OLD.column, gas) for name, gas in CARRIER_GASES.items()}
    assert flows["hydrogen"] > flows["helium"] > flows["nitrogen"] > flows["argon"]
