"""Spoilt files give one clear message or none; `python -m benchmarks.fuzz` tries tens of thousands more."""

from __future__ import annotations

import tempfile
from collections import Counter
from pathlib import Path

import pytest

from benchmarks.fuzz import Kind, cases, finding, kinds
from benchmarks.mutations import MUTATIONS
from models.errors import RampwrightError
from optimizer.candidate_file import read_candidates
from tests.fuzz.once_failed import ONCE_FAILED, OnceFailed

COUNT = 300


def test_spoilt_files_are_read_or_refused_with_a_message_for_people() -> None:
    ends: Counter[str] = Counter()
    applied: set[str] = set()
    for number, kind, files, done in cases(seed=5, count=COUNT):
        with tempfile.TemporaryDirectory() as name:
            end, wrong = finding(kind, files, Path(name))
        assert wrong is None, f"case {number} ({kind.name}; {', '.join(done)}): {wrong}"
        ends[end] += 1
        applied |= {each.split(" of ")[0] for each in done}
    # A mutator that spoils nothing, or everything, tests nothing.
    assert ends["read"] > 0.08 * COUNT
    assert ends["refused"] > 0.5 * COUNT
    assert len(applied) > 0.8 * len(MUTATIONS)


@pytest.fixture(scope="module")
def readers() -> dict[str, Kind]:
    return {kind.name: kind for kind in kinds()}


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
            end, wrong = finding(
                Kind("broken", {"a.toml": b""}, read), {"a.toml": b""}, Path(name), limit=0.2
            )
            assert end == ("refused" if read is complain else "failed")
            assert wrong is not None
            assert told in wrong
