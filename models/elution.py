"""Where in a program the migration clock s of each band reaches a given value: s(t) inverted."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.carrier_gas import viscosity
from models.legs import quartic
from models.programs import Array
from models.sections import Sections, Stretch
from models.system import clock_weight

NEWTON_STEPS = 12

Index = NDArray[np.intp]


@dataclass(frozen=True)
class Arrival:
    """Where the clocks of all bands reach given values: (N M,) arrays.

    Attributes
    ----------
    time : [s]
    temperature : [K]
    one_plus_k : [-]
    pressure : absolute inlet pressure [Pa]
    velocity : ds/dt [1/s]
    heating_rate : of the oven [K/s]
    leg, share : number of the leg (of the section where c is constant), and the share of it that has passed
    phi : Phi_0
    section, part : number of the section, and the share of it that has passed
    clock : s
    """

    time: Array
    temperature: Array
    one_plus_k: Array
    pressure: Array
    velocity: Array
    heating_rate: Array
    leg: Index
    share: Array
    phi: Array
    section: Index
    part: Array
    clock: Array


def arrival(
    sections: Sections,
    target: Array,
    tolerance: float,
    bands: Index | None = None,
    near: Arrival | None = None,
) -> Arrival:
    """Where s reaches `target`, to a relative tolerance in s where c is not constant.

    Parameters
    ----------
    target : (E,) array, of all bands or of the numbers `bands` (E,)
    near : Arrival of the same bands at almost the same s, to start from
    """
    every = sections.clock.shape[1]
    if bands is None:
        bands, clock = np.arange(every), sections.clock[1:]
    else:
        clock = sections.clock[1:].take(bands, axis=1)
    program, compound = np.divmod(bands, sections.compounds)
    section = (clock <= target).sum(axis=0)
    each = section * every + bands
    which = section * sections.programs + program

    stretch = sections.stretch(which)
    speed = sections.speed.ravel().take(each)
    since = target - sections.clock.ravel().take(each)
    ramp = stretch.rise != 0.0
    if sections.legs is None:
        c, phi = stretch.c0, sections.phi.ravel().take(each)
        phi = phi + np.where(ramp, since / (c * stretch.per_kelvin), 0.0)
        T, rate = sections.table.temperature(phi, compound)
        T, rate = np.where(ramp, T, stretch.T_start), np.where(ramp, phi / rate, speed)
        u = np.where(ramp, (T - stretch.T_start) / stretch.rise, since / (c * speed * stretch.length))
        leg, passed = section, u
        pressure = sections.inlet_pressure(stretch, T)
    else:
        u = _first_share(sections, stretch, each, compound, since)
        if near is not None:
            close = near.part + (target - near.clock) / (near.velocity * stretch.length)
            u = np.where((near.section == section) & (close > 0.0), close, u)
        u = _newton(sections, stretch, each, compound, since, u, tolerance)
        T = stretch.T_start + u * stretch.rise
        phi, rate = sections.table.phi(T, compound)
        rate = np.where(ramp, rate, speed)
        c = stretch.c(u)
        leg, passed = sections.legs.leg_of(section, u)
        which = leg * sections.programs + program
        pressure = quartic(sections.legs.values[7:].take(which, axis=1), passed)
    eta = viscosity(sections.system.gas, T)
    return Arrival(
        time=stretch.start + u * stretch.length,
        temperature=T,
        one_plus_k=clock_weight(sections.controlled, T, eta) / rate,
        pressure=pressure,
        velocity=c * rate,
        heating_rate=stretch.rise / stretch.length,
        leg=leg,
        share=passed,
        phi=phi,
        section=section,
        part=u,
        clock=target,
    )


def _first_share(sections: Sections, stretch: Stretch, each: Index, compound: Index, since: Array) -> Array:
    """A guess of what `_newton` finds: Phi_0 straight in s over a ramp, the clock at its first pace in a hold."""
    clock, phi = sections.clock.ravel(), sections.phi.ravel()
    after = np.where(each >= clock.size - sections.clock.shape[1], each, each + sections.clock.shape[1])
    phi_start = phi.take(each)
    chord = (phi.take(after) - phi_start) / (clock.take(after) - clock.take(each))
    guess, _ = sections.table.temperature(phi_start + since * chord, compound)
    pace = stretch.length * sections.speed.ravel().take(each) * stretch.c0
    result: Array = np.where(stretch.rise != 0.0, (guess - stretch.T_start) / stretch.rise, since / pace)
    return result


def _newton(
    sections: Sections,
    stretch: Stretch,
    each: Index,
    compound: Index,
    since: Array,
    guess: Array,
    tolerance: float,
) -> Array:
    """The share u of the sections after which s has grown by `since`, c being quadratic."""
    T_start, rise, factors = stretch.T_start, stretch.rise, stretch.factors
    pace = stretch.length * sections.speed.ravel().take(each)
    at_start = sections.at_start.ravel().take(each)
    ramp = rise != 0.0
    endless = each >= sections.clock.size - sections.clock.shape[1]
    longest = np.where(endless, np.inf, 1.0)
    u = np.fmin(np.fmax(guess, 0.0), longest)
    enough = np.sqrt(tolerance) * (sections.clock.ravel().take(each) + since)
    for _ in range(NEWTON_STEPS):
        s_ramp, rate = sections.table.combination(T_start + u * rise, compound, factors)
        s_hold = pace * np.where(endless, stretch.c0 * u, stretch.c_passed(u))
        excess = np.where(ramp, s_ramp - at_start, s_hold) - since
        u = u - excess / (stretch.c(u) * np.where(ramp, rate * stretch.length, pace))
        u = np.fmin(np.fmax(u, 0.0), longest)
        # A Newton step leaves about the square of the excess it found.
        if not (np.abs(excess) > enough).any():
            break
    return u
