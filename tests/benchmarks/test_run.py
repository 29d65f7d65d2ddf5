"""A run of the benchmarks that was interrupted goes on; results say what they are of."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from benchmarks import run
from benchmarks.run import Section


@pytest.fixture
def measured(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Three invented sections in a folder of their own; names are added here as they are measured."""
    names: list[str] = []

    def section(name: str) -> Section:
        def text(sample: bool) -> str:
            names.append(name)
            return f"## Of {name}\n\n{'few' if sample else 'many'} {name}, no. {len(names)}\n"

        return Section(name, text, timed=name == "one")

    def here(section: Section, part: str, log: Path) -> None:
        run.measure(section, part, run.STATE / run.state_of_tree())

    monkeypatch.setattr(run, "SECTIONS", tuple(map(section, ("one", "two", "three"))))
    monkeypatch.setattr(run, "STATE", tmp_path / "state")
    monkeypatch.setattr(run, "RESULTS", tmp_path / "RESULTS.md")
    monkeypatch.setattr(run, "state_of_tree", lambda: "aaaa")
    monkeypatch.setattr(run, "in_process", here)
    return names


def interrupted_at(monkeypatch: pytest.MonkeyPatch, name: str) -> None:
    """Whoever measures this section is stopped in it."""
    measure = run.in_process

    def stopped(section: Section, part: str, log: Path) -> None:
        if section.name == name:
            raise KeyboardInterrupt
        measure(section, part, log)

    monkeypatch.setattr(run, "in_process", stopped)


def test_an_interrupted_run_goes_on_with_what_is_not_done(
    measured: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    with monkeypatch.context() as stopped:
        stopped.setattr(run, "SIDE_BY_SIDE", 1)
        interrupted_at(stopped, "two")
        with pytest.raises(KeyboardInterrupt):
            run.run(run.SECTIONS, "whole", again=False)
    assert "one" in measured
    assert "two" not in measured
    assert "many one" in run.RESULTS.read_text(encoding="utf-8")
    run.run(run.SECTIONS, "whole", again=False)
    assert sorted(measured) == ["one", "three", "two"]
    run.run(run.SECTIONS, "whole", again=False)
    assert len(measured) == 3


def test_a_new_commit_starts_afresh(measured: list[str], monkeypatch: pytest.MonkeyPatch) -> None:
    run.run(run.SECTIONS, "sample", again=False)
    monkeypatch.setattr(run, "state_of_tree", lambda: "bbbb")
    run.run(run.SECTIONS, "sample", again=False)
    assert sorted(measured) == ["one", "one", "three", "three", "two", "two"]
    text = run.RESULTS.read_text(encoding="utf-8")
    assert "commit bbbb" in text
    assert "commit aaaa" not in text


def test_one_section_is_measured_again_and_the_others_stay(measured: list[str]) -> None:
    run.run(run.SECTIONS, "sample", again=False)
    run.run(run.SECTIONS[1:2], "sample", again=True)
    text = run.RESULTS.read_text(encoding="utf-8")
    assert measured.count("two") == 2
    assert "few two, no. 4" in text
    assert [text.count(f"## Of {name}\n") for name in ("one", "two", "three")] == [1, 1, 1]


def test_a_section_that_fails_takes_no_other_with_it(
    measured: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    measure = run.in_process
    monkeypatch.setattr(
        run, "in_process", lambda section, part, log: section.name == "two" or measure(section, part, log)
    )
    assert run.run(run.SECTIONS, "sample", again=False) == ["two"]
    assert sorted(measured) == ["one", "three"]


def test_samples_and_whole_tables_stand_beside_each_other_and_say_which(measured: list[str]) -> None:
    run.run(run.SECTIONS, "whole", again=False)
    run.run(run.SECTIONS[:1], "sample", again=False)
    text = run.RESULTS.read_text(encoding="utf-8")
    samples, whole = text.split("# Whole tables")
    assert "Sample; commit aaaa, " in samples
    assert "few one" in samples
    assert "few" not in whole
    assert whole.count("Whole table; commit aaaa, ") == 3
    assert "many three" in whole


def test_what_is_measured_counts_as_of_its_commit_only_when_the_tree_is_that(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(run, "ROOT", tmp_path)

    def git(*arguments: str) -> None:
        who = ("-c", "user.name=nobody", "-c", "user.email=nobody@example.org")
        subprocess.run(["git", *who, *arguments], cwd=tmp_path, check=True, capture_output=True)

    for name in run.MEASURED:
        (tmp_path / name).mkdir() if "." not in name else (tmp_path / name).write_text("", encoding="utf-8")
    code, results = tmp_path / "models" / "code.py", tmp_path / "benchmarks" / "RESULTS.md"
    code.write_text("1\n", encoding="utf-8")
    results.write_text("\n", encoding="utf-8")
    git("init", "--quiet")
    git("add", "--all")
    git("commit", "--quiet", "--message", "first")
    first = run.state_of_tree()
    results.write_text("other results\n", encoding="utf-8")
    assert run.state_of_tree() == first
    code.write_text("2\n", encoding="utf-8")
    changed = run.state_of_tree()
    assert changed.startswith(f"{first}-")
    code.write_text("3\n", encoding="utf-8")
    assert run.state_of_tree() != changed
    git("commit", "--quiet", "--all", "--message", "second")
    assert "-" not in run.state_of_tree()
    assert run.state_of_tree() != first


def test_all_sections_are_named() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "benchmarks.run", "--list"],
        cwd=run.ROOT,
        capture_output=True,
        text=True,
        check=True,
    )
    named = [line.split(":")[0] for line in done.stdout.splitlines()]
    assert named == [section.name for section in run.SECTIONS]
    assert len(set(named)) == len(named)
