"""An open tubular column: its dimensions and the temperatures its phase withstands."""

from __future__ import annotations

import math
from dataclasses import dataclass

from models.errors import InvalidInputError


@dataclass(frozen=True)
class Column:
    """Dimensions as the column's tag states them.

    Attributes
    ----------
    length : float  [m]
    inner_diameter : float  [m], of the bare tube
    film_thickness : float  [m]
    """

    length: float
    inner_diameter: float
    film_thickness: float

    def __post_init__(self) -> None:
        if not (self.length > 0 and self.inner_diameter > 0 and self.film_thickness > 0):
            raise InvalidInputError("column length, inner diameter and film thickness must all be above zero")
        if self.film_thickness >= self.inner_diameter / 2:
            raise InvalidInputError("the film would fill the column: check film thickness (µm) and bore (mm)")

    @property
    def radius(self) -> float:
        """Radius of the bare tube [m], the one the pneumatics compute with."""
        return self.inner_diameter / 2

    @property
    def phase_ratio(self) -> float:
        """Mobile over stationary phase volume, thin film: d/(4 df) [-].

        Source: Ettre, Pure Appl. Chem. 65 (1993) 819, phase ratio of an open tubular column (thin film).
        """
        return self.inner_diameter / (4 * self.film_thickness)

    @property
    def permeability(self) -> float:
        """B [m2] in Darcy's law u = -(B/eta) dp/dz: r^2/8 of an open tube (Poiseuille)."""
        return self.radius**2 / 8

    @property
    def gas_area(self) -> float:
        """Cross-section that the gas flows through [m2]."""
        return math.pi * self.radius**2
