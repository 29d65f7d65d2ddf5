"""A report of a scenario whose texts all try to be more than text."""

from __future__ import annotations

from dataclasses import replace

from optimizer.show.pages.report import outcome_files
from tests.optimizer.made_up import (
    ISOTHERMAL,
    PRESSURE_RAMP,
    TWO_RAMPS,
    compounds,
    made_up_fit,
    made_up_outcome,
    made_up_scenario,
    names_of,
    predicted,
)

TITLE = """Oils, "crude" & 'refined' </title><script>window.bad = 1</script>"""
PHASE = '" onmouseover="window.bad = 2'
NAMES = (
    *names_of(6),
    "<script>window.bad = 3</script>",
    "</script><img src=x onerror='window.bad = 4'>",
    "<!--<script>",
    """a "quoted" & 'single' name""",
    "\u2028{{ 7 * 7 }} ${window.bad = 5}",
    "a-very-long-name-without-any-place-to-break-it-such-as-3,3',4,4',5,5'-hexachlorobiphenyl-ish",
)
RETENTION = compounds(len(NAMES))


def report() -> str:
    """Two candidates and a method in use."""
    scenario = replace(made_up_scenario(NAMES, RETENTION), title=TITLE, phase=PHASE)
    fit = made_up_fit(RETENTION)
    outcome = made_up_outcome(
        [predicted(RETENTION, NAMES, each) for each in (TWO_RAMPS, PRESSURE_RAMP)],
        current=predicted(RETENTION, NAMES, ISOTHERMAL),
    )
    files = outcome_files(scenario, fit, outcome)
    return files["report.html"].decode()
