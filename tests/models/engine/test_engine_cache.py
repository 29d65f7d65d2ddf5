"""Compiled code between runs: where it is kept, when it is made again, and what happens where it cannot be kept."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from models.engine import cache

ROOT = Path(__file__).resolve().parents[3]
# A function compiled as the engine is, small enough to be compiled in a test; prints what it hears and finds.
SMALL = """
import sys
from models.engine.cache import on_compile
from models.engine.compiled import compiled
on_compile(lambda kept: print("compiling", kept))
{edit}
@compiled
def double(x):
    return 2.0 * x
print(double(1.5))
print("numba dir", repr(__import__("numba").config.CACHE_DIR))
"""


def run(tmp_path: Path, edit: str = "", **environment: str | None) -> list[str]:
    """Lines printed by the small function's run, with these variables of the environment set, or None unset."""
    script = tmp_path / "small.py"
    text = SMALL.format(edit=edit)
    # Older numba goes by the file's time.
    if not script.exists() or script.read_text(encoding="utf-8") != text:
        script.write_text(text, encoding="utf-8")
    variables = {**os.environ, "PYTHONPATH": str(ROOT), **environment}
    variables.pop("NUMBA_CACHE_DIR", None)
    given = {name: value for name, value in variables.items() if value is not None}
    done = subprocess.run(
        [sys.executable, str(script)], env=given, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    return done.stdout.splitlines()


@pytest.fixture
def caches(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The user's folder for caches, in this process and in those it starts."""
    for name in ("XDG_CACHE_HOME", "LOCALAPPDATA"):
        monkeypatch.setenv(name, str(tmp_path / "caches"))
    monkeypatch.setenv("HOME", str(tmp_path))
    found = cache.user_caches()
    assert found is not None
    return found


def test_compiled_code_is_kept_and_compiling_is_told_only_when_it_happens(
    caches: Path, tmp_path: Path
) -> None:
    assert run(tmp_path) == ["compiling True", "3.0", "numba dir ''"]
    (folder,) = (caches / "rampwright").iterdir()
    assert list(folder.rglob("*.nbc"))
    assert run(tmp_path) == ["3.0", "numba dir ''"]


def test_without_a_home_it_compiles_in_memory_and_says_so(tmp_path: Path) -> None:
    lines = run(tmp_path, HOME=None, XDG_CACHE_HOME=None, LOCALAPPDATA=None)
    assert lines == ["compiling False", "3.0", "numba dir ''"]


def test_where_no_folder_can_be_made_it_compiles_in_memory(caches: Path, tmp_path: Path) -> None:
    caches.parent.mkdir(parents=True, exist_ok=True)
    caches.write_text("a file in its place", encoding="utf-8")
    assert run(tmp_path)[:2] == ["compiling False", "3.0"]
    assert caches.read_text(encoding="utf-8") == "a file in its place"


def test_a_full_disk_does_not_fail_the_run(caches: Path, tmp_path: Path) -> None:
    full = """
import numba.core.caching as caching
def full(self, *given):
    raise OSError(28, "No space left on device")
caching.IndexDataCacheFile.save = full
"""
    assert run(tmp_path, full)[:2] == ["compiling True", "3.0"]
    assert run(tmp_path)[:2] == ["compiling True", "3.0"], "nothing had been kept"


def test_damaged_code_is_compiled_again(caches: Path, tmp_path: Path) -> None:
    run(tmp_path)
    for path in caches.rglob("*.nb[ci]"):
        path.write_bytes(b"damaged")
    assert run(tmp_path)[:2] == ["compiling True", "3.0"]


def test_another_state_of_the_sources_has_another_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shutil.copytree(ROOT / "models", tmp_path / "models", ignore=shutil.ignore_patterns("__pycache__"))
    monkeypatch.setattr(cache, "__file__", str(tmp_path / "models/engine/cache.py"))
    monkeypatch.setattr(cache, "SOURCES", (tmp_path / "models/units.py", tmp_path / "models/effort.py"))
    found = {cache.digest("1.0"), cache.digest("1.1")}
    edited = ["engine/band.py", "engine/slopes.py", "engine/compiled.py", "units.py", "effort.py"]
    for name in edited:
        with (tmp_path / "models" / name).open("a", encoding="utf-8") as file:
            file.write("# edited\n")
        found.add(cache.digest("1.0"))
    assert len(found) == 2 + len(edited)


def test_a_new_folder_replaces_those_of_other_states_and_nothing_else(caches: Path) -> None:
    beside = caches / "rampwright"
    for name in ("engine-0123456789abcdef", "engine-notes", "other"):
        (beside / name).mkdir(parents=True)
        (beside / name / "file").write_text("x", encoding="utf-8")
    made = cache.folder("1.0")
    assert made is not None
    assert {each.name for each in beside.iterdir()} == {made.name, "engine-notes", "other"}
    (beside / "engine-0123456789abcdef").mkdir()
    assert cache.folder("1.0") == made
    assert (beside / "engine-0123456789abcdef").is_dir(), "only when a new one is made"
