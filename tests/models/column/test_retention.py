"""Retention against temperature: parameters, their other forms, and thermodynamics."""

from __future__ import annotations

import numpy as np
import pytest

from models.column.retention import (
    Retention,
    coefficients,
    enthalpy,
    entropy,
    from_coefficients,
    joined,
    ln_retention_factor,
    scaled_to_phase_ratio,
    shifted,
    with_typical_values,
)
from models.errors import InvalidInputError
from models.units import GAS_CONSTANT

RETENTION = Retention(
    np.array([330.0, 410.0, 520.0, 610.0]),
    np.array([24.0, 29.5, 34.0, 41.0]),
    np.array([40.0, 85.0, 0.0, 130.0]),
)
T = np.linspace(300.0, 620.0, 33)


def test_definitions_at_T0() -> None:
    """k = 1 there, and -dT/d ln k is theta (central difference)."""
    h = 1e-3
    above, at, below = (np.diag(ln_retention_factor(RETENTION, RETENTION.T0 + d)) for d in (h, 0.0, -h))
    np.testing.assert_allclose(at, 0.0, atol=1e-12)
    np.testing.assert_allclose(-2 * h / (above - below), RETENTION.theta, rtol=1e-8)


def test_three_term_form_is_the_same_curve() -> None:
    A, B, C = coefficients(RETENTION)
    by_terms = A + B / T[:, None] + C * np.log(T)[:, None]
    np.testing.assert_allclose(by_terms, ln_retention_factor(RETENTION, T), atol=1e-10)


def test_coefficients_and_back() -> None:
    back = from_coefficients(*coefficients(RETENTION))
    for name in ("T0", "theta", "dCp"):
        np.testing.assert_allclose(getattr(back, name), getattr(RETENTION, name), rtol=1e-9, atol=1e-9)


def test_enthalpy_is_the_slope_of_ln_k_in_inverse_temperature() -> None:
    """van 't Hoff: d ln k/d(1/T) = dH/R at every temperature."""
    x, h = 1 / 430.0, 1e-8
    slope = (ln_retention_factor(RETENTION, 1 / (x + h)) - ln_retention_factor(RETENTION, 1 / (x - h))) / (
        2 * h
    )
    np.testing.assert_allclose(GAS_CONSTANT * slope, enthalpy(RETENTION, 430.0), rtol=1e-7)


def test_heat_capacity_is_minus_the_slope_of_enthalpy() -> None:
    slope = (enthalpy(RETENTION, 431.0) - enthalpy(RETENTION, 429.0)) / 2
    np.testing.assert_allclose(-slope, RETENTION.dCp, atol=1e-9)


def test_entropy_and_enthalpy_give_k_back() -> None:
    """ln k = dH/(R T) - dS/R - ln(phase ratio) with k = 1 at T0."""
    ln_k = enthalpy(RETENTION) / (GAS_CONSTANT * RETENTION.T0) - entropy(RETENTION, 250.0) / GAS_CONSTANT
    np.testing.assert_allclose(ln_k - np.log(250.0), 0.0, atol=1e-12)


def test_retention_factor_goes_as_the_inverse_phase_ratio() -> None:
    thick = scaled_to_phase_ratio(RETENTION, 250.0, 100.0)
    ratio = np.exp(ln_retention_factor(thick, T) - ln_retention_factor(RETENTION, T))
    np.testing.assert_allclose(ratio, 2.5, rtol=1e-9)
    assert np.all(thick.T0 > RETENTION.T0)


def test_retention_falls_with_temperature_for_typical_compounds() -> None:
    assert np.all(np.diff(ln_retention_factor(with_typical_values(np.linspace(300, 650, 20)), T), axis=0) < 0)


def test_joined_and_shifted() -> None:
    moved = shifted(RETENTION, T0=1.0, ln_theta=np.log(2.0), dCp=-5.0)
    both = joined(RETENTION, moved)
    assert len(both) == 8
    np.testing.assert_allclose(both.T0[4:], RETENTION.T0 + 1)
    np.testing.assert_allclose(both.theta[4:], RETENTION.theta * 2)
    np.testing.assert_allclose(both.dCp[4:], RETENTION.dCp - 5)


def test_impossible_parameters_are_refused() -> None:
    with pytest.raises(InvalidInputError, match="one value for each"):
        Retention(np.array([400.0]), np.array([30.0, 31.0]), np.array([50.0]))
    with pytest.raises(InvalidInputError, match="fall with temperature"):
        from_coefficients(np.array([10.0]), np.array([-4000.0]), np.array([0.0]))
