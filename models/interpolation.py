"""Tables of the antiderivatives that make a temperature ramp a table difference.

For M compounds, Phi_n(T) = integral of ((T - Tc)/X)^n w(T)/(1 + k(T)) dT, n = 0, 1, 2, as cubic Hermite
polynomials on equal steps of T (the derivative is known exactly), and the inverse of Phi_0 as a cubic on equal
steps of ln Phi_0: retention spans twenty decades, and on that scale T(Phi_0) is nearly straight everywhere.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.retention import Retention, ln_retention_factor

Array = NDArray[np.float64]
Index = NDArray[np.intp]

INVERSE_POINTS = (256, 1024)  # of the inverse table: as many as cells of the forward one, within these


@dataclass(frozen=True)
class AntiderivativeTable:
    """Forward and inverse tables; coefficient arrays hold ascending powers on their first axis.

    Attributes
    ----------
    lowest, highest, step : float  [K]
    centre, scale : float  [K], Tc and X
    by_power : tuple of four (3, cells M) arrays: coefficients of cubics in the share of a cell, for n = 0, 1, 2
    cells : int
    inverse : (4, cells, M) array, T [K] as cubics in the share of a cell of ln Phi_0
    inverse_start, inverse_step : (M,) arrays, first node and spacing of ln Phi_0
    """

    lowest: float
    highest: float
    step: float
    centre: float
    scale: float
    cells: int
    by_power: tuple[Array, Array, Array, Array]
    inverse: Array
    inverse_start: Array
    inverse_step: Array

    @property
    def inverse_nodes(self) -> Array:
        """T [K] at the nodes of ln Phi_0, (cells + 1, M)."""
        return np.concatenate([self.inverse[0], self.inverse[:, -1].sum(axis=0)[None]])

    def cell(self, T: Array) -> tuple[Index, Array]:
        """Cell number and share of the cell at temperatures T, any shape."""
        position = (T - self.lowest) * (1.0 / self.step)
        index = np.minimum(position.astype(np.intp), self.cells - 1)
        return index, position - index

    def rows(self, T: Array, order: int) -> Array:
        """Phi_order of all compounds at temperatures T: shape T.shape + (M,)."""
        index, share = self.cell(T)
        a0, a1, a2, a3 = (rows[order].reshape(self.cells, -1) for rows in self.by_power)
        x = share[..., None]
        result: Array = a3.take(index, axis=0)
        for rows in (a2, a1, a0):
            result *= x
            result += rows.take(index, axis=0)
        return result

    def temperature(self, phi: Array, compound: Index) -> tuple[Array, Array]:
        """T [K] where Phi_0 of given compounds has given values, and dT/d ln Phi_0; shapes broadcast."""
        position = (np.log(phi) - self.inverse_start[compound]) / self.inverse_step[compound]
        # Values off the table belong to branches the caller does not use; they only must not be an index.
        position = np.fmin(np.fmax(position, 0.0), self.inverse.shape[1] - 1e-9)
        index = position.astype(np.intp)
        x = position - index
        flat = index * self.inverse.shape[2] + compound
        a0, a1, a2, a3 = (row.ravel().take(flat) for row in self.inverse)
        slope = (a1 + x * (2 * a2 + x * (3 * a3))) / self.inverse_step[compound]
        return a0 + x * (a1 + x * (a2 + x * a3)), slope

    def combination(self, T: Array, compound: Index, factors: Array) -> tuple[Array, Array]:
        """Sum over n of factors[n] Phi_n(T), n = 0, 1, 2, and dPhi_0/dT, of given compounds (E,)."""
        index, x = self.cell(T)
        flat = index * self.inverse.shape[2] + compound
        a0, a1, a2, a3 = (rows.take(flat, axis=1) for rows in self.by_power)
        total = (factors * (a0 + x * (a1 + x * (a2 + x * a3)))).sum(axis=0)
        return total, (a1[0] + x * (2 * a2[0] + x * (3 * a3[0]))) / self.step

    def phi(self, T: Array, compound: Index) -> tuple[Array, Array]:
        """Phi_0 of given compounds at temperatures T, and dPhi_0/dT; shapes broadcast."""
        index, x = self.cell(T)
        flat = index * self.inverse.shape[2] + compound
        a0, a1, a2, a3 = (rows[0].take(flat) for rows in self.by_power)
        return a0 + x * (a1 + x * (a2 + x * a3)), (a1 + x * (2 * a2 + x * (3 * a3))) / self.step


def _hermite(v0: Array, v1: Array, d0: Array, d1: Array) -> Array:
    """Cubics on [0, 1] from end values and end slopes, stacked in ascending powers on a new first axis."""
    rise = v1 - v0
    return np.stack([v0, d0, 3 * rise - 2 * d0 - d1, d0 + d1 - 2 * rise])


def antiderivative_table(
    retention: Retention, weight: Callable[[Array], Array], lowest: float, highest: float, step: float
) -> AntiderivativeTable:
    """Tables between two temperatures [K] at a spacing of at most `step` [K].

    `weight` maps temperatures (n,) [K] to w (n,). The integral over a cell is Simpson's, whose error and that of the
    cubic both fall as the fourth power of step/theta.
    """
    cells = max(8, int(np.ceil((highest - lowest) / step)))
    T = np.linspace(lowest, highest, 2 * cells + 1)  # nodes and midpoints
    h = (highest - lowest) / cells
    ln_k = ln_retention_factor(retention, T)
    kernel = weight(T)[:, None] / (1.0 + np.exp(np.minimum(ln_k, 700.0)))
    centre, scale = (lowest + highest) / 2, (highest - lowest) / 2
    x = ((T - centre) / scale)[:, None]

    # Below the table Phi_0 is continued as an exponential, so that its logarithm is straight at the start.
    steepness = np.log(kernel[2] / kernel[0]) / h
    first = kernel[0] / np.maximum(steepness, 1e-4)

    forward = []
    for order in range(3):
        f = kernel * x**order
        area = (h / 6) * (f[0:-2:2] + 4 * f[1:-1:2] + f[2::2])
        values = np.concatenate([np.zeros((1, len(retention))), np.cumsum(area, axis=0)])
        if order == 0:
            values = values + first
            phi, slope = values, f[::2]
        forward.append(_hermite(values[:-1], values[1:], h * f[0:-2:2], h * f[2::2]))

    by_power = np.stack(forward, axis=1).reshape(4, 3, -1)
    inverse, start, spacing = _inverse(T[::2], phi, slope)
    return AntiderivativeTable(
        lowest,
        highest,
        h,
        centre,
        scale,
        cells,
        (by_power[0], by_power[1], by_power[2], by_power[3]),
        inverse,
        start,
        spacing,
    )


def _inverse(T: Array, phi: Array, slope: Array) -> tuple[Array, Array, Array]:
    """T(ln Phi_0) on equal steps, from nodes T (n,), Phi_0 (n, M) and dPhi_0/dT (n, M)."""
    ln_phi = np.log(phi)
    start, stop = ln_phi[0], ln_phi[-1]
    points = int(np.clip(T.size - 1, *INVERSE_POINTS))
    spacing = (stop - start) / (points - 1)
    nodes = start + spacing * np.arange(points)[:, None]
    dT_dx = phi / slope
    values, slopes = np.empty_like(nodes), np.empty_like(nodes)
    for m in range(phi.shape[1]):
        x, at = ln_phi[:, m], nodes[:, m]
        cell = np.clip(np.searchsorted(x, at, side="right") - 1, 0, x.size - 2)
        width = x[cell + 1] - x[cell]
        a0, a1, a2, a3 = _hermite(T[cell], T[cell + 1], width * dT_dx[cell, m], width * dT_dx[cell + 1, m])
        u = (at - x[cell]) / width
        values[:, m] = a0 + u * (a1 + u * (a2 + u * a3))
        slopes[:, m] = (a1 + u * (2 * a2 + u * 3 * a3)) / width
    h = spacing * slopes
    return _hermite(values[:-1], values[1:], h[:-1], h[1:]), start, spacing
