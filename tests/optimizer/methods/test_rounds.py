"""A budget in rounds gives the same programs, however fast the machine is."""

from __future__ import annotations

import json
import threading
from dataclasses import replace
from itertools import count
from pathlib import Path
from typing import Any

import pytest

import optimizer.base.clock
import rampwright as rw
from models.errors import InvalidInputError
from optimizer.base.clock import ROUND, now, round_done, rounds_counted
from tests.optimizer.bad_inputs import write_good_scenario
from tests.optimizer.command import call


@pytest.fixture(scope="module")
def fitted(tmp_path_factory: pytest.TempPathFactory) -> rw.Fitted:
    folder = tmp_path_factory.mktemp("rounds") / "five"
    write_good_scenario(folder)
    return rw.fit(rw.load_scenario(folder))


def slow_down(patched: pytest.MonkeyPatch, look: float) -> None:
    """Let each look at the clock find so much time [s] gone."""
    looks = count()
    patched.setattr(optimizer.base.clock, "perf_counter", lambda: look * next(looks))


def without_time(document: dict[str, Any]) -> dict[str, Any]:
    return {**document, "search": {**document["search"], "seconds": None}}


def asking_for_a_front(fitted: rw.Fitted) -> rw.Fitted:
    scenario = fitted.scenario
    return rw.fit(replace(scenario, goal=replace(scenario.goal, front_points=4)))


def asking_for_too_much(fitted: rw.Fitted) -> rw.Fitted:
    scenario = fitted.scenario
    return rw.fit(replace(scenario, goal=replace(scenario.goal, min_resolution=60.0, confidence=0.0)))


@pytest.mark.parametrize(("asking", "rounds"), [(asking_for_a_front, 16), (asking_for_too_much, 32)])
def test_a_slow_machine_finds_the_same(
    asking: Any, rounds: int, fitted: rw.Fitted, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked = asking(fitted)
    found = rw.optimize(asked, rounds=rounds)
    with monkeypatch.context() as patched:
        slow_down(patched, 100.0)  # no budget in time would survive a second look
        again = rw.optimize(asked, rounds=rounds)
    assert without_time(again.to_dict()) == without_time(found.to_dict())
    # What came after the search was not cut short either.
    assert found.outcome.front if found.feasible else found.outcome.what_ifs


def test_more_rounds_are_more_descents(fitted: rw.Fitted) -> None:
    few, more = (rw.optimize(fitted, rounds=rounds, what_if=False) for rounds in (1, 9))
    assert (few.outcome.rounds, more.outcome.rounds) == (1, 9)
    # A family is tried with its first descent, or because a known program belongs to it.
    assert len(few.outcome.families) < len(more.outcome.families)


def test_the_commands_count_rounds(
    fitted: rw.Fitted, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = fitted.scenario.path.parent
    assert call(monkeypatch, "optimize", folder, "--out", tmp_path / "out", "--rounds", "6", "--json") == 0
    document = json.loads(capsys.readouterr().out)
    assert document["search"]["rounds"] == 6
    mark = document.pop("result_mark")  # follows from the seconds too, so that another search has another
    assert json.loads((tmp_path / "out" / "candidates.json").read_text())["result_mark"] == mark
    assert without_time(document) == without_time(rw.optimize(fitted, rounds=6).to_dict())

    assert call(monkeypatch, "scout", folder, "--rounds", "6", "--json") == 0
    scouted = rw.scout(fitted.scenario, rounds=6)
    assert json.loads(capsys.readouterr().out) == {"result_mark": scouted.mark, **scouted.to_dict()}

    gas = ("--gas", "hydrogen")
    assert call(monkeypatch, "adapt", folder, *gas, "--rounds", "6", "--json") in (0, 3)
    tuned = json.loads(capsys.readouterr().out)["tuned"]
    other = rw.adapt(fitted, gas="hydrogen", tune_rounds=6).to_dict()["tuned"]
    assert without_time(tuned) == without_time(other)

    run = folder / "slow.csv"
    program = tmp_path / "slow.toml"
    program.write_text(SLOW, encoding="utf-8")
    asked = ("compare", folder, "--run", run, "--program", program, "--json", "--retune", "--rounds", "6")
    assert call(monkeypatch, *asked) == 0
    retuned = json.loads(capsys.readouterr().out)["retuned"]
    again = rw.compare(fitted, run, program, retune_rounds=6).to_dict()["retuned"]
    assert without_time(retuned) == without_time(again)


SLOW = """
oven = { start_C = 50, hold_min = 2, ramps = [{ rate_C_per_min = 5, to_C = 280, hold_min = 5 }] }
carrier = { mode = "constant flow", flow_mL_min = 1.2 }
"""


def test_one_search_has_one_budget(
    fitted: rw.Fitted, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(InvalidInputError, match="give one of them"):
        rw.optimize(fitted, seconds=1.0, rounds=6)
    with pytest.raises(InvalidInputError, match="rounds = 0: expected at least 1"):
        rw.optimize(fitted, rounds=0)
    for search in (rw.next_run, rw.scout):
        with pytest.raises(InvalidInputError, match="give one of them"):
            search(fitted.scenario, seconds=1.0, rounds=6)
        with pytest.raises(InvalidInputError, match="cores = 0"):
            search(fitted.scenario, seconds=1.0, cores=0)
    folder = fitted.scenario.path.parent
    both = ("--seconds", "1", "--rounds", "6")
    assert call(monkeypatch, "optimize", folder, "--out", tmp_path / "out", *both) == 2
    assert "give one of them" in capsys.readouterr().err
    assert call(monkeypatch, "compare", folder, "--run", folder / "slow.csv", "--rounds", "6") == 2
    assert "budgets of the search that --retune asks for" in capsys.readouterr().err


def test_rounds_are_counted_for_each_search_by_itself() -> None:
    with rounds_counted():
        round_done()
        assert now() == ROUND
        with rounds_counted():
            assert now() == 0.0
            round_done()
            round_done()
        assert now() == ROUND
        elsewhere: list[float] = []
        other = threading.Thread(target=lambda: elsewhere.append(now()))
        other.start()
        other.join()
    assert elsewhere != [ROUND]
    assert now() != ROUND
