"""Draws docs/images: the report, the same with numbered marks, and the live page (`make pictures`).

Needs a Chromium, as the tests of pages do, and what `make_pages` made: the tutorial's invented sample and its results.
"""

from __future__ import annotations

import threading
from pathlib import Path

import uvicorn

from optimizer.page.gate import Gate
from optimizer.page.server import HOST, application, bound
from optimizer.page.session import Session
from tests.optimizer.browser import Browser, chromium, started

IMAGES = Path(__file__).parent / "images"
MADE = Path(__file__).parent / "generated" / "tutorial"
WIDTH = 1200
# What the numbers of docs/report.md stand beside, in their order.
MARKED = (
    ".verdict > :nth-child(1)",
    ".verdict > :nth-child(2)",
    ".verdict > :nth-child(3)",
    ".verdict > :nth-child(4)",
    "fieldset.switch",
    "#candidate-1 table",
    "#candidate-1 figure.chart",
    "section.whole h2",
    "#candidate-1-risks h2",
)
MARK = """
(places) => places.forEach((place, i) => {
  const box = document.querySelector(place).getBoundingClientRect();
  const mark = document.createElement("b");
  mark.textContent = i + 1;
  const at = `left:${Math.max(box.left + scrollX - 34, 0)}px;top:${box.top + scrollY}px;`;
  mark.style.cssText = at + "position:absolute;width:28px;height:28px;border-radius:14px;" +
    "background:#b3261e;color:#fff;font:bold 17px/28px sans-serif;text-align:center";
  document.body.append(mark);
})
"""


def picture(page: Browser, name: str, height: float) -> None:
    page.tab.screenshot(
        path=IMAGES / name, full_page=True, clip={"x": 0, "y": 0, "width": WIDTH, "height": height}
    )


def bottom(page: Browser, selector: str) -> float:
    """Where an element ends on the page [px]."""
    return float(
        page.tab.evaluate(
            "(s) => document.querySelector(s).getBoundingClientRect().bottom + scrollY", selector
        )
    )


def report(page: Browser, results: Path) -> None:
    """The first screen, and all that is unfolded with marks."""
    page.open(results / "report.html")
    picture(page, "report.png", 900)
    page.tab.evaluate(MARK, list(MARKED))
    picture(page, "report_annotated.png", bottom(page, "#candidate-1-risks details") + 10)


def live(page: Browser, folder: Path, results: Path) -> None:
    """The page with the best candidate."""
    session, gate = Session(folder, [results]), Gate()
    listening = bound(0)
    port = listening.getsockname()[1]
    server = uvicorn.Server(
        uvicorn.Config(application(session, gate, port), log_level="critical", lifespan="off")
    )
    thread = threading.Thread(target=lambda: server.run(sockets=[listening]), daemon=True)
    thread.start()
    page.open(gate.redirect_file(f"http://{HOST}:{port}/"))
    page.tab.wait_for_selector("body[data-ready]")
    page.tab.evaluate(
        "(() => { const box = document.querySelector('#starts');"
        "box.value = [...box.options].find((each) => each.text.includes('andidate 1')).value; })()"
    )
    page.click("#take")
    page.tab.wait_for_selector("#verdict[aria-busy=false]")
    # The folder as a reader has it, not where it lay here.
    page.tab.evaluate(
        "(place) => [...document.querySelectorAll('body *')].filter((each) => each.textContent.trim() === place)"
        ".forEach((each) => { each.textContent = 'demo'; })",
        str(folder),
    )
    page.tab.evaluate("scrollTo(0, 0)")
    page.settle()
    picture(page, "live_page.png", 900)
    server.should_exit = True
    thread.join()
    session.searching.end()


def main() -> None:
    """Draw all of them.

    Raises
    ------
    SystemExit : without a Chromium
    """
    program = chromium()
    if program is None:
        raise SystemExit(
            "make pictures: no Chromium on the path; install one or name it in RAMPWRIGHT_BROWSER"
        )
    with started(program) as page:
        page.tab.set_viewport_size({"width": WIDTH, "height": 900})
        report(page, MADE / "results")
        live(page, MADE / "demo", MADE / "results")


if __name__ == "__main__":
    main()
