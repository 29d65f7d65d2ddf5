"""Retention on a polysiloxane from vapour pressures, for data scripts; shares no code with the packages."""

from __future__ import annotations

import math
from collections.abc import Callable

from tests.reference.instrument import R


def film_diffusion(T: float) -> float:
    """[m2/s] at T [K]; round figures for a polysiloxane, from memory."""
    return 4e-10 * math.exp(-35e3 / R * (1 / T - 1 / 373.15))


def ln_retention_factor(
    ln_p: Callable[[float], float], volume: float, interaction: tuple[float, float], phase_ratio: float
) -> Callable[[float], float]:
    """ln k as a function of T [K], from vapour pressure and a dilute solution in a polymer.

    p = phi exp(1 + chi) p_vap (Flory-Huggins, infinite dilution in a long chain) and phi = c_film V give
    c_film/c_gas = R T/(V exp(1 + chi) p_vap); k is that divided by the phase ratio.

    Takes ln of the vapour pressure [Pa] as a function of T, the liquid's molar volume [m3/mol], and a [-] and b [K] of
    chi = a + b/T.
    """
    a, b = interaction
    constant = math.log(R / (volume * phase_ratio)) - 1 - a
    return lambda T: constant + math.log(T) - b / T - ln_p(T)
