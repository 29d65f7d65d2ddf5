"""Retention on a nonpolar phase from vapour pressures: independent of any measured retention.

A dilute ideal solution (Raoult's law with an activity coefficient the same for all compounds and temperatures) has
k = scale x T/p(T), p the vapour pressure of the pure liquid. ln k = A + B/T + C ln T is fitted to it by least squares.

Sources: `vapour_pressure.csv`, recommended values with the correlation named in each line; `nalkane_cox.csv`, Ruzicka
and Majer, J. Phys. Chem. Ref. Data 23 (1994) 1 (parameters from memory, checked there against other correlations).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from models.column.retention import Retention, from_coefficients, joined, ln_retention_factor
from models.units import kelvin
from tests.published.tables import rows

Array = NDArray[np.float64]


def tabulated_pressures(compound: str) -> tuple[Array, Array]:
    """Temperatures [K] and vapour pressures [Pa] of the liquid."""
    table = [
        row
        for row in rows("vapour_pressure")
        if row["compound"] == compound and row["p_recommended_Pa"] and row["below_Tm"] == "False"
    ]
    return (
        kelvin(np.array([float(row["T_C"]) for row in table])),
        np.array([float(row["p_recommended_Pa"]) for row in table]),
    )


def cox_pressure(compound: str, T: Array) -> Array:
    """Vapour pressure [Pa] of an n-alkane at T [K]: ln(p/101325 Pa) = (1 - T0/T) exp(A0 + A1 T + A2 T^2)."""
    row = next(row for row in rows("nalkane_cox") if row["compound"] == compound)
    T0, A0, A1, A2 = (float(row[key]) for key in ("T0_K", "A0", "A1", "A2"))
    result: Array = 101325.0 * np.exp((1 - T0 / T) * np.exp(A0 + A1 * T + A2 * T**2))
    return result


def fitted(T: Array, pressure: Array, ln_scale: float = 0.0) -> tuple[Retention, float]:
    """Retention of one compound with k = exp(ln_scale) T/p, and the largest misfit of ln k."""
    ln_k = ln_scale + np.log(T / pressure)
    terms = np.stack([np.ones_like(T), 1 / T, np.log(T)], axis=1)
    (A, B, C), *_ = np.linalg.lstsq(terms, ln_k, rcond=None)
    retention = from_coefficients(np.array([A]), np.array([B]), np.array([C]))
    misfit = float(np.abs(ln_retention_factor(retention, T)[:, 0] - ln_k).max())
    return retention, misfit


def ln_scale_for(k: float, T: float, pressure: float) -> float:
    """ln of the scale that gives a compound of vapour pressure p [Pa] a retention factor k at T [K]."""
    return float(np.log(k * pressure / T))


def from_tables(compounds: Sequence[str], ln_scale: float) -> Retention:
    """Retention of several compounds from their tabulated vapour pressures."""
    return joined(*(fitted(*tabulated_pressures(compound), ln_scale)[0] for compound in compounds))
