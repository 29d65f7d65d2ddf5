"""In what a program or a band is changed, where slopes are asked for, and what changes at the ends of its panels."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from models.engine.abreast import ABREAST, Numbers
from models.engine.compiled import inner, small
from models.engine.panels import NO_TIME, NODE_ROW, Panels

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

OWN = 6  # directions of every band: T0, ln theta, dCp, ln flow factor, ln D, ln D in the film
BY_T0, BY_LN_THETA, BY_DCP, BY_LN_FLOW, BY_LN_DIFFUSION, BY_LN_FILM_DIFFUSION = range(OWN)

# What answers at the end of a panel: Y, ln of the factor by which the variance grows, and the variance in Y.
Y_AT_END, LN_STRETCH, OF_Y_AT_END = range(3)
ANSWERS = 3
# Weights of changes at the nodes in an answer: of ln mobility, ln k and rho, and of what Y there answers by.
W_MOBILITY, W_LN_K, W_RHO, W_CLOCK = range(0, 4 * NODE_ROW, NODE_ROW)
WEIGHTS = 4 * NODE_ROW
# Then, in the variance alone, of ln along and ln film; and of the nodes dY/dx, by what ln R falls as rho does, by what
# it grows as rho* does and Y does, and by what ln H grows as ln k does.
W_ALONG, W_FILM, PACE, R_BY_RHO, R_BY_RHO_END, R_BY_Y, H_BY_LN_K = range(
    ANSWERS * WEIGHTS, ANSWERS * WEIGHTS + 7 * NODE_ROW, NODE_ROW
)
ALL_WEIGHTS = ANSWERS * WEIGHTS + 7 * NODE_ROW
# Sums of these: an answer by z at the start, the panel's length, temperature at its start and by what it rises,
# the set value likewise, and what is the band's own.
BY_Z, BY_LENGTH, BY_T, BY_RISE, BY_VALUE, BY_LIFT, BY_OWN = range(0, 7 * ABREAST, ABREAST)
SUMS = (6 + OWN) * ABREAST
# What a direction changes: T0, theta, dCp/R and ln T0 of the bands, which go along with it; then, of each direction, z,
# variance and injected.
T0, THETA, DCP, LN_T0 = range(0, 4 * ABREAST, ABREAST)
FIRST = 4 * ABREAST
D_Z, D_VARIANCE, D_INJECTED = range(0, 3 * ABREAST, ABREAST)
STATE = 3 * ABREAST
# Changes of bands at the end of the panel at hand: the three answers, and T, ln k, ln mobility, rho and, at the panel's
# start, (dY/dz)^2.
D_END, D_STRETCH, D_OF_Y, D_T, D_LN_K, D_MOBILITY, D_RHO, D_START2 = range(0, 8 * ABREAST, ABREAST)
# Of the panel at hand: P* at its start, and by what Y there answers to rho where z stays; P*, 1/P* and z at its end,
# and by what Y answers there and at the outlet.
P_START, Y_BY_RHO_START, P_AT_END, OVER_P, Z_AT_END, Y_BY_RHO_END, Y_BY_RHO_OUTLET = range(
    8 * ABREAST, 15 * ABREAST, ABREAST
)
CHANGED_ROWS = 15
# Changes at the outlet: what Y lacks there, variance in s, ln V, T and ln k.
SHORT, D_OUT, D_LN_V, D_OUT_T, D_OUT_LN_K = range(0, 5 * ABREAST, ABREAST)
ENDS = (
    6 * ABREAST
)  # time, temperature and set value at the start and the end of the panels on which bands elute


class Directions(NamedTuple):
    """Directions of N programs, and where their slopes go.

    Attributes
    ----------
    oven_time, oven : (N, D, B) arrays, changes of the oven's corners  [s], [K]
    carrier_time, carrier : (N, D, C) arrays, of the carrier's
    own : (M, 3) array, T0 [K], theta [K] and dCp/R [-] of the compounds
    time, width, temperature, ln_k : (N, D + 6, M) arrays, slopes of time, width, T and ln k at elution
    """

    oven_time: Array
    oven: Array
    carrier_time: Array
    carrier: Array
    own: Array
    time: Array
    width: Array
    temperature: Array
    ln_k: Array


class Changes(NamedTuple):
    """Changes by a unit of each direction, of the program and of the bands at hand; rows of numbers abreast.

    Attributes
    ----------
    ends : (P + 1, D, 3) array, of time, temperature and set value at the panels' ends
    weights : (ALL_WEIGHTS,) array, of changes at the nodes of the panel at hand
    matrix : (MOST_NODES^2 x ABREAST,) array, of the equations for these
    sums : (ANSWERS x SUMS,) array, of the weights
    bands : (CHANGED_ROWS x ABREAST,) array, by one direction
    state, leaving : (FIRST + (D + OWN + 1) x STATE,) arrays, of bands under way and of those that elute; the last
        direction is time
    leaving_ends : (D x ENDS,) array, `ends` of the panels on which bands elute
    by_time, out : (5 x ABREAST,) arrays, at the outlet, by time and by a direction
    touched : (D,) array, whether a direction has changed anything yet
    """

    ends: Array
    weights: Array
    matrix: Array
    sums: Array
    bands: Array
    state: Array
    leaving: Array
    leaving_ends: Array
    by_time: Array
    out: Array
    touched: Flags


@small
def moved(
    t: Numbers, dt: Numbers, time: Array, values: Array, n: int, dtime: Array, dvalues: Array, d: int, j: int
) -> Numbers:
    """Change of a value at t, which moves by dt, on the line from corner j - 1 to j; past the last corner its own."""
    if j >= time.shape[1]:
        return dvalues[n, d, time.shape[1] - 1]
    lasts = time[n, j] - time[n, j - 1]
    if lasts <= NO_TIME:
        return dvalues[n, d, j]
    share = (t - time[n, j - 1]) / lasts
    rate = (values[n, j] - values[n, j - 1]) / lasts
    of_time = dt - dtime[n, d, j - 1] - share * (dtime[n, d, j] - dtime[n, d, j - 1])
    return dvalues[n, d, j - 1] + share * (dvalues[n, d, j] - dvalues[n, d, j - 1]) + rate * of_time


@inner
def changes_at_ends(
    ends: Array,
    panels: Panels,
    n: int,
    directions: Directions,
    oven_time: Array,
    oven: Array,
    carrier_time: Array,
    carrier: Array,
) -> None:
    """Fill in `Changes.ends` for program n."""
    dto, dT, dtc, dv = directions.oven_time, directions.oven, directions.carrier_time, directions.carrier
    for d in range(dT.shape[1]):
        before_t, before_T, before_v = 0.0, dT[n, d, 0], dv[n, d, 0]
        ends[0, d, 0], ends[0, d, 1], ends[0, d, 2] = before_t, before_T, before_v
        leg, after_t, after_T, after_v = -1, 0.0, 0.0, 0.0
        for p in range(panels.total[0] - 1):
            if panels.leg[p] != leg:
                if leg >= 0:
                    before_t, before_T, before_v = after_t, after_T, after_v
                leg = panels.leg[p]
                corner, other = panels.corner[leg], panels.other[leg]
                if corner > 0:
                    after_t, after_T = dto[n, d, corner], dT[n, d, corner]
                    after_v = moved(
                        oven_time[n, corner], after_t, carrier_time, carrier, n, dtc, dv, d, other
                    )
                else:
                    after_t, after_v = dtc[n, d, -corner], dv[n, d, -corner]
                    after_T = moved(carrier_time[n, -corner], after_t, oven_time, oven, n, dto, dT, d, other)
            share = panels.part[p]
            ends[p + 1, d, 0] = before_t + share * (after_t - before_t)
            ends[p + 1, d, 1] = before_T + share * (after_T - before_T)
            ends[p + 1, d, 2] = before_v + share * (after_v - before_v)
