"""What is written can be read, and means the same."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from hypothesis import given, reject
from hypothesis import strategies as st

from models.column.carrier_gas import CARRIER_GASES
from models.column.programs import CarrierProgram, OvenProgram, Program, Ramp
from models.column.system import Column, ColumnSystem
from models.errors import InvalidInputError
from models.units import absolute_pressure, celsius, flow_mL_min, flow_si, gauge_kPa, kelvin
from optimizer.app.interface_scout import first
from optimizer.results.set_points import program_file
from optimizer.scenario.program_files import read_candidates
from optimizer.scenario.program_tables import program_document
from optimizer.scenario.reading import load_scenario, read_program
from tests.properties.strategies import AMBIENT, few

SYSTEM = ColumnSystem(Column(30.0, 0.25e-3, 0.25e-6), CARRIER_GASES["helium"], AMBIENT)

rooms = st.floats(50e3, 110e3)


@few
@given(st.floats(-95.0, 1500.0), rooms)
def test_gauge_and_absolute_pressures_are_inverse(gauge: float, ambient: float) -> None:
    absolute = absolute_pressure(gauge, ambient)
    assert gauge_kPa(absolute, ambient) == pytest.approx(gauge, rel=1e-12, abs=1e-10)
    assert absolute - ambient == pytest.approx(1000 * gauge, rel=1e-9, abs=1e-6)


@few
@given(st.floats(-80.0, 450.0), st.floats(0.05, 500.0))
def test_temperatures_and_flows_are_inverse(temperature: float, flow: float) -> None:
    assert celsius(kelvin(temperature)) == pytest.approx(temperature, abs=1e-10)
    assert float(flow_mL_min(flow_si(flow))) == pytest.approx(flow, rel=1e-12)


@st.composite
def settable_programs(draw: st.DrawFn) -> tuple[Program, float]:
    """A program in set points as people enter them, heating and cooling, with any kind of carrier; and the room."""
    ambient = 1e3 * draw(st.integers(60, 108))

    def tenths(low: int, high: int) -> float:
        return draw(st.integers(10 * low, 10 * high)) / 10

    def ramps(value: float, step: float, low: int, high: int) -> tuple[Ramp, ...]:
        return tuple(
            Ramp(draw(st.integers(1, 600)) / 10 * step / 60, to_si(tenths(low, high)), 60 * tenths(0, 30))
            for _ in range(draw(st.integers(0, 3)))
        )

    to_si = kelvin
    oven = OvenProgram(kelvin(tenths(-40, 340)), 60 * tenths(0, 60), ramps(0.0, 1.0, -40, 340))
    kind = draw(st.sampled_from(("pressure", "flow", "velocity")))
    if kind == "velocity":
        return Program(oven, CarrierProgram("velocity", tenths(10, 80) / 100)), ambient
    if kind == "flow":
        to_si = flow_si
        start, step, low, high = flow_si(tenths(1, 20)), flow_si(1.0), 1, 20
    else:
        to_si = lambda gauge: absolute_pressure(gauge, ambient)  # noqa: E731
        start, step, low, high = to_si(tenths(5, 300)), 1e3, 5, 300
    made = ramps(start, step, low, high)
    return Program(oven, CarrierProgram(kind, start, 60 * tenths(0, 30) if made else 0.0, made)), ambient


def same(one: Program, two: Program) -> None:
    """Equal to what a file has of decimals: 1e-4 of a rate, 1e-4 min, 1e-3 K, 1e-5 mL/min, 1e-4 kPa."""
    assert one.carrier.controlled == two.carrier.controlled
    for a, b in ((one.oven, two.oven), (one.carrier, two.carrier)):
        assert len(a.ramps) == len(b.ramps)
        assert a.start == pytest.approx(b.start, rel=1e-6)
        assert a.hold == pytest.approx(b.hold, abs=6e-3)
        for x, y in zip(a.ramps, b.ramps, strict=True):
            assert x.rate == pytest.approx(y.rate, rel=1e-3)
            assert x.target == pytest.approx(y.target, rel=1e-6)
            assert x.hold == pytest.approx(y.hold, abs=6e-3)


@few
@given(settable_programs())
def test_program_files_and_candidates_are_read_back(
    tmp_path_factory: pytest.TempPathFactory, made: tuple[Program, float]
) -> None:
    program, ambient = made
    folder = tmp_path_factory.getbasetemp()
    (folder / "program.toml").write_bytes(program_file(program, SYSTEM, ambient))
    same(read_program(folder / "program.toml", ambient), program)
    document = {"candidates": [program_document(program, ambient)]}
    (folder / "candidates.json").write_text(json.dumps(document, allow_nan=False), encoding="utf-8")
    same(read_candidates(folder / "candidates.json", ambient, 1)[0], program)


@few
@given(
    st.sampled_from(("helium", "hydrogen", "nitrogen", "argon")),
    st.sampled_from(("ambient", "vacuum")),
    st.floats(5.0, 100.0),
    st.sampled_from((0.1, 0.18, 0.25, 0.32, 0.53)),
    st.integers(-60, 90),
    st.integers(200, 400),
    st.integers(60, 108),
)
def test_the_runs_that_scout_proposes_can_be_pasted(
    tmp_path_factory: pytest.TempPathFactory,
    gas: str,
    outlet: str,
    length: float,
    bore: float,
    lowest: int,
    highest: int,
    ambient: int,
) -> None:
    folder: Path = tmp_path_factory.getbasetemp()
    text = (
        f"[column]\nlength_m = {length:.3f}\ninner_diameter_mm = {bore}\nfilm_thickness_um = {bore:g}\n"
        f'min_temperature_C = {lowest}\nmax_temperature_C = {highest}\n[carrier]\ngas = "{gas}"\noutlet = "{outlet}"\n'
        f"ambient_pressure_kPa = {ambient}\n"
    )
    (folder / "scenario.toml").write_text(text, encoding="utf-8")
    loaded = load_scenario(folder, runs_needed=False)
    try:
        document = first(loaded, None).to_dict()
    except InvalidInputError as error:
        if "no column flow keeps all limits" not in str(error):
            raise
        reject()
    (folder / "scenario.toml").write_text(f"{text}\n{document['to_paste']}", encoding="utf-8")
    for run in document["runs"]:
        t = run["hold_up_min"] * (1.5 if run["name"] == "fast" else 2.0)
        peaks = f"compound,retention_min\na,{t:.3f}\nb,{1.2 * t:.3f}\n"
        (folder / f"{run['name']}.csv").write_text(peaks, encoding="utf-8")
    pasted = load_scenario(folder)
    assert [run.name for run in pasted.runs] == [run["name"] for run in document["runs"]]
    for run, made in zip(pasted.runs, document["runs"], strict=True):
        assert program_document(run.program, pasted.ambient_pressure)["oven"] == made["oven"]
