"""Gauss-Legendre quadrature on a panel.

Node x in [0, 1] lies at the share x of a panel; on the panel in which a band elutes, at 1 - (1-x)^2: towards the outlet
of a column that ends near a vacuum P falls like a root, and nodes crowd there.
"""

from __future__ import annotations

from functools import cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

MOST_NODES = 8


class Rule(NamedTuple):
    """G nodes.

    Attributes
    ----------
    nodes : int, G
    x : (G,) array
    share : (2 x 8,) array, where the nodes, the panel's end and, to fill up, its end again lie
    slope : (G,) array, d share/dx
    crowded_share, crowded_slope : (G + 1,) and (G,) arrays, the same on the panel in which a band elutes
    weight : (G,) array, of integrals over x from 0 to 1
    to_node : (G, G) array, of integrals from 0 to each node
    powers : (G, G) array, from values at the nodes to the factors of x^0, x^1, ...
    over : (G,) array, 1, 1/2, 1/3, ..., for integrals of these
    """

    nodes: int
    x: Array
    share: Array
    slope: Array
    crowded_share: Array
    crowded_slope: Array
    weight: Array
    to_node: Array
    powers: Array
    over: Array


@cache
def rule(count: int) -> Rule:
    """The rule of so many nodes."""
    points, weights = np.polynomial.legendre.leggauss(count)
    x = (points + 1) / 2
    powers = np.linalg.inv(np.vander(x, increasing=True))
    exponents = np.arange(1, count + 1)
    to_node = (x[:, None] ** exponents / exponents) @ powers
    return Rule(
        count,
        x,
        np.append(x, np.ones(2 * MOST_NODES - count)),
        np.ones(count),
        np.append(1 - (1 - x) ** 2, 1.0),
        2 * (1 - x),
        weights / 2,
        np.ascontiguousarray(to_node),
        np.ascontiguousarray(powers),
        1 / exponents,
    )
