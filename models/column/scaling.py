"""A method carried to another carrier gas, outlet or column of the same phase.

With time counted in hold-up times, dtau = dt/tM, the migration of a band at steady flow is

    dy/dtau = 1/(1 + k(T)),     y the share of the hold-up time that lies behind the band,           [1]

in which gas, bore, length and pressures no longer occur. Two methods whose ovens pass the same temperatures at the
same tau therefore elute every compound at the same temperature: all times of the program are multiplied by

    ratio = tM(new)/tM(old)                                                                           [2]

at a reference temperature. That is exact at constant pressure as far as the viscosities of the gases keep their
ratio (helium to hydrogen within 0.15 % between 40 and 300 °C), and near in other modes, where tM depends on
temperature in another way.

On a column of another phase ratio k changes by the factor (old ratio)/(new ratio) at every temperature. No oven
program undoes that for all compounds at once; moving each set temperature so that

    mean over the compounds of ln k_new(T_new) = mean of ln k_old(T_old)                              [3]

keeps them on average.

[1] follows from Poiseuille flow and the definition of k, see docs/theory.md.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from scipy.optimize import brentq

from models.column.carrier_gas import CarrierGas
from models.column.programs import Array, CarrierProgram, Controlled, OvenProgram, Program, ProgramBatch, Ramp
from models.column.retention import Retention, ln_retention_factor, scaled_to_phase_ratio
from models.column.system import (
    Column,
    ColumnSystem,
    flow,
    hold_up_time,
    inlet_pressure,
    inlet_pressure_for_velocity,
)
from models.errors import InvalidInputError
from models.units import flow_si

# Column flow at which separations are fastest, mL/min per mm of bore. Helium: Klee and Blumberg, J. Chromatogr.
# Sci. 40 (2002) 237. Hydrogen and nitrogen: common practice, no source. Argon: nitrogen's value less what diffusion
# in argon is slower (Fuller's equation, own arithmetic).
SPEED_OPTIMISED_ML_MIN_PER_MM = {"helium": 8.0, "hydrogen": 10.0, "nitrogen": 2.5, "argon": 2.2}
PACKED_TIMES = (
    2.0  # as much of a packed column, some 30 mL/min of helium through 2 mm; common practice, no source
)


COMPARED_AT = 373.15  # K, at which velocities of programs are compared
RATIO_STEP = 1e-3  # of ln phase ratio, for derivatives


def speed_optimised_flow(column: Column, gas: CarrierGas) -> float:
    """The usual speed-optimised flow [m3/s at 25 °C, 101.325 kPa] of a column, proportional to its (free) bore."""
    times = 1.0 if column.packing is None else PACKED_TIMES
    return float(flow_si(times * SPEED_OPTIMISED_ML_MIN_PER_MM[gas.name] * 2 * column.radius * 1e3))


def hold_up_at(system: ColumnSystem, controlled: Controlled, value: float, T: float) -> float:
    """True hold-up time [s] at a set value [Pa, m3/s or m/s] and temperature [K], the flow factor included."""
    return float(_nominal_hold_up(system, controlled, np.array(value), np.array(T))) / system.flow_factor


def ln_velocities(system: ColumnSystem, batch: ProgramBatch) -> Array:
    """ln of the mean velocity [m/s] of N programs (N,), at COMPARED_AT and the mean of the carrier's corners."""
    value, T = batch.carrier_values.mean(axis=1), np.full(batch.size, COMPARED_AT)
    result: Array = np.log(system.column.length / _nominal_hold_up(system, batch.controlled, value, T))
    return result


def _nominal_hold_up(system: ColumnSystem, controlled: Controlled, value: Array, T: Array) -> Array:
    """Hold-up times [s] without the flow factor, arrays of one shape."""
    pressure = inlet_pressure(system, controlled, value, T)
    return hold_up_time(system.column, system.gas, T, pressure, system.outlet_pressure)


def set_value_at(system: ColumnSystem, controlled: Controlled, pressure: float, T: float) -> float:
    """The set value [Pa, m3/s or m/s] at which the pneumatics hold an inlet pressure [Pa absolute] at T [K]."""
    column, gas, outlet = system.column, system.gas, system.outlet_pressure
    if controlled == "pressure":
        return pressure
    if controlled == "flow":
        return float(flow(column, gas, T, pressure, outlet))
    return column.length / float(hold_up_time(column, gas, T, pressure, outlet))


def set_value_for_hold_up(system: ColumnSystem, controlled: Controlled, hold_up: float, T: float) -> float:
    """The set value [Pa, m3/s or m/s] that gives a true hold-up time [s] at T [K]."""
    velocity = system.column.length / (hold_up * system.flow_factor)
    pressure = inlet_pressure_for_velocity(system.column, system.gas, T, velocity, system.outlet_pressure)
    return set_value_at(system, controlled, float(pressure), T)


def kept_temperature(old: Retention, new: Retention, T: float) -> float:
    """The temperature [K] at which the mean ln k of the compounds on the new column is that on the old at T; [3].

    Raises
    ------
    InvalidInputError : when there is none between half and twice T
    """
    wanted = float(ln_retention_factor(old, np.array(T)).mean())

    def excess(at: float) -> float:
        return float(ln_retention_factor(new, np.array(at)).mean()) - wanted

    if not excess(T / 2) > 0 > excess(2 * T):
        raise InvalidInputError(
            f"no oven temperature on the new column gives the retention that {T:.1f} K gives on the old one"
        )
    return float(brentq(excess, T / 2, 2 * T, xtol=1e-6))


def off_its_tag(retention: Retention, phase_ratio: float, bore: float, film: float) -> Array:
    """Covariance of T0 [K], ln theta, dCp [J/mol/K] of M compounds and of ln flow factor, (3M + 1, 3M + 1).

    A bore wider by a share e has phase ratio and velocity of 1 + e and 1 + 2 e times, a thicker film a phase ratio of
    1 - e times; the same for all compounds, hence correlated.

    Parameters
    ----------
    bore, film : variances of the two shares [-]
    """
    sides = [
        scaled_to_phase_ratio(retention, phase_ratio, phase_ratio * float(np.exp(e)))
        for e in (RATIO_STEP, -RATIO_STEP)
    ]
    up, down = (np.concatenate([each.T0, np.log(each.theta), each.dCp]) for each in sides)
    by_ratio, by_flow = np.append((up - down) / (2 * RATIO_STEP), 0.0), np.zeros(3 * len(retention) + 1)
    by_flow[-1] = 2.0
    found: Array = film * np.outer(by_ratio, by_ratio) + bore * np.outer(
        by_ratio + by_flow, by_ratio + by_flow
    )
    return found


def carried(
    program: Program,
    old: ColumnSystem,
    new: ColumnSystem,
    controlled: Controlled,
    start: float,
    T_old: float,
    temperature: Callable[[float], float] | None = None,
) -> tuple[Program, float]:
    """A program carried to another system, and the factor on all its times; [2].

    Carrier ramps are carried corner by corner: each value becomes the one whose hold-up time stands in the same
    ratio to the old one.

    Parameters
    ----------
    controlled, start : what the new carrier program sets, and its first value [Pa absolute, m3/s or m/s]
    T_old : temperature at which hold-up times are compared [K], on the old system's oven
    temperature : from a set temperature of the old oven to that of the new one [K]; the same when None
    """
    moved = temperature or (lambda T: T)
    before = hold_up_at(old, program.carrier.controlled, program.carrier.start, T_old)
    ratio = hold_up_at(new, controlled, start, moved(T_old)) / before
    carrier = carried_carrier(program.carrier, old, new, controlled, ratio, T_old, moved(T_old))
    oven = _carried_oven(program.oven, ratio, moved)
    # An oven that follows its set point late does so by the same time whatever the program: so that what the column
    # feels is scaled, the first hold makes up for it, as far as it can.
    hold = max(0.0, oven.hold + ratio * old.oven_lag - new.oven_lag)
    return Program(replace(oven, hold=hold), _stretched(carrier, ratio)), ratio


def carried_carrier(
    carrier: CarrierProgram,
    old: ColumnSystem,
    new: ColumnSystem,
    controlled: Controlled,
    hold_up_ratio: float,
    T_old: float,
    T_new: float,
) -> CarrierProgram:
    """A carrier program, at unchanged times, whose corners have `hold_up_ratio` times the old hold-up times.

    T_old and T_new are the temperatures [K] at which hold-up times are taken on the two systems.
    """

    def value(old_value: float) -> float:
        hold_up = hold_up_ratio * hold_up_at(old, carrier.controlled, old_value, T_old)
        return set_value_for_hold_up(new, controlled, hold_up, T_new)

    ramps, before = [], carrier.start
    for ramp in carrier.ramps:
        rise = (
            abs(value(ramp.target) - value(before)) / abs(ramp.target - before)
            if ramp.target != before
            else 1.0
        )
        ramps.append(Ramp(ramp.rate * rise, value(ramp.target), ramp.hold))
        before = ramp.target
    return CarrierProgram(controlled, value(carrier.start), carrier.hold, tuple(ramps))


def _carried_oven(oven: OvenProgram, ratio: float, temperature: Callable[[float], float]) -> OvenProgram:
    """Set temperatures moved, the duration of every hold and ramp multiplied by the ratio."""
    ramps, before = [], oven.start
    for ramp in oven.ramps:
        start, target = temperature(before), temperature(ramp.target)
        rise = abs(target - start) / abs(ramp.target - before) if ramp.target != before else 1.0
        ramps.append(Ramp(ramp.rate * rise / ratio, target, ramp.hold * ratio))
        before = ramp.target
    return OvenProgram(temperature(oven.start), oven.hold * ratio, tuple(ramps))


def _stretched(carrier: CarrierProgram, ratio: float) -> CarrierProgram:
    """The same values at times multiplied by the ratio."""
    ramps = tuple(Ramp(ramp.rate / ratio, ramp.target, ramp.hold * ratio) for ramp in carrier.ramps)
    return replace(carrier, hold=carrier.hold * ratio, ramps=ramps)
