"""Bands marched through the panels of a program, a few at a time: when they elute and how wide they then are.

On a panel rho* is the rho at its end, and Y(z) the function of `migration` eq. [4] for it. Where rho does not change R
is one, and Y grows as s does. From panel to panel go z, the variance of the band in z, and what has become of the
injected band's.

ABREAST bands are marched at once, their numbers side by side (lanes); the lanes beyond the last band repeat it.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from models.engine.abreast import (
    ABREAST,
    Numbers,
    all_below,
    at_least,
    at_most,
    get,
    put,
    root,
    size,
    spread,
    where_more,
)
from models.engine.compiled import cube_root, exponential, inner, near_cube_root, small
from models.engine.panels import ACROSS, ALONG, FILM, INVERSE_T, LN_T, MOBILITY, NODE_ROW, RHO, Tube
from models.engine.quadrature import Nodes, Rule

Array = NDArray[np.float64]
# Of bands at the nodes: 1/(1+k), ds/dx, Y, R, P*, (1 - rho)/(1 - rho*), what [5] sums, and by what it grows.
MOBILE, DENSITY, CLOCK, RATIO, P_END, TILT, PART, GROWTH = range(0, 8 * NODE_ROW, NODE_ROW)
NODE_ROWS = 8
LACKS = PART + NODE_ROW - ABREAST  # what a sum of P lacks of q, at a vacuum outlet
# Of bands: A, B, C of ln k = A + B/T + C ln T and D p/T^1.75; their state; and of the panel at hand its length [s], Y
# at its start, at its end and at the outlet, (dY/dz)^2 at its start, the variance in Y at its end and what it grows by.
A, B, C, DIFFUSION, OVER_DIFFUSION, Z, VARIANCE, INJECTED = range(0, 8 * ABREAST, ABREAST)
KEPT = 8
LENGTH, Y_START, Y_END, Y_OUTLET, START2, OF_Y, STRETCH, PASSED = range(8 * ABREAST, 16 * ABREAST, ABREAST)
# Of bands that elute on a panel that changes: the share of it that passes (above), when it begins and how long it is
# [s], temperature and set value at its start and by what they change; 1 where rho stays the same; what the last guess
# of the share lacked [s].
BEGIN, WHOLE, T_START, LN_T_START, RISE, V_START, LIFT, SAME, MISSING = range(
    16 * ABREAST, 25 * ABREAST, ABREAST
)
BAND_ROWS = 25

ELUTED, LATE, NOT_FINITE = 0, 1, 2
TIME, WIDTH, TEMPERATURE, FACTOR, HEATING, INJECTED_SHARE = range(6)  # of a peak
LONGEST = 1e12  # s, of the hold after a program
LEAST_P3 = 1e-30  # of P^3: at a vacuum outlet P ends at zero
STEADY = 1e-12  # change of Y at which iteration has nothing left to do


class Effort(NamedTuple):
    """How hard to try: Picard's sweeps, passes over the last panel, and the share of Y at the outlet below which a
    panel adds nothing to the variance."""

    sweeps: int
    passes: int
    negligible: float


@small
def clock_at(z: Numbers, lack: Numbers) -> Numbers:
    """Y(z) = (2/3) (1 - P^3)/(1 - rho*), P^2 = 1 - (1-rho*) z, written so that rho* -> 1 is exact; eq. [4]."""
    P = root(at_least(1.0 - lack * z, 0.0))
    return (2.0 / 3.0) * z * (1.0 + P + P * P) / (1.0 + P)


@small
def place_at(Y: Numbers, P: Numbers) -> Numbers:
    """z where Y is reached, P being P* there; the same inverted."""
    return 1.5 * Y * (1.0 + P) / (1.0 + P + P * P)


@small
def pressure_at(Y: Numbers, lack: Numbers) -> Numbers:
    """P* where Y is reached."""
    return cube_root(at_least(1.0 - 1.5 * lack * Y, LEAST_P3))


@small
def q_between(bands: Array, Y: Numbers, lack: Numbers) -> Numbers:
    """The integral of P* over Y from a panel's start: by what q = z - (1-rho*) z^2/2 grows."""
    P = pressure_at(Y, lack)
    return 0.5 * (get(bands, START2) + P * P) * (place_at(Y, P) - get(bands, Z))


@small
def mobile_share(ln_k: Numbers) -> Numbers:
    """1/(1+k)"""
    return 1.0 / (1.0 + exponential(ln_k))


@small
def shape_of(tube: Tube, e: Numbers) -> Numbers:
    """(1 + 6k + 11k^2)/(1+k)^2 in an open tube, e being 1/(1+k)."""
    return tube.shape0 + e * (tube.shape2 * e + tube.shape1)


@small
def shape_slope(tube: Tube, e: Numbers) -> Numbers:
    """The same differentiated by e."""
    return tube.shape1 + 2.0 * tube.shape2 * e


@small
def gas_height(tube: Tube, gas: Array, node: int, bands: Array, e: Numbers) -> Numbers:
    """The gas's terms of H/L at a node."""
    across = shape_of(tube, e) * get(gas, node + ACROSS) * get(bands, OVER_DIFFUSION)
    return tube.eddy + get(gas, node + ALONG) * get(bands, DIFFUSION) + across


@small
def ln_retention(bands: Array, inverse_T: Numbers, ln_T: Numbers) -> Numbers:
    """ln k of the bands at a temperature."""
    return get(bands, A) + get(bands, B) * inverse_T + get(bands, C) * ln_T


@inner
def begin_panel(gas: Array, end: int, bands: Array, stop: Numbers) -> None:
    """Y at the start of a panel and at the outlet, for rho at its end."""
    lack = 1.0 - get(gas, end + RHO)
    z = get(bands, Z)
    put(bands, START2, 1.0 - lack * z)
    put(bands, Y_START, clock_at(z, lack))
    put(bands, Y_OUTLET, clock_at(spread(stop), lack))


@inner
def advance(
    gas: Array,
    at: int,
    work: Array,
    bands: Array,
    frozen: bool,
    sweeps: int,
    stop: Numbers,
    rule: Rule,
    nodes: Nodes,
) -> None:
    """Y at the nodes and at the end of a panel: eq. [4], by Picard's iteration from the R at hand."""
    G = rule.nodes
    length, Y_start = get(bands, LENGTH), get(bands, Y_START)
    lack = 1.0 - get(gas, at + RHO + ABREAST * G)
    over_lack = 1.0 / lack
    for j in range(G):
        node = ABREAST * j
        e = mobile_share(ln_retention(bands, get(gas, at + INVERSE_T + node), get(gas, at + LN_T + node)))
        density = length * nodes.slope[j] * get(gas, at + MOBILITY + node) * e
        put(work, MOBILE + node, e)
        put(work, DENSITY + node, density)
        put(work, PART + node, density * get(work, RATIO + node))
        put(work, TILT + node, (1.0 - get(gas, at + RHO + node)) * over_lack)
    for sweep in range(1 if frozen else sweeps):
        change = spread(0.0)
        for i in range(G):
            Y = Y_start
            for j in range(G):
                Y += rule.to_node[i, j] * get(work, PART + ABREAST * j)
            change = at_least(size(Y - get(work, CLOCK + ABREAST * i)), change)
            put(work, CLOCK + ABREAST * i, Y)
        if frozen or (sweep > 0 and all_below(change, STEADY)):
            break
        for j in range(G):
            node = ABREAST * j
            P3 = at_least(1.0 - 1.5 * lack * get(work, CLOCK + node), LEAST_P3)
            P_end = cube_root(P3) if sweep == 0 else near_cube_root(P3, get(work, P_END + node))
            put(work, P_END + node, P_end)
            P_end2 = at_least(P_end * P_end, 1.0 - lack * stop)  # no band is beyond the outlet
            tilt = get(work, TILT + node)
            ratio = root(P_end2 / (1.0 - tilt + tilt * P_end2))
            put(work, RATIO + node, ratio)
            put(work, PART + node, get(work, DENSITY + node) * ratio)
    Y = Y_start
    for j in range(G):
        Y += rule.weight[j] * get(work, PART + ABREAST * j)
    put(bands, Y_END, Y)


@inner
def broaden(
    gas: Array, at: int, work: Array, bands: Array, frozen: bool, tube: Tube, rule: Rule, nodes: Nodes
) -> None:
    """The variance in Y at the end of a panel, and by what one at its start grows: eq. [5].

    P falls like a root towards a vacuum outlet: what its sum lacks of q is added, with H at the panel's end.
    """
    G, vacuum = rule.nodes, into_vacuum(tube)
    rho_end = get(gas, at + RHO + ABREAST * G)
    lack = 1.0 - rho_end
    least = 1.0 - lack * tube.stop  # no band is beyond the outlet
    least_P = root(at_least(least, 0.0))
    stretch, added, fall = spread(0.0), spread(0.0), spread(0.0)
    for j in range(G):
        node = ABREAST * j
        P = pressure_at(get(work, CLOCK + node), lack)
        put(work, P_END + node, P)
        e, density = get(work, MOBILE + node), get(work, DENSITY + node)
        of_gas = gas_height(tube, gas, at + node, bands, e)
        of_film = e * (1.0 - e) * get(gas, at + FILM + node)
        if frozen:  # P is P*
            falls = at_least(P, least_P)
            if vacuum:
                falls = nodes.root[j] * falls
                fall += rule.weight[j] * density * falls
            part = rule.weight[j] * density * (of_gas * falls + of_film)
            put(work, PART + node, part)
            added += part
            continue
        P_end2 = at_least(P * P, least)
        tilt = get(work, TILT + node)
        P2 = 1.0 - tilt + tilt * P_end2
        over_P = root(P2) / P2
        put(work, PART + node, rule.weight[j] * density * (of_gas + of_film * over_P) * P_end2 * over_P)
        growth = density * (rho_end - get(gas, at + RHO + node)) * over_P / (P_end2 * P2)  # 2 dR/dY ds/dx
        put(work, GROWTH + node, growth)
        stretch += rule.weight[j] * growth
    if not frozen:
        for i in range(G):
            grows = stretch
            for j in range(G):
                grows -= rule.to_node[i, j] * get(work, GROWTH + ABREAST * j)
            part = get(work, PART + ABREAST * i) * exponential(grows)
            put(work, PART + ABREAST * i, part)
            added += part
        stretch = exponential(stretch)
    else:
        stretch = spread(1.0)
    if vacuum:
        end = ABREAST * G
        e = mobile_share(ln_retention(bands, get(gas, at + INVERSE_T + end), get(gas, at + LN_T + end)))
        put(work, MOBILE + end, e)
        put(work, LACKS, q_between(bands, get(bands, Y_END), lack) - fall)
        added += gas_height(tube, gas, at + end, bands, e) * get(work, LACKS)
    put(bands, STRETCH, stretch)
    put(bands, OF_Y, get(bands, VARIANCE) * get(bands, START2) * stretch + tube.plate_height_factor * added)


@inner
def hold(gas: Array, end: int, work: Array, bands: Array, tube: Tube, rule: Rule) -> None:
    """Y and the variance in Y at the end of a panel on which nothing changes: eqs. [4] and [5] in closed form."""
    e = mobile_share(ln_retention(bands, get(gas, end + INVERSE_T), get(gas, end + LN_T)))
    put(work, MOBILE + ABREAST * rule.nodes, e)
    # Whoever would be beyond the outlet stops there.
    Y_start = get(bands, Y_START)
    Y = at_most(Y_start + get(bands, LENGTH) * get(gas, end + MOBILITY) * e, get(bands, Y_OUTLET))
    q = q_between(bands, Y, 1.0 - get(gas, end + RHO))
    added = gas_height(tube, gas, end, bands, e) * q + e * (1.0 - e) * get(gas, end + FILM) * (Y - Y_start)
    put(bands, Y_END, Y)
    put(bands, STRETCH, 1.0)
    put(bands, OF_Y, get(bands, VARIANCE) * get(bands, START2) + tube.plate_height_factor * added)


@inner
def go_on(gas: Array, end: int, bands: Array, negligible: Numbers) -> None:
    """From Y at the end of a panel back to z; a band that hardly moves keeps its variance."""
    Y = get(bands, Y_END)
    moves = Y - get(bands, Y_START)
    start2 = get(bands, START2)
    P = pressure_at(Y, 1.0 - get(gas, end + RHO))
    over_P2 = 1.0 / (P * P)
    least = negligible * get(bands, Y_OUTLET)
    z, injected, variance = get(bands, Z), get(bands, INJECTED), get(bands, VARIANCE)
    put(bands, Z, where_more(moves, least, place_at(Y, P), z + moves / root(start2)))
    put(
        bands, INJECTED, where_more(moves, least, injected * start2 * get(bands, STRETCH) * over_P2, injected)
    )
    put(bands, VARIANCE, where_more(moves, least, get(bands, OF_Y) * over_P2, variance))


@inner
def shares_at_outlet(work: Array, bands: Array, rule: Rule) -> None:
    """The shares of a panel after which bands are at the outlet: where the polynomials through their nodes are."""
    G = rule.nodes
    Y_start = get(bands, Y_START)
    target = get(bands, Y_OUTLET) - Y_start
    low, Y_low = spread(0.0), spread(0.0)
    high, Y_high = spread(1.0), get(bands, Y_END) - Y_start
    for j in range(G):
        Y = get(work, CLOCK + ABREAST * j) - Y_start
        low, Y_low = where_more(Y, target, low, rule.x[j]), where_more(Y, target, Y_low, Y)
        Y = get(work, CLOCK + ABREAST * (G - 1 - j)) - Y_start
        high, Y_high = where_more(Y, target, rule.x[G - 1 - j], high), where_more(Y, target, Y, Y_high)
    x = low + (high - low) * (target - Y_low) / (Y_high - Y_low)
    for i in range(G):
        factor = spread(0.0)
        for j in range(G):
            density = get(work, DENSITY + ABREAST * j) * get(work, RATIO + ABREAST * j)
            factor += rule.powers[i, j] * density
        put(work, GROWTH + ABREAST * i, factor)
    for _ in range(4):
        Y, slope = spread(0.0), spread(0.0)
        for i in range(G - 1, -1, -1):
            factor = get(work, GROWTH + ABREAST * i)
            Y = Y * x + factor * rule.over[i]
            slope = slope * x + factor
        x = at_most(at_least(x - (Y * x - target) / slope, low), high)
    put(bands, PASSED, x)


@small
def into_vacuum(tube: Tube) -> bool:
    """Whether p falls to nothing at the end, which it does not with a line behind it."""
    return tube.outlet == 0.0 and tube.line == 0.0


@inner
def last_nodes(tube: Tube, rule: Rule) -> Nodes:
    """Those of the panel on which bands elute."""
    return rule.vacuum if into_vacuum(tube) and tube.stop == 1.0 else rule.crowded


@inner
def restart(work: Array, rule: Rule) -> None:
    """R is one to begin with."""
    for j in range(rule.nodes):
        put(work, RATIO + ABREAST * j, 1.0)
