"""`rampwright peaks`: what is found in a recorded trace, shown for approval; and runs of a scenario that are traces."""

from __future__ import annotations

import csv
import json
import shutil
import tomllib
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from optimizer import peaks
from optimizer.base.given_values import inline_toml
from optimizer.runs.peak_tables import COLUMNS, PeakTable, read_peak_table
from optimizer.scenario.reading import load_scenario, read_files
from optimizer.show.pictures.peaks import rows_of
from tests.optimizer.command import call
from tests.optimizer.interrupted import contents
from tests.optimizer.recorded import Written, recorded, write_csv, write_e1947
from tests.optimizer.searches import steps

DEMO = Path(__file__).parents[3] / "scenarios" / "rescued_pair"
PNG = b"\x89PNG\r\n\x1a\n"


def sixty() -> PeakTable:
    """Sixty peaks, unevenly crowded, of very different heights, the smallest S/N about 20."""
    random = np.random.default_rng(3)
    retention = 100 + np.cumsum(np.tile([9.0, 14.0, 60.0], 20) + random.uniform(0, 3, 60))
    width, height = 2.0 + retention / 1500, 10 ** random.uniform(0.3, 2.2, 60)
    return PeakTable((), retention, width, height * width * 1.0645, np.ones(60))


@pytest.fixture
def trace(tmp_path: Path) -> Path:
    return write_csv(tmp_path / "run.csv", recorded(sixty(), noise=0.03))


def test_table_picture_and_a_peak_table_to_put_names_in(
    trace: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "found"
    assert call(monkeypatch, "peaks", trace, "--out", out) == 0
    screen = capsys.readouterr().out
    assert "60 peaks, found in the trace" in screen
    assert "looked for signal-to-noise 3 and half-height widths from" in screen
    assert sorted(contents(out)) == ["peaks.csv", "peaks.json", "peaks.png", "peaks.xlsx"]
    assert (out / "peaks.png").read_bytes().startswith(PNG)
    rows = list(csv.DictReader((out / "peaks.csv").open(encoding="utf-8")))
    assert tuple(rows[0]) == COLUMNS
    assert {row["compound"] for row in rows} == {""}
    lines = (out / "peaks.csv").read_text(encoding="utf-8").split("\n")
    named = [lines[0], *(f"peak {n}{line}" for n, line in enumerate(lines[1:-1], 1))]
    file = tmp_path / "named.csv"
    file.write_text("\n".join(named) + "\n", encoding="utf-8")
    table = read_peak_table(file)
    np.testing.assert_allclose(table.retention, sixty().retention, atol=0.05)
    np.testing.assert_allclose(table.area, sixty().area, rtol=0.05)


def test_one_document(
    trace: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert call(monkeypatch, "peaks", trace, "--json") == 0
    document = json.loads(capsys.readouterr().out)
    assert document["format"] == 1
    assert document["origin"] == "found in the trace"
    assert document["trace"]["interval_s"] == pytest.approx(0.1)
    assert [row["peak"] for row in document["peaks"]] == list(range(1, 61))
    ratio = [row["height"] * 2 / document["trace"]["noise"] for row in document["peaks"]]
    np.testing.assert_allclose([row["signal_to_noise"] for row in document["peaks"]], ratio, rtol=0.02)
    assert all(row["start_min"] < row["retention_min"] < row["end_min"] for row in document["peaks"])


def test_the_options_say_what_is_a_peak(
    trace: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def count(*options: str) -> int:
        assert call(monkeypatch, "peaks", trace, "--json", *options) == 0
        return len(json.loads(capsys.readouterr().out)["peaks"])

    heights = sixty().area / sixty().width_half / 1.0645
    wanted = int(np.sum(2 * heights / (6 * 0.03) > 300))
    assert abs(count("--min-signal-to-noise", "300") - wanted) <= 2
    assert count("--min-width-s", "3") < 60


def test_a_file_that_lists_its_peaks(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    names = [f"compound {n}" for n in range(60)]
    file = write_e1947(tmp_path / "run.cdf", recorded(sixty(), noise=0.03), Written(listed=True, names=names))
    assert call(monkeypatch, "peaks", file) == 0
    screen = capsys.readouterr().out
    assert "60 peaks, listed in the file" in screen
    assert "compound 59" in screen
    assert call(monkeypatch, "peaks", file, "--min-width-s", "1") == 2
    assert "add --from-trace" in capsys.readouterr().err
    assert call(monkeypatch, "peaks", file, "--min-width-s", "1", "--from-trace", "--json") == 0
    document = json.loads(capsys.readouterr().out)
    assert document["origin"] == "found in the trace"
    assert {row["compound"] for row in document["peaks"]} == {None}


def test_a_broken_file_leaves_nothing_behind(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "run.cdf"
    file.write_bytes(b"CDF\x01" + bytes(20))
    assert call(monkeypatch, "peaks", file, "--out", tmp_path / "out") == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    assert captured.err.startswith(f"rampwright: {file}: ")
    assert captured.err.count("\n") == 1
    assert not (tmp_path / "out").exists()
    assert call(monkeypatch, "peaks", tmp_path / "absent.cdf") == 2
    assert "there is no such file" in capsys.readouterr().err


def test_a_peak_table_is_told_from_a_trace(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert call(monkeypatch, "peaks", DEMO / "slow.csv") == 2
    assert "a trace has the columns time_min,signal" in capsys.readouterr().err


def test_rows_have_about_as_many_peaks_each_and_cover_the_run() -> None:
    retention = sixty().retention / 60
    rows = rows_of(retention, 0.0, 40.0)
    assert [n for row in rows for n in row.peaks] == list(range(60))
    assert max(len(row.peaks) for row in rows) <= 20
    assert rows[0].start == 0.0
    assert rows[-1].end == 40.0
    for row, following in pairwise(rows):
        assert row.end == following.start
        assert retention[row.peaks[-1]] < row.end < retention[following.peaks[0]]
    alone = rows_of(np.array([3.0]), 0.0, 10.0)
    assert [(row.start, row.end, row.peaks) for row in alone] == [(0.0, 10.0, (0,))]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A scenario whose slow run is a file with names and whose fast run is a bare trace."""
    folder = tmp_path / "recorded"
    shutil.copytree(DEMO, folder)
    text = (folder / "scenario.toml").read_text(encoding="utf-8")
    for name in ("slow", "fast"):
        table = read_peak_table(DEMO / f"{name}.csv")
        noise = float(table.area.min()) / 3.0 / 600
        listed = Written(
            unit="minutes", listed=name == "slow", names=table.compounds if name == "slow" else ()
        )
        write_e1947(folder / f"{name}.cdf", recorded(table, noise), listed)
        (folder / f"{name}.csv").unlink()
        assert f'"{name}.csv"' in text
        text = text.replace(f'"{name}.csv"', f'"{name}.cdf"')
    (folder / "scenario.toml").write_text(text, encoding="utf-8")
    return folder


def stated(folder: Path, run: str, keys: str) -> None:
    """Write further keys into a run of the scenario."""
    file = folder / "scenario.toml"
    text = file.read_text(encoding="utf-8")
    peaks = f'peaks = "{run}.cdf"\n'
    assert peaks in text
    file.write_text(text.replace(peaks, peaks + keys + "\n"), encoding="utf-8")


def test_a_run_states_what_counts_as_a_peak_as_the_command_does(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Settings that leave out some of the peaks: what a run then has is what the command shows with them."""
    usual = [len(each.retention) for each in read_files(folder).peaks]
    stated(folder, "slow", "from_trace = true\nmin_signal_to_noise = 500")
    stated(folder, "fast", "min_signal_to_noise = 500\nmin_width_s = 0.5")
    options = {"slow": ("--from-trace",), "fast": ("--min-width-s", "0.5")}
    runs = read_files(folder).peaks
    for (name, more), run, before in zip(options.items(), runs, usual, strict=True):
        asked = ("peaks", folder / f"{name}.cdf", "--min-signal-to-noise", "500", *more, "--json")
        assert call(monkeypatch, *asked) == 0
        rows = json.loads(capsys.readouterr().out)["peaks"]
        assert 0 < len(rows) < before
        assert not run.named
        np.testing.assert_allclose(run.retention, [60 * row["retention_min"] for row in rows], atol=1e-3)


def test_every_command_takes_the_peaks_that_a_run_states(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A setting that the slow run's file has no use for is refused by all alike; a good one is used by all alike."""
    good = (folder / "scenario.toml").read_text(encoding="utf-8")
    out = tmp_path / "out"
    commands: list[tuple[str | Path, ...]] = [
        ("check", folder),
        ("fit", folder),
        ("predict", folder),
        ("optimize", folder, "--out", out, "--seconds", str(steps(16))),
        ("compare", folder, "--run", DEMO / "fast.csv"),
    ]
    stated(folder, "slow", "min_width_s = 1.0")
    for command in commands:
        assert call(monkeypatch, *command) == 2, command
        said = capsys.readouterr().err
        assert 'scouting_runs[1].peaks = "slow.cdf": lists its peaks itself' in said, command
        assert "add from_trace = true" in said, command
    assert not out.exists()
    (folder / "scenario.toml").write_text(good, encoding="utf-8")
    stated(folder, "fast", "min_signal_to_noise = 500")
    assert call(monkeypatch, "fit", folder, "--accept", "--json") == 0
    capsys.readouterr()
    file = folder / "scenario.toml"
    file.write_text('matching = "matching.csv"\n' + file.read_text(encoding="utf-8"), encoding="utf-8")
    wanted = len(read_files(folder).peaks[1].retention)
    assert wanted < len(read_peak_table(DEMO / "fast.csv").compounds)
    assert call(monkeypatch, "check", folder, "--json") == 0
    assert json.loads(capsys.readouterr().out)["scouting_runs"][1]["peaks"] == wanted
    assert call(monkeypatch, "fit", folder, "--json") == 0
    rows = json.loads(capsys.readouterr().out)["compounds"]
    assert sum(row["residual_s"]["fast"] is not None for row in rows) == wanted
    assert call(monkeypatch, "compare", folder, "--run", DEMO / "fast.csv", "--json") in (0, 3)
    assert json.loads(capsys.readouterr().out)["peaks"]
    assert call(monkeypatch, *commands[3], "--no-what-if", "--json") in (0, 3)
    assert json.loads(capsys.readouterr().out)["candidates"]


def test_a_smallest_width_in_minutes_is_noticed(
    folder: Path, trace: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    note = "a smallest half-height width of 0.03 s leaves nothing out, since readings are 0.1 s apart"
    assert call(monkeypatch, "peaks", trace, "--min-width-s", "0.03", "--json") == 0
    assert any(note in each for each in json.loads(capsys.readouterr().out)["notes"])
    stated(folder, "fast", "min_width_s = 0.03")
    assert any(note in each for each in read_files(folder).peaks[1].notes)
    assert call(monkeypatch, "peaks", trace, "--min-width-s", "nan") == 2
    assert "min_width_s" in capsys.readouterr().err.replace("-", "_")  # named as option or argument


def test_numbers_that_do_not_fit_are_left_out_of_a_crowded_picture(trace: Path) -> None:
    """Sixty peaks in one row: fewer numbers than peaks, in order, and none over another."""
    from matplotlib.figure import Figure

    axes = Figure(figsize=(7, 2.5)).add_subplot()
    peaks(trace).plot_trace(axes)
    axes.figure.canvas.draw()  # type: ignore[attr-defined]
    numbers = [int(text.get_text()) for text in axes.texts]
    assert 15 < len(numbers) < 60
    assert numbers == sorted(set(numbers))
    boxes = [text.get_window_extent() for text in axes.texts]
    assert all(left.x1 <= right.x0 for left, right in pairwise(boxes))


def test_a_scenario_of_recorded_runs(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert call(monkeypatch, "check", folder) == 2
    assert "the peaks of run 'fast' have no names" in capsys.readouterr().err
    assert call(monkeypatch, "fit", folder, "--accept") == 0
    file = folder / "scenario.toml"
    file.write_text('matching = "matching.csv"\n' + file.read_text(encoding="utf-8"), encoding="utf-8")
    scenario = load_scenario(folder)
    for run, name in zip(scenario.runs, ("slow", "fast"), strict=True):
        truth = read_peak_table(DEMO / f"{name}.csv")
        rows = [truth.compounds.index(compound) for compound in run.peaks.compounds]
        assert len(rows) >= len(truth.compounds) - 2  # two of them run together in the slow run
        np.testing.assert_allclose(run.peaks.retention, truth.retention[rows], atol=0.2)


@pytest.fixture
def confirmation(tmp_path: Path) -> tuple[Path, Path]:
    """The program of the fast scouting run, and its trace without names, a foreign peak in it."""
    tables = tomllib.loads((DEMO / "scenario.toml").read_text(encoding="utf-8"))["scouting_runs"][1]
    program = tmp_path / "program.toml"
    program.write_text(
        f"oven = {inline_toml(tables['oven'])}\ncarrier = {inline_toml(tables['carrier'])}\n",
        encoding="utf-8",
    )
    truth = read_peak_table(DEMO / "fast.csv")
    more = PeakTable(
        (),
        np.append(truth.retention, truth.retention[-1] + 100.0),
        np.append(truth.width_half, 2.0),
        np.append(truth.area, 77.0),
        np.append(truth.tailing, 1.0),
    )
    run = write_e1947(tmp_path / "confirm.cdf", recorded(more, float(truth.area.min()) / 3.0 / 600))
    return program, run


def test_a_confirmation_run_without_names(
    confirmation: tuple[Path, Path],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    program, run = confirmation
    asked = ("compare", DEMO, "--run", run, "--program", program)
    assert call(monkeypatch, *asked) == 0
    screen = capsys.readouterr().out
    assert "Proposed names, from the prediction" in screen
    assert "Nothing has been compared" in screen
    table = tmp_path / "names.csv"
    assert call(monkeypatch, *asked, "--matching", table, "--json") == 0
    document = json.loads(capsys.readouterr().out)
    truth = read_peak_table(DEMO / "fast.csv")
    proposed = [row["compound"] for row in document["matching"]]
    assert document["accepted"] is False
    assert proposed == [*truth.compounds, None]
    rows = list(csv.DictReader(table.open(encoding="utf-8")))
    assert [row["compound"] or None for row in rows] == proposed
    assert call(monkeypatch, *asked, "--matching", table, "--json") == 0
    by_table = json.loads(capsys.readouterr().out)
    assert by_table["verdict"] == "holds"
    assert len([row for row in by_table["peaks"] if row["found_min"]]) == len(truth.compounds)
    assert any("1 of 21 peaks have no name" in warning for warning in by_table["warnings"])
    # A name put wrong in the table is used, and found to be wrong.
    text = table.read_text(encoding="utf-8")
    a, b = truth.compounds[4], truth.compounds[9]
    table.write_text(text.replace(a, "?").replace(b, a).replace("?", b), encoding="utf-8")
    assert call(monkeypatch, *asked, "--matching", table, "--json") == 0
    assert json.loads(capsys.readouterr().out)["verdict"] == "misnamed"


def test_a_confirmation_run_takes_the_options_of_peaks(
    confirmation: tuple[Path, Path],
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    program, run = confirmation

    def proposed(*options: str) -> int:
        asked = ("compare", DEMO, "--run", run, "--program", program, "--json", *options)
        assert call(monkeypatch, *asked) == 0
        return len(json.loads(capsys.readouterr().out)["matching"])

    assert 0 < proposed("--min-signal-to-noise", "500") < proposed()
    table = ("compare", DEMO, "--run", DEMO / "fast.csv", "--program", program)
    assert call(monkeypatch, *table, "--from-trace", "--min-width-s", "1") == 2
    said = capsys.readouterr().err
    assert "fast.csv: is a peak table, whose peaks are taken as they are" in said
    assert "leave out --min-width-s and --from-trace" in said


def test_names_accepted_as_proposed(
    confirmation: tuple[Path, Path],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    program, run = confirmation
    asked = ("compare", DEMO, "--run", run, "--program", program)
    assert call(monkeypatch, *asked, "--accept", "--json") == 0
    document = json.loads(capsys.readouterr().out)
    assert document["verdict"] == "holds"
    assert any("were proposed and accepted; 0 of 20 are doubtful" in each for each in document["warnings"])
    assert call(monkeypatch, *asked, "--accept", "--matching", tmp_path / "names.csv") == 2
    assert "give one" in capsys.readouterr().err
    assert (
        call(monkeypatch, "compare", DEMO, "--run", DEMO / "fast.csv", "--program", program, "--accept") == 2
    )
    assert "have names already" in capsys.readouterr().err
