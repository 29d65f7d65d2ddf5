"""Pictures: what they show, and that nothing in them overlaps or is cut off."""

from __future__ import annotations

import re
import warnings
import xml.etree.ElementTree as ElementTree
from dataclasses import replace
from itertools import combinations
from typing import Any

import numpy as np
import pytest
from matplotlib.axis import Axis
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.text import Text

from optimizer.goal.outcome import Prediction
from optimizer.goal.reliability import PairAtRisk, Reliability
from optimizer.results.plot_data import ChromatogramData, chromatogram_data, residual_data
from optimizer.show.pictures.chromatograms import (
    MARK,
    chromatogram_figure,
    picture,
)
from optimizer.show.pictures.pair import critical_pair_figure
from optimizer.show.pictures.residuals import residual_figure
from tests.optimizer.made_up import (
    AMBIENT,
    ISOTHERMAL,
    PRESSURE_RAMP,
    TWO_RAMPS,
    compounds,
    made_up_fit,
    made_up_scenario,
    names_of,
    predicted,
)

ODD_NAMES = (
    "$x^2$ acid",
    "化合物",
    "<script>alert(1)</script>",
    "a" * 80,
    "α-pinene -- ]]>",
    "two\nlines",
    "100 %",
)


def data_of(count: int, program: Any = TWO_RAMPS, names: tuple[str, ...] | None = None) -> ChromatogramData:
    return chromatogram_data(
        predicted(compounds(count), names or names_of(count), program), AMBIENT, "A title"
    )


def visible_texts(figure: Any) -> list[Text]:
    """Every text that has ink, once the figure has been drawn."""
    FigureCanvasAgg(figure).draw()
    hidden = labels_of_hidden_ticks(figure)
    return [
        text
        for text in figure.findobj(Text)
        if text.get_text().strip() and text.get_visible() and id(text) not in hidden
    ]


def labels_of_hidden_ticks(figure: Any) -> set[int]:
    """Ticks outside the limits of their axis exist, with labels, but are not drawn."""
    hidden = set()
    for axis in figure.findobj(Axis):
        drawn = {id(tick) for tick in axis._update_ticks()}
        for tick in axis.get_major_ticks():
            if id(tick) not in drawn:
                hidden |= {id(tick.label1), id(tick.label2)}
    return hidden


def boxes(figure: Any) -> list[tuple[str, Any]]:
    return [(text.get_text(), text.get_window_extent()) for text in visible_texts(figure)]


def assert_nothing_clipped_or_covered(figure: Any) -> None:
    found = boxes(figure)
    assert len(found) > 10
    for name, box in found:
        assert figure.bbox.x0 <= box.x0, f"{name!r} is cut off on the left"
        assert box.x1 <= figure.bbox.x1, f"{name!r} is cut off on the right"
        assert figure.bbox.y0 <= box.y0, f"{name!r} is cut off below"
        assert box.y1 <= figure.bbox.y1, f"{name!r} is cut off above"
    for (a, box_a), (b, box_b) in combinations(found, 2):
        # Extents of a line of text hold room for accents and descenders: half a point may be shared.
        width = min(box_a.x1, box_b.x1) - max(box_a.x0, box_b.x0)
        height = min(box_a.y1, box_b.y1) - max(box_a.y0, box_b.y0)
        assert min(width, height) <= 0.5 * figure.dpi / 72, f"{a!r} covers {b!r}"


def test_prepared_in_the_readers_units() -> None:
    prediction = predicted(compounds(6), names_of(6))
    data = chromatogram_data(prediction, AMBIENT, "A title")
    assert data.end == pytest.approx(prediction.run_time / 60)
    assert data.response.max() == pytest.approx(100.0)
    assert [label.name for label in data.labels] == [prediction.compounds[m] for m in prediction.order]
    for label in data.labels:
        # every apex is among the samples of the trace, and lies on it
        at = int(np.argmin(np.abs(data.times - label.time)))
        assert data.times[at] == pytest.approx(label.time, abs=1e-9)
        assert data.response[at] == pytest.approx(label.height, rel=1e-6)
    assert data.oven[[0, -1]] == pytest.approx([50.0, 260.0])
    assert data.flow == pytest.approx(np.full(len(data.flow), 1.4), rel=1e-6)
    assert data.pressure + data.ambient == pytest.approx(prediction.inlet_pressure / 1e3)
    assert data.oven_times[-1] == pytest.approx(data.end)


def test_the_critical_pair_is_the_predictions() -> None:
    prediction = predicted(compounds(14), names_of(14))
    data = chromatogram_data(prediction, AMBIENT, "A title")
    marked = tuple(label.name for label in data.labels if label.critical)
    assert marked == prediction.critical_pair
    assert data.critical_responses.shape == (2, len(data.times))
    assert data.window is not None
    start, end = data.window
    assert all(start < label.time < end for label in data.labels if label.critical)
    # each of the two by itself is no larger than the sum
    assert np.all(data.critical_responses.sum(axis=0) <= data.response + 1e-9)


def test_what_does_not_elute_is_not_drawn() -> None:
    whole = predicted(compounds(4), names_of(4))
    lost = replace(whole, retention=np.where(np.arange(4) == 1, np.nan, whole.retention))
    data = chromatogram_data(lost, AMBIENT, "A title")
    assert [label.name for label in data.labels] == [name for i, name in enumerate(names_of(4)) if i != 1]
    assert picture(chromatogram_figure(data), "svg").startswith(b"<?xml")


@pytest.mark.parametrize("tailing", [0.3, 1.0, 4.0])
def test_any_tailing_a_peak_table_allows_can_be_drawn(tailing: float) -> None:
    prediction = replace(predicted(compounds(4), names_of(4)), tailing=np.full(4, tailing))
    assert np.isfinite(chromatogram_data(prediction, AMBIENT, "").response).all()


@pytest.mark.parametrize(
    "program", [TWO_RAMPS, PRESSURE_RAMP, ISOTHERMAL], ids=["ramps", "pressure", "isothermal"]
)
@pytest.mark.parametrize("count", [1, 2, 14, 30, 60])
def test_nothing_overlaps_and_nothing_is_cut_off(count: int, program: Any) -> None:
    figure = chromatogram_figure(data_of(count, program))
    assert_nothing_clipped_or_covered(figure)
    texts = {text.get_text().removeprefix(MARK) for text in visible_texts(figure)}
    assert set(names_of(count)) <= texts  # every peak is named


def test_a_crowd_is_named_as_far_as_there_is_room() -> None:
    figure = chromatogram_figure(data_of(150))
    assert_nothing_clipped_or_covered(figure)
    texts = [text.get_text() for text in visible_texts(figure)]
    named = sum(text.removeprefix(MARK) in names_of(150) for text in texts)
    assert named >= 65
    assert f"{150 - named} names left out for want of room: see the peak table" in texts
    assert sum(text.startswith(MARK) and "critical pair" not in text for text in texts) == 2


def test_odd_names_are_shown_as_they_are() -> None:
    data = data_of(len(ODD_NAMES), names=ODD_NAMES)
    with warnings.catch_warnings():
        warnings.simplefilter("error")  # a missing glyph is a warning
        figure = chromatogram_figure(data)
        texts = {text.get_text().removeprefix(MARK) for text in visible_texts(figure)}
        svg = picture(figure, "svg").decode()
    assert {"$x^2$ acid", "peak 2", "<script>alert(1)</script>", "α-pinene -- ]]>", "two lines"} <= texts
    assert any(text.startswith("aaaa") and "…" in text for text in texts)
    assert_nothing_clipped_or_covered(figure)
    assert "<script" not in svg
    ElementTree.fromstring(svg)  # well formed


def test_critical_peaks_are_marked_by_a_sign_and_not_by_colour_alone() -> None:
    data = data_of(14)
    texts = {text.get_text(): text for text in visible_texts(chromatogram_figure(data))}
    critical = [label.name for label in data.labels if label.critical]
    for name in critical:
        assert texts[MARK + name].get_fontweight() == "bold"
    note = f"{MARK}critical pair: {critical[0]} and {critical[1]}, Rs {data.critical_resolution:.2f}"
    assert f"{note}, valley {data.valley:.1f} %" in texts


def test_the_pair_at_risk_comes_before_the_critical_one() -> None:
    prediction = predicted(compounds(14), names_of(14))
    first, second = prediction.compounds[:2]
    known = Reliability(0.8, 2000, 0.8, (), (), PairAtRisk((first, second), 0.12))
    figure = chromatogram_figure(chromatogram_data(prediction, AMBIENT, "A title", known))
    texts = {text.get_text(): text.get_position()[1] for text in visible_texts(figure)}
    at_risk = texts[f"pair at risk: {first} and {second}, missed with 12 % probability"]
    (critical,) = (place for text, place in texts.items() if text.startswith(f"{MARK}critical pair: "))
    assert critical < at_risk < texts["A title"]
    assert_nothing_clipped_or_covered(figure)
    # Without draws there is none.
    alone = visible_texts(chromatogram_figure(chromatogram_data(prediction, AMBIENT, "A title")))
    assert not any("at risk" in text.get_text() for text in alone)


def test_the_traces_share_one_time_axis() -> None:
    data = data_of(14)
    flow, pressure, oven, signal = chromatogram_figure(data).axes
    limits = {axes.get_xlim() for axes in (flow, pressure, oven, signal)}
    assert limits == {(0.0, data.end)}
    tops = [axes.get_position().y0 for axes in (signal, oven, pressure, flow)]
    assert tops == sorted(tops, reverse=True)
    assert len({(a.get_position().x0, a.get_position().x1) for a in (flow, pressure, oven, signal)}) == 1


def with_a_huge_peak(count: int, at: int, names: tuple[str, ...] | None = None) -> ChromatogramData:
    """One compound's area 200 times the mean of all."""
    whole = predicted(compounds(count), names or names_of(count))
    area = whole.area.copy()
    area[at] = 200 * area.mean()
    return chromatogram_data(replace(whole, area=area), AMBIENT, "A title")


@pytest.mark.parametrize("count", [3, 20, 60])
def test_a_huge_peak_is_cut_so_that_the_others_are_seen(count: int) -> None:
    data = with_a_huge_peak(count, 0)
    (cut,) = data.cut
    assert cut.height == pytest.approx(100.0)
    whole = [label.height for label in data.labels if label is not cut]
    assert max(whole) < 2.0
    assert max(whole) / data.top == pytest.approx(1 / 1.06)
    figure = chromatogram_figure(data)
    assert_nothing_clipped_or_covered(figure)
    signal = figure.axes[-1]
    assert signal.get_ylim()[1] == pytest.approx(data.top)
    (mark,) = [line for line in signal.lines if line.get_marker() == "^"]
    assert list(mark.get_xdata()) == [cut.time]
    times = f"{100 / max(whole):.0f} times as high as the highest peak drawn whole"
    assert any(cut.name in text.get_text() and times in text.get_text() for text in visible_texts(figure))


def with_a_small_pair(count: int) -> ChromatogramData:
    """The critical pair's areas a hundredth of the others'."""
    whole = predicted(compounds(count), names_of(count))
    area = whole.area.copy()
    area[whole.counted_pairs[whole.critical]] /= 100  # type: ignore[index]
    return chromatogram_data(replace(whole, area=area), AMBIENT, "A title")


@pytest.mark.parametrize("count", [8, 20, 60])
def test_a_small_critical_pair_is_shown_enlarged(count: int) -> None:
    data = with_a_small_pair(count)
    assert data.cut == ()
    pair = [label.height for label in data.labels if label.critical]
    assert min(pair) < 2.0
    assert min(pair) * data.magnification >= 12.0
    assert max(pair) * data.magnification <= 55.0  # both are alike here: none of the two is cut
    figure = chromatogram_figure(data)
    assert_nothing_clipped_or_covered(figure)
    enlarged, signal = figure.axes[3:]
    # As measured on paper: per inch, the panel shows that many times less of the signal.
    per_inch = [np.ptp(axes.get_ylim()) / axes.get_position().height for axes in (signal, enlarged)]
    assert per_inch[0] / per_inch[1] == pytest.approx(data.magnification)
    top = enlarged.get_ylim()[1]
    cut = [label.time for label in data.labels if label.height > top]
    marks = {
        line.get_marker(): list(line.get_xdata()) for line in enlarged.lines if line.get_marker() != "None"
    }
    assert marks["^"] == cut
    assert "D" in marks
    note = f"the same signal enlarged {data.magnification:g} times; ▲ peak cut off here"
    assert note in [text.get_text() for text in visible_texts(figure)]


def test_long_names_stay_apart_beside_a_huge_peak() -> None:
    names = tuple(f"N-(2,6-dimethylphenyl)-2-(diethylamino)acetamide {i}" for i in range(14))
    figure = chromatogram_figure(with_a_huge_peak(14, 6, names))
    assert_nothing_clipped_or_covered(figure)
    labels = [text.get_text() for text in visible_texts(figure) if text.get_rotation() == 90]
    assert len(set(labels)) == len(labels)


def test_a_small_peak_beside_a_huge_one_is_shown_though_the_huge_one_is_cut() -> None:
    pair = replace(two_peaks(1.5), area=np.array([1.0, 0.004]))
    data = chromatogram_data(pair, AMBIENT, "")
    small = data.labels[1].height
    assert small < 1.0
    assert [label.name for label in data.cut] == [data.labels[0].name]
    assert small / data.top == pytest.approx(1 / 1.06)


@pytest.mark.parametrize("count", [1, 14])
def test_what_is_seen_anyway_is_not_enlarged(count: int) -> None:
    data = data_of(count)
    assert data.magnification == 1.0
    assert len(chromatogram_figure(data).axes) == 4


def test_without_a_pair_the_crowd_speaks_for_what_must_be_seen() -> None:
    whole = predicted(compounds(5), names_of(5))
    prediction = replace(whole, critical=None, area=np.array([1.0, 1.0, 500.0, 1.0, 1.0]))
    data = chromatogram_data(prediction, AMBIENT, "")
    assert data.top < 2.0
    assert len(data.cut) == 1


def test_the_signal_states_its_unit() -> None:
    signal = chromatogram_figure(data_of(14)).axes[-1]
    assert signal.get_ylabel() == "signal, %\nof highest"
    assert list(signal.get_yticks()) == [0, 25, 50, 75, 100]


def test_constants_look_constant() -> None:
    """An isothermal oven, a constant pressure and a constant flow: axes much wider than any noise."""
    prediction = predicted(compounds(4), names_of(4), ISOTHERMAL)
    noise = 1 + 1e-3 * np.sin(np.arange(len(prediction.flow)))
    data = chromatogram_data(
        replace(
            prediction,
            flow=prediction.flow * noise,
            inlet_pressure=AMBIENT + (prediction.inlet_pressure - AMBIENT) * noise,
        ),
        AMBIENT,
        "",
    )
    flow, pressure, oven, _ = chromatogram_figure(data).axes
    for axes, values, least in (
        (flow, data.flow, 1.0),
        (pressure, data.pressure, 40.0),
        (oven, data.oven, 40.0),
    ):
        low, high = axes.get_ylim()
        assert high - low >= least - 1e-9
        assert low < values.min()
        assert values.max() < high
        assert np.ptp(values) < 0.02 * (high - low)


def test_a_small_flow_has_no_axis_far_below_zero() -> None:
    prediction = predicted(compounds(4), names_of(4))
    data = chromatogram_data(replace(prediction, flow=0.2 * prediction.flow), AMBIENT, "")
    low, high = chromatogram_figure(data).axes[0].get_ylim()
    assert low >= -0.05
    assert high - low >= 1.0


@pytest.mark.parametrize(("resolution", "percent"), [(0.75, 65), (0.90, 40), (1.0, 27), (1.25, 9), (1.5, 2)])
def test_valley_of_two_equal_peaks(resolution: float, percent: float) -> None:
    """Equal Gaussian peaks: 2 exp(-4 ln 2 (Rs/1.18)^2) of a height, own arithmetic, to whole per cents."""
    prediction = two_peaks(resolution)
    assert prediction.valley == pytest.approx(percent, abs=0.6)
    assert chromatogram_data(prediction, AMBIENT, "").valley == prediction.valley


def test_a_shoulder_has_no_valley() -> None:
    assert two_peaks(0.3).valley == pytest.approx(100.0)
    small = replace(two_peaks(0.9), area=np.array([1.0, 0.02]))
    assert small.valley > two_peaks(0.9).valley
    lost = two_peaks(1.0)
    assert np.isnan(replace(lost, retention=np.array([np.nan, 300.0])).valley)


def two_peaks(resolution: float) -> Prediction:
    """Two symmetrical peaks of equal area, 6 s wide at half height."""
    whole = predicted(compounds(2), names_of(2))
    width = np.full(2, 6.0)
    retention = np.array([300.0, 300.0 + resolution * 12.0 / 1.18])
    return replace(
        whole, retention=retention, width_half=width, tailing=np.ones(2), area=np.ones(2), critical=0
    )


def test_no_counted_pair() -> None:
    nothing = np.zeros((0, 2), dtype=np.intp)
    prediction = replace(
        predicted(compounds(3), names_of(3)),
        counted_pairs=nothing, needed=np.zeros(0), resolution=np.zeros(0), critical=None,
    )  # fmt: skip
    data = chromatogram_data(prediction, AMBIENT, "A title")
    assert critical_pair_figure(data) is None
    assert "no pair to be resolved" in [text.get_text() for text in visible_texts(chromatogram_figure(data))]


def test_the_enlarged_pair() -> None:
    figure = critical_pair_figure(data_of(14))
    assert figure is not None
    found = boxes(figure)
    for name, box in found:
        assert box.x0 >= 0, name
        assert box.x1 <= figure.bbox.x1, name
    assert {"p-cymene 4", "1,2,4-trimethylbenzene 5"} <= {name for name, _ in found}


def test_the_smaller_peak_of_an_unequal_pair_is_seen() -> None:
    pair = two_peaks(1.6)
    equal = critical_pair_figure(chromatogram_data(pair, AMBIENT, "A title"))
    unequal = critical_pair_figure(
        chromatogram_data(replace(pair, area=np.array([100.0, 1.0])), AMBIENT, "A title")
    )
    assert equal is not None
    assert unequal is not None
    assert equal.axes[0].get_ylim()[1] > 100.0
    assert 1.5 < unequal.axes[0].get_ylim()[1] < 4.0  # the smaller peak is 1 % high
    assert any("100 times as high" in text.get_text() for text in visible_texts(unequal))
    assert not any("times as high" in text.get_text() for text in visible_texts(equal))
    for name, box in boxes(unequal):
        assert box.x1 <= unequal.bbox.x1, name
        assert box.y1 <= unequal.bbox.y1, name


def test_a_huge_peak_beside_an_enlarged_pair_is_cut_and_marked() -> None:
    data = data_of(14)
    assert data.window is not None
    start, end = data.window
    beside = 5000 * np.exp(-0.5 * ((data.times - end) / (0.05 * (end - start))) ** 2)
    whole = critical_pair_figure(data)
    cut = critical_pair_figure(replace(data, response=data.response + beside))
    assert whole is not None
    assert cut is not None
    highest = max(label.height for label in data.labels if label.critical)
    assert highest < cut.axes[0].get_ylim()[1] < 3 * highest
    marks = [list(line.get_xdata()) for line in cut.axes[0].get_lines() if line.get_marker() == "^"]
    assert marks == [[pytest.approx(end, abs=0.02 * (end - start))]]
    assert [list(x.get_xdata()) for x in whole.axes[0].get_lines() if x.get_marker() == "^"] == [[]]
    assert any("a peak beside is" in text.get_text() for text in visible_texts(cut))


@pytest.mark.parametrize("count", [1, 14, 60])
def test_residuals(count: int) -> None:
    retention, names = compounds(count), names_of(count)
    fit = made_up_fit(retention)
    data = residual_data(made_up_scenario(names, retention), fit)
    assert data.runs == ("slow", "fast")
    assert np.array_equal(data.residual, fit.residual, equal_nan=True)
    figure = residual_figure(data)
    texts = [text.get_text() for text in visible_texts(figure)]
    assert set(names) | {"slow", "fast"} <= set(texts)
    for name, box in boxes(figure):
        assert figure.bbox.x0 <= box.x0, name
        assert box.x1 <= figure.bbox.x1, name
        assert figure.bbox.y0 <= box.y0, name
        assert box.y1 <= figure.bbox.y1, name
    low, high = figure.axes[0].get_ylim()
    assert low < np.nanmin(fit.residual)
    assert high > np.nanmax(fit.residual)


@pytest.mark.parametrize("kind", ["png", "svg"])
def test_the_same_picture_has_the_same_bytes(kind: Any) -> None:
    data = data_of(5)
    assert picture(chromatogram_figure(data), kind) == picture(chromatogram_figure(data), kind)


def test_svg_needs_nothing_from_elsewhere() -> None:
    svg = picture(chromatogram_figure(data_of(5)), "svg").decode()
    references = re.findall(r'(?:href|src)="([^"]*)"', svg)
    assert references
    assert all(each.startswith("#") for each in references)
    assert "<text" not in svg  # letters are outlines: no font is needed to show them as placed
