"""Campaigns as a benchmark: figures by hand, runs that go on, and the known program put on the instrument again."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from benchmarks import campaign, known_instrument
from benchmarks.campaign import Line, Stage, faults, measured_lines, numbered, promises, read_lines, table
from benchmarks.known_instrument import END, NEEDED, OFF, on_instrument, shortest_that_bears
from benchmarks.other_instrument import COMPOUNDS, Day
from benchmarks.robust_search import smallest_in_order
from benchmarks.scouted_mixtures import AMBIENT, Mixture
from models.column.programs import Program
from optimizer.base.clock import rounds_counted
from optimizer.scenario.program_tables import program_document
from optimizer.scenario.reading import program_of_tables


def stage(injections: int, run_time: float | None, **known: object) -> Stage:
    usual = {"offered": True, "probability": 0.9, "holds": True, "bears": True, "advice": "run", **known}
    return Stage(injections, run_time=run_time, **usual)  # type: ignore[arg-type]


LINES = (
    Line(0, 8, 10.0, (stage(0, 12.0), stage(1, 11.0, bears=False), stage(2, 10.4, advice="done"))),
    Line(1, 9, 20.0, (stage(0, 30.0, offered=False, cannot=True), stage(1, 24.0, holds=False, gain=-0.01))),
    Line(2, 9, None, (stage(0, 30.0, offered=False, cannot=True, advice="hopeless"),)),
)


def test_figures_are_those_worked_out_by_hand() -> None:
    rows = [[cell.strip() for cell in row.split("|")[1:-1]] for row in table(LINES, 2)[2:]]
    # After none: one program of three is offered, 12 min over 10. After one: 1.1 and 1.2. After two: 1.04 and 1.2.
    assert [row[1] for row in rows] == ["1.20, 1.20", "1.15, 1.19", "1.12, 1.18"]
    assert [row[2].split(" (")[0] for row in rows] == ["0 %", "50 %", "50 %"]  # below 1.15
    assert [row[3].split(" (")[0] for row in rows] == ["100 %", "50 %", "50 %"]  # of those offered hold
    assert [row[4].split(" (")[0] for row in rows] == ["100 %", "50 %", "100 %"]  # bear all four ways
    assert [row[5].split(" (")[0] for row in rows] == ["50 %", "50 %", "50 %"]  # of two that can be solved
    assert [row[6] for row in rows] == ["1", "0", "0"]  # told that it cannot be, though it can
    assert [row[7] for row in rows] == ["2", "1", "0"]


def test_faults_are_counted() -> None:
    given_up = Line(3, 8, 9.0, (stage(0, 9.5, offered=False, advice="hopeless", repeated=True),))
    text = faults((*LINES, given_up))
    assert "made already: 1;" in text
    assert "expected to lose: 1;" in text
    assert text.endswith("exists: 1.")


def test_what_was_expected_is_held_against_what_came() -> None:
    first = stage(0, 12.0, expected=10.0, low=9.0, high=10.5)
    second = stage(1, 11.0, expected=10.0, low=9.9, high=11.0)
    without = stage(0, 12.0, expected=10.0, low=9.0, high=10.5), stage(1, 12.0, offered=False)
    text = promises([Line(0, 8, 10.0, (first, second, stage(2, 10.0))), Line(1, 8, 10.0, without)])
    assert text.startswith("Of 3 runs proposed for what they are worth 2 led to")
    assert "1.05 (median)" in text  # 11 over 10, 10 over 10
    assert "interval 50 %" in text


def test_a_mixture_that_is_done_is_not_begun_again(tmp_path: Path) -> None:
    file, begun = tmp_path / "lines" / "a.jsonl", []

    def of_one(number: int) -> Line:
        begun.append(number)
        return LINES[number]

    assert measured_lines((0, 1), file, of_one) == [*LINES[:2]]
    with file.open("a", encoding="utf-8") as out:
        out.write('{"number": 2, "comp')  # stopped while it wrote
    assert measured_lines((0, 1, 2), file, of_one) == [*LINES]
    assert begun == [0, 1, 2]
    assert read_lines(file) == dict(enumerate(LINES))


def test_what_is_measured_so_far_can_be_reported(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "a.jsonl"
    measured_lines((0, 1), file, lambda number: replace(LINES[0], number=100 * number))
    campaign.main(["--mixtures", "3", "--lines", str(file), "--measured"])
    text = capsys.readouterr().out
    assert text.count(": 1 mixtures, a program is known for 1.") == 2
    assert "Measured so far: 2 of 6 mixtures" in text
    assert len(read_lines(file)) == 2


def test_two_classes_and_a_variant_are_kept_for_the_mixtures_apart() -> None:
    def classes(numbers: range) -> set[str]:
        return {COMPOUNDS[each][0] for number in numbers for each in numbered(number).compounds}

    own = set(campaign.OWN_CLASSES)
    assert not classes(range(12)) & own
    assert own <= classes(range(campaign.APART, campaign.APART + 12))
    assert all(len(numbered(number).scouting) == 2 for number in range(12))
    reality = [numbered(number).instrument.reality for number in (*range(6), *range(100, 106))]
    assert all(each.length_factor == 1 and each.oven_scale == 0 for each in reality[:6])
    assert all(each.length_factor < 1 and each.oven_scale != 0 for each in reality[6:])
    seeds = [numbered(number).seed for number in (*range(40), *range(100, 140))]
    assert len(set(seeds)) == len(seeds)


def test_the_known_program_bears_it_and_ends_when_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Held against the instrument by the loop and the resolution of `robust_search`."""
    monkeypatch.setattr(known_instrument, "BEGUN", 1)
    monkeypatch.setattr(known_instrument, "TRIED", 4)
    drawn = numbered(4)
    with rounds_counted():
        found = shortest_that_bears(drawn, tmp_path, 3.0)
    assert found is not None
    program, end = found
    table_of = program_document(program, AMBIENT)
    expected, _ = drawn.truth(table_of, Day())
    oven, carrier = OFF
    ends = []
    for T in (-oven, 0.0, oven):
        for c in (-carrier, 0.0, carrier):
            if (T == 0) == (c == 0):
                t, w = drawn.truth(table_of, Day(T, c / 100))
                assert smallest_in_order(expected, t, w) >= NEEDED
                ends.append(float((t + END * w).max()))
    assert end == pytest.approx(max(ends), abs=1e-6)


def test_two_peaks_that_change_places_count_below_nought() -> None:
    drawn = numbered(4)
    program = known_program(drawn)
    truly = on_instrument(drawn, program)
    t, _ = drawn.truth(program_document(program, AMBIENT), Day())
    first, second = np.argsort(t)[:2]
    exchanged = t.copy()
    exchanged[[first, second]] = t[[second, first]]
    assert truly.smallest[0] > 0
    assert on_instrument(drawn, program, exchanged).smallest[0] < 0


def known_program(drawn: Mixture) -> Program:
    """A scouting run of a mixture."""
    return program_of_tables(next(iter(drawn.scouting.values())), AMBIENT)
