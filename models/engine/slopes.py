"""How the time and the width of a peak answer to small changes: the formulas of `band` differentiated, panel by panel.

A direction changes corners of the program, or one of what is a compound's own or the gas's. Changes of z, of the
variance and of the injected band's go from panel to panel like these, by the sums of `slope_weights`; where a band
elutes, what its clock is short of is made up by time.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from models.engine.abreast import ABREAST, Numbers, at_least, get, put, root
from models.engine.band import (
    INJECTED,
    OF_Y,
    START2,
    STRETCH,
    Y_END,
    Y_OUTLET,
    Y_START,
    B,
    C,
    Z,
    place_at,
    pressure_at,
)
from models.engine.compiled import inner
from models.engine.directions import (
    ANSWERS,
    BY_DCP,
    BY_LENGTH,
    BY_LIFT,
    BY_LN_FLOW,
    BY_LN_THETA,
    BY_OWN,
    BY_RISE,
    BY_T,
    BY_T0,
    BY_VALUE,
    BY_Z,
    D_END,
    D_INJECTED,
    D_LN_K,
    D_LN_V,
    D_MOBILITY,
    D_OF_Y,
    D_OUT,
    D_OUT_LN_K,
    D_OUT_T,
    D_RHO,
    D_START2,
    D_STRETCH,
    D_T,
    D_VARIANCE,
    D_Z,
    DCP,
    LN_T0,
    OVER_P,
    P_AT_END,
    P_START,
    SHORT,
    SUMS,
    T0,
    THETA,
    Y_BY_RHO_END,
    Y_BY_RHO_OUTLET,
    Y_BY_RHO_START,
    Z_AT_END,
    Changes,
)
from models.engine.panels import (
    INVERSE_T,
    LN_T,
    MOBILITY_BY_T,
    MOBILITY_BY_VALUE,
    RHO,
    RHO_BY_T,
    RHO_BY_VALUE,
    Tube,
)
from models.units import GAS_CONSTANT

Array = NDArray[np.float64]


@inner
def ends_of(tube: Tube, gas: Array, end: int, bands: Array, own: Array) -> None:
    """P* and z at the ends of a panel, and by what Y answers to rho where a band stays: (Y - P* z)/(1 - rho*)."""
    lack = 1.0 - get(gas, end + RHO)
    over_lack = 1.0 / lack
    P, Y = root(get(bands, START2)), get(bands, Y_END)
    put(own, P_START, P)
    put(own, Y_BY_RHO_START, (get(bands, Y_START) - P * get(bands, Z)) * over_lack)
    P = pressure_at(Y, lack)
    z = place_at(Y, P)
    put(own, P_AT_END, P)
    put(own, OVER_P, 1.0 / P)
    put(own, Z_AT_END, z)
    put(own, Y_BY_RHO_END, (Y - P * z) * over_lack)
    P = root(at_least(1.0 - lack * tube.stop, 0.0))
    put(own, Y_BY_RHO_OUTLET, (get(bands, Y_OUTLET) - P * tube.stop) * over_lack)


@inner
def ln_k_by(kind: int, own: Array, inverse_T: Numbers, ln_T: Numbers) -> Numbers:
    """Change of ln k by one of what is the band's own."""
    T_own, theta = get(own, T0), get(own, THETA)
    beyond = T_own * inverse_T - 1.0
    if kind == BY_T0:
        return (2.0 / theta + get(own, DCP) / T_own) * beyond + 1.0 / theta
    if kind == BY_LN_THETA:
        return -T_own / theta * beyond
    if kind == BY_DCP:
        return (beyond + ln_T - get(own, LN_T0)) / GAS_CONSTANT
    return 0.0 * beyond


@inner
def by_program(
    gas: Array,
    end: int,
    bands: Array,
    changes: Changes,
    of: int,
    T: Numbers,
    rise: Numbers,
    value: Numbers,
    lift: Numbers,
    length: Numbers,
) -> None:
    """Changes by those of temperature and set value at a panel's start, of their rise on it, and of its length."""
    own, sums, inverse_T = changes.bands, changes.sums, get(gas, end + INVERSE_T)
    T_end, value_end = T + rise, value + lift
    put(own, D_T, T_end)
    put(own, D_LN_K, (get(bands, C) - get(bands, B) * inverse_T) * inverse_T * T_end)
    put(
        own, D_MOBILITY, get(gas, end + MOBILITY_BY_T) * T_end + get(gas, end + MOBILITY_BY_VALUE) * value_end
    )
    put(own, D_RHO, get(gas, end + RHO_BY_T) * T_end + get(gas, end + RHO_BY_VALUE) * value_end)
    for answer in range(ANSWERS):
        by = answer * SUMS
        put(
            own,
            D_END + ABREAST * answer,
            get(sums, by + BY_LENGTH) * length
            + get(sums, by + BY_T) * T
            + get(sums, by + BY_RISE) * rise
            + get(sums, by + BY_VALUE) * value
            + get(sums, by + BY_LIFT) * lift,
        )
    by_state(gas, end, bands, changes, of)


@inner
def by_own(gas: Array, end: int, bands: Array, changes: Changes, of: int, kind: int) -> None:
    """Changes by one of what is the band's own, or the flow factor."""
    own, sums = changes.bands, changes.sums
    put(own, D_T, 0.0)
    put(own, D_LN_K, ln_k_by(kind, changes.state, get(gas, end + INVERSE_T), get(gas, end + LN_T)))
    put(own, D_MOBILITY, 1.0 if kind == BY_LN_FLOW else 0.0)
    put(own, D_RHO, 0.0)
    for answer in range(ANSWERS):
        put(own, D_END + ABREAST * answer, get(sums, answer * SUMS + BY_OWN + ABREAST * kind))
    by_state(gas, end, bands, changes, of)


@inner
def by_state(gas: Array, end: int, bands: Array, changes: Changes, of: int) -> None:
    """And by the changes that the band comes with."""
    own, sums, d_z = changes.bands, changes.sums, get(changes.state, of + D_Z)
    for answer in range(ANSWERS):
        place = D_END + ABREAST * answer
        put(own, place, get(own, place) + get(sums, answer * SUMS + BY_Z) * d_z)
    before = get(bands, STRETCH) * get(bands, START2) * get(changes.state, of + D_VARIANCE)
    put(own, D_OF_Y, get(own, D_OF_Y) + before)
    put(own, D_START2, get(bands, Z) * get(own, D_RHO) - (1.0 - get(gas, end + RHO)) * d_z)


@inner
def carry(gas: Array, end: int, bands: Array, changes: Changes, of: int) -> None:
    """From changes in Y at the end of a panel to those in z."""
    own, state = changes.bands, changes.state
    lack, d_rho = 1.0 - get(gas, end + RHO), get(own, D_RHO)
    over_P, start2 = get(own, OVER_P), get(bands, START2)
    d_z = (get(own, D_END) - get(own, Y_BY_RHO_END) * d_rho) * over_P
    over_P2 = over_P * over_P
    ln_P2 = (get(own, Z_AT_END) * d_rho - lack * d_z) * over_P2
    injected = get(bands, INJECTED)
    d_injected = get(state, of + D_INJECTED) * start2 + injected * get(own, D_START2)
    put(state, of + D_Z, d_z)
    put(state, of + D_VARIANCE, (get(own, D_OF_Y) - get(bands, OF_Y) * ln_P2) * over_P2)
    grown = d_injected + injected * start2 * (get(own, D_STRETCH) - ln_P2)
    put(state, of + D_INJECTED, get(bands, STRETCH) * over_P2 * grown)


@inner
def at_outlet(tube: Tube, bands: Array, changes: Changes, of: int, e: Numbers, out: Array) -> None:
    """For bands at the outlet: changes of what Y there lacks, of the variance in s, of ln V, T and ln k."""
    own = changes.bands
    injected, start2 = get(bands, INJECTED), get(bands, START2)
    d_injected = get(changes.state, of + D_INJECTED) * start2 + injected * get(own, D_START2)
    grown = get(bands, STRETCH) * (d_injected + injected * start2 * get(own, D_STRETCH))
    put(out, SHORT, get(own, Y_BY_RHO_OUTLET) * get(own, D_RHO) - get(own, D_END))
    put(out, D_OUT, get(own, D_OF_Y) + tube.injected_variance * grown)
    put(out, D_LN_V, get(own, D_MOBILITY) - (1.0 - e) * get(own, D_LN_K))
    put(out, D_OUT_T, get(own, D_T))
    put(out, D_OUT_LN_K, get(own, D_LN_K))
