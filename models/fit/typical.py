"""What is typical of retention on a column before a compound is measured on it, and by how much compounds differ.

On adsorbents heats of adsorption change little with temperature, so that dCp is taken as nought; their theta is that of
a liquid phase at the same T0, known less well. The figures for adsorbents are from memory, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.column.programs import Array
from models.column.retention import typical_dCp, typical_theta
from models.column.system import Column
from models.fit.fit import LN_FLOW_SPREAD, FlowCorrection

LN_THETA_SPREAD = 0.13
DCP_SPREAD = 14.0  # J/mol/K
# Retention that changes slowly with temperature bends less: by so much per ln theta [J/mol/K], so far off typical.
DCP_BY_LN_THETA, FOLLOWED = -230.0, 0.25
TAIL = (
    1.5  # own spreads of dCp beyond which its tails are exponential: one of eight compounds lies beyond two
)
# How far ln theta and dCp [J/mol/K] of a mixture lie from typical on the whole, within the spreads of single compounds.
OFFSET_SPREADS = (0.11, 8.0)
ADSORBENT_SPREADS, ADSORBENT_OFFSETS = (0.4, 30.0), (0.3, 20.0)
# Standard deviation of ln of the true over the computed velocity where neither was measured: of a porous layer that is
# as thick as its tag says, and of a packing known by its mesh alone (+- 40 %); own judgement.
LAYER_FLOW_SPREAD, MESH_FLOW_SPREAD = 0.05, 0.2


@dataclass(frozen=True)
class Typical:
    """Of one column.

    Attributes
    ----------
    phase_ratio : float
    adsorbent : bool
    """

    phase_ratio: float = 250.0
    adsorbent: bool = False

    def ln_theta(self, T0: Array) -> Array:
        """ln of theta [K] at T0 [K]."""
        result: Array = np.log(typical_theta(T0, self.phase_ratio))
        return result

    def dCp(self, T0: Array, off: Array | float = 0.0) -> Array:
        """[J/mol/K] at T0 [K], of compounds whose ln theta is `off` typical."""
        if self.adsorbent:
            return np.zeros_like(T0)
        return typical_dCp(T0) + DCP_BY_LN_THETA * FOLLOWED * np.tanh(off / FOLLOWED)

    def parameters(self, T0: Array, off: Array | None = None) -> Array:
        """T0, ln theta and dCp (M, 3) of compounds of a T0 (M,), `off` (M, 2) from typical."""
        off = np.zeros((len(T0), 2)) if off is None else off
        return np.stack([T0, self.ln_theta(T0) + off[:, 0], self.dCp(T0, off[:, 0]) + off[:, 1]], axis=1)

    def off(self, parameters: Array) -> Array:
        """How far ln theta, and dCp [J/mol/K] of compounds of such a theta, lie above typical (M, 2).

        Parameters
        ----------
        parameters : (M, 3) array of T0 [K], ln theta and dCp
        """
        T0, ln_theta, dCp = parameters.T
        of_theta = ln_theta - self.ln_theta(T0)
        return np.stack([of_theta, dCp - self.dCp(T0, of_theta)], axis=1)

    @property
    def spreads(self) -> Array:
        """Standard deviations of ln theta and dCp [J/mol/K] of a compound."""
        return np.array(ADSORBENT_SPREADS if self.adsorbent else (LN_THETA_SPREAD, DCP_SPREAD))

    @property
    def offsets(self) -> tuple[float, float]:
        """The same of all compounds together, within those of one."""
        return ADSORBENT_OFFSETS if self.adsorbent else OFFSET_SPREADS

    @property
    def own_share(self) -> Array:
        """Of the spread, a compound's own."""
        result: Array = np.sqrt(1 - (np.array(self.offsets) / self.spreads) ** 2)
        return result


def heavy(u: Array) -> tuple[Array, Array]:
    """A distance from typical dCp in spreads as its square is to count, and the derivative.

    The square is minus twice the ln of the density of a hyperbolic distribution: curved like a normal one in the
    middle, while a compound far off is not drawn to the others. Being convex, it leaves one minimum.
    """
    root = np.sqrt(1 + (u / TAIL) ** 2)
    half = np.sqrt((root + 1) / 2)
    return u / half, half / root


def ln_flow_spread(column: Column, flow_correction: FlowCorrection) -> float:
    """Standard deviation of ln of a flow factor before anything is measured."""
    own = LN_FLOW_SPREAD[flow_correction]
    if column.measured is not None or flow_correction == "none":
        return own
    if column.packing is not None:
        return max(own, MESH_FLOW_SPREAD)
    return max(own, LAYER_FLOW_SPREAD) if column.porous else own


def typical_of(column: Column) -> Typical:
    """What is typical on a column."""
    return Typical(column.phase_ratio, column.adsorbent)
