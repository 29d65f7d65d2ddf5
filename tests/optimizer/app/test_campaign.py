"""A campaign on a simulated instrument, which shares no code with the packages: runs put in, taken out, proposed."""

from __future__ import annotations

import csv
import json
import shutil
import tomllib
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

import rampwright as rw
from optimizer.app import interface_campaign
from optimizer.base import output
from optimizer.campaign.history import Stage, read_campaign
from optimizer.methods.scout_programs import same_program
from tests.optimizer.command import call
from tests.optimizer.interrupted import contents
from tests.reference.confirmation import write_table
from tests.scenarios.data_scripts import ROOT, load_script

FOLDER = ROOT / "scenarios" / "rescued_pair"
SCRIPT = load_script(FOLDER)
RUN: dict[str, Any] = {
    "oven": {"start_C": 60, "hold_min": 1, "ramps": [{"rate_C_per_min": 6, "to_C": 230, "hold_min": 3}]},
    "carrier": {"mode": "constant flow", "flow_mL_min": 1.5},
}
Made = Callable[..., Path]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    shutil.copytree(FOLDER, tmp_path / "method", ignore=shutil.ignore_patterns("*.py", "__pycache__"))
    return tmp_path / "method"


@pytest.fixture(scope="module")
def rows() -> list[Any]:
    found: list[Any] = SCRIPT.INSTRUMENT.measure(RUN, 78)[0]
    return found


@pytest.fixture
def made(tmp_path: Path, rows: list[Any]) -> Made:
    """The run as a peak table, with names or without."""

    def of(named: bool = True, names: dict[str, str] | None = None) -> Path:
        file = tmp_path / "run3.csv"
        known = names or {}
        write_table(file, [replace(row, compound=known.get(row.compound, row.compound)) for row in rows])
        if not named:
            with file.open(encoding="utf-8", newline="") as lines:
                cells = [row[1:] for row in csv.reader(lines)]
            with file.open("w", encoding="utf-8", newline="") as lines:
                csv.writer(lines, lineterminator="\n").writerows(cells)
        return file

    return of


def test_a_run_without_names_is_put_in_under_the_right_ones(
    folder: Path, made: Made, rows: list[Any]
) -> None:
    former, before = (folder / "scenario.toml").read_bytes(), contents(folder)
    addition = rw.add_run(rw.load_scenario(folder), made(named=False), RUN)
    assert contents(folder) == before  # nothing is written yet
    names = {round(time / 60, 3): name for _, time, name, _, _ in addition.names}
    assert names == {round(row.time / 60, 3): row.compound for row in rows}
    assert addition.doubts == ()
    assert addition.compared is not None
    added = addition.write()
    assert added.former.read_bytes() == former
    scenario = rw.load_scenario(folder)
    assert [run.name for run in scenario.runs] == ["slow", "fast", "run3"]
    last = scenario.runs[-1]
    assert last.day == "day of run3"
    assert same_program(scenario, last.program, addition.new.run.program)
    assert {
        name: round(t / 60, 3) for name, t in zip(last.peaks.compounds, last.peaks.retention, strict=True)
    } == {row.compound: round(row.time / 60, 3) for row in rows}
    # And out again, as if nothing had been.
    assert "run3" in rw.undo_run(scenario)
    assert (folder / "scenario.toml").read_bytes() == former
    assert not (folder / "run3.csv").exists()
    assert not added.former.exists()
    with pytest.raises(rw.ScenarioError, match="nothing to undo"):
        rw.undo_run(rw.load_scenario(folder))


def test_what_was_changed_since_stays_when_a_run_is_taken_out(folder: Path, made: Made) -> None:
    rw.add_run(rw.load_scenario(folder), made(), RUN).write()
    file = folder / "scenario.toml"
    former = (folder / "scenario.toml.former-1").read_text(encoding="utf-8")
    file.write_text(file.read_text(encoding="utf-8") + "# mine\n", encoding="utf-8")
    (folder / "run3.csv").write_text("mine", encoding="utf-8")
    scenario = rw.load_scenario(FOLDER)
    known = replace(
        scenario, path=file, runs=(*scenario.runs, replace(scenario.runs[0], name="run3", file="run3.csv"))
    )
    assert "stay" in rw.undo_run(known)
    assert file.read_text(encoding="utf-8") == former + "# mine\n"
    assert (folder / "run3.csv").read_text(encoding="utf-8") == "mine"


def test_doubts_keep_a_run_out_until_they_are_accepted(folder: Path, made: Made) -> None:
    swapped = made(names={"menthol": "limonene", "limonene": "menthol"})
    before = contents(folder)
    addition = rw.add_run(rw.load_scenario(folder), swapped, RUN)
    assert addition.doubts
    with pytest.raises(rw.ScenarioError, match="nothing was written"):
        addition.write()
    assert contents(folder) == before
    addition.write(accept=True)
    assert len(rw.load_scenario(folder).runs) == 3


def test_the_same_run_is_not_put_in_twice(folder: Path) -> None:
    with pytest.raises(rw.ScenarioError, match="same times as run 'slow'"):
        rw.add_run(rw.load_scenario(folder), folder / "slow.csv", RUN)


def test_a_run_that_cannot_be_read_back_is_not_written(folder: Path, made: Made) -> None:
    before = contents(folder)
    short = {**RUN, "oven": {"start_C": 60, "hold_min": 5}}  # over before its last peaks
    with pytest.raises(rw.ScenarioError):
        rw.add_run(rw.load_scenario(folder), made(), short).write()
    assert contents(folder) == before


@pytest.mark.parametrize("fails_at", range(4))
def test_a_run_is_put_in_whole_or_not_at_all(
    folder: Path, made: Made, monkeypatch: pytest.MonkeyPatch, fails_at: int
) -> None:
    addition = rw.add_run(rw.load_scenario(folder), made(), RUN)
    before = contents(folder)
    count = 0
    real = output._write

    def full(path: Path, content: bytes) -> None:
        nonlocal count
        count += 1
        if count > fails_at:
            raise OSError(28, "No space left on device")
        real(path, content)

    monkeypatch.setattr(output, "_write", full)
    with pytest.raises(rw.RampwrightError, match="No space left"):
        addition.write()
    monkeypatch.undo()
    left = {name: text for name, text in contents(folder).items() if not name.startswith("campaign")}
    assert left == before
    assert read_campaign(rw.load_scenario(folder)).added == ()


def test_a_scenario_changed_meanwhile_is_not_overwritten(folder: Path, made: Made) -> None:
    addition = rw.add_run(rw.load_scenario(folder), made(), RUN)
    file = folder / "scenario.toml"
    file.write_bytes(file.read_bytes() + b"# by somebody else\n")
    mine = file.read_bytes()
    with pytest.raises(rw.RampwrightError, match="changed by somebody else"):
        addition.write()
    assert file.read_bytes() == mine
    assert not (folder / "run3.csv").exists()


def test_add_asks_before_it_writes(
    folder: Path,
    made: Made,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    program = tmp_path / "program.toml"
    program.write_text(
        "oven = { start_C = 60, hold_min = 1, ramps = [{ rate_C_per_min = 6, to_C = 230, hold_min = 3 }] }\n"
        'carrier = { mode = "constant flow", flow_mL_min = 1.5 }\n',
        encoding="utf-8",
    )
    run = ("add", folder, "--run", made(named=False), "--program", program)
    before = contents(folder)
    monkeypatch.setattr("sys.stdin.isatty", lambda: False, raising=False)
    assert call(monkeypatch, *run) == 2
    assert "answer in a terminal, or give --yes" in capsys.readouterr().err
    assert contents(folder) == before
    assert call(monkeypatch, *run, "--yes", "--json") == 0
    document = json.loads(capsys.readouterr().out)
    assert document["written"]
    assert document["runs"] == ["slow", "fast", "run3"]
    assert min(each["confidence"] for each in document["names"]) > 0.99
    assert call(monkeypatch, "add", folder, "--undo") == 0
    assert {name for name in contents(folder) if not name.startswith("campaign")} == set(before)
    assert call(monkeypatch, *run, "--yes", "--retune", "--rounds", "4") == 0
    assert "Back again: rampwright add" in capsys.readouterr().out
    assert read_campaign(rw.load_scenario(folder)).stages[-1].injections == 3


def test_next_proposes_a_run_that_was_not_made_and_add_takes_it_up(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert call(monkeypatch, "next", folder, "--rounds", "24", "--json") == 0
    document = json.loads(capsys.readouterr().out)
    proposed = document["proposed"]
    assert proposed is not None
    campaign = folder / "campaign"
    kept = tomllib.loads((campaign / "next.toml").read_text(encoding="utf-8"))
    assert kept == {"oven": proposed["oven"], "carrier": proposed["carrier"]}
    scenario = rw.load_scenario(folder)
    method = rw.program(scenario, **kept)
    assert not any(same_program(scenario, method, run.program) for run in scenario.runs)
    for line in proposed["set_points"]:
        assert line in (campaign / "set_points.txt").read_text(encoding="utf-8")
    with (campaign / "history.csv").open(encoding="utf-8") as lines:
        (stage,) = csv.DictReader(lines)
    assert float(stage["run_time_min"]) == pytest.approx(document["best"]["run_time_min"], abs=1e-3)
    assert "Campaign" in (campaign / "history.html").read_text(encoding="utf-8")
    file = tmp_path / "made.csv"
    write_table(file, SCRIPT.INSTRUMENT.measure(kept, 79)[0])
    assert call(monkeypatch, "add", folder, "--run", file, "--accept") == 0
    assert "as next proposed it" in capsys.readouterr().out
    wider = rw.load_scenario(folder)
    assert same_program(wider, method, wider.runs[-1].program)
    assert not (campaign / "next.toml").exists()  # it is made


def test_a_campaign_begins_with_two_scouting_runs(folder: Path) -> None:
    scenario = rw.load_scenario(folder)
    empty = replace(scenario, runs=(), path=folder / "scenario.toml")
    first = rw.next_run(empty)
    assert first.proposed is not None
    one = replace(scenario, runs=(replace(scenario.runs[0], program=first.proposed),))
    second = rw.next_run(one)
    assert second.proposed is not None
    assert not same_program(scenario, second.proposed, first.proposed)
    rates = [run.oven.ramps[0].rate for run in (first.proposed, second.proposed)]
    assert max(rates) / min(rates) == pytest.approx(4, rel=0.2)


def test_a_spoilt_history_is_refused_by_name(folder: Path) -> None:
    (folder / "campaign").mkdir()
    (folder / "campaign" / "campaign.json").write_text('{"stages": [{"injections": "two"}], "added": []}')
    with pytest.raises(rw.ScenarioError, match=r"campaign\.json: is not as rampwright writes it"):
        read_campaign(rw.load_scenario(folder))


def test_a_stage_replaces_those_of_runs_that_were_taken_back(folder: Path) -> None:
    known = read_campaign(rw.load_scenario(folder))
    for injections in (2, 3, 4, 3):
        known = known.at(Stage(injections, "run", 10.0 + injections, 0.9, True))
    assert [each.injections for each in known.stages] == [2, 3]


def test_retuning_goes_into_the_history(folder: Path, made: Made) -> None:
    added = rw.add_run(rw.load_scenario(folder), made(), RUN).write()
    tuned = interface_campaign.retuned(added, rounds=4)
    assert tuned.outcome is not None
    assert read_campaign(tuned.scenario).stages[-1].last_run == "run3"


def test_a_campaign_goes_from_nothing_to_two_runs_without_a_line_typed_into_the_scenario(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    file = folder / "scenario.toml"
    text = file.read_text(encoding="utf-8")
    first = text.index("[[scouting_runs]]")
    file.write_text(text[:first] + text[text.index("[current]") :], encoding="utf-8")
    for number, (name, named) in enumerate((("one", True), ("two", False))):
        assert call(monkeypatch, "next", folder) == 0
        kept = tomllib.loads((folder / "campaign" / "next.toml").read_text(encoding="utf-8"))
        table = tmp_path / f"{name}.csv"
        write_table(table, SCRIPT.INSTRUMENT.measure(kept, 90 + number)[0])
        if not named:
            with table.open(encoding="utf-8", newline="") as lines:
                cells = [row[1:] for row in csv.reader(lines)]
            with table.open("w", encoding="utf-8", newline="") as lines:
                csv.writer(lines, lineterminator="\n").writerows(cells)
        assert call(monkeypatch, "add", folder, "--run", table, "--accept") == 0
    capsys.readouterr()
    scenario = rw.load_scenario(folder)
    assert [(run.name, run.day) for run in scenario.runs] == [("one", ""), ("two", "")]
    times = [dict(zip(run.peaks.compounds, run.peaks.retention, strict=True)) for run in scenario.runs]
    truth = {row.compound: row.time for row in SCRIPT.INSTRUMENT.measure(kept, 91)[0]}
    right = [abs(times[1][each] - truth[each]) < 0.1 for each in times[1]]
    assert sum(right) >= len(truth) - 2  # one pair may be exchanged by one run alone
