"""Labels never overlap and stray no further than they must."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import minimize

from optimizer.show.pictures.label_placement import shortened, spaced, thinned


@pytest.mark.parametrize("count", [1, 2, 14, 30, 60])
def test_spacing_holds_for_crowded_places(count: int) -> None:
    rng = np.random.default_rng(count)
    for _ in range(50):
        places = np.sort(rng.choice([rng.uniform(0, 500, count), rng.normal(250, 5, count)]))
        sizes = rng.uniform(5, 8, count)
        got = spaced(places, sizes, 0.0, 500.0)
        assert np.all(np.diff(got) >= (sizes[1:] + sizes[:-1]) / 2 - 1e-9)
        assert got[0] >= sizes[0] / 2 - 1e-9
        assert got[-1] <= 500 - sizes[-1] / 2 + 1e-9


def test_displacement_is_the_least_possible() -> None:
    """Against a general optimiser of the same squared displacements."""
    rng = np.random.default_rng(4)
    for _ in range(10):
        places, sizes = np.sort(rng.uniform(0, 60, 8)), rng.uniform(4, 8, 8)
        got = spaced(places, sizes, 0.0, 70.0)
        apart = (sizes[1:] + sizes[:-1]) / 2
        limits = [
            {"type": "ineq", "fun": lambda x, apart=apart: np.diff(x) - apart},
            {"type": "ineq", "fun": lambda x, size=sizes[0]: x[0] - size / 2},
            {"type": "ineq", "fun": lambda x, size=sizes[-1]: 70.0 - size / 2 - x[-1]},
        ]
        best = minimize(
            lambda x, places=places: np.sum((x - places) ** 2), got, constraints=limits, method="SLSQP"
        )
        assert np.sum((got - places) ** 2) == pytest.approx(best.fun, rel=1e-5, abs=1e-9)


def test_free_labels_stay_where_they_are() -> None:
    places = np.array([10.0, 40.0, 90.0])
    assert spaced(places, np.full(3, 8.0), 0.0, 100.0) == pytest.approx(places)
    assert spaced(np.array([]), np.array([]), 0.0, 1.0).shape == (0,)


def test_too_many_are_squeezed_evenly() -> None:
    got = spaced(np.full(10, 20.0), np.full(10, 8.0), 0.0, 40.0)
    assert np.diff(got) == pytest.approx(np.full(9, 4.0))
    assert (got[0], got[-1]) == pytest.approx((2.0, 38.0))


def test_names_are_cut_to_one_line() -> None:
    assert shortened("a  b\nc", 10) == "a b c"
    assert shortened("x" * 40, 10) == "x" * 6 + "…" + "x" * 3
    long = "4-(dimethylamino)-2,6-dichlorobenzaldehyde oxime"
    assert shortened(f"{long} 1", 34) != shortened(f"{long} 2", 34)
    assert len(shortened(f"{long} 2", 34)) <= 34


def test_thinning_keeps_what_must_be_seen() -> None:
    assert thinned(5, 9, [2]) == [0, 1, 2, 3, 4]
    chosen = thinned(100, 20, [41, 42])
    assert len(chosen) == 20
    assert {41, 42} <= set(chosen)
    assert chosen == sorted(chosen)
