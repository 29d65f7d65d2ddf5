"""A method carried over or trimmed, as objects, documents and commands."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from models.column.programs import CarrierProgram, OvenProgram, Program, Ramp
from models.errors import InvalidInputError
from models.fit.fit import Fit
from models.units import flow_si, kelvin
from optimizer.app import interface_adapt
from optimizer.app.interface_adapt import carried_over, trimmed
from optimizer.base.numbers import percent
from optimizer.goal.goal import problem_of
from optimizer.goal.predict import predict
from optimizer.goal.uncertainty import with_uncertainty
from optimizer.methods.adapt import Adapted, adapt
from optimizer.methods.adapt_options import Change, change_of, cut_of
from optimizer.methods.sweep import sweep
from optimizer.methods.sweep_axes import parse_axes
from optimizer.methods.trim import trim
from optimizer.methods.workflow import fit_scenario
from optimizer.results.adapt import adapted_document, method_rows, outcome_lines
from optimizer.results.set_points import carrier_set_points, program_file
from optimizer.scenario.data import Scenario
from optimizer.scenario.method_checks import split_unknown
from optimizer.scenario.reading import load_scenario, read_program
from optimizer.search.reasons import compared_with
from optimizer.show.pages.methods import adapt_html
from tests.optimizer import command
from tests.optimizer.made_up import made_up_outcome
from tests.optimizer.show.test_report import Reader

DEMO = Path(__file__).parents[3] / "scenarios" / "slow_isothermal"
AMBIENT = 101325.0
RAMPED = Program(
    OvenProgram(kelvin(50.0), 120.0, (Ramp(12 / 60, kelvin(220.0), 300.0),)),
    CarrierProgram("flow", flow_si(1.2)),
)


@pytest.fixture(scope="module")
def demo() -> tuple[Scenario, Fit]:
    scenario = load_scenario(DEMO)
    return scenario, fit_scenario(scenario)


def in_use(scenario: Scenario) -> Program:
    assert scenario.current is not None
    return scenario.current


def to(demo: tuple[Scenario, Fit], method: Program | None = None, **options: object) -> Adapted:
    scenario, fit = demo
    return adapt(scenario, fit, method or in_use(scenario), change_of(scenario, **options))  # type: ignore[arg-type]


def test_an_isothermal_method_keeps_every_ratio_of_times_on_hydrogen(demo: tuple[Scenario, Fit]) -> None:
    made = to(demo, gas="hydrogen")
    assert made.new.fit.system.gas.name == made.new.scenario.gas.name == "hydrogen"
    np.testing.assert_allclose(made.after.retention / made.before.retention, made.hold_up.ratio, rtol=1e-6)
    assert made.hold_up.ratio == pytest.approx(made.hold_up.new / made.hold_up.old)
    # The usual 10 mL/min per mm of bore, as near as steps of 1 kPa come.
    assert made.after.flow[0] == pytest.approx(flow_si(2.5), rel=0.02)
    # The column stays, and the flow correction with it; without a stated limit, hydrogen's cautious one holds.
    assert made.new.fit.system.flow_factor == demo[1].system.flow_factor
    assert made.new.scenario.inlet.max_total_flow == pytest.approx(flow_si(50.0))
    assert made.new.scenario.current == made.after.program


def test_adapt_and_sweep_show_the_pass_probability_that_predict_shows(demo: tuple[Scenario, Fit]) -> None:
    """The same number of the same program in every command: draws that no search has seen, some simulated outright."""
    made = to(demo, gas="hydrogen")
    program = made.after.program
    _, known = with_uncertainty(made.new, predict(made.new, program), exact=True)
    assert made.pass_probability == known.share
    found = sweep(made.new, program, parse_axes(("start_C=90:91:2",), program, AMBIENT, "it"))
    assert found.as_it_is.pass_probability == known.share


def test_of_an_unknown_split_hydrogen_is_not_said_to_be_held_to_a_total_flow(
    demo: tuple[Scenario, Fit],
) -> None:
    """The demo states no split_ratio: with hydrogen `check` says what that means, and so does the carried method."""
    made = to(demo, gas="hydrogen")
    (note,) = (each for each in made.notes if " 50 mL/min" in each)
    assert note.startswith("With hydrogen column flow and septum purge together are held to 50 mL/min")
    unknown = split_unknown(50.0, "with hydrogen")
    assert "the split flow is unknown: only column flow and septum purge are counted" in unknown
    assert unknown in adapted_document(made)["warnings"]
    compared = compared_with(made.new, made.after, made.before)
    assert any(each.startswith("column flow and septum purge (no split_ratio stated) ") for each in compared)
    assert not any("carrier gas" in each for each in compared)

    scenario, fit = demo
    split = replace(scenario, inlet=replace(scenario.inlet, split_ratio=10.0)), fit
    made = to(split, gas="hydrogen")
    assert any(each.startswith("With hydrogen the total flow is held to 50 mL/min") for each in made.notes)
    assert not any("split flow" in each for each in adapted_document(made)["warnings"])
    compared = compared_with(made.new, made.after, made.before)
    assert any(each.startswith("carrier gas ") for each in compared)


def test_a_ramped_method_keeps_its_elution_temperatures_nearly(demo: tuple[Scenario, Fit]) -> None:
    made = to(demo, RAMPED, gas="hydrogen", length_m=20.0, inner_diameter_mm=0.18, film_thickness_um=0.18)
    assert made.new.fit.retention is demo[1].retention  # the phase ratio is the same
    np.testing.assert_allclose(made.after.elution_temperature, made.before.elution_temperature, atol=2.5)
    unscaled = predict(made.new, replace(RAMPED, carrier=made.after.program.carrier))
    assert np.abs(unscaled.elution_temperature - made.before.elution_temperature).max() > 8.0
    assert made.order_changes == ()


def test_a_new_column_starts_without_the_old_ones_correction(demo: tuple[Scenario, Fit]) -> None:
    fit = demo[1]
    made = to(demo, length_m=15.0)
    M = len(fit.retention)
    assert made.new.fit.system.flow_factor == 1.0 != fit.system.flow_factor
    assert made.new.fit.covariance.shape == (3 * M + 2, 3 * M + 2)
    # 2 % of bore, anywhere within, are 4 % of velocity.
    assert made.new.fit.covariance[3 * M, 3 * M] == pytest.approx(0.04**2 / 3)
    # The oven is the same: what is known of its lag, and how it goes with the rest, is kept.
    np.testing.assert_array_equal(made.new.fit.covariance[-1, : 3 * M], fit.covariance[-1, : 3 * M])
    assert any("flow correction" in note for note in made.notes)


def test_another_phase_ratio_moves_the_oven_and_is_told(demo: tuple[Scenario, Fit]) -> None:
    made = to(demo, film_thickness_um=0.5)
    assert made.after.program.oven.start > made.before.program.oven.start + 10
    assert any("phase ratio goes from 250 to 125" in note for note in made.notes)
    # Kept on average: some compounds are retained more than before, some less.
    change = np.log(made.after.retention_factor / made.before.retention_factor)
    assert change.min() < 0 < change.max()
    assert abs(change.mean()) < 0.02  # the oven's step of 1 °C is worth 0.03 at most


def test_the_default_flow_keeps_the_limits(demo: tuple[Scenario, Fit]) -> None:
    scenario, fit = demo
    weak = replace(scenario, instrument=replace(scenario.instrument, max_inlet_pressure=AMBIENT + 120e3))
    made = adapt(weak, fit, RAMPED, Change(length=40.0))
    assert made.after.inlet_pressure.max() <= AMBIENT + 120e3
    assert made.after.inlet_pressure.max() > AMBIENT + 110e3
    assert any("largest that the limits of instrument and inlet allow" in note for note in made.notes)
    with pytest.raises(InvalidInputError, match="was the bore meant in mm"):
        adapt(weak, fit, RAMPED, Change(length=40.0, inner_diameter=0.05e-3, film_thickness=0.05e-6))


def test_a_stated_flow_is_set_as_stated(demo: tuple[Scenario, Fit]) -> None:
    made = to(demo, flow_mL_min=1.234)
    assert made.after.program.carrier == CarrierProgram("flow", flow_si(1.234))
    assert any("kept only nearly" in note for note in made.notes)
    held = to(demo, inlet_kPa=77.7, outlet="vacuum")
    assert held.after.program.carrier == CarrierProgram("pressure", AMBIENT + 77.7e3)
    assert held.new.fit.system.outlet_pressure == 0.0


def test_a_cut_shortens_by_the_square_and_pressure_restores_everything(demo: tuple[Scenario, Fit]) -> None:
    scenario, fit = demo
    made = trim(scenario, fit, in_use(scenario), 0.6)
    share = made.entered.retention / made.before.retention
    np.testing.assert_allclose(share, (29.4 / 30.0) ** 2, rtol=1e-6)
    assert made.not_entered is None
    assert made.marker == made.before.compounds[made.before.order[-1]]
    # At constant pressure what restores one restores all.
    restored = predict(made.new, made.to_set.exact)
    np.testing.assert_allclose(restored.retention, made.before.retention, rtol=1e-6)
    assert made.to_set.exact.carrier.start < in_use(scenario).carrier.start
    assert (made.after.program.carrier.start - AMBIENT) / 1e3 % 1 == pytest.approx(0.0, abs=1e-6)


def test_at_constant_flow_it_matters_which_length_is_entered(demo: tuple[Scenario, Fit]) -> None:
    scenario, fit = demo
    made = trim(scenario, fit, RAMPED, 3.0, marker="n-undecane")
    at = scenario.compounds.index("n-undecane")
    assert made.not_entered is not None
    assert made.to_set_not_entered is not None
    assert predict(made.new, made.to_set.exact).retention[at] == pytest.approx(
        made.before.retention[at], rel=1e-7
    )
    assert abs(made.entered.retention[at] / made.before.retention[at] - 1) > 0.01
    assert made.not_entered.retention[at] < made.entered.retention[at]

    # Independently: pneumatics that still compute with 30 m, on a column whose velocity is (30/27)^2 of nominal.
    factor = fit.system.flow_factor * (30.0 / 27.0) ** 2
    believed = problem_of(scenario, replace(fit, system=replace(fit.system, flow_factor=factor)))
    np.testing.assert_allclose(predict(believed, RAMPED).retention, made.not_entered.retention, rtol=1e-6)
    back = predict(believed, made.to_set_not_entered.exact)
    assert back.retention[at] == pytest.approx(made.before.retention[at], rel=1e-6)


def test_what_is_to_be_set_is_what_the_instrument_takes(demo: tuple[Scenario, Fit]) -> None:
    scenario, fit = demo
    step = scenario.instrument.steps.flow
    made = trim(scenario, fit, RAMPED, 3.0, marker="n-undecane")
    at = scenario.compounds.index("n-undecane")
    assert made.to_set_not_entered is not None
    for each in (made.to_set, made.to_set_not_entered):
        assert each.carrier.start / step == pytest.approx(round(each.carrier.start / step))
    # Set as rounded with 30 m entered, on a column whose velocity is (30/27)^2 of nominal, as above.
    factor = fit.system.flow_factor * (30.0 / 27.0) ** 2
    believed = problem_of(scenario, replace(fit, system=replace(fit.system, flow_factor=factor)))
    again = predict(believed, replace(RAMPED, carrier=made.to_set_not_entered.carrier))
    assert again.retention[at] == pytest.approx(made.to_set_not_entered.marker, rel=1e-6)

    document = adapted_document(made)
    setting, otherwise = document["to_set"], document["to_set_if_old_length_stays_entered"]
    assert setting["marker_min"] == pytest.approx(made.after.retention[at] / 60, abs=1e-4)
    assert otherwise["marker_min"] == pytest.approx(again.retention[at] / 60, abs=1e-4)
    assert setting["carrier"] == document["restored"]["carrier"]
    assert otherwise["between_steps"]["flow_mL_min"] == pytest.approx(
        made.to_set_not_entered.exact.carrier.start * 6e7, abs=6e-4
    )


def test_a_pressure_is_written_in_one_way_only(demo: tuple[Scenario, Fit]) -> None:
    """In the document, the table and the sentences: no more than a tenth of a kPa, rounded once."""
    scenario, fit = demo
    document = adapted_document(trim(scenario, fit, in_use(scenario), 0.6))
    exact = document["to_set"]["between_steps"]["inlet_kPa"]
    assert exact == round(exact, 1) == 95.9
    for method in (document["in_use"], document["trimmed"], document["restored"]):
        for end in method["inlet_pressure"].values():
            assert all(value == round(value, 1) for value in end.values())
        set_value = method["carrier"]["inlet_kPa"]
        assert method["inlet_pressure"]["lowest"]["gauge_kPa"] == pytest.approx(set_value)


def test_methods_side_by_side_tell_what_their_critical_pair_needs(demo: tuple[Scenario, Fit]) -> None:
    """Resolutions that need differ are no figures to be held against one another."""
    scenario, fit = demo
    made = trim(scenario, fit, in_use(scenario), 0.6)
    needed = np.full_like(made.before.needed, 1.2)
    made = replace(made, before=replace(made.before, needed=needed))
    first, _, third = dict(method_rows(made))["resolution of the critical pair"]
    for text, prediction, least in ((first, made.before, "1.20"), (third, made.after, "1.50")):
        a, b = prediction.critical_pair or ("", "")
        assert text == f"{prediction.min_resolution:.2f} ({least} needed) for {a} and {b}"


def html(made: interface_adapt.Adapted) -> str:
    return made.files()["adapt.html"].decode()


def test_the_page_holds_both_methods(demo: tuple[Scenario, Fit]) -> None:
    scenario, fit = demo
    made = carried_over(scenario, fit, in_use(scenario), change_of(scenario, gas="hydrogen", length_m=20.0))
    page = Reader(html(made))
    assert page.open == []
    for tag, attributes in page.tags:
        assert tag not in ("script", "link", "iframe", "object")
        assert attributes.get("src", "data:").startswith("data:")
        assert attributes.get("href", "#").startswith("#")
    assert ["column", "30 m x 0.25 mm x 0.25 µm", "20 m x 0.25 mm x 0.25 µm"] in page.rows
    assert ["carrier gas", "helium, outlet ambient", "hydrogen, outlet ambient"] in page.rows
    document = made.to_dict()
    peaks = document["peaks"]
    rows = [row for row in page.rows if row[0] in scenario.compounds]
    assert [row[:3] for row in rows] == [
        [each["compound"], f"{each['in_use_min']:.3f}", f"{each['carried_min']:.3f}"] for each in peaks
    ]
    for line in (*document["notes"], *document["warnings"], *document["cautions"]):
        assert " ".join(line.split()) in page.text
    assert document["cautions"]
    steps = carrier_set_points(made.program.carrier, AMBIENT).steps
    assert any(row[:2] == ["all along", steps[0].to] for row in page.rows)
    assert html(made).count("data:image/svg+xml") == 2


def test_what_meets_the_goal_is_offered_first(demo: tuple[Scenario, Fit]) -> None:
    """A carried method that fails does not stand at the head of the page with its run time."""
    scenario, fit = demo
    made = carried_over(scenario, fit, in_use(scenario), change_of(scenario, gas="hydrogen", length_m=20.0))
    assert isinstance(made.found, Adapted)
    after = made.found.after
    best = made_up_outcome([replace(after, run_time=after.run_time + 66.0)]).candidates[0]
    meets = replace(made.found, pass_probability=1.0)
    fails = replace(made.found, pass_probability=0.02)
    tuned = f"→ {best.prediction.run_time / 60:.2f} min"
    for found, offered, first in (
        (meets, f"→ {after.run_time / 60:.2f} min", "Set points, carried"),
        (fails, tuned, "Tuned:"),
    ):
        page = Reader(adapt_html(found, replace(best, feasible=True))).text
        assert offered in page
        other = {"Set points, carried": "Tuned:", "Tuned:": "Set points, carried"}[first]
        assert page.index(offered) < page.index(first) < page.index(other)
    alone = Reader(adapt_html(fails, None)).text
    assert alone.index("Goal not met") < alone.index("Set points, carried")


def test_the_page_of_a_cut_names_the_marker_and_what_to_set(demo: tuple[Scenario, Fit]) -> None:
    scenario, fit = demo
    made = trimmed(scenario, fit, RAMPED, 3.0, "n-undecane")
    page = Reader(html(made))
    for line in outcome_lines(made.found):
        assert line in page.text
    assert "n-undecane (marker)" in [row[0] for row in page.rows]
    known = next(row for row in page.rows if row[0] == "compound")
    assert len(known) == 5  # before, both ways of entering the length, restored


def test_names_are_text_in_the_page(demo: tuple[Scenario, Fit]) -> None:
    scenario, fit = demo
    odd = "<script>alert(1)</script>"
    made = carried_over(replace(scenario, title=odd), fit, in_use(scenario), Change(length=20.0))
    assert "<script" not in html(made)
    assert odd in Reader(html(made)).text


def test_options_are_held_against_their_ranges(demo: tuple[Scenario, Fit]) -> None:
    scenario, fit = demo
    with pytest.raises(InvalidInputError, match=r"--inner-diameter-mm 250: .*looks like µm"):
        change_of(scenario, inner_diameter_mm=250.0)
    with pytest.raises(InvalidInputError, match="give one of them"):
        change_of(scenario, flow_mL_min=1.0, inlet_kPa=100.0)
    with pytest.raises(InvalidInputError, match="expected ambient or vacuum"):
        change_of(scenario, outlet="room")
    with pytest.raises(InvalidInputError, match="no carrier gas named 'steam'"):
        change_of(scenario, gas="steam")
    with pytest.raises(InvalidInputError, match="were cm given"):
        cut_of(scenario, 60.0)
    with pytest.raises(InvalidInputError, match="nothing to adapt to"):
        adapt(scenario, fit, RAMPED, Change())
    with pytest.raises(InvalidInputError, match="no gas would flow"):
        to(demo, inlet_kPa=-10.0)
    with pytest.raises(InvalidInputError, match="--marker 'gold'"):
        trim(scenario, fit, RAMPED, 0.6, "gold")


def test_the_program_file_reads_back(demo: tuple[Scenario, Fit], tmp_path: Path) -> None:
    carrier = CarrierProgram("pressure", AMBIENT + 80e3, 120.0, (Ramp(10e3 / 60, AMBIENT + 160e3, 60.0),))
    program = Program(RAMPED.oven, carrier)
    file = tmp_path / "program.toml"
    file.write_bytes(program_file(program, demo[1].system, AMBIENT))
    again = read_program(file, AMBIENT)
    assert again.carrier.controlled == "pressure"
    for one, other in ((again.oven, program.oven), (again.carrier, program.carrier)):
        np.testing.assert_allclose(one.knots()[0], other.knots()[0], rtol=1e-6)
        np.testing.assert_allclose(one.knots()[1], other.knots()[1], rtol=1e-6)


def call(monkeypatch: pytest.MonkeyPatch, *arguments: str | Path) -> int:
    return command.call(monkeypatch, "adapt", DEMO, *arguments)


def test_the_command_tunes_and_leaves_its_files(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "hydrogen"
    assert call(monkeypatch, "--gas", "hydrogen", "--seconds", "2", "--out", out, "--json") == 0
    printed = json.loads(capsys.readouterr().out)
    assert printed == json.loads((out / "adapt.json").read_text(encoding="utf-8"))
    assert any("explodes" in line for line in printed["cautions"])
    page = (out / "adapt.html").read_text(encoding="utf-8")
    assert page.count("data:image/svg+xml") == 3
    probability = percent(printed["tuned"]["candidates"][0]["pass_probability"])
    assert f"{probability} probability of meeting every requirement (simulated)." in page
    assert printed["tuned"]["candidates"][0]["run_time_min"] < printed["carried"]["run_time_min"]
    tuned = read_program(out / "tuned.toml", AMBIENT)
    assert tuned.oven.duration / 60 == pytest.approx(
        printed["tuned"]["candidates"][0]["run_time_min"], abs=0.15
    )
    assert read_program(out / "program.toml", AMBIENT).oven.start == pytest.approx(kelvin(90.0))


def test_the_command_shows_tables_and_a_cut_is_not_tuned(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert call(monkeypatch, "--length-m", "20", "--no-tune") == 0
    text = " ".join(capsys.readouterr().out.split())
    for part in ("20 m x 0.25 mm x 0.25 µm", "kPa absolute", "all times of the program are multiplied by"):
        assert part in text
    assert "Hydrogen" not in text
    assert "Tuned" not in text
    assert call(monkeypatch, "--trim-m", "0.6", "--marker", "n-undecane") == 0
    text = " ".join(capsys.readouterr().out.split())
    assert "0.6 m cut off" in text
    assert "n-undecane then elutes at" in text
    assert "set constant pressure, 96 kPa gauge" in text
    assert "steps, 95.9 kPa gauge would restore it" in text
    assert not re.search(r"\d\.\d\d+ kPa", text)
    assert "Tuned" not in text


def test_what_does_not_go_together_is_wrong_input(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert call(monkeypatch, "--trim-m", "0.6", "--gas", "hydrogen") == 2
    assert "leave the other changes out" in capsys.readouterr().err
    assert call(monkeypatch, "--marker", "toluene", "--gas", "hydrogen") == 2
    assert "--trim-m" in capsys.readouterr().err


@pytest.mark.parametrize(
    "options",
    [
        {"gas": "helium"},
        {"outlet": "ambient"},
        {"length_m": 30.0, "inner_diameter_mm": 0.25, "film_thickness_um": 0.25},
        {"gas": "helium", "length_m": 30.0},
    ],
)
def test_the_system_as_it_is_changes_nothing_and_that_is_said(
    demo: tuple[Scenario, Fit], options: dict[str, object]
) -> None:
    with pytest.raises(InvalidInputError, match="nothing changes") as raised:
        change_of(demo[0], **options)  # type: ignore[arg-type]
    assert str(demo[0].path) in str(raised.value)
    for value in options.values():
        assert f"{value}" in str(raised.value)


def test_something_new_beside_what_stays_is_a_change(demo: tuple[Scenario, Fit]) -> None:
    assert not change_of(demo[0], gas="helium", length_m=15.0).nothing
    assert not change_of(demo[0], gas="helium", flow_mL_min=2.0).nothing
