"""How the time and the width of a peak answer to small changes: the formulas of `band` differentiated, panel by panel.

A direction changes corners of the program, or one of what is a compound's own or the gas's. Changes of z, of the
variance and of the injected band's go from panel to panel like these; where a band leaves, what its clock is short of
is made up by time.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from models.engine.abreast import (
    ABREAST,
    Numbers,
    all_below,
    at_least,
    get,
    put,
    root,
    size,
    spread,
    where_more,
)
from models.engine.band import (
    CLOCK,
    DENSITY,
    DIFFUSION,
    INJECTED,
    LENGTH,
    MOBILE,
    OF_Y,
    OVER_DIFFUSION,
    P_END,
    PART,
    RATIO,
    START2,
    STRETCH,
    TILT,
    VARIANCE,
    Y_END,
    Y_OUTLET,
    Y_START,
    B,
    C,
    Z,
    golay,
    place_at,
    pressure_at,
)
from models.engine.compiled import inner
from models.engine.directions import (
    BY_DCP,
    BY_LN_DIFFUSION,
    BY_LN_FLOW,
    BY_LN_THETA,
    BY_T0,
    D_ACROSS,
    D_ALONG,
    D_CLOCK,
    D_DENSITY,
    D_END,
    D_FILM,
    D_GROWTH,
    D_INJECTED,
    D_LENGTH,
    D_LN_K,
    D_LN_R,
    D_LN_V,
    D_MOBILITY,
    D_OF_Y,
    D_OUT,
    D_OUT_LN_K,
    D_OUT_T,
    D_P2_END,
    D_RHO,
    D_START,
    D_START2,
    D_STRETCH,
    D_T,
    D_VARIANCE,
    D_Z,
    SHORT,
    STEADY,
    SWEEPS,
    TINY,
    Changes,
)
from models.engine.panels import (
    ACROSS,
    ALONG,
    ETA_BY_T,
    FILM,
    INVERSE_T,
    LN_T,
    MOBILITY,
    NODE_ROW,
    P_BY_T,
    P_BY_VALUE,
    PANEL,
    RHO,
    Tube,
)
from models.engine.quadrature import Rule
from models.units import GAS_CONSTANT

Array = NDArray[np.float64]


@inner
def of_program(
    tube: Tube, gas: Array, at: int, bands: Array, nodes: Array, node: int, dT: Numbers, dv: Numbers
) -> None:
    """Changes at a node where the temperature changes by dT and the set value by dv."""
    inverse_T, rho = get(gas, at + INVERSE_T + node), get(gas, at + RHO + node)
    by_T = get(gas, at + ETA_BY_T + node) * dT
    ln_p = get(gas, at + P_BY_T + node) * dT + get(gas, at + P_BY_VALUE + node) * dv
    ln_G = 2.0 / (1.0 - rho) * ln_p
    along = 1.75 * inverse_T * dT + by_T - ln_G
    put(nodes, D_T + node, dT)
    put(nodes, D_LN_K + node, (get(bands, C) - get(bands, B) * inverse_T) * inverse_T * dT)
    put(nodes, D_MOBILITY + node, 0.5 * (1.0 + rho) * ln_G - by_T)
    put(nodes, D_RHO + node, -2.0 * rho * ln_p)
    put(nodes, D_ALONG + node, along)
    put(nodes, D_ACROSS + node, -along)
    put(nodes, D_FILM + node, ln_G - ln_p - by_T - tube.film_energy * inverse_T * inverse_T * dT)


@inner
def of_own(gas: Array, at: int, nodes: Array, own: Array, kind: int, node: int) -> None:
    """Changes at a node where one of what is the band's own, or the flow factor, changes."""
    for row in range(7):
        put(nodes, row * NODE_ROW + node, 0.0)
    inverse_T, ln_T = get(gas, at + INVERSE_T + node), get(gas, at + LN_T + node)
    put(nodes, D_LN_K + node, ln_k_by(kind, own, inverse_T, ln_T))
    if kind == BY_LN_FLOW:
        put(nodes, D_MOBILITY + node, 1.0)
        put(nodes, D_FILM + node, 1.0)
        put(nodes, D_ALONG + node, -1.0)
        put(nodes, D_ACROSS + node, 1.0)
    elif kind == BY_LN_DIFFUSION:
        put(nodes, D_ALONG + node, 1.0)
        put(nodes, D_ACROSS + node, -1.0)


@inner
def ln_k_by(kind: int, own: Array, inverse_T: Numbers, ln_T: Numbers) -> Numbers:
    """Change of ln k by one of what is the band's own."""
    T0, theta, c = get(own, 0), get(own, ABREAST), get(own, 2 * ABREAST)
    beyond = T0 * inverse_T - 1.0
    if kind == BY_T0:
        return beyond / theta + (c + T0 / theta) * inverse_T - c / T0
    if kind == BY_LN_THETA:
        return -T0 / theta * beyond
    if kind == BY_DCP:
        return (beyond + ln_T - get(own, 3 * ABREAST)) / GAS_CONSTANT
    return 0.0 * T0


@inner
def start(gas: Array, end: int, bands: Array, changes: Changes, of: int) -> None:
    """Changes of Y at the start of a panel, and of (dY/dz)^2 there."""
    lack, z = 1.0 - get(gas, end + RHO), get(bands, Z)
    d_rho, d_z = get(changes.nodes, D_RHO + end % PANEL), get(changes.state, of + D_Z)
    P = root(get(bands, START2))
    put(changes.bands, D_START2, z * d_rho - lack * d_z)
    put(changes.bands, D_START, P * d_z + (get(bands, Y_START) - P * z) / lack * d_rho)


@inner
def panel_change(
    tube: Tube, rule: Rule, gas: Array, at: int, work: Array, bands: Array, changes: Changes, of: int
) -> None:
    """Changes of Y, of the variance in Y and of its growth at the end of a panel that changes."""
    G = rule.nodes
    nodes, own = changes.nodes, changes.bands
    start(gas, at + ABREAST * G, bands, changes, of)
    rho_end, d_rho = get(gas, at + RHO + ABREAST * G), get(nodes, D_RHO + ABREAST * G)
    lack = 1.0 - rho_end
    least, d_least = 1.0 - lack * tube.stop, tube.stop * d_rho
    d_ln_length, d_start = get(own, D_LENGTH) / get(bands, LENGTH), get(own, D_START)
    changes_rho = size(d_rho)
    for j in range(G):
        node = ABREAST * j
        changes_rho = at_least(size(rho_end - get(gas, at + RHO + node)), changes_rho)
        changes_rho = at_least(size(get(nodes, D_RHO + node)), changes_rho)
        e = get(work, MOBILE + node)
        grown = d_ln_length + get(nodes, D_MOBILITY + node) - (1.0 - e) * get(nodes, D_LN_K + node)
        put(nodes, D_DENSITY + node, grown)
        put(nodes, D_GROWTH + node, get(work, DENSITY + node) * get(work, RATIO + node) * grown)
        put(nodes, D_LN_R + node, 0.0)
        put(nodes, D_CLOCK + node, 0.0)
    R_stays = all_below(changes_rho, TINY)
    for sweep in range(SWEEPS):
        change, largest = spread(0.0), spread(0.0)
        for i in range(G):
            d_Y = d_start
            for j in range(G):
                d_Y += rule.to_node[i, j] * get(nodes, D_GROWTH + ABREAST * j)
            change = at_least(size(d_Y - get(nodes, D_CLOCK + ABREAST * i)), change)
            largest = at_least(size(d_Y), largest)
            put(nodes, D_CLOCK + ABREAST * i, d_Y)
        if R_stays:
            for j in range(G):
                node = ABREAST * j
                P = get(work, P_END + node)
                falls = get(nodes, D_CLOCK + node) * lack / (P * P * P)
                put(nodes, D_P2_END + node, where_more(least, P * P, 0.0, -falls))
            break
        if sweep > 0 and all_below(change, STEADY * largest + TINY):
            break
        for j in range(G):
            node = ABREAST * j
            P = get(work, P_END + node)
            P2_end = P * P
            d_P2_end = (get(work, CLOCK + node) * d_rho - lack * get(nodes, D_CLOCK + node)) / P
            d_P2_end = where_more(least, P2_end, d_least, d_P2_end)
            P2_end = at_least(P2_end, least)
            tilt = get(work, TILT + node)
            d_tilt = (tilt * d_rho - get(nodes, D_RHO + node)) / lack
            d_P2 = (P2_end - 1.0) * d_tilt + tilt * d_P2_end
            d_ln_P2_end = d_P2_end / P2_end
            d_ln_R = 0.5 * (d_ln_P2_end - d_P2 / (1.0 - tilt + tilt * P2_end))
            put(nodes, D_P2_END + node, d_ln_P2_end)
            put(nodes, D_LN_R + node, d_ln_R)
            grown = get(nodes, D_DENSITY + node) + d_ln_R
            put(nodes, D_GROWTH + node, get(work, DENSITY + node) * get(work, RATIO + node) * grown)
    d_end, d_stretch = d_start, spread(0.0)
    for j in range(G):
        node = ABREAST * j
        d_end += rule.weight[j] * get(nodes, D_GROWTH + node)
        if R_stays:
            continue
        ln_P2_end = get(nodes, D_P2_END + node)
        ln_P2 = ln_P2_end - 2.0 * get(nodes, D_LN_R + node)
        P_end = get(work, P_END + node)
        P2_end = at_least(P_end * P_end, least)
        tilt = get(work, TILT + node)
        P2 = 1.0 - tilt + tilt * P2_end
        of_rho = get(work, DENSITY + node) / (P2_end * P2 * root(P2))
        beyond, d_beyond = rho_end - get(gas, at + RHO + node), d_rho - get(nodes, D_RHO + node)
        growth = of_rho * (d_beyond + beyond * (get(nodes, D_DENSITY + node) - ln_P2_end - 1.5 * ln_P2))
        put(nodes, D_GROWTH + node, growth)
        d_stretch += rule.weight[j] * growth
    diffusion, over_diffusion, d_added = get(bands, DIFFUSION), get(bands, OVER_DIFFUSION), spread(0.0)
    for i in range(G):
        node = ABREAST * i
        grows = d_stretch
        for j in range(0 if R_stays else G):
            grows -= rule.to_node[i, j] * get(nodes, D_GROWTH + ABREAST * j)
        e = get(work, MOBILE + node)
        P_end = get(work, P_END + node)
        P2_end = at_least(P_end * P_end, least)
        tilt = get(work, TILT + node)
        P = root(1.0 - tilt + tilt * P2_end)
        d_e = -(e * (1.0 - e)) * get(nodes, D_LN_K + node)
        ln_P2_end = get(nodes, D_P2_END + node)
        ln_P = 0.5 * ln_P2_end - get(nodes, D_LN_R + node)
        along = get(gas, at + ALONG + node) * diffusion
        across = get(gas, at + ACROSS + node) * over_diffusion
        film = get(gas, at + FILM + node) / P
        height = along + golay(e) * across + e * (1.0 - e) * film
        d_height = (
            along * get(nodes, D_ALONG + node)
            + across * (golay(e) * get(nodes, D_ACROSS + node) + (12.0 * e - 16.0) * d_e)
            + film * (e * (1.0 - e) * (get(nodes, D_FILM + node) - ln_P) + (1.0 - 2.0 * e) * d_e)
        )
        d_added += get(work, PART + node) * (
            get(nodes, D_DENSITY + node) + d_height / height + ln_P2_end - ln_P + grows
        )
    start2, variance = get(bands, START2), get(bands, VARIANCE)
    d_before = get(changes.state, of + D_VARIANCE) * start2 + variance * get(own, D_START2)
    put(own, D_END, d_end)
    put(own, D_STRETCH, d_stretch)
    put(
        own,
        D_OF_Y,
        get(bands, STRETCH) * (d_before + variance * start2 * d_stretch) + tube.plate_height_factor * d_added,
    )


@inner
def hold_change(
    tube: Tube, gas: Array, end: int, work: Array, bands: Array, changes: Changes, of: int
) -> None:
    """The same of a panel on which nothing changes."""
    nodes, own, node = changes.nodes, changes.bands, end % PANEL
    start(gas, end, bands, changes, of)
    e = get(work, MOBILE + node)
    velocity = get(gas, end + MOBILITY) * e
    Y0, Y1, z0 = get(bands, Y_START), get(bands, Y_END), get(bands, Z)
    ds = Y1 - Y0
    d_ds = velocity * get(own, D_LENGTH) + ds * (
        get(nodes, D_MOBILITY + node) - (1.0 - e) * get(nodes, D_LN_K + node)
    )
    d_rho, lack = get(nodes, D_RHO + node), 1.0 - get(gas, end + RHO)
    P0, P1 = root(get(bands, START2)), pressure_at(Y1, lack)
    z1 = place_at(Y1, P1)
    d_start = get(own, D_START)
    d_end = d_start + d_ds
    # q = z - (1 - rho*) z^2/2 at both ends
    q = 0.5 * (P0 * P0 + P1 * P1) * (z1 - z0)
    d_q = (
        P1 * (d_end - (Y1 - P1 * z1) / lack * d_rho)
        - P0 * (d_start - (Y0 - P0 * z0) / lack * d_rho)
        + 0.5 * (z1 * z1 - z0 * z0) * d_rho
    )
    d_e = -(e * (1.0 - e)) * get(nodes, D_LN_K + node)
    along = get(gas, end + ALONG) * get(bands, DIFFUSION)
    across = get(gas, end + ACROSS) * get(bands, OVER_DIFFUSION)
    of_q = along + golay(e) * across
    d_of_q = along * get(nodes, D_ALONG + node) + across * (
        golay(e) * get(nodes, D_ACROSS + node) + (12.0 * e - 16.0) * d_e
    )
    film = get(gas, end + FILM)
    d_film = film * (e * (1.0 - e) * get(nodes, D_FILM + node) + (1.0 - 2.0 * e) * d_e)
    added = d_of_q * q + of_q * d_q + d_film * ds + e * (1.0 - e) * film * d_ds
    before = get(changes.state, of + D_VARIANCE) * get(bands, START2) + get(bands, VARIANCE) * get(
        own, D_START2
    )
    put(own, D_END, d_end)
    put(own, D_STRETCH, 0.0)
    put(own, D_OF_Y, before + tube.plate_height_factor * added)


@inner
def carry(gas: Array, end: int, bands: Array, changes: Changes, of: int) -> None:
    """From changes in Y at the end of a panel to those in z."""
    own, state = changes.bands, changes.state
    lack, d_rho = 1.0 - get(gas, end + RHO), get(changes.nodes, D_RHO + end % PANEL)
    Y, start2 = get(bands, Y_END), get(bands, START2)
    P = pressure_at(Y, lack)
    z = place_at(Y, P)
    d_z = (get(own, D_END) - (Y - P * z) / lack * d_rho) / P
    over_P2 = 1.0 / (P * P)
    ln_P2 = (z * d_rho - lack * d_z) * over_P2
    injected = get(bands, INJECTED)
    d_injected = get(state, of + D_INJECTED) * start2 + injected * get(own, D_START2)
    put(state, of + D_Z, d_z)
    put(state, of + D_VARIANCE, (get(own, D_OF_Y) - get(bands, OF_Y) * ln_P2) * over_P2)
    grown = d_injected + injected * start2 * (get(own, D_STRETCH) - ln_P2)
    put(state, of + D_INJECTED, get(bands, STRETCH) * over_P2 * grown)


@inner
def at_outlet(
    tube: Tube, gas: Array, end: int, work: Array, bands: Array, changes: Changes, of: int, out: Array
) -> None:
    """For bands at the outlet: changes of what Y there lacks, of the variance in s, of ln V, T and ln k."""
    own, nodes, node = changes.bands, changes.nodes, end % PANEL
    lack, d_rho = 1.0 - get(gas, end + RHO), get(nodes, D_RHO + node)
    P = root(at_least(1.0 - lack * tube.stop, 0.0))
    injected, start2 = get(bands, INJECTED), get(bands, START2)
    d_injected = get(changes.state, of + D_INJECTED) * start2 + injected * get(own, D_START2)
    grown = get(bands, STRETCH) * (d_injected + injected * start2 * get(own, D_STRETCH))
    e = get(work, MOBILE + node)
    put(out, SHORT, (get(bands, Y_OUTLET) - P * tube.stop) / lack * d_rho - get(own, D_END))
    put(out, D_OUT, get(own, D_OF_Y) + tube.injected_variance * grown)
    put(out, D_LN_V, get(nodes, D_MOBILITY + node) - (1.0 - e) * get(nodes, D_LN_K + node))
    put(out, D_OUT_T, get(nodes, D_T + node))
    put(out, D_OUT_LN_K, get(nodes, D_LN_K + node))
