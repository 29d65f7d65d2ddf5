"""Programs cut into panels, and what the gas does there: the same for every compound.

A panel is a stretch of time over which temperature and set value are linear and change by no more than its nodes can
follow.
"""

from __future__ import annotations

from math import ceil, isfinite, log
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from models.engine.abreast import ABREAST, Numbers, at_least, at_most, get, put, root, size, where_more
from models.engine.compiled import exponential, inner, small
from models.engine.quadrature import MOST_NODES, Rule

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
Index = NDArray[np.int64]

PRESSURE, FLOW, VELOCITY = 0, 1, 2  # what is controlled
MOST_CUTS = 32  # panels of one leg
NO_TIME = 1e-9  # s; a change within less is a jump
FLAT = 1e-9  # K; a leg that changes less holds its temperature
NEWTON_STEPS = 7  # for the inlet pressure of a velocity
NO_DROP = 1e-9  # share of the inlet pressure below which a drop moves no gas
NO_FLOW = 1e-100  # where no gas moves what it spreads stays finite
LN_298 = log(298.15)

# Conditions at a node, each as often as bands lie abreast: where a row of all nodes begins.
NODE_ROW = (MOST_NODES + 1) * ABREAST
INVERSE_T, LN_T, RHO, MOBILITY, ALONG, ACROSS, FILM = range(0, 7 * NODE_ROW, NODE_ROW)
# What slopes need besides: derivatives of ln mobility, rho, ln along and ln film, by T and by the set value.
MOBILITY_BY_T, RHO_BY_T, ALONG_BY_T, FILM_BY_T = range(7 * NODE_ROW, 11 * NODE_ROW, NODE_ROW)
MOBILITY_BY_VALUE, RHO_BY_VALUE, ALONG_BY_VALUE, FILM_BY_VALUE = range(11 * NODE_ROW, 15 * NODE_ROW, NODE_ROW)
CONDITIONS, ALL_CONDITIONS = 7, 15
PANEL = ALL_CONDITIONS * NODE_ROW


class Tube(NamedTuple):
    """Column, gas and outlet in numbers, SI.

    `permeability` and the last two factors belong to the pneumatics; `eddy` (over the length) to `film_energy` to the
    plate height, see `plate_height.Terms`. A band starts at the share `start` of the fall of p^2 and elutes at `stop`.

    A line behind it at its own temperature gives the column an outlet pressure that moves with the oven: rho is
    meant by that one, and the fall of p^2 ends there.
    """

    length: float
    permeability: float
    eddy: float
    along: float
    across: float
    shape0: float
    shape1: float
    shape2: float
    film: float
    film_energy: float
    outlet: float
    line: float  # eta T at which all that lies in the oven would resist as the line does; 0 without one
    plate_height_factor: float
    injected_variance: float
    viscosity: float
    exponent: float
    curvature: float
    squares_per_flow: float  # (pi^2 - po^2)/(F eta T)
    pressure_per_velocity: float  # pi/(v eta) into a vacuum
    start: float
    stop: float
    controlled: int
    bare: bool  # the polynomial in e of `shape0` to `shape2` alone stands for H/L


class Limits(NamedTuple):
    """By what a leg may change and be one panel: temperature [K], rho, and ln pi."""

    temperature: float
    rho: float
    ln_pressure: float


class Panels(NamedTuple):
    """P panels of one program, the last being the infinite hold after its end.

    Attributes
    ----------
    time, temperature, carrier : (P + 1,) arrays, at the panels' ends  [s], [K], set value
    steady, frozen : (P,) arrays, whether nothing changes, and whether rho does not
    leg, part : (P,) arrays, number of the leg, and the share of it that has passed at the panel's end
    corner, other : (legs,) arrays, at which each leg ends: corner b > 0 of the oven, or -c of the carrier, and the
        next corner of the other of the two then
    gas : (P x PANEL,) array, conditions at the nodes and, last, at the panel's end; of a steady one there alone
    few : (15 x ABREAST,) array, conditions at a few nodes
    flow_factor : (1,) array, true over computed velocity
    total : (1,) array, P
    """

    time: Array
    temperature: Array
    carrier: Array
    steady: Flags
    frozen: Flags
    leg: Index
    part: Array
    corner: Index
    other: Index
    gas: Array
    few: Array
    flow_factor: Array
    total: Index


@small
def viscosity(tube: Tube, ln_T: Numbers) -> Numbers:
    """eta [Pa s]; `carrier_gas` eq. [1]."""
    x = ln_T - LN_298
    return tube.viscosity * exponential(x * (tube.exponent + tube.curvature * x))


@small
def inlet_pressure(tube: Tube, value: Numbers, T: Numbers, eta: Numbers) -> Numbers:
    """pi [Pa] at a set value; `system`."""
    if tube.controlled == PRESSURE:
        return value
    if tube.controlled == FLOW:
        by_line = value * tube.squares_per_flow * tube.line
        return root(tube.outlet * tube.outlet + value * tube.squares_per_flow * eta * T + by_line)
    target = value * tube.pressure_per_velocity * eta
    if tube.outlet == 0.0:
        return target
    # X = pi/po solves (X^2 - 1)(X + 1)/(X^2 + X + 1) = a: a cubic, by Newton's method from above.
    a = target / tube.outlet
    X = 1.0 + a
    for _ in range(NEWTON_STEPS):
        X -= (((X + (1.0 - a)) * X - (1.0 + a)) * X - (1.0 + a)) / (
            (3.0 * X + 2.0 * (1.0 - a)) * X - (1.0 + a)
        )
    return X * tube.outlet


@small
def ln_from(T: Numbers, T_near: Numbers, ln_near: Numbers) -> Numbers:
    """ln T from that of a temperature near by: ln(T/T') = 2 artanh((T - T')/(T + T'))."""
    y = (T - T_near) / (T + T_near)
    s = y * y
    series = 1.0 / 15.0 + s * (1.0 / 17.0)
    series = 1.0 / 11.0 + s * (1.0 / 13.0 + s * series)
    series = 1.0 / 7.0 + s * (1.0 / 9.0 + s * series)
    series = 1.0 / 3.0 + s * (1.0 / 5.0 + s * series)
    return ln_near + 2.0 * y * (1.0 + s * series)


@small
def line_share(tube: Tube, T: Numbers, eta: Numbers) -> Numbers:
    """What of the whole fall of p^2 is left to the line; `system` [5]."""
    if tube.line == 0.0:
        return 0.0 * eta
    return tube.line / (eta * T + tube.line)


@small
def rho_at(tube: Tube, T: Numbers, eta: Numbers, pi: Numbers) -> Numbers:
    """rho = (px/pi)^2, px being the pressure at which the oven is left: po without a line."""
    ratio = tube.outlet / pi
    whole = ratio * ratio
    return whole + (1.0 - whole) * line_share(tube, T, eta)


@small
def motion(
    tube: Tube, flow_factor: Numbers, T: Numbers, value: Numbers, eta: Numbers
) -> tuple[Numbers, Numbers, Numbers]:
    """pi [Pa], rho = (px/pi)^2, and the gas's part in V, V (1+k) = flow_factor pi (1 - rho) B/(2 eta L^2); eq. [1]."""
    pi = inlet_pressure(tube, value, T, eta)
    rho = at_most(rho_at(tube, T, eta, pi), 1.0 - NO_DROP)
    flows = where_more(pi, tube.outlet, 1.0, 0.0)
    scale = 0.5 * flow_factor * tube.permeability / (tube.length * tube.length)
    return pi, rho, flows * scale * pi * (1.0 - rho) / eta


@small
def spreading(
    tube: Tube, inverse_T: Numbers, ln_T: Numbers, pi: Numbers, mobility: Numbers
) -> tuple[Numbers, Numbers, Numbers]:
    """The gas's part in H/L; with G = u p eta as in `motion` the mobility is G/(L pi eta).

    along  = 2 T^1.75 eta/(G L)             diffusion along the column, for D p/T^1.75 = 1, in an open tube
    across = r^2 G/(24 L T^1.75 eta)        resistance in the gas, for the same, in an open tube
    film   = C G/(L pi eta)                 resistance in film or layer, at the inlet
    """
    if tube.bare:
        nothing = 0.0 * mobility
        return nothing, nothing + 1.0, nothing
    flow = at_least(pi * mobility * exponential(-1.75 * ln_T), NO_FLOW)  # G/(L T^1.75 eta)
    slowness = exponential(tube.film_energy * (inverse_T - 1.0 / 373.15))
    return (
        tube.along / (tube.length * tube.length) / flow,
        tube.across * flow,
        tube.film * mobility * slowness,
    )


@small
def pressure_answers(
    tube: Tube, inverse_T: Numbers, eta_by_T: Numbers, value: Numbers, rho: Numbers, share: Numbers
) -> tuple[Numbers, Numbers]:
    """Derivatives of ln pi by T and by the set value, from that of ln eta by T and the line's share."""
    if tube.controlled == PRESSURE:
        return 0.0 * value, 1.0 / value
    if tube.controlled == FLOW:
        half = 0.5 * (1.0 - rho)
        return half * (eta_by_T + inverse_T), half / (value * (1.0 - share))
    q = root(rho)  # po/pi
    steepness = 2.0 / (1.0 - rho) + 1.0 / (1.0 + q) - (2.0 + q) / (1.0 + q + rho)  # d ln(v eta)/d ln pi
    return eta_by_T / steepness, 1.0 / (value * steepness)


@inner
def put_answers(
    tube: Tube,
    inverse_T: Numbers,
    ln_T: Numbers,
    value: Numbers,
    rho: Numbers,
    answers: Array,
    at: int,
    row: int,
) -> None:
    """Derivatives of ln mobility, rho, ln along and ln film by T and then by the set value, in rows so far apart.

    ln across falls as ln along rises; with ln G = 2 ln pi/(1 - rho) of a change of pi, see `spreading`. By what the
    line's share changes, ln(1 - rho) changes besides.
    """
    eta_by_T = (tube.exponent + 2.0 * tube.curvature * (ln_T - LN_298)) * inverse_T
    share = 0.0 * rho
    if tube.line > 0.0:
        share = line_share(tube, 1.0 / inverse_T, viscosity(tube, ln_T))
    p_by_T, p_by_value = pressure_answers(tube, inverse_T, eta_by_T, value, rho, share)
    flow = 2.0 / (1.0 - rho)
    of_height = 0.0 if tube.bare else 1.0
    put(answers, at, 0.5 * (1.0 + rho) * flow * p_by_T - eta_by_T)
    put(answers, at + row, -2.0 * rho * p_by_T)
    put(answers, at + 2 * row, of_height * (1.75 * inverse_T + eta_by_T - flow * p_by_T))
    put(
        answers,
        at + 3 * row,
        of_height * ((flow - 1.0) * p_by_T - eta_by_T - tube.film_energy * inverse_T * inverse_T),
    )
    put(answers, at + 4 * row, 0.5 * (1.0 + rho) * flow * p_by_value)
    put(answers, at + 5 * row, -2.0 * rho * p_by_value)
    put(answers, at + 6 * row, -(of_height * flow * p_by_value))
    put(answers, at + 7 * row, of_height * (flow - 1.0) * p_by_value)
    if tube.line > 0.0:
        by_T = share * (eta_by_T + inverse_T - flow * p_by_T)
        put_line_answers(answers, at, row, of_height, 1.0 - rho, by_T)
        put_line_answers(answers, at + 4 * row, row, of_height, 1.0 - rho, -share * flow * p_by_value)


@inner
def put_line_answers(
    answers: Array, at: int, row: int, of_height: float, lack: Numbers, by_share: Numbers
) -> None:
    """Add what ln(1 - rho) answers by the line's share; `put_answers`."""
    put(answers, at, get(answers, at) + by_share)
    put(answers, at + row, get(answers, at + row) - lack * by_share)
    put(answers, at + 2 * row, get(answers, at + 2 * row) - of_height * by_share)
    put(answers, at + 3 * row, get(answers, at + 3 * row) + of_height * by_share)


@inner
def conditions_of(panels: Panels, tube: Tube, rule: Rule, slopes: bool) -> None:
    """Fill in `Panels.gas`, several nodes at a time."""
    G, few, factor = rule.nodes, panels.few, panels.flow_factor[0]
    rows = ALL_CONDITIONS if slopes else CONDITIONS
    for p in range(panels.total[0]):
        T0, v0, rise, lift = panels.temperature[p], panels.carrier[p], 0.0, 0.0
        if not panels.steady[p]:  # a jump at the end of a steady one belongs to the next
            rise, lift = panels.temperature[p + 1] - T0, panels.carrier[p + 1] - v0
        ln_T0 = log(T0)
        for first in range(G // ABREAST * ABREAST if panels.steady[p] else 0, G + 1, ABREAST):
            share = get(rule.even.share, first)
            T, v = T0 + share * rise, v0 + share * lift
            inverse_T, ln_T = 1.0 / T, ln_from(T, T0, ln_T0)
            eta = viscosity(tube, ln_T)
            pi, rho, mobility = motion(tube, factor, T, v, eta)
            along, across, film = spreading(tube, inverse_T, ln_T, pi, mobility)
            put(few, 0, inverse_T)
            put(few, ABREAST, ln_T)
            put(few, 2 * ABREAST, rho)
            put(few, 3 * ABREAST, mobility)
            put(few, 4 * ABREAST, along)
            put(few, 5 * ABREAST, across)
            put(few, 6 * ABREAST, film)
            if slopes:
                put_answers(tube, inverse_T, ln_T, v, rho, few, CONDITIONS * ABREAST, ABREAST)
            for j in range(G if panels.steady[p] else first, min(first + ABREAST, G + 1)):
                for row in range(rows):
                    put(panels.gas, p * PANEL + row * NODE_ROW + ABREAST * j, few[row * ABREAST + j - first])


@small
def pressure_at(tube: Tube, T: Numbers, value: Numbers) -> tuple[Numbers, Numbers]:
    """pi [Pa] at T [K] and a set value, and rho."""
    eta = viscosity(tube, log(T))
    pi = inlet_pressure(tube, value, T, eta)
    return pi, rho_at(tube, T, eta, pi)


@small
def cuts_of(tube: Tube, limits: Limits, T0: Numbers, T1: Numbers, v0: Numbers, v1: Numbers) -> int:
    """Into how many panels to cut a leg."""
    widest = size(T1 - T0) / limits.temperature
    if v1 != v0 or tube.controlled != PRESSURE or tube.line > 0.0:
        (p0, rho0), (p1, rho1) = pressure_at(tube, T0, v0), pressure_at(tube, T1, v1)
        widest = at_least(
            at_least(widest, size(rho1 - rho0) / limits.rho), size(log(p1 / p0)) / limits.ln_pressure
        )
    return ceil(at_most(at_least(widest, 1.0), MOST_CUTS)) if isfinite(widest) else 1


@small
def between(t: Numbers, time: Array, values: Array, n: int, j: int) -> Numbers:
    """The value of program n at t on the straight line from corner j - 1 to corner j."""
    lasts = time[n, j] - time[n, j - 1]
    if lasts <= NO_TIME:
        return values[n, j]
    return values[n, j - 1] + (values[n, j] - values[n, j - 1]) * (t - time[n, j - 1]) / lasts


@inner
def cut(
    panels: Panels,
    tube: Tube,
    limits: Limits,
    oven_time: Array,
    oven: Array,
    carrier_time: Array,
    carrier: Array,
    n: int,
) -> None:
    """Cut program n, given by the corners (N, B) of ovens and (N, C) of carriers, into panels.

    Legs lie between neighbouring corners of either, and are cut into panels of equal length.
    """
    B, C = oven.shape[1], carrier.shape[1]
    p, leg, i, j = 0, 0, 1, 1
    t, T, v = 0.0, oven[n, 0], carrier[n, 0]
    ramped = False
    for c in range(1, C):
        ramped = ramped or carrier[n, c] != carrier[n, 0]
    if not ramped:
        j = C
    panels.time[0], panels.temperature[0], panels.carrier[0] = t, T, v
    while i < B or j < C:
        if j == C or (i < B and oven_time[n, i] <= carrier_time[n, j]):
            t_next, T_next, panels.corner[leg], panels.other[leg] = oven_time[n, i], oven[n, i], i, j
            v_next = v if j == C else between(t_next, carrier_time, carrier, n, j)
            i += 1
        else:
            t_next, v_next, panels.corner[leg], panels.other[leg] = carrier_time[n, j], carrier[n, j], -j, i
            T_next = T if i == B else between(t_next, oven_time, oven, n, i)
            j += 1
        steady = t_next - t <= NO_TIME or (size(T_next - T) <= FLAT and v_next == v)
        cuts = 1 if steady else cuts_of(tube, limits, T, T_next, v, v_next)
        for part in range(1, cuts + 1):
            share = part / cuts
            panels.steady[p] = steady
            still = tube.outlet == 0.0 or (tube.controlled == PRESSURE and v_next == v)
            panels.frozen[p] = steady or (still and tube.line == 0.0)
            panels.leg[p], panels.part[p] = leg, share
            p += 1
            panels.time[p] = t + share * (t_next - t)
            panels.temperature[p] = T + share * (T_next - T)
            panels.carrier[p] = v + share * (v_next - v)
        leg += 1
        t, T, v = t_next, T_next, v_next
    panels.steady[p], panels.frozen[p] = True, True
    panels.leg[p], panels.part[p] = leg, 1.0
    panels.total[0] = p + 1
