"""Every bad input has its own clear message."""

from __future__ import annotations

from pathlib import Path

import pytest

from optimizer.base.errors import ScenarioError
from optimizer.scenario.reading import load_scenario
from tests.optimizer.bad_inputs import BAD_INPUTS, BadInput, write_good_scenario
from tests.optimizer.bad_method_inputs import METHOD_INPUTS

ALL = (*BAD_INPUTS, *METHOD_INPUTS)

# These spoil more than one thing by nature.
SEVERAL_LINES = {"scenario empty", "column limit below scouting", "column minimum above", "one compound"}


def _message(bad: BadInput, folder: Path) -> str:
    write_good_scenario(folder)
    bad.spoil(folder)
    with pytest.raises(ScenarioError) as caught:
        load_scenario(folder)
    return str(caught.value)


def test_the_good_scenario_is_good(tmp_path: Path) -> None:
    write_good_scenario(tmp_path)
    assert load_scenario(tmp_path).warnings == ()


@pytest.mark.parametrize("bad", ALL, ids=lambda bad: bad.name)
def test_message_names_file_key_and_hint(bad: BadInput, tmp_path: Path) -> None:
    message = _message(bad, tmp_path)
    missing = [fragment for fragment in bad.fragments if fragment not in message]
    assert not missing, message


def test_one_mistake_gives_one_line(tmp_path: Path) -> None:
    long = {}
    for n, bad in enumerate(ALL):
        lines = _message(bad, tmp_path / str(n)).split("\n")
        if len(lines) > 1:
            long[bad.name] = lines
    assert set(long) == SEVERAL_LINES, long


def test_messages_differ(tmp_path: Path) -> None:
    assert len(ALL) >= 40
    assert len({bad.name for bad in ALL}) == len(ALL)
    messages = []
    for n, bad in enumerate(ALL):
        folder = tmp_path / str(n)
        messages.append(_message(bad, folder).replace(str(folder), ""))
    assert len(set(messages)) == len(messages)
