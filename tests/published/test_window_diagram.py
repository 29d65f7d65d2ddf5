"""The window diagram and the plates a separation needs, against cases worked by hand.

Sources: Laub and Purnell, J. Chromatogr. 112 (1975) 71, for the diagram (their case: k linear in the fraction of one
of two phases that are mixed); Purnell, J. Chem. Soc. (1960) 1268, for the plates. The lines and numbers are our own,
worked out beside each test.
"""

from __future__ import annotations

import numpy as np
import pytest

from models.column.programs import Array
from models.peaks.window_diagram import relative_retention, required_plates, window_diagram

THREE_PAIRS = np.array([(0, 1), (0, 2), (1, 2)], dtype=np.intp)


def test_plates_are_those_of_handbook_arithmetic() -> None:
    """alpha 1.1, k without end, Rs 1.5: 16 x 2.25 x (1.1/0.1)^2 = 36 x 121 = 4356 (from memory, and by hand)."""
    endless = np.array(1e12)
    assert float(required_plates(np.array(1.1), endless, 1.5)) == pytest.approx(4356, rel=1e-9)
    # alpha 1.05, k 4, Rs 1: 16 x 21^2 x (5/4)^2 = 16 x 441 x 25/16 = 11 025.
    assert float(required_plates(np.array(1.05), np.array(4.0), 1.0)) == pytest.approx(11_025, rel=1e-9)
    # alpha 2, k 1, Rs 1.5: 36 x 4 x 4 = 576.
    assert float(required_plates(np.array(2.0), np.array(1.0), 1.5)) == pytest.approx(576, rel=1e-12)


def test_no_plates_separate_what_coelutes_or_is_not_retained() -> None:
    plates = required_plates(np.array([1.0, 1.1]), np.array([5.0, 0.0]), 1.5)
    assert np.all(np.isinf(plates))


def mixed_phases(fraction: Array) -> Array:
    """ln k of three compounds, k linear in the fraction of the second phase: 2 + 2 f, 4 - 2 f and 3 + 6 f.

    A and B meet at f = 1/2 (k = 3), B and C at f = 1/8 (k = 15/4), A and C would at f = -1/4, outside.
    """
    f = np.asarray(fraction)
    return np.log(np.stack([2 + 2 * f, 4 - 2 * f, 3 + 6 * f], axis=-1))


def test_mixed_phases_worked_by_hand() -> None:
    """Three windows over 0 <= f <= 1.

    Order of k by range: f < 1/8: A < C < B; 1/8 < f < 1/2: A < B < C; beyond: B < A < C.

    First, 0 to 1/8: C/A = (3 + 6f)/(2 + 2f) rises from 1.5; B/C = (4 - 2f)/(3 + 6f) falls from 4/3 to 1. The smallest
    is B/C all along; its top lies at the end f = 0, alpha = 4/3.

    Second, 1/8 to 1/2: C/B = (3 + 6f)/(4 - 2f) rises from 1; B/A = (4 - 2f)/(2 + 2f) falls to 1 at f = 1/2. They are
    equal where (4 - 2f)^2 = (3 + 6f)(2 + 2f): 16 - 16f + 4f^2 = 6 + 18f + 12f^2, 4f^2 + 17f - 5 = 0,
    f = (-17 + sqrt(289 + 80))/8 = (-17 + sqrt(369))/8 = 0.2761716...

    Third, 1/2 to 1: A/B = (2 + 2f)/(4 - 2f) rises from 1 to 2; C/A = (3 + 6f)/(2 + 2f) rises from 2 to 2.25. The
    smallest is A/B all along; its top lies at f = 1, alpha = 2: the highest window.
    """
    diagram = window_diagram(mixed_phases, np.linspace(0.0, 1.0, 161), THREE_PAIRS)
    third, second, first = diagram.windows
    assert third.best == pytest.approx(1.0, abs=1e-12)
    assert third.alpha == pytest.approx(2.0, rel=1e-12)
    assert tuple(THREE_PAIRS[third.pair]) == (0, 1)
    assert (third.low, third.high) == (0.5, 1.0)

    f = (-17 + np.sqrt(369)) / 8
    assert second.best == pytest.approx(f, abs=1e-8)
    assert second.alpha == pytest.approx((4 - 2 * f) / (2 + 2 * f), rel=1e-7)
    assert (second.low, second.high) == (0.125, 0.5)

    assert first.best == pytest.approx(0.0, abs=1e-12)
    assert first.alpha == pytest.approx(4 / 3, rel=1e-12)
    assert tuple(THREE_PAIRS[first.pair]) == (1, 2)
    assert (first.low, first.high) == (0.0, 0.125)

    # At the bottom of each window a pair coelutes.
    at = [int(np.abs(diagram.values - f).argmin()) for f in (0.125, 0.5)]
    assert diagram.smallest[at] == pytest.approx(1.0, abs=1e-12)
    assert [tuple(THREE_PAIRS[pair]) for pair in diagram.critical[at]] == [(1, 2), (0, 1)]


def test_straight_lines_of_ln_k_against_reciprocal_temperature_worked_by_hand() -> None:
    """x = 1000 K/T from 2 to 3; ln k = 2x - 4 (A), 3x - 6.2 (B), 2x - 3.6 (C).

    C over A is 0.4 everywhere. B over A: x - 2.2, zero at x = 2.2; B over C: x - 2.6, zero at x = 2.6. The smallest of
    |x - 2.2|, |x - 2.6| and 0.4 has tops at the ends and half way between the zeros: at x = 2.0: 0.2 (A, B);
    at x = 2.4: 0.2; from x = 3.0 downwards: 0.4 (|x - 2.6| = 0.4, and C over A is 0.4 as well).
    """

    def ln_k(x: Array) -> Array:
        return np.stack([2 * x - 4.0, 3 * x - 6.2, 2 * x - 3.6], axis=-1)

    diagram = window_diagram(ln_k, np.linspace(2.0, 3.0, 101), THREE_PAIRS)
    tops = sorted((window.best, window.alpha) for window in diagram.windows)
    assert [x for x, _ in tops] == pytest.approx([2.0, 2.4, 3.0], abs=1e-6)
    assert [alpha for _, alpha in tops] == pytest.approx([np.exp(0.2), np.exp(0.2), np.exp(0.4)], rel=1e-6)
    assert diagram.windows[0].best == pytest.approx(3.0, abs=1e-6)


def test_relative_retention_is_the_same_in_either_order() -> None:
    ln_k = np.log(np.array([[2.0, 3.0], [3.0, 2.0]]))
    alpha = relative_retention(ln_k, np.array([[0, 1]], dtype=np.intp))
    assert alpha[:, 0] == pytest.approx([1.5, 1.5], rel=1e-12)


def test_a_flat_diagram_is_one_window() -> None:
    """Two compounds whose lines are parallel: alpha is the same everywhere, and the window is the whole range."""

    def ln_k(x: Array) -> Array:
        return np.stack([0.0 * x, 0.0 * x + np.log(1.2)], axis=-1)

    (window,) = window_diagram(ln_k, np.linspace(0.0, 1.0, 11), np.array([[0, 1]], dtype=np.intp)).windows
    assert (window.low, window.high) == (0.0, 1.0)
    assert window.alpha == pytest.approx(1.2, rel=1e-12)
