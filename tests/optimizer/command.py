"""Commands run in the process of the tests."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from optimizer.app import cli


def call(monkeypatch: pytest.MonkeyPatch, *arguments: str | Path) -> int:
    """The exit status of a command, run in this process."""
    monkeypatch.setattr(sys, "argv", ["rampwright", *map(str, arguments)])
    try:
        cli.main()
    except SystemExit as end:
        return int(end.code or 0)
    return 0
