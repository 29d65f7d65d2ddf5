"""Every file of a result carries its mark, and files of two results are not taken for one."""

from __future__ import annotations

import io
import json
import re
import shutil
import tomllib
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest
from PIL import Image

import rampwright as rw
from optimizer.base.manifest import MANIFEST, NAMES
from optimizer.base.mark import mark_in
from tests.optimizer.bad_inputs import write_good_scenario
from tests.optimizer.base.test_output_foreign import arguments
from tests.optimizer.command import call

SEARCH = ("--rounds", "1", "--no-what-if")


@pytest.fixture(scope="module")
def two(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A scenario with results of two of its searches."""
    folder = tmp_path_factory.mktemp("two")
    write_good_scenario(folder / "five")
    with pytest.MonkeyPatch.context() as monkeypatch:
        for name, rounds in (("first", "1"), ("second", "2")):
            options = ("--out", folder / name, "--rounds", rounds, "--no-what-if")
            assert call(monkeypatch, "optimize", folder / "five", *options) in (0, 3)
    return folder


@pytest.fixture
def results(two: Path, tmp_path: Path) -> Path:
    shutil.copytree(two / "first", tmp_path / "results")
    return tmp_path / "results"


WITH_OUT = [
    name for name in NAMES if name != "campaign"
]  # which next and add write, into the scenario's folder


@pytest.mark.parametrize("command", WITH_OUT)
def test_every_file_carries_the_mark_that_is_shown(
    command: str,
    scenario: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    out = tmp_path / "out"
    assert call(monkeypatch, command, *arguments(command, scenario), "--out", out) in (0, 3)
    shown = re.search(r"result mark ([0-9a-f]{6})", " ".join(capsys.readouterr().out.split()))
    assert shown
    mark = shown[1]
    assert json.loads((out / MANIFEST).read_text(encoding="utf-8"))["marks"] == {command: mark}
    for path in out.iterdir():
        content = path.read_bytes()
        if path.suffix == ".csv":
            assert mark.encode() not in content
        elif path.name != MANIFEST:
            assert mark_in(content) == mark, path
        if path.suffix == ".json" and path.name != MANIFEST:
            assert json.loads(content)["result_mark"] == mark
        if path.suffix == ".png":
            assert Image.open(io.BytesIO(content)).text["Result mark"] == mark  # type: ignore[attr-defined]
        if path.suffix == ".svg":
            ET.fromstring(content)
        if path.suffix == ".toml":
            tomllib.loads(content.decode())


def test_a_mark_follows_from_inputs_and_document(scenario: Path) -> None:
    file = scenario / "scenario.toml"
    fitted = rw.fit(rw.load_scenario(scenario))
    assert fitted.mark == rw.fit(rw.load_scenario(scenario)).mark
    assert len({fitted.mark, rw.predict(fitted).mark, rw.predict(fitted, certainty="none").mark}) == 3
    file.write_text(
        'title = "Another"\n' + re.sub(r"(?m)^title.*\n", "", file.read_text(encoding="utf-8")),
        encoding="utf-8",
    )
    assert rw.fit(rw.load_scenario(scenario)).mark != fitted.mark


def predict(monkeypatch: pytest.MonkeyPatch, two: Path, results: Path) -> int:
    return call(monkeypatch, "predict", two / "five", "--results", results)


def test_whole_results_are_read(two: Path, results: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """As they were written, copied without the list of files, or one file alone."""
    assert predict(monkeypatch, two, results) == 0
    (results / MANIFEST).unlink()
    assert predict(monkeypatch, two, results) == 0
    for path in results.iterdir():
        if path.name != "candidates.json":
            path.unlink()
    assert predict(monkeypatch, two, results) == 0
    assert predict(monkeypatch, two, results / "candidates.json") == 0


@pytest.mark.parametrize(
    "name", ["set_points.txt", "report.html", "candidates.json", "chromatogram_1.png", "chromatogram_1.svg"]
)
@pytest.mark.parametrize("command", ["predict", "sweep", "adapt", "compare", "scout"])
def test_a_folder_of_two_results_is_refused(
    command: str,
    name: str,
    two: Path,
    results: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    shutil.copy(two / "second" / name, results / name)
    own, other = (mark_in((two / each / "report.html").read_bytes()) for each in ("first", "second"))
    assert own != other
    asked = {
        "predict": [],
        "sweep": ["--vary", "start_C=50:60:2"],
        "adapt": ["--gas", "hydrogen"],
        "compare": ["--run", two / "five" / "slow.csv"],
        "scout": [],
    }[command]
    assert call(monkeypatch, command, two / "five", *asked, "--results", results) == 2
    complaint = capsys.readouterr().err
    assert complaint.startswith(f"rampwright: {results}: its files are of different results")
    assert f"{name} ({other})" in complaint
    assert f"({own})" in complaint
    assert "rampwright optimize into a new folder" in complaint
    assert complaint.count("\n") == 1


def test_set_points_without_the_mark_of_their_report_are_refused(
    two: Path, results: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (results / "set_points.txt").write_bytes(b"of a version that wrote no marks")
    assert predict(monkeypatch, two, results) == 2
    assert "set_points.txt (no mark)" in capsys.readouterr().err


def test_results_of_a_version_without_marks_and_pictures_saved_anew_are_read(
    two: Path, results: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (results / "chromatogram_1.png").write_bytes(b"saved by a viewer")
    assert predict(monkeypatch, two, results) == 0
    mark = mark_in((results / "report.html").read_bytes())
    for path in results.iterdir():
        path.write_bytes(path.read_bytes().replace(mark.encode(), b""))
    assert predict(monkeypatch, two, results) == 0
