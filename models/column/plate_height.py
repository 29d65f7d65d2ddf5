"""Local plate height: Golay's equation with the film term in an open tube, van Deemter's in a packed one.

H = 2 D/u + (1 + 6k + 11k^2)/(24 (1+k)^2) r^2 u/D + (2/3) k/(1+k)^2 df^2 u/Ds         [1]

In a packed column of particles of diameter d,

H = 2 lambda d + 2 gamma D/u + omega d^2 u/D + C k/(1+k)^2 u                           [3]

and in an open tube with a porous layer [1] of the free radius, its last term again C k/(1+k)^2 u: C [s] is one constant
of the column for what goes on in layer or particle, whatever slows it, and is taken not to change with temperature.

u and D are those at the local pressure. Both vary as 1/p, so all terms but the last are the same all along the
column; expansion of the gas enters when the local H is integrated (module `migration`), which yields
Giddings' factor by itself [2].

[1] Golay, in Desty (ed.), Gas Chromatography 1958, p. 36.
[2] Giddings, Seager, Stucki and Stewart, Anal. Chem. 32 (1960) 867.
[3] van Deemter, Zuiderweg and Klinkenberg, Chem. Eng. Sci. 5 (1956) 271, and Giddings, Dynamics of Chromatography
    (1965), from memory; lambda 0.5 to 2, gamma 0.6 to 0.7 and omega 0.01 to 0.3 are as uncertain as that.

Typical diffusion of the vapour in the gas is taken from its T0: compounds that reach k = 1 at the same temperature
are of similar size. Diffusion in the film is a round figure for a polysiloxane, from memory, no source. What measured
widths say of both is fitted (`models.fit.widths`).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from models.column.carrier_gas import CarrierGas, diffusion_constant
from models.column.programs import Array
from models.column.system import Column
from models.units import GAS_CONSTANT

FILM_DIFFUSION_100C = 5e-10  # m2/s, round figure for a C10 vapour in a polysiloxane at 100 °C; from memory
FILM_DIFFUSION_ENERGY = 30e3  # J/mol, from memory
USUAL_RESISTANCE = 1e-3  # s, C of a porous layer or a packing: an order of magnitude, from memory
GOLAY = (11.0, -16.0, 6.0)  # 1 + 6k + 11k^2 over (1 + k)^2 in powers of 1/(1 + k)


class Terms(NamedTuple):
    """What a column makes of [1] and [3].

    Attributes
    ----------
    eddy : [m], what does not depend on velocity
    along : [-], of D/u
    across : [m2], of u/D times the function of k
    shape : that function, in powers of 1/(1 + k)
    resistance, energy : [s] at 100 °C and E/R [K], of u k/(1 + k)^2
    """

    eddy: float
    along: float
    across: float
    shape: tuple[float, float, float]
    resistance: float
    energy: float


def terms_of(column: Column, film_diffusion_factor: float = 1.0, eddy_factor: float = 1.0) -> Terms:
    """The terms of a column's plate height; the factors divide the resistance of film or layer, and multiply lambda."""
    if column.wall_coated and column.resistance is None:
        resistance = (2 / 3) * column.film_thickness**2 / FILM_DIFFUSION_100C
        energy = FILM_DIFFUSION_ENERGY / GAS_CONSTANT
    else:
        resistance = USUAL_RESISTANCE if column.resistance is None else column.resistance
        energy = 0.0
    resistance /= film_diffusion_factor
    packing = column.packing
    if packing is None:
        return Terms(0.0, 2.0, column.free_radius**2 / 24, GOLAY, resistance, energy)
    d = packing.particle
    return Terms(
        2 * eddy_factor * packing.eddy * d,
        2 * packing.obstruction,
        packing.transfer * d**2,
        (1.0, 0.0, 0.0),
        resistance,
        energy,
    )


def plate_height(terms: Terms, k: Array, diffusivity_ratio: Array, velocity: Array, T: Array) -> Array:
    """[1] or [3] [m]: retention factors [-], D/u [m], local velocity [m/s] and T [K] of matching shapes."""
    e = 1 / (1 + k)
    slowness = np.exp(terms.energy * (1 / np.asarray(T, dtype=float) - 1 / 373.15))
    a, b, c = terms.shape
    return (
        terms.eddy
        + terms.along * diffusivity_ratio
        + terms.across * (a + e * (b + c * e)) / diffusivity_ratio
        + terms.resistance * slowness * k * e**2 * velocity
    )


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
