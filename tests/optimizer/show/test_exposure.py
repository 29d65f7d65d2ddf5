"""Strips of heat-sensitive analytes: what they show, and that they can be read."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg

from models.units import kelvin
from optimizer.goal.outcome import Prediction
from optimizer.scenario.data import AnalyteDetail, Scenario
from optimizer.show.pictures.exposure import NOT_KEPT, ExposureData, exposure_data, exposure_figure
from tests.optimizer.made_up import compounds, exposed, made_up_scenario, names_of, predicted, sensitive

NAMES, RETENTION = names_of(8), compounds(8)
WHOLE = predicted(RETENTION, NAMES)


def scenario_of(*details: AnalyteDetail) -> Scenario:
    return replace(made_up_scenario(NAMES, RETENTION), analytes=details)


def data_of(details: tuple[AnalyteDetail, ...], prediction: Prediction = WHOLE) -> ExposureData:
    data = exposure_data(scenario_of(*details), exposed(prediction, details))
    assert data is not None
    return data


def test_nothing_to_show_without_sensitive_analytes() -> None:
    assert exposure_data(scenario_of(AnalyteDetail(NAMES[0], "matrix", amount=10.0)), WHOLE) is None


def test_a_strip_ends_where_its_analyte_leaves() -> None:
    data = data_of(sensitive(NAMES))
    assert [strip.name for strip in data.strips] == [NAMES[m] for m in WHOLE.order if m < 3]
    for strip in data.strips:
        m = NAMES.index(strip.name)
        assert strip.times[-1] == pytest.approx(WHOLE.retention[m] / 60)
        assert kelvin(strip.temperatures[-1]) == pytest.approx(WHOLE.elution_temperature[m], abs=0.01)
        assert np.all(np.diff(strip.times) > 0)


def test_findings_say_what_is_met_beside_what_is_borne() -> None:
    strips = {strip.name: strip for strip in data_of(sensitive(NAMES)).strips}
    intact = exposed(WHOLE, sensitive(NAMES)).intact_fraction[0]
    assert strips[NAMES[0]].findings == (f"{100 * intact:.2f} % intact (needs 95 %)",)
    assert strips[NAMES[0]].kept == (intact >= 0.95)
    # 50 °C for 1 min, 20 °C/min to 120 °C for 0.5 min, 12.5 °C/min: 80 °C is passed at 2.5 min
    above = WHOLE.retention[1] / 60 - 2.5
    assert strips[NAMES[1]].findings == (f"{above:.2f} min above 80 °C (at most 1 min)",)
    assert strips[NAMES[1]].kept == (above <= 1)
    T = WHOLE.elution_temperature[2] - 273.15
    assert strips[NAMES[2]].findings == (f"elutes at {T:.1f} °C (at most 150 °C)",)


def test_what_is_not_borne_has_a_sign() -> None:
    strict = (AnalyteDetail(NAMES[4], "target", max_elution_temperature=kelvin(60.0)),)
    lenient = (AnalyteDetail(NAMES[4], "target", max_elution_temperature=kelvin(300.0)),)
    assert any(text.startswith(NOT_KEPT) for text in texts_of(data_of(strict)))
    assert not any(text.startswith(NOT_KEPT) for text in texts_of(data_of(lenient)))


def test_what_never_elutes_is_said_to() -> None:
    lost = replace(WHOLE, retention=np.where(np.arange(8) == 2, np.nan, WHOLE.retention))
    data = exposure_data(scenario_of(sensitive(NAMES)[2]), lost)
    assert data is not None
    assert data.strips[0].findings == ("does not elute",)
    assert not data.strips[0].kept
    assert f"{NOT_KEPT}{NAMES[2]}: does not elute" in texts_of(data)


def test_the_key_names_only_what_is_drawn() -> None:
    kinetics, above, limit = sensitive(NAMES)
    assert "Dashed" not in data_of((kinetics, above)).key
    assert "Dotted" not in data_of((kinetics, limit)).key
    assert "Intact" not in data_of((above, limit)).key
    assert {"Dashed", "Dotted"} <= set(
        data_of((kinetics, above, limit)).key.replace(",", ":").replace(":", " ").split()
    )


@pytest.mark.parametrize("count", [1, 3, 6])
def test_captions_neither_overlap_nor_are_cut_off(count: int) -> None:
    details = tuple(
        replace(
            sensitive(NAMES)[0],
            compound=name,
            max_elution_temperature=kelvin(90.0),
            max_time_above=sensitive(NAMES)[1].max_time_above,
        )
        for name in NAMES[:count]
    )
    figure = exposure_figure(data_of(details))
    canvas = FigureCanvasAgg(figure)
    canvas.draw()  # type: ignore[no-untyped-call]
    captions = [text for axes in figure.axes for text in axes.texts]
    assert len(figure.axes) == count
    assert all("intact" in " ".join(text.get_text() for text in axes.texts) for axes in figure.axes)
    boxes = [text.get_window_extent() for text in captions]
    plots = [axes.get_window_extent() for axes in figure.axes]
    for box in boxes:
        assert figure.bbox.x0 <= box.x0
        assert box.x1 <= figure.bbox.x1
        assert not any(box.overlaps(plot) for plot in plots)
    assert not any(a.overlaps(b) for a, b in combinations(boxes, 2))


def texts_of(data: ExposureData) -> list[str]:
    return [text.get_text() for axes in exposure_figure(data).axes for text in axes.texts]
