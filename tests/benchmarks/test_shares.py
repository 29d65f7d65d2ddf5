"""Shares and their intervals, against closed forms and a simulation."""

from __future__ import annotations

import re
from math import sqrt

import numpy as np
import pytest

from benchmarks.shares import rms_by_group, share, share_by_group


def numbers(text: str) -> list[float]:
    return [float(each) for each in re.findall(r"[\d.]+", text)]


@pytest.mark.parametrize(("good", "tried"), [(9, 10), (0, 20), (57, 60), (300, 300)])
def test_wilsons_interval_solves_its_equation(good: int, tried: int) -> None:
    """Its ends p are where (good/tried - p)^2 = z^2 p (1 - p)/tried, E. B. Wilson 1927."""
    z, f = 1.959964, good / tried
    middle, half = f + z * z / 2 / tried, z * sqrt(f * (1 - f) / tried + (z / 2 / tried) ** 2)
    ends = [(middle - half) / (1 + z * z / tried), (middle + half) / (1 + z * z / tried)]
    assert numbers(share(good, tried)) == pytest.approx(
        [100 * f, *(100 * each for each in ends)], rel=5e-3, abs=1e-9
    )


def test_no_trial_has_no_share() -> None:
    assert share(0, 0) == "-"
    assert share_by_group([np.zeros(0, dtype=bool)]) == "-"


def test_groups_that_stand_and_fall_together_count_as_one_trial_each() -> None:
    alike = [np.full(20, number < 30) for number in range(40)]
    shown, low, high = numbers(share_by_group(alike))
    assert shown == 75
    apart = sqrt(0.75 * 0.25 / 40) * 100
    assert (high - low) / 2 == pytest.approx(1.96 * apart, rel=0.15)


def test_where_all_agree_the_groups_bound_what_can_be_said() -> None:
    assert share_by_group([np.ones(20, dtype=bool)] * 40) == share(40, 40)
    assert share_by_group([np.zeros(20, dtype=bool)] * 40) == share(0, 40)


def test_a_root_mean_square_has_the_interval_of_its_chi_square() -> None:
    """400 normal deviates, each a group of its own: chi-square of as many degrees of freedom, R. A. Fisher 1925."""
    z = np.random.default_rng(3).normal(0.0, 2.0, 400)
    shown, low, high = numbers(rms_by_group([np.array([each]) for each in z]))
    assert shown == pytest.approx(float(np.sqrt(np.mean(z**2))), abs=0.006)
    half = 1.96 * 2.0 / sqrt(2 * 400)
    assert (high - low) / 2 == pytest.approx(half, rel=0.2)
