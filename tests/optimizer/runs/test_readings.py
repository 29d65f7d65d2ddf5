"""Traces whose readings are odd: gaps, times before the injection, signals that are upside down."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from optimizer.base.errors import ScenarioError
from optimizer.runs.trace_files import read_trace
from optimizer.runs.trace_peaks import pick, table_of

TIMES = np.arange(0, 12, 0.005)  # min
APEXES = (3.0, 5.0, 9.0)


def written(folder: Path, times: np.ndarray, sign: float = 1.0, delay: float = 0.0) -> Path:
    noise = np.random.default_rng(1).normal(0, 0.2, len(TIMES))
    peaks = sum(100 * np.exp(-0.5 * ((TIMES - at) / 0.03) ** 2) for at in APEXES)
    file = folder / "run.csv"
    rows = (f"{t + delay:.4f},{y:.3f}" for t, y in zip(times, sign * (peaks + 10 + noise), strict=True))
    file.write_text("time_min,signal\n" + "\n".join(rows) + "\n", encoding="utf-8")
    return file


def picked(file: Path) -> tuple[np.ndarray, str]:
    found = table_of(pick(read_trace(file), file), file)
    return found.retention / 60, "\n".join(found.notes)


def test_a_short_gap_is_told_and_the_peaks_beside_it_stay(tmp_path: Path) -> None:
    keep = (TIMES < 6) | (TIMES > 7)
    file = written(tmp_path, TIMES)
    lines = file.read_text(encoding="utf-8").splitlines()
    rows = [line for line, kept in zip(lines[1:], keep, strict=True) if kept]
    file.write_text("\n".join([lines[0], *rows]) + "\n", encoding="utf-8")
    retention, notes = picked(file)
    assert retention == pytest.approx(APEXES, abs=0.002)
    assert "there are no readings from 5.995 to 7.005 min; a peak there is not seen" in notes


def test_a_gap_of_hours_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ScenarioError, match=r"the times leap from 360 to 30360\.3 s .* all of one run\?"):
        read_trace(written(tmp_path, np.where(TIMES > 6, TIMES + 500, TIMES)))


def test_a_signal_upside_down_is_asked_about(tmp_path: Path) -> None:
    _, notes = picked(written(tmp_path, TIMES, sign=-1.0))
    assert "is it upside down? Only what rises counts as a peak" in notes


def test_times_before_the_injection_are_told(tmp_path: Path) -> None:
    retention, notes = picked(written(tmp_path, TIMES, delay=-1.0))
    assert retention == pytest.approx(np.array(APEXES) - 1, abs=0.002)
    assert "its readings begin at -1.000 min; retention times count from 0" in notes


def test_a_peak_before_the_injection_is_left_out_and_told(tmp_path: Path) -> None:
    retention, notes = picked(written(tmp_path, TIMES, delay=-4.0))
    assert retention == pytest.approx((1.0, 5.0), abs=0.002)
    assert "what elutes before is left out" in notes


def test_an_ordinary_trace_has_no_notes(tmp_path: Path) -> None:
    retention, notes = picked(written(tmp_path, TIMES))
    assert retention == pytest.approx(APEXES, abs=0.002)
    assert notes == ""
