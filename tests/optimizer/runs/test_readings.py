"""Traces whose readings are odd: gaps, times before the injection, signals that are upside down."""

from __future__ import annotations

import tracemalloc
from pathlib import Path

import numpy as np
import pytest

from optimizer.base.errors import ScenarioError
from optimizer.runs import readings, trace_files
from optimizer.runs.trace_files import read_trace
from optimizer.runs.trace_peaks import pick, table_of
from rampwright import peaks

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


def test_more_readings_than_are_kept_are_averaged_and_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(readings, "KEPT_POINTS", 1000)
    file = written(tmp_path, TIMES)
    trace = read_trace(file)
    assert len(trace.times) == len(TIMES) // 3  # 2400 readings
    assert float(trace.times[0]) == pytest.approx(60 * float(TIMES[:3].mean()), abs=1e-6)
    retention, notes = picked(file)
    assert retention == pytest.approx(APEXES, abs=0.002)
    assert "of its 2400 readings the means of 3 each are used" in notes


def test_of_many_readings_little_is_held(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A limit a reading, so that ten million stay below 600 MB: 16 bytes as text, 16 as numbers, what checks take."""
    monkeypatch.setattr(readings, "KEPT_POINTS", 20_000)
    count = 100_000
    file = tmp_path / "run.csv"
    rows = (f"{n / 1e5:.6f},{10 + n % 7:.3f}\n" for n in range(count))
    file.write_text("time_min,signal\n" + "".join(rows), encoding="utf-8")
    read_trace(file)
    tracemalloc.start()
    try:
        read_trace(file)
        held = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert held < 48 * count


def test_a_long_trace_says_how_far_it_is(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(trace_files, "TOLD_EVERY", 10_000)
    monkeypatch.setattr(trace_files, "LONG", len(TIMES) - 1)
    heard: list[tuple[float, str]] = []
    peaks(written(tmp_path, TIMES), progress=lambda share, text: heard.append((share, text)))
    assert len(heard) > 3
    assert heard[-1] == (trace_files.READING, "finding peaks")
    assert [share for share, _ in heard] == sorted(share for share, _ in heard)


def test_a_short_trace_says_nothing(tmp_path: Path) -> None:
    heard: list[float] = []
    peaks(written(tmp_path, TIMES), progress=lambda share, _: heard.append(share))
    assert not heard
