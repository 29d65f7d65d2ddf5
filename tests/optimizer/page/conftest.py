"""A browser, and a scenario with a run that was made, for tests of the live page."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest

import rampwright as rw
from tests.optimizer.bad_inputs import write_good_scenario

if TYPE_CHECKING:
    from tests.optimizer.browser import Browser

FILE = "program.toml"
TEXT = """\
oven = { start_C = 60, hold_min = 1, ramps = [{ rate_C_per_min = 12, to_C = 250, hold_min = 4 }] }
carrier = { mode = "constant flow", flow_mL_min = 1.5 }
"""


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """Of a module whose tests are skipped where there is none."""
    from tests.optimizer.browser import started_or_skip

    with started_or_skip("the live page") as running:
        yield running


@pytest.fixture(scope="module")
def made_campaign(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A scenario, a program, and a run that was made with it: its table, without names, and as a trace."""
    folder = tmp_path_factory.mktemp("campaign") / "five"
    write_good_scenario(folder)
    (folder / FILE).write_text(TEXT, encoding="utf-8")
    fitted = rw.fit(rw.load_scenario(folder))
    peaks = rw.predict(fitted, folder / FILE).peaks
    t = np.array([each.retention for each in peaks]) / 60
    w = np.array([each.width_half for each in peaks]) / 60
    rows = [
        (each.compound, a, b, 100 + 10 * n) for n, (each, a, b) in enumerate(zip(peaks, t, w, strict=True))
    ]
    named = [f"{name},{a + 0.002:.4f},{b:.4f},{area}" for name, a, b, area in rows]
    runs = folder.parent / "runs"
    runs.mkdir()
    head = "compound,retention_min,width_half_min,area"
    (runs / "third.csv").write_text("\n".join([head, *named, ""]), encoding="utf-8")
    bare = [each.split(",", 1)[1] for each in named]
    (runs / "bare.csv").write_text("\n".join([head.split(",", 1)[1], *bare, ""]), encoding="utf-8")
    times = np.arange(0.5, 8.0, 0.002)
    signal = 10 + np.random.default_rng(1).normal(0.0, 0.02, len(times))
    for _, a, b, area in rows:
        signal = signal + area * np.exp(-4 * np.log(2) * ((times - a) / b) ** 2)
    lines = [f"{x:.4f},{y:.5g}" for x, y in zip(times, signal, strict=True)]
    (runs / "trace.csv").write_text("\n".join(["time_min,signal", *lines, ""]), encoding="utf-8")
    return folder
