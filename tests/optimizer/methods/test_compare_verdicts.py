"""What is said of confirmation runs that fail in other ways than by a wrong name or one cause."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from shutil import copytree

import numpy as np
import pytest

from models.column.programs import CarrierProgram, OvenProgram, Program, Ramp
from models.units import kelvin
from optimizer.app.interface_compare import compared_run
from optimizer.app.interface_results import Fitted
from optimizer.goal.goal import Problem, problem_of
from optimizer.goal.reliability import Failure, Reliability
from optimizer.methods.compare import Comparison, compare
from optimizer.methods.compare_refit import MISFIT, refit
from optimizer.methods.workflow import fit_scenario
from optimizer.results.compare import compare_result
from optimizer.results.compare_words import advice, pass_text, remarks, retuned_for, verdict_line
from optimizer.runs.peak_tables import read_peak_table
from optimizer.scenario.reading import load_scenario
from optimizer.show.console.compare import critical_line, refit_line
from optimizer.show.pages.methods import compare_html
from tests.optimizer import command
from tests.optimizer.methods.test_compare import table
from tests.reference.confirmation import write_table
from tests.reference.instrument import Measured
from tests.scenarios.data_scripts import ROOT, load_script

FOLDER = ROOT / "scenarios" / "rescued_pair"
REPEATABILITY = 0.18
INSTRUMENT = load_script(FOLDER).INSTRUMENT
# 7 °C/min keeps all pairs (README.md of the scenario); the flow is that of the scouting runs.
SOUND = {
    "oven": {"start_C": 60, "hold_min": 1, "ramps": [{"rate_C_per_min": 7, "to_C": 240, "hold_min": 5}]},
    "carrier": {"mode": "constant flow", "flow_mL_min": 1.2},
}
PROGRAM_FILE = """
oven = { start_C = 60, hold_min = 1, ramps = [{ rate_C_per_min = 7, to_C = 240, hold_min = 5 }] }
carrier = { mode = "constant flow", flow_mL_min = 1.2 }
"""

Rows = list[Measured]
Compare = Callable[[Sequence[Measured]], Comparison]


@pytest.fixture(scope="module")
def problem() -> Problem:
    scenario = load_scenario(FOLDER)
    return problem_of(scenario, fit_scenario(scenario))


@pytest.fixture(scope="module")
def program(problem: Problem) -> Program:
    oven = OvenProgram(kelvin(60.0), 60.0, (Ramp(7 / 60, kelvin(240.0), 300.0),))
    return Program(oven, CarrierProgram("flow", 1.2e-6 / 60))


@pytest.fixture(scope="module")
def rows() -> Rows:
    made: Rows = INSTRUMENT.measure(SOUND, 81)[0]
    return made


@pytest.fixture
def compared(problem: Problem, program: Program, tmp_path: Path) -> Compare:
    def of(rows: Sequence[Measured]) -> Comparison:
        return compare(problem, program, table(rows, tmp_path), "run", "a test", REPEATABILITY)

    return of


def stretched(rows: Rows, factor: float) -> Rows:
    return [replace(row, time=factor * row.time) for row in rows]


def wider(rows: Rows, factor: float) -> Rows:
    return [replace(row, width=factor * row.width) for row in rows]


def test_a_sound_run_confirms_all(compared: Compare, rows: Rows) -> None:
    made = compared(rows)
    assert made.verdict == "holds"
    assert made.goal_met is True
    assert made.lost == ()
    assert {each.name: each.met for each in made.requirements} == {
        "earliest elution": True,
        "n-tetradecane near its compounds": True,
    }
    assert not any("Re-tuning is advised" in line for line in advice(made, refit(made), False))


def test_a_target_that_may_lie_under_its_neighbour_is_not_confirmed(compared: Compare, rows: Rows) -> None:
    made = compared([row for row in rows if row.compound != "isomenthol"])
    found = {row.compound: row.time for row in rows}
    names = made.prediction.compounds
    m = names.index("isomenthol")
    assert made.verdict == "unconfirmed"
    assert made.goal_met is None
    assert made.lost == (m,)
    # The neighbour's deviation is taken over: the true place is met to what two times repeat to.
    assert made.expected_at(m) == pytest.approx(found["isomenthol"], abs=4 * np.sqrt(2) * REPEATABILITY)
    line = verdict_line(made)
    assert line.startswith("Not confirmed: no peak for isomenthol, expected at ")
    assert "(it may lie under menthol, " in line
    told = advice(made, refit(made), False)
    assert told[0].startswith("Find isomenthol first")
    assert not any("No re-tuning is needed" in each for each in told)
    document = compare_result(made, None).to_dict()
    pair = next(each for each in document["pairs"] if each["between"] == ["menthol", "isomenthol"])
    assert pair["found"] is None
    assert pair["met"] is None
    assert next(row for row in document["peaks"] if row["compound"] == "isomenthol")["lost"] is True
    assert "isomenthol (no peak)" in compare_html(compare_result(made, None))


def test_a_missing_target_far_from_all_others_lies_under_none(compared: Compare, rows: Rows) -> None:
    made = compared([row for row in rows if row.compound != "n-tetradecane"])  # the internal standard
    assert made.verdict == "unconfirmed"
    assert "no peak for n-tetradecane, expected at" in verdict_line(made)
    assert "lie under" not in verdict_line(made)
    assert {each.name: each.met for each in made.requirements}["n-tetradecane near its compounds"] is None


def test_a_pair_that_is_short_outweighs_a_missing_peak(compared: Compare, rows: Rows) -> None:
    made = compared(wider([row for row in rows if row.compound != "eugenol"], 2.0))
    assert made.verdict == "unconfirmed"
    assert made.goal_met is False


def test_requirements_are_checked_by_what_was_found(
    program: Program, rows: Rows, problem: Problem, tmp_path: Path
) -> None:
    first = min(rows, key=lambda row: row.time)
    begins = first.time - first.width
    scenario = problem.scenario
    asked = replace(
        scenario, goal=replace(scenario.goal, earliest_elution=begins + 12.0, latest_elution=1200.0)
    )
    strict = problem_of(asked, problem.fit)
    made = compare(strict, program, table(rows, tmp_path), "run", "a test", REPEATABILITY)
    met = {each.name: each.met for each in made.requirements}
    last = max(row.time for row in rows)
    assert met == {
        "earliest elution": False,
        "latest elution": bool(last < 1200.0),
        "n-tetradecane near its compounds": True,
    }
    assert made.goal_met is False
    line = f"first peak begins at {begins / 60:.2f} min (not before {(begins + 12) / 60:.2f} min)"
    assert line in verdict_line(made)
    after = refit(made)
    assert any(line in each and "Re-tuning is advised" in each for each in advice(made, after, False))
    # Beside each probability stands what is missed.
    known = compare_result(made, after).refit
    assert known is not None
    assert known.after.fails_most is not None
    assert known.after.fails_most.what == "earliest elution"
    assert refit_line(known).count("(most often missed: earliest elution)") == 2


def test_a_forbidden_order_is_found(problem: Problem, program: Program, rows: Rows, tmp_path: Path) -> None:
    scenario = problem.scenario
    rule = replace(scenario.pairs[0], between=("isomenthol", "menthol"), in_order=True)
    ordered = problem_of(replace(scenario, pairs=(rule, *scenario.pairs[1:])), problem.fit)
    made = compare(ordered, program, table(rows, tmp_path), "run", "a test", REPEATABILITY)
    assert {each.name: each.met for each in made.requirements}["isomenthol before menthol"] is False
    assert made.goal_met is False


def test_what_fails_is_named_where_anything_does() -> None:
    assert pass_text(Reliability(1.0, 400, None, (), ())) == "100 % probability"
    text = pass_text(Reliability(0.0, 400, None, (Failure("earliest elution", 1.0),), ()))
    assert text == "0 % probability (most often missed: earliest elution)"


@pytest.mark.parametrize("factor", [0.99, 1.01, 1.02])
def test_a_proportional_stretch_is_called_one(compared: Compare, rows: Rows, factor: float) -> None:
    made = compared(stretched(rows, factor))
    cause = made.causes.cause
    assert cause is not None
    assert cause.kind == "stretch"
    # Less what this run was off by as a whole before it was stretched.
    assert cause.size == pytest.approx(factor - 1, abs=4 * cause.sd + 1e-3)
    late = "late" if factor > 1 else "early"
    assert f"% {late}, in proportion" in verdict_line(made)
    # It is taken out of the times before the fit, which then agrees as well as with the run itself.
    after = refit(made)
    assert after.reliable
    assert after.problem.fit.system.flow_factor == pytest.approx(
        refit(compared(rows)).problem.fit.system.flow_factor, rel=2e-3
    )
    document = compare_result(made, after).to_dict()
    json.dumps(document, allow_nan=False)
    assert document["deviations"]["cause"]["longer_percent"] == pytest.approx(100 * (factor - 1), abs=0.3)


def test_a_refit_that_does_not_fit_is_not_relied_on(compared: Compare, rows: Rows) -> None:
    made = compared([replace(row, time=row.time + 5 * (-1) ** n) for n, row in enumerate(rows)])
    after = refit(made)
    assert made.verdict == "departs"
    assert not made.another_program
    assert after.misfit > MISFIT
    assert not after.reliable
    told = advice(made, after, False)
    assert told[-1].startswith("Find the cause before re-tuning")
    assert not any("Add --retune" in line for line in told)
    assert (retuned_for(made, after, made.prediction.program) or "").startswith("NOT RELIABLE. ")
    assert refit(compared(rows)).misfit < 1.5


def test_times_that_hold_are_told_from_resolutions_that_do_not(compared: Compare, rows: Rows) -> None:
    made = compared(wider(rows, 1.5))
    assert made.verdict == "unresolved"
    assert made.goal_met is False
    assert verdict_line(made).startswith(
        "Times as predicted, resolution lower than predicted: the largest deviation of a time is "
    )
    # Wider by a half: ln 1.5 over some 3 % of uncertainty of a width.
    assert np.nanmedian(made.width_sigmas) > 5
    assert any(
        "wider than predicted (median)" in each and "standard deviations" in each for each in remarks(made)
    )
    narrower = compared(wider(rows, 1 / 1.5))  # better than promised is no failure
    assert narrower.verdict == "holds"
    assert narrower.goal_met is True


def test_a_run_of_another_program_is_seen(problem: Problem, rows: Rows, tmp_path: Path) -> None:
    current = problem.scenario.current
    assert current is not None
    path = tmp_path / "run.csv"
    write_table(path, rows)
    made = compared_run(
        Fitted(problem.scenario, problem.fit), path, read_peak_table(path), current, "[current]"
    )
    assert made.result.comparison.another_program
    document = made.to_dict()
    assert document["verdict"] == "departs"
    assert "probably made with another program than [current]" in document["says"]
    assert "--candidate N and --results DIR, or with --program FILE" in document["advice"][0]
    assert document["refit"] is None
    assert len(document["warnings"]) < 5


@pytest.mark.parametrize(
    ("factor", "message"),
    [
        (
            60.0,
            r"is far past the end of its oven program \(.* min, .*method.toml\); are the retention times in seconds",
        ),
        (1 / 60, "is below the hold-up time of run 'run'"),
    ],
)
def test_times_in_another_unit_are_refused_as_of_a_scouting_run(
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    rows: Rows,
    tmp_path: Path,
    factor: float,
    message: str,
) -> None:
    run, method = tmp_path / "run.csv", tmp_path / "method.toml"
    # The later ones would be refused by themselves: no retention time is beyond 1000 min.
    early = [row for row in rows if row.time < 900]
    scaled = [replace(row, time=factor * row.time, width=min(factor, 1.0) * row.width) for row in early]
    write_table(run, scaled)
    method.write_text(PROGRAM_FILE, encoding="utf-8")
    assert command.call(monkeypatch, "compare", FOLDER, "--run", run, "--program", method) == 2
    error = " ".join(capsys.readouterr().err.split())
    assert re.search(message, error)


def test_one_number_is_rounded_once(compared: Compare, rows: Rows) -> None:
    """Rounded to four digits first, a resolution of 1.63496 would read 1.64 in one line and 1.63 in the next."""
    made, value = compared(rows), 1.63496
    prediction = made.prediction
    assert prediction.critical is not None
    critical = set(prediction.counted_pairs[prediction.critical].tolist())
    resolution = prediction.resolution.copy()
    resolution[prediction.critical] = value
    pairs = tuple(
        replace(pair, predicted=value) if {pair.a, pair.b} == critical else pair for pair in made.pairs
    )
    made = replace(made, prediction=replace(prediction, resolution=resolution), pairs=pairs)
    result = compare_result(made, None)
    document, names = result.to_dict(), list(made.prediction.critical_pair or ())
    shown = next(pair for pair in document["pairs"] if pair["between"] == names)
    assert document["smallest_resolution"]["predicted"] == shown["predicted"] == 1.63
    assert "predicted 1.63 ±" in critical_line(result.smallest)


def test_the_critical_pair_is_named_with_what_it_needs(compared: Compare, rows: Rows) -> None:
    smallest = compare_result(compared(rows), None).smallest
    assert {smallest.predicted_needed, smallest.found_needed} <= {1.5, 2.0}
    assert critical_line(smallest).startswith("Critical pair ")
    assert f"({smallest.found_needed:.2f} needed)" in critical_line(smallest)


def test_the_run_can_be_pasted_as_a_scouting_run(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], rows: Rows, tmp_path: Path
) -> None:
    run, method, out, folder = (tmp_path / name for name in ("run.csv", "method.toml", "out", "with_run"))
    write_table(run, [*rows, replace(rows[0], compound="X 1", time=rows[0].time + 90)])
    method.write_text(PROGRAM_FILE, encoding="utf-8")
    asked = ("compare", FOLDER, "--run", run, "--program", method, "--out", out)
    assert command.call(monkeypatch, *asked) == 0
    copytree(FOLDER, folder)
    text = (folder / "scenario.toml").read_text("utf-8")
    block = (out / "scouting_run.toml").read_text("utf-8")
    (folder / "scenario.toml").write_text(f"{text}\n{block}", encoding="utf-8")
    (folder / "scouting_run.csv").write_bytes((out / "scouting_run.csv").read_bytes())
    scenario = load_scenario(folder)
    added = scenario.runs[-1]
    assert added.name == "run"
    assert added.day == "day of run" != scenario.runs[0].day
    assert added.repeatability == pytest.approx(REPEATABILITY)
    assert set(added.peaks.compounds) == {row.compound for row in rows}  # the unknown peak is no new compound
    assert fit_scenario(scenario).testable
    assert "tuned.toml" not in {each.name for each in out.iterdir()}
