"""Campaign, form and switches of the live page in a real browser: by mouse, by keyboard, narrow, dark, attacked."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

pytest.importorskip("playwright", reason="NOT TESTED: the live page in a browser; pip install playwright")
pytest.importorskip(
    "uvicorn", reason="NOT TESTED: the live page in a browser; pip install 'rampwright[page]'"
)

import rampwright as rw
from tests.optimizer.bad_inputs import FAST, SLOW
from tests.optimizer.browser import Browser
from tests.optimizer.page.conftest import FILE
from tests.optimizer.page.test_campaigning import contents
from tests.optimizer.page.test_page_browser import (
    DESK,
    PHONE,
    Serving,
    enter,
    is_readable,
    ready,
    serving,
    serving_copy,
    text,
    until,
)
from tests.optimizer.page.test_setting_up import OWNED

SAID = "(selector) => document.querySelector(selector).textContent"
EVIL = '<img src=x onerror="document.title=1">'


@pytest.fixture
def served(made_campaign: Path, tmp_path: Path) -> Iterator[Serving]:
    with serving_copy(made_campaign, tmp_path / "five") as running:
        yield running


@pytest.fixture
def page(browser: Browser, served: Serving) -> Browser:
    browser.screen()
    enter(browser, served)
    ready(browser)
    return browser


def says(page: Browser, selector: str, words: str) -> None:
    until(page, f"({SAID})({json.dumps(selector)}).includes({json.dumps(words)})")


def choose_run(page: Browser, file: Path) -> None:
    page.click("#to-campaign")
    until(page, "document.querySelectorAll('#runs tbody tr').length > 0")
    page.tab.set_input_files("#run-file", str(file))
    page.click("#made button")
    says(page, "#run-refused", "Say which program it was made with.")
    page.tab.select_option("#made-with", f"start:{FILE}")
    page.click("#made button")
    until(page, "!document.querySelector('#looked').hidden")


# ---- the campaign ----------------------------------------------------------------------------------------------


def test_a_trace_is_looked_at_zoomed_approved_and_taken_out_again(
    page: Browser,
    served: Serving,
    made_campaign: Path,
) -> None:
    folder = served.session.folder
    before = contents(folder)
    choose_run(page, made_campaign.parent / "runs" / "trace.csv")
    names = page.run("[...document.querySelectorAll('#run-peaks tbody input')].map((each) => each.value)")
    assert names == ["toluene", "octane", "p-xylene", "nonane", "decane"]
    count = "document.querySelectorAll('#run-picture %s').length"
    for part, least in ((".signal", 1), (".baseline", 1), (".limit", 10), (".predicted", 1), (".found", 5)):
        assert page.run(count % part) >= least, part
    ticks = "[...document.querySelectorAll('#run-picture .minute')].map((each) => Number(each.textContent))"
    whole = page.run(ticks)
    page.click("#run-peaks tbody tr:nth-child(2) button")
    close = page.run(ticks)
    assert max(close) - min(close) < 0.2 * (max(whole) - min(whole))
    assert page.run(count % ".limit") == 2  # of the one peak that is seen
    page.click("#zoom-out")
    page.click("#zoom-right")
    page.click("#zoom-whole")
    assert page.run(ticks) == whole
    box = page.tab.locator("#run-picture").bounding_box()
    assert box is not None
    page.drag((box["x"] + 100, box["y"] + 200), (box["x"] + 200, box["y"] + 200))
    drawn = page.run(ticks)
    assert max(drawn) - min(drawn) < 0.4 * (max(whole) - min(whole))
    page.click("#approve")
    says(page, "#run-refused", "Look at the peaks")
    assert contents(folder) == before
    page.tab.check("#approved")
    page.click("#approve")
    says(page, "#campaign-said", "The fit includes it now")
    assert len(rw.load_scenario(folder).runs) == 3
    assert page.run("document.querySelectorAll('#runs tbody tr').length") == 3
    page.click("#runs button")
    says(page, "#campaign-said", "taken out again")
    after = contents(folder)
    assert {each: after[each] for each in before} == before
    assert page.complaints == []


def test_a_table_is_dropped_and_names_are_put_right_by_hand(
    page: Browser,
    served: Serving,
    made_campaign: Path,
) -> None:
    page.click("#to-campaign")
    until(page, "document.querySelectorAll('#runs tbody tr').length > 0")
    content = (made_campaign.parent / "runs" / "bare.csv").read_text(encoding="utf-8")
    page.run(
        "(() => { const data = new DataTransfer();"
        f"data.items.add(new File([{json.dumps(content)}], 'bare.csv'));"
        "document.querySelector('#drop').dispatchEvent(new DragEvent('drop', { dataTransfer: data, bubbles: true,"
        "cancelable: true })); })()"
    )
    says(page, "#drop-said", "bare.csv is here")
    page.tab.select_option("#made-with", f"start:{FILE}")
    page.click("#made button")
    until(page, "!document.querySelector('#looked').hidden")
    field = page.tab.locator("#run-peaks tbody input").nth(4)
    field.fill("")
    field.press("Tab")
    until(
        page,
        "document.querySelectorAll('#run-peaks tbody tr')[4].textContent.includes('by hand; proposed decane')",
    )
    page.tab.check("#approved")
    page.click("#approve")
    says(page, "#campaign-said", "The fit includes it now")
    assert len(rw.load_scenario(served.session.folder).runs[-1].peaks.compounds) == 4


def test_the_next_run_is_worked_out_and_stopped(page: Browser) -> None:
    page.click("#to-campaign")
    until(page, "document.querySelectorAll('#runs tbody tr').length > 0")
    page.tab.fill("#next-seconds", "3600")
    page.click("#next-run")
    page.tab.wait_for_selector("#stop-next", state="visible")
    page.click("#stop-next")
    says(page, "#next-said", "stopped; nothing was written")
    page.tab.wait_for_selector("#next-run", state="visible")


# ---- switches --------------------------------------------------------------------------------------------------


def test_switches_change_what_is_shown_and_can_be_taken_back(page: Browser) -> None:
    before = text(page, "#as-text"), text(page, "#share"), text(page, "#critical")
    peaks = "document.querySelectorAll('#chart text.name').length"
    assert page.run(peaks) == 5
    page.tab.select_option("#leave-out", "nonane")
    until(page, f"{peaks} === 4")
    says(page, "#what-if-said", "nonane left out")
    ready(page)
    pair = text(page, "#pair-text").split(":")[0]
    page.click("#ignore-pair")
    says(page, "#switched", f"{pair} ignored")
    ready(page)
    assert pair not in text(page, "#margins")
    page.tab.check("#hydrogen")
    says(page, "#cautions", "Hydrogen explodes")
    ready(page)
    page.tab.uncheck("#hydrogen")
    ready(page)
    assert not page.tab.is_visible("#column")  # there is no other
    for _ in range(2):
        page.click("#switched button")
        ready(page)
    until(page, f"{peaks} === 5")
    until(page, "document.querySelector('#what-if-said').textContent === ''")
    ready(page)
    assert (text(page, "#as-text"), text(page, "#share"), text(page, "#critical")) == before


def test_another_column_of_the_laboratorys_is_a_switch(
    browser: Browser, made_campaign: Path, tmp_path: Path
) -> None:
    folder = tmp_path / "five"
    shutil.copytree(made_campaign, folder)
    file = folder / "scenario.toml"
    file.write_text(file.read_text(encoding="utf-8") + OWNED, encoding="utf-8")
    running = serving(folder)
    try:
        browser.screen()
        enter(browser, running)
        ready(browser)
        before = text(browser, "#as-text"), text(browser, "#share"), text(browser, "#rs")
        first = "document.querySelector('#peaks tbody td').textContent"
        time = browser.run(first)
        browser.tab.select_option("#column", "narrow")
        says(browser, "#what-if-said", "column narrow, 20 m × 0.18 mm × 0.18 µm as on its tag")
        until(browser, f"{first} !== {json.dumps(time)}")
        ready(browser)
        assert text(browser, "#as-text").split("Carrier")[0] == before[0].split("Carrier")[0]
        browser.tab.select_option("#column", "")
        until(browser, "document.querySelector('#what-if-said').textContent === ''")
        ready(browser)
        assert (text(browser, "#as-text"), text(browser, "#share"), text(browser, "#rs")) == before
    finally:
        running.end()


# ---- the form --------------------------------------------------------------------------------------------------


@pytest.fixture
def fresh(browser: Browser, tmp_path: Path) -> Iterator[tuple[Browser, Serving]]:
    running = serving(tmp_path / "mine")
    browser.screen()
    enter(browser, running)
    until(browser, "document.querySelectorAll('#form-parts .key').length > 10")
    yield browser, running
    running.end()


def fill(page: Browser, place: str, wanted: str) -> None:
    """A field of the form by keyboard."""
    page.run(f"document.getElementById('field-{place}').focus()")
    if page.run("document.activeElement.tagName") == "SELECT":
        page.tab.select_option(f"[id='field-{place}']", wanted)
    else:
        page.tab.keyboard.press("Control+a")
        page.tab.keyboard.type(wanted)
    page.tab.keyboard.press("Tab")


def press(page: Browser, label: str) -> None:
    page.run(
        f"[...document.querySelectorAll('#form-parts button')].filter((each) => each.textContent === '{label}')"
        ".at(-1).focus()"
    )
    page.key("Enter")


def test_from_nothing_to_a_first_program_by_the_page_alone(fresh: tuple[Browser, Serving]) -> None:
    """As someone does who has two peak tables in a spreadsheet, by keyboard."""
    page, running = fresh
    folder = running.session.folder
    assert not page.tab.is_enabled("#to-program")
    assert text(page, "#problems") == ""  # nothing is wrong yet
    heading = "document.querySelector('[data-count={}]').textContent.trim()"
    begun = ("column", "to fill in"), ("scouting_runs", "none"), ("goal", "as usual")
    assert [page.run(heading.format(key)) for key, _ in begun] == [said for _, said in begun]
    needed = "document.querySelector('label[for=\"field-column.{}\"]').textContent.includes('needed')"
    assert page.run(needed.format("film_thickness_um"))
    says(page, "#form-state", "6 still to fill in.")
    column = {"length_m": "3000", "inner_diameter_mm": "0,25", "film_thickness_um": "0.25"}
    limits = {"min_temperature_C": "40", "max_temperature_C": "320"}
    for key, wanted in (column | limits).items():
        fill(page, f"column.{key}", wanted)
    until(
        page,
        "document.querySelector('[data-wrong=\"column.length_m\"]').textContent.includes('looks like cm')",
    )
    assert page.run("document.getElementById('field-column.length_m').getAttribute('aria-invalid')") == "true"
    fill(page, "column.length_m", "30")
    fill(page, "carrier.gas", "helium")
    for number, (name, rate, table) in enumerate((("slow", "5", SLOW), ("fast", "15", FAST)), 1):
        press(page, "Add a run")
        run = f"scouting_runs[{number}]"
        fill(page, f"{run}.name", name)
        page.tab.fill(f"[id='paste-{run}.peaks']", table.replace(",", "\t"))
        if number == 1:  # the second begins as a copy of the first
            for key, wanted in (("start_C", "50"), ("hold_min", "2")):
                fill(page, f"{run}.oven.{key}", wanted)
            for key, wanted in (("to_C", "280"), ("hold_min", "5")):
                fill(page, f"{run}.oven.ramps[1].{key}", wanted)
            fill(page, f"{run}.carrier.flow_mL_min", "1.2")
        fill(page, f"{run}.oven.ramps[1].rate_C_per_min", rate)
    page.run("document.querySelector('#write-form').focus()")
    page.key("Enter")
    until(page, "!document.querySelector('#view-program').hidden")
    ready(page)
    scenario = rw.load_scenario(folder)
    assert [run.name for run in scenario.runs] == ["slow", "fast"]
    written = (folder / "scenario.toml").read_text(encoding="utf-8")
    assert "\n[instrument]\n#max_inlet_pressure_kPa = 400\n" in written  # comments stay
    assert (
        "oven = { start_C = 50, hold_min = 2, ramps = [{ rate_C_per_min = 5, to_C = 280, hold_min = 5 }] }"
        in written
    )
    assert scenario.runs[1].peaks.compounds == ("toluene", "octane", "p-xylene", "nonane", "decane")
    page.tab.fill("#seconds", "1")
    page.click("#search")
    until(
        page,
        "document.querySelectorAll('#candidates li').length > 0 && document.querySelector('#stop').hidden",
    )
    page.click("#candidates button")
    ready(page)
    assert float(text(page, "#run").split()[0]) < 60
    page.tab.fill("#name", "first")
    page.click("#save button")
    says(page, "#saved", "Written into")
    assert (folder / "programs" / "first" / "set_points.txt").exists()
    assert page.complaints == []


def test_nothing_is_written_while_something_is_missing(fresh: tuple[Browser, Serving]) -> None:
    page, running = fresh
    assert (
        text(page, "#form-parts .missed.wrong:not(:empty)")
        if page.run("document.querySelectorAll('#form-parts .wrong:not(:empty)').length")
        else True
    )
    page.click("#write-form")
    until(
        page, "document.querySelector('[data-wrong=\"column.length_m\"]').textContent.includes('is missing')"
    )
    says(page, "#form-said", "Nothing was written")
    assert not running.session.folder.exists()
    assert page.run("document.activeElement.getAttribute('aria-invalid')") == "true"


def test_names_are_never_markup_on_any_view(
    browser: Browser,
    made_campaign: Path,
    tmp_path: Path,
) -> None:
    folder = tmp_path / "hostile"
    shutil.copytree(made_campaign, folder)
    for file in (folder / "slow.csv", folder / "fast.csv"):
        quoted = EVIL.replace('"', '""')
        file.write_text(file.read_text(encoding="utf-8").replace("nonane", f'"{quoted}"'), encoding="utf-8")
    file = folder / "scenario.toml"
    content = file.read_text(encoding="utf-8").replace('name = "fast"', f"name = '{EVIL} fast'")
    file.write_text(content.replace("nonane", EVIL.replace('"', '\\"')), encoding="utf-8")
    running = serving(folder)
    try:
        browser.screen()
        enter(browser, running)
        ready(browser)
        browser.tab.select_option("#leave-out", EVIL)
        says(browser, "#switched", EVIL)
        choose_run(browser, made_campaign.parent / "runs" / "bare.csv")
        assert EVIL in text(browser, "#runs tbody tr:nth-child(2) th")
        browser.click("#to-setup")
        until(browser, "document.querySelectorAll('#form-parts .key').length > 10")
        assert browser.run("document.getElementById('field-scouting_runs[2].name').value") == f"{EVIL} fast"
        assert browser.run("document.querySelectorAll('img, iframe, object').length") == 0
        assert browser.run("document.title") != "1"
        assert browser.complaints == []
    finally:
        running.end()


# ---- for everybody ---------------------------------------------------------------------------------------------


def test_every_view_is_readable_and_the_checker_of_accessibility_finds_nothing(
    page: Browser, made_campaign: Path
) -> None:
    """In light and dark."""
    axe = pytest.importorskip(
        "axe_playwright_python.sync_playwright", reason="NOT TESTED: axe-core on the live page"
    )
    choose_run(page, made_campaign.parent / "runs" / "trace.csv")
    for view in ("campaign", "setup"):
        page.run(f"document.querySelector('#to-{view}').click()")
        if view == "setup":
            until(page, "document.querySelectorAll('#form-parts .key').length > 10")
        page.run("document.querySelectorAll('details').forEach((each) => { each.open = true; })")
        for dark in (False, True):
            for size in (DESK, PHONE):
                is_readable(page, view, size, dark, 30)
            page.screen(dark=dark)
            said = [
                (each["id"], each["help"], [node["html"][:160] for node in each["nodes"]])
                for each in axe.Axe().run(page.tab).response["violations"]
            ]
            assert said == [], (view, dark)
    page.screen()
