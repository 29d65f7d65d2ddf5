"""Scenarios whose peaks have no names in all but one run: nothing is used before a person has accepted it."""

from __future__ import annotations

import csv
import json
import shutil
from pathlib import Path

import pytest

import rampwright as rw
from models.errors import InvalidInputError
from optimizer.base.errors import ScenarioError, UnnamedPeaks
from optimizer.runs.peak_tables import read_peak_table
from optimizer.scenario.reading import load_scenario
from tests.optimizer.command import call

DEMO = Path(__file__).parents[3] / "scenarios" / "rescued_pair"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A scenario with crossing compounds, the names taken out of its fast run."""
    folder = tmp_path / "nameless"
    shutil.copytree(DEMO, folder)
    without_names(folder / "fast.csv")
    return folder


def without_names(table: Path, blank: bool = False) -> None:
    rows = list(csv.DictReader(table.open(encoding="utf-8")))
    columns = [key for key in rows[0] if blank or key != "compound"]
    with table.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, columns, extrasaction="ignore")
        writer.writeheader()
        writer.writerows({**row, "compound": ""} for row in rows)


def accept(folder: Path) -> Path:
    """A matching table written by hand, with the true names."""
    names = read_peak_table(DEMO / "fast.csv")
    lines = [f'fast,{t / 60:.3f},"{name}"' for name, t in zip(names.compounds, names.retention, strict=True)]
    table = folder / "names.csv"
    table.write_text("run,retention_min,compound\n" + "\n".join(lines) + "\n", encoding="utf-8")
    file = folder / "scenario.toml"
    file.write_text('matching = "names.csv"\n' + file.read_text(encoding="utf-8"), encoding="utf-8")
    return table


@pytest.mark.parametrize("blank", [False, True])
def test_other_commands_stop_and_say_what_to_do_first(
    blank: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "nameless"
    shutil.copytree(DEMO, folder)
    without_names(folder / "fast.csv", blank)
    for command in (["check"], ["predict"], ["optimize", "--out", str(tmp_path / "out")]):
        assert call(monkeypatch, command[0], folder, *command[1:]) == 2
        err = capsys.readouterr().err
        assert f"run 'fast' have no names; run rampwright fit {folder} first" in err
    assert not (tmp_path / "out").exists()


def test_fit_proposes_and_fits_nothing(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    before = sorted(path.name for path in folder.iterdir())
    assert call(monkeypatch, "fit", folder) == 0
    out = capsys.readouterr().out
    for part in (
        "Proposed names, from run slow",
        "Nothing has been fitted",
        "--accept",
        'matching = "matching.csv"',
    ):
        assert part in out
    assert "theta" not in out
    assert sorted(path.name for path in folder.iterdir()) == before


def test_the_proposal_is_right_though_the_order_changes(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert call(monkeypatch, "fit", folder, "--json") == 0
    document = json.loads(capsys.readouterr().out)
    assert document["accepted"] is False
    assert document["without_peak"] == {"fast": []}
    truth = read_peak_table(DEMO / "fast.csv")
    slow = read_peak_table(DEMO / "slow.csv")
    assert truth.compounds != slow.compounds
    assert [row["compound"] for row in document["matching"]] == list(truth.compounds)


def test_python_is_offered_the_same_proposal(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert call(monkeypatch, "fit", folder, "--json") == 0
    printed = json.loads(capsys.readouterr().out)
    with pytest.raises(
        UnnamedPeaks, match="run 'fast' have no names; have them proposed with matching"
    ) as unnamed:
        rw.fit(folder)
    assert unnamed.value.proposal == printed
    assert printed["matching"]
    fitted = rw.fit(folder, accept=True)
    assert fitted.to_dict()["compounds"] == rw.fit(rw.load_scenario(DEMO)).to_dict()["compounds"]
    assert (folder / "matching.csv").exists()
    with pytest.raises(InvalidInputError, match="give the scenario's folder to fit"):
        rw.fit(rw.load_scenario(DEMO), accept=True)


def test_acceptance_writes_a_table_and_fits_as_with_names(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert call(monkeypatch, "fit", folder, "--accept", "--json") == 0
    document = json.loads(capsys.readouterr().out)
    assert any("matching.csv" in text for text in document["warnings"])
    assert call(monkeypatch, "fit", DEMO, "--json") == 0
    named = json.loads(capsys.readouterr().out)
    assert document["compounds"] == named["compounds"]
    # Until the scenario names the table, nothing else uses it; and what is there is never overwritten.
    capsys.readouterr()
    assert call(monkeypatch, "check", folder) == 2
    assert 'put the line matching = "matching.csv" at the top' in capsys.readouterr().err
    assert call(monkeypatch, "fit", folder, "--accept") == 2
    said = capsys.readouterr().err
    assert "is not overwritten" in said
    assert 'put the line matching = "matching.csv" at the top of the scenario' in said
    # The line is missing, so that names are proposed again: what to do is not to accept them once more.
    assert call(monkeypatch, "fit", folder) == 0
    said = capsys.readouterr().out
    assert "matching.csv is there already" in said
    assert '  matching = "matching.csv"' in said.splitlines()
    assert "--accept" not in said
    file = folder / "scenario.toml"
    file.write_text('matching = "matching.csv"\n' + file.read_text(encoding="utf-8"), encoding="utf-8")
    assert call(monkeypatch, "fit", folder) == 0
    assert "theta" in capsys.readouterr().out


def test_a_table_can_be_written_corrected_and_named(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    table = folder / "mine.csv"
    assert call(monkeypatch, "fit", folder, "--matching", table) == 0
    assert "theta" not in capsys.readouterr().out
    lines = table.read_text(encoding="utf-8").splitlines()
    assert lines[0] == "run,retention_min,compound,confidence"
    table.write_text("\n".join(line for line in lines if "eugenol" not in line) + "\n", encoding="utf-8")
    file = folder / "scenario.toml"
    file.write_text('matching = "mine.csv"\n' + file.read_text(encoding="utf-8"), encoding="utf-8")
    read = load_scenario(folder)
    assert "eugenol" not in read.runs[1].peaks.compounds
    assert len(read.runs[1].peaks.compounds) == len(read.runs[0].peaks.compounds) - 1
    assert any("1 of 20 peaks have no name" in warning for warning in read.warnings)
    assert call(monkeypatch, "fit", folder) == 0
    assert "theta" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("old", "new", "part"),
    [
        ("linalool", "linalol", "did you mean 'linalool'?"),
        ("linalool", "camphor", "'camphor' has two peaks in run 'fast'"),
        ("fast,9.948", "fast,9.9", "no peak at 9.9 min; the nearest is at 9.9480 min"),
        ("fast,9.948", "fats,9.948", "did you mean 'fast'?"),
        ("fast,9.948", "fast,10.109", "is named twice"),
        ("fast,9.948", "fast,late", "expected a number"),
        ("run,", "ran,", "the column 'run' is missing"),
    ],
)
def test_what_is_wrong_in_a_matching_table_is_said(folder: Path, old: str, new: str, part: str) -> None:
    table = accept(folder)
    text = table.read_text(encoding="utf-8")
    assert old in text
    table.write_text(text.replace(old, new), encoding="utf-8")
    with pytest.raises(ScenarioError, match=r"names\.csv") as caught:
        load_scenario(folder)
    assert part in str(caught.value)


def test_exactly_one_run_has_names(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    without_names(folder / "slow.csv")
    assert call(monkeypatch, "fit", folder) == 2
    assert "expected exactly one named run" in capsys.readouterr().err


def test_with_all_names_there_is_nothing_to_accept(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert call(monkeypatch, "fit", DEMO, "--accept") == 2
    assert "nothing to propose" in capsys.readouterr().err


def test_a_key_without_use_is_an_error(tmp_path: Path) -> None:
    folder = tmp_path / "named"
    shutil.copytree(DEMO, folder)
    file = folder / "scenario.toml"
    file.write_text('matching = "x.csv"\n' + file.read_text(encoding="utf-8"), encoding="utf-8")
    with pytest.raises(ScenarioError, match="leave the key out"):
        load_scenario(folder)


def test_a_swap_in_the_tables_is_listed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Two names exchanged in one of two named tables: fit.json lists it, console and search warn of it."""
    folder = tmp_path / "swapped"
    shutil.copytree(DEMO, folder)
    table = folder / "slow.csv"
    text = table.read_text(encoding="utf-8")
    text = text.replace("menthone", "?").replace("n-tetradecane", "menthone").replace("?", "n-tetradecane")
    table.write_text(text, encoding="utf-8")
    out = tmp_path / "out"
    assert call(monkeypatch, "fit", folder, "--out", out) == 0
    assert "menthone" in capsys.readouterr().out.split("seem swapped")[0]
    document = json.loads((out / "fit.json").read_text(encoding="utf-8"))
    (suspect,) = document["suspects"]
    assert {suspect["compound"], suspect["with"]} == {"menthone", "n-tetradecane"}
    assert {suspect["run"], suspect["or_run"]} == {"slow", "fast"}
    assert suspect["kind"] == "swapped"
    assert abs(suspect["sigmas"]) > 2
    assert suspect["for_the_areas"] > 4  # the areas, 800 and 620, say the same
    assert "exchanged both fit" in suspect["mend"]
    assert any("seem swapped" in text for text in document["warnings"])


def test_where_times_say_nothing_of_a_swap_the_areas_come_first(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Of two compounds that change order with temperature either order fits two runs: only areas tell them apart."""
    folder = tmp_path / "swapped"
    shutil.copytree(DEMO, folder)
    table = folder / "slow.csv"
    text = table.read_text(encoding="utf-8")
    text = text.replace("camphor,", "?,").replace("linalool,", "camphor,").replace("?,", "linalool,")
    table.write_text(text, encoding="utf-8")
    assert call(monkeypatch, "fit", folder, "--json") == 0
    document = json.loads(capsys.readouterr().out)
    (suspect,) = document["suspects"]
    assert {suspect["compound"], suspect["with"]} == {"camphor", "linalool"}
    assert abs(suspect["sigmas"]) < 1
    words = suspect["words"]
    fall = f"{suspect['for_the_areas']:.0f}"
    assert "(two runs cannot tell which) (" in words
    assert f": the areas tell it (chi-square falls by {fall} for them" in words
    assert (
        words.index("the areas tell it")
        < words.index("the times do not")
        < words.index("standard deviations")
    )
    assert "chi-square" not in suspect["mend"]
