"""The campaign on the page: what is written is what `rampwright add` writes, and nothing is written unseen."""

from __future__ import annotations

import base64
import shutil
import time
from pathlib import Path
from typing import Any

import pytest

pytest.importorskip("starlette", reason="NOT TESTED: the page; pip install 'rampwright[page]'")
pytest.importorskip("httpx", reason="NOT TESTED: the page; pip install httpx")

import rampwright as rw
from optimizer.page.session import Session
from tests.optimizer.bad_inputs import write_good_scenario
from tests.optimizer.command import call
from tests.optimizer.page.conftest import FILE, TEXT
from tests.optimizer.page.test_server import Served


@pytest.fixture
def folder(made_campaign: Path, tmp_path: Path) -> Path:
    shutil.copytree(made_campaign, tmp_path / "five")
    return tmp_path / "five"


def dropped(file: Path, name: str | None = None) -> dict[str, str]:
    return {"name": name or file.name, "data": base64.b64encode(file.read_bytes()).decode()}


def contents(folder: Path) -> dict[str, bytes]:
    return {
        str(each.relative_to(folder)): each.read_bytes()
        for each in sorted(folder.rglob("*"))
        if each.is_file()
    }


def look(served: Served, file: Path, **more: Any) -> Any:
    return served.ask("look-at-run", {"file": dropped(file), "program": FILE, **more})


@pytest.mark.parametrize("name", ["third", "bare", "trace"])
def test_what_is_approved_is_what_the_command_writes_to_the_last_byte(
    made_campaign: Path, folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    run = made_campaign.parent / "runs" / f"{name}.csv"
    before = contents(folder)
    served = Served(Session(folder))
    seen = look(served, run)
    assert seen["ready"]
    assert contents(folder) == before  # looking writes nothing
    folder.rename(tmp_path / "untouched")
    shutil.copytree(tmp_path / "untouched", folder)
    assert call(monkeypatch, "add", folder, "--run", run, "--program", folder / FILE, "--accept") == 0
    by_command = contents(folder)
    shutil.rmtree(folder)
    (tmp_path / "untouched").rename(folder)
    assert served.ask("approve-run", {"ticket": seen["ticket"], "accept": True})["said"]
    by_page = contents(folder)
    assert by_page.keys() == by_command.keys() > before.keys()
    assert [each for each in by_page if by_page[each] != by_command[each]] == []
    assert len(served.session.fitted.scenario.runs) == 3  # fitted anew
    assert [each["undo"] for each in served.ask("campaign", {})["runs"]] == [False, False, True]
    served.ask("undo-run", {})
    after = contents(folder)
    assert {each: after[each] for each in before} == before
    assert len(served.session.fitted.scenario.runs) == 2


def test_a_trace_comes_with_baseline_limits_and_doubt(made_campaign: Path, folder: Path) -> None:
    seen = look(Served(Session(folder)), made_campaign.parent / "runs" / "trace.csv")
    expected = rw.peaks(made_campaign.parent / "runs" / "trace.csv")
    picture = seen["picture"]
    assert len(picture["times"]) == len(picture["signal"]) == len(picture["baseline"]) > 1000
    assert picture["peaks"] == pytest.approx(list(expected.retention / 60), abs=1e-4)
    for (first, last), a, b in zip(picture["limits"], expected.start, expected.end, strict=True):
        assert (first, last) == pytest.approx((a / 60, b / 60), abs=1e-4)
    assert all("rampwright-run-" not in each for each in seen["notes"])
    assert max(picture["signal"]) == pytest.approx(float(expected.signal.max()), rel=1e-4)
    assert [each["name"] for each in seen["peaks"]] == [
        "toluene", "octane", "p-xylene", "nonane", "decane",
    ]  # fmt: skip
    assert all(0.9 < each["sure"] <= 1 for each in seen["peaks"])
    compared = {each["name"]: each for each in seen["compared"]["peaks"]}
    for each in seen["peaks"]:
        beside = compared[each["name"]]
        assert beside["found"] == pytest.approx(each["time"], abs=2e-4)
        assert abs(beside["found"] - beside["predicted"]) < 0.02
        assert beside["half"] > 0


def test_names_given_by_hand_are_compared_and_put_in(made_campaign: Path, folder: Path) -> None:
    served = Served(Session(folder))
    seen = look(served, made_campaign.parent / "runs" / "bare.csv")
    names = [each["name"] for each in seen["peaks"]]
    names[1], names[2] = names[2], names[1]
    swapped = served.ask("look-at-run", {"ticket": seen["ticket"], "program": FILE, "names": names})
    assert [each["name"] for each in swapped["peaks"]] == names
    assert [each["proposed"] for each in swapped["peaks"]] != names
    assert swapped["doubts"], "two names the other way round are doubtful"
    told = served.ask("approve-run", {"ticket": swapped["ticket"]}, 422)["error"]
    assert "nothing was written" in told
    left = [*names[:-1], ""]
    fewer = served.ask("look-at-run", {"ticket": seen["ticket"], "program": FILE, "names": left})
    served.ask("approve-run", {"ticket": fewer["ticket"], "accept": True})
    last = rw.load_scenario(folder).runs[-1]
    assert set(last.peaks.compounds) == set(left) - {""}


def test_the_first_runs_of_a_new_scenario_are_named_on_the_page(made_campaign: Path, tmp_path: Path) -> None:
    folder = tmp_path / "new"
    write_good_scenario(folder)
    (folder / FILE).write_text(TEXT, encoding="utf-8")
    file = folder / "scenario.toml"
    text = file.read_text(encoding="utf-8")
    head, _, rest = text.partition("[[scouting_runs]]")
    file.write_text(head + rest[rest.index("[current]") :], encoding="utf-8")
    served = Served(Session(folder))
    assert served.ask("state", {})["ready"] is False
    seen = look(served, made_campaign.parent / "runs" / "bare.csv")
    assert seen["ready"] is False
    names = ["toluene", "octane", "p-xylene", "nonane", "decane"]
    again = served.ask("look-at-run", {"ticket": seen["ticket"], "program": FILE, "names": names})
    served.ask("approve-run", {"ticket": again["ticket"], "accept": True})
    run = rw.load_scenario(folder, runs_needed=False).runs[0]
    assert run.peaks.compounds == tuple(names)


def test_what_cannot_be_looked_at_is_told_and_changes_nothing(made_campaign: Path, folder: Path) -> None:
    served, runs = Served(Session(folder)), made_campaign.parent / "runs"
    before = contents(folder)
    bad = [
        ({"file": {"name": "x.csv", "data": "%%"}}, "base64"),
        ({"file": {"name": "..", "data": ""}}, "name"),
        ({"file": {"name": "", "data": ""}}, "name"),
        ({"file": {"name": "x.csv", "data": base64.b64encode(b"nothing").decode()}}, "x.csv"),
        ({"ticket": "none"}, "no longer"),
        ({"file": dropped(runs / "third.csv"), "program": "no such"}, "none of those"),
        ({"file": dropped(runs / "third.csv"), "program": FILE, "hold_up_min": "much"}, "hold-up"),
        ({"file": dropped(folder / "slow.csv"), "program": FILE}, "is it in already"),
        ({"file": dropped(runs / "bare.csv"), "program": FILE, "names": ["toluene"] * 5}, "5 peaks"),
        ({"file": dropped(runs / "bare.csv"), "program": FILE, "names": ["a"]}, "expected 5"),
    ]
    for asked, word in bad:
        told = served.ask("look-at-run", asked, 422)["error"]
        assert word in told, told
        assert "rampwright-run-" not in told, "where the copy is tells nobody anything"
    # A name that leads elsewhere is the last part of it, and its copy stays in the folder for copies.
    seen = served.ask(
        "look-at-run", {"file": dropped(runs / "third.csv", "../../a/third.csv"), "program": FILE}
    )
    assert seen["file"] == "third.csv"
    assert contents(folder) == before
    served.session.end()


def test_of_two_pages_that_put_a_run_in_the_later_is_told(made_campaign: Path, folder: Path) -> None:
    first, second = Served(Session(folder)), Served(Session(folder))
    run = made_campaign.parent / "runs" / "third.csv"
    tickets = [look(each, run)["ticket"] for each in (first, second)]
    first.ask("approve-run", {"ticket": tickets[0], "accept": True})
    before = contents(folder)
    told = second.ask("approve-run", {"ticket": tickets[1], "accept": True}, 422)["error"]
    assert "meanwhile" in told
    assert contents(folder) == before


def test_the_next_run_is_proposed_and_becomes_a_start(folder: Path) -> None:
    served = Served(Session(folder))
    assert "seconds" in served.ask("next-run", {"seconds": 0}, 422)["error"]
    served.ask("next-run", {"seconds": 2})
    state = {"at_work": True}
    for _ in range(6_000):  # minutes, which only guard against a hang
        state = served.ask("next-run", {})
        if not state["at_work"]:
            break
        time.sleep(0.05)
    assert "injections so far" in str(state["text"])
    assert (folder / "campaign" / "history.csv").exists()
    known = served.ask("campaign", {})
    assert [each["injections"] for each in known["stages"]] == [2]
    labels = [each["label"] for each in served.ask("state", {})["starts"]]
    assert ("next run proposed" in labels) == known["has_proposal"]
    served.ask("next-run", {"seconds": 3600})
    assert served.ask("next-run", {"stop": True}) == {
        "at_work": False,
        "text": "stopped; nothing was written",
    }
    served.session.end()
