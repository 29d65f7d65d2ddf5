"""What is said of how sure a program is: shares of draws, intervals, critical set points, bands on the chromatogram."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest
from numpy.typing import NDArray

from benchmarks.mixtures import mixture
from models.column.programs import CarrierProgram, OvenProgram, Program, Ramp, batch_of
from models.units import flow_si, kelvin
from optimizer.base.numbers import percent
from optimizer.base.tables import document_of
from optimizer.goal.goal import Problem, end_of_peak
from optimizer.goal.outcome import Candidate, Prediction
from optimizer.goal.predict import predict
from optimizer.goal.reliability import Failure, Reliability, SetPointTolerance, Source
from optimizer.goal.uncertainty import SOURCE_TEXTS, exact_peaks, sources_of, with_uncertainty
from optimizer.results.documents import check_document
from optimizer.results.plot_data import chromatogram_data
from optimizer.results.prediction import peak_documents
from optimizer.results.reliability import (
    critical_line,
    judged_text,
    reliability_text,
    risks,
)
from optimizer.scenario.data import PairRule
from optimizer.scenario.instrument_data import Tolerances
from optimizer.search.reasons import risk_warnings
from optimizer.search.set_point_tolerances import moved_together, set_point_tolerances
from optimizer.show.pictures.chromatograms import BAND_NOTE, band_caption, chromatogram_figure

PROGRAM = Program(
    OvenProgram(kelvin(50.0), 30.0, (Ramp(10 / 60, kelvin(160.0), 30.0), Ramp(20 / 60, kelvin(320.0), 0.0))),
    CarrierProgram("flow", float(flow_si(1.4))),
)
WHY = (Failure("resolution of a and b", 0.07), Failure("earliest elution", 0.03))
SOURCES = (
    Source("oven temperature", 0.97, "clear", True),
    Source("peak widths as fitted", 0.96, "clear", False),
    Source("carrier setting", 0.92, "unclear", False),
)


@pytest.fixture(scope="module")
def problem() -> Problem:
    """Ten compounds of known retention; times are known to a thousandth of T0's uncertainty, set points are not."""
    known = mixture(10, 1, 2, modes=("constant flow", "constant pressure"))
    M = len(known.scenario.compounds)
    fit = replace(known.fit, covariance=np.diag([0.01] * M + [1e-6] * M + [1.0] * M + [1e-5]))
    scenario = replace(known.scenario, tolerances=Tolerances(oven=2.0, flow=0.03, pressure=0.02))
    return replace(known, fit=fit, scenario=scenario)


@pytest.fixture(scope="module")
def prediction(problem: Problem) -> Prediction:
    return predict(problem, PROGRAM)


def by_name(found: tuple[SetPointTolerance, ...]) -> dict[str, SetPointTolerance]:
    return {each.name: each for each in found}


def moved(program: Program, name: str, by: float) -> Program:
    """A program with one set point moved [SI], written out apart from the names of `set_point_names`."""
    oven = program.oven
    first, second = oven.ramps
    changed = {
        "start_C": lambda: replace(oven, start=oven.start + by),
        "hold_min": lambda: replace(oven, hold=oven.hold + by),
        "rate1_C_per_min": lambda: replace(oven, ramps=(replace(first, rate=first.rate + by), second)),
        "to1_C": lambda: replace(oven, ramps=(replace(first, target=first.target + by), second)),
        "hold1_min": lambda: replace(oven, ramps=(replace(first, hold=first.hold + by), second)),
    }
    if name == "flow_mL_min":
        return replace(program, carrier=replace(program.carrier, start=program.carrier.start + by))
    return replace(program, oven=changed[name]())


def test_every_set_point_is_moved_by_its_tolerance_and_gives_what_predict_gives(
    problem: Problem, prediction: Prediction
) -> None:
    found = by_name(set_point_tolerances(problem, prediction))
    steps = problem.scenario.instrument.steps
    in_si = {
        "start_C": 2.0,
        "to1_C": 2.0,
        "hold_min": steps.time,
        "hold1_min": steps.time,
        "rate1_C_per_min": steps.rate,
        "flow_mL_min": 0.03 * PROGRAM.carrier.start,
    }
    assert found["start_C"].tolerance == pytest.approx(2.0)
    assert found["hold_min"].tolerance == pytest.approx(steps.time / 60)
    assert found["flow_mL_min"].tolerance == pytest.approx(0.03 * 1.4)
    ended = float(np.max(end_of_peak(prediction.retention, prediction.width_half)))
    for name, by in in_si.items():
        for sign, each in ((-1, found[name].lower), (1, found[name].higher)):
            assert each is not None
            then = predict(problem, moved(PROGRAM, name, sign * by))
            assert each.pair == then.critical_pair
            assert each.resolution == pytest.approx(then.min_resolution, rel=2e-4)
            end = float(np.max(end_of_peak(then.retention, then.width_half)))
            assert each.run_time_change == pytest.approx(end - ended, abs=0.02)


def test_two_set_points_are_moved_at_once_in_all_four_ways(problem: Problem, prediction: Prediction) -> None:
    known = set_point_tolerances(problem, prediction)
    steps = problem.scenario.instrument.steps
    found = moved_together(problem, prediction, known)
    assert [(each.first, each.second) for each in found] == list(combinations(known[:3], 2))
    in_si = {"time": steps.time, "rate": steps.rate}
    by = {
        "start_C": 2.0, "to1_C": 2.0, "hold_min": in_si["time"], "hold1_min": in_si["time"],
        "rate1_C_per_min": in_si["rate"], "flow_mL_min": 0.03 * PROGRAM.carrier.start,
    }  # fmt: skip
    for each in found:
        signs = [(-1, -1), (-1, 1), (1, -1), (1, 1)]
        for (one, other), result in zip(signs, each.moved, strict=True):
            then = moved(PROGRAM, each.first.name, one * by[each.first.name])
            then = moved(then, each.second.name, other * by[each.second.name])
            assert result is not None
            expected = predict(problem, then)
            assert result.pair == expected.critical_pair
            assert result.resolution == pytest.approx(expected.min_resolution, rel=2e-4)


def test_the_most_critical_set_point_comes_first(problem: Problem, prediction: Prediction) -> None:
    found = set_point_tolerances(problem, prediction)
    losses = [each.loss for each in found]
    assert losses == sorted(losses, reverse=True)
    assert losses[0] > 0
    base = float((prediction.resolution / prediction.needed).min())
    worst = [min(m.margin for m in (each.lower, each.higher) if m is not None) for each in found]
    assert losses == pytest.approx([max(base - 1 - margin, 0.0) for margin in worst], abs=1e-5)


def test_what_a_set_point_breaks_alone_is_named(problem: Problem, prediction: Prediction) -> None:
    """With the goal just kept, whatever costs resolution breaks it; with the goal long missed, nothing is new."""
    kept = float(prediction.min_resolution) / float(prediction.needed[prediction.critical])
    names = prediction.critical_pair
    assert names is not None
    for share, breaks in ((kept * 0.999, True), (kept * 1.3, False)):
        asked = replace(problem, pairs=replace(problem.pairs, needed=share * problem.pairs.needed))
        found = set_point_tolerances(asked, predict(asked, PROGRAM))
        tightest = [each for each in found if f"resolution of {names[0]} and {names[1]}" in each.breaks]
        assert bool(tightest) == breaks
    # And a requirement: everything out by the time the last peak has its apex now, so that any delay is too late.
    last = float(prediction.retention.max())
    goal = replace(problem.scenario.goal, latest_elution=last + 0.5)
    asking = replace(problem, scenario=replace(problem.scenario, goal=goal))
    colder = by_name(set_point_tolerances(asking, prediction))["start_C"]
    assert colder.lower is not None
    assert colder.higher is not None
    assert "latest elution" in colder.lower.breaks
    assert "latest elution" not in colder.higher.breaks
    assert "latest elution" in colder.breaks


def test_what_is_no_program_and_what_changes_nothing(problem: Problem) -> None:
    oven = OvenProgram(
        kelvin(50.0), 0.0, (Ramp(10 / 60, kelvin(320.0), 900.0), Ramp(20 / 60, kelvin(330.0), 0.0))
    )
    program = replace(PROGRAM, oven=oven)
    found = by_name(set_point_tolerances(problem, predict(problem, program)))
    assert found["hold_min"].lower is None  # a hold below zero
    assert found["hold_min"].higher is not None
    # All is out before the second ramp begins.
    assert not {"rate2_C_per_min", "to2_C", "hold1_min"} & set(found)
    exact = replace(problem.scenario, tolerances=Tolerances(oven=0.0, flow=0.0))
    left = by_name(set_point_tolerances(replace(problem, scenario=exact), predict(problem, program)))
    assert set(left) == {"hold_min", "rate1_C_per_min"}  # those without a tolerance are not moved


def test_a_set_pressure_is_off_by_a_share_of_its_gauge_value(problem: Problem) -> None:
    ambient = problem.scenario.ambient_pressure
    program = replace(PROGRAM, carrier=CarrierProgram("pressure", ambient + 120e3))
    found = by_name(set_point_tolerances(problem, predict(problem, program)))["inlet_kPa"]
    assert (found.value, found.tolerance) == pytest.approx((120.0, 2.4))
    assert found.lower is not None
    slower = predict(problem, replace(program, carrier=CarrierProgram("pressure", ambient + 0.98 * 120e3)))
    assert found.lower.resolution == pytest.approx(slower.min_resolution, rel=2e-4)


def test_a_line_names_what_breaks_before_what_costs_most(problem: Problem, prediction: Prediction) -> None:
    found = set_point_tolerances(problem, prediction)
    candidate = _with_set_points(prediction, found)
    first = found[0]
    worse = min((m for m in (first.lower, first.higher) if m is not None), key=lambda each: each.margin)
    line = critical_line(candidate)
    assert line.startswith(f"most critical set point: {first.label}, ")
    assert f"lowers Rs to {worse.resolution:.2f} ({worse.needed:.2f} needed) for" in line
    assert found[2].higher is not None
    breaking = replace(found[2], higher=replace(found[2].higher, breaks=("earliest elution",)))
    line = critical_line(_with_set_points(prediction, (*found[:2], breaking, *found[3:])))
    assert line.startswith(f"most critical set point: {found[2].label}, ")
    assert line.endswith("is enough to miss: earliest elution")
    assert critical_line(_with_set_points(prediction, ())) == ""


@pytest.mark.parametrize(
    ("share", "text"),
    [(0.0, "0 %"), (0.002, "under 1 %"), (0.5, "50 %"), (0.996, "over 99 %"), (1.0, "100 %")],
)
def test_none_and_all_are_said_only_where_they_are_so(share: float, text: str) -> None:
    assert percent(share) == text


def test_the_sentence_on_reliability() -> None:
    known = Reliability(0.91, 400, 0.91, WHY, SOURCES)
    text = reliability_text(known)
    assert text == (
        "91 % probability of meeting every requirement (simulated, 95 % interval 88 to 93 %); most often missed: "
        "resolution of a and b (7 %); main risk: oven temperature (with it known exactly, 97 %)."
    )
    assert judged_text(0.9, known) == text
    assert judged_text(0.0, known).startswith("Programs were judged by the nominal chromatogram alone")
    assert judged_text(0.0, known).endswith(text)
    # A source without which no more would hold costs nothing, and what never fails has no failures.
    nothing = (Source("oven temperature", 1.0, "none", False),)
    assert reliability_text(Reliability(1.0, 400, 1.0, (), nothing)) == (
        "100 % probability of meeting every requirement (simulated, 95 % interval 99 to 100 %)."
    )
    assert risks(Reliability(1.0, 400, None, (), nothing)) == []
    # None of 2000: Wilson's upper bound is z²/(n + z²) = 3.84/2003.84 = 0.19 %.
    assert "(simulated, 95 % interval 0 to 0.2 %)" in reliability_text(Reliability(0.0, 2000, 0.0, (), ()))


def test_sources_that_draws_cannot_tell_apart_are_named_together() -> None:
    def main_risk(*which: bool) -> str:
        sources = tuple(
            replace(source, main_risk=is_it) for source, is_it in zip(SOURCES, which, strict=True)
        )
        return reliability_text(Reliability(0.91, 400, 0.91, WHY, sources))

    assert main_risk(True, True, True).endswith(
        "(7 %); main risk: oven temperature (with it known exactly, 97 %), peak widths as fitted (96 %) or carrier "
        "setting (92 %); the simulated runs cannot tell which."
    )
    assert main_risk(True, True, False).endswith(
        "oven temperature (with it known exactly, 97 %) or peak widths as fitted (96 %); the simulated runs cannot "
        "tell which."
    )
    assert main_risk(False, False, False).endswith("missed: resolution of a and b (7 %).")
    shown = replace(_held_in(0.91), sources=(*SOURCES, Source("trimming of the column", 0.9, "none", False)))
    assert risks(shown) == [
        ("oven temperature", "97 %"),
        ("peak widths as fitted", "96 %"),
        ("carrier setting", "92 %, perhaps by chance"),
        ("trimming of the column", "no gain"),
    ]


@pytest.mark.parametrize(
    ("share", "low", "high"),
    # Wilson's formula by hand for 400 draws; with none of n it is z2/(n + z2), z = 1.96.
    [(0.0, 0.0, 0.0095), (0.5, 0.4513, 0.5487), (0.93, 0.9007, 0.9512), (1.0, 0.9905, 1.0)],
)
def test_what_chance_leaves_open_of_a_share(share: float, low: float, high: float) -> None:
    assert _held_in(share).interval == pytest.approx((low, high), abs=6e-4)


def _draws(*failing: int) -> NDArray[np.bool_]:
    """100 draws, all but these of which hold."""
    return ~np.isin(np.arange(100), failing)


def told(without: dict[str, NDArray[np.bool_]], holds: NDArray[np.bool_]) -> list[tuple[str, str, bool]]:
    return [(each.text, each.gain, each.main_risk) for each in sources_of(holds, without)]


def test_a_source_is_the_costliest_only_where_the_common_draws_tell_it_from_the_others() -> None:
    """By the two-sided sign test: 6 of 6 has a probability of 0.031, 5 of 5 one of 0.063, 8 of 9 one of 0.039."""
    holds = _draws(*range(20))
    # a mends 12 draws, b 6 of these: the six that tell them apart all speak for a.
    assert told({"b": _draws(*range(14)), "a": _draws(*range(8))}, holds) == [
        ("a", "clear", True), ("b", "clear", False),
    ]  # fmt: skip
    # With 7 of these it is five, and with 6 and one of its own that a does not mend six to one.
    for b in (_draws(*range(13)), _draws(*range(1, 14), 19)):
        assert told({"a": _draws(*range(8)), "b": b}, holds)[1][2]
    # However far apart two shares look, different draws mended may be chance: 8 against 3.
    apart = {"a": _draws(*range(12)), "b": _draws(*range(17), 18, 19), "c": _draws(*range(3, 20))}
    assert told(apart, holds) == [("a", "clear", True), ("c", "unclear", True), ("b", "unclear", False)]
    # Five gained and none lost may be chance, and so no source is named; nor is one whose loss is hidden by gains.
    assert told({"a": _draws(*range(15))}, holds) == [("a", "unclear", False)]
    assert told({"a": _draws(*range(7, 20), *range(20, 24))}, holds) == [("a", "unclear", False)]
    # Fewer hold without it, or as many: no gain, and not costly beside one that is.
    worse = {"a": _draws(*range(10)), "b": _draws(*range(21)), "c": holds}
    assert told(worse, holds) == [("a", "clear", True), ("c", "none", False), ("b", "none", False)]
    assert sources_of(holds, {"a": _draws(*range(8))}, 0.5)[0].gain == "none"  # corrected, all hold as it is


def named(known: Problem, covariance: float, oven: float, seeds: int) -> list[tuple[str, ...]]:
    """The sources named, the first in front, with other draws each time; `covariance` of every T0 [K2]."""
    M = len(known.scenario.compounds)
    fit = replace(known.fit, covariance=np.diag([covariance] * M + [0.0] * 2 * M + [1e-5]))
    needed = 0.99 * predict(known, PROGRAM).resolution.min()
    found = []
    for seed in range(1, seeds + 1):
        scenario = replace(
            known.scenario,
            tolerances=Tolerances(oven=oven, flow=0.03, pressure=0.02),
            search=replace(known.scenario.search, seed=seed),
        )
        pairs = replace(known.pairs, needed=np.full_like(known.pairs.needed, needed))
        asked = replace(known, fit=fit, pairs=pairs, scenario=scenario)
        _, reliability = with_uncertainty(asked, predict(asked, PROGRAM))
        found.append(tuple(each.text for each in reliability.sources if each.main_risk))
    return found


def test_other_draws_name_the_same_sources(problem: Problem) -> None:
    """Two that cost alike take turns in front; of eight sets of draws all but one at most name both."""
    oven, retention = SOURCE_TEXTS["oven"], SOURCE_TEXTS["retention"]
    alike = named(problem, 6e-4, 2.7, 8)
    assert {each[0] for each in alike} == {oven, retention}
    assert sum({oven, retention} <= set(each) for each in alike) >= 7
    assert named(problem, 1e-4, 4.0, 5) == [(oven,)] * 5


def test_what_is_warned_of() -> None:
    (risky,) = risk_warnings(0.0, _held_in(0.13))
    assert "13 % probability of meeting every requirement" in risky
    assert "confidence = 0.9" in risky
    assert "min_resolution" not in risky
    assert risk_warnings(0.0, _held_in(0.7)) == ()
    assert risk_warnings(0.9, _held_in(0.82, 0.9)) == ()  # it does not meet the goal, which is said of it


def _with_set_points(prediction: Prediction, points: tuple[SetPointTolerance, ...]) -> Candidate:
    return Candidate(
        1, "one ramp", prediction, 1.0, 1.0, (), True, _held_in(0.9), "", (), (), set_points=points
    )


def _held_in(share: float, by_derivatives: float | None = None) -> Reliability:
    return Reliability(share, 400, by_derivatives, (), ())


def test_what_simulated_draws_correct_is_told_beside_the_share(problem: Problem) -> None:
    needed = 0.999 * predict(problem, PROGRAM).min_resolution  # so that some draws hold and some do not
    robust = replace(
        problem,
        pairs=replace(problem.pairs, needed=np.full_like(problem.pairs.needed, needed)),
        # Far enough off for first derivatives to go wrong here and there.
        scenario=replace(problem.scenario, tolerances=Tolerances(8.0, 0.1, 0.1)),
    )
    prediction = predict(robust, PROGRAM)
    _, linear = with_uncertainty(robust.afresh, prediction)
    _, both = with_uncertainty(robust, prediction, exact=True)
    assert linear.by_derivatives is None
    assert both.by_derivatives == linear.share
    assert 0.1 < linear.share < 0.95
    correction = both.share - linear.share
    assert 0 < abs(correction) < 0.1
    # What a source costs is held against the same share.
    for source, known in zip(both.sources, linear.sources, strict=True):
        assert source.share_without == pytest.approx(min(known.share_without + correction, 1.0))
    document = document_of(both, 1e5)
    assert document["share"] == pytest.approx(both.share, abs=1e-3)
    assert document["share_by_derivatives"] == pytest.approx(linear.share, abs=1e-3)
    assert document["simulated"]
    # One number for one thing: that of first derivatives stands beside no simulated one, and says what it is.
    assert "derivatives" not in reliability_text(replace(both, share=0.7, by_derivatives=0.75))
    assert "(by first derivatives, not simulated: 1 to 4 points off)" in reliability_text(linear)
    assert "interval" not in reliability_text(linear)
    assert not document_of(linear, 1e5)["simulated"]


def test_peak_tables_carry_the_spread_over_the_draws(problem: Problem, prediction: Prediction) -> None:
    sure, _ = with_uncertainty(problem, prediction)
    rows = peak_documents(problem.scenario, sure)
    order = [int(m) for m in sure.order]
    pairs = [tuple(sorted(map(int, pair))) for pair in sure.counted_pairs]
    for row, m, following in zip(rows, order, [*order[1:], None], strict=True):
        assert row["retention_sd_min"] == pytest.approx(sure.retention_sd[m] / 60, rel=6e-3)
        assert row["width_half_sd_min"] == pytest.approx(sure.width_sd[m] / 60, rel=6e-3)
        if following is None:
            assert row["resolution_to_next_sd"] is None
            continue
        at = pairs.index(tuple(sorted((m, following))))
        assert row["resolution_to_next_sd"] == pytest.approx(sure.resolution_sd[at], rel=6e-3)
    # Of neighbours that need not be resolved nothing is drawn.
    names = problem.scenario.compounds
    ignored = replace(problem.scenario, pairs=(PairRule((names[order[0]], names[order[1]]), ignore=True),))
    kept = [at for at, pair in enumerate(pairs) if pair != tuple(sorted(order[:2]))]
    without = replace(
        sure, counted_pairs=sure.counted_pairs[kept], resolution_sd=sure.resolution_sd[kept], critical=None
    )
    first = peak_documents(ignored, without)[0]
    assert first["resolution_to_next_sd"] is None
    assert first["resolution_to_next"] == rows[0]["resolution_to_next"]


def test_a_pair_that_swaps_is_as_uncertain_as_its_signed_resolution(problem: Problem) -> None:
    """Against draws simulated outright, their resolution written out: unsigned it looks steadier by a quarter."""
    prediction = predict(problem, PROGRAM)
    nearest = int(np.argmin(prediction.resolution))
    a, b = sorted((int(m) for m in prediction.counted_pairs[nearest]), key=lambda m: prediction.retention[m])
    vague = problem.fit.covariance.copy()
    vague[a, a] = vague[b, b] = 9.0**2
    unsure = replace(problem, fit=replace(problem.fit, covariance=vague))
    sure, _ = with_uncertainty(unsure, prediction)
    batch = batch_of([PROGRAM])
    assessed, draws = unsure.assess(batch, "polish"), unsure.robustness.draws(batch.controlled)
    peaks = exact_peaks(unsure, batch, assessed, draws)
    t, w = peaks.retention[0].T, peaks.width[0].T
    signed = 1.18 * (t[:, b] - t[:, a]) / (w[:, a] + w[:, b])  # both symmetric
    assert np.mean(signed < 0) > 0.1
    assert np.abs(signed).std() < 0.8 * signed.std()
    assert sure.resolution_sd[nearest] == pytest.approx(signed.std(), rel=0.05)


def test_bands_lie_where_the_apexes_are(problem: Problem, prediction: Prediction) -> None:
    from matplotlib.patches import Rectangle

    sure, _ = with_uncertainty(problem, prediction)
    figure = chromatogram_figure(chromatogram_data(sure, 101325.0, "some program"))
    signal = figure.axes[-1]
    bands = sorted(
        (patch.get_x(), patch.get_width()) for patch in signal.patches if isinstance(patch, Rectangle)
    )
    wanted = [
        ((t - 1.96 * sd) / 60, 2 * 1.96 * sd / 60)
        for t, sd in sorted(zip(sure.retention, sure.retention_sd, strict=True))
    ]
    assert np.allclose(bands, sorted(wanted))
    behind = max(patch.get_zorder() for patch in signal.patches if isinstance(patch, Rectangle))
    assert behind < min(line.get_zorder() for line in signal.lines)
    assert BAND_NOTE in [text.get_text() for text in figure.texts]
    assert "95 %" in band_caption(sure)


def test_without_a_spread_there_is_no_band_and_no_word_of_one(prediction: Prediction) -> None:
    from matplotlib.patches import Rectangle

    figure = chromatogram_figure(chromatogram_data(prediction, 101325.0, "some program"))
    assert not [patch for patch in figure.axes[-1].patches if isinstance(patch, Rectangle)]
    assert BAND_NOTE not in [text.get_text() for text in figure.texts]
    assert band_caption(prediction) == ""


def test_check_says_what_the_draws_take(problem: Problem) -> None:
    document = check_document(problem.scenario)
    assert document["tolerances"] == {
        "oven_C": 2.0,
        "flow_percent": 3.0,
        "pressure_percent": 2.0,
        "hold_up_percent": 0.0,
        "trimmed_m": 0.0,
        "bore_percent": 2.0,
        "film_percent": 10.0,
    }
    assert document["goal"]["confidence"] == "nominal"
    asked = replace(problem.scenario, goal=replace(problem.scenario.goal, confidence=0.95))
    assert check_document(asked)["goal"]["confidence"] == pytest.approx(0.95)
