"""Which of the columns that a laboratory owns, and with which gas."""

from __future__ import annotations

import csv
import io
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from rich.console import Console

from benchmarks.mixtures import mixture
from models.column.programs import CarrierProgram, OvenProgram, Program, Ramp, batch_of
from models.column.system import Column
from models.errors import InvalidInputError
from models.peaks.migration import migrate, migration_tables
from models.units import flow_si, kelvin
from optimizer.app.interface_adapt import OwnedColumns
from optimizer.goal.goal import Problem
from optimizer.methods.adapt import adapt, on_new_system
from optimizer.methods.adapt_options import Change
from optimizer.methods.columns.choice import ColumnChoice, OnColumn, choose_column
from optimizer.results.adapt import COLUMN_HEADINGS, column_rows, columns_lead
from optimizer.scenario.instrument_data import OwnedColumn
from tests.optimizer.bad_inputs import write_good_scenario
from tests.optimizer.command import call
from tests.reference.adapter import reference_peak

METHOD = Program(
    OvenProgram(kelvin(60.0), 60.0, (Ramp(15 / 60, kelvin(250.0), 60.0),)),
    CarrierProgram("flow", float(flow_si(1.2))),
)


def owned(
    name: str, length: float, bore: float, film: float, *gases: str, limit: float = 320.0
) -> OwnedColumn:
    return OwnedColumn(
        name=name,
        length=length,
        inner_diameter=bore * 1e-3,
        film_thickness=film * 1e-6,
        max_temperature=kelvin(limit),
        gases=gases,  # type: ignore[arg-type]
    )


COLUMNS = (
    owned("in use", 30.0, 0.25, 0.25),
    owned("narrow", 20.0, 0.18, 0.18, "helium", "hydrogen"),
    owned("thick", 30.0, 0.32, 1.0, limit=280.0),
    owned("capillary", 100.0, 0.05, 0.05),
)


@pytest.fixture(scope="module")
def problem() -> Problem:
    known = mixture(6, 1, 1)
    return replace(known, scenario=replace(known.scenario, columns=COLUMNS, current=METHOD))


@pytest.fixture(scope="module")
def screened(problem: Problem) -> ColumnChoice:
    return choose_column(problem.scenario, problem.fit, METHOD, searched=0)


@pytest.fixture(scope="module")
def found(problem: Problem) -> ColumnChoice:
    return choose_column(problem.scenario, problem.fit, METHOD, rounds=4, searched=3)


def of(choice: ColumnChoice, column: str, gas: str = "helium") -> OnColumn:
    return next(each for each in choice.each if (each.column, each.gas) == (column, gas))


def test_every_column_and_gas_is_carried_as_adapt_carries_it(
    problem: Problem, screened: ColumnChoice
) -> None:
    assert sorted((each.column, each.gas) for each in screened.each) == [
        ("capillary", "helium"),
        ("in use", "helium"),
        ("narrow", "helium"),
        ("narrow", "hydrogen"),
        ("thick", "helium"),
    ]
    narrow = of(screened, "narrow", "hydrogen")
    by_hand = adapt(
        problem.scenario,
        problem.fit,
        METHOD,
        Change(
            gas=narrow.problem.fit.system.gas, length=20.0, inner_diameter=0.18e-3, film_thickness=0.18e-6
        ),
    )
    assert narrow.program == by_hand.after.program
    assert narrow.program_is == "carried"
    thick = of(screened, "thick")
    assert thick.problem is not None
    assert thick.problem.scenario.max_temperature == kelvin(280.0)  # of its own tag


def test_what_cannot_be_set_is_told_with_its_reason(screened: ColumnChoice) -> None:
    """100 m of 0.05 mm ask for far more than 400 kPa at the least flow."""
    capillary = of(screened, "capillary")
    assert capillary.made is None
    assert "limits of inlet pressure and column flow" in capillary.refused
    assert screened.each[-1] is capillary
    assert capillary not in screened.front


def test_the_front_is_what_no_other_one_beats(found: ColumnChoice) -> None:
    """By hand: whatever is off the front is matched by another in all five, within what says nothing."""
    able = [each for each in found.each if each.prediction is not None and not each.breaks]
    assert 1 <= len(found.front) <= len(able)

    def numbers(on: OnColumn) -> np.ndarray:
        return np.nan_to_num(
            np.array([-on.pass_probability, on.run_time, on.cycle_time, on.pressure, on.flow])
        )

    slack = np.array([0.011, 0.61, 0.61, 1.1e3, 1.1e-10])
    for each in able:
        beaten = any((numbers(other) <= numbers(each) + slack).all() for other in able if other is not each)
        assert beaten or each in found.front
    fastest = min(able, key=lambda each: each.run_time)
    assert fastest in found.front


def test_another_column_and_gas_are_chosen(found: ColumnChoice) -> None:
    """Unless somebody looks, the method stays on 30 m with helium: a short narrow column with hydrogen is faster."""
    best = found.best
    assert best is not None
    assert (best.column, best.gas) == ("narrow", "hydrogen")
    assert best.program_is == "searched"
    in_use = of(found, "in use")
    assert in_use.meets
    assert best.run_time < 0.8 * in_use.run_time
    assert columns_lead(found).startswith("The fastest that meets the goal: narrow with hydrogen")
    assert best.total_flow <= float(flow_si(50.0))  # as hydrogen is held to


def test_nominally_every_requirement_counts(problem: Problem) -> None:
    """Without a required probability too, a carried program that elutes too late does not meet the goal."""
    goal = replace(problem.scenario.goal, confidence=0.0, min_resolution=0.1)
    at_ease = replace(problem.scenario, columns=COLUMNS[:1], goal=goal)
    carried = choose_column(at_ease, problem.fit, METHOD, searched=0).each[0]
    assert carried.meets
    late = replace(at_ease, goal=replace(goal, latest_elution=60.0))
    assert not choose_column(late, problem.fit, METHOD, searched=0).each[0].meets


def test_tolerances_of_a_new_column_are_drawn(problem: Problem) -> None:
    """10 % of film is 3 K of 30 in T0 for all compounds; the column in use keeps what its fit says."""
    scenario, fit = problem.scenario, problem.fit
    change = Change(length=20.0)
    M = len(fit.retention)
    exact = replace(scenario, tolerances=replace(scenario.tolerances, bore=0.0, film=0.0))
    of_tag, _ = on_new_system(exact, fit, change)
    assert np.diag(of_tag.covariance)[: 3 * M] == pytest.approx(0)
    new, _ = on_new_system(scenario, fit, change)
    sd = np.sqrt(np.diag(new.covariance)[:M])
    even = np.sqrt((0.1**2 + 0.02**2) / 3)  # of a share anywhere within the tolerance
    assert sd == pytest.approx(even * fit.retention.theta, rel=0.1)
    same, _ = on_new_system(scenario, fit, Change(gas=fit.system.gas))
    assert same.covariance is fit.covariance


def test_a_thick_film_elutes_as_the_reference_integrator_says_of_the_free_bore(problem: Problem) -> None:
    """Another integrator, a tube of the free bore, at constant pressure: 0.53 mm with 5 µm."""
    wide = Column(30.0, 0.53e-3, 5e-6)
    change = Change(length=30.0, inner_diameter=0.53e-3, film_thickness=5e-6, inlet_pressure=130e3)
    cooler = replace(METHOD, oven=OvenProgram(kelvin(60.0), 60.0, (Ramp(15 / 60, kelvin(180.0), 60.0),)))
    made = adapt(problem.scenario, problem.fit, cooler, change)
    system, program = made.new.fit.system, made.after.program
    assert program.carrier.controlled == "pressure"
    # A porous layer as thick narrows the bore.
    free = replace(system, column=Column(30.0, 0.53e-3, 5e-6, porous=True), flow_factor=1.0)
    assert free.column.radius == pytest.approx(wide.free_radius)
    tables = migration_tables(system, made.new.fit.retention, "pressure")  # diffusion as is typical
    widths = migrate(tables, batch_of([program]), "polish").width[0]
    for m in (0, 3):
        peak = reference_peak(free, made.new.fit.retention, m, program)
        assert peak is not None
        assert made.after.retention[m] == pytest.approx(peak.time, rel=1e-6)
        assert widths[m] == pytest.approx(peak.width, rel=1e-4)


def test_documents_table_page_and_files_say_the_same(found: ColumnChoice) -> None:
    made = OwnedColumns(found)
    files = made.files()
    assert set(files) == {"columns.json", "columns.csv", "columns.xlsx", "columns.html", "program.toml"}
    document = json.loads(files["columns.json"])
    assert document["best"] == {"column": "narrow", "gas": "hydrogen"}
    first = document["columns"][0]
    assert (first["column"], first["program"], first["meets_goal"], first["on_front"]) == (
        "narrow",
        "searched",
        True,
        True,
    )
    best = found.best
    assert best is not None
    assert first["run_time_min"] == pytest.approx(best.run_time / 60, abs=1e-3)
    assert first["inlet_highest_kPa"] == pytest.approx((best.pressure - 101325.0) / 1e3, abs=0.06)  # gauge
    lines = list(csv.DictReader(io.StringIO(files["columns.csv"].decode().partition("\n#")[0])))
    assert [line["column"] for line in lines] == [each.column for each in found.each]
    rows = column_rows(found)
    assert all(len(row) == len(COLUMN_HEADINGS) for row in rows)
    assert [row[0].split(" (")[0] for row in rows[:2]] == ["1. narrow", f"2. {found.each[1].column}"]
    page = files["columns.html"].decode()
    assert page.count("<svg") + page.count("data:image/svg") >= 1
    for row in rows:
        assert row[5] in page
    console = Console(record=True, width=200)
    made.show(console)
    text = console.export_text()
    assert "The fastest that meets the goal: narrow with hydrogen" in text
    assert "Hydrogen explodes from 4 % in air" in text


def test_where_none_meets_the_goal_the_resolution_that_is_lacking_decides(problem: Problem) -> None:
    """A resolution of 200 is far beyond every column."""
    goal = replace(problem.scenario.goal, min_resolution=200.0)
    hopeless = replace(problem.scenario, goal=goal, columns=COLUMNS[:2])
    choice = choose_column(hopeless, problem.fit, METHOD, searched=0)
    assert choice.best is None
    lacking = [
        1 - each.prediction.min_resolution / 200.0 for each in choice.each if each.prediction is not None
    ]
    assert lacking == sorted(lacking)
    assert "comes closest: 0 % probability (simulated), the worst pair lacks" in columns_lead(choice)


def test_without_columns_it_says_what_to_state(problem: Problem) -> None:
    none = replace(problem.scenario, columns=())
    with pytest.raises(InvalidInputError, match=r"there are no \[\[columns\]\] to try"):
        choose_column(none, problem.fit, METHOD)


def test_the_command_and_what_it_refuses(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    write_good_scenario(tmp_path)
    file = tmp_path / "scenario.toml"
    column = (
        '[[columns]]\nname = "short"\nlength_m = 15\ninner_diameter_mm = 0.25\nfilm_thickness_um = 0.25\n'
    )
    file.write_text(f"{file.read_text('utf-8')}\n{column}max_temperature_C = 300\n", encoding="utf-8")
    assert call(monkeypatch, "adapt", tmp_path, "--all", "--no-tune", "--json") in (0, 3)
    document = json.loads(capsys.readouterr().out)
    assert [(each["column"], each["program"]) for each in document["columns"]] == [("short", "carried")]
    assert call(monkeypatch, "adapt", tmp_path, "--all", "--gas", "hydrogen") == 2
    assert "--all takes columns and gases from [[columns]]" in capsys.readouterr().err
