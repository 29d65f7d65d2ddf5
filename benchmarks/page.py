"""The live page: from a corner that is moved to the picture that has followed."""

from __future__ import annotations

import base64
import json
import threading
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
import uvicorn

import rampwright as rw
from benchmarks.mixtures import mixture
from models.column.programs import CarrierProgram, OvenProgram, Program, Ramp, batch_of
from models.peaks.migration import migrate, migration_tables
from models.peaks.resolution import HALF_HEIGHT_WIDTH
from models.units import flow_si, kelvin
from optimizer.page.campaigning import Campaigning
from optimizer.page.gate import Gate
from optimizer.page.server import HOST, application, bound
from optimizer.page.session import Session
from optimizer.page.setting_up import SettingUp

COMPOUNDS = (14, 30)
REPEATS, MOVES, STOPS = 15, 60, 3
SCENARIO = """\
column = { length_m = 30, inner_diameter_mm = 0.25, film_thickness_um = 0.25, min_temperature_C = 40, \
max_temperature_C = 325 }
carrier = { gas = "helium" }
"""
RUN = """
[[scouting_runs]]
name = "{rate:g}"
peaks = "{rate:g}.csv"
repeatability_min = 0.003
oven = {{ start_C = 50, hold_min = 1, ramps = [{{ rate_C_per_min = {rate:g}, to_C = 310, hold_min = 10 }}] }}
carrier = {{ mode = "constant flow", flow_mL_min = 1.2 }}
"""
PROGRAM: dict[str, Any] = {
    "oven": {"start_C": 60, "hold_min": 1, "ramps": [{"rate_C_per_min": 12, "to_C": 300, "hold_min": 2}]},
    "carrier": {"mode": "constant flow", "flow_mL_min": 1.5},
}
WATCH = """() => {
  window.shown = [];
  let moved = 0;
  document.addEventListener("pointermove", (event) => { moved = event.timeStamp; }, true);
  new MutationObserver(() => requestAnimationFrame(() => window.shown.push(performance.now() - moved)))
    .observe(document.querySelector("#chart > g"), { childList: true });
}"""


def scenario(folder: Path, compounds: int) -> None:
    """A scenario with two scouting runs of a mixture whose retention is known, noise added."""
    true = mixture(compounds, 5, 2).fit
    rng = np.random.default_rng(1)
    text = SCENARIO
    for rate in (5.0, 20.0):
        oven = OvenProgram(kelvin(50.0), 60.0, (Ramp(rate / 60, kelvin(310.0), 600.0),))
        program = Program(oven, CarrierProgram("flow", float(flow_si(1.2))))
        peaks = migrate(migration_tables(true.system, true.retention, "flow"), batch_of([program]))
        t = peaks.retention_time[0] + rng.normal(0.0, 0.15, compounds)
        w = peaks.width[0] * HALF_HEIGHT_WIDTH
        rows = [
            f"compound {n},{t[n] / 60:.5f},{w[n] / 60:.5f},{500 + 37 * (n % 9)}" for n in range(compounds)
        ]
        table = "\n".join(["compound,retention_min,width_half_min,area", *rows, ""])
        (folder / f"{rate:g}.csv").write_text(table, encoding="utf-8")
        text += RUN.format(rate=rate)
    (folder / "scenario.toml").write_text(text, encoding="utf-8")


def _median(call: Callable[[], object], repeats: int) -> float:
    times = []
    for _ in range(repeats):
        began = time.perf_counter()
        call()
        times.append(time.perf_counter() - began)
    return float(np.median(times))


def _answered(session: Session, asked: dict[str, Any]) -> str:
    return json.dumps(session.predicted(asked))


def _answers(session: Session) -> dict[str, float]:
    """Median seconds to an answer, as the text that is sent, by certainty."""
    found = {}
    for certainty, repeats in (("none", REPEATS), ("quick", REPEATS), ("exact", 5)):
        asked = {"program": PROGRAM, "certainty": certainty, "pair": "critical"}
        session.predicted(asked)
        found[certainty] = _median(partial(_answered, session, asked), repeats)
    return found


def _drags(session: Session) -> list[float] | None:
    """Milliseconds from each move of a dragged corner to the frame that shows it; None without a browser."""
    try:
        from tests.optimizer.browser import chromium, started
    except ImportError:
        return None
    program = chromium()
    if program is None:
        return None
    gate, listening = Gate(), bound(0)
    port = listening.getsockname()[1]
    app = application(session, gate, port)
    server = uvicorn.Server(uvicorn.Config(app, log_level="critical", lifespan="off"))
    serving = threading.Thread(target=lambda: server.run(sockets=[listening]), daemon=True)
    serving.start()
    try:
        with started(program) as browser:
            browser.screen(1400, 900)
            browser.open(gate.redirect_file(f"http://{HOST}:{port}/"))
            browser.tab.wait_for_selector("#verdict[aria-busy=false]")
            browser.run(f"({WATCH})()")
            x, y = browser.middle("#chart .corner.oven.arrival")
            browser.tab.mouse.move(x, y)
            browser.tab.mouse.down()
            for number in range(1, MOVES + 1):
                before = int(browser.run("window.shown.length"))
                browser.tab.mouse.move(x - 2 * number, y)
                while int(browser.run("window.shown.length")) == before:
                    pass
            found = [float(each) for each in browser.run("window.shown")]
            browser.tab.mouse.up()
            return found
    finally:
        server.should_exit = True
        serving.join()


def _others(session: Session) -> dict[str, float]:
    """Seconds that other things on the page take: a switch and a form, a run looked at, a search stopped."""
    campaigning, form = Campaigning(session), SettingUp(session)
    tree = {"tree": form.form({})["tree"]}
    peaks = rw.predict(session.fitted, PROGRAM, "none").peaks
    rows = [f"{each.retention / 60:.4f},{each.width_half / 60:.4f},100" for each in peaks]
    table = "\n".join(["retention_min,width_half_min,area", *rows, ""])
    dropped = {
        "file": {"name": "run.csv", "data": base64.b64encode(table.encode()).decode()},
        "program": PROGRAM,
    }
    switched = {"program": PROGRAM, "certainty": "quick", "what_if": {"left_out": [peaks[0].compound]}}
    found = {
        "form": _median(partial(form.check, tree), 5),
        "switch": _median(partial(session.predicted, switched), 1),  # the first, with its fit
        "look": _median(partial(campaigning.look, dropped), 3),
    }
    stops, simulated = [], []
    for _ in range(STOPS):
        session.search({"program": PROGRAM, "seconds": 600})
        while not session.searching.state().get("candidates"):
            time.sleep(0.05)
        began = time.perf_counter()
        session.search({"stop": True})
        while session.searching.state()["at_work"]:
            time.sleep(0.002)
        stops.append(time.perf_counter() - began)
        while session.searching.state().get("finishing"):
            time.sleep(0.01)
        simulated.append(time.perf_counter() - began)
    session.end()
    return {**found, "stop": max(stops), "simulated": max(simulated)}


def run(quick: bool = False) -> str:
    """A section of benchmarks/RESULTS.md."""
    lines = [
        "## The live page",
        "",
        "An answer of the server is a prediction as the text that is sent. *Drag to picture* is from a move of a",
        "dragged corner to the frame of a headless Chromium that shows chromatogram, probability by first derivatives,",
        f"margins and pair ({MOVES} moves).",
        "",
        "| compounds | trace alone, ms | by derivatives, ms | simulated, ms | drag to picture, ms | 95 % within |",
        "|---|---|---|---|---|---|",
    ]
    others = []
    for compounds in COMPOUNDS:
        with TemporaryDirectory() as folder:
            scenario(Path(folder), compounds)
            session = Session(Path(folder))
            answers = _answers(session)
            drags = _drags(session)
            rest = _others(session)
        others.append(
            f"| {compounds} | {1e3 * rest['form']:.0f} | {rest['switch']:.2f} | {rest['look']:.2f} "
            f"| {1e3 * rest['stop']:.0f} | {rest['simulated']:.1f} |"
        )
        texts = [f"{1e3 * answers[each]:.1f}" for each in ("none", "quick", "exact")]
        if drags is None:
            texts += ["no browser", "no browser"]
        else:
            texts += [f"{np.median(drags):.0f}", f"{np.quantile(drags, 0.95):.0f}"]
        lines.append(f"| {compounds} | {' | '.join(texts)} |")
    lines += [
        "",
        "A form is checked by reading a copy of the scenario; a switch fits the runs anew; a run that is looked at",
        f"has its peaks named and is compared with its prediction. *Stop*: the longest of {STOPS} from the order until",
        "the page is told the best so far; *simulated*: until that has been rounded and simulated.",
        "",
        "| compounds | form checked, ms | a switch, s | a run looked at, s | stop, ms | simulated, s |",
        "|---|---|---|---|---|---|",
        *others,
        "",
    ]
    print("\n".join(lines), flush=True)
    return "\n".join(lines)
