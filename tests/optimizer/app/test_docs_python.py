"""docs/python.md is a session: its commands and blocks run in order, and print what stands there."""

from __future__ import annotations

import contextlib
import io
import re
import shlex
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.optimizer.command import call

PAGE = Path(__file__).parents[3] / "docs" / "python.md"
FENCED = re.compile(r"^```(?P<info>\w[^\n]*)\n(?P<text>.*?)^```$", re.MULTILINE | re.DOTALL)


@dataclass(frozen=True)
class Block:
    """One fenced block of the page: its info string, its text and the line it starts on."""

    info: str
    text: str
    line: int


def blocks(page: Path) -> list[Block]:
    text = page.read_text(encoding="utf-8")
    return [Block(m["info"], m["text"], text.count("\n", 0, m.start()) + 2) for m in FENCED.finditer(text)]


def test_the_page_runs_from_top_to_bottom(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    names: dict[str, object] = {}
    printed, compared = "", 0
    for block in blocks(PAGE):
        where = f"{PAGE.name}, line {block.line}"
        if block.info == "sh":
            for line in block.text.splitlines():
                program, *arguments = shlex.split(line)
                assert program == "rampwright", where
                assert call(monkeypatch, *arguments) == 0, where
            capsys.readouterr()
        elif block.info == "python":
            # As in the file, so that a failure names its line there.
            code = compile("\n" * (block.line - 1) + block.text, str(PAGE), "exec")
            with contextlib.redirect_stdout(io.StringIO()) as output:
                exec(code, names)
            printed = output.getvalue()
        elif block.info == "text":
            assert printed == block.text, where
            compared += 1
        else:
            assert block.info == "text example", where
            assert printed, where  # a search ends by the clock: what it found stands there as an example
    assert compared >= 6
    assert (tmp_path / "overview.png").read_bytes().startswith(b"\x89PNG")
    assert (tmp_path / "results" / "report.html").is_file()
    assert capsys.readouterr() == ("", "")


def test_the_reference_says_what_everything_stable_is() -> None:
    """The site's reference names what `__all__` does, and is made from the docstrings."""
    import rampwright as rw

    page = (PAGE.parent / "api.md").read_text(encoding="utf-8")
    named = re.findall(r"^\.\. auto\w+:: (\w+)$", page, re.MULTILINE)
    assert sorted(named) == sorted(set(rw.__all__) - {"__version__"})
    assert [name for name in named if not getattr(rw, name).__doc__] == []
