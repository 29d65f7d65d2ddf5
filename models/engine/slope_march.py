"""Changes of bands carried along with them, from the inlet to the outlet."""

from __future__ import annotations

from math import log

import numpy as np
from numpy.typing import NDArray

from models.engine.abreast import ABREAST, get, put, spread
from models.engine.band import (
    INJECTED,
    LIFT,
    MOBILE,
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
    last_nodes,
    ln_retention,
    mobile_share,
)
from models.engine.compiled import inner
from models.engine.directions import (
    BY_LN_FLOW,
    D_INJECTED,
    D_LN_V,
    D_OUT,
    D_OUT_LN_K,
    D_OUT_T,
    DCP,
    ENDS,
    FIRST,
    LN_T0,
    OWN,
    SHORT,
    STATE,
    T0,
    THETA,
    Changes,
    Directions,
)
from models.engine.panels import PANEL, Panels, Tube, motion, put_answers, viscosity
from models.engine.quadrature import Rule
from models.engine.slope_weights import add_up, hold_weights, panel_weights
from models.engine.slopes import at_outlet, by_own, by_program, carry, ends_of, ln_k_by

Array = NDArray[np.float64]
Index = NDArray[np.int64]


@inner
def own_of(directions: Directions, who: Index, count: int, own: Array) -> None:
    """T0, theta, dCp/R and ln T0 of the bands in the lanes."""
    for m in range(ABREAST):
        compound = who[m if m < count else count - 1]
        own[T0 + m], own[THETA + m] = directions.own[compound, 0], directions.own[compound, 1]
        own[DCP + m], own[LN_T0 + m] = directions.own[compound, 2], log(directions.own[compound, 0])


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
    D, state, answers = directions.oven.shape[1], changes.state, changes.weights
    for i in range(state.size):
        state[i] = 0.0
    own_of(directions, who, count, state)
    T, v = panels.temperature[0], panels.carrier[0]
    inverse_T, ln_T = spread(1.0 / T), spread(log(T))
    _, rho, _ = motion(tube, panels.flow_factor[0], T, v, viscosity(tube, log(T)))
    put_answers(tube, inverse_T, ln_T, spread(v), spread(rho), answers, 0, ABREAST)
    mobility_by_T, mobility_by_value = answers[0], answers[4 * ABREAST]
    still = 1.0 - mobile_share(ln_retention(bands, 1.0 / T, log(T)))
    twice = 2.0 * get(bands, INJECTED)
    by_T = twice * (mobility_by_T - still * ((get(bands, C) - get(bands, B) * inverse_T) * inverse_T))
    by_value = twice * mobility_by_value
    for d in range(D):
        dT, dv = changes.ends[0, d, 1], changes.ends[0, d, 2]
        changes.touched[d] = dT != 0.0 or dv != 0.0
        put(state, FIRST + d * STATE + D_INJECTED, by_T * dT + by_value * dv)
    for kind in range(3):
        d_ln_k = ln_k_by(kind, state, inverse_T, ln_T)
        put(state, FIRST + (D + kind) * STATE + D_INJECTED, -(twice * still * d_ln_k))
    put(state, FIRST + (D + BY_LN_FLOW) * STATE + D_INJECTED, twice)


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
    """Changes of all bands over a panel; of those that elute on it, the state at its start is kept, or their slopes."""
    G, D, gas, ends = rule.nodes, directions.oven.shape[1], panels.gas, changes.ends
    at, end, steady = p * PANEL, p * PANEL + ABREAST * G, panels.steady[p]
    after = p if p == panels.total[0] - 1 else p + 1
    stays, leaves = False, False
    for m in range(count):
        if bands[Y_END + m] < bands[Y_OUTLET + m]:
            stays = True
            continue
        leaves = True
        if steady:
            continue
        for row in range(changes.state.size // ABREAST):
            changes.leaving[row * ABREAST + left] = changes.state[row * ABREAST + m]
        for d in range(D):
            for row in range(3):
                changes.leaving_ends[d * ENDS + row * ABREAST + left] = ends[p, d, row]
                changes.leaving_ends[d * ENDS + (3 + row) * ABREAST + left] = ends[after, d, row]
        left += 1
    if not steady and not stays:
        return
    ends_of(tube, gas, end, bands, changes.bands)
    if steady:
        hold_weights(tube, gas, at, ABREAST * G, work, bands, changes)
    else:
        panel_weights(tube, rule, rule.even, gas, at, panels.frozen[p], work, bands, changes)
    add_up(rule, rule.even.share, gas, at, steady, bands, changes)
    none, e = spread(0.0), get(work, MOBILE + ABREAST * G)
    if steady and leaves:
        by_program(gas, end, bands, changes, FIRST + (D + OWN) * STATE, none, none, none, none, spread(1.0))
        at_outlet(tube, bands, changes, FIRST + (D + OWN) * STATE, e, changes.by_time)
    for d in range(D + OWN):
        of, t, T, v, dt, dT, dv = FIRST + d * STATE, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
        if d < D:
            t, T, v = ends[p, d, 0], ends[p, d, 1], ends[p, d, 2]
            dt, dT, dv = ends[after, d, 0] - t, ends[after, d, 1] - T, ends[after, d, 2] - v
            changed = t != 0.0 or T != 0.0 or v != 0.0 or dt != 0.0 or dT != 0.0 or dv != 0.0
            changes.touched[d] = changes.touched[d] or changed
            if not changes.touched[d]:
                continue
            if steady:
                dT, dv = 0.0, 0.0
        # Bands that elute on a hold do so at their time, the others when it ends.
        for staying in range(0 if steady and leaves else 1, 2 if stays else 1):
            if d < D:
                length = spread(dt if staying == 1 else -t)
                by_program(gas, end, bands, changes, of, spread(T), spread(dT), spread(v), spread(dv), length)
            else:
                by_own(gas, end, bands, changes, of, d - D)
            if staying == 1:
                carry(gas, end, bands, changes, of)
            else:
                at_outlet(tube, bands, changes, of, e, changes.out)
                write_down(tube, n, d, bands, found, count, who, 0, True, directions, changes)


@inner
def along_last_panel(
    tube: Tube,
    rule: Rule,
    n: int,
    frozen: bool,
    gas: Array,
    work: Array,
    bands: Array,
    found: Array,
    left: int,
    who: Index,
    directions: Directions,
    changes: Changes,
) -> None:
    """Slopes of the bands that elute on panels that change."""
    G, D, state, ends = rule.nodes, directions.oven.shape[1], changes.state, changes.leaving_ends
    for row in range(state.size // ABREAST):
        for m in range(ABREAST):
            state[row * ABREAST + m] = changes.leaving[row * ABREAST + (m if m < left else left - 1)]
    for row in range(D * ENDS // ABREAST):
        for m in range(left, ABREAST):
            ends[row * ABREAST + m] = ends[row * ABREAST + left - 1]
    end, nodes = ABREAST * G, last_nodes(tube, rule)
    ends_of(tube, gas, end, bands, changes.bands)
    panel_weights(tube, rule, nodes, gas, 0, frozen, work, bands, changes)
    add_up(rule, nodes.share, gas, 0, False, bands, changes)
    whole, passed, e, none = get(bands, WHOLE), get(bands, PASSED), get(work, MOBILE + end), spread(0.0)
    # By time, which lengthens the panel.
    over_whole = 1.0 / whole
    of_rise, of_lift = get(bands, RISE) * over_whole, get(bands, LIFT) * over_whole
    of = FIRST + (D + OWN) * STATE
    by_program(gas, end, bands, changes, of, none, of_rise, none, of_lift, spread(1.0))
    at_outlet(tube, bands, changes, of, e, changes.by_time)
    for d in range(D + OWN):
        of = FIRST + d * STATE
        if d < D:
            at = d * ENDS
            t, T, v = get(ends, at), get(ends, at + ABREAST), get(ends, at + 2 * ABREAST)
            of_share = -(t + passed * (get(ends, at + 3 * ABREAST) - t))
            rise = passed * (get(ends, at + 4 * ABREAST) - T) + of_rise * of_share
            lift = passed * (get(ends, at + 5 * ABREAST) - v) + of_lift * of_share
            by_program(gas, end, bands, changes, of, T, rise, v, lift, -t)
        else:
            by_own(gas, end, bands, changes, of, d - D)
        at_outlet(tube, bands, changes, of, e, changes.out)
        write_down(tube, n, d, bands, found, left, who, ABREAST, False, directions, changes)
