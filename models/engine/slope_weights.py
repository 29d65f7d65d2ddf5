"""Weights of what changes in a panel in what changes at its end: eq. [7], worked out once for all directions.

What changes at the end of a panel is a sum of what changes at its start and at its nodes; the weights are added up
over the nodes for what changes there together.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from models.engine.abreast import ABREAST, Numbers, at_least, get, put, root, spread, where_more
from models.engine.band import (
    CLOCK,
    DENSITY,
    DIFFUSION,
    LACKS,
    LENGTH,
    MOBILE,
    OVER_DIFFUSION,
    P_END,
    PART,
    RATIO,
    START2,
    STRETCH,
    TILT,
    VARIANCE,
    Y_END,
    Y_START,
    B,
    C,
    Z,
    into_vacuum,
    shape_of,
    shape_slope,
)
from models.engine.compiled import inner, small
from models.engine.directions import (
    ANSWERS,
    BY_DCP,
    BY_LENGTH,
    BY_LIFT,
    BY_LN_DIFFUSION,
    BY_LN_FILM_DIFFUSION,
    BY_LN_FLOW,
    BY_LN_THETA,
    BY_OWN,
    BY_RISE,
    BY_T,
    BY_T0,
    BY_VALUE,
    BY_Z,
    DCP,
    H_BY_LN_K,
    LN_STRETCH,
    LN_T0,
    OF_Y_AT_END,
    P_AT_END,
    P_START,
    PACE,
    R_BY_RHO,
    R_BY_RHO_END,
    R_BY_Y,
    SUMS,
    T0,
    THETA,
    W_ALONG,
    W_CLOCK,
    W_FILM,
    W_LN_K,
    W_MOBILITY,
    W_RHO,
    WEIGHTS,
    Y_AT_END,
    Y_BY_RHO_END,
    Y_BY_RHO_START,
    Z_AT_END,
    Changes,
)
from models.engine.panels import (
    ACROSS,
    ALONG,
    ALONG_BY_T,
    ALONG_BY_VALUE,
    FILM,
    FILM_BY_T,
    FILM_BY_VALUE,
    INVERSE_T,
    LN_T,
    MOBILITY,
    MOBILITY_BY_T,
    MOBILITY_BY_VALUE,
    RHO,
    RHO_BY_T,
    RHO_BY_VALUE,
    Tube,
)
from models.engine.quadrature import Nodes, Rule
from models.units import GAS_CONSTANT

Array = NDArray[np.float64]


@small
def weigh(
    weights: Array,
    answer: int,
    node: int,
    by_density: Numbers,
    by_R: Numbers,
    by_P2: Numbers,
    by_beyond: Numbers,
    P2_by_rho: Numbers,
    P2_by_Y: Numbers,
) -> Numbers:
    """Weights of a node in an answer to ln (ds/dx), ln R, ln P*^2 and rho* - rho, less that of Y; that of rho*."""
    of = answer * WEIGHTS + node
    put(weights, of + W_MOBILITY, by_density)
    put(weights, of + W_RHO, by_R * get(weights, R_BY_RHO + node) - by_beyond)
    put(weights, of + W_CLOCK, by_R * get(weights, R_BY_Y + node) + by_P2 * P2_by_Y)
    return by_R * get(weights, R_BY_RHO_END + node) + by_P2 * P2_by_rho + by_beyond


@small
def weigh_gas(
    tube: Tube, gas: Array, at: int, node: int, e: Numbers, q: Numbers, bands: Array, weights: Array
) -> Numbers:
    """Weights at a panel's end of q times the gas's terms of H/L; these terms."""
    factor, moves = tube.plate_height_factor, e * (1.0 - e)
    along = factor * get(gas, at + node + ALONG) * get(bands, DIFFUSION)
    across = factor * get(gas, at + node + ACROSS) * get(bands, OVER_DIFFUSION)
    across_shape = shape_of(tube, e) * across
    put(weights, W_ALONG + node, (along - across_shape) * q)
    put(weights, H_BY_LN_K + node, -(moves * shape_slope(tube, e) * across * q))
    return factor * tube.eddy + along + across_shape


@inner
def panel_weights(
    tube: Tube,
    rule: Rule,
    nodes: Nodes,
    gas: Array,
    at: int,
    frozen: bool,
    work: Array,
    bands: Array,
    changes: Changes,
) -> None:
    """Weights of a panel that changes: eq. [7]."""
    G, vacuum = rule.nodes, into_vacuum(tube)
    weights, end = changes.weights, ABREAST * G
    rho_end = get(gas, at + RHO + end)
    lack = 1.0 - rho_end
    over_lack = 1.0 / lack
    least = 1.0 - lack * tube.stop
    diffusion, over_diffusion = get(bands, DIFFUSION), get(bands, OVER_DIFFUSION)
    before, added = get(bands, STRETCH) * get(bands, VARIANCE) * get(bands, START2), spread(0.0)
    for j in range(G):
        added += get(work, PART + ABREAST * j)
    whole = before + tube.plate_height_factor * added
    # At a vacuum outlet the end's H counts what the sum of P lacks of q.
    of_q = spread(0.0)
    put(weights, W_ALONG + end, of_q)
    put(weights, H_BY_LN_K + end, of_q)
    if vacuum:
        of_q = weigh_gas(tube, gas, at, end, get(work, MOBILE + end), get(work, LACKS), bands, weights)
    by_Y = of_q * get(changes.bands, P_AT_END)
    of_Y, of_stretch, of_variance = spread(0.0), spread(0.0), spread(0.0)  # weights of rho*
    for j in range(G):
        node = ABREAST * j
        # ln P*^2 by rho* and Y; no band is beyond the outlet
        P_end, tilt = get(work, P_END + node), get(work, TILT + node)
        over_P_end, P_end2 = 1.0 / P_end, P_end * P_end
        over_P_end2 = over_P_end * over_P_end
        P2_by_rho = where_more(
            least, P_end2, tube.stop / least, get(work, CLOCK + node) * over_P_end * over_P_end2
        )
        P2_by_Y = where_more(least, P_end2, 0.0, -(lack * over_P_end * over_P_end2))
        over_P_end2 = where_more(least, P_end2, 1.0 / least, over_P_end2)
        P_end2 = at_least(P_end2, least)
        # ln R by both, and by rho
        over_P2 = 1.0 / (1.0 - tilt + tilt * P_end2)
        R_by_P2 = 0.5 * (1.0 - tilt) * over_P2
        R_by_tilt = 0.5 * (1.0 - P_end2) * over_P2 * over_lack
        put(weights, R_BY_RHO + node, -R_by_tilt)
        put(weights, R_BY_RHO_END + node, R_by_P2 * P2_by_rho + R_by_tilt * tilt)
        put(weights, R_BY_Y + node, R_by_P2 * P2_by_Y)
        e, density = get(work, MOBILE + node), get(work, DENSITY + node)
        over_P = root(over_P2)
        # H by ln along, ln film and ln k
        moves, film = e * (1.0 - e), get(gas, at + FILM + node) * over_P
        if vacuum:
            film = film / nodes.root[j]
        along = get(gas, at + ALONG + node) * diffusion
        across = get(gas, at + ACROSS + node) * over_diffusion
        part = tube.plate_height_factor * get(work, PART + node)
        across_shape = shape_of(tube, e) * across
        of_height = part / (tube.eddy + along + across_shape + moves * film)
        of_film = of_height * moves * film
        put(weights, W_ALONG + node, of_height * (along - across_shape))
        put(weights, W_FILM + node, of_film)
        put(
            weights,
            H_BY_LN_K + node,
            -(of_height * moves * (shape_slope(tube, e) * across + (1.0 - 2.0 * e) * film)),
        )
        # The growth 2 dR/dY ds/dx, and the variance that is there to grow from the node on.
        by_beyond = density * over_P * over_P2 * over_P_end2
        growth = by_beyond * (rho_end - get(gas, at + RHO + node))
        share = rule.weight[j]
        grows = share * whole
        for i in range(G):
            grows -= tube.plate_height_factor * rule.to_node[i, j] * get(work, PART + ABREAST * i)
        pace = density * get(work, RATIO + node)
        put(weights, PACE + node, pace)
        none = spread(0.0)
        of_Y += weigh(weights, Y_AT_END, node, share * pace, share * pace, none, none, P2_by_rho, P2_by_Y)
        stretches = share * growth
        of_stretch += weigh(
            weights,
            LN_STRETCH,
            node,
            stretches,
            3.0 * stretches,
            -2.5 * stretches,
            share * by_beyond,
            P2_by_rho,
            P2_by_Y,
        )
        by_density, by_P2 = part + grows * growth, 0.5 * (part - of_film) - 2.5 * grows * growth
        if vacuum:
            falls = of_q * share * nodes.root[j] * density * P_end
            by_density, by_P2 = by_density + by_Y * share * pace - falls, by_P2 - 0.5 * falls
        of_variance += weigh(
            weights,
            OF_Y_AT_END,
            node,
            by_density,
            part + of_film + 3.0 * grows * growth,
            by_P2,
            grows * by_beyond,
            P2_by_rho,
            P2_by_Y,
        )
    if not frozen:
        eliminate(rule, changes)
    put(weights, Y_AT_END * WEIGHTS + W_RHO + end, of_Y)
    put(weights, LN_STRETCH * WEIGHTS + W_RHO + end, of_stretch)
    put(weights, OF_Y_AT_END * WEIGHTS + W_RHO + end, of_variance)
    put(weights, W_FILM + end, 0.0)
    for answer in range(ANSWERS):
        by_clocks(rule, get(bands, LENGTH), work, answer, changes)
    to = OF_Y_AT_END * SUMS + BY_Z
    put(changes.sums, to, get(changes.sums, to) + by_Y - of_q * get(changes.bands, P_START))
    by_start(gas, at + end, end, bands, changes)


@inner
def eliminate(rule: Rule, changes: Changes) -> None:
    """Weights of Y at the nodes, w, from what answers by it alone, v: w_j = v_j + (dY/dx)_j r_j sum_i a_ij w_i.

    a are the integrals to the nodes and r is d ln R/dY; by Gauss's elimination.
    """
    G = rule.nodes
    weights, matrix = changes.weights, changes.matrix
    for j in range(G):
        node = ABREAST * j
        factor = -(get(weights, PACE + node) * get(weights, R_BY_Y + node))
        for i in range(G):
            put(matrix, ABREAST * (G * j + i), factor * rule.to_node[i, j] + (1.0 if i == j else 0.0))
    for j in range(G):
        over = 1.0 / get(matrix, ABREAST * (G * j + j))
        for answer in range(ANSWERS):
            w = answer * WEIGHTS + W_CLOCK
            put(weights, w + ABREAST * j, get(weights, w + ABREAST * j) * over)
        for i in range(j + 1, G):
            put(matrix, ABREAST * (G * j + i), get(matrix, ABREAST * (G * j + i)) * over)
        for below in range(j + 1, G):
            factor = get(matrix, ABREAST * (G * below + j))
            for i in range(j + 1, G):
                place = ABREAST * (G * below + i)
                put(matrix, place, get(matrix, place) - factor * get(matrix, ABREAST * (G * j + i)))
            for answer in range(ANSWERS):
                w = answer * WEIGHTS + W_CLOCK
                put(
                    weights,
                    w + ABREAST * below,
                    get(weights, w + ABREAST * below) - factor * get(weights, w + ABREAST * j),
                )
    for answer in range(ANSWERS):
        w = answer * WEIGHTS + W_CLOCK
        for j in range(G - 2, -1, -1):
            value = get(weights, w + ABREAST * j)
            for i in range(j + 1, G):
                value -= get(matrix, ABREAST * (G * j + i)) * get(weights, w + ABREAST * i)
            put(weights, w + ABREAST * j, value)


@inner
def by_clocks(rule: Rule, length: Numbers, work: Array, answer: int, changes: Changes) -> None:
    """What changes at the nodes changes Y at these, and that the answer; then ln k, the length and Y at the start."""
    G = rule.nodes
    weights, sums = changes.weights, changes.sums
    of, end = answer * WEIGHTS, ABREAST * G
    by_Y, by_density, by_rho_end = spread(0.0), spread(0.0), get(weights, of + W_RHO + end)
    for j in range(G):
        node = ABREAST * j
        later = spread(0.0)
        for i in range(G):
            later += rule.to_node[i, j] * get(weights, of + W_CLOCK + ABREAST * i)
        later *= get(weights, PACE + node)
        density = get(weights, of + W_MOBILITY + node) + later
        by_ln_k = -((1.0 - get(work, MOBILE + node)) * density)
        if answer == OF_Y_AT_END:
            by_ln_k += get(weights, H_BY_LN_K + node)
        put(weights, of + W_MOBILITY + node, density)
        put(weights, of + W_LN_K + node, by_ln_k)
        put(
            weights,
            of + W_RHO + node,
            get(weights, of + W_RHO + node) + later * get(weights, R_BY_RHO + node),
        )
        by_rho_end += later * get(weights, R_BY_RHO_END + node)
        by_density += density
        by_Y += get(weights, of + W_CLOCK + node)
    put(weights, of + W_MOBILITY + end, 0.0)
    put(weights, of + W_LN_K + end, 0.0)
    if answer == OF_Y_AT_END:
        put(weights, of + W_LN_K + end, get(weights, H_BY_LN_K + end))
    put(weights, of + W_RHO + end, by_rho_end)
    put(sums, answer * SUMS + BY_LENGTH, by_density / length)
    put(sums, answer * SUMS + BY_Z, by_Y)


@inner
def by_start(gas: Array, gas_end: int, end: int, bands: Array, changes: Changes) -> None:
    """From Y at the start of a panel to z and rho*, which also change what the variance there is in Y."""
    weights, sums, own = changes.weights, changes.sums, changes.bands
    for answer in range(ANSWERS):
        by_Y = get(sums, answer * SUMS + BY_Z) + (1.0 if answer == Y_AT_END else 0.0)
        by_z, by_rho = by_Y * get(own, P_START), by_Y * get(own, Y_BY_RHO_START)
        if answer == OF_Y_AT_END:
            before = get(bands, STRETCH) * get(bands, VARIANCE)
            by_z -= before * (1.0 - get(gas, gas_end + RHO))
            by_rho += before * get(bands, Z)
        put(sums, answer * SUMS + BY_Z, by_z)
        place = answer * WEIGHTS + W_RHO + end
        put(weights, place, get(weights, place) + by_rho)


@inner
def hold_weights(
    tube: Tube, gas: Array, at: int, node: int, work: Array, bands: Array, changes: Changes
) -> None:
    """Weights of a panel on which nothing changes, all of them of its end."""
    weights, sums, own = changes.weights, changes.sums, changes.bands
    end = at + node
    e = get(work, MOBILE + node)
    moves, velocity = e * (1.0 - e), get(gas, end + MOBILITY) * e
    z0, z1, P0, P1 = get(bands, Z), get(own, Z_AT_END), get(own, P_START), get(own, P_AT_END)
    ds = get(bands, Y_END) - get(bands, Y_START)
    # q = z - (1 - rho*) z^2/2 at both ends
    q = 0.5 * (P0 * P0 + P1 * P1) * (z1 - z0)
    q_by_rho = 0.5 * (z1 * z1 - z0 * z0) - P1 * get(own, Y_BY_RHO_END) + P0 * get(own, Y_BY_RHO_START)
    film = tube.plate_height_factor * get(gas, end + FILM)
    of_q = weigh_gas(tube, gas, at, node, e, q, bands, weights)
    by_Y = of_q * P1  # what the variance answers to Y at the end
    by_ds = by_Y + moves * film
    put(weights, W_FILM + node, moves * film * ds)
    for answer in range(ANSWERS):
        of, to = answer * WEIGHTS + node, answer * SUMS
        put(weights, of + W_MOBILITY, 0.0)
        put(weights, of + W_LN_K, 0.0)
        put(weights, of + W_RHO, 0.0)
        put(sums, to + BY_LENGTH, 0.0)
        put(sums, to + BY_Z, 0.0)
    put(weights, Y_AT_END * WEIGHTS + W_MOBILITY + node, ds)
    put(weights, Y_AT_END * WEIGHTS + W_LN_K + node, -((1.0 - e) * ds))
    put(sums, Y_AT_END * SUMS + BY_LENGTH, velocity)
    of, to = OF_Y_AT_END * WEIGHTS + node, OF_Y_AT_END * SUMS
    put(weights, of + W_MOBILITY, by_ds * ds)
    by_film = moves * (1.0 - 2.0 * e) * film * ds
    put(weights, of + W_LN_K, get(weights, H_BY_LN_K + node) - (1.0 - e) * by_ds * ds - by_film)
    put(weights, of + W_RHO, of_q * q_by_rho)
    put(sums, to + BY_LENGTH, by_ds * velocity)
    put(sums, to + BY_Z, by_Y - of_q * P0)
    by_start(gas, end, node, bands, changes)


@inner
def add_up(
    rule: Rule, shares: Array, gas: Array, at: int, steady: bool, bands: Array, changes: Changes
) -> None:
    """Sums of the weights over a panel: what answers to temperature, set value and what is the band's own."""
    weights, state = changes.weights, changes.state
    first = rule.nodes if steady else 0
    T_own, theta, dCp, ln_T_own = get(state, T0), get(state, THETA), get(state, DCP), get(state, LN_T0)
    for answer in range(ANSWERS):
        of, to = answer * WEIGHTS, answer * SUMS
        by_T, by_rise, by_value, by_lift = spread(0.0), spread(0.0), spread(0.0), spread(0.0)
        by_ln_k, by_beyond, by_curve = spread(0.0), spread(0.0), spread(0.0)
        by_density, by_along, by_film = spread(0.0), spread(0.0), spread(0.0)
        for j in range(first, rule.nodes + 1):
            node = ABREAST * j
            share = 0.0 if steady else shares[j]
            inverse_T = get(gas, at + INVERSE_T + node)
            mobility, ln_k = get(weights, of + W_MOBILITY + node), get(weights, of + W_LN_K + node)
            rho = get(weights, of + W_RHO + node)
            of_T = (
                ln_k * ((get(bands, C) - get(bands, B) * inverse_T) * inverse_T)
                + mobility * get(gas, at + MOBILITY_BY_T + node)
                + rho * get(gas, at + RHO_BY_T + node)
            )
            of_value = mobility * get(gas, at + MOBILITY_BY_VALUE + node) + rho * get(
                gas, at + RHO_BY_VALUE + node
            )
            if answer == OF_Y_AT_END:
                along, film = get(weights, W_ALONG + node), get(weights, W_FILM + node)
                of_T += along * get(gas, at + ALONG_BY_T + node) + film * get(gas, at + FILM_BY_T + node)
                of_value += along * get(gas, at + ALONG_BY_VALUE + node) + film * get(
                    gas, at + FILM_BY_VALUE + node
                )
                by_along += along
                by_film += film
            by_T += of_T
            by_rise += share * of_T
            by_value += of_value
            by_lift += share * of_value
            beyond = T_own * inverse_T - 1.0
            by_density += mobility
            by_ln_k += ln_k
            by_beyond += ln_k * beyond
            by_curve += ln_k * (beyond + get(gas, at + LN_T + node) - ln_T_own)
        sums = changes.sums
        put(sums, to + BY_T, by_T)
        put(sums, to + BY_RISE, by_rise)
        put(sums, to + BY_VALUE, by_value)
        put(sums, to + BY_LIFT, by_lift)
        own = to + BY_OWN
        put(sums, own + ABREAST * BY_T0, (2.0 / theta + dCp / T_own) * by_beyond + by_ln_k / theta)
        put(sums, own + ABREAST * BY_LN_THETA, -(T_own / theta * by_beyond))
        put(sums, own + ABREAST * BY_DCP, by_curve / GAS_CONSTANT)
        put(sums, own + ABREAST * BY_LN_FLOW, by_density + by_film - by_along)
        put(sums, own + ABREAST * BY_LN_DIFFUSION, by_along)
        put(sums, own + ABREAST * BY_LN_FILM_DIFFUSION, -by_film)
