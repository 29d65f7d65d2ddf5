"""How hard the engine tries: panels, quadrature nodes and iterations, for screening many programs and for polishing."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Accuracy = Literal["screen", "polish"]

LONGEST_RETENTION = 100 * 3600.0  # s; anything later is reported as not eluted


@dataclass(frozen=True)
class Effort:
    """How hard to try.

    Attributes
    ----------
    nodes : int, Gauss nodes of a panel
    widest, widest_rho, widest_ln_pressure : float, by what temperature [K], (po/pi)^2 and ln pi change on a panel at
        most
    sweeps : int, of Picard's iteration, at most
    passes : int, over the panel in which a band elutes
    negligible : float, share of Y at the outlet below which a panel adds nothing to the variance
    """

    nodes: int
    widest: float
    widest_rho: float
    widest_ln_pressure: float
    sweeps: int
    passes: int
    negligible: float


EFFORTS: dict[Accuracy, Effort] = {
    "screen": Effort(6, 80.0, 0.3, 0.3, 4, 2, 1e-5),
    "polish": Effort(8, 80.0, 0.3, 0.3, 30, 3, 1e-8),
}
