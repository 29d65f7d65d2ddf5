"""`[[column.segments]]` from the file to fit, prediction and trim, and what ignoring a guard column or a line costs.

The runs are those of a column behind a guard, or before a hot line, marched in metres by tests/reference/series (own).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from models.column.carrier_gas import CARRIER_GASES
from models.column.passage import length_as_alone
from models.column.pieces import Bare
from models.column.programs import CarrierProgram, OvenProgram, Program, Ramp, batch_of
from models.column.retention import ln_retention_factor, with_typical_values
from models.units import kelvin
from optimizer.app.interface_results import Predicted
from optimizer.base.errors import ScenarioError
from optimizer.base.quantities import SegmentLength, quantity_of
from optimizer.base.tables import written
from optimizer.campaign.history import program_to_run
from optimizer.goal.goal import problem_of
from optimizer.goal.predict import predict
from optimizer.methods.trim import trim
from optimizer.methods.workflow import fit_scenario
from optimizer.results.scenario_words import inputs
from optimizer.scenario.conversion import tables_of
from optimizer.scenario.reading import load_scenario
from tests.optimizer.command import call
from tests.reference.instrument import HALF_HEIGHT, helium_viscosity
from tests.reference.integrator import Band, Peak, Stretch
from tests.reference.series import Section, follow_series

AMBIENT = 101325.0
INLET = 200e3
NAMES = ("A", "B", "C")
RETENTION = with_typical_values(np.array([365.0, 415.0, 470.0]))
GUARD = '[[column.segments]]\nplace = "before"\nlength_m = 5\ninner_diameter_mm = 0.25\n'
LINE = GUARD.replace("before", "after").replace("= 5", "= 1").replace("0.25", "0.15")
HOT_LINE = LINE + "temperature_C = 280\n"
LAG = 5.0  # s, usual of an oven, behind its set point where the line is marched
MARCHED = {
    GUARD: (Section(5.0, 0.125e-3, 0.0), Section(30.0, 0.125e-3, 0.25e-6)),
    HOT_LINE: (Section(30.0, 0.125e-3, 0.25e-6), Section(1.0, 0.075e-3, 0.0, kelvin(280.0))),
}
COLUMN = (
    "[column]\nlength_m = 30\ninner_diameter_mm = 0.25\nfilm_thickness_um = 0.25\nmin_temperature_C = 40\n"
    "max_temperature_C = 320\n"
)


def peak(rate: float, compound: int | None, joined: str = GUARD) -> Peak:
    """Of a ramp from 50 °C after a minute at a constant pressure, with what is joined."""

    def ln_k(T: float) -> float:
        return -600.0 if compound is None else float(ln_retention_factor(RETENTION, np.array(T))[compound])

    start = 60 + (LAG if joined == HOT_LINE else 0.0)
    hot = start + 250 / rate * 60
    stretches = [
        Stretch(0.0, start, lambda t: 323.15, lambda t: INLET),
        Stretch(start, hot, lambda t: 323.15 + rate / 60 * (t - start), lambda t: INLET),
        Stretch(hot, 1e5, lambda t: 573.15, lambda t: INLET),
    ]
    band = Band(ln_k, 1.5e-4, lambda T: 5e-10 * math.exp(-3608 * (1 / T - 1 / 373.15)), 0.3)
    return follow_series(MARCHED[joined], AMBIENT, helium_viscosity, band, stretches)


@pytest.fixture(scope="module")
def write(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., Path]:
    tables = {}
    for joined in MARCHED:
        for rate in (5, 20):
            peaks = [peak(rate, m, joined) for m in range(3)]
            air = peak(rate, None, joined).time / 60
            tables[joined, rate] = (
                air,
                "compound,retention_min,width_half_min\n"
                + "".join(
                    f"{name},{p.time / 60:.5f},{HALF_HEIGHT * p.width / 60:.5f}\n"
                    for name, p in zip(NAMES, peaks, strict=True)
                ),
            )

    def made(
        column: str,
        carrier: str = f'mode = "constant pressure", inlet_kPa = {(INLET - AMBIENT) / 1e3}',
        runs: str = GUARD,
    ) -> Path:
        folder = tmp_path_factory.mktemp("guard")
        text = column + '[carrier]\ngas = "helium"\n'
        for rate in (5, 20):
            air, table = tables[runs, rate]
            (folder / f"{rate}.csv").write_text(table, encoding="utf-8")
            text += (
                f'[[scouting_runs]]\nname = "{rate}"\npeaks = "{rate}.csv"\nhold_up_min = {air:.5f}\n'
                f"oven = {{ start_C = 50, hold_min = 1, ramps = [{{ rate_C_per_min = {rate}, to_C = 300, "
                f"hold_min = 20 }}] }}\ncarrier = {{ {carrier} }}\n"
            )
        (folder / "scenario.toml").write_text(text, encoding="utf-8")
        return folder

    return made


METHOD = Program(
    OvenProgram(kelvin(50.0), 60.0, (Ramp(10 / 60, kelvin(300.0), 600.0),)), CarrierProgram("pressure", INLET)
)


def test_ignoring_a_guard_changes_what_is_decided_on_an_interpolated_ramp(write: Callable[..., Path]) -> None:
    """Between runs at 5 and 20 °C/min: whether the last peak is out in time."""
    truth = np.array([peak(10, m).time for m in range(3)])
    predicted = {}
    for name, column in (("stated", COLUMN + GUARD), ("ignored", COLUMN)):
        scenario = load_scenario(write(column))
        fit = fit_scenario(scenario)
        predicted[name] = predict(problem_of(scenario, fit), METHOD).retention
        if name == "stated":
            assert fit.system.flow_factor == pytest.approx(1.0, abs=3e-3)
            assert "Column" not in " ".join(fit.warnings)
        else:
            assert "check length, bore" in " ".join((*scenario.warnings, *fit.warnings))
    off = {name: each - truth for name, each in predicted.items()}
    # What is left is the typical lag of an oven, which two ramps hardly tell from retention.
    assert np.abs(off["stated"]).max() < 1.0
    assert np.all(off["ignored"] < -2.0), off
    limit = truth[-1] - 1.5  # the last peak shall have its apex by then, and has it later
    assert predicted["ignored"][-1] < limit < predicted["stated"][-1]


def test_a_line_as_hot_as_it_is_changes_what_is_decided(write: Callable[..., Path]) -> None:
    """Between runs at 5 and 20 °C/min: whether the last peak is out in time; as if the line lay in the oven it is not
    known, and check blames the dimensions."""
    truth = np.array([peak(10, m, HOT_LINE).time for m in range(3)])
    off = {}
    for name, line in (("hot", HOT_LINE), ("in the oven", LINE)):
        scenario = load_scenario(write(COLUMN + line, runs=HOT_LINE))
        fit = fit_scenario(scenario)
        off[name] = predict(problem_of(scenario, fit), METHOD).retention - truth
        assert ("check length" in " ".join(scenario.warnings)) == (name != "hot")
        if name == "hot":
            assert fit.system.flow_factor == pytest.approx(1.0, abs=1e-3)
            assert fit.system.oven_lag == pytest.approx(LAG, abs=0.5)
    # What is left is that of the lag, which two ramps hardly tell from retention.
    assert np.abs(off["hot"]).max() < 0.2
    assert np.all(off["in the oven"] < -5.0), off
    limit = -2.0  # the last peak shall have its apex so much before the truth, and has it later
    assert off["in the oven"][-1] < limit < off["hot"][-1]


def test_a_hot_line_is_shown_and_written_back(write: Callable[..., Path]) -> None:
    scenario = load_scenario(write(COLUMN + HOT_LINE, runs=HOT_LINE))
    assert scenario.column.after == (Bare(1.0, 0.15e-3, kelvin(280.0)),)
    back = written(tables_of(scenario)["column"], scenario.ambient_pressure)
    assert back["segments"] == [
        {"place": "after", "length_m": 1, "inner_diameter_mm": 0.15, "temperature_C": 280}
    ]
    assert (
        "phase not stated, phase ratio 250; 40 to 320 °C; then 1 m × 0.15 mm uncoated at 280 °C"
        in dict(inputs(scenario))["Column"]
    )
    flows = load_scenario(write(COLUMN + HOT_LINE, 'mode = "constant flow", flow_mL_min = 1', HOT_LINE))
    assert "how hot they are" in " ".join(flows.warnings)


@pytest.mark.parametrize("joined", [GUARD, HOT_LINE])
def test_check_shows_what_is_joined(
    write: Callable[..., Path],
    joined: str,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert call(monkeypatch, "check", write(COLUMN + joined, runs=joined)) == 0
    assert 'place = "' in capsys.readouterr().out


def test_trim_counts_a_line_by_its_heat(write: Callable[..., Path]) -> None:
    """What flows at the start falls by eta T r of the oven plus that of the line; independent viscosity and sums."""
    scenario = load_scenario(write(COLUMN + HOT_LINE, runs=HOT_LINE))
    cut = trim(scenario, fit_scenario(scenario), replace(METHOD, carrier=CarrierProgram("flow", 1.5e-8)), 1.0)
    assert cut.to_set_not_entered is not None

    def fall(length: float) -> float:
        oven, line = METHOD.oven.start, kelvin(280.0)
        return (
            helium_viscosity(oven) * oven * length / 0.125**4 + helium_viscosity(line) * line * 1.0 / 0.075**4
        )

    found = cut.to_set_not_entered.exact.carrier.start / cut.to_set.exact.carrier.start
    assert found == pytest.approx(fall(29.0) / fall(30.0), rel=1e-3)


@pytest.mark.parametrize("joined", [GUARD, HOT_LINE])
def test_a_tolerated_cut_is_that_of_trim(write: Callable[..., Path], joined: str) -> None:
    """To first order; one of a guard quickens the coated piece by a quarter to a third of what one of its own would."""
    scenario = load_scenario(write(COLUMN + joined, runs=joined))
    fit = fit_scenario(scenario)
    problem, cut = problem_of(scenario, fit), trim(scenario, fit, METHOD, 0.3)
    slopes = problem.robustness.sensitivity(batch_of([METHOD])).by_shared[0, 0, 0]
    length = length_as_alone(fit.system)
    shift = predict(cut.new, METHOD).retention - predict(problem, METHOD).retention
    assert 2 * math.log1p(0.3 / length) * slopes[-1] == pytest.approx(shift[-1], rel=0.1)


def test_what_is_joined_is_shown_written_back_and_trimmed(write: Callable[..., Path]) -> None:
    scenario = load_scenario(write(COLUMN + GUARD))
    assert scenario.column.before == (Bare(5.0, 0.25e-3),)
    back = written(tables_of(scenario)["column"], scenario.ambient_pressure)
    assert back["segments"] == [
        {"place": "before", "length_m": 5, "inner_diameter_mm": 0.25, "temperature_C": None}
    ]
    assert "5 m × 0.25 mm uncoated, then 30 m × 0.25 mm × 0.25 µm" in dict(inputs(scenario))["Column"]
    fit = fit_scenario(scenario)
    cut = trim(scenario, fit, METHOD, 0.5)
    assert cut.new.scenario.column.before == (Bare(4.5, 0.25e-3),)
    assert cut.new.scenario.column.length == 30.0
    assert np.all(cut.after.retention <= cut.before.retention + 0.5)
    assert CARRIER_GASES["helium"] == scenario.gas


@pytest.mark.parametrize(
    ("column", "carrier", "said"),
    [
        (COLUMN + GUARD.replace("before", "beside"), None, "expected 'before' or 'after'"),
        (COLUMN + GUARD.replace("= 0.25\n", "= 250\n"), None, "250 looks like µm"),
        (COLUMN + GUARD, 'mode = "constant velocity", velocity_cm_s = 30', "average velocity"),
        (COLUMN + HOT_LINE.replace("280", "553"), None, "553 looks like K"),
        (COLUMN + HOT_LINE.replace("280", "536"), None, "or °F, which would be 280 °C"),
        (COLUMN + LINE.replace("after", "behind"), None, "did you mean 'after'?"),
        (COLUMN + LINE.replace("after", "In front"), None, "did you mean 'before'?"),
        (COLUMN + GUARD + "temperature_C = 250\n", None, 'was place = "after" meant?'),
        (COLUMN + HOT_LINE + LINE, None, "column.segments[2]: lies in the oven"),
        (
            COLUMN + "measured = { hold_up_min = 2, inlet_kPa = 100, temperature_C = 100 }\n" + GUARD,
            None,
            "of the column alone",
        ),
    ],
)
def test_what_cannot_be_is_said(
    write: Callable[..., Path], column: str, carrier: str | None, said: str
) -> None:
    with pytest.raises(ScenarioError) as caught:
        load_scenario(write(column) if carrier is None else write(column, carrier))
    assert said in str(caught.value)


def test_a_slip_that_may_be_is_asked_about(write: Callable[..., Path]) -> None:
    warnings = load_scenario(write(COLUMN + HOT_LINE.replace("280", "392"), runs=HOT_LINE)).warnings
    assert "did you mean 392 K, 118.9 °C, or 392 °F, 200 °C?" in " ".join(warnings)
    assert quantity_of(SegmentLength).question(30.0) == "did you mean 30 cm, 0.3 m?"


def test_the_set_points_name_the_line(write: Callable[..., Path]) -> None:
    """So do those of a campaign's next run and of a prediction saved from the page."""
    scenario = load_scenario(write(COLUMN + HOT_LINE, runs=HOT_LINE))
    said = "Line behind the oven: 280 °C (1 m × 0.15 mm)"
    problem = problem_of(scenario, fit_scenario(scenario))
    assert said in Predicted(problem, predict(problem, METHOD)).set_points
    _, points = program_to_run(scenario, METHOD, problem.fit.system, "next")
    assert said in points.decode().splitlines()


@pytest.mark.parametrize(
    ("carrier", "modes", "said"),
    [
        ('mode = "constant flow", flow_mL_min = 1', "constant flow", "run 5 sets flow"),
        (None, "constant flow", "search.carrier_modes has constant flow"),
        (None, "constant pressure", ""),
    ],
)
def test_a_set_flow_asks_whether_the_instrument_knows_the_pieces(
    write: Callable[..., Path], carrier: str | None, modes: str, said: str
) -> None:
    column = f'search = {{ carrier_modes = ["{modes}"] }}\n{COLUMN}{GUARD}'
    folder = write(column) if carrier is None else write(column, carrier)
    warnings = [each for each in load_scenario(folder).warnings if "pieces that are joined" in each]
    assert [each.split(":")[0] for each in warnings] == ([said] if said else [])
