"""`make matrix`: a short suite in surroundings that differ: locale, home, screen, Python, versions of what is needed.

What cannot be had on this machine, such as another Python, is named as NOT TESTED.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

ROOT = Path(__file__).parent.parent
SUITE = (
    "tests/optimizer/app/test_cli.py",
    "tests/optimizer/app/test_last_resort.py",
    "tests/optimizer/results/test_optimize_output.py",
    "tests/optimizer/runs",
)
PYTHONS = ("3.11", "3.12", "3.13", "3.14")
Surroundings = dict[str, str]


def _without(*names: str) -> Surroundings:
    return {name: value for name, value in os.environ.items() if name not in names}


PLACES: dict[str, Callable[[], Surroundings]] = {
    "C locale": lambda: _without("LANG", "PYTHONUTF8") | {"LC_ALL": "C", "PYTHONCOERCECLOCALE": "0"},
    "no HOME": lambda: _without("HOME", "XDG_CACHE_HOME", "USER", "LOGNAME"),
    "no colour, 60 columns": lambda: os.environ | {"NO_COLOR": "1", "TERM": "dumb", "COLUMNS": "60"},
}


@contextmanager
def _environment(python: str, lowest: bool) -> Iterator[Path | None]:
    """The interpreter of a new environment with all that is needed; None where it cannot be had."""
    uv = Path(sys.executable).parent / "uv"
    with tempfile.TemporaryDirectory() as name:
        place = Path(name) / "venv"
        resolution = ["--resolution", "lowest-direct"] if lowest else []
        made = subprocess.run([uv, "venv", "--quiet", "--seed", "--python", python, place], check=False)
        interpreter = place / ("Scripts/python.exe" if os.name == "nt" else "bin/python")
        install = [uv, "pip", "install", "--quiet", "--python", interpreter, *resolution, "-e", ".[test]"]
        if made.returncode or subprocess.run(install, cwd=ROOT, check=False).returncode:
            yield None
        else:
            yield interpreter


def _run(interpreter: Path | str, surroundings: Surroundings) -> str:
    """The last line of the suite."""
    with tempfile.TemporaryDirectory() as cache:
        here = surroundings | {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
        if "HOME" in surroundings:
            here["XDG_CACHE_HOME"] = cache  # a compiled engine replaces those of other versions
        done = subprocess.run(
            [interpreter, "-m", "pytest", "-n", "auto", "--dist", "loadfile", "-o", "addopts=", "-q", *SUITE],
            cwd=ROOT, env=here, capture_output=True, text=True, check=False,
        )  # fmt: skip
    lines = [line for line in done.stdout.splitlines() if line.startswith("FAILED")]
    last = (done.stdout.strip() or done.stderr.strip() or "nothing said").splitlines()[-1]
    return "\n    ".join([last, *lines]) if done.returncode else last


def main() -> int:
    """Every cell, one line each; exit status 1 when one has failed."""
    failed = False
    for name, surroundings in PLACES.items():
        failed |= _told(name, lambda place=surroundings: _run(sys.executable, place()))  # type: ignore[misc]
    for python in PYTHONS:
        for lowest in (False, True) if python == PYTHONS[0] else (False,):
            with _environment(python, lowest) as interpreter:
                name = f"Python {python}, {'lowest' if lowest else 'newest'} versions"
                if interpreter is None:
                    print(f"{name}: NOT TESTED, it cannot be installed here", flush=True)
                    continue
                failed |= _told(name, lambda at=interpreter: _run(at, dict(os.environ)))  # type: ignore[misc]
    return int(failed)


def _told(name: str, run: Callable[[], str]) -> bool:
    """Run a cell and print its line; whether it failed."""
    began = time.perf_counter()
    last = run()
    print(f"{name}: {last} [{time.perf_counter() - began:.0f} s]", flush=True)
    return "failed" in last or "passed" not in last


if __name__ == "__main__":
    sys.exit(main())
