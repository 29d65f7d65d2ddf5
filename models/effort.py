"""How hard the engine tries: quadrature nodes and tolerances, for screening many programs and for polishing one."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from models.precision import Precision

Accuracy = Literal["screen", "polish"]


@dataclass(frozen=True)
class Effort:
    """How hard to try.

    Attributes
    ----------
    nodes, nodes_frozen : int, Gauss nodes on each leg of the program; the second where rho is constant
    negligible : float, share of s at elution below which a leg is not looked at
    misfit : float, how far the velocity may be from a quadratic in time on a section
    curved : bool, whether tables of plate height are read with curvature
    steady : float, change of Y between sweeps of Picard's iteration at which it ends
    settled : float, change of s at elution above which another pass is made
    precision : of what happens at the nodes where rho varies; s at elution is kept in double
    """

    nodes: int
    nodes_frozen: int
    negligible: float
    misfit: float
    curved: bool
    steady: float
    settled: float
    precision: Precision


EFFORTS: dict[Accuracy, Effort] = {
    "screen": Effort(5, 4, 1e-4, 4e-5, False, 2e-4, 2e-3, "single"),
    "polish": Effort(8, 7, 1e-5, 1e-5, True, 1e-5, 5e-4, "double"),
}
