"""Bands marched from the inlet to the outlet, block by block."""

from __future__ import annotations

from math import isfinite, log
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.effort import LONGEST_RETENTION
from models.engine.abreast import (
    ABREAST,
    Numbers,
    all_below,
    at_least,
    at_most,
    get,
    put,
    root,
    spread,
    where_more,
)
from models.engine.band import (
    BAND_ROWS,
    BEGIN,
    DIFFUSION,
    ELUTED,
    FACTOR,
    HEATING,
    INJECTED,
    INJECTED_SHARE,
    KEPT,
    LATE,
    LENGTH,
    LIFT,
    LN_T_START,
    LONGEST,
    MISSING,
    MOBILE,
    NOT_FINITE,
    OF_Y,
    OVER_DIFFUSION,
    PASSED,
    RISE,
    SAME,
    START2,
    STRETCH,
    T_START,
    TEMPERATURE,
    TIME,
    V_START,
    VARIANCE,
    WHOLE,
    WIDTH,
    Y_END,
    Y_OUTLET,
    Y_START,
    A,
    Effort,
    Z,
    advance,
    begin_panel,
    broaden,
    go_on,
    hold,
    last_nodes,
    ln_retention,
    mobile_share,
    restart,
    shares_at_outlet,
)
from models.engine.compiled import exponential, inner
from models.engine.directions import Directions
from models.engine.panels import (
    ACROSS,
    ALONG,
    FILM,
    INVERSE_T,
    LN_T,
    MOBILITY,
    MOBILITY_BY_T,
    NODE_ROW,
    PANEL,
    RHO,
    Array,
    Panels,
    Tube,
    ln_from,
    motion,
    put_answers,
    spreading,
    viscosity,
)
from models.engine.quadrature import Rule
from models.engine.slope_march import along_last_panel, along_panel, start_changes

Index = NDArray[np.int64]


@inner
def set_out(tube: Tube, panels: Panels, solutes: Array, first: int, count: int, bands: Array) -> None:
    """Bands number `first` on at the inlet."""
    for row in range(4):
        for m in range(count):
            bands[A + row * ABREAST + m] = solutes[row, first + m]
    fill_up(bands, count, 4)
    T = panels.temperature[0]
    ln_T = log(T)
    _, _, mobility = motion(tube, panels.flow_factor[0], T, panels.carrier[0], viscosity(tube, ln_T))
    velocity = mobility * mobile_share(ln_retention(bands, 1.0 / T, ln_T))
    put(bands, OVER_DIFFUSION, 1.0 / get(bands, DIFFUSION))
    put(bands, Z, tube.start)
    put(bands, VARIANCE, 0.0)
    put(bands, INJECTED, velocity * velocity)


@inner
def fill_up(bands: Array, count: int, rows: int) -> None:
    """Lanes beyond the last band repeat it."""
    for row in range(rows):
        for m in range(count, ABREAST):
            bands[row * ABREAST + m] = bands[row * ABREAST + count - 1]


@inner
def write_peaks(
    tube: Tube,
    gas: Array,
    end: int,
    bands: Array,
    time: Numbers,
    T: Numbers,
    ln_T: Numbers,
    rate: Numbers,
    found: Array,
) -> None:
    """Peaks of bands at the outlet."""
    k = exponential(ln_retention(bands, 1.0 / T, ln_T))
    velocity = get(gas, end + MOBILITY) / (1.0 + k)
    injected = get(bands, INJECTED) * get(bands, START2) * get(bands, STRETCH)
    width = root(get(bands, OF_Y) + tube.injected_variance * injected) / velocity
    put(found, TIME * ABREAST, time)
    put(found, WIDTH * ABREAST, width)
    put(found, TEMPERATURE * ABREAST, T)
    put(found, FACTOR * ABREAST, k)
    put(found, HEATING * ABREAST, rate)
    put(found, INJECTED_SHARE * ABREAST, injected / (velocity * velocity))


@inner
def keep(found: Array, m: int, peaks: Array, n: int, compound: int) -> int:
    """Write down the peak of band m; what has become of it."""
    for row in range(6):
        peaks[row, n, compound] = found[row * ABREAST + m]
    if not isfinite(found[TIME * ABREAST + m] + found[WIDTH * ABREAST + m]):
        return NOT_FINITE
    return ELUTED if found[TIME * ABREAST + m] <= LONGEST_RETENTION else LATE


@inner
def leave_on_hold(
    tube: Tube, panels: Panels, rule: Rule, p: int, work: Array, bands: Array, found: Array
) -> None:
    """Peaks on a panel on which nothing changes, of bands that elute there."""
    end = p * PANEL + ABREAST * rule.nodes
    velocity = get(panels.gas, end + MOBILITY) * get(work, MOBILE + ABREAST * rule.nodes)
    time = panels.time[p] + (get(bands, Y_OUTLET) - get(bands, Y_START)) / velocity
    T, ln_T = spread(panels.temperature[p]), get(panels.gas, end + LN_T)
    write_peaks(tube, panels.gas, end, bands, time, T, ln_T, spread(0.0), found)


@inner
def set_aside(panels: Panels, p: int, bands: Array, m: int, leaving: Array, left: int) -> None:
    """Band m, which elutes on a panel that changes, among those that do."""
    for row in range(KEPT):
        leaving[row * ABREAST + left] = bands[row * ABREAST + m]
    T, v = panels.temperature[p], panels.carrier[p]
    leaving[BEGIN + left], leaving[WHOLE + left] = panels.time[p], bands[LENGTH + m]
    leaving[T_START + left], leaving[LN_T_START + left] = T, log(T)
    leaving[RISE + left], leaving[V_START + left] = panels.temperature[p + 1] - T, v
    leaving[LIFT + left], leaving[PASSED + left] = panels.carrier[p + 1] - v, bands[PASSED + m]
    leaving[SAME + left] = 1.0 if panels.frozen[p] else 0.0


@inner
def march(
    tube: Tube,
    panels: Panels,
    rule: Rule,
    effort: Effort,
    solutes: Array,
    first: int,
    count: int,
    work: Array,
    bands: Array,
    leaving: Array,
    last_gas: Array,
    found: Array,
    who: Index,
    peaks: Array,
    status: NDArray[np.uint8],
    n: int,
    directions: Directions | None,
    changes: Any,
) -> None:
    """Peaks of `count` compounds from number `first` on, no more than ABREAST."""
    gas = panels.gas
    set_out(tube, panels, solutes, first, count, bands)
    for m in range(count):
        who[m] = first + m
        status[n, first + m] = LATE
    if directions is not None:
        start_changes(tube, panels, count, bands, who, directions, changes)
    left, frozen = (
        0,
        True,
    )  # bands that elute on panels that change, and whether rho stays the same on all of these
    for p in range(panels.total[0]):
        at, end, steady = p * PANEL, p * PANEL + ABREAST * rule.nodes, panels.steady[p]
        fill_up(bands, count, KEPT)
        put(bands, LENGTH, LONGEST if p == panels.total[0] - 1 else panels.time[p + 1] - panels.time[p])
        begin_panel(gas, end, bands, tube.stop)
        negligible = -1.0 if steady else effort.negligible
        if steady:
            hold(gas, end, work, bands, tube, rule)
        else:
            restart(work, rule)
            advance(gas, at, work, bands, panels.frozen[p], effort.sweeps, tube.stop, rule, rule.even)
            if not all_below(get(bands, Y_END) - get(bands, Y_START), negligible * get(bands, Y_OUTLET)):
                broaden(gas, at, work, bands, panels.frozen[p], tube, rule, rule.even)
        none_leaves = all_below(get(bands, Y_END), get(bands, Y_OUTLET))
        if steady and not none_leaves:
            leave_on_hold(tube, panels, rule, p, work, bands, found)
        if directions is not None:
            along_panel(tube, panels, rule, p, n, work, bands, found, count, left, who, directions, changes)
        if none_leaves:
            go_on(gas, end, bands, negligible)
            continue
        if not steady:
            shares_at_outlet(work, bands, rule)
        for m in range(count):
            compound = who[m]
            if not isfinite(bands[Y_END + m]):
                status[n, compound] = NOT_FINITE
            elif bands[Y_END + m] >= bands[Y_OUTLET + m]:
                if steady:
                    status[n, compound] = keep(found, m, peaks, n, compound)
                else:
                    set_aside(panels, p, bands, m, leaving, left)
                    who[ABREAST + left] = compound
                    frozen = frozen and panels.frozen[p]
                    left += 1
        go_on(gas, end, bands, negligible)
        stay = 0
        for m in range(count):
            if bands[Y_END + m] < bands[Y_OUTLET + m]:
                for row in range(KEPT):
                    bands[row * ABREAST + stay] = bands[row * ABREAST + m]
                who[stay] = who[m]
                if directions is not None:
                    for row in range(changes.state.size // ABREAST):
                        changes.state[row * ABREAST + stay] = changes.state[row * ABREAST + m]
                stay += 1
        count = stay
        if count == 0:
            break
    if left == 0:
        return
    fill_up(leaving, left, BAND_ROWS)
    finish(tube, panels.flow_factor[0], rule, effort, last_gas, work, leaving, frozen, found)
    for m in range(left):
        compound = who[ABREAST + m]
        status[n, compound] = keep(found, m, peaks, n, compound)
    if directions is not None:
        last_answers(tube, rule, last_gas, leaving)
        along_last_panel(
            tube, rule, n, frozen, last_gas, work, leaving, found, left, who, directions, changes
        )


@inner
def finish(
    tube: Tube,
    flow_factor: Numbers,
    rule: Rule,
    effort: Effort,
    gas: Array,
    work: Array,
    bands: Array,
    frozen: bool,
    found: Array,
) -> None:
    """The last panel of bands that elute on one that changes: a shorter one, which ends when they do; their peaks."""
    G = rule.nodes
    end = ABREAST * G
    T_start, ln_T_start, rise = get(bands, T_START), get(bands, LN_T_START), get(bands, RISE)
    v_start, lift = get(bands, V_START), get(bands, LIFT)
    nodes = last_nodes(tube, rule)
    restart(work, rule)
    for last in range(effort.passes):
        if frozen and last > 0 and last == effort.passes - 1:
            break  # where rho stays the same the first guess is as good as the nodes
        for j in range(G + 1):
            node = ABREAST * j
            passed = nodes.share[j] * get(bands, PASSED)
            T, value = T_start + passed * rise, v_start + passed * lift
            ln_T = ln_from(T, T_start, ln_T_start)
            eta = viscosity(tube, ln_T)
            pi, rho, mobility = motion(tube, flow_factor, T, value, eta)
            put(gas, INVERSE_T + node, 1.0 / T)
            put(gas, LN_T + node, ln_T)
            put(gas, RHO + node, rho)
            put(gas, MOBILITY + node, mobility)
            put(gas, ALONG + node, pi)  # until the last pass
        put(bands, LENGTH, get(bands, PASSED) * get(bands, WHOLE))
        begin_panel(gas, end, bands, tube.stop)
        advance(gas, 0, work, bands, frozen, effort.sweeps, tube.stop, rule, nodes)
        e = mobile_share(ln_retention(bands, get(gas, end + INVERSE_T), get(gas, end + LN_T)))
        put(work, MOBILE + end, e)
        missing = (get(bands, Y_OUTLET) - get(bands, Y_END)) / (get(gas, end + MOBILITY) * e)
        put(bands, MISSING, missing)
        if last < effort.passes - 1:
            passed = get(bands, PASSED)
            better = at_most(at_least(passed + missing / get(bands, WHOLE), 0.01 * passed), 1.0)
            put(
                bands,
                PASSED,
                better if last < effort.passes - 2 else where_more(get(bands, SAME), 0.5, passed, better),
            )
    for j in range(G + 1):
        node = ABREAST * j
        inverse_T, ln_T = get(gas, INVERSE_T + node), get(gas, LN_T + node)
        along, across, film = spreading(
            tube, inverse_T, ln_T, get(gas, ALONG + node), get(gas, MOBILITY + node)
        )
        put(gas, ALONG + node, along)
        put(gas, ACROSS + node, across)
        put(gas, FILM + node, film)
    broaden(gas, 0, work, bands, frozen, tube, rule, nodes)
    rate, missing = rise / get(bands, WHOLE), get(bands, MISSING)
    T = 1.0 / get(gas, end + INVERSE_T) + rate * missing
    time = get(bands, BEGIN) + get(bands, LENGTH) + missing
    write_peaks(tube, gas, end, bands, time, T, ln_from(T, T_start, ln_T_start), rate, found)


@inner
def last_answers(tube: Tube, rule: Rule, gas: Array, bands: Array) -> None:
    """What slopes need besides of the conditions on the last panel."""
    nodes = last_nodes(tube, rule)
    for j in range(rule.nodes + 1):
        node = ABREAST * j
        value = get(bands, V_START) + nodes.share[j] * get(bands, PASSED) * get(bands, LIFT)
        put_answers(
            tube,
            get(gas, INVERSE_T + node),
            get(gas, LN_T + node),
            value,
            get(gas, RHO + node),
            gas,
            MOBILITY_BY_T + node,
            NODE_ROW,
        )
