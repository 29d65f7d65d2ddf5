"""Batches of programs, row by row."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.engine.abreast import ABREAST
from models.engine.band import BAND_ROWS, NODE_ROWS, Effort
from models.engine.compiled import compiled, room
from models.engine.directions import (
    ALL_WEIGHTS,
    ANSWERS,
    CHANGED_ROWS,
    ENDS,
    FIRST,
    OWN,
    STATE,
    SUMS,
    Changes,
    Directions,
    changes_at_ends,
)
from models.engine.march import march
from models.engine.panels import (
    ALL_CONDITIONS,
    MOST_CUTS,
    NODE_ROW,
    PANEL,
    Array,
    Limits,
    Panels,
    Tube,
    conditions_of,
    cut,
)
from models.engine.quadrature import MOST_NODES, Rule


@room
def floats(count: int) -> Array:
    """Room for numbers, whatever they are."""
    return np.empty(count)


@room
def whole(count: int) -> NDArray[np.int64]:
    """The same for whole numbers."""
    return np.empty(count, np.int64)


@compiled
def migrate_rows(
    first: int,
    stop: int,
    tube: Tube,
    limits: Limits,
    rule: Rule,
    effort: Effort,
    oven_time: Array,
    oven: Array,
    carrier_time: Array,
    carrier: Array,
    factors: Array,
    solutes: Array,
    peaks: Array,
    status: NDArray[np.uint8],
    directions: Directions | None,
) -> None:
    """Peaks of programs number `first` to `stop` - 1 of a batch, and their slopes in directions, if any.

    Parameters
    ----------
    oven_time, oven : (N, B) arrays, corners of the oven  [s], [K]
    carrier_time, carrier : (N, C) arrays, corners of the carrier  [s], set value
    factors : (N,) array, true over computed velocity
    solutes : (4, M) array, A, B, C of ln k = A + B/T + C ln T, and D p/T^1.75
    peaks : (6, N, M) array, filled in: time, width, T, k, heating rate, share of the injected band
    status : (N, M) array, filled in
    """
    legs = oven_time.shape[1] + carrier_time.shape[1]
    most = legs * MOST_CUTS + 1
    panels = Panels(
        floats(most + 1),
        floats(most + 1),
        floats(most + 1),
        np.empty(most, np.bool_),
        np.empty(most, np.bool_),
        whole(most),
        floats(most),
        whole(legs),
        whole(legs),
        floats(most * PANEL),
        floats(ALL_CONDITIONS * ABREAST),
        floats(1),
        whole(1),
    )
    work, last_gas, found = floats(NODE_ROWS * NODE_ROW), floats(PANEL), floats(6 * ABREAST)
    bands, leaving = floats(BAND_ROWS * ABREAST), floats(BAND_ROWS * ABREAST)
    who = whole(2 * ABREAST)
    changes: Any = None
    if directions is not None:
        D = directions.oven.shape[1]
        changes = Changes(
            floats((most + 1) * D * 3).reshape((most + 1, D, 3)),
            floats(ALL_WEIGHTS),
            floats(MOST_NODES * MOST_NODES * ABREAST),
            floats(ANSWERS * SUMS),
            floats(CHANGED_ROWS * ABREAST),
            floats(FIRST + (D + OWN + 1) * STATE),
            floats(FIRST + (D + OWN + 1) * STATE),
            floats(D * ENDS),
            floats(5 * ABREAST),
            floats(5 * ABREAST),
            np.empty(D, np.bool_),
        )
    M = solutes.shape[1]
    blocks = (M + ABREAST - 1) // ABREAST
    for n in range(first, stop):
        panels.flow_factor[0] = factors[n]
        cut(panels, tube, limits, oven_time, oven, carrier_time, carrier, n)
        conditions_of(panels, tube, rule, directions is not None)
        if directions is not None:
            changes_at_ends(changes.ends, panels, n, directions, oven_time, oven, carrier_time, carrier)
        for block in range(blocks):
            start, end = block * M // blocks, (block + 1) * M // blocks
            march(
                tube,
                panels,
                rule,
                effort,
                solutes,
                start,
                end - start,
                work,
                bands,
                leaving,
                last_gas,
                found,
                who,
                peaks,
                status,
                n,
                directions,
                changes,
            )
