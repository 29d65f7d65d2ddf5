"""The wheel: pure Python, with the scenarios and templates inside, and at work outside the project's folder.

Built from a copy, so that nothing is left here, and without a network: the build packages are test requirements.
"""

from __future__ import annotations

import importlib.util
import json
import os
import re
import shutil
import subprocess
import sys
import tarfile
import tomllib
import zipfile
from email.parser import Parser
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
SOURCES = ("models", "optimizer", "scenarios", "docs", "tests")
ENTRY = "rampwright.__main__:main"
NEWEST_TRIED = "3.13"  # of Python; whoever tries a newer one says so here and in the classifiers


def lacking() -> str:
    """What the build needs and this environment lacks."""
    return ", ".join(name for name in ("build", "hatchling", "pip") if importlib.util.find_spec(name) is None)


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """The wheel, built from the source archive, and that archive."""
    if lacking():
        pytest.skip(
            f"NOT TESTED, the wheel: {lacking()} missing; pip install -e '.[test]' installs what is needed"
        )
    tree, out = tmp_path_factory.mktemp("tree"), tmp_path_factory.mktemp("dist")
    for name in SOURCES:
        shutil.copytree(ROOT / name, tree / name, ignore=shutil.ignore_patterns("__pycache__"))
    for name in ("pyproject.toml", "README.md", "LICENSE", "Makefile", ".gitignore"):
        shutil.copy2(ROOT / name, tree / name)
    done = subprocess.run(
        [sys.executable, "-m", "build", "--no-isolation", "--outdir", str(out), str(tree)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    (wheel,), (archive,) = out.glob("*.whl"), out.glob("*.tar.gz")
    return wheel, archive


@pytest.fixture(scope="module")
def installed(built: tuple[Path, Path], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The wheel unpacked by pip into a folder of its own; what it depends on comes from this environment."""
    target = tmp_path_factory.mktemp("installed")
    command = [sys.executable, "-m", "pip", "install", "--quiet", "--no-deps", "--no-index", "--no-compile"]
    done = subprocess.run(
        [*command, "--target", str(target), str(built[0])], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    return target


# Commands one after the other in one process, each with its exit status and what it printed. The models are the
# project's, to the last byte those of the wheel, because their engine is compiled already where they are.
SEVERAL = """
import contextlib, io, json, sys
sys.path.insert(0, sys.argv.pop(1))
import models
del sys.path[0]
import optimizer, rampwright
from rampwright.__main__ import main
told = [[optimizer.__file__, rampwright.__file__]]
for words in json.loads(sys.argv[1]):
    sys.argv[1:], out, err, status = words, io.StringIO(), io.StringIO(), 0
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        try:
            main()
        except SystemExit as end:
            status = end.code or 0
    told.append([status, out.getvalue(), err.getvalue()])
print(json.dumps(told))
"""


def run(installed: Path, folder: Path, *commands: str) -> list[tuple[int, str, str]]:
    """Commands of the installed wheel, in a folder from which the project cannot be seen."""
    environment = {**os.environ, "PYTHONPATH": str(installed)}
    done = subprocess.run(
        [sys.executable, "-c", SEVERAL, str(ROOT), json.dumps([each.split() for each in commands])],
        cwd=folder,
        env=environment,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    files, *told = json.loads(done.stdout)
    assert all(Path(each).is_relative_to(installed) for each in files)  # the wheel's, not the project's
    return [(status, out, err) for status, out, err in told]


def test_the_wheel_is_pure_python_and_whole(built: tuple[Path, Path]) -> None:
    wheel, _ = built
    assert wheel.name.endswith("-py3-none-any.whl")
    with zipfile.ZipFile(wheel) as file:
        inside = set(file.namelist())
    for package in ("models", "optimizer"):
        sources = {
            path.relative_to(ROOT).as_posix().removeprefix("optimizer/package/")
            for path in (ROOT / package).rglob("*")
            if path.is_file() and "__pycache__" not in path.parts
        }
        assert sources <= inside, sorted(sources - inside)
    for folder in (path.parent for path in (ROOT / "scenarios").glob("*/scenario.toml")):
        held = {
            name.rpartition("/")[2]
            for name in inside
            if name.startswith(f"optimizer/app/scenarios/{folder.name}/")
        }
        assert {"scenario.toml", "README.md"} < held
        assert {path.name for path in folder.glob("*.csv")} <= held
    tops = {name.split("/")[0] for name in inside}
    assert {top for top in tops if not top.endswith(".dist-info")} == {"models", "optimizer", "rampwright"}
    assert not [name for name in inside if name.endswith((".so", ".pyd", ".pyc"))]
    assert not [
        name for name in inside if name.startswith("optimizer/app/scenarios/") and name.endswith(".py")
    ]


def test_the_archive_is_the_whole_project(built: tuple[Path, Path]) -> None:
    """What a packager needs: sources once, with the tests, the documentation and the scripts behind the scenarios."""
    with tarfile.open(built[1]) as file:
        names = {name.partition("/")[2] for name in file.getnames()}
    assert {"Makefile", "LICENSE", "tests/test_packaging.py", "docs/python.md"} <= names
    for folder in (path.parent for path in (ROOT / "scenarios").glob("*/scenario.toml")):
        assert {f"scenarios/{folder.name}/{each}" for each in ("scenario.toml", "make_data.py")} <= names
    assert not [
        name for name in names if name.startswith("optimizer/app/scenarios/") or name.endswith(".pyc")
    ]


def test_what_the_wheel_says_of_itself(built: tuple[Path, Path]) -> None:
    import optimizer

    with zipfile.ZipFile(built[0]) as file:
        (name,) = (each for each in file.namelist() if each.endswith(".dist-info/METADATA"))
        said = Parser().parsestr(file.read(name).decode())
        (points,) = (each for each in file.namelist() if each.endswith(".dist-info/entry_points.txt"))
        assert f"rampwright = {ENTRY}" in file.read(points).decode()
        assert [each for each in file.namelist() if each.endswith("/LICENSE")]
    assert said["Version"] == optimizer.__version__
    assert said["Requires-Python"] == ">=3.11"
    assert said["License-Expression"] == "MIT"
    versions = [
        line.rpartition(" ")[2] for line in said.get_all("Classifier", []) if re.search(r":: 3\.\d+$", line)
    ]
    assert versions == [f"3.{minor}" for minor in range(11, int(NEWEST_TRIED[2:]) + 1)]


def test_the_installed_wheel_makes_a_scenario_and_understands_it(installed: Path, tmp_path: Path) -> None:
    import optimizer

    for path in (ROOT / "models").rglob("*.py"):
        assert (installed / path.relative_to(ROOT)).read_bytes() == path.read_bytes()
    version, listed, new, predicted, blank, checked, schema_printed = run(
        installed,
        tmp_path,
        "--version",
        "new --list",
        "new demo --from slow_isothermal",
        "predict demo --out predicted --json",
        "new blank",
        "check blank",
        "schema",
    )
    assert version[1] == f"rampwright {optimizer.__version__}\n"
    assert [line.split()[0] for line in listed[1].splitlines()] == sorted(
        path.parent.name for path in (ROOT / "scenarios").glob("*/scenario.toml")
    )
    assert new[0] == 0
    assert predicted[0] == 0, predicted[2]
    assert len(json.loads(predicted[1])["peaks"]) == 14
    assert (tmp_path / "predicted" / "chromatogram.png").stat().st_size > 10_000
    assert blank[0] == 0
    assert "column.length_m" in checked[2]
    schema = (ROOT / "optimizer" / "app" / "scenario.schema.json").read_text(encoding="utf-8")
    assert schema_printed[1] == schema
    named = (tmp_path / "blank" / "scenario.toml").read_text(encoding="utf-8").splitlines()[0]
    beside = tmp_path / "blank" / named.removeprefix("#:schema ")
    assert beside.read_text(encoding="utf-8") == schema


def test_the_version_is_written_once() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    assert "version" not in project["project"]
    assert project["project"]["dynamic"] == ["version"]
    assert project["tool"]["hatch"]["version"]["path"] == "optimizer/__init__.py"
