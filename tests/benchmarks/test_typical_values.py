"""Typical theta and dCp against compounds with published vapour pressures on the phases of the other instrument."""

from __future__ import annotations

from collections.abc import Collection

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.stats import genhyperbolic

from benchmarks.calibration import OWN_CLASSES
from benchmarks.other_instrument import COMPOUNDS, INTERACTION, ln_retention_factor
from models.fit.typical import DCP_BY_LN_THETA, DCP_SPREAD, OFFSET_SPREADS, TAIL, Typical, heavy
from models.units import GAS_CONSTANT

PHASE_RATIO = 250.0
COLDEST = 250.0  # K
HYPERBOLIC = genhyperbolic(1.0, TAIL**2, 0.0, scale=TAIL)


def off_typical(phase: str, kinds: Collection[str]) -> tuple[np.ndarray, np.ndarray]:
    """By how much ln theta, and dCp [J/mol/K] as read off 95 K below where k is one, lie above typical."""
    found = []
    for compound, (kind, *_) in COMPOUNDS.items():
        ln_k = ln_retention_factor(phase, compound, PHASE_RATIO)
        if kind not in kinds or ln_k(COLDEST) < 0:
            continue  # the latter is too volatile to be retained anywhere near a working oven
        T0 = float(brentq(ln_k, COLDEST, 800.0))
        T = np.linspace(T0 - 90.0, T0 + 5.0, 40)
        # ln k = (T0/theta)(T0/T - 1) + (dCp/R)(T0/T - 1 + ln(T/T0)), docs/theory.md, 3
        columns = np.stack([T0 / T - 1, T0 / T - 1 - np.log(T0 / T)], axis=1)
        (slope, curvature), *_ = np.linalg.lstsq(columns, np.array([ln_k(t) for t in T]))
        found.append((T0, np.log(T0 / slope), curvature * GAS_CONSTANT))
    ln_theta, dCp = Typical(PHASE_RATIO).off(np.array(found)).T
    return ln_theta, dCp


@pytest.mark.parametrize("phase", INTERACTION)
def test_typical_values_are_as_far_off_as_the_accuracy_page_says(phase: str) -> None:
    kinds = {kind for kind, *_ in COMPOUNDS.values()}
    ln_theta, dCp = off_typical(phase, kinds)
    typical = Typical(PHASE_RATIO)
    of_theta, own = typical.spreads[0], typical.spreads[1] * typical.own_share[1]
    rms = float(np.sqrt(np.mean(ln_theta**2)))
    assert len(kinds) >= 10
    assert len(ln_theta) >= 100
    assert 0.09 < rms < 0.12 < of_theta
    assert abs(dCp.mean()) < 2
    assert 15 < np.sqrt(np.mean(dCp**2)) < 17
    # As the tails say, and a normal distribution of that spread does not.
    beyond = float(np.mean(np.abs(dCp) > 2 * own))
    assert 0.09 < beyond < 0.14
    assert beyond == pytest.approx(2 * HYPERBOLIC.sf(2.0), abs=0.04)


@pytest.mark.parametrize("phase", INTERACTION)
def test_typical_dCp_of_kinds_that_nothing_was_tuned_on(phase: str) -> None:
    _, dCp = off_typical(phase, OWN_CLASSES)
    assert len(dCp) >= 20
    assert abs(dCp.mean()) < OFFSET_SPREADS[1]
    assert np.mean(np.abs(dCp) > 2 * DCP_SPREAD) < 0.05


def test_distances_from_typical_count_as_under_a_hyperbolic_distribution() -> None:
    """scipy.stats; and the derivative is that of the value."""
    u = np.array([-30.0, -3.0, -0.4, 0.0, 1e-9, 0.1, 2.0, 8.0])
    counted, slope = heavy(u)
    density = HYPERBOLIC.logpdf(u) - HYPERBOLIC.logpdf(0.0)
    np.testing.assert_allclose(-(counted**2) / 2, density, atol=1e-12)
    h = 1e-6
    np.testing.assert_allclose(slope, (heavy(u + h)[0] - heavy(u - h)[0]) / (2 * h), atol=1e-6)


def test_typical_dCp_follows_theta_so_far_only() -> None:
    """`off` undoes `parameters`; a theta a long way off is an unusual compound, of which the rule says nothing."""
    typical, T0 = Typical(PHASE_RATIO), np.array([300.0, 400.0, 500.0])
    off = np.array([[0.1, -9.0], [-0.9, 0.0], [0.0, 40.0]])
    np.testing.assert_allclose(typical.off(typical.parameters(T0, off)), off, atol=1e-12)
    usual = typical.dCp(T0)
    assert typical.dCp(T0, 0.02) - usual == pytest.approx(DCP_BY_LN_THETA * 0.02, rel=0.01)
    assert np.all(typical.dCp(T0, -5.0) - usual < 60.0)
