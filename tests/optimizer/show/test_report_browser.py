"""report.html in a real browser: it is clicked, typed at, pointed at, printed, darkened, narrowed and attacked."""

from __future__ import annotations

import io
import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

pytest.importorskip("playwright", reason="NOT TESTED: report.html in a browser; pip install playwright")

from tests.optimizer.browser import (
    FAINT,
    PIXELS_PER_MM,
    STICKING_OUT,
    Browser,
    chromium_or_skip,
    started_or_skip,
)
from tests.optimizer.hostile import NAMES as COMPOUNDS
from tests.optimizer.hostile import TITLE, report

chromium_or_skip("report.html")

PHONE = (360, 740)
A4, LETTER = (210.0, 297.0), (215.9, 279.4)  # mm
MARGIN = 10.0  # mm, on the left and right of a printed page
FIRST = "#candidate-1 figure.chart"
SIGNAL, TRACE = 180.0, 36.0  # px, heights of the drawn panels


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with started_or_skip("report.html") as running:
        yield running


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    found = tmp_path_factory.mktemp("out") / "report.html"
    found.write_bytes(report().encode())
    return found


@pytest.fixture
def page(browser: Browser, path: Path) -> Browser:
    """The report, freshly loaded on a desk's screen."""
    browser.scripts(True)
    browser.screen()
    browser.open(path)
    return browser


def visible(page: Browser, selector: str) -> list[bool]:
    found: list[bool] = page.run(
        f"[...document.querySelectorAll({json.dumps(selector)})].map((each) => each.checkVisibility())"
    )
    return found


def text(page: Browser, selector: str) -> str:
    return str(page.run(f"document.querySelector({json.dumps(selector)}).textContent")).strip()


def shown_candidates(page: Browser) -> list[str]:
    found: list[str] = page.run(
        "[...document.querySelectorAll('section.candidate:not(.more)')]"
        ".filter((e) => e.checkVisibility()).map((e) => e.id)"
    )
    return found


def data_of(page: Browser, figure: str) -> dict[str, Any]:
    loaded: dict[str, Any] = json.loads(text(page, f"{figure} script"))
    return loaded


class View:
    """What a drawn chromatogram shows now: `start` to `end` [min] over `left` to `right` [px in the window]."""

    def __init__(self, page: Browser, figure: str) -> None:
        drawn = page.run(
            f"(() => {{ const svg = document.querySelector('{figure} svg'), box = svg.getBoundingClientRect();"
            "const frame = svg.querySelector('.frame').getBoundingClientRect();"
            "const minutes = [...svg.querySelectorAll('.minute')].slice(0, -1)"
            ".map((each) => [Number(each.getAttribute('x')) + box.left, Number(each.textContent)]);"
            "return { left: frame.left, right: frame.right, top: frame.top, bottom: frame.bottom, minutes }; })()"
        )
        (x0, t0), *_, (x1, t1) = drawn["minutes"]
        self.left, self.right = drawn["left"], drawn["right"]
        self.middle = (drawn["top"] + drawn["bottom"]) / 2
        self.per_pixel = (t1 - t0) / (x1 - x0)
        self.start = t0 + (self.left - x0) * self.per_pixel
        self.end = t0 + (self.right - x0) * self.per_pixel

    def x(self, minutes: float) -> float:
        return float(self.left + (minutes - self.start) / self.per_pixel)


def curve(page: Browser, figure: str, kind: str) -> np.ndarray:
    """Points of a drawn curve (N, 2), in px within its panel."""
    path = page.run(f"document.querySelector('{figure} svg svg path.{kind}').getAttribute('d')")
    return np.array([[float(x) for x in point.split(" ")] for point in path[1:].split("L")])


# Nothing but itself


def test_nothing_is_fetched_and_nothing_is_wrong(page: Browser, path: Path) -> None:
    assert page.asked.count(path.as_uri()) == 1
    assert all(url == path.as_uri() or url.startswith("data:image/svg+xml") for url in page.asked)
    assert page.complaints == []


def test_what_someone_slips_in_is_refused(page: Browser) -> None:
    assert page.run("window.bad === undefined")
    page.run(
        "(() => { window.refused = [];"
        "document.addEventListener('securitypolicyviolation', (event) => refused.push(event.effectiveDirective));"
        "const script = document.createElement('script'); script.textContent = 'window.bad = 6';"
        "document.body.append(script);"
        "document.body.insertAdjacentHTML('beforeend', '"
        '<p id=odd style="color: red" onclick="window.bad = 7">odd</p>'
        "<img src=\"https://example.invalid/a.png\">'); document.querySelector('#odd').click(); })()"
    )
    assert page.run("fetch('https://example.invalid/').then(() => 'fetched', () => 'refused')") == "refused"
    page.tab.wait_for_function("refused.includes('connect-src') && refused.includes('img-src')")
    assert page.run("window.bad === undefined")
    assert {"script-src-elem", "script-src-attr", "style-src-attr"} <= set(page.run("refused"))


def test_texts_are_texts(page: Browser) -> None:
    assert page.run("document.title") == re.sub(r"\s+", " ", TITLE)
    assert text(page, "h1") == TITLE
    assert page.run("document.querySelectorAll('img[src=x], [onmouseover], [onerror]').length") == 0
    cells = page.run(
        "[...document.querySelectorAll('#candidate-1-risks table.peaks tbody tr')]"
        ".map((row) => row.cells[1].textContent)"
    )
    assert len(cells) == len(COMPOUNDS)
    for name in COMPOUNDS:
        assert any(cell.strip().startswith(name.strip()) for cell in cells), name
    labels = page.run(
        f"[...document.querySelectorAll('{FIRST} svg text.name')].map((each) => each.textContent)"
    )
    assert "<script>windo" in " ".join(labels)
    assert page.run("window.bad === undefined")


# Candidates


def test_the_reader_switches_candidates(page: Browser) -> None:
    assert shown_candidates(page) == ["candidate-1"]
    page.click("input[value=candidate-2]")
    assert shown_candidates(page) == ["candidate-2"]
    page.key("ArrowDown")  # the radio button has the focus
    assert shown_candidates(page) == ["in-use"]
    page.key("ArrowDown")
    assert shown_candidates(page) == ["candidate-1", "candidate-2", "in-use"]
    page.click("a[href='#candidate-1']")  # stays as it is: all of them are shown
    assert len(shown_candidates(page)) == 3
    page.click("input[value=candidate-1]")
    page.click("a[href='#candidate-2']")
    assert shown_candidates(page) == ["candidate-2"]
    assert page.run("document.querySelector('input[name=shown]:checked').value") == "candidate-2"
    top = page.run("document.querySelector('#candidate-2').getBoundingClientRect().top")
    assert 0 <= top < 200


def test_an_address_leads_to_its_candidate(browser: Browser, path: Path) -> None:
    browser.scripts(True)
    browser.screen()
    browser.open(path, "#in-use")
    assert shown_candidates(browser) == ["in-use"]


def test_switching_stays_at_the_heading_that_is_read(page: Browser) -> None:
    place = (
        "[...document.querySelectorAll('#candidate-%d-risks h3')].find((each) => each.textContent === 'Peaks')"
        ".getBoundingClientRect().top"
    )
    page.run(f"window.scrollBy({{ top: {place % 1} - 60, behavior: 'instant' }})")
    page.settle()
    before = page.run(place % 1)
    page.run("document.querySelector('input[value=candidate-2]').click()")
    page.settle()
    assert page.run(place % 2) == pytest.approx(before, abs=1.0)


def test_switching_leaves_the_chromatogram_where_it_is(page: Browser) -> None:
    place = (
        "(() => { const at = document.querySelector('#candidate-%d svg.live-chart').getBoundingClientRect();"
    )
    place += "return [at.top, at.bottom]; })()"
    for down in (0, 300):
        page.run(f"window.scrollTo({{ top: {down}, behavior: 'instant' }})")
        page.settle()
        before = page.run(place % 1)
        page.run("document.querySelector('input[value=candidate-2]').click()")
        page.settle()
        assert page.run(place % 2) == pytest.approx(before, abs=1.0)
        page.run("document.querySelector('input[value=candidate-1]').click()")
        page.settle()
        assert page.run(place % 1) == pytest.approx(before, abs=1.0)


# What is read in a minute


def test_the_first_screen_holds_verdict_set_points_and_chromatogram(page: Browser) -> None:
    bottoms = [
        page.run(f"document.querySelector('{part}').getBoundingClientRect().bottom")
        for part in (".verdict", "#candidate-1 .set", "#candidate-1 svg.live-chart")
    ]
    assert page.run("scrollY") == 0
    assert max(bottoms) <= 900.0
    tops = [
        page.run(f"document.querySelector('{part}').getBoundingClientRect().top + scrollY")
        for part in (".verdict", "#candidate-1 .set", ".whole", "#candidate-1-risks", "#parameters")
    ]
    assert tops == sorted(tops)


def test_set_points_stand_whole_beside_the_chromatogram(page: Browser) -> None:
    """Also those of a pressure program, whose table has seven columns."""
    heads = ("step", "kPa/min", "to kPa gauge", "hold, min", "kPa absolute", "psi gauge", "psi/min")
    cells = ("ramp 1", "17", "123", "0", "224.3", "17.84", "2.47")
    row = "".join(f"<td{' class=also' if n > 3 else ''}>{each}</td>" for n, each in enumerate(cells) if n)
    page.run(
        "document.querySelector('#candidate-1 .set').lastElementChild.innerHTML = `<table><thead><tr>"
        + "".join(f"<th{' class=also' if n > 3 else ''}>{each}</th>" for n, each in enumerate(heads))
        + f"</tr></thead><tbody>{f'<tr><th class=t>ramp 1</th>{row}</tr>' * 2}</tbody></table>`"
    )
    for box in ("#candidate-1 .set > div:first-child", "#candidate-1 .set > div:last-child"):
        inside = f"document.querySelector('{box}')"
        assert page.run(f"{inside}.scrollWidth <= {inside}.clientWidth"), box
    lines = (
        "[...document.querySelectorAll('#candidate-1 .set tbody th')].map((each) => {"
        "const range = document.createRange(); range.selectNodeContents(each); return range.getClientRects().length; })"
    )
    assert set(page.run(lines)) == {1}
    kinds = (
        "[...document.querySelectorAll('#candidate-1 .set td')].map((each) => getComputedStyle(each).display)"
    )
    assert set(page.run(kinds)) <= {"table-cell", "none"}


def test_every_panel_has_a_scale_and_no_option_is_broken(page: Browser) -> None:
    at = f"[...document.querySelectorAll('{FIRST} svg > .value')].map((each) => Number(each.getAttribute('y')))"
    frames = f"[...document.querySelectorAll('{FIRST} svg > .frame')].map((each) => each.getBBox())"
    counts = (
        f"(() => {{ const at = {at}; return {frames}.map((box) => "
        "at.filter((y) => y >= box.y - 1 && y <= box.y + box.height + 8).length); })()"
    )
    assert min(page.run(counts)) >= 2
    options = "[...document.querySelectorAll('.verdict .option')].map((each) => each.getClientRects().length)"
    found = page.run(options)
    assert found
    assert set(found) == {1}


def test_few_words_are_unfolded(page: Browser) -> None:
    """Words and numbers, those in the drawn chromatogram too: at most 700 for a mixture of a dozen."""
    words = page.run(
        "(() => { const walker = document.createTreeWalker(document.querySelector('main'), NodeFilter.SHOW_TEXT);"
        "let found = 0; while (walker.nextNode()) { const at = walker.currentNode.parentElement;"
        "if (at.checkVisibility() && !at.closest('script, style'))"
        "found += (walker.currentNode.data.match(/\\S*[A-Za-z0-9]\\S*/g) ?? []).length; } return found; })()"
    )
    assert 200 < words <= 700


def test_the_table_of_candidates_sorts(page: Browser) -> None:
    rows = (
        "[...document.querySelectorAll('table.sorts tbody tr')].map((row) => row.cells[0].textContent.trim())"
    )
    times = "[...document.querySelectorAll('table.sorts tbody tr')].map((row) => Number(row.cells[3].textContent))"
    assert page.run(rows) == ["in use", "1", "2"]
    page.click("table.sorts th:nth-child(4) button")
    assert page.run(times) == sorted(page.run(times))
    assert (
        page.run("document.querySelector('table.sorts th:nth-child(4)').getAttribute('aria-sort')")
        == "ascending"
    )
    page.click("table.sorts th:nth-child(4) button")
    assert page.run(times) == sorted(page.run(times), reverse=True)
    assert len(page.run(rows)) == 3


def test_a_link_to_a_folded_part_opens_it(page: Browser) -> None:
    assert page.run("document.querySelector('#cautions').open") is False
    page.click("#candidate-1 a[href='#cautions']")
    assert page.run("document.querySelector('#cautions').open") is True


# Chromatograms


def test_buttons_move_and_enlarge(page: Browser) -> None:
    data = data_of(page, FIRST)
    whole = View(page, FIRST)
    assert (whole.start, whole.end) == pytest.approx((0.0, data["end"]), abs=1e-3)
    page.click(f"{FIRST} [data-do=in]")
    half = View(page, FIRST)
    assert half.end - half.start == pytest.approx(data["end"] / 2, rel=1e-3)
    page.click(f"{FIRST} [data-do=later]")
    assert View(page, FIRST).start == pytest.approx(half.start + data["end"] / 8, abs=1e-3)
    page.click(f"{FIRST} [data-do=earlier]")
    assert View(page, FIRST).start == pytest.approx(half.start, abs=1e-3)
    before = curve(page, FIRST, "signal")
    page.click(f"{FIRST} [data-do=taller]")
    heights = [
        np.ptp(np.clip(points[:, 1], -1e4, SIGNAL)) for points in (before, curve(page, FIRST, "signal"))
    ]
    assert heights[1] == pytest.approx(2 * heights[0], rel=0.02)
    assert "× 2" in text(page, f"{FIRST} svg .title")
    page.click(f"{FIRST} [data-do=lower]")
    assert "×" not in text(page, f"{FIRST} svg .title")
    page.click(f"{FIRST} [data-do=pair]")
    pair = View(page, FIRST)
    first, last = data["window"]
    assert pair.start < first < last < pair.end
    assert pair.end - pair.start < 2 * (last - first)
    page.click(f"{FIRST} [data-do=out]")
    assert View(page, FIRST).end - View(page, FIRST).start == pytest.approx(
        2 * (pair.end - pair.start), rel=1e-2
    )
    page.click(f"{FIRST} [data-do=whole]")
    assert View(page, FIRST).end == pytest.approx(whole.end, abs=1e-3)


def test_a_dragged_stretch_fills_the_panels(page: Browser) -> None:
    data = data_of(page, FIRST)
    page.middle(f"{FIRST} svg")
    view = View(page, FIRST)
    peak = data["peaks"][5]
    start, end = peak["time"] - 0.8, peak["time"] + 0.8
    page.drag((view.x(start), view.middle), (view.x(end), view.middle))
    zoomed = View(page, FIRST)
    assert (zoomed.start, zoomed.end) == pytest.approx((start, end), abs=2 * view.per_pixel)
    seen = [each for each in data["peaks"] if zoomed.start <= each["time"] <= zoomed.end]
    assert 0 < len(seen) < len(data["peaks"])
    # the trace: its highest point is where the highest peak in view is
    signal = curve(page, FIRST, "signal")
    inside = signal[(signal[:, 0] >= 0) & (signal[:, 0] <= zoomed.right - zoomed.left)]
    summit = zoomed.start + inside[np.argmin(inside[:, 1]), 0] * zoomed.per_pixel
    assert summit == pytest.approx(
        max(seen, key=lambda each: each["height"])["time"], abs=2 * zoomed.per_pixel
    )
    # the bands: as wide as their intervals
    bands = page.run(
        f"[...document.querySelectorAll('{FIRST} svg .band')]"
        ".map((each) => [each.getAttribute('x'), each.getAttribute('width')])"
    )
    drawn = {
        round(zoomed.start + (float(x) + float(w) / 2) * zoomed.per_pixel, 2): float(w) for x, w in bands
    }
    assert drawn[round(peak["time"], 2)] == pytest.approx(2 * peak["half"] / zoomed.per_pixel, rel=0.02)
    # oven, pressure and flow: the values at the middle of the view
    for trace in data["traces"]:
        points = curve(page, FIRST, trace["kind"])
        low, high = trace["range"]
        middle = (zoomed.end - zoomed.start) / 2
        shown = high - np.interp(middle / zoomed.per_pixel, *points.T) / TRACE * (high - low)
        expected = np.interp(zoomed.start + middle, trace["times"], trace["values"])
        assert shown == pytest.approx(expected, abs=0.01 * (high - low)), trace["kind"]
    x, y = page.middle(f"{FIRST} svg")
    page.tab.mouse.dblclick(x, y)
    page.settle()
    assert View(page, FIRST).end == pytest.approx(data["end"], abs=1e-3)


def test_keys_move_and_enlarge(page: Browser) -> None:
    end = data_of(page, FIRST)["end"]
    page.run(f"document.querySelector('{FIRST} svg').focus()")
    page.key("+")
    page.key("+")
    view = View(page, FIRST)
    assert view.end - view.start == pytest.approx(end / 4, rel=1e-2)
    page.key("Shift+ArrowRight")
    assert View(page, FIRST).start == pytest.approx(view.start + end / 16, abs=1e-2)
    page.key("-")
    assert View(page, FIRST).end - View(page, FIRST).start == pytest.approx(end / 2, rel=1e-2)
    page.key("ArrowUp")
    assert "× 2" in text(page, f"{FIRST} svg .title")
    page.key("0")
    assert View(page, FIRST).end == pytest.approx(end, abs=1e-3)
    assert "×" not in text(page, f"{FIRST} svg .title")
    page.key("c")
    assert View(page, FIRST).end < end


def row(page: Browser, number: int) -> list[str]:
    """Cells of a row of the first candidate's peak table, blanks as one."""
    cells = page.run(
        f"[...document.querySelectorAll('#candidate-1-risks table.peaks tbody tr')[{number - 1}].cells]"
        ".map((cell) => cell.textContent)"
    )
    return [re.sub(r"\s+", " ", cell).strip() for cell in cells]


def chosen(page: Browser) -> list[int]:
    """Numbers of the rows that are marked."""
    found: list[int] = page.run(
        "[...document.querySelectorAll('#candidate-1-risks table.peaks tr.shown')].map((each) => each.rowIndex)"
    )
    return found


def test_a_peak_that_is_pointed_at_tells_its_row(page: Browser) -> None:
    page.middle(f"{FIRST} svg")
    view = View(page, FIRST)
    for peak in (data_of(page, FIRST)["peaks"][at] for at in (0, 2, 5)):
        page.point(view.x(peak["time"]), view.middle)
        assert chosen(page) == [peak["number"]]
        told = re.sub(r"\s+", " ", text(page, f"{FIRST} .row"))
        for cell in row(page, peak["number"]):
            assert cell in told
        assert "retention, min" in told
    under = text(page, f"{FIRST} .under")
    found = re.search(r"oven ([\d.]+) °C; inlet ([\d.]+) kPa gauge \(([\d.]+) absolute\); column flow", under)
    assert found is not None
    for trace, read in zip(data_of(page, FIRST)["traces"], found.groups()[:2], strict=False):
        expected = np.interp(peak["time"], trace["times"], trace["values"])
        assert float(read) == pytest.approx(expected, abs=0.01 * (trace["range"][1] - trace["range"][0]))
    assert float(found[3]) - float(found[2]) == pytest.approx(101.3, abs=0.2)


def test_a_row_that_is_pointed_at_marks_its_peak(page: Browser) -> None:
    page.point(*page.middle("#candidate-1-risks table.peaks tbody tr:nth-child(3) th"))
    assert chosen(page) == [3]
    assert text(page, f"{FIRST} svg text.chosen") == data_of(page, FIRST)["peaks"][2]["label"]


def test_keys_go_from_peak_to_peak(page: Browser) -> None:
    svg = f"document.querySelector('{FIRST} svg')"
    assert page.run(f"{svg}.getAttribute('aria-valuetext')") == "no peak chosen"
    page.run(f"{svg}.focus()")
    page.key("ArrowRight")
    assert chosen(page) == [1]
    page.key("ArrowRight")
    page.key("ArrowRight")
    page.key("ArrowLeft")
    assert chosen(page) == [2]
    assert page.run(f"{svg}.getAttribute('aria-valuenow')") == "2"
    for cell in row(page, 2):
        assert cell in page.run(f"{svg}.getAttribute('aria-valuetext')")
    page.key("+")
    page.key("+")
    page.key("End")
    last = data_of(page, FIRST)["peaks"][-1]
    assert chosen(page) == [last["number"]]
    view = View(page, FIRST)
    assert view.start <= last["time"] <= view.end  # it has been brought into view
    page.key("Escape")
    assert chosen(page) == []


def test_set_points_are_copied(page: Browser) -> None:
    page.click("#candidate-1 .copy button")
    page.tab.wait_for_function(
        "document.querySelector('#candidate-1 [role=status]').textContent === 'Copied.'"
    )
    copied = page.run("navigator.clipboard.readText()")
    assert copied == page.run("document.querySelector('#candidate-1 pre').textContent")
    assert "Candidate 1: family 1" in copied
    assert "1.4 mL/min" in copied


def test_set_points_can_be_copied_by_hand_where_the_browser_refuses(page: Browser) -> None:
    page.run(
        "(() => { Object.defineProperty(navigator, 'clipboard', { value: undefined });"
        "document.execCommand = () => false; })()"
    )
    page.click("#candidate-1 .copy button")
    assert "Ctrl+C" in text(page, "#candidate-1 [role=status]")
    assert visible(page, "#candidate-1 pre") == [True]
    assert page.run("getSelection().toString().trim()").startswith(TITLE)


# Everyone can read it


def test_the_keyboard_reaches_everything_and_the_focus_is_seen(page: Browser) -> None:
    reached: list[str] = []
    for _ in range(200):
        page.tab.keyboard.press("Tab")
        at = page.run(
            "(() => { const each = document.activeElement, style = getComputedStyle(each);"
            "return [each.localName + (each.dataset.do ? ' ' + each.dataset.do : ''), style.outlineStyle,"
            " parseFloat(style.outlineWidth)]; })()"
        )
        if at[0] == "body":
            break
        assert at[1] != "none", at
        assert at[2] >= 2, at
        reached.append(at[0])
    else:
        pytest.fail("the focus never leaves the page")
    assert {"a", "input", "svg", "summary", "button in", "button whole", "button"} <= set(reached)
    assert reached.count("svg") == 1  # the other candidates are not shown


@pytest.mark.parametrize("dark", [False, True])
def test_every_text_stands_out(page: Browser, dark: bool) -> None:
    page.screen(dark=dark)
    page.click("input[value=all]")
    for key in ("ArrowRight", "ArrowRight"):
        page.run(f"document.querySelector('{FIRST} svg').focus()")
        page.key(key)
    found = page.run(FAINT)
    assert found["seen"] > 300
    assert found["faint"] == []


def test_dark_pages_are_dark_and_pictures_legible(page: Browser) -> None:
    from matplotlib.image import imread

    shares = []
    for dark in (False, True):
        page.screen(dark=dark)
        page.middle(".pair img")
        shot = imread(io.BytesIO(page.tab.locator(".pair img").first.screenshot()))[..., :3].mean(axis=2)
        ground = float(np.median(shot))
        shares.append((ground, float((np.abs(shot - ground) > 0.4).mean())))
    (light, ink), (dark_ground, dark_ink) = shares
    assert light > 0.9
    assert dark_ground < 0.15
    assert dark_ink == pytest.approx(ink, rel=0.3)  # what is drawn is seen as well
    assert ink > 0.005


def test_a_phone_shows_everything_in_its_width(page: Browser) -> None:
    page.screen(*PHONE, touch=True)
    page.run("document.querySelector('input[value=all]').click()")
    page.settle()
    assert page.run("[innerWidth, document.documentElement.scrollWidth]") == [360, 360]
    assert page.run(STICKING_OUT % {"width": 360, "inside": "each.parentElement.closest('.wide')"}) == []
    boxes = page.run(
        "[...document.querySelectorAll('.wide')].filter((e) => e.checkVisibility() && e.scrollWidth > e.clientWidth)"
        ".map((e) => [getComputedStyle(e).overflowX, e.tabIndex, e.getAttribute('role'), e.getAttribute('aria-label')])"
    )
    assert boxes
    for overflow, tab, role, name in boxes:
        assert (overflow, tab, role) == ("auto", 0, "region")
        assert name
    small = page.run(
        "[...document.querySelectorAll('button, input, summary')].filter((e) => e.checkVisibility())"
        ".map((e) => (e.closest('label') ?? e).getBoundingClientRect())"
        ".filter((box) => Math.min(box.width, box.height) < 24).length"
    )
    assert small == 0  # WCAG 2.2, success criterion 2.5.8: 24 by 24 CSS pixels
    assert page.run("Math.min(...[...document.querySelectorAll('body *')].filter((e) => e.checkVisibility())"
                    ".map((e) => parseFloat(getComputedStyle(e).fontSize)))") >= 12  # fmt: skip


def test_fingers_switch_and_point(page: Browser) -> None:
    page.screen(*PHONE, touch=True)
    page.tap(*page.middle("input[value=candidate-2]"))
    assert shown_candidates(page) == ["candidate-2"]
    figure = "#candidate-2 figure.chart"
    page.middle(f"{figure} svg")
    view = View(page, figure)
    page.tap(view.x(data_of(page, figure)["peaks"][0]["time"]), view.middle)
    assert data_of(page, figure)["peaks"][0]["name"] in text(page, f"{figure} .row")


# Paper, and no script


def all_there_as_pictures(page: Browser) -> None:
    assert visible(page, ".viewer, .switch, .copy button") == [False] * len(
        visible(page, ".viewer, .switch, .copy button")
    )
    assert visible(page, ".drawn img") == [True] * 3
    assert shown_candidates(page) == ["candidate-1", "candidate-2", "in-use"]


def pages_of(pdf: bytes, points: tuple[float, ...]) -> int:
    boxes = re.findall(rb"/MediaBox \[0 0 ([\d.]+) ([\d.]+)\]", pdf)
    assert boxes
    for box in boxes:
        assert tuple(map(float, box)) == pytest.approx(points, abs=1.0)
    return len(re.findall(rb"/Type /Page\b", pdf))


@pytest.mark.parametrize("paper", [A4, LETTER], ids=["A4", "Letter"])
@pytest.mark.parametrize("dark", [False, True])
def test_paper_has_what_is_shown_and_unfolded(page: Browser, paper: tuple[float, float], dark: bool) -> None:
    page.click(f"{FIRST} [data-do=in]")
    points = tuple(side / 25.4 * 72 for side in paper)
    size = {"width": f"{paper[0]}mm", "height": f"{paper[1]}mm"}
    page.screen(media="print", dark=dark)
    assert pages_of(page.tab.pdf(**size), points) == 2  # one candidate
    page.screen(dark=dark)
    page.click("input[value=all]")
    page.run("for (const each of document.querySelectorAll('details')) each.open = true")
    width = (paper[0] - 2 * MARGIN) * PIXELS_PER_MM
    page.screen(int(width), 1000, media="print", dark=dark)
    all_there_as_pictures(page)
    for part in ("#parameters tbody tr", "#cautions li", ".more table", "dl dd"):
        found = visible(page, part)
        assert found, part
        assert all(found), part
    assert page.run(STICKING_OUT % {"width": width, "inside": "false"}) == []
    assert page.run("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
    assert page.run("getComputedStyle(document.querySelector('img')).filter") == "none"
    page.screen(media="print", dark=dark)
    assert 5 <= pages_of(page.tab.pdf(**size), points) <= 14


def test_without_its_script_the_page_stands_as_it_is(browser: Browser, path: Path) -> None:
    stripped = path.with_name("plain.html")
    stripped.write_text(
        re.sub(r"<script>.*?</script>", "", path.read_text("utf-8"), flags=re.DOTALL), "utf-8"
    )
    browser.screen()
    browser.open(stripped)
    all_there_as_pictures(browser)
    assert visible(browser, "#candidate-1 .copy summary") == [True]
    browser.click("#candidate-1 .copy summary")
    assert visible(browser, "#candidate-1 pre") == [True]
    assert browser.complaints == []


def test_with_scripts_switched_off_the_page_stands_as_it_is(browser: Browser, path: Path) -> None:
    browser.screen()
    browser.scripts(False)
    browser.tab.goto(path.as_uri())
    assert browser.run("document.querySelectorAll('img').length") > 3
    all_there_as_pictures(browser)
    browser.scripts(True)
