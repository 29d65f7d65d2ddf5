"""Peaks without names get the right ones, and doubt where there is reason for it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from benchmarks.scouting import NOMINAL, Mixture, scouted
from models.column.programs import CarrierProgram, OvenProgram, Program
from models.fit.matching import Matching, UnnamedRun, match_expected, match_peaks


@pytest.fixture(scope="module")
def mixture() -> Mixture:
    return scouted(16, (4.0, 12.0, 40.0), 10)


def unnamed(mixture: Mixture, r: int, order: np.ndarray, areas: bool = True) -> UnnamedRun:
    run = mixture.runs[r]
    area = mixture.areas[r][order] if areas else np.full(order.size, np.nan)
    return UnnamedRun(run.name, run.program, run.retention[order], area)


def matched(mixture: Mixture, runs: list[UnnamedRun], areas: bool = True) -> tuple[Matching, ...]:
    named = replace(mixture.runs[0], area=mixture.areas[0] if areas else None)
    return match_peaks(NOMINAL, named, runs)


def test_names_are_found_whatever_order_the_peaks_are_in(mixture: Mixture) -> None:
    rng = np.random.default_rng(1)
    orders = [rng.permutation(16), rng.permutation(16)]
    crossed = [np.argsort(run.retention) for run in mixture.runs]
    assert not np.array_equal(crossed[0], crossed[2])  # "first with first" would be wrong
    found = matched(mixture, [unnamed(mixture, 1, orders[0]), unnamed(mixture, 2, orders[1])])
    for matching, order in zip(found, orders, strict=True):
        np.testing.assert_array_equal(matching.compound, order)
        assert np.all(matching.confidence > 0.5)
        assert np.mean(matching.confidence) > 0.9


def test_a_second_unnamed_run_sharpens_the_first(mixture: Mixture) -> None:
    order = np.arange(16)
    (alone,) = matched(mixture, [unnamed(mixture, 1, order)])
    with_other, _ = matched(mixture, [unnamed(mixture, 1, order), unnamed(mixture, 2, order)])
    assert np.median(with_other.error) < 0.7 * np.median(alone.error)


def test_a_stray_peak_stays_without_a_name_and_a_missing_one_is_not_made_up(mixture: Mixture) -> None:
    order = np.delete(np.arange(16), 7)
    run = unnamed(mixture, 1, order)
    stray = float(run.retention[3] + 0.4 * (run.retention[4] - run.retention[3]))
    run = replace(
        run, retention=np.append(run.retention, stray), area=np.append(run.area, 30 * run.area.max())
    )
    (matching,) = matched(mixture, [run])
    np.testing.assert_array_equal(matching.compound, [*order, -1])


def test_without_areas_like_peaks_are_doubtful() -> None:
    """Two compounds that leave together in both runs: only areas can tell them apart."""
    mixture = scouted(12, (4.0, 12.0), 3)
    runs = list(mixture.runs)
    for r in (0, 1):
        time = runs[r].retention.copy()
        time[5] = time[4] + 1.5
        runs[r] = replace(runs[r], retention=time)
    areas = mixture.areas.copy()
    areas[:, 5] = 6 * areas[:, 4]
    mixture = replace(mixture, runs=tuple(runs), areas=areas)
    order = np.arange(12)
    (blind,) = matched(mixture, [unnamed(mixture, 1, order, areas=False)], areas=False)
    (seeing,) = matched(mixture, [unnamed(mixture, 1, order)])
    assert np.all(blind.confidence[[4, 5]] < 0.7)
    assert set(blind.rival[[4, 5]]) <= {4, 5}
    np.testing.assert_array_equal(seeing.compound[[4, 5]], [4, 5])
    assert np.all(seeing.confidence[[4, 5]] > 0.95)


def test_another_amount_injected_changes_nothing(mixture: Mixture) -> None:
    order = np.arange(16)
    run = unnamed(mixture, 1, order)
    (found,) = matched(mixture, [replace(run, area=7.3 * run.area)])
    np.testing.assert_array_equal(found.compound, order)


def test_a_run_that_is_off_as_a_whole_is_matched_to_where_its_compounds_are_expected() -> None:
    """Thirty compounds, all 1.2 % and 3 s late, some closer than that, two missing and a stray peak."""
    random = np.random.default_rng(8)
    expected = 100 + np.cumsum(random.uniform(4.0, 40.0, 30))
    area = np.exp(random.normal(0, 0.6, 30))
    found = expected * 1.012 + 3.0 + random.normal(0, 0.15, 30)
    shift = found - expected
    assert np.median(shift) > np.diff(expected).min()
    seen = np.delete(np.arange(30), [7, 21])
    times = np.append(found[seen], 333.0)
    areas = np.append(1.3 * area[seen] * np.exp(random.normal(0, 0.05, 28)), 0.4)
    order = np.argsort(times)
    truth = np.append(seen, -1)[order]
    program = Program(OvenProgram(350.0), CarrierProgram("flow", 2e-8))
    run = UnnamedRun("late", program, times[order], areas[order], repeatability=0.2)
    matching = match_expected(run, area, expected, 0.012 * expected + 3.0)
    np.testing.assert_array_equal(matching.compound, truth)
    assert np.median(matching.confidence) > 0.99
    alone = match_expected(replace(run, area=np.full(29, np.nan)), None, expected, 0.012 * expected + 3.0)
    assert np.mean(alone.compound == truth) > 0.9


def test_four_sure_peaks_show_that_a_run_is_late() -> None:
    """Two compounds 4 s apart, a single peak and a run 4 s late: it is that of the first of the two."""
    expected = np.array([100.0, 200.0, 300.0, 400.0, 500.0, 504.0])
    times = np.array([104.0, 204.0, 304.0, 404.0, 504.0])
    unknown = np.full(5, np.nan)
    program = Program(OvenProgram(350.0), CarrierProgram("flow", 2e-8))
    matching = match_expected(UnnamedRun("late", program, times, unknown), None, expected, np.full(6, 5.0))
    np.testing.assert_array_equal(matching.compound, np.arange(5))
