"""A page in the system's Chromium, headless and driven by Playwright; the package's own browser is not needed."""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Error, Page, sync_playwright

NAMES = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome")
ASKED_FOR = "RAMPWRIGHT_BROWSER"  # names another one
PATIENCE = 300e3  # ms after which a browser is taken to hang
PIXELS_PER_MM = 96 / 25.4
FLAGS = ["--disable-gpu", "--disable-sync", "--hide-scrollbars"]

# Contrast of every text on the page with what lies behind it (WCAG 2.1), below what it must be: text, colours, ratio.
FAINT = """
(() => {
  const parts = (colour) => [...colour.match(/[\\d.]+/g).map(Number), 1].slice(0, 4);
  const over = (top, below) => [0, 1, 2].map((i) => top[i] * top[3] + below[i] * (1 - top[3]));
  const luminance = (rgb) => rgb.slice(0, 3).map((c) => c / 255)
    .map((c) => (c <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4))
    .reduce((sum, c, i) => sum + c * [0.2126, 0.7152, 0.0722][i], 0);
  const behind = (element) => {
    if (!element) return [255, 255, 255];
    const own = parts(getComputedStyle(element).backgroundColor);
    return own[3] === 1 ? own.slice(0, 3) : over(own, behind(element.parentElement));
  };
  const faint = [], walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  let seen = 0;
  while (walker.nextNode()) {
    const element = walker.currentNode.parentElement;
    if (!walker.currentNode.data.trim() || !element.checkVisibility() || element.closest("script, style")) continue;
    const style = getComputedStyle(element);
    const ink = parts(element instanceof SVGElement ? style.fill : style.color), ground = behind(element);
    const [low, high] = [luminance(over(ink, ground)), luminance(ground)].sort((a, b) => a - b);
    const ratio = (high + 0.05) / (low + 0.05);
    seen += 1;
    if (ratio < 4.5) faint.push([walker.currentNode.data.trim().slice(0, 40), ink.join(), ground.join(), ratio]);
  }
  return { seen, faint };
})()
"""
# Elements that stick out of a page of the given width and are in no box that scrolls.
STICKING_OUT = """
(() => [...document.querySelectorAll("body *")]
  .filter((each) => each.checkVisibility() && !each.parentElement.closest("svg") && !%(inside)s)
  .filter((each) => each.getBoundingClientRect().right > %(width)s + 0.5 || each.getBoundingClientRect().left < -0.5)
  .map((each) => `${each.tagName} ${each.className} ${each.textContent.slice(0, 40)}`))()
"""


def chromium() -> str | None:
    """Path of a Chromium that can be driven here, None where there is none."""
    asked = os.environ.get(ASKED_FOR)
    return shutil.which(asked) if asked else next(filter(None, map(shutil.which, NAMES)), None)


def chromium_or_skip(what: str) -> str:
    """The same for a module of tests of `what`, which is skipped where there is none."""
    program = chromium()
    if program is None:
        pytest.skip(
            f"NOT TESTED: {what} in a browser. None of {', '.join(NAMES)} was found: install one (Debian, Ubuntu: "
            f"apt-get install chromium) or name it in {ASKED_FOR}.",
            allow_module_level=True,
        )
    return program


class DoesNotStart(Exception):
    """A browser that is installed and yet cannot be used, such as a stub of a package that is not there."""


class Browser:
    """A page; `asked` are the addresses that it fetched, `complaints` what went wrong, since it was last opened."""

    def __init__(self, page: Page) -> None:
        self.tab, self.asked, self.complaints = page, list[str](), list[str]()
        self.call = page.context.new_cdp_session(page).send  # a command of the DevTools protocol
        page.on("request", lambda request: self.asked.append(request.url))
        page.on("pageerror", lambda error: self.complaints.append(str(error)))
        page.on("console", lambda message: self.complaints.append(message.text))

    def open(self, path: Path, fragment: str = "") -> None:
        """Load a file, and wait until it has settled."""
        self.tab.goto("about:blank")
        self.asked.clear()
        self.complaints.clear()
        self.tab.goto(path.as_uri() + fragment)
        self.settle()

    def run(self, expression: str) -> Any:
        """The value of an expression in the page; a promise is waited for."""
        return self.tab.evaluate(expression)

    def settle(self) -> None:
        """Until what was asked for has been laid out and drawn."""
        self.run(
            "new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(() => done(true))))"
        )

    def screen(
        self,
        width: int = 1200,
        height: int = 900,
        *,
        dark: bool = False,
        media: str = "",
        touch: bool = False,
    ) -> None:
        """A screen of that size in CSS pixels; `media` "print" lays the page out as for paper."""
        size = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": touch}
        self.call("Emulation.setDeviceMetricsOverride", size)
        self.call("Emulation.setTouchEmulationEnabled", {"enabled": touch})
        self.tab.emulate_media(media="print" if media else "screen", color_scheme="dark" if dark else "light")
        self.settle()

    def scripts(self, allowed: bool) -> None:
        """Whether the pages loaded from now on may run theirs."""
        self.call("Emulation.setScriptExecutionDisabled", {"value": not allowed})

    def middle(self, selector: str) -> tuple[float, float]:
        """Where an element's middle is in the window, once it has been scrolled into view."""
        x, y = self.run(
            f"(() => {{ const each = document.querySelector({json.dumps(selector)});"
            "each.scrollIntoView({ block: 'center', behavior: 'instant' });"
            "const box = each.getBoundingClientRect();"
            "return [box.left + box.width / 2, box.top + box.height / 2]; })()"
        )
        return x, y

    def point(self, x: float, y: float) -> None:
        """Move the mouse to a place in the window."""
        self.tab.mouse.move(x, y)
        self.settle()

    def click(self, selector: str) -> None:
        """Press and release the mouse on the middle of an element."""
        self.tab.mouse.click(*self.middle(selector))
        self.settle()

    def drag(self, start: tuple[float, float], end: tuple[float, float]) -> None:
        """Draw the pressed mouse from one place to another."""
        self.tab.mouse.move(*start)
        self.tab.mouse.down()
        self.tab.mouse.move(*end, steps=2)
        self.tab.mouse.up()
        self.settle()

    def tap(self, x: float, y: float) -> None:
        """Touch a place in the window."""
        self.call("Input.dispatchTouchEvent", {"type": "touchStart", "touchPoints": [{"x": x, "y": y}]})
        self.call("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
        self.settle()

    def key(self, name: str) -> None:
        """Press a key of the keyboard, whatever has the focus."""
        self.tab.keyboard.press(name)
        self.settle()


@contextmanager
def started(program: str) -> Iterator[Browser]:
    """A Chromium with one page.

    Raises
    ------
    DoesNotStart
    """
    with sync_playwright() as playwright:
        try:
            running = playwright.chromium.launch(executable_path=program, args=FLAGS, timeout=PATIENCE)
        except Error as error:
            raise DoesNotStart(f"{program} does not start here: {error}") from error
        page = running.new_context(permissions=["clipboard-read", "clipboard-write"]).new_page()
        page.set_default_timeout(PATIENCE)
        yield Browser(page)
        running.close()


@contextmanager
def started_or_skip(what: str) -> Iterator[Browser]:
    """The system's browser; tests of `what` are skipped where there is none that starts."""
    try:
        with started(chromium_or_skip(what)) as running:
            yield running
    except DoesNotStart as error:
        pytest.skip(f"NOT TESTED: {what} in a browser. {error}")
