"""Changes of bands carried along with them, from the inlet to the outlet."""

from __future__ import annotations

from math import log

import numpy as np
from numpy.typing import NDArray

from models.engine.abreast import ABREAST, get, put, spread
from models.engine.band import (
    INJECTED,
    LIFT,
    OF_Y,
    PASSED,
    RISE,
    START2,
    STRETCH,
    WHOLE,
    WIDTH,
    Y_END,
    Y_OUTLET,
    B,
    C,
    ln_retention,
    mobile_share,
)
from models.engine.compiled import inner
from models.engine.directions import (
    BY_LN_FLOW,
    D_INJECTED,
    D_LENGTH,
    D_LN_V,
    D_OUT,
    D_OUT_LN_K,
    D_OUT_T,
    ENDS,
    OWN,
    SHORT,
    STATE,
    Changes,
    Directions,
)
from models.engine.panels import PANEL, Panels, Tube, answers, motion, viscosity
from models.engine.quadrature import Rule
from models.engine.slopes import (
    at_outlet,
    carry,
    hold_change,
    ln_k_by,
    of_own,
    of_program,
    panel_change,
)

Array = NDArray[np.float64]
Index = NDArray[np.int64]


@inner
def own_of(directions: Directions, who: Index, first: int, count: int, own: Array) -> None:
    """T0, theta, dCp/R and ln T0 of the bands in the lanes."""
    for m in range(ABREAST):
        compound = who[first + (m if m < count else count - 1)]
        for row in range(3):
            own[row * ABREAST + m] = directions.own[compound, row]
        own[3 * ABREAST + m] = log(directions.own[compound, 0])


@inner
def start_changes(
    tube: Tube,
    panels: Panels,
    count: int,
    bands: Array,
    who: Index,
    directions: Directions,
    changes: Changes,
) -> None:
    """Changes of (dY/dt)^2 at the inlet."""
    D, state, own = directions.oven.shape[1], changes.state, changes.own
    for i in range(state.size):
        state[i] = 0.0
    own_of(directions, who, 0, count, own)
    T, v = panels.temperature[0], panels.carrier[0]
    ln_T = log(T)
    _, rho, _ = motion(tube, panels.flow_factor[0], T, v, viscosity(tube, ln_T))
    eta_by_T, p_by_T, p_by_value = answers(tube, 1.0 / T, ln_T, v, rho)
    still = 1.0 - mobile_share(ln_retention(bands, 1.0 / T, ln_T))
    twice = 2.0 * get(bands, INJECTED)
    for d in range(D):
        dT, dv = changes.ends[0, d, 1], changes.ends[0, d, 2]
        changes.touched[d] = dT != 0.0 or dv != 0.0
        gas = (1.0 + rho) / (1.0 - rho) * (p_by_T * dT + p_by_value * dv) - eta_by_T * dT
        d_ln_k = (get(bands, C) - get(bands, B) / T) / T * dT
        put(state, d * STATE + D_INJECTED, twice * (gas - still * d_ln_k))
    for kind in range(3):
        d_ln_k = ln_k_by(kind, own, spread(1.0 / T), spread(ln_T))
        put(state, (D + kind) * STATE + D_INJECTED, -(twice * still * d_ln_k))
    put(state, (D + BY_LN_FLOW) * STATE + D_INJECTED, twice)


@inner
def write_down(
    tube: Tube,
    n: int,
    d: int,
    bands: Array,
    found: Array,
    count: int,
    who: Index,
    first: int,
    on_hold: bool,
    directions: Directions,
    changes: Changes,
) -> None:
    """Slopes of peaks whose bands are at the outlet, from the changes there and those by time."""
    out, by_time = changes.out, changes.by_time
    dt = -(get(out, SHORT) / get(by_time, SHORT))
    injected = get(bands, INJECTED) * get(bands, START2) * get(bands, STRETCH)
    whole = get(bands, OF_Y) + tube.injected_variance * injected
    wider = (
        0.5 * (get(out, D_OUT) + get(by_time, D_OUT) * dt) / whole
        - get(out, D_LN_V)
        - get(by_time, D_LN_V) * dt
    )
    put(out, SHORT, dt)
    put(out, D_OUT, get(found, WIDTH * ABREAST) * wider)
    put(out, D_OUT_T, get(out, D_OUT_T) + get(by_time, D_OUT_T) * dt)
    put(out, D_OUT_LN_K, get(out, D_OUT_LN_K) + get(by_time, D_OUT_LN_K) * dt)
    for m in range(count):
        if on_hold and bands[Y_END + m] < bands[Y_OUTLET + m]:
            continue
        compound = who[first + m]
        directions.time[n, d, compound], directions.width[n, d, compound] = out[SHORT + m], out[D_OUT + m]
        directions.temperature[n, d, compound] = out[D_OUT_T + m]
        directions.ln_k[n, d, compound] = out[D_OUT_LN_K + m]


@inner
def along_panel(
    tube: Tube,
    panels: Panels,
    rule: Rule,
    p: int,
    n: int,
    work: Array,
    bands: Array,
    found: Array,
    count: int,
    left: int,
    who: Index,
    directions: Directions,
    changes: Changes,
) -> None:
    """Changes of all bands over a panel; of those that leave on it, the state at its start is kept, or their slopes."""
    G, D, gas, ends = rule.nodes, directions.oven.shape[1], panels.gas, changes.ends
    at, end, steady = p * PANEL, p * PANEL + ABREAST * G, panels.steady[p]
    after = p if p == panels.total[0] - 1 else p + 1
    own_of(directions, who, 0, count, changes.own)
    stays, leaves = False, False
    for m in range(count):
        if bands[Y_END + m] < bands[Y_OUTLET + m]:
            stays = True
            continue
        leaves = True
        if steady:
            continue
        for row in range((D + OWN) * STATE // ABREAST):
            changes.leaving[row * ABREAST + left] = changes.state[row * ABREAST + m]
        for d in range(D):
            for row in range(3):
                changes.leaving_ends[d * ENDS + row * ABREAST + left] = ends[p, d, row]
                changes.leaving_ends[d * ENDS + (3 + row) * ABREAST + left] = ends[after, d, row]
        left += 1
    if steady and leaves:
        of_program(tube, gas, at, bands, changes.nodes, ABREAST * G, spread(0.0), spread(0.0))
        put(changes.bands, D_LENGTH, 1.0)
        hold_change(tube, gas, end, work, bands, changes, (D + OWN) * STATE)
        at_outlet(tube, gas, end, work, bands, changes, (D + OWN) * STATE, changes.by_time)
    for d in range(D + OWN):
        begin, lasts = 0.0, 0.0
        if d < D:
            t, T, v = ends[p, d, 0], ends[p, d, 1], ends[p, d, 2]
            dt, dT, dv = ends[after, d, 0] - t, ends[after, d, 1] - T, ends[after, d, 2] - v
            changed = t != 0.0 or T != 0.0 or v != 0.0 or dt != 0.0 or dT != 0.0 or dv != 0.0
            changes.touched[d] = changes.touched[d] or changed
            if not changes.touched[d]:
                continue
            for j in range(G if steady else 0, G + 1):
                share = 0.0 if steady else rule.share[j]
                of_program(
                    tube,
                    gas,
                    at,
                    bands,
                    changes.nodes,
                    ABREAST * j,
                    spread(T + share * dT),
                    spread(v + share * dv),
                )
            begin, lasts = t, dt
        else:
            for j in range(G if steady else 0, G + 1):
                of_own(gas, at, changes.nodes, changes.own, d - D, ABREAST * j)
        if steady and leaves:
            put(changes.bands, D_LENGTH, -begin)
            hold_change(tube, gas, end, work, bands, changes, d * STATE)
            at_outlet(tube, gas, end, work, bands, changes, d * STATE, changes.out)
            write_down(tube, n, d, bands, found, count, who, 0, True, directions, changes)
        if stays:
            put(changes.bands, D_LENGTH, lasts)
            if steady:
                hold_change(tube, gas, end, work, bands, changes, d * STATE)
            else:
                panel_change(tube, rule, gas, at, work, bands, changes, d * STATE)
            carry(gas, end, bands, changes, d * STATE)


@inner
def along_last_panel(
    tube: Tube,
    rule: Rule,
    n: int,
    gas: Array,
    work: Array,
    bands: Array,
    found: Array,
    left: int,
    who: Index,
    directions: Directions,
    changes: Changes,
) -> None:
    """Slopes of the bands that leave on panels that change."""
    G, D, state, ends, nodes = (
        rule.nodes,
        directions.oven.shape[1],
        changes.state,
        changes.leaving_ends,
        changes.nodes,
    )
    for i in range((D + OWN) * STATE):
        state[i] = changes.leaving[i]
    own_of(directions, who, ABREAST, left, changes.own)
    for m in range(left, ABREAST):
        for row in range((D + OWN) * STATE // ABREAST):
            state[row * ABREAST + m] = state[row * ABREAST + left - 1]
        for row in range(D * ENDS // ABREAST):
            ends[row * ABREAST + m] = ends[row * ABREAST + left - 1]
    whole = get(bands, WHOLE)
    # The last is by time, which lengthens the panel.
    for d in range(D + OWN, -1, -1):
        T, v, rise, lift, length = spread(0.0), spread(0.0), spread(0.0), spread(0.0), spread(0.0)
        if d == D + OWN:
            rise, lift, length = get(bands, RISE) / whole, get(bands, LIFT) / whole, spread(1.0)
        elif d < D:
            at, passed = d * ENDS, get(bands, PASSED)
            t, T, v = get(ends, at), get(ends, at + ABREAST), get(ends, at + 2 * ABREAST)
            of_share = -((t + passed * (get(ends, at + 3 * ABREAST) - t)) / whole)
            rise = passed * (get(ends, at + 4 * ABREAST) - T) + get(bands, RISE) * of_share
            lift = passed * (get(ends, at + 5 * ABREAST) - v) + get(bands, LIFT) * of_share
            length = -t
        for j in range(G + 1):
            if D <= d < D + OWN:
                of_own(gas, 0, nodes, changes.own, d - D, ABREAST * j)
            else:
                share = rule.crowded_share[j]
                of_program(tube, gas, 0, bands, nodes, ABREAST * j, T + share * rise, v + share * lift)
        put(changes.bands, D_LENGTH, length)
        panel_change(tube, rule, gas, 0, work, bands, changes, d * STATE)
        if d == D + OWN:
            at_outlet(tube, gas, ABREAST * G, work, bands, changes, d * STATE, changes.by_time)
        else:
            at_outlet(tube, gas, ABREAST * G, work, bands, changes, d * STATE, changes.out)
            write_down(tube, n, d, bands, found, left, who, ABREAST, False, directions, changes)
