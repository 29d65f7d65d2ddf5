"""What can be said of report.html without a browser: what it may do, what it holds, and how it is built."""

from __future__ import annotations

import base64
import hashlib
import itertools
import json
import re
from importlib.resources import files
from typing import Any

import numpy as np
import pytest

from optimizer.results.plot_data import chromatogram_data
from optimizer.show.pages.page import content_policy
from optimizer.show.pages.report_candidate import SIGNAL_TOLERANCE, chart_view, compact, thinned_curve
from optimizer.show.pictures import chromatograms as plots
from optimizer.show.pictures.residuals import RUN_COLOURS
from tests.optimizer.hostile import NAMES, RETENTION, TITLE, report
from tests.optimizer.made_up import AMBIENT, PRESSURE_RAMP, predicted
from tests.optimizer.show.test_report import Reader

STYLE = (files("optimizer.show.pages") / "page_style.css").read_text(encoding="utf-8")
TEXT, GRAPHICS = 4.5, 3.0  # least contrasts, WCAG 2.1, success criteria 1.4.3 and 1.4.11


@pytest.fixture(scope="module")
def html() -> str:
    return report()


def scripts(html: str) -> list[tuple[str, str]]:
    """Attributes and content of every script element."""
    return re.findall(r"<script([^>]*)>(.*?)</script>", html, flags=re.DOTALL)


def charts(html: str) -> list[dict[str, Any]]:
    return [json.loads(content) for attributes, content in scripts(html) if "application/json" in attributes]


def hash_of(content: str) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(content.encode()).digest()).decode()}'"


def test_the_policy_allows_this_style_and_this_script_and_nothing_else(html: str) -> None:
    found = re.search(r'http-equiv="Content-Security-Policy" content="([^"]*)"', html)
    assert found is not None
    rules = dict(rule.split(" ", 1) for rule in found[1].split("; "))
    (style,) = re.findall(r"<style>(.*?)</style>", html, flags=re.DOTALL)
    (script,) = [content for attributes, content in scripts(html) if not attributes]
    assert rules == {
        "default-src": "'none'",
        "img-src": "data:",
        "style-src": hash_of(style),
        "script-src": hash_of(script),
        "base-uri": "'none'",
        "form-action": "'none'",
    }
    assert html.index("Content-Security-Policy") < html.index("<style>")
    assert "script-src" not in content_policy(style, None)  # adapt.html and compare.html run nothing


def test_the_script_neither_fetches_nor_makes_code_of_text() -> None:
    script = (files("optimizer.show.pages") / "report_script.js").read_text(encoding="utf-8")
    for word in ("innerHTML", "outerHTML", "insertAdjacent", "eval(", "Function(", "document.write", "fetch(", "http:",
                 "https:", "XMLHttp", "import", "setTimeout", "localStorage", "cookie"):  # fmt: skip
        assert word not in script.replace("http://www.w3.org/2000/svg", ""), word
    assert "</" not in script


def test_texts_cannot_leave_the_data_they_stand_in(html: str) -> None:
    data = [content for attributes, content in scripts(html) if "application/json" in attributes]
    assert len(data) == 3  # two candidates and the method in use
    for content in data:
        assert not set("<>&'") & set(content)
        assert {peak["name"] for peak in json.loads(content)["peaks"]} == set(NAMES)
    assert html.count("<script") == 4
    assert html.count("</script") == 4
    assert Reader(html).open == []


def test_names_stand_in_tables_and_copies_as_they_are(html: str) -> None:
    page = Reader(html)
    assert page.text.strip().startswith(re.sub(r"\s+", " ", f"{TITLE} {TITLE}"))
    shown = {row[1].split(" ◆")[0] for row in page.rows if len(row) == 8}
    assert shown >= {re.sub(r"\s+", " ", name).strip() for name in NAMES}
    assert any(TITLE in copy for copy in page.copies)


def test_the_page_is_built_for_those_who_do_not_see_it(html: str) -> None:
    assert html.startswith('<!DOCTYPE html>\n<html lang="en">')
    page = Reader(html)
    levels = [int(tag[1]) for tag, _ in page.tags if re.fullmatch("h[1-6]", tag)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after - before <= 1 for before, after in itertools.pairwise(levels))
    assert {tag for tag, _ in page.tags} >= {"main", "header", "section", "fieldset", "legend", "caption"}
    heads = [attributes for tag, attributes in page.tags if tag == "th"]
    assert heads
    assert {attributes.get("scope") for attributes in heads} == {"col", "row"}
    assert not re.search(r"<th[^>]*>\s*</th>", html)  # a head without a word is none
    for tag, attributes in page.tags:
        assert not any(name.startswith("on") or name == "style" for name in attributes), tag
        if tag == "img":
            assert len(attributes["alt"]) > 20
        if tag == "svg":
            small = attributes["class"] == "small"  # in a row of the candidates' table
            assert attributes["role"] == ("img" if small else "slider")
            assert ("Chromatogram of" if small else "peaks") in attributes["aria-label"]
            assert small or attributes["aria-valuemax"] == str(len(NAMES))
    ids = [attributes["id"] for _, attributes in page.tags if "id" in attributes]
    assert len(ids) == len(set(ids))


def test_without_the_script_nothing_is_missing_and_nothing_is_dead(html: str) -> None:
    assert html.count('<section class="candidate"') == 3
    assert html.count('<section class="candidate more"') == 2
    assert "away" not in html.split("<body>")[1].split("<script>")[0]
    for part in re.findall(r'<(?:div class="viewer"|fieldset class="switch")[^>]*>', html):
        assert part.endswith(" hidden>"), part
    for button in re.findall(r"<button[^>]*>Copy", html):
        assert " hidden>" in button
    assert html.count('<div class="wide drawn"><img') == 3


def test_the_copy_has_what_is_typed_in(html: str) -> None:
    first, second = Reader(html).copies
    assert "Candidate 1: family 1" in first
    assert "1.4 mL/min" in first
    assert "Candidate 2: family 2" in second
    assert "Warning: Extrapolates: 20 to 40 °C was not scouted." in second


def test_the_paper_is_the_readers() -> None:
    assert re.findall(r"@page \{([^}]*)\}", STYLE) == [" margin: 14mm 10mm; "]
    assert "prefers-color-scheme" not in STYLE.replace("@media screen and (prefers-color-scheme: dark)", "")


# Contrast


def variables(dark: bool) -> dict[str, str]:
    light_part, dark_part = re.findall(r":root \{([^}]*)\}", STYLE)
    found = dict(re.findall(r"--(\w+): (#\w+)", light_part))
    return found | dict(re.findall(r"--(\w+): (#\w+)", dark_part)) if dark else found


def channels(colour: str) -> np.ndarray:
    digits = colour[1:] if len(colour) == 7 else "".join(2 * digit for digit in colour[1:])
    return np.array([int(digits[i : i + 2], 16) for i in (0, 2, 4)]) / 255


def contrast(one: np.ndarray, other: np.ndarray) -> float:
    """WCAG 2.1: (L1 + 0.05)/(L2 + 0.05) of the relative luminances."""

    def luminance(rgb: np.ndarray) -> float:
        linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
        return float(linear @ [0.2126, 0.7152, 0.0722])

    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_contrast_is_computed_as_the_standard_says() -> None:
    assert contrast(channels("#000"), channels("#fff")) == pytest.approx(21.0)
    # The lightest grey that reaches 4.5 on white: common knowledge of the trade, #767676 passes and #777777 does not.
    assert (
        contrast(channels("#767676"), channels("#fff")) >= TEXT > contrast(channels("#777"), channels("#fff"))
    )


@pytest.mark.parametrize("dark", [False, True])
def test_colours_stand_out(dark: bool) -> None:
    named = {name: channels(colour) for name, colour in variables(dark).items()}
    for ground in ("paper", "tint", "critical", "chosen"):
        for text in ("ink", "quiet", "mark", "deep"):
            assert contrast(named[text], named[ground]) >= TEXT, (text, ground)
    for title in ("oven", "pressure", "flow", "signal"):
        assert contrast(named[title], named["paper"]) >= TEXT, title
    for line in ("edge", "mark", "deep"):
        assert contrast(named[line], named["paper"]) >= GRAPHICS, line
        assert contrast(named[line], named["tint"]) >= GRAPHICS, line
    band = (
        0.28 * named["band"] + 0.72 * named["paper"]
    )  # what lies behind the signal, twice where bands overlap
    assert contrast(named["signal"], 0.28 * named["band"] + 0.72 * band) >= GRAPHICS


@pytest.mark.parametrize("dark", [False, True])
def test_pictures_stand_out(dark: bool) -> None:
    """Drawn for white paper; on a dark page inverted, their hues turned back, and laid over the page as light."""
    paper = channels(variables(dark)["paper"])
    turned = np.array(
        [[-0.574, 1.43, 0.144], [0.426, 0.43, 0.144], [0.426, 1.43, -0.856]]
    )  # Filter Effects, 180°
    assert "filter: invert(1) hue-rotate(180deg); mix-blend-mode: screen" in STYLE  # what is computed here
    for colour in (
        plots.INK,
        plots.QUIET,
        plots.CRITICAL,
        plots.OVEN,
        plots.PRESSURE,
        plots.FLOW,
        *RUN_COLOURS,
    ):
        shown = channels(colour)
        if dark:
            light = np.clip(turned @ (1 - shown), 0, 1)
            shown = 1 - (1 - light) * (1 - paper)
        least = TEXT if colour not in RUN_COLOURS else GRAPHICS
        assert contrast(shown, paper) >= least, colour


# What the script draws


def test_a_thinned_curve_passes_every_point() -> None:
    t = np.linspace(0.0, 10.0, 2001)
    y = 100 * np.exp(-0.5 * ((t - 4) / 0.05) ** 2) + 3 * np.sin(t)
    for tolerance in (1.0, 0.1, 0.01):
        kept = thinned_curve(t, y, tolerance)
        assert np.abs(np.interp(t, t[kept], y[kept]) - y).max() <= tolerance
        assert kept[0] == 0
        assert kept[-1] == 2000
        assert len(kept) < 1000
    assert list(thinned_curve(t, 2 * t + 1, 1e-9)) == [0, 2000]
    assert list(thinned_curve(t[:2], y[:2], 0.1)) == [0, 1]


def test_the_drawn_chromatogram_is_the_predicted_one() -> None:
    names = [f"compound {m}" for m in range(len(NAMES))]
    prediction = predicted(RETENTION, names, PRESSURE_RAMP)
    data = chromatogram_data(prediction, AMBIENT, "a run")
    view = chart_view(prediction, data)
    signal = np.interp(data.times, view["signal"]["times"], view["signal"]["values"])
    # Times are rounded to 1e-5 min: on the steepest flank that is a little more than the tolerance.
    steepest = np.abs(np.diff(data.response) / np.diff(data.times)).max()
    assert np.abs(signal - data.response).max() <= SIGNAL_TOLERANCE + 0.6e-5 * steepest + 1e-3
    assert view["end"] == pytest.approx(prediction.run_time / 60, abs=1e-5)
    oven, pressure, flow = view["traces"]
    for trace, times, values in (
        (oven, data.oven_times, data.oven),
        (pressure, data.trace_times, data.pressure),
        (flow, data.trace_times, data.flow),
    ):
        low, high = trace["range"]
        drawn = np.interp(times, trace["times"], trace["values"])
        assert np.abs(drawn - values).max() <= 1e-3 * (high - low)
        assert low <= min(trace["values"])
        assert max(trace["values"]) <= high
    assert pressure["ambient"] == pytest.approx(101.325)
    for peak in view["peaks"]:
        m = names.index(peak["name"])
        assert list(prediction.order)[peak["number"] - 1] == m
        assert peak["time"] == pytest.approx(prediction.retention[m] / 60, abs=1e-5)
        assert peak["half"] == pytest.approx(1.96 * prediction.retention_sd[m] / 60, rel=1e-2)
        assert peak["temperature"] == pytest.approx(prediction.elution_temperature[m] - 273.15, abs=0.01)
        assert peak["critical"] == (names[m] in (prediction.critical_pair or ()))
    assert sum(peak["critical"] for peak in view["peaks"]) == 2


def test_a_smaller_picture_is_the_same_picture() -> None:
    prediction = predicted(RETENTION, [f"compound {m}" for m in range(len(NAMES))])
    figure = plots.chromatogram_figure(chromatogram_data(prediction, AMBIENT, "a run"))
    before = plots.picture(figure, "svg")
    after = compact(before)
    assert len(after) < 0.9 * len(before)
    shape = r"<(\w+)"
    uncommented = re.sub(rb"<!--.*?-->", b"", before, flags=re.DOTALL).decode()
    assert re.findall(shape, uncommented) == re.findall(shape, after.decode())
    number = r"-?\d+(?:\.\d+)?"
    old, new = (
        np.array([float(x) for x in re.findall(number, text)]) for text in (uncommented, after.decode())
    )
    assert len(old) == len(new)
    assert np.abs(old - new).max() <= 0.01
    assert np.array_equal(old[np.abs(old) < 1], new[np.abs(old) < 1])  # scales of glyphs
