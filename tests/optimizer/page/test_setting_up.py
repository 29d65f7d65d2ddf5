"""Setting a scenario up by form, and what-ifs as switches: the same messages as `check`, files that commands read."""

from __future__ import annotations

import json
import shutil
import tomllib
from pathlib import Path
from typing import Any

import pytest

pytest.importorskip("starlette", reason="NOT TESTED: the page; pip install 'rampwright[page]'")
pytest.importorskip("httpx", reason="NOT TESTED: the page; pip install httpx")

import rampwright as rw
from optimizer.page.session import Session
from optimizer.scenario.scenario_edit import with_keys
from tests.optimizer.bad_inputs import BAD_INPUTS, FAST, SLOW, write_good_scenario
from tests.optimizer.page.test_server import PROGRAM, Served

SCENARIOS = Path(__file__).parents[3] / "scenarios"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    write_good_scenario(tmp_path / "five")
    return tmp_path / "five"


def form(served: Served) -> dict[str, Any]:
    found: dict[str, Any] = served.ask("form", {})
    return found


# ---- the form --------------------------------------------------------------------------------------------------


def test_a_form_that_changes_nothing_writes_the_same_bytes(folder: Path) -> None:
    file = folder / "scenario.toml"
    before = file.read_bytes()
    served = Served(Session(folder))
    found = form(served)
    assert found["tree"] == tomllib.loads(before.decode())
    told = served.ask("write-form", {"tree": found["tree"], "version": found["version"]})
    assert (told["problems"], told["written"]) == ([], [str(file)])
    assert file.read_bytes() == before
    assert sorted(each.name for each in folder.iterdir()) == ["fast.csv", "scenario.toml", "slow.csv"]


@pytest.mark.parametrize("number", range(0, 400, 9))
def test_the_messages_are_those_of_check(folder: Path, number: int) -> None:
    """Of mistakes in scenario.toml, spread over the table of them."""
    bad = BAD_INPUTS[number % len(BAD_INPUTS)]
    bad.spoil(folder)
    try:
        tree = tomllib.loads((folder / "scenario.toml").read_text(encoding="utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, OSError):
        return  # no form can make it
    expected: list[str] = []
    try:
        rw.load_scenario(folder, runs_needed=False)
    except rw.ScenarioError as error:
        expected = list(error.problems)
    if (
        any('"fill in"' in each for each in expected)
        or "Infinity" in json.dumps(tree)
        or "NaN" in json.dumps(tree)
    ):
        return  # nor these
    served = Served(Session(folder))
    told = served.ask("check-form", {"tree": tree})["problems"]
    assert [each["text"] for each in told] == expected
    for each in told:
        place = each["at"]
        assert place == "" or place in each["text"] or place.endswith(".peaks")


def test_each_message_knows_its_field(folder: Path) -> None:
    served = Served(Session(folder))
    tree = form(served)["tree"]
    tree["column"]["length_m"] = 3000
    tree["carrier"]["gas"] = "neon"
    tree["scouting_runs"][1]["oven"]["ramps"][0]["rate_C_per_min"] = "quick"
    tree["goal"]["colour"] = "red"
    told = served.ask("check-form", {"tree": tree})["problems"]
    assert {each["at"] for each in told} == {
        "column.length_m",
        "carrier.gas",
        "scouting_runs[2].oven.ramps[1].rate_C_per_min",
        "goal.colour",
    }
    (folder / "fast.csv").write_text("compound,retention_min\ntoluene,much\n", encoding="utf-8")
    told = served.ask("check-form", {"tree": form(served)["tree"]})["problems"]
    assert [each["at"] for each in told] == ["scouting_runs[2].peaks"]


@pytest.mark.parametrize(("place", "key"), [("column", "length_m"), (None, "title")])
def test_a_number_without_end_is_a_message(folder: Path, place: str | None, key: str) -> None:
    served = Served(Session(folder))
    tree = form(served)["tree"]
    (tree if place is None else tree[place])[key] = 10**400
    told = served.ask("check-form", {"tree": tree})["problems"]
    assert [each["at"] for each in told] == [key if place is None else f"{place}.{key}"]


def test_a_scenario_is_set_up_from_nothing_with_pasted_tables(tmp_path: Path) -> None:
    folder = tmp_path / "mine"
    served = Served(Session(folder))
    state = served.ask("state", {})
    assert state["ready"] is False
    assert "is not there yet" in state["problems"][0]
    assert not folder.exists()  # opening a page writes nothing
    found = form(served)
    missing = served.ask("check-form", {"tree": found["tree"]})["problems"]
    assert {"column.length_m", "carrier.gas"} <= {each["at"] for each in missing}
    told = served.ask("write-form", {"tree": found["tree"], "version": found["version"]})
    assert told["problems"]
    assert not folder.exists()
    tree = found["tree"]
    tree["title"] = 'Mine "and" yours'
    tree["column"] = {
        "length_m": 30, "inner_diameter_mm": 0.25, "film_thickness_um": 0.25,
        "min_temperature_C": 40, "max_temperature_C": 320,
    }  # fmt: skip
    tree["carrier"]["gas"] = "helium"
    tree["scouting_runs"] = [
        {
            "name": name,
            "peaks": f"{name}.csv",
            "oven": {"start_C": 50, "hold_min": 2, "ramps": [{"rate_C_per_min": rate, "to_C": 280, "hold_min": 5}]},
            "carrier": {"mode": "constant flow", "flow_mL_min": 1.2},
        }
        for name, rate in (("slow", 5), ("fast", 15))
    ]  # fmt: skip
    tabbed = {"slow.csv": SLOW.replace(",", "\t"), "fast.csv": FAST.replace(",", "\t")}
    # As a spreadsheet of another country copies it.
    pasted = {**tabbed, "fast.csv": tabbed["fast.csv"].replace(".", ",")}
    told = served.ask("write-form", {"tree": tree, "tables": pasted, "version": found["version"]})
    assert told["problems"] == []
    assert served.ask("state", {})["ready"] is True
    scenario = rw.load_scenario(folder)
    assert scenario.title == 'Mine "and" yours'
    write_good_scenario(tmp_path / "good")
    good = rw.load_scenario(tmp_path / "good")
    for mine, other in zip(scenario.runs, good.runs, strict=True):
        assert mine.peaks.compounds == other.peaks.compounds
        assert list(mine.peaks.retention) == pytest.approx(list(other.peaks.retention))
    assert "# " in (folder / "scenario.toml").read_text(encoding="utf-8")  # what a blank file explains stays


def test_a_table_outside_the_folder_stays_where_it_is(folder: Path) -> None:
    (folder / "slow.csv").rename(folder.parent / "slow.csv")
    file = folder / "scenario.toml"
    file.write_bytes(file.read_bytes().replace(b'"slow.csv"', b'"../slow.csv"'))
    before = file.read_bytes()
    served = Served(Session(folder))
    found = form(served)
    told = served.ask("write-form", {"tree": found["tree"], "version": found["version"]})
    assert told["problems"] == []
    assert file.read_bytes() == before


def test_of_two_forms_the_later_is_told_and_no_table_is_replaced(folder: Path) -> None:
    first, second = Served(Session(folder)), Served(Session(folder))
    one, two = form(first), form(second)
    one["tree"]["title"] = "Changed"
    before = (folder / "scenario.toml").read_bytes()
    slow = (folder / "slow.csv").read_bytes()
    table = {"slow.csv": SLOW + "extra,19.5,0.1,1,1\n"}
    told = first.ask("write-form", {**one, "tables": table})
    assert told["written"] == [str(folder / "scenario.toml"), "slow_2.csv"]
    assert (folder / "slow.csv").read_bytes() == slow
    assert (folder / "scenario.toml.former-1").read_bytes() == before
    assert rw.load_scenario(folder).runs[0].file == "slow_2.csv"
    kept = (folder / "scenario.toml").read_bytes()
    assert "was changed since" in second.ask("write-form", two, 422)["error"]
    assert (folder / "scenario.toml").read_bytes() == kept
    for name in ("../x.csv", "x.toml", "/tmp/x.csv", ""):
        assert second.ask("write-form", {**form(second), "tables": {name: "a"}}, 422)["error"]


def test_comments_and_order_stay_where_keys_change() -> None:
    raw = (
        b"# first\ntitle = 'a' # of it\n\n[column] # the column\nlength_m = 30.0 # long\nfilm_thickness_um = 1\n"
        b"# last\n"
    )
    text = with_keys(Path("x"), raw, {"title": "b", "column": {"length_m": 30, "phase": "wax"}}).decode()
    assert text.startswith("# first\n")
    assert "length_m = 30.0 # long" in text  # the same number stays as it is spelled
    assert "[column] # the column" in text
    assert tomllib.loads(text) == {"title": "b", "column": {"length_m": 30, "phase": "wax"}}
    with pytest.raises(rw.ScenarioError, match="cannot be written"):
        with_keys(Path("x"), raw, {"title": None})
    with pytest.raises(rw.ScenarioError, match="cannot be written"):
        with_keys(Path("x"), raw, {"column": {"segments": [{"length_m": None}]}})
    with pytest.raises(rw.ScenarioError, match="half a character"):
        with_keys(Path("x"), raw, {"title": "\ud800"})
    mark = b"\xef\xbb\xbf" + raw.replace(b"\n", b"\r\n")
    changed = with_keys(Path("x"), mark, {"title": "b", "column": {"length_m": 30, "film_thickness_um": 1}})
    assert changed == mark.replace(b"'a'", b'"b"')


@pytest.mark.parametrize("shipped", sorted(each.parent.name for each in SCENARIOS.glob("*/scenario.toml")))
def test_shipped_scenarios_go_through_the_form_unchanged(shipped: str, tmp_path: Path) -> None:
    raw = (SCENARIOS / shipped / "scenario.toml").read_bytes()
    tree = tomllib.loads(raw.decode())
    assert with_keys(tmp_path, raw, tree) == raw
    tree["goal"]["min_resolution"] = 1.75
    tree["scouting_runs"].append({**tree["scouting_runs"][0], "name": "again"})
    changed = with_keys(tmp_path, raw, tree)
    assert tomllib.loads(changed.decode()) == tree
    comments = [line for line in raw.decode().splitlines() if line.startswith("#")]
    assert [each for each in comments if each not in changed.decode()] == []


# ---- switches --------------------------------------------------------------------------------------------------


def test_switches_are_what_the_files_would_say(folder: Path, tmp_path: Path) -> None:
    served = Served(Session(folder))
    before = {each: each.read_bytes() for each in folder.iterdir()}
    what_if = {"left_out": ["nonane"], "ignored": [["p-xylene", "octane"]]}
    told = served.ask("predict", {"program": PROGRAM, "certainty": "none", "what_if": what_if})
    assert {each: each.read_bytes() for each in folder.iterdir()} == before
    other = tmp_path / "written"
    shutil.copytree(folder, other)
    file = other / "scenario.toml"
    tree = tomllib.loads(file.read_text(encoding="utf-8"))
    tree["leave_out"] = ["nonane"]
    tree["pairs"] = [{"between": ["octane", "p-xylene"], "ignore": True}]
    file.write_bytes(with_keys(file, file.read_bytes(), tree))
    expected = Served(Session(other)).ask("predict", {"program": PROGRAM, "certainty": "none"})
    for each in ("run_time", "resolution", "critical", "peaks", "margins"):
        assert told[each] == expected[each]
    plain = served.ask("predict", {"program": PROGRAM, "certainty": "none"})
    assert len(plain["peaks"]) == len(told["peaks"]) + 1


def test_hydrogen_is_what_adapt_says_of_the_same_program(folder: Path) -> None:
    served = Served(Session(folder))
    fitted = served.session.fitted
    carried = rw.adapt(fitted, gas="hydrogen", flow_mL_min=1.5)
    told = served.ask(
        "predict", {"program": carried.after.tables, "certainty": "none", "what_if": {"hydrogen": True}}
    )
    assert [each["time"] for each in told["peaks"]] == pytest.approx(
        [each.retention / 60 for each in carried.after.peaks], abs=2e-4
    )
    assert any("explodes" in each for each in told["cautions"])


OWNED = """
[[columns]]
name = "narrow"
length_m = 20
inner_diameter_mm = 0.18
film_thickness_um = 0.18
max_temperature_C = 260
"""


def test_another_column_is_what_adapt_says_of_the_same_program(folder: Path) -> None:
    file = folder / "scenario.toml"
    file.write_text(file.read_text(encoding="utf-8") + OWNED, encoding="utf-8")
    served = Served(Session(folder))
    assert served.ask("state", {})["columns"] == [{"name": "narrow", "text": "20 m × 0.18 mm × 0.18 µm"}]
    carried = rw.adapt(
        served.session.fitted, length_m=20, inner_diameter_mm=0.18, film_thickness_um=0.18, flow_mL_min=0.8
    )
    asked = {"program": carried.after.tables, "certainty": "none", "what_if": {"column": "narrow"}}
    told = served.ask("predict", asked)
    assert [each["time"] for each in told["peaks"]] == pytest.approx(
        [each.retention / 60 for each in carried.after.peaks], abs=2e-4
    )
    assert told["reach"]["highest"] == 260  # by its own tag
    saved = served.ask("save", {**asked, "name": "x"})
    text = (Path(saved["folder"]) / "what_if.txt").read_text(encoding="utf-8")
    assert "column narrow, as its tag says" in text
    assert "--all" in text
    for wrong in ("long", 3):
        refused = served.ask("predict", {**asked, "what_if": {"column": wrong}}, 422)["error"]
        assert "column" in refused


def test_a_saved_program_says_which_switches_were_set(served_five: Served) -> None:
    what_if = {"hydrogen": True, "left_out": ["nonane"]}
    told = served_five.ask("save", {"program": PROGRAM, "name": "x", "what_if": what_if})
    text = (Path(told["folder"]) / "what_if.txt").read_text(encoding="utf-8")
    assert 'leave_out = ["nonane"]' in text
    assert "--gas hydrogen" in text
    told = served_five.ask("save", {"program": PROGRAM, "name": "y"})
    assert not (Path(told["folder"]) / "what_if.txt").exists()


def test_switches_that_are_none_are_refused(served_five: Served) -> None:
    for wrong in ({"ignored": [["octane"]]}, {"left_out": [3]}, {"ignored": [3]}, 3):
        told = served_five.ask("predict", {"program": PROGRAM, "what_if": wrong}, 422)
        assert "what_if" in told["error"]
    for unknown in ({"left_out": ["nobody"]}, {"ignored": [["octane", "nobody"]]}):
        assert "nobody" in served_five.ask("predict", {"program": PROGRAM, "what_if": unknown}, 422)["error"]


@pytest.fixture
def served_five(folder: Path) -> Served:
    return Served(Session(folder))
