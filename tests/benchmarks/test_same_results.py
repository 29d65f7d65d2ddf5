"""A recording is held against another by its numbers."""

from __future__ import annotations

from typing import Any

import pytest

from benchmarks.same_results import CASES, differences

BEFORE: dict[str, Any] = {
    "feasible": True,
    "search": {"programs_tried": 20, "seconds": 3.1, "seed": 1},
    "peaks": [{"retention_min": 2.0, "role": "target"}, {"retention_min": 0.0, "role": None}],
}


def changed(**keys: Any) -> dict[str, Any]:
    return {**BEFORE, **keys}


def test_words_time_and_further_keys_are_free_to_change() -> None:
    peaks = [{"retention_min": 2.0 + 1e-10, "role": "wanted", "new": 1}, BEFORE["peaks"][1]]
    after = changed(search={"programs_tried": 20, "seconds": 9.0, "seed": 1}, peaks=peaks, more=[1.0])
    assert list(differences(BEFORE, after)) == []


@pytest.mark.parametrize(
    ("after", "said"),
    [
        (changed(feasible=False), ".feasible is False, True before"),
        (changed(feasible=1), ".feasible is 1, True before"),
        (changed(peaks=BEFORE["peaks"][:1]), ".peaks has 1 entries, 2 before"),
        (
            changed(peaks=[{"retention_min": 2.00001, "role": ""}, BEFORE["peaks"][1]]),
            ".peaks[0].retention_min",
        ),
        (
            changed(peaks=[BEFORE["peaks"][0], {"retention_min": 1e-6, "role": None}]),
            ".peaks[1].retention_min",
        ),
        (
            changed(peaks=[BEFORE["peaks"][0], {"retention_min": 0.0, "role": "x"}]),
            ".peaks[1].role is 'x', None",
        ),
        (changed(search={"seed": 1}), ".search.programs_tried is missing"),
    ],
)
def test_a_number_that_differs_or_lacks_is_named(after: dict[str, Any], said: str) -> None:
    found = list(differences(BEFORE, after))
    assert len(found) == 1
    assert found[0].startswith(said)


def test_there_are_the_shipped_scenarios_and_ten_more() -> None:
    assert len(CASES) == 13
