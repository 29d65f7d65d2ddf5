"""The window diagram: where along one operating variable the least separated pair is separated best.

alpha = k2/k1 >= 1, the relative retention of a pair, the later peak on top                     [1]
N     = 16 Rs^2 (alpha/(alpha - 1))^2 ((1 + k2)/k2)^2, the plates that resolve it to Rs            [2]

The alpha of every pair is drawn against the variable; the area under the lowest of all curves falls apart into
windows, closed where some pair coelutes or comes nearest to it. The top of the highest window is the best setting [1].
The variable is the column temperature here, but nothing below depends on that: a mixing fraction of two phases,
for which the diagram was invented, works as well.

[1] Laub and Purnell, J. Chromatogr. 112 (1975) 71.
[2] Purnell, J. Chem. Soc. (1960) 1268; widths at the base of Gaussian peaks.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.column.programs import Array

Index = NDArray[np.intp]

ZOOMS = 4  # refinements of the top of a window, each on a grid 1/100 as wide
ZOOM_POINTS = 201


@dataclass(frozen=True)
class Window:
    """One window of the diagram.

    Attributes
    ----------
    low, high : float, where it closes: minima of the smallest alpha, or ends of the range
    best : float, where the smallest alpha is largest
    alpha : float  [-], the smallest alpha there
    pair : int, which pair it belongs to
    """

    low: float
    high: float
    best: float
    alpha: float
    pair: int


@dataclass(frozen=True)
class WindowDiagram:
    """Relative retention of P pairs at n values of the variable.

    Attributes
    ----------
    values : (n,) array of the variable
    alpha : (n, P) array  [-]
    windows : tuple of Window, the highest first
    """

    values: Array
    alpha: Array
    windows: tuple[Window, ...]

    @property
    def smallest(self) -> Array:
        """(n,) the smallest alpha of any pair."""
        result: Array = self.alpha.min(axis=1)
        return result

    @property
    def critical(self) -> Index:
        """(n,) the pair with the smallest alpha."""
        result: Index = self.alpha.argmin(axis=1)
        return result


def relative_retention(ln_k: Array, pairs: Index) -> Array:
    """alpha of pairs (P, 2) from ln k (..., M): array (..., P), whichever of the two comes first; [1]."""
    return np.exp(np.abs(ln_k[..., pairs[:, 0]] - ln_k[..., pairs[:, 1]]))


def required_plates(alpha: Array, k_later: Array, resolution: Array | float) -> Array:
    """Plates that resolve a pair to `resolution`, infinite where it coelutes; any matching shapes; [2]."""
    alpha, k = np.asarray(alpha, dtype=float), np.asarray(k_later, dtype=float)
    apart = (alpha > 1) & (k > 0)
    separation = np.where(apart, (alpha - 1) / alpha * k / (1 + k), 1.0)
    return np.where(apart, 16 * (resolution / separation) ** 2, np.inf)


def window_diagram(ln_k_at: Callable[[Array], Array], values: Array, pairs: Index) -> WindowDiagram:
    """The diagram over a range of the variable.

    Parameters
    ----------
    ln_k_at : ln k (n, M) of M compounds at values (n,) of the variable
    values : (n,) array, rising, close enough that no window falls between two of them
    pairs : (P, 2) array of compound indices, P >= 1

    Returns
    -------
    WindowDiagram, the tops of its windows refined between the values
    """
    alpha = relative_retention(ln_k_at(values), pairs)
    smallest = alpha.min(axis=1)
    last = len(values) - 1
    windows = []
    for top in _tops(smallest):
        low, high = _foot(smallest, top, -1), _foot(smallest, top, 1)
        best, height, pair = _refined(ln_k_at, pairs, values[max(top - 1, 0)], values[min(top + 1, last)])
        windows.append(Window(float(values[low]), float(values[high]), best, height, pair))
    windows.sort(key=lambda window: -window.alpha)
    return WindowDiagram(values, alpha, tuple(windows))


def _tops(curve: Array) -> list[int]:
    """Positions of the local maxima of a curve, its ends included; of a flat stretch the first."""
    last = len(curve) - 1
    return [
        at
        for at in range(last + 1)
        if (at == 0 or curve[at] > curve[at - 1]) and (at == last or curve[at] >= curve[at + 1])
    ]


def _foot(curve: Array, at: int, step: int) -> int:
    """Where the curve ends to fall, going from a maximum in one direction."""
    while 0 <= at + step < len(curve) and curve[at + step] <= curve[at]:
        at += step
    return at


def _refined(
    ln_k_at: Callable[[Array], Array], pairs: Index, low: float, high: float
) -> tuple[float, float, int]:
    """Place, height and pair of the largest smallest alpha between two values."""
    for _ in range(ZOOMS):
        fine = np.linspace(low, high, ZOOM_POINTS)
        alpha = relative_retention(ln_k_at(fine), pairs)
        smallest = alpha.min(axis=1)
        at = int(smallest.argmax())
        best, height, pair = float(fine[at]), float(smallest[at]), int(alpha[at].argmin())
        low, high = float(fine[max(at - 1, 0)]), float(fine[min(at + 1, ZOOM_POINTS - 1)])
    return best, height, pair
