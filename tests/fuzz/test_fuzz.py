"""Spoilt files give one clear message or none; `python -m benchmarks.fuzz` tries tens of thousands more.

Searches on a study that are killed, crowded or out of room take processes of their own: of these there are a few.
"""

from __future__ import annotations

import json
import os
import tempfile
from collections import Counter
from collections.abc import Callable, Collection
from pathlib import Path

import pytest

from benchmarks import (
    fuzz_files,
    fuzz_meanings,
    fuzz_outputs,
    fuzz_page,
    fuzz_studies,
    fuzz_traces,
    fuzz_workbooks,
    mutations,
    study_mutations,
    trace_mutations,
)
from benchmarks.fuzz import cases
from benchmarks.fuzz_cases import LIMIT, Kind, finding
from models.errors import RampwrightError
from optimizer.scenario.program_files import read_candidates
from tests.fuzz.once_failed import ONCE_FAILED, OnceFailed

COUNT = 300
TRACES = 160
STUDIES = 40
PROCESSES = 3  # of which each kind is one
WORKBOOKS = 40
REQUESTS = 60
MEANINGS = 70
OUTPUTS = 4


def ends_of(
    readers: list[Kind], count: int, changes: Collection[Callable[..., object]], seed: int = 5
) -> Counter[str]:
    """How often files were read and refused; fails on a finding, or when hardly any of the changes came."""
    ends: Counter[str] = Counter()
    applied: set[str] = set()
    for number, kind, files, done in cases(seed, count, readers):
        with tempfile.TemporaryDirectory() as name:
            end, wrong = finding(kind, files, Path(name))
        assert wrong is None, f"case {number} ({kind.name}; {', '.join(done)}): {wrong}"
        ends[end] += 1
        applied |= {each.split(" of ")[0] for each in done}
    assert len(applied & {each.__name__ for each in changes}) >= 0.7 * len(changes)
    return ends


# A mutator that spoils nothing, or everything, tests nothing.
def test_spoilt_files_are_read_or_refused_with_a_message_for_people() -> None:
    ends = ends_of(fuzz_files.kinds(), COUNT, mutations.MUTATIONS)
    assert ends["read"] > 0.08 * COUNT
    assert ends["refused"] > 0.5 * COUNT


def test_spoilt_traces_are_read_or_refused_with_a_message_for_people() -> None:
    ends = ends_of(fuzz_traces.kinds(), TRACES, trace_mutations.NETCDF)
    assert ends["read"] > 0.2 * TRACES
    assert ends["refused"] > 0.4 * TRACES


def test_spoilt_studies_are_gone_on_with_or_refused_with_a_message_for_people() -> None:
    readers = [kind for kind in fuzz_studies.kinds() if kind.name == "file"]
    ends = ends_of(readers, STUDIES, study_mutations.MUTATIONS)
    assert ends["read"] > 0.1 * STUDIES
    assert ends["refused"] > 0.3 * STUDIES


@pytest.mark.skipif(not hasattr(os, "fork"), reason="NOT TESTED: processes cannot be forked here")
def test_searches_that_are_killed_crowded_or_out_of_room_lose_nothing() -> None:
    readers = [kind for kind in fuzz_studies.kinds() if kind.name != "file"]
    assert ends_of(readers, PROCESSES, ())["read"] == PROCESSES


def test_spoilt_workbooks_are_read_or_refused_with_a_message_for_people() -> None:
    ends = ends_of(fuzz_workbooks.kinds(), WORKBOOKS, fuzz_workbooks.CHANGES)
    assert ends["read"] > 0.1 * WORKBOOKS
    assert ends["refused"] > 0.3 * WORKBOOKS


def test_requests_to_the_page_are_answered_or_refused_with_a_message_for_people() -> None:
    pytest.importorskip("starlette", reason="NOT TESTED: the page; pip install 'rampwright[page]'")
    ends = ends_of(fuzz_page.kinds(), REQUESTS, ())
    assert ends["read"] > 0.05 * REQUESTS
    assert ends["refused"] > 0.5 * REQUESTS


def test_predictions_have_what_must_be_true_of_them() -> None:
    assert ends_of(fuzz_meanings.kinds(), MEANINGS, ())["read"] == MEANINGS


def test_a_prediction_without_it_is_found_out(tmp_path: Path) -> None:
    """Less flow given as more."""
    _, kind, files, _ = next(
        each for each in cases(5, MEANINGS, fuzz_meanings.kinds()) if each[1].name == "flow"
    )
    case = json.loads(files[fuzz_meanings.CASE])
    end, wrong = finding(kind, {fuzz_meanings.CASE: json.dumps(case | {"share": 0.9}).encode()}, tmp_path)
    assert end == "failed"
    assert wrong is not None
    assert "times the flow" in wrong


@pytest.mark.skipif(not hasattr(os, "fork"), reason="NOT TESTED: processes cannot be forked here")
def test_commands_that_are_killed_or_cannot_write_leave_the_old_result_or_the_new_one() -> None:
    cheap = ("new", "add")
    kills, faults = (
        [kind for kind in kinds() if kind.name in cheap]
        for kinds in (fuzz_outputs.killed, fuzz_outputs.faulty)
    )
    assert ends_of(kills, OUTPUTS, ())["read"] == OUTPUTS
    ends = ends_of(faults, OUTPUTS, ())
    assert ends["read"] + ends["refused"] == OUTPUTS


@pytest.fixture(scope="module")
def readers() -> dict[str, Kind]:
    kinds = (*fuzz_files.kinds(), *fuzz_traces.kinds(), *fuzz_studies.kinds())
    return {kind.name: kind for kind in kinds}


@pytest.mark.parametrize("once", ONCE_FAILED.values(), ids=ONCE_FAILED)
def test_what_once_failed_is_refused_in_few_words(
    once: OnceFailed, readers: dict[str, Kind], tmp_path: Path
) -> None:
    kind = readers[once.kind]
    files = {**kind.files, once.file: once.spoil(kind.files[once.file])}
    assert finding(kind, files, tmp_path) == ("refused", None)
    with pytest.raises(RampwrightError) as caught:
        kind.read(tmp_path)
    assert once.says in str(caught.value)


def test_a_candidate_below_vacuum_up_in_the_mountains_is_refused(
    readers: dict[str, Kind], tmp_path: Path
) -> None:
    """Its pressure is one at sea level, and none at all where the room has 55 kPa."""
    file = tmp_path / "candidates.json"
    file.write_bytes(
        readers["candidates"].files[file.name].replace(b'"inlet_kPa": 100.0', b'"inlet_kPa": -60.0')
    )
    assert len(read_candidates(file, 101325.0, 5)) == 3
    with pytest.raises(RampwrightError, match=r"candidates\[3\].carrier.inlet_kPa = -60: lies below vacuum"):
        read_candidates(file, 55e3, 5)


def test_a_finding_is_told() -> None:
    """The harness itself: a reader that fails, or whose message helps nobody, is found out."""

    def fail(_: Path) -> None:
        raise KeyError("x")

    def complain(_: Path) -> None:
        raise RampwrightError("no")

    def hang(_: Path) -> None:
        while True:
            pass

    with tempfile.TemporaryDirectory() as name:
        for read, told in ((fail, "KeyError"), (complain, "names no file"), (hang, "took longer")):
            kind = Kind("broken", {"a.toml": b""}, read, limit=0.2 if read is hang else LIMIT)
            end, wrong = finding(kind, kind.files, Path(name))
            assert end == ("refused" if read is complain else "failed")
            assert wrong is not None
            assert told in wrong
