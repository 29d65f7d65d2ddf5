"""What a column is made of besides its film: the passage that it leaves to the gas, a packing, tubes joined to it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

from models.column.carrier_gas import CarrierGas, viscosity


@dataclass(frozen=True)
class Packing:
    """Particles in a tube.

    Attributes
    ----------
    particle : float  [m], mean diameter
    between, total : float  [-], shares of the cross-section: gas between the particles, and all gas, pores included
    eddy, obstruction, transfer : float  [-], lambda (as stated), gamma and omega of `plate_height` eq. [3]
    """

    particle: float
    between: float = 0.4
    total: float = 0.8
    eddy: float = 1.0
    obstruction: float = 0.7
    transfer: float = 0.1


class Passage(NamedTuple):
    """What a column lets through: permeability B and cross-section A of the gas, both [m2]."""

    permeability: float
    gas_area: float


class Bare(NamedTuple):
    """A piece of uncoated tube joined to a column: length and bore [m], and its temperature [K] if not the oven's."""

    length: float
    inner_diameter: float
    temperature: float | None = None

    @property
    def passage(self) -> Passage:
        """What it lets through; `system` [1]."""
        r = self.inner_diameter / 2
        return Passage(r**2 / 8, math.pi * r**2)

    @property
    def length_over_passage(self) -> float:
        """L/(A B) [m^-3]."""
        B, A = self.passage
        return self.length / (B * A)

    def resistance(self, gas: CarrierGas) -> float:
        """Of a piece at its own temperature: eta T L/(A B) [Pa s K m^-3]; `system` [5]."""
        assert self.temperature is not None
        return float(viscosity(gas, self.temperature)) * self.temperature * self.length_over_passage


def line_resistance(line: tuple[Bare, ...], gas: CarrierGas) -> float:
    """R of the pieces of a line [Pa s K m^-3], 0 without any; `system` [5]."""
    return sum((each.resistance(gas) for each in line), 0.0)
