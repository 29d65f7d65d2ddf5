"""Sweeps of set points and the window diagram of a scenario: numbers, options, limits; the command and its files."""

from __future__ import annotations

import csv
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from models.column.programs import CarrierProgram, Program, Ramp, batch_of
from models.column.retention import Retention, ln_retention_factor, with_typical_values
from models.column.system import hold_up_time
from models.units import flow_si, kelvin
from optimizer.base.errors import ScenarioError
from optimizer.goal.goal import Problem, problem_of
from optimizer.goal.predict import predict
from optimizer.goal.set_point_names import set_points_of
from optimizer.methods.sweep import Sweep, sweep
from optimizer.methods.sweep_axes import parse_axes
from optimizer.methods.window_sweep import window_sweep
from optimizer.results.candidate import json_bytes
from optimizer.results.sweep import sweep_document
from optimizer.scenario.instrument_data import CoolDown
from optimizer.scenario.program_files import read_candidates
from optimizer.scenario.program_tables import program_document
from optimizer.scenario.reading import load_scenario
from optimizer.search.found import FEASIBLE
from tests.optimizer.command import call
from tests.optimizer.interrupted import contents
from tests.optimizer.made_up import (
    AMBIENT,
    ISOTHERMAL,
    PRESSURE_RAMP,
    TWO_RAMPS,
    compounds,
    made_up_fit,
    made_up_scenario,
    names_of,
)

FLOW_RAMP = Program(
    TWO_RAMPS.oven,
    CarrierProgram("flow", flow_si(1.0), 120.0, (replace(PRESSURE_RAMP.carrier.ramps[0], rate=flow_si(0.01),
                                                          target=flow_si(2.0)),)),
)  # fmt: skip
VELOCITY = replace(TWO_RAMPS, carrier=CarrierProgram("velocity", 0.35))
PROGRAMS = {
    "isothermal": ISOTHERMAL,
    "two ramps": TWO_RAMPS,
    "pressure ramp": PRESSURE_RAMP,
    "flow ramp": FLOW_RAMP,
    "velocity": VELOCITY,
}


def problem_of_compounds(retention: Retention, outlet: float = AMBIENT) -> Problem:
    fit = made_up_fit(retention)
    fit = replace(fit, system=replace(fit.system, outlet_pressure=outlet))
    return problem_of(made_up_scenario(names_of(len(retention)), retention, outlet=outlet), fit)


def problem_with(outlet: float = AMBIENT, count: int = 8) -> Problem:
    return problem_of_compounds(compounds(count), outlet)


@pytest.fixture(scope="module")
def problem() -> Problem:
    return problem_with()


@pytest.fixture(scope="module")
def easy() -> Problem:
    """Four compounds, two of them as close as slow runs at a fair flow resolve."""
    return problem_of_compounds(with_typical_values(np.array([370.0, 400.0, 440.0, 440.8])))


def swept(problem: Problem, program: Program, *vary: str) -> Sweep:
    return sweep(problem, program, parse_axes(vary, program, AMBIENT, "[current]"))


@pytest.mark.parametrize("program", PROGRAMS.values(), ids=PROGRAMS)
def test_names_are_distinct_and_set_what_they_read(program: Program) -> None:
    points = set_points_of(program, AMBIENT)
    assert len({point.name for point in points}) == len(points)
    for point in points:
        value = point.value(program)
        moved = point.moved(program, value + 1.0)
        assert point.value(moved) == pytest.approx(value + 1.0, rel=1e-12)
        others = [other for other in points if other != point]
        assert [other.value(moved) for other in others] == [other.value(program) for other in others]


def test_names_of_the_programs() -> None:
    def names(program: Program) -> list[str]:
        return [point.name for point in set_points_of(program, AMBIENT)]

    assert names(ISOTHERMAL) == ["start_C", "inlet_kPa"]
    assert names(TWO_RAMPS) == [
        "start_C", "hold_min", "rate1_C_per_min", "to1_C", "hold1_min", "rate2_C_per_min", "to2_C", "flow_mL_min",
    ]  # fmt: skip
    assert names(PRESSURE_RAMP)[-4:] == [
        "carrier_start_kPa", "carrier_hold_min", "carrier_rate1_kPa_per_min", "carrier_to1_kPa",
    ]  # fmt: skip
    assert "carrier_rate1_mL_per_min2" in names(FLOW_RAMP)
    assert names(VELOCITY)[-1] == "velocity_cm_s"


def test_values_are_in_the_benchs_units() -> None:
    values = {point.name: point.value(PRESSURE_RAMP) for point in set_points_of(PRESSURE_RAMP, AMBIENT)}
    assert values == pytest.approx(
        {
            "start_C": 60.0,
            "hold_min": 0.0,
            "rate1_C_per_min": 15.0,
            "to1_C": 260.0,
            "carrier_start_kPa": 80.0,
            "carrier_hold_min": 1.0,
            "carrier_rate1_kPa_per_min": 10.0,
            "carrier_to1_kPa": 180.0,
        }
    )


@pytest.mark.parametrize("outlet", [AMBIENT, 0.0], ids=["ambient", "vacuum"])
@pytest.mark.parametrize("program", PROGRAMS.values(), ids=PROGRAMS)
def test_every_run_of_a_sweep_is_the_prediction_of_its_program(program: Program, outlet: float) -> None:
    """One set point of the oven, one of the carrier, together; each run against `predict` by itself.

    Tolerances are what the engine promises of a program alone or among others: widths to 1e-3, times to 1e-4.
    """
    problem = problem_with(outlet)
    oven, carrier = set_points_of(program, AMBIENT)[0], set_points_of(program, AMBIENT)[-1]
    low, high = carrier.value(program) * 0.8, carrier.value(program) * 1.3
    found = swept(problem, program, "start_C=45:115:3", f"{carrier.name}={low}:{high}:4")
    assert found.shape == (3, 4)
    assert np.isfinite(found.run_time).any()
    names = problem.scenario.compounds
    for at, (T, value) in enumerate(found.combinations):
        assert not found.reasons[at]
        single = predict(problem, carrier.moved(oven.moved(program, T), value))
        if not np.all(np.isfinite(single.retention)):
            assert np.isnan(found.run_time[at])
            assert found.breaks(at)
            continue
        assert single.critical is not None
        assert found.resolution[at] == pytest.approx(single.min_resolution, rel=1e-3)
        assert tuple(names[m] for m in found.critical[at]) == single.critical_pair
        last = np.argmax(single.retention)
        after = 0.005 * single.retention[last] + 1.5 * single.width_half[last]
        assert found.run_time[at] == pytest.approx(single.retention[last] + after, rel=1e-4)


def test_isothermal_run_time_is_hold_up_time_and_retention_factor(problem: Problem) -> None:
    """tR = tM (1 + k) of the last peak, from the closed forms; 0.5 % and 1.5 half-height widths come on top."""
    found = swept(problem, ISOTHERMAL, "start_C=100:200:6")
    fit = problem.fit
    T = kelvin(found.combinations[:, 0])
    tM = hold_up_time(fit.system.column, fit.system.gas, T, ISOTHERMAL.carrier.start, AMBIENT)
    last = tM / fit.system.flow_factor * (1 + np.exp(ln_retention_factor(fit.retention, T)).max(axis=1))
    programs = [set_points_of(ISOTHERMAL, AMBIENT)[0].moved(ISOTHERMAL, v) for v in found.axes[0].values]
    widths = problem.assess(batch_of(programs), "polish").width_half.max(axis=1)
    assert found.run_time == pytest.approx(1.005 * last + 1.5 * widths, rel=1e-6)


def test_on_paper_is_every_pair_and_every_limit(easy: Problem) -> None:
    found = swept(easy, TWO_RAMPS, "rate1_C_per_min=2:60:21", "flow_mL_min=0.2:6:21")
    oven, carrier = (axis.point for axis in found.axes)
    kept = []
    for rate, flow in found.combinations:
        program = carrier.moved(oven.moved(TWO_RAMPS, rate), flow)
        assessed = easy.assess(batch_of([program]), "polish")
        kept.append(float(easy.smallest_margin(assessed)[0]) >= FEASIBLE)
    assert 0 < sum(kept) < len(kept)
    assert list(found.nominal) == kept
    # What the picture outlines is what the table says.
    assert list(found.margin >= 0) == kept
    assert list(found.margin_in_draws >= 0) == list(found.feasible)
    assert found.best_nominal is not None
    assert found.run_time[found.best_nominal] == found.run_time[found.nominal].min()


def test_the_best_is_that_of_the_goal(easy: Problem) -> None:
    """Heated further, a run is shorter but the oven takes longer to cool: other set points win the cycle.

    The cycle time is worked out here: 4 min from 250 to 50 °C in a room at 25 °C fix the time constant,
    tau = 4 min/ln(225/25), and 1 min of equilibration follows (docs/theory.md, section 8).
    """
    scenario = easy.scenario
    instrument = replace(scenario.instrument, cool_down=CoolDown(kelvin(250.0), kelvin(50.0), 240.0))
    goal = replace(scenario.goal, minimise="cycle time", min_resolution=0.5, confidence=0.0)
    hurried = replace(
        easy,
        scenario=replace(scenario, instrument=instrument, goal=goal),
        pairs=replace(easy.pairs, needed=np.full(len(easy.pairs.needed), 0.5)),
    )
    one_ramp = replace(TWO_RAMPS, oven=replace(TWO_RAMPS.oven, ramps=(Ramp(20 / 60, kelvin(150.0)),)))
    found = swept(hurried, one_ramp, "to1_C=130:280:31")
    T = found.axes[0].values
    reached = np.minimum(T, 50 + 20 * np.maximum(found.run_time / 60 - 1, 0))
    cycle = found.run_time + 240 * np.log((reached - 25) / 25) / np.log(9) + 60
    assert found.feasible.all()
    assert found.cost == pytest.approx(cycle, rel=1e-6)
    assert found.best == int(cycle.argmin())
    assert found.best != int(found.run_time.argmin())


def test_values_outside_a_limit_are_run_and_marked(problem: Problem) -> None:
    """3 to 5 mL/min, at most 4 are allowed; 430 °C would be too hot for the column."""
    found = swept(problem, TWO_RAMPS, "flow_mL_min=3:5:21")
    beyond = found.axes[0].values > 4 + 1e-9
    assert np.all(np.isfinite(found.resolution))
    assert list(found.allowed) == list(~beyond)
    assert {found.breaks(int(at)) for at in np.flatnonzero(beyond)} == {"largest column flow"}
    hot = swept(problem, ISOTHERMAL, "start_C=300:430:5")
    assert np.all(np.isfinite(hot.run_time))
    assert hot.breaks(4) == "highest column temperature"


def test_a_set_point_on_its_limit_hides_nothing(easy: Problem) -> None:
    """The flow sits exactly on its largest value; where the goal is met must not flicker with rounding."""
    at_limit = replace(TWO_RAMPS, carrier=CarrierProgram("flow", easy.scenario.instrument.max_flow))
    found = swept(easy, at_limit, "to1_C=60:200:41", "rate1_C_per_min=2:60:21")
    assert found.nominal.any()
    assert list(found.margin[found.possible] >= 0) == list(found.nominal[found.possible])


def test_impossible_combinations_are_skipped_and_said(problem: Problem) -> None:
    """Ramp 1 of TWO_RAMPS heats from 50 °C, ramp 2 goes on to 260 °C: targets outside are no such program."""
    found = swept(problem, TWO_RAMPS, "to1_C=40:270:24")
    T = found.axes[0].values
    assert list(found.possible) == list((T >= 50) & (T <= 260))
    assert np.all(np.isnan(found.run_time[~found.possible]))
    assert not found.feasible[~found.possible].any()
    document = sweep_document(found)
    assert [(each["runs"], each["reason"].split(" heats")[0]) for each in document["not_run"]] == [
        (1, "ramp 1"),
        (1, "ramp 2"),
    ]
    assert sum("not run" in warning for warning in document["warnings"]) == 2


def test_no_flow_is_no_run_at_an_ambient_outlet_alone() -> None:
    """Below the room's pressure gas flows only into a vacuum; the pneumatics do not hold that, so it is not allowed."""
    ambient = swept(problem_with(), ISOTHERMAL, "inlet_kPa=-50:100:4")
    assert list(ambient.possible) == [False, False, True, True]
    vacuum = swept(problem_with(0.0), ISOTHERMAL, "inlet_kPa=-50:100:4")
    assert vacuum.possible.all()
    assert vacuum.breaks(0) in ("smallest inlet pressure", "smallest column flow")
    with pytest.raises(ScenarioError, match="nothing flows"):
        swept(problem_with(), ISOTHERMAL, "inlet_kPa=-50:-10:4")


def test_without_pairs_there_is_run_time_and_no_resolution() -> None:
    lonely = problem_with(count=1)
    found = swept(lonely, ISOTHERMAL, "start_C=100:200:5")
    assert np.all(np.isfinite(found.run_time))
    document = sweep_document(found)
    assert {entry["resolution"] for entry in document["runs"]} == {None}
    assert document["feasible"]
    with pytest.raises(ScenarioError, match="no pair"):
        window_sweep(lonely, ISOTHERMAL)


def test_default_counts(problem: Problem) -> None:
    assert swept(problem, ISOTHERMAL, "start_C=100:200").shape == (81,)
    assert swept(problem, ISOTHERMAL, "start_C=100:200", "inlet_kPa=50:200").shape == (41, 41)


BAD_OPTIONS = {
    "unknown": (("tempo=1:2",), ("tempo", "rate1_C_per_min", "flow_mL_min")),
    "nearly": (("to1_c=100:200",), ("did you mean to1_C?",)),
    "no range": (("start_C=60",), ("NAME=FROM:TO",)),
    "no name": (("60:80",), ("NAME=FROM:TO",)),
    "no number": (("start_C=sixty:80",), ("NAME=FROM:TO",)),
    "too many parts": (("start_C=60:80:5:5",), ("NAME=FROM:TO",)),
    "downwards": (("start_C=80:60",), ("FROM must be below TO",)),
    "one value": (("start_C=60:80:1",), ("COUNT must be 2 or more",)),
    "too hot": (("start_C=60:800",), ("800", "-80 to 450 °C")),
    "seconds": (("hold_min=0:1200",), ("1200", "looks like s")),
    "twice the same": (("start_C=60:80", "start_C=60:80"), ("start_C twice",)),
    "three": (("start_C=60:80", "to1_C=100:120", "to2_C=200:220"), ("3 times", "one or two")),
    "none": ((), ("one or two", "start_C")),
    "too many runs": (("start_C=60:80:1000", "to1_C=100:120:1000"), ("1000000 runs", "40000")),
}


@pytest.mark.parametrize(("vary", "parts"), BAD_OPTIONS.values(), ids=BAD_OPTIONS)
def test_bad_options_are_told_plainly(
    problem: Problem, vary: tuple[str, ...], parts: tuple[str, ...]
) -> None:
    with pytest.raises(ScenarioError) as error:
        parse_axes(vary, TWO_RAMPS, AMBIENT, "[current]")
    for part in parts:
        assert part in str(error.value)


@pytest.mark.parametrize("program", [ISOTHERMAL, VELOCITY, FLOW_RAMP], ids=["pressure", "velocity", "flow"])
def test_window_diagram_agrees_with_the_runs(problem: Problem, program: Program) -> None:
    """Purnell: Rs is the needed one times the root of plates over needed plates.

    Purnell takes both widths for that of the later peak, the runs have their own: narrower ahead by at most alpha.
    1.18 and 5.54 are rounded: together 0.3 %.
    """
    found = window_sweep(problem, program)
    diagram, runs = found.diagram, found.runs
    same = [
        set(found.pairs[found.plates_pair[at]]) == set(runs.critical[at]) and np.isfinite(found.plates[at])
        for at in range(len(diagram.values))
    ]
    assert sum(same) > 100
    alpha = diagram.alpha[np.arange(len(diagram.values)), found.plates_pair]
    by_plates = runs.needed * np.sqrt(found.plates / found.needed_plates)
    near = np.array(same) & (alpha < 1.2)
    ratio = runs.resolution[near] / by_plates[near]
    room = (alpha[near] - 1) / 2
    assert near.any()
    assert np.all(ratio > 1 - 0.003)
    assert np.all(ratio < 1 + room * 1.05 + 0.003)
    # The tops of the windows are among the temperatures, and nothing between lies higher.
    assert diagram.windows[0].alpha == pytest.approx(diagram.smallest.max(), rel=1e-12)
    assert found.needed_plates[found.fewest_plates] == found.needed_plates.min()


@pytest.mark.parametrize(
    ("options", "rows"),
    [
        (("--vary", "start_C=80:140:15"), 15),
        (("--vary", "start_C=80:140:7", "--vary", "inlet_kPa=50:150:5"), 35),
        (("--window",), None),
    ],
    ids=["one", "two", "window"],
)
def test_the_command_leaves_its_files(
    options: tuple[str, ...],
    rows: int | None,
    scenario: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    out = tmp_path / "out"
    assert call(monkeypatch, "sweep", scenario, *options, "--out", out, "--json") == 0
    printed = capsys.readouterr()
    document = json.loads(printed.out)
    assert printed.err == ""
    assert document["format"] == 1
    assert set(contents(out)) == {"sweep.json", "sweep.csv", "sweep.png", "sweep.svg"}
    assert json.loads((out / "sweep.json").read_text(encoding="utf-8")) == document
    with (out / "sweep.csv").open(encoding="utf-8", newline="") as file:
        table = list(csv.DictReader(file))
    entries = document["runs"] if rows else document["temperatures"]
    assert len(table) == len(entries)
    assert rows is None or len(table) == rows
    assert [row["run_time_min"] for row in table] == [str(entry["run_time_min"]) for entry in entries]
    assert call(monkeypatch, "sweep", scenario, *options) == 0
    text = capsys.readouterr().out
    assert ("critical" if rows else "pair with that alpha") in text
    assert any(name in text for name in load_scenario(scenario).compounds)


def test_the_table_of_a_map_is_the_same_way_round_as_its_picture(
    scenario: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The first set point to the right, the second upward, as the axes of the picture."""
    vary = ("--vary", "start_C=100:140:2", "--vary", "inlet_kPa=60:150:3")
    assert call(monkeypatch, "sweep", scenario, *vary, "--json") == 0
    runs = json.loads(capsys.readouterr().out)["runs"]
    assert call(monkeypatch, "sweep", scenario, *vary) == 0
    lines = [line.split("│")[1:-1] for line in capsys.readouterr().out.splitlines() if line.startswith("│")]
    assert [line[0].strip() for line in lines] == ["150", "105", "60"]
    by_place = {(each["set"]["start_C"], each["set"]["inlet_kPa"]): each for each in runs}
    for inlet, (_, *cells) in zip((150.0, 105.0, 60.0), lines, strict=True):
        for start, cell in zip((100.0, 140.0), cells, strict=True):
            assert f"/ {by_place[start, inlet]['run_time_min']:.2f}" in cell


def test_the_table_shows_the_best_run_and_the_edges(
    scenario: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert call(monkeypatch, "sweep", scenario, "--vary", "start_C=60:200:281", "--json") == 0
    document = json.loads(capsys.readouterr().out)
    assert call(monkeypatch, "sweep", scenario, "--vary", "start_C=60:200:281") == 0
    text = capsys.readouterr().out
    assert document["best"] is not None
    assert document["confidence"] == 0.9
    assert f"met ({100 * document['best']['pass_probability']:.0f} % probability), shortest run time" in text
    for low, high in document["feasible_ranges"] + document["on_paper_ranges"]:
        assert f" {low:g} " in text
        assert f" {high:g} " in text


def test_a_candidate_is_read_back_as_it_was_written(tmp_path: Path) -> None:
    for program in (TWO_RAMPS, PRESSURE_RAMP, FLOW_RAMP, VELOCITY, ISOTHERMAL):
        file = tmp_path / "candidates.json"
        document = {"format": 1, "candidates": [{"rank": 1, **program_document(program, AMBIENT)}]}
        file.write_bytes(json_bytes(document))
        read = read_candidates(file, AMBIENT, 1)[0]
        values = [[p.value(each) for p in set_points_of(each, AMBIENT)] for each in (read, program)]
        assert values[0] == pytest.approx(values[1], rel=1e-5)


def test_the_command_takes_a_candidate_or_a_program(
    scenario: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "candidates.json"
    file.write_bytes(json_bytes({"candidates": [program_document(TWO_RAMPS, AMBIENT)]}))
    assert call(monkeypatch, "sweep", scenario, "--results", file, "--vary", "to1_C=60:200:5", "--json") == 0
    document = json.loads(capsys.readouterr().out)
    assert document["program"]["oven"]["ramps"][0]["to_C"] == 120
    assert document["vary"][0]["as_it_is"] == 120
    program = tmp_path / "program.toml"
    program.write_text(
        'oven = { start_C = 90 }\ncarrier = { mode = "constant velocity", velocity_cm_s = 35 }\n',
        encoding="utf-8",
    )
    options = ("--program", program, "--vary", "velocity_cm_s=20:60:5", "--json")
    assert call(monkeypatch, "sweep", scenario, *options) == 0
    assert len(json.loads(capsys.readouterr().out)["runs"]) == 5


def test_wrong_use_exits_with_two(
    scenario: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def message(*options: str | Path) -> str:
        assert call(monkeypatch, "sweep", scenario, *options) == 2
        printed = capsys.readouterr()
        assert printed.out == ""
        assert "Traceback" not in printed.err
        return " ".join(printed.err.split())

    bad = tmp_path / "candidates.json"
    bad.write_text("not json", encoding="utf-8")
    assert "is not JSON" in message("--results", bad, "--vary", "start_C=60:80")
    bad.write_text('{"candidates": []}', encoding="utf-8")
    assert "holds no program" in message("--results", bad, "--vary", "start_C=60:80")
    bad.write_text('{"candidates": [{"oven": {"start_C": 60}}]}', encoding="utf-8")
    assert "candidates[1].carrier" in message("--results", bad, "--vary", "start_C=60:80")
    bad.write_text("[]", encoding="utf-8")
    assert "holds no candidates" in message("--results", bad, "--vary", "start_C=60:80")
    assert "one or two set points" in message()
    assert "leave --vary out" in message("--window", "--vary", "start_C=60:80")
    assert "both" in message("--program", bad, "--results", bad, "--vary", "start_C=60:80")
    text = (scenario / "scenario.toml").read_text(encoding="utf-8")
    start, end = text.index("[current]"), text.index("[goal]")
    (scenario / "scenario.toml").write_text(text[:start] + text[end:], encoding="utf-8")
    assert "no [current]" in message("--vary", "start_C=60:80")
