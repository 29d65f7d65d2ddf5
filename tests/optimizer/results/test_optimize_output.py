"""What `optimize` and `predict` print and leave behind, and that docs/results.md describes all of it."""

from __future__ import annotations

import contextlib
import io
import json
import re
from pathlib import Path
from typing import Any

import pytest

import optimizer.methods.workflow
from optimizer.base.errors import ScenarioError
from optimizer.results.candidate import candidate_document
from optimizer.results.fit import FitResult
from optimizer.results.prediction import prediction_document
from optimizer.show.pages.report import fit_files, outcome_files, prediction_files
from tests.optimizer.bad_inputs import write_good_scenario
from tests.optimizer.command import call
from tests.optimizer.made_up import made_up_fit
from tests.optimizer.show.test_report_wishes import FAST, RETENTION, outcome
from tests.optimizer.show.test_report_wishes import SCENARIO as WISHES

ROOT = Path(__file__).parents[3]
DEMO = ROOT / "scenarios" / "slow_isothermal"
PAGE = (ROOT / "docs" / "results.md").read_text(encoding="utf-8")
LATEST = 2.0  # min; the method in use, isothermal at 60 °C, takes longer


def written(folder: Path, gas: str) -> Path:
    """A small scenario with a gas, and a goal that its method in use does not meet."""
    write_good_scenario(folder)
    file = folder / "scenario.toml"
    text = file.read_text(encoding="utf-8").replace("hold_up_min = 1.73\n", "")
    text = text.replace('gas = "helium"', f'gas = "{gas}"').replace("start_C = 110", "start_C = 60")
    file.write_text(text.replace("[goal]", f"[goal]\nlatest_elution_min = {LATEST}"), encoding="utf-8")
    return folder


def printed_by(*arguments: str | Path) -> str:
    stream = io.StringIO()
    with pytest.MonkeyPatch.context() as patch, contextlib.redirect_stdout(stream):
        assert call(patch, *arguments) == 0
    return stream.getvalue()


@pytest.fixture(scope="module")
def hydrogen(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return written(tmp_path_factory.mktemp("hydrogen") / "scenario", "hydrogen")


@pytest.fixture(scope="module")
def ran(hydrogen: Path) -> tuple[str, Path]:
    """What a short search on hydrogen printed, and its folder."""
    out = hydrogen.parent / "out"
    return printed_by("optimize", hydrogen, "--out", out, "--rounds", "24"), out


def cautions_in(text: str) -> list[str]:
    return [line for line in text.splitlines() if line.startswith("Caution: ")]


def test_cautions_are_printed_and_stand_beside_the_set_points(ran: tuple[str, Path]) -> None:
    text, out = ran
    lines = cautions_in(text)
    assert any("Hydrogen explodes from 4 % in air" in line for line in lines)
    assert any("tag, entered here as 325 °C" in line for line in lines)
    assert all(line.endswith(".") for line in lines)  # each whole on its one line
    assert cautions_in((out / "set_points.txt").read_text(encoding="utf-8")) == lines
    document = json.loads((out / "candidates.json").read_text(encoding="utf-8"))
    assert [f"Caution: {line}" for line in document["cautions"]] == lines


def test_a_faster_program_is_said_to_be_of_the_candidates_own_kind(ran: tuple[str, Path]) -> None:
    found = json.loads((ran[1] / "candidates.json").read_text(encoding="utf-8"))["candidates"]
    said = [(each["family"], each["next_seconds"]) for each in found if each["next_seconds"]]
    assert said
    assert all(f" s faster with {family}: " in text for family, text in said)


def test_predict_prints_them_too(hydrogen: Path) -> None:
    text = printed_by("predict", hydrogen)
    assert any("Hydrogen explodes" in line for line in cautions_in(text))
    assert any(
        "Hydrogen explodes" in line
        for line in json.loads(printed_by("predict", hydrogen, "--json"))["cautions"]
    )


def test_without_hydrogen_nothing_is_said_of_it(tmp_path: Path) -> None:
    lines = cautions_in(printed_by("predict", written(tmp_path / "scenario", "helium")))
    assert lines
    assert "ydrogen" not in " ".join(lines)


def test_the_method_in_use_has_its_cycle_time_and_what_it_breaks(ran: tuple[str, Path]) -> None:
    text, out = ran
    document = json.loads((out / "candidates.json").read_text(encoding="utf-8"))
    now = document["current"]
    # 90 min isothermal: nothing to cool, one minute of equilibration; five whole cycles in eight hours.
    assert now["run_time_min"] == pytest.approx(90.0)
    assert now["cycle_time_min"] == pytest.approx(91.0)
    assert now["samples_per_shift"] == 5
    assert now["oven"]["start_C"] == pytest.approx(60.0)
    (broken,) = now["breaks"]
    assert re.fullmatch(r"Misses a requirement: last peak at \d+\.\d\d min \(not after 2\.00 min\)\.", broken)
    assert "In use: 90.00 min  (cycle 91.00 min, 5 samples a shift), Rs of the critical pair" in text
    assert f"In use: {broken}" in text
    assert document["format"] == 1
    page = (out / "report.html").read_text(encoding="utf-8")
    cells = {"run, min": "90.00", "cycle, min": "91.00", "samples in 8 h": "5"}
    for label, value in cells.items():
        assert f'data-label="{label}">{value}</td>' in page
    assert broken in page
    assert "breaks limits" in page
    as_predicted = json.loads(printed_by("predict", out.parent / "scenario", "--json"))["warnings"]
    assert broken in as_predicted


@pytest.mark.parametrize(("options", "tried"), [((), True), (("--no-what-if",), False)])
def test_single_changes_can_be_left_out(
    options: tuple[str, ...], tried: bool, scenario: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The command hands the choice on; that the search then tries none is a test of the search's."""
    asked: list[bool] = []

    def search(*_: object, what_if: bool = True, **__: object) -> None:
        asked.append(what_if)
        raise ScenarioError("enough")

    monkeypatch.setattr(optimizer.methods.workflow, "optimize", search)
    assert call(monkeypatch, "optimize", scenario, "--out", tmp_path / "out", *options) == 2
    assert asked == [tried]


def keys_of(node: Any) -> set[str]:
    """Every key in a document, at any depth."""
    if isinstance(node, list):
        return set().union(*map(keys_of, node))
    if not isinstance(node, dict):
        return set()
    return set(node).union(*map(keys_of, node.values()))


def named() -> set[str]:
    """What docs/results.md names in code."""
    return set(re.findall(r"`([^`\n]+)`", PAGE))


def test_every_key_of_a_real_candidates_file_is_described(tmp_path: Path) -> None:
    printed_by("optimize", DEMO, "--out", tmp_path / "out", "--rounds", "30")
    document = json.loads((tmp_path / "out" / "candidates.json").read_text(encoding="utf-8"))
    assert document["current"] is not None
    assert document["candidates"]
    assert keys_of(document) - named() == set()


def test_every_key_of_a_candidates_file_with_everything_in_it_is_described() -> None:
    """Fronts, inlet flows, limits of heat and bake-outs; and what would help when nothing meets the goal."""
    for feasible in (True, False):
        document = candidate_document(WISHES, outcome(feasible))
        assert document["front"]
        assert document["candidates"][0]["inlet_flows"]
        assert bool(document["what_ifs"]) != feasible
        assert keys_of(document) - named() == set()


def test_every_file_is_described() -> None:
    fit = made_up_fit(RETENTION)
    found = outcome()
    files = {
        *outcome_files(WISHES, fit, found),
        *fit_files(FitResult(WISHES, fit)),
        *prediction_files(WISHES, FAST, prediction_document(WISHES, FAST)),
    }
    stems = {re.sub(r"_\d+$", "_N", name.rsplit(".", 1)[0]) for name in files}
    told = {name.rsplit(".", 1)[0] for name in named() if "." in name}
    assert {"candidates", "set_points", "chromatogram_N", "exposure_N", "front", "fit", "peaks"} <= stems
    assert stems - told == set()


@pytest.mark.parametrize("page", ["README.md", "docs/scenario.md"])
def test_the_description_is_linked(page: str) -> None:
    text = (ROOT / page).read_text(encoding="utf-8")
    target = "docs/results.md" if page == "README.md" else "results.md"
    assert f"]({target})" in text
