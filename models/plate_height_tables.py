"""Plate height along a program, tabulated for each compound so that a quadrature node costs a few look-ups.

With G = u p eta = flow_factor r^2 (pi^2 - po^2)/(16 L), which depends on the pressures alone, the plate height
of `plate_height` at inlet pressure pi and local pressure P pi is

    H/L = f (alpha(T)/G + beta(T) G + gamma(T) G/(pi P)),                               [1]

where alpha holds diffusion along the column, beta Golay's resistance in the gas and gamma that of the film; the
efficiency factor f is left to the caller. The three, and T itself, are tabulated on the equal steps of ln Phi_0
of `interpolation`. Read linearly, the error of H is a few parts in 1e5; with curvature, 1e-7.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from models.carrier_gas import DIFFUSION_TEMPERATURE_EXPONENT, viscosity
from models.interpolation import AntiderivativeTable
from models.plate_height import (
    diffusion_plate_height,
    film_diffusion,
    film_plate_height,
    gas_resistance_plate_height,
)
from models.precision import in_precision
from models.retention import Retention, coefficients
from models.system import ColumnSystem

Array = NDArray[np.float64]
Index = NDArray[np.intp]


@dataclass(frozen=True)
class PlateHeightTables:
    """T, alpha, beta and gamma of eq. [1] of M compounds against ln Phi_0.

    Attributes
    ----------
    start, per_step : (M,) arrays, first node and 1/spacing of ln Phi_0
    cells : int
    value, change, bend : (4, M cells) arrays: at the start of each cell, over it, and half the second difference
    """

    start: Array
    per_step: Array
    cells: int
    value: Array
    change: Array
    bend: Array

    @cached_property
    def single(self) -> PlateHeightTables:
        """The same in single precision."""
        return PlateHeightTables(
            in_precision(self.start, "single"),
            in_precision(self.per_step, "single"),
            self.cells,
            in_precision(self.value, "single"),
            in_precision(self.change, "single"),
            in_precision(self.bend, "single"),
        )

    def at(self, phi: Array, compound: Index, curved: bool) -> Places:
        """Where Phi_0 of given compounds (E,) has given values (G, E)."""
        position = (np.log(phi) - self.start.take(compound)) * self.per_step.take(compound)
        # The largest share of the last cell that the numbers' precision can tell from the next.
        position = np.fmin(np.fmax(position, 0.0), np.nextafter(position.dtype.type(self.cells), 0))
        index = position.astype(np.intp)
        position -= index
        index += compound * self.cells
        return Places(self, index, position, curved)


@dataclass(frozen=True)
class Places:
    """Cells of the tables and shares of them, (G, E) arrays; whether to read between nodes with curvature."""

    tables: PlateHeightTables
    cell: Index
    share: Array
    curved: bool

    def _read(self, row: int) -> Array:
        result: Array = self.tables.value[row].take(self.cell)
        slope = self.tables.change[row].take(self.cell)
        if self.curved:
            slope -= (1 - self.share) * self.tables.bend[row].take(self.cell)
        result += self.share * slope
        return result

    @property
    def temperature(self) -> Array:
        """T [K]"""
        return self._read(0)

    def plate_height_share(self, G: Array, per_pressure: Array) -> Array:
        """H/L by eq. [1] at f = 1; G and 1/(pi P) of shapes that broadcast to (G, E)."""
        result: Array = self._read(1) / G + (self._read(2) + self._read(3) * per_pressure) * G
        return result


def plate_height_tables(
    system: ColumnSystem, retention: Retention, diffusion: Array, table: AntiderivativeTable
) -> PlateHeightTables:
    """Tables for M compounds with D p/T^1.75 = `diffusion` (M,) [m2 Pa/(s K^1.75)]."""
    column = system.column
    T = table.inverse_nodes  # (cells + 1, M)
    A, B, C = coefficients(retention)
    k = np.exp(np.minimum(A + B / T + C * np.log(T), 300.0))
    eta = viscosity(system.gas, T)
    ratio = diffusion * T**DIFFUSION_TEMPERATURE_EXPONENT * eta  # D/u at G = 1
    share = 1 / column.length
    values = np.stack(
        [
            T,
            share * diffusion_plate_height(ratio),
            share * gas_resistance_plate_height(k, ratio, column.radius),
            share * film_plate_height(k, 1 / eta, column.film_thickness, film_diffusion(T)),
        ]
    ).transpose(0, 2, 1)
    cells = T.shape[0] - 1

    change = np.diff(values, axis=2)
    second = np.pad(np.diff(change, axis=2), ((0, 0), (0, 0), (1, 1)), mode="edge")

    def flat(rows: Array) -> Array:
        return np.ascontiguousarray(rows).reshape(4, -1)

    return PlateHeightTables(
        table.inverse_start,
        1.0 / table.inverse_step,
        cells,
        flat(values[:, :, :-1]),
        flat(change),
        flat((second[:, :, :-1] + second[:, :, 1:]) / 4),
    )
