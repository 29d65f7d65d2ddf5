"""Gauss-Legendre quadrature on a panel.

Node x in [0, 1] lies at the share x of a panel; on the panel in which a band elutes, at 1 - (1-x)^2: towards the outlet
of a column that ends near a vacuum P falls like a root, and nodes crowd there. At a vacuum P falls as (1-x)^(1/3):
weights of its own integrate that times any polynomial through the nodes.
"""

from __future__ import annotations

from functools import cache
from typing import NamedTuple

import numpy as np
from numpy.polynomial.legendre import leggauss, legvander
from numpy.typing import NDArray

Array = NDArray[np.float64]

MOST_NODES = 8


class Nodes(NamedTuple):
    """Where nodes lie on a panel, and what P counts for there.

    Attributes
    ----------
    share : array, of the nodes and the panel's end, and perhaps more to fill up
    slope : (G,) array, d share/dx
    root : (G,) array, factors of the weights for integrals of what falls with P
    """

    share: Array
    slope: Array
    root: Array


class Rule(NamedTuple):
    """G nodes.

    Attributes
    ----------
    nodes : int, G
    x : (G,) array
    even, crowded, vacuum : on any panel, on that in which a band elutes, and on that at a vacuum outlet
    weight : (G,) array, of integrals over x from 0 to 1
    to_node : (G, G) array, of integrals from 0 to each node
    powers : (G, G) array, from values at the nodes to the factors of x^0, x^1, ...
    over : (G,) array, 1, 1/2, 1/3, ..., for integrals of these
    """

    nodes: int
    x: Array
    even: Nodes
    crowded: Nodes
    vacuum: Nodes
    weight: Array
    to_node: Array
    powers: Array
    over: Array


@cache
def rule(count: int) -> Rule:
    """The rule of so many nodes."""
    points, weights = leggauss(count)
    x = (points + 1) / 2
    powers = np.linalg.inv(np.vander(x, increasing=True))
    exponents = np.arange(1, count + 1)
    to_node = (x[:, None] ** exponents / exponents) @ powers
    share, ones = np.append(x, np.ones(2 * MOST_NODES - count)), np.ones(count)
    return Rule(
        count,
        x,
        Nodes(share, ones, ones),
        Nodes(np.append(1 - (1 - x) ** 2, 1.0), 2 * (1 - x), ones),
        Nodes(share, ones, _root_weights(x) / (weights / 2)),
        weights / 2,
        np.ascontiguousarray(to_node),
        np.ascontiguousarray(powers),
        1 / exponents,
    )


def _root_weights(x: Array) -> Array:
    """Weights at nodes x that integrate (1-x)^(1/3) times any polynomial through these, from 0 to 1."""
    y, weights = leggauss(2 * len(x) + 2)
    y = (y + 1) / 2  # with 1 - x = y^3 all is polynomial
    moments = legvander(1 - 2 * y**3, len(x) - 1).T @ (weights / 2 * 3 * y**3)
    return np.linalg.solve(legvander(2 * x - 1, len(x) - 1).T, moments) / np.cbrt(1 - x)
