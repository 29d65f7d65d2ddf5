"""Wrong peaks are named with what would mend them; right ones are left in peace. Data from the engine, with noise."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from benchmarks.scouting import NOMINAL, scouted
from models.fit.compound_fits import NEVER
from models.fit.diagnosis import description
from models.fit.fit import Fit, Run
from models.fit.fitting import fit_retention
from models.fit.named_peaks import peaks_of
from models.fit.odds import slip_of

NAMES = tuple(f"c{m + 1}" for m in range(12))
RATES = (3.0, 10.0, 40.0)


def runs_of(count: int, areas: bool = False) -> list[Run]:
    mixture = scouted(len(NAMES), RATES[-count:], 7)
    return [
        replace(run, area=area if areas else None)
        for run, area in zip(mixture.runs, mixture.areas, strict=True)
    ]


def with_time(runs: list[Run], r: int, m: int, seconds: float) -> list[Run]:
    retention = runs[r].retention.copy()
    retention[m] = seconds
    return [*runs[:r], replace(runs[r], retention=retention), *runs[r + 1 :]]


def exchanged(runs: list[Run], r: int, a: int, b: int) -> list[Run]:
    order = np.arange(len(NAMES))
    order[[a, b]] = b, a
    run = runs[r]
    area = None if run.area is None else run.area[order]
    return [*runs[:r], replace(run, retention=run.retention[order], area=area), *runs[r + 1 :]]


def fitted(runs: list[Run]) -> Fit:
    return fit_retention(NOMINAL, runs, NAMES)


@pytest.mark.parametrize("count", [2, 3])
@pytest.mark.parametrize("areas", [False, True])
def test_right_peaks_are_not_suspected(count: int, areas: bool) -> None:
    assert fitted(runs_of(count, areas)).suspects == ()


@pytest.mark.parametrize("r", [0, 1, 2])
def test_of_three_runs_the_one_with_exchanged_peaks_is_named(r: int) -> None:
    fit = fitted(exchanged(runs_of(3), r, 5, 6))
    assert [(s.kind, {s.compound, s.partner}, s.run, s.other_run) for s in fit.suspects] == [
        ("swapped", {5, 6}, r, None)
    ]
    text = next(text for text in fit.warnings if "seem swapped" in text)
    for part in ("c6", "c7", "standard deviations", "exchanged both fit"):
        assert part in text
    assert not any("implausible" in text or "off the fit" in text for text in fit.warnings)


def test_a_compound_that_would_not_elute_in_a_run_has_no_expected_time_there() -> None:
    suspect = fitted(exchanged(runs_of(3), 0, 5, 6)).suspects[0]
    text = description(replace(suspect, expected=NEVER), ["first", "second", "third"], NAMES)
    assert "would not elute in this run" in text
    assert "e+0" not in text


def test_of_two_runs_neither_can_be_named_alone() -> None:
    fit = fitted(exchanged(runs_of(2), 1, 5, 6))
    (suspect,) = fit.suspects
    assert (suspect.kind, {suspect.compound, suspect.partner}) == ("swapped", {5, 6})
    assert {suspect.run, suspect.other_run} == {0, 1}
    assert any("two runs cannot tell which" in text for text in fit.warnings)


def test_areas_show_an_exchange_that_times_hide() -> None:
    """Two runs and peaks close together: only the areas know, and nothing is said without them."""
    plain, known = runs_of(2), runs_of(2, areas=True)
    for runs in (plain, known):
        runs[1] = replace(runs[1], retention=runs[1].retention.copy())
        runs[1].retention[6] = runs[1].retention[5] + 2.5
    area = [run.area.copy() for run in known if run.area is not None]
    for values in area:
        values[6] = 5 * values[5]
    known = [replace(run, area=values) for run, values in zip(known, area, strict=True)]
    assert all({s.compound, s.partner} != {5, 6} for s in fitted(exchanged(plain, 1, 5, 6)).suspects)
    assert any(
        s.kind == "swapped" and {s.compound, s.partner} == {5, 6}
        for s in fitted(exchanged(known, 1, 5, 6)).suspects
    )


def test_two_digits_exchanged_are_undone() -> None:
    runs = runs_of(3)
    text = f"{runs[1].retention[4] / 60:.3f}"
    whole, part = text.split(".")
    typed = f"{whole}.{part[1]}{part[0]}{part[2]}"
    assert abs(float(typed) - float(text)) * 60 > 5  # else the mixture does not suit this test
    fit = fitted(with_time(runs, 1, 4, float(typed) * 60))
    (suspect,) = fit.suspects
    assert (suspect.compound, suspect.run, suspect.kind) == (4, 1, "mistyped")
    assert suspect.intended == pytest.approx(float(text) * 60, abs=0.06)
    assert suspect.seconds == pytest.approx((float(typed) - float(text)) * 60, abs=2)


def test_a_peak_of_another_compound_is_told_from_an_exchange() -> None:
    runs = runs_of(3, areas=True)
    changed = with_time(runs, 1, 4, 0.5 * (runs[1].retention[4] + runs[1].retention[5]) + 3.0)
    area = changed[1].area
    assert area is not None
    area = area.copy()
    area[4] *= 6
    changed[1] = replace(changed[1], area=area)
    (suspect,) = fitted(changed).suspects
    assert (suspect.compound, suspect.run, suspect.kind, suspect.partner) == (4, 1, "foreign", None)
    assert suspect.expected == pytest.approx(runs[1].retention[4], abs=4 * suspect.expected_error)


def test_a_peak_under_the_name_of_a_compound_that_this_run_lacks() -> None:
    runs = runs_of(3)
    true = runs[1].retention[6]
    changed = with_time(with_time(runs, 1, 5, true), 1, 6, np.nan)
    (suspect,) = fitted(changed).suspects
    assert (suspect.kind, suspect.compound, suspect.partner, suspect.run) == ("misnamed", 5, 6, 1)


def test_one_grossly_wrong_peak_leaves_the_others_alone() -> None:
    """Minutes off: it drags the joint flow, and still only it is named."""
    runs = runs_of(3)
    fit = fitted(with_time(runs, 0, 8, runs[0].retention[8] + 240.0))
    assert [(s.compound, s.run) for s in fit.suspects] == [(8, 0)]


def test_a_wrong_run_is_not_blamed_on_single_peaks() -> None:
    """Every peak of a run 8 % late: the program of the run is wrong, not its peaks."""
    runs = runs_of(3)
    late = replace(runs[1], retention=1.08 * runs[1].retention)
    assert fitted([runs[0], late, runs[2]]).suspects == ()


def test_where_all_times_scatter_more_than_stated_the_peak_that_stands_out_is_named_first() -> None:
    """All scatter by 2 s where 0.15 s is stated: that is the same for all, and one is 90 s late."""
    true, others = runs_of(3), 0
    for seed in range(1, 7):
        random = np.random.default_rng(seed)
        runs = [
            replace(run, retention=run.retention + random.normal(0.0, 2.0, len(NAMES)), repeatability=0.15)
            for run in true
        ]
        suspect, *more = fitted(with_time(runs, 1, 4, runs[1].retention[4] + 90.0)).suspects
        assert (suspect.compound, suspect.run) == (4, 1)
        assert suspect.expected == pytest.approx(true[1].retention[4], abs=10.0)
        others += len(more)
    assert others < 0.1 * 6 * 33  # of the peaks that scatter as all do


def test_areas_of_two_compounds_tell_nothing() -> None:
    """What the areas of a run have in common takes three compounds to see."""
    times, areas = np.full((2, 4), 60.0), np.array([[1.0, 2.0, 3.0, 4.0], [2.0, 4.0, 6.0, 8.0]])
    assert np.isfinite(peaks_of(times, 0.1 * times, areas).ln_area).all()
    areas[0, 2:] = np.nan
    assert np.isnan(peaks_of(times, 0.1 * times, areas).ln_area).all()


def test_slips_of_typing() -> None:
    # 12.43 for 12.34, expected at 12.341 +- 0.01 min
    slip = slip_of(12.43 * 60, 12.341 * 60, 0.6)
    assert slip.time == pytest.approx(12.34 * 60)
    # the point one place off
    far = slip_of(1.234 * 60, 12.341 * 60, 0.6)
    assert far.time == pytest.approx(12.34 * 60)
    # where the expected time is as uncertain as this, several slips come near it, and none stands out
    vague = slip_of(17.34 * 60, 12.6 * 60, 30.0)
    assert vague.time is None
    assert vague.ln_density < slip.ln_density - 3
    # no single slip leads there
    assert slip_of(12.43 * 60, 9.87 * 60, 0.6).ln_density < -50


def test_a_compound_without_a_peak_where_another_has_a_wrong_one() -> None:
    """Gaps in the tables beside a wrong peak: no finding may rest on a peak that is not there."""
    runs = runs_of(3)
    gaps = with_time(with_time(with_time(runs, 1, 3, np.nan), 2, 8, np.nan), 0, 6, np.nan)
    assert fitted(gaps).suspects == ()
    suspects = fitted(exchanged(gaps, 1, 5, 6)).suspects
    assert suspects
    assert all(np.isfinite([s.time, s.seconds, s.sigmas]).all() for s in suspects)
