"""Carrier gases: viscosity, and diffusion of a vapour in the gas.

Viscosity:  eta = a (T/298.15)^(b + c ln(T/298.15))                                        [1]
Diffusion:  D p = 0.00143 T^1.75 / (M_12^(1/2) (V_1^(1/3) + V_2^(1/3))^2)  (cm2/s, bar)   [2]
            with M_12 = 2/(1/M_1 + 1/M_2)

[1] Compact form, fitted to reference equations over 0-400 °C (largest deviation 0.034 %): helium, Arp,
    McCarty and Friend, NIST TN 1334 (1998); hydrogen, Muzny, Huber and Kazakov, J. Chem. Eng. Data 58 (2013)
    969; nitrogen and argon, Lemmon and Jacobsen, Int. J. Thermophys. 25 (2004) 21.
[2] Fuller, Ensley and Giddings, J. Phys. Chem. 73 (1969) 3679, in the form of Poling, Prausnitz and O'Connell,
    The Properties of Gases and Liquids, 5th ed., eq. 11-4.4 and table 11-1.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.column.programs import Array
from models.errors import InvalidInputError

DIFFUSION_TEMPERATURE_EXPONENT = 1.75  # [2]


@dataclass(frozen=True)
class CarrierGas:
    """A carrier gas.

    Attributes
    ----------
    name : str
    viscosity_25C : float  [Pa s], coefficient a of [1]
    exponent, curvature : float  [-], coefficients b and c of [1]
    molar_mass : float  [g/mol]
    diffusion_volume : float  [-], of [2]
    """

    name: str
    viscosity_25C: float
    exponent: float
    curvature: float
    molar_mass: float
    diffusion_volume: float


CARRIER_GASES = {
    gas.name: gas
    for gas in (
        CarrierGas("helium", 19.8461e-6, 0.684582, 0.0115515, 4.0026, 2.67),
        CarrierGas("hydrogen", 8.90003e-6, 0.690699, 0.00577502, 2.01588, 6.12),
        CarrierGas("nitrogen", 17.8037e-6, 0.770249, -0.0631607, 28.0134, 18.5),
        CarrierGas("argon", 22.6233e-6, 0.83201, -0.0761386, 39.948, 16.2),
    )
}


def carrier_gas(name: str) -> CarrierGas:
    """The gas of that name.

    Raises
    ------
    InvalidInputError : for a gas whose viscosity is not known here
    """
    try:
        return CARRIER_GASES[name]
    except KeyError:
        known = ", ".join(CARRIER_GASES)
        raise InvalidInputError(f"no carrier gas named {name!r}; known are {known}") from None


def viscosity(gas: CarrierGas, T: Array | float) -> Array:
    """Dynamic viscosity [Pa s] at temperature T [K], any shape; eq. [1], valid 0-400 °C."""
    x = np.log(np.asarray(T, dtype=float) / 298.15)
    return gas.viscosity_25C * np.exp(x * (gas.exponent + gas.curvature * x))


def diffusion_constant(gas: CarrierGas, molar_mass: Array | float, diffusion_volume: Array | float) -> Array:
    """The constant D p / T^1.75 of a vapour in a carrier gas; eq. [2].

    Parameters
    ----------
    molar_mass : array  [g/mol], of the vapour
    diffusion_volume : array of the same shape  [-], sum of the atomic volumes of the vapour

    Returns
    -------
    array of the same shape  [m2 Pa / (s K^1.75)]
    """
    molar_mass = np.asarray(molar_mass, dtype=float)
    mean_mass = 2.0 / (1.0 / molar_mass + 1.0 / gas.molar_mass)
    size = np.cbrt(diffusion_volume) + np.cbrt(gas.diffusion_volume)
    cm2_bar = 0.00143 / (np.sqrt(mean_mass) * size**2)
    result: Array = cm2_bar * 1e-4 * 1e5
    return result


def diffusion(constant: Array | float, T: Array | float, pressure: Array | float) -> Array:
    """Diffusion coefficient [m2/s] from `diffusion_constant`, temperature [K] and pressure [Pa]; eq. [2]."""
    return np.asarray(constant) * np.asarray(T, dtype=float) ** DIFFUSION_TEMPERATURE_EXPONENT / pressure
