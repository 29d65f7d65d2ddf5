"""How the retention factor depends on temperature, and the forms its parameters take.

ln k = (dCp/R + T0/theta) (T0/T - 1) + (dCp/R) ln(T/T0)                             [1]
     = A + B/T + C ln T,   the same curve                                            [2]

T0 is the temperature where k = 1, theta = -(dT/d ln k) at T0, dCp the change of heat capacity on evaporation
from the phase. k is proportional to 1/(phase ratio).

[1] Clarke and Glew, Trans. Faraday Soc. 62 (1966) 539 (three-parameter van 't Hoff equation), in the
    parameters of Blumberg and Klee, Anal. Chem. 72 (2000) 4080 (T0 and theta as characteristic values).
[2] Castells, Arancibia and Nardillo, J. Chromatogr. 504 (1990) 45 (the three-term form in gas chromatography).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from models.column.programs import Array
from models.errors import InvalidInputError
from models.units import GAS_CONSTANT, ZERO_CELSIUS


@dataclass(frozen=True)
class Retention:
    """Retention parameters of M compounds on one column.

    Attributes
    ----------
    T0 : (M,) array  [K], temperature at which k = 1
    theta : (M,) array  [K], -(dT/d ln k) at T0
    dCp : (M,) array  [J/mol/K], heat capacity change
    """

    T0: Array
    theta: Array
    dCp: Array

    def __post_init__(self) -> None:
        if not self.T0.shape == self.theta.shape == self.dCp.shape:
            raise InvalidInputError("T0, theta and dCp must have one value for each compound")

    def __len__(self) -> int:
        return int(self.T0.shape[0])

    def __getitem__(self, which: slice | Array | NDArray[np.intp]) -> Retention:
        return Retention(self.T0[which], self.theta[which], self.dCp[which])


def ln_retention_factor(retention: Retention, T: Array) -> Array:
    """ln k at temperatures T of shape (...,) [K]: array of shape (..., M); eq. [1]."""
    ratio = retention.T0 / np.asarray(T, dtype=float)[..., None]
    c = retention.dCp / GAS_CONSTANT
    result: Array = (c + retention.T0 / retention.theta) * (ratio - 1) - c * np.log(ratio)
    return result


def coefficients(retention: Retention) -> tuple[Array, Array, Array]:
    """A [-], B [K], C [-] of eq. [2], each of shape (M,)."""
    c = retention.dCp / GAS_CONSTANT
    slope = c + retention.T0 / retention.theta
    return -slope - c * np.log(retention.T0), slope * retention.T0, c


def from_coefficients(A: Array, B: Array, C: Array) -> Retention:
    """Retention parameters from the coefficients of eq. [2], each of shape (M,).

    T0 solves A + B/T + C ln T = 0 by Newton's method in 1/T, in which the curve is nearly straight.

    Raises
    ------
    InvalidInputError : when retention does not fall with temperature at T0, or no T0 is found
    """
    A, B, C = (np.asarray(value, dtype=float) for value in (A, B, C))
    x = np.full(A.shape, 1 / 400.0)
    for _ in range(100):
        step = (A + B * x - C * np.log(x)) / (B - C / x)
        x = np.clip(x - step, x / 2, x * 2)
        if np.all(np.abs(step) <= 1e-15 * x):
            break
    T0 = 1 / x
    steepness = B / T0 - C  # = T0/theta
    if np.any(~np.isfinite(T0)) or np.any(steepness <= 0):
        raise InvalidInputError("retention must fall with temperature where k = 1")
    return Retention(T0, T0 / steepness, C * GAS_CONSTANT)


def enthalpy(retention: Retention, T: Array | float | None = None) -> Array:
    """Enthalpy of evaporation from the phase [J/mol] at T [K], shape (M,); at T0 when T is None.

    dH(T) = R T0^2/theta - dCp (T - T0), from d ln k/d(1/T) = dH/R (van 't Hoff).
    """
    at = retention.T0 if T is None else np.asarray(T, dtype=float)
    return GAS_CONSTANT * retention.T0**2 / retention.theta - retention.dCp * (at - retention.T0)


def entropy(retention: Retention, phase_ratio: float) -> Array:
    """Entropy of evaporation from the phase [J/mol/K] at T0, shape (M,).

    From ln k = dH/(R T) - dS/R - ln(phase ratio), concentrations in both phases on the same scale.
    """
    result: Array = enthalpy(retention) / retention.T0 - GAS_CONSTANT * np.log(phase_ratio)
    return result


def scaled_to_phase_ratio(retention: Retention, old: float, new: float) -> Retention:
    """The same compounds on a column of the same phase and another phase ratio: k_new = k_old old/new."""
    A, B, C = coefficients(retention)
    return from_coefficients(A + np.log(old / new), B, C)


def typical_theta(T0: Array, phase_ratio: float = 250.0) -> Array:
    """Typical theta [K] at T0 [K], about +-15 %: 22 K (T0/273.15)^0.7 at a phase ratio of 250.

    A thicker film raises T0 and, as measured by Blumberg and Klee (Anal. Chem. 72 (2000) 4080), theta with
    it: 100 times the film doubles theta, which is the exponent ln 2/ln 100 used here.
    """
    film = (250.0 / phase_ratio) ** (np.log(2) / np.log(100))
    result: Array = 22.0 * (np.asarray(T0, dtype=float) / ZERO_CELSIUS) ** 0.7 * film
    return result


def typical_dCp(T0: Array) -> Array:
    """Typical heat capacity change [J/mol/K] at T0 [K] of a compound with typical theta; for want of a measured one.

    Of 101 compounds with published vapour pressures (tests/benchmarks/test_typical_values.py), which say nothing below
    273 K: from there it falls to nought at 100 K, as gases hardly condense.
    """
    above = np.asarray(T0, dtype=float) - 273.0
    result: Array = 80.0 + np.minimum(0.13 * above, 80.0 / 173.0 * above)
    return result


def with_typical_values(T0: Array, phase_ratio: float = 250.0) -> Retention:
    """Retention parameters from T0 alone."""
    T0 = np.asarray(T0, dtype=float)
    return Retention(T0, typical_theta(T0, phase_ratio), typical_dCp(T0))


def joined(*parts: Retention) -> Retention:
    """Several sets of compounds as one, in the order given."""
    return Retention(
        np.concatenate([part.T0 for part in parts]),
        np.concatenate([part.theta for part in parts]),
        np.concatenate([part.dCp for part in parts]),
    )


UNRETAINED = Retention(np.array([60.0]), np.array([4.0]), np.array([0.0]))  # k < 1e-5 above room temperature

# Steps of T0 [K], ln theta [-] and dCp [J/mol/K] for derivatives: far above rounding, far below curvature.
PARAMETER_STEPS = np.array([0.02, 5e-4, 0.2])


def shifted(
    retention: Retention, T0: Array | float = 0.0, ln_theta: Array | float = 0.0, dCp: Array | float = 0.0
) -> Retention:
    """The parameters moved by additions to T0 [K], ln theta [-] and dCp [J/mol/K]."""
    return replace(
        retention,
        T0=retention.T0 + T0,
        theta=retention.theta * np.exp(ln_theta),
        dCp=retention.dCp + dCp,
    )
