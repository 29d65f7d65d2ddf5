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

OWN = 5  # directions of every band: T0, ln theta, dCp, ln flow factor, ln D
BY_T0, BY_LN_THETA, BY_DCP, BY_LN_FLOW, BY_LN_DIFFUSION = range(OWN)
SWEEPS = 40
TINY = 1e-300
STEADY = 1e-12  # relative change at which iteration ends

# Changes at the nodes, by number: of ln k, ln mobility, rho, ln of the three parts of H/L and T, and scratch.
D_LN_K, D_MOBILITY, D_RHO, D_ALONG, D_ACROSS, D_FILM, D_T, D_DENSITY, D_CLOCK, D_P2_END, D_LN_R, D_GROWTH = (
    range(0, 12 * NODE_ROW, NODE_ROW)
)
CHANGE_ROWS = 12
# State of a direction: changes of z, variance and injected.
D_Z, D_VARIANCE, D_INJECTED = range(0, 3 * ABREAST, ABREAST)
STATE = 3 * ABREAST
# Changes of bands on the panel at hand: its length, ends of Y, variance in Y, its growth, (dY/dz)^2 at its start.
D_LENGTH, D_START, D_END, D_OF_Y, D_STRETCH, D_START2 = range(0, 6 * ABREAST, ABREAST)
CHANGED_ROWS = 6
# Changes at the outlet: what Y lacks there, variance in s, ln V, T and ln k.
SHORT, D_OUT, D_LN_V, D_OUT_T, D_OUT_LN_K = range(0, 5 * ABREAST, ABREAST)
ENDS = (
    6 * ABREAST
)  # time, temperature and set value at the start and the end of the panels on which bands leave


class Directions(NamedTuple):
    """Directions of N programs, and where their slopes go.

    Attributes
    ----------
    oven_time, oven : (N, D, B) arrays, changes of the oven's corners  [s], [K]
    carrier_time, carrier : (N, D, C) arrays, of the carrier's
    own : (M, 3) array, T0 [K], theta [K] and dCp/R [-] of the compounds
    time, width, temperature, ln_k : (N, D + 5, M) arrays, slopes of time, width, T and ln k at elution
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
    nodes, bands : (CHANGE_ROWS x NODE_ROW,) and (CHANGED_ROWS x ABREAST,) arrays, by one direction
    state, leaving : ((D + OWN + 1) x STATE,) arrays, of bands under way and of those that leave; the last is by time
    leaving_ends : (D x ENDS,) array, `ends` of the panels on which bands leave
    own : (4 x ABREAST,) array, T0 [K], theta [K], dCp/R and ln T0 of the bands
    by_time, out : (5 x ABREAST,) arrays, at the outlet, by time and by a direction
    touched : (D,) array, whether a direction has changed anything yet
    """

    ends: Array
    nodes: Array
    bands: Array
    state: Array
    leaving: Array
    leaving_ends: Array
    own: Array
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
