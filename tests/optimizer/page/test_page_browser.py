"""The live page in a real browser: entered, dragged at, typed at, nudged, saved, darkened, narrowed, attacked."""

from __future__ import annotations

import base64
import json
import re
import shutil
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import product
from pathlib import Path

import pytest

pytest.importorskip("playwright", reason="NOT TESTED: the live page in a browser; pip install playwright")
pytest.importorskip(
    "starlette", reason="NOT TESTED: the live page in a browser; pip install 'rampwright[page]'"
)
pytest.importorskip(
    "uvicorn", reason="NOT TESTED: the live page in a browser; pip install 'rampwright[page]'"
)

import uvicorn

import rampwright as rw
from optimizer.page.gate import Gate
from optimizer.page.server import HOST, application, bound
from optimizer.page.session import Session
from tests.optimizer.bad_inputs import write_good_scenario
from tests.optimizer.browser import (
    FAINT,
    STICKING_OUT,
    Browser,
    chromium_or_skip,
)
from tests.optimizer.hostile import NAMES as HOSTILE

chromium_or_skip("the live page")

DESK, PHONE = (1400, 900), (390, 844)


@dataclass
class Serving:
    """A server with its page, and where."""

    session: Session
    gate: Gate
    server: uvicorn.Server
    thread: threading.Thread
    port: int

    @property
    def address(self) -> str:
        return f"http://{HOST}:{self.port}/"

    def end(self) -> None:
        self.server.should_exit = True
        self.thread.join()
        self.session.end()


def serving(folder: Path) -> Serving:
    session, gate = Session(folder), Gate()
    listening = bound(0)
    port = listening.getsockname()[1]
    app = application(session, gate, port)
    server = uvicorn.Server(uvicorn.Config(app, log_level="critical", lifespan="off"))
    thread = threading.Thread(target=lambda: server.run(sockets=[listening]), daemon=True)
    thread.start()
    return Serving(session, gate, server, thread, port)


@contextmanager
def serving_copy(of: Path, folder: Path) -> Iterator[Serving]:
    """A server of a copy of a scenario, as long as it is needed."""
    shutil.copytree(of, folder)
    running = serving(folder)
    yield running
    running.end()


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("live") / "five"
    write_good_scenario(folder)
    return folder


@pytest.fixture
def served(made: Path, tmp_path: Path) -> Iterator[Serving]:
    with serving_copy(made, tmp_path / "five") as running:
        yield running


@pytest.fixture
def page(browser: Browser, served: Serving) -> Browser:
    """The page as the redirect file opens it, on a desk's screen, with the first scouting run's program."""
    browser.screen()
    enter(browser, served)
    start_with(browser, "scouting run")
    return browser


def enter(browser: Browser, served: Serving) -> None:
    browser.open(served.gate.redirect_file(served.address))
    browser.tab.wait_for_selector("body[data-ready]")
    browser.settle()


FRAMES = 4_000  # a minute and more, which only guards against a hang


def until(page: Browser, condition: str) -> None:
    """Until a condition holds in the page; the page's policy forbids the driver's own way to wait for one."""
    for _ in range(FRAMES):
        if page.run(condition):
            page.settle()
            return
        page.settle()
    raise AssertionError(f"never came about: {condition}")


def press(page: Browser, label: str) -> None:
    """The button of the table of set points with that text."""
    buttons = "[...document.querySelectorAll('#set-points button')]"
    page.run(f"{buttons}.find((each) => each.textContent === {json.dumps(label)}).click()")


def ready(page: Browser) -> None:
    """Until what was asked for has been simulated."""
    until(page, "document.querySelector('#verdict').getAttribute('aria-busy') === 'false'")
    page.settle()


def start_with(page: Browser, label: str) -> None:
    page.run(
        "(() => { const box = document.querySelector('#starts');"
        f"box.value = [...box.options].find((each) => each.text.startsWith({json.dumps(label)})).value; }})()"
    )
    page.click("#take")
    ready(page)
    page.run("scrollTo(0, 0)")


def text(page: Browser, selector: str) -> str:
    return str(page.run(f"document.querySelector({json.dumps(selector)}).textContent")).strip()


def minutes(page: Browser) -> float:
    return float(text(page, "#run").split()[0])


def place(page: Browser, selector: str) -> tuple[float, float]:
    box = page.run(
        f"(() => {{ const box = document.querySelector({json.dumps(selector)}).getBoundingClientRect();"
        "return [box.left + box.width / 2, box.top + box.height / 2]; })()"
    )
    return box[0], box[1]


def value(page: Browser, schedule: str, ramp: int, key: str) -> float:
    found = f"#set-points input[data-schedule={schedule}][data-ramp='{ramp}'][data-key={key}]"
    return float(page.run(f"document.querySelector({json.dumps(found)}).value"))


def set_to(page: Browser, schedule: str, ramp: int, key: str, wanted: str) -> None:
    page.tab.fill(f"#set-points input[data-schedule={schedule}][data-ramp='{ramp}'][data-key={key}]", wanted)
    page.key("Enter")


# ---- coming in -------------------------------------------------------------------------------------------------


def test_the_key_is_in_the_tabs_own_store_and_in_no_address_or_cookie(
    browser: Browser, served: Serving
) -> None:
    enter(browser, served)
    token = served.gate.token
    assert browser.run("sessionStorage.getItem('rampwright-key')") == token
    assert browser.run("document.cookie") == ""
    assert browser.tab.url == served.address
    assert not [each for each in browser.asked if token in each]
    assert all(each.startswith((served.address, "file:", "data:")) for each in browser.asked)
    assert browser.complaints == []
    browser.tab.go_back()  # the page that held it is not among those to go back to
    assert token not in browser.tab.content()


def test_a_tab_without_the_key_asks_for_the_code(browser: Browser, served: Serving) -> None:
    browser.tab.goto("about:blank")
    other = browser.tab.context.new_page()
    try:
        other.goto(served.address)
        other.fill("#code", "WRONG")
        other.keyboard.press("Enter")
        other.wait_for_selector("#enter-refused:not(:empty)")
        assert not other.is_visible("#page")
        other.fill("#code", served.gate.code.lower())
        other.keyboard.press("Enter")
        other.wait_for_selector("body[data-ready]")
        assert other.is_visible("#run")
    finally:
        other.close()


# ---- changing a program ----------------------------------------------------------------------------------------


def test_the_page_shows_what_the_interface_predicts(page: Browser, served: Serving) -> None:
    fitted = served.session.fitted
    made = rw.predict(fitted, fitted.scenario.runs[0].program)
    assert minutes(page) == pytest.approx(made.run_time_min, abs=0.006)
    assert float(text(page, "#rs")) == pytest.approx(made.min_resolution, abs=0.006)
    assert made.reliability is not None
    assert abs(int(text(page, "#share").split()[0]) - 100 * made.reliability.share) < 1
    rows = page.run(
        "[...document.querySelectorAll('#peaks tbody tr')].map((each) => each.cells[0].textContent)"
    )
    assert rows == [each.compound for each in made.peaks]
    assert page.run("document.querySelectorAll('#chart text.name').length") == len(made.peaks)
    worst = text(page, "#margins li .what")
    assert worst == min(made.margins, key=lambda each: each.margin).text


def test_a_corner_is_dragged_and_all_follows_before_it_is_let_go(page: Browser) -> None:
    before, share = minutes(page), text(page, "#sure")
    assert share.startswith("simulated")
    x, y = place(page, "#chart .corner.oven.arrival")
    page.tab.mouse.move(x, y)
    page.tab.mouse.down()
    page.tab.mouse.move(x - 60, y, steps=12)
    until(page, "document.querySelector('#sure').textContent === 'by first derivatives'")
    until(page, f"parseFloat(document.querySelector('#run').textContent) < {before - 0.01}")
    page.tab.mouse.up()
    ready(page)
    assert minutes(page) < before
    assert page.run("document.querySelectorAll('#trail .tried').length") >= 2
    page.click("#undo")
    until(page, f"parseFloat(document.querySelector('#run').textContent) > {before - 0.006}")
    ready(page)
    page.click("#redo")
    until(page, f"parseFloat(document.querySelector('#run').textContent) < {before - 0.01}")
    assert page.complaints == []


def test_arrow_keys_move_a_corner_by_one_step_of_the_instrument(page: Browser, served: Serving) -> None:
    steps = served.session.fitted.scenario.instrument.steps
    to, rate = value(page, "oven", 0, "to"), value(page, "oven", 0, "rate")
    page.run("document.querySelector('#chart .corner.oven.arrival').focus()")
    page.key("ArrowDown")
    until(page, "document.querySelector('#sure').textContent === 'by first derivatives'")
    ready(page)
    assert value(page, "oven", 0, "to") == pytest.approx(to - steps.temperature)
    assert value(page, "oven", 0, "rate") == rate
    for _ in range(3):
        page.key("ArrowRight")  # later: slower
    wanted = rate - 3 * steps.rate * 60
    typed = "document.querySelector('#set-points input[data-ramp=\"0\"][data-key=rate]').value"
    until(page, f"Math.abs({wanted} - {typed}) < 1e-6")
    ready(page)
    assert value(page, "oven", 0, "to") == pytest.approx(to - steps.temperature)
    assert page.run("document.activeElement.getAttribute('class')").startswith("corner oven")


def test_set_points_are_typed_and_put_on_the_instruments_steps(page: Browser) -> None:
    set_to(page, "oven", -1, "start", "61.3")
    until(page, "document.querySelector('#set-points input[data-key=start]').value === '61'")
    ready(page)
    set_to(page, "oven", 0, "hold", "")
    until(page, "document.querySelector('#refused').textContent.includes('expected a number')")


def test_what_cannot_be_run_is_refused_with_its_reason_and_shaded(page: Browser) -> None:
    rate, flow = value(page, "oven", 0, "rate"), value(page, "carrier", -1, "start")
    set_to(page, "oven", 0, "rate", "250")
    until(page, "document.querySelector('#refused').textContent.includes('the oven heats at no more')")
    assert value(page, "oven", 0, "rate") == rate
    set_to(page, "carrier", -1, "start", "40")
    until(page, "/^Refused:.*flow/.test(document.querySelector('#refused').textContent)")
    assert value(page, "carrier", -1, "start") == flow
    x, y = place(page, "#chart .corner.oven.arrival")
    page.tab.mouse.move(x, y)
    page.tab.mouse.down()
    page.tab.mouse.move(x, y - 400, steps=6)  # far above what the column bears
    until(page, "document.querySelector('#refused').textContent.startsWith('Refused:')")
    page.tab.mouse.up()
    page.settle()
    assert page.run("document.querySelectorAll('#chart .cannot').length") >= 4
    assert text(page, "#broken") == ""


def test_a_ramp_is_added_and_removed(page: Browser) -> None:
    count = page.run("document.querySelectorAll('#chart .corner.oven').length")
    press(page, "Add a ramp of oven")
    until(page, f"document.querySelectorAll('#chart .corner.oven').length === {count + 2}")
    ready(page)
    press(page, "Add a ramp of column flow")
    until(page, "document.querySelectorAll('#chart .corner.carrier').length === 4")
    ready(page)
    assert "ramp 1" in text(page, "#as-text").lower()
    page.run("[...document.querySelectorAll('#set-points td button')].at(-1).click()")
    until(page, "document.querySelectorAll('#chart .corner.carrier').length === 1")
    assert page.complaints == []


def test_points_of_the_trail_lead_back(page: Browser) -> None:
    first = minutes(page)
    set_to(page, "oven", 0, "hold", "9")
    until(page, "document.querySelectorAll('#trail .tried').length >= 3")
    assert minutes(page) != first
    labels = page.run(
        "[...document.querySelectorAll('#trail .tried')].map((each) => each.getAttribute('aria-label'))"
    )
    at = next(n for n, each in enumerate(labels) if f"{first:.2f} min" in each)
    page.run(f"document.querySelectorAll('#trail .tried')[{at}].focus()")
    page.key("Enter")
    until(page, f"parseFloat(document.querySelector('#run').textContent) === {first}")
    ready(page)
    page.tab.reload()  # what was tried is kept in this tab
    page.tab.wait_for_selector("body[data-ready]")
    assert minutes(page) == first
    assert page.run("document.querySelectorAll('#trail .tried').length") == len(labels)


def test_a_pair_is_pinned_under_the_magnifier(page: Browser) -> None:
    page.run("[...document.querySelectorAll('#margins button')].at(-1).click()")
    until(page, "document.querySelector('#pair-title').textContent.startsWith('Pinned')")
    pinned = text(page, "#pair-text")
    assert re.search(r": Rs \d+\.\d\d ± \d+\.\d\d \(95 %\), needs \d", pinned)
    names = pinned.split(": Rs")[0]
    set_to(page, "oven", 0, "hold", "8")
    until(page, "document.querySelector('#set-points input[data-ramp=\"0\"][data-key=hold]').value === '8'")
    ready(page)
    assert text(page, "#pair-text").split(": Rs")[0] == names
    page.click("#unpin")
    until(page, "document.querySelector('#pair-title').textContent.startsWith('Pair at risk')")


def test_others_are_drawn_behind_three_at_most(page: Browser) -> None:
    labels = page.run("[...document.querySelectorAll('#starts option')].map((each) => each.value)")
    for label in labels:
        page.tab.select_option("#starts", label)
        page.click("#ghost")
    shown = min(len(labels), 3)
    until(page, f"document.querySelectorAll('#ghosts li').length === {shown}")
    until(page, f"document.querySelectorAll('#chart path.ghost').length === {2 * shown}")
    page.click("#ghosts button")
    until(page, f"document.querySelectorAll('#ghosts li').length === {shown - 1}")


def test_a_program_file_is_chosen_in_the_browser(page: Browser, tmp_path: Path) -> None:
    file = tmp_path / "mine.toml"
    file.write_text(
        "oven = { start_C = 70, ramps = [{ rate_C_per_min = 15, to_C = 240 }] }\n"
        'carrier = { mode = "constant flow", flow_mL_min = 1.4 }\n',
        encoding="utf-8",
    )
    page.tab.set_input_files("#file", str(file))
    until(page, "document.querySelector('#set-points input[data-key=start]').value === '70'")
    file.write_text("oven = 1\n", encoding="utf-8")
    page.tab.set_input_files("#file", str(file))
    until(page, "document.querySelector('#refused').textContent.includes('oven')")


def test_a_search_is_started_stopped_and_its_candidates_shown(page: Browser, served: Serving) -> None:
    tried = page.run("document.querySelectorAll('#trail .tried').length")
    page.tab.fill("#seconds", "3600")
    page.click("#search")
    page.tab.wait_for_selector("#stop", state="visible")
    until(page, "document.querySelector('#search-said').textContent.startsWith('best so far:')")
    set_to(page, "oven", 0, "hold", "6")  # the page goes on meanwhile
    until(page, "document.querySelector('#set-points input[data-ramp=\"0\"][data-key=hold]').value === '6'")
    page.click("#stop")
    page.tab.wait_for_selector("#search", state="visible")
    found = page.run("document.querySelectorAll('#candidates li').length")
    assert found >= 1  # the best so far, at once
    page.tab.wait_for_selector("#save-search", state="visible")  # once it is rounded and simulated
    assert page.run("document.querySelectorAll('#trail .tried').length") > tried
    page.click("#candidates button")
    first = float(text(page, "#candidates li").split()[0])
    until(page, f"parseFloat(document.querySelector('#run').textContent) === {first}")
    ready(page)  # nothing moves any more under the mouse
    page.tab.check("#hydrogen")
    until(page, "document.querySelector('#searched-under').textContent.endsWith('set now: none.')")
    page.tab.uncheck("#hydrogen")
    until(page, "document.querySelector('#searched-under').textContent === ''")
    ready(page)
    page.click("#save-search")
    until(page, "document.querySelector('#search-saved').textContent.includes('Written into')")
    assert (served.session.folder / "results-1" / "report.html").exists()
    page.run("document.querySelector('#again').click()")
    until(page, "document.querySelectorAll('#candidates li').length === 0")  # of a fit that is no more


# ---- saving, and two pages -------------------------------------------------------------------------------------


def test_of_two_pages_that_save_under_one_name_the_later_is_told(page: Browser, served: Serving) -> None:
    folder = served.session.folder / "programs" / "quick"
    for word in ("Written into", "exists already"):
        page.tab.fill("#name", "quick")
        page.click("#save button")
        until(page, f"document.querySelector('#saved').textContent.includes('{word}')")
        if word == "Written into":
            assert f"--program {folder / 'program.toml'}" in text(page, "#saved")
            words = "[...document.querySelectorAll('#saved code span')].map((each) => each.getClientRects().length)"
            assert set(page.run(words)) == {1}  # no line ends behind the dashes of an option
            before = {each.name: each.read_bytes() for each in folder.iterdir()}
    assert {each.name: each.read_bytes() for each in folder.iterdir()} == before


def test_a_changed_scenario_is_told_and_read_again(page: Browser, served: Serving) -> None:
    file = served.session.fitted.scenario.path
    content = file.read_text(encoding="utf-8")
    file.write_text(content.replace('title = "', 'title = "Changed: '), encoding="utf-8")
    set_to(page, "oven", 0, "hold", "7")
    page.tab.wait_for_selector("#changed", state="visible")
    page.click("#again")
    until(page, "document.querySelector('#title').textContent.startsWith('Changed: ')")
    page.tab.wait_for_selector("#changed", state="hidden")


def test_a_server_that_has_ended_is_told_and_what_was_tried_stays(page: Browser, served: Serving) -> None:
    before = text(page, "#as-text")
    served.end()
    set_to(page, "oven", 0, "hold", "7")
    page.tab.wait_for_selector("#gone", state="visible")
    assert "has ended" in text(page, "#gone")
    assert text(page, "#as-text") == before


# ---- for everybody ---------------------------------------------------------------------------------------------


def test_everything_is_reached_and_done_by_keyboard_alone(page: Browser) -> None:
    page.run("document.activeElement.blur(); scrollTo(0, 0)")
    seen: list[str] = []
    for _ in range(80):
        page.tab.keyboard.press("Tab")
        seen.append(
            page.run(
                "(() => { const each = document.activeElement; return each.id || each.getAttribute('class')"
                " || each.dataset.key || each.textContent.slice(0, 20); })()"
            )
        )
    for wanted in (
        "corner oven start",
        "corner oven arrival",
        "corner carrier start",
        "rate",
        "starts",
        "take",
        "ghost",
        "file",
        "search",
        "name",
        "Enlarge",
        "more-margins",
    ):
        assert [each for each in seen if wanted in each], (wanted, seen)
    page.run("document.querySelector('#chart .corner.oven.hold').focus()")
    page.key("ArrowRight")
    ready(page)
    page.key("Control+z")
    page.settle()
    nameless = page.run(
        "[...document.querySelectorAll('button, input, select, [role=button], [role=slider]')].filter((each) =>"
        " !(each.getAttribute('aria-label') || each.textContent.trim() || each.labels?.length)).map((e) => e.outerHTML)"
    )
    assert nameless == []


def test_the_checker_of_accessibility_finds_nothing(page: Browser) -> None:
    axe = pytest.importorskip(
        "axe_playwright_python.sync_playwright", reason="NOT TESTED: axe-core on the live page"
    )
    page.run("document.querySelectorAll('details').forEach((each) => { each.open = true; })")
    for dark in (False, True):
        page.screen(dark=dark)
        found = axe.Axe().run(page.tab).response
        assert len(found["passes"]) > 15
        said = [
            (each["id"], each["help"], [node["html"][:120] for node in each["nodes"]])
            for each in found["violations"]
        ]
        assert said == [], dark
    page.screen()


def is_readable(page: Browser, view: str, size: tuple[int, int], dark: bool, texts: int) -> None:
    """A view that is shown, more than so many texts of it, has contrast and room on such a screen."""
    page.screen(*size, dark=dark)
    page.settle()
    found = page.run(FAINT)
    assert found["seen"] > texts
    assert found["faint"] == [], (view, size, dark)
    sticking_out = STICKING_OUT % {"inside": "each.closest('.wide')", "width": size[0]}
    assert page.run(sticking_out) == [], (view, size, dark)
    assert page.run("document.documentElement.scrollWidth") == size[0]


def test_it_is_readable_on_a_desk_and_a_phone_in_light_and_dark(page: Browser) -> None:
    page.run("document.querySelectorAll('details').forEach((each) => { each.open = true; })")
    for size, dark in product((DESK, PHONE), (False, True)):
        is_readable(page, "program", size, dark, 60)
    page.screen()


def test_a_finger_drags_a_corner_on_a_phone(page: Browser) -> None:
    page.screen(*PHONE, touch=True)
    before = minutes(page)
    page.run("document.querySelector('#chart').scrollIntoView({ block: 'center' })")
    x, y = place(page, "#chart .corner.oven.arrival")
    for kind, at in (("touchStart", x), ("touchMove", x - 15), ("touchMove", x - 30)):
        page.call("Input.dispatchTouchEvent", {"type": kind, "touchPoints": [{"x": at, "y": y}]})
        page.settle()
    until(page, f"parseFloat(document.querySelector('#run').textContent) < {before - 0.01}")
    page.call("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
    ready(page)
    assert minutes(page) < before
    page.screen()


def test_it_prints_on_one_page(page: Browser) -> None:
    for width, height in ((8.27, 11.69), (8.5, 11)):  # A4 and Letter
        printed = page.call(
            "Page.printToPDF", {"paperWidth": width, "paperHeight": height, "preferCSSPageSize": False}
        )
        content = base64.b64decode(printed["data"])
        assert len(re.findall(rb"/Type\s*/Page\b", content)) == 1


def test_names_over_peaks_stay_beneath_what_stands_above(
    browser: Browser, made: Path, tmp_path: Path
) -> None:
    folder = tmp_path / "long"
    shutil.copytree(made, folder)
    for file in folder.iterdir():
        content = file.read_text(encoding="utf-8")
        for name in ("toluene", "octane", "p-xylene", "nonane", "decane"):
            content = content.replace(name, f"2-methylpropan-{name}")
        file.write_text(content, encoding="utf-8")
    running = serving(folder)
    try:
        browser.screen()
        enter(browser, running)
        ready(browser)
        tops = "[...document.querySelectorAll('#chart text.name')].map((each) => each.getBoundingClientRect().top)"
        assert min(browser.run(tops)) >= browser.run(
            "document.querySelector('#hint').getBoundingClientRect().bottom"
        )
    finally:
        running.end()


def test_names_from_tables_are_never_markup(browser: Browser, made: Path, tmp_path: Path) -> None:
    folder = tmp_path / "hostile"
    shutil.copytree(made, folder)
    names = [each for each in HOSTILE if "\n" not in each and '"' not in each][:2]
    scenario = rw.load_scenario(folder)
    renamed = dict(zip(scenario.compounds, names, strict=False))
    for run in scenario.runs:
        file = folder / run.file
        lines = file.read_text(encoding="utf-8").splitlines()
        for old, new in renamed.items():
            lines = [re.sub(rf"^{re.escape(old)}(?=,)", f'"{new}"', line) for line in lines]
        file.write_text("\n".join(lines) + "\n", encoding="utf-8")
    file = folder / "scenario.toml"
    content = file.read_text(encoding="utf-8")
    for old, new in renamed.items():
        content = content.replace(f'"{old}"', json.dumps(new, ensure_ascii=False))
    content = re.sub(
        r"^title = .*$", "title = '<img src=x onerror=\"document.title=1\"><b>'", content, flags=re.M
    )
    file.write_text(content, encoding="utf-8")
    running = serving(folder)
    try:
        browser.screen()
        enter(browser, running)
        start_with(browser, "scouting run")
        shown = browser.run(
            "[...document.querySelectorAll('#peaks tbody th')].map((each) => each.textContent)"
        )
        assert set(names) <= set(shown)
        assert text(browser, "#title") == '<img src=x onerror="document.title=1"><b>'
        assert browser.run("document.querySelectorAll('img, iframe, b b, object').length") == 0
        assert browser.run("[...document.scripts].map((each) => each.src)") == [
            f"{running.address}static/page.js"
        ]
        assert browser.complaints == []
    finally:
        running.end()


def test_a_page_from_elsewhere_gets_nothing(browser: Browser, served: Serving, tmp_path: Path) -> None:
    """A page of another origin can neither read nor ask, even with the key."""
    other = tmp_path / "other.html"
    other.write_text("<!doctype html><title>other</title>", encoding="utf-8")
    browser.open(other)
    asking = (
        f"fetch('{served.address}ask/state', {{ method: 'POST', body: '{{}}', headers: {{ Authorization: "
        f"'Bearer {served.gate.token}' }} }}).then((a) => a.text(), () => 'refused')"
    )
    assert browser.run(asking) == "refused"
    framed = browser.run(
        f"new Promise((done) => {{ const f = document.createElement('iframe'); f.src = '{served.address}';"
        "f.onload = () => { try { done(f.contentDocument ? f.contentDocument.title : 'closed'); }"
        " catch { done('closed'); } }; document.body.append(f); })"
    )
    assert framed in ("closed", "")  # a browser shows its own page in the place of one that may not be framed
