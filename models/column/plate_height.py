"""Local plate height in an open tube: Golay's equation with the film term.

H = 2 D/u + (1 + 6k + 11k^2)/(24 (1+k)^2) r^2 u/D + (2/3) k/(1+k)^2 df^2 u/Ds         [1]

with u and D at the local pressure. Both vary as 1/p, so the first two terms are the same all along the
column; expansion of the gas enters when the local H is integrated (module `migration`), which yields
Giddings' factor by itself [2].

[1] Golay, in Desty (ed.), Gas Chromatography 1958, p. 36.
[2] Giddings, Seager, Stucki and Stewart, Anal. Chem. 32 (1960) 867.

Typical diffusion of the vapour in the gas is taken from its T0: compounds that reach k = 1 at the same temperature
are of similar size. Diffusion in the film is a round figure for a polysiloxane, from memory, no source. What measured
widths say of both is fitted (`models.fit.widths`).
"""

from __future__ import annotations

import numpy as np

from models.column.carrier_gas import CarrierGas, diffusion_constant
from models.column.programs import Array
from models.units import GAS_CONSTANT

FILM_DIFFUSION_100C = 5e-10  # m2/s, round figure for a C10 vapour in a polysiloxane at 100 °C; from memory
FILM_DIFFUSION_ENERGY = 30e3  # J/mol, from memory


def golay_factor(k: Array) -> Array:
    """(1 + 6k + 11k^2)/(1 + k)^2, any shape; part of [1]."""
    share = k / (1 + k)
    return 1 + share * (4 + 6 * share)


def diffusion_plate_height(diffusivity_ratio: Array) -> Array:
    """First term of [1] [m]: diffusion along the column; D/u [m], any shape."""
    return 2 * diffusivity_ratio


def gas_resistance_plate_height(k: Array, diffusivity_ratio: Array, radius: float) -> Array:
    """Second term of [1] [m]: retention factors [-] and D/u [m] of matching shapes, radius [m]."""
    return golay_factor(k) * (radius**2 / 24) / diffusivity_ratio


def gas_plate_height(k: Array, diffusivity_ratio: Array, radius: float) -> Array:
    """The two gas terms of [1] [m].

    Parameters
    ----------
    k : array, retention factors [-]
    diffusivity_ratio : array of a matching shape, D/u [m], the same at every place of the column
    radius : float  [m]
    """
    return diffusion_plate_height(diffusivity_ratio) + gas_resistance_plate_height(
        k, diffusivity_ratio, radius
    )


def film_plate_height(k: Array, velocity: Array, film_thickness: float, film_diffusion: Array) -> Array:
    """The film term of [1] [m]: retention factors [-], local velocity [m/s], film [m], diffusion [m2/s]."""
    return (2 / 3) * k / (1 + k) ** 2 * film_thickness**2 * velocity / film_diffusion


def film_diffusion(T: Array) -> Array:
    """Diffusion coefficient of a vapour in the film [m2/s] at T [K]; a round figure, see above."""
    return FILM_DIFFUSION_100C * np.exp(
        -FILM_DIFFUSION_ENERGY / GAS_CONSTANT * (1 / np.asarray(T, dtype=float) - 1 / 373.15)
    )


def typical_diffusion_constant(gas: CarrierGas, T0: Array) -> Array:
    """D p/T^1.75 [m2 Pa/(s K^1.75)] of compounds known by T0 [K] alone, shape (M,).

    The compound is taken for the n-alkane that reaches k = 1 at T0 on a nonpolar column of phase ratio 250:
    n-decane near 95 °C and about 21 K more for each carbon (common practice, no source; the exact number
    matters little, D varies as its inverse square root or less). Molar mass 14.027 n + 2.016 g/mol,
    diffusion volume 15.9 n + 2.31 (2n + 2), see `carrier_gas`.
    """
    n = np.clip(10 + (np.asarray(T0, dtype=float) - 368.0) / 21.0, 1.0, 60.0)
    return diffusion_constant(gas, 14.027 * n + 2.016, 15.9 * n + 2.31 * (2 * n + 2))
