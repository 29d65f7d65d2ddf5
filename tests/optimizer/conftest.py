"""Fixtures of more than one module."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.optimizer.bad_inputs import write_good_scenario


@pytest.fixture
def scenario(tmp_path: Path) -> Path:
    """The folder of a small scenario without a fault."""
    folder = tmp_path / "five"
    write_good_scenario(folder)
    return folder
