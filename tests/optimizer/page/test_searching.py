"""The page's search: in a process of its own, told to stop, its candidates those of the interface."""

from __future__ import annotations

import os
import time
from pathlib import Path
from typing import Any

import pytest

import rampwright as rw
from models.errors import InvalidInputError, RampwrightError
from optimizer.page.searching import STOP, Searching
from optimizer.page.session import Session
from optimizer.results.documents import Document
from tests.optimizer.workers import ends_by_itself, is_deaf, tells_orders

LOOKS = 6_000  # of 50 ms: minutes, which only guard against a hang


def until(searching: Searching, met: Any) -> Document:
    for _ in range(LOOKS):
        if met(searching.state()):
            return searching.state()
        time.sleep(0.05)
    raise AssertionError(f"never came about: {searching.state()}")


def begun(work: Any) -> Searching:
    searching = Searching(work)
    searching.begin(STOP)
    return searching


def test_a_search_is_in_a_process_of_its_own_and_stops_when_told(tmp_path: Path) -> None:
    searching = begun(tells_orders)
    try:
        state = until(searching, lambda state: state.get("share") == 0.5)
        assert int(state["text"]) != os.getpid()
        with pytest.raises(InvalidInputError, match="at work already"):
            searching.begin(None)
        with pytest.raises(InvalidInputError, match="no candidates to save"):
            searching.save(tmp_path)
        searching.stop()
        assert until(searching, lambda state: not state.get("finishing"))["text"] == "stopped"
        with pytest.raises(RampwrightError, match="full"):
            searching.save(tmp_path / "x")
    finally:
        searching.end()


@pytest.mark.parametrize("finishes", [True, False])
def test_a_stop_is_at_once_with_the_best_so_far_whatever_the_search_is_at(finishes: bool) -> None:
    searching = Searching(is_deaf, finishes)
    searching.begin(None)
    try:
        until(searching, lambda state: state.get("candidates") == [{"number": 3}])
        searching.stop()
        state = searching.state()  # without waiting for anything
        assert state["at_work"] is False
        if finishes:
            assert state["candidates"] == [{"number": 3}]
            time.sleep(0.1)  # what it tells on the way changes nothing any more
            assert searching.state() == state
        searching.begin(None)  # and another may begin
        until(searching, lambda state: state.get("share") == 0.5)
        searching.stop()
    finally:
        searching.end()


def test_a_search_that_is_lost_is_told_and_another_may_begin() -> None:
    searching = begun(ends_by_itself)
    try:
        assert "ended by itself" in until(searching, lambda state: not state["at_work"])["error"]
        searching.begin(None)
        until(searching, lambda state: not state["at_work"])
    finally:
        searching.end()


def test_candidates_are_those_of_the_interface_and_are_saved_as_optimize_saves_them(scenario: Path) -> None:
    session = Session(scenario)
    start = session.state({})["starts"][0]["program"]
    try:
        for wrong in (0, "much", None, 1e9):
            with pytest.raises(InvalidInputError, match="seconds"):
                session.search({"program": start, "seconds": wrong})
        session.search({"program": start, "seconds": 3600})
        until(session.searching, lambda state: not state["at_work"] or "best so far" in state["text"])
        session.search({"stop": True})
        until(session.searching, lambda state: not state["at_work"])
        state = until(session.searching, lambda state: not state.get("finishing"))
        assert state["candidates"]
        for each in state["candidates"]:
            made = rw.predict(session.fitted, each["program"])
            assert made.run_time_min == pytest.approx(each["run_time"], abs=1e-4)
            assert made.reliability is not None
            assert made.reliability.share == pytest.approx(each["share"], abs=1e-9)
        for number in (1, 2):
            told = session.saved_search({})
            folder = scenario / f"results-{number}"
            assert told["folder"] == str(folder)
            assert (folder / "report.html").stat().st_size > 10_000
        labels = [each["label"] for each in session.state({})["starts"]]
        assert "results-1, candidate 1" in labels
    finally:
        session.searching.end()
