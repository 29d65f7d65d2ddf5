"""A run put into the text of a scenario: only it is added, wherever runs stand, and it can be taken out again."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest

from optimizer.base.errors import ScenarioError
from optimizer.scenario.scenario_edit import added_text, with_run, without
from tests.scenarios.data_scripts import ROOT

RUN: dict[str, Any] = {
    "name": 'run "3"',
    "peaks": "run3.csv",
    "oven": {"start_C": 50, "hold_min": 1, "ramps": [{"rate_C_per_min": 10, "to_C": 200, "hold_min": 0}]},
    "carrier": {"mode": "constant flow", "flow_mL_min": 1.2},
}
TEXTS = {
    "array": 'scouting_runs = [{ name = "a" },  # first\n { name = "b" }]\n\n[goal]\nmin_resolution = 1.5\n',
    "apart": '[[scouting_runs]]\nname = "a"\n\n# about the goal\n[goal]\n\n[[scouting_runs]]\nname = "b"',
    "parts": '[[scouting_runs]]\nname = "a"\n[scouting_runs.oven]\nstart_C = 1\n\n# about the goal\n[goal]\n',
    "none": "# nothing yet\n[goal]\nmin_resolution = 1.50",
    "windows": '[[scouting_runs]]\r\nname = "a"\r\n# of this run\r\n\r\n# of the goal\r\n[goal]\r\n',
    "marked": '\ufeff[[scouting_runs]]\nname = "a"\n',
}


@pytest.mark.parametrize(
    "text",
    [*TEXTS.values(), *(each.read_text(encoding="utf-8") for each in ROOT.glob("scenarios/*/scenario.toml"))],
)
def test_a_run_is_added_in_one_piece_and_all_else_stays(text: str) -> None:
    former = text.encode()
    written = with_run(Path("scenario.toml"), former, RUN)
    plain = written.decode("utf-8-sig").replace("\r\n", "\n")
    before = tomllib.loads(former.decode("utf-8-sig").replace("\r\n", "\n"))
    runs = before.get("scouting_runs", [])
    assert tomllib.loads(plain) == {**before, "scouting_runs": [*runs, RUN]}
    added = added_text(former, written)
    assert without(written, added) == former
    assert (b"\r\n" in written) == (b"\r\n" in former)
    assert written.count(b"\r\n") in (0, written.count(b"\n"))
    # What was changed elsewhere in the meantime stays.
    assert without(written + b"\n# later", added) == former + b"\n# later"
    assert without(written.replace(b"run3.csv", b"other.csv"), added) is None


def test_a_comment_about_the_next_table_stays_with_it() -> None:
    text = with_run(Path("scenario.toml"), TEXTS["windows"].encode(), RUN).decode()
    assert text.index("# of this run") < text.index("run3.csv") < text.index("# of the goal")


def test_what_cannot_be_edited_is_refused() -> None:
    with pytest.raises(ScenarioError, match="headed"):
        with_run(Path("scenario.toml"), b"[scouting_runs]\nname = 1\n", RUN)
