"""No command replaces or removes a file that it did not write itself, or that was changed since."""

from __future__ import annotations

import os
import re
import shutil
from pathlib import Path
from typing import NoReturn

import numpy as np
import pytest

import optimizer.base.output
import optimizer.methods.workflow
from optimizer.base.manifest import MANIFEST, NAMES
from optimizer.base.output import OutputError, prepare_folder, write_folder
from optimizer.runs.peak_tables import PeakTable
from tests.optimizer.command import call
from tests.optimizer.interrupted import contents, everything
from tests.optimizer.recorded import recorded, write_csv

PROGRAM = """\
oven = { start_C = 50, hold_min = 2, ramps = [{ rate_C_per_min = 5, to_C = 280, hold_min = 5 }] }
carrier = { mode = "constant flow", flow_mL_min = 1.2 }
"""


def arguments(command: str, scenario: Path) -> list[str | Path]:
    """A short run of every command that writes a folder, without --out."""
    beside = scenario.parent
    (beside / "method.toml").write_text(PROGRAM, encoding="utf-8")
    return {
        "fit": [scenario],
        "predict": [scenario],
        "optimize": [scenario, "--seconds", "0.5", "--no-what-if"],
        "sweep": [scenario, "--vary", "start_C=100:120:3"],
        "adapt": [scenario, "--trim-m", "0.6"],
        "scout": [scenario, "--seconds", "0.5"],
        "peaks": [a_trace(beside)],
        "compare": [scenario, "--run", scenario / "slow.csv", "--program", beside / "method.toml"],
    }[command]


def a_trace(folder: Path) -> Path:
    """A recorded run of three peaks."""
    peaks = PeakTable((), np.array([60.0, 90.0, 150.0]), np.full(3, 3.0), np.full(3, 100.0), np.ones(3))
    return write_csv(folder / "run.csv", recorded(peaks, noise=0.03))


def an_example(name: str) -> str:
    return name.replace("_N.", "_12.")


def refuse_to_work(*_: object, **__: object) -> NoReturn:
    raise AssertionError("work began before the folder was looked at")


def test_a_peak_table_of_the_scenario_survives_predict(
    scenario: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (scenario / "slow.csv").rename(scenario / "peaks.csv")
    file = scenario / "scenario.toml"
    file.write_text(file.read_text(encoding="utf-8").replace("slow.csv", "peaks.csv"), encoding="utf-8")
    before = everything(scenario)
    assert call(monkeypatch, "predict", scenario, "--out", scenario) == 2
    assert everything(scenario) == before
    complaint = capsys.readouterr().err
    assert complaint == (
        f"rampwright: {scenario}: nothing was written, as this is in the way: peaks.csv (not written by rampwright, or "
        "by a version that kept no list of its files); name another folder, move or delete what is in the way, or "
        "have it replaced with --force, which keeps it as NAME.old\n"
    )


def test_a_foreign_picture_survives_optimize(
    scenario: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "u"
    out.mkdir()
    (out / "front.png").write_bytes(b"mine")
    call(monkeypatch, "optimize", *arguments("optimize", scenario), "--out", out)
    assert (out / "front.png").read_bytes() == b"mine"
    assert list(everything(out)) == ["front.png"]
    assert "front.png (not written by rampwright" in capsys.readouterr().err


def test_names_typed_into_a_peak_table_survive_peaks(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    trace, found = a_trace(tmp_path), tmp_path / "found"
    assert call(monkeypatch, "peaks", trace, "--out", found) == 0
    table = found / "peaks.csv"
    table.write_text(table.read_text(encoding="utf-8").replace("\n,", "\noctane,", 1), encoding="utf-8")
    before = everything(found)
    assert b"octane" in before["peaks.csv"]
    assert call(monkeypatch, "peaks", trace, "--out", found) == 2
    assert everything(found) == before
    assert "peaks.csv (changed since it was written)" in capsys.readouterr().err


WITH_OUT = [
    name for name in NAMES if name != "campaign"
]  # which next and add write, into the scenario's folder


@pytest.mark.parametrize("command", WITH_OUT)
def test_foreign_files_of_every_name_stay_and_are_known_before_any_work(
    command: str,
    scenario: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """All of them together, as an earlier version left them, and each by itself."""
    monkeypatch.setattr(optimizer.methods.workflow, "fit_retention", refuse_to_work)
    asked = arguments(command, scenario)
    names = [*map(an_example, NAMES[command]), MANIFEST]
    for each in ([name for name in names if name != MANIFEST], *([name] for name in names)):
        out = tmp_path / "out"
        out.mkdir()
        for name in each:
            (out / name).write_bytes(f"{name}, mine".encode())
        before = everything(out)
        assert call(monkeypatch, command, *asked, "--out", out) == 2
        assert everything(out) == before
        complaint = capsys.readouterr().err
        assert complaint.startswith(f"rampwright: {out}: ")
        assert complaint.count("\n") == 1
        assert any(name in complaint for name in each)
        assert "name another folder" in complaint
        shutil.rmtree(out)


@pytest.mark.parametrize("command", WITH_OUT)
def test_own_files_are_replaced_silently_until_one_is_changed(
    command: str,
    scenario: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    asked, out = [command, *arguments(command, scenario), "--out", tmp_path / "out"], tmp_path / "out"
    assert call(monkeypatch, *asked) in (0, 3)
    written = everything(out)
    kinds = {re.sub(r"_\d+\.", "_N.", name) for name in written if name != MANIFEST}
    assert kinds <= set(NAMES[command])
    (out / "notes.txt").write_bytes(b"mine")
    capsys.readouterr()
    for name in written.keys() - {MANIFEST}:
        (out / name).write_bytes(written[name] + b" ")
        before = everything(out)
        assert call(monkeypatch, *asked) == 2
        assert everything(out) == before
        assert f"{name} (changed since it was written)" in capsys.readouterr().err
        (out / name).write_bytes(written[name])
    assert call(monkeypatch, *asked) in (0, 3)
    assert "in the way" not in capsys.readouterr().err
    assert (out / "notes.txt").read_bytes() == b"mine"


def test_a_file_that_comes_during_the_work_stays(tmp_path: Path) -> None:
    out = tmp_path / "out"
    write_folder(out, {"sweep.json": b"1", "sweep.csv": b"1"}, "sweep")
    prepare_folder(out, "sweep")
    (out / "sweep.png").write_bytes(b"mine")
    before = everything(out)
    with pytest.raises(OutputError, match=r"sweep\.png \(not written by rampwright\)"):
        write_folder(out, {"sweep.json": b"2", "sweep.csv": b"2", "sweep.png": b"2"}, "sweep")
    assert everything(out) == before


def test_a_changed_file_of_a_longer_series_is_not_removed(tmp_path: Path) -> None:
    write_folder(
        tmp_path, {"candidates.json": b"1", "front.png": b"1", "chromatogram_2.svg": b"1"}, "optimize"
    )
    write_folder(tmp_path, {"candidates.json": b"2", "chromatogram_2.svg": b"2"}, "optimize")
    assert not (tmp_path / "front.png").exists()
    (tmp_path / "chromatogram_2.svg").write_bytes(b"with a remark")
    before = everything(tmp_path)
    with pytest.raises(OutputError, match=r"chromatogram_2\.svg \(changed"):
        write_folder(tmp_path, {"candidates.json": b"3"}, "optimize")
    assert everything(tmp_path) == before


def test_force_replaces_what_is_in_the_way_and_keeps_it(tmp_path: Path) -> None:
    foreign = {
        "front.svg": b"mine",
        "report.html": b"mine",
        "report.html.old": b"mine, too",
        "notes.txt": b"mine",
    }
    for name, content in foreign.items():
        (tmp_path / name).write_bytes(content)
    with pytest.raises(OutputError, match=r"front\.svg, report\.html \(not written by rampwright"):
        prepare_folder(tmp_path, "optimize")
    prepare_folder(tmp_path, "optimize", force=True)
    write_folder(tmp_path, {"report.html": b"1", "candidates.json": b"1"}, "optimize", force=True)
    kept = {"front.svg.old": b"mine", "report.html.old": b"mine, too", "report.html.old2": b"mine"}
    assert contents(tmp_path) == {"report.html": b"1", "candidates.json": b"1", "notes.txt": b"mine", **kept}
    write_folder(tmp_path, {"candidates.json": b"2"}, "optimize")  # what was kept is not the command's
    assert contents(tmp_path) == {"candidates.json": b"2", "notes.txt": b"mine", **kept}


def test_force_replaces_a_list_that_is_not_ours_and_what_it_should_name(tmp_path: Path) -> None:
    (tmp_path / MANIFEST).write_bytes(b"mine")
    (tmp_path / "fit.json").write_bytes(b"mine")
    write_folder(tmp_path, {"fit.json": b"1"}, "fit", force=True)
    assert contents(tmp_path) == {"fit.json": b"1", "fit.json.old": b"mine", f"{MANIFEST}.old": b"mine"}
    write_folder(tmp_path, {"fit.json": b"2"}, "fit")
    assert contents(tmp_path)["fit.json"] == b"2"


@pytest.mark.parametrize("command", WITH_OUT)
def test_every_command_can_be_forced(
    command: str, scenario: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "out"
    out.mkdir()
    for name in map(an_example, NAMES[command]):
        (out / name).write_bytes(f"{name}, mine".encode())
    assert call(monkeypatch, command, *arguments(command, scenario), "--out", out, "--force") in (0, 3)
    found = contents(out)
    for name in map(an_example, NAMES[command]):
        assert found[f"{name}.old"] == f"{name}, mine".encode()
        assert found.get(name) != f"{name}, mine".encode()


@pytest.mark.parametrize("command", WITH_OUT)
def test_an_empty_name_is_no_folder(
    command: str,
    scenario: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    asked = arguments(command, scenario)
    (tmp_path / "here").mkdir()
    monkeypatch.chdir(tmp_path / "here")
    assert call(monkeypatch, command, *asked, "--out", "") == 2
    assert "an empty text names no folder" in " ".join(capsys.readouterr().err.split())
    assert everything(tmp_path / "here") == {}


def test_what_one_command_wrote_another_leaves(tmp_path: Path) -> None:
    write_folder(tmp_path, {"peaks.csv": b"peaks", "peaks.json": b"peaks"}, "peaks")
    before = everything(tmp_path)
    with pytest.raises(OutputError, match=r"peaks\.csv \(written by rampwright peaks\)"):
        write_folder(tmp_path, {"prediction.json": b"1", "peaks.csv": b"1"}, "predict")
    assert everything(tmp_path) == before
    write_folder(tmp_path, {"fit.json": b"1"}, "fit")  # they share a folder where no name is the same
    write_folder(tmp_path, {"peaks.csv": b"again", "peaks.json": b"again"}, "peaks")
    write_folder(tmp_path, {"fit.json": b"2"}, "fit")
    found = everything(tmp_path)
    del found[MANIFEST]
    assert found == {"peaks.csv": b"again", "peaks.json": b"again", "fit.json": b"2"}


@pytest.mark.skipif(os.name != "posix", reason="NOT TESTED: links need rights of their own here")
def test_a_link_is_not_replaced(tmp_path: Path) -> None:
    """One to a file of the same content, and one to nothing."""
    out = tmp_path / "out"
    for target in ("copy.json", "nowhere"):
        write_folder(out, {"fit.json": b"1"}, "fit")
        (tmp_path / "copy.json").write_bytes(b"1")
        (out / "fit.json").unlink()
        (out / "fit.json").symlink_to(tmp_path / target)
        with pytest.raises(OutputError, match=r"fit\.json \(changed"):
            write_folder(out, {"fit.json": b"2"}, "fit")
        assert (out / "fit.json").is_symlink()
        (out / "fit.json").unlink()


@pytest.mark.parametrize(
    "list_of_files", ["{}", "[1]", "{", '{"written": {"optimize": ["candidates.json"]}}']
)
def test_a_list_that_is_not_ours_is_in_the_way(list_of_files: str, tmp_path: Path) -> None:
    write_folder(tmp_path, {"candidates.json": b"1"}, "optimize")
    (tmp_path / MANIFEST).write_text(list_of_files, encoding="utf-8")
    before = everything(tmp_path)
    with pytest.raises(OutputError, match=rf"{MANIFEST} \(not a list of files as rampwright keeps it\)"):
        write_folder(tmp_path, {"candidates.json": b"2"}, "optimize")
    assert everything(tmp_path) == before


def test_a_list_that_names_a_file_elsewhere_removes_nothing_there(tmp_path: Path) -> None:
    out, outside = tmp_path / "out", tmp_path / "outside.txt"
    write_folder(out, {"candidates.json": b"1", "front.png": b"1"}, "optimize")
    outside.write_bytes(b"1")
    listed = (out / MANIFEST).read_text(encoding="utf-8")
    (out / MANIFEST).write_text(listed.replace('"front.png"', '"../outside.txt"'), encoding="utf-8")
    (out / "front.png").unlink()
    write_folder(out, {"candidates.json": b"2"}, "optimize")
    assert (out / "candidates.json").read_bytes() == b"2"
    assert outside.read_bytes() == b"1"


def test_the_list_can_be_read_by_people(tmp_path: Path) -> None:
    write_folder(tmp_path, {"fit.json": b"1"}, "fit")
    text = (tmp_path / MANIFEST).read_text(encoding="utf-8")
    assert "rampwright" in text
    assert '"fit.json": "6b86b273ff34fce19d6b804eff5a3f5747ada4eaa22f1d49c01e52ddb7875b4b"' in text


def test_a_link_put_in_the_folders_place_while_it_is_looked_at_keeps_what_it_leads_to(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder, elsewhere = tmp_path / "results", tmp_path / "elsewhere"
    write_folder(folder, {"peaks.csv": b"first"}, "peaks")
    shutil.copytree(folder, elsewhere)
    looked = optimizer.base.output.in_the_way

    def replaced(*arguments: object) -> object:
        found = looked(*arguments)  # type: ignore[arg-type]
        shutil.rmtree(folder)
        folder.symlink_to(elsewhere)
        (elsewhere / "peaks.csv").write_bytes(b"mine")
        return found

    monkeypatch.setattr("optimizer.base.output.in_the_way", replaced)
    with pytest.raises(OutputError, match="results"):
        write_folder(folder, {"peaks.csv": b"second"}, "peaks")
    assert (elsewhere / "peaks.csv").read_bytes() == b"mine"
