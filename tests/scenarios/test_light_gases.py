"""Gases on a porous polymer, and the simulated instrument that made their data."""

from __future__ import annotations

import math
import shutil
from itertools import pairwise
from pathlib import Path

import pytest

from models.fit.fit import Fit
from optimizer.goal.goal import problem_of
from optimizer.methods.workflow import fit_scenario
from optimizer.scenario.data import Scenario
from optimizer.scenario.reading import load_scenario
from tests.reference.confirmation import resolution
from tests.scenarios.data_scripts import ROOT, load_script
from tests.scenarios.predictions import compared

FOLDER = ROOT / "scenarios" / "light_gases"
# A candidate of a 20 s search, as in README.md
CANDIDATE = {
    "oven": {"start_C": 58, "hold_min": 0, "ramps": [{"rate_C_per_min": 34, "to_C": 190, "hold_min": 0}]},
    "carrier": {"mode": "constant pressure", "inlet_kPa": 78},
}
instrument = load_script(FOLDER)
INSTRUMENT, NOMINAL, PROGRAMS = instrument.INSTRUMENT, instrument.NOMINAL, instrument.PROGRAMS


@pytest.fixture(scope="module")
def fitted() -> tuple[Scenario, Fit]:
    scenario = load_scenario(FOLDER)
    return scenario, fit_scenario(scenario)


def test_heats_of_alkanes_grow_by_the_published_increments() -> None:
    """12 kJ/mol a CH3 and 7.5 a CH2 on a porous polymer (published; the places here add some)."""
    heats = [instrument.COMPOUNDS[f"{name}ane"].heat for name in ("eth", "prop", "n-but", "n-pent")]
    assert heats[0] == 2 * 12e3
    assert [b - a for a, b in pairwise(heats)] == [7.5e3] * 3


def test_the_cold_start_of_the_method_in_use_keeps_two_gases_together() -> None:
    rows, _ = INSTRUMENT.measure(PROGRAMS["current"], 9)
    rs = {(a.compound, b.compound): resolution(a, b) for a, b in pairwise(rows)}
    assert 24 < rows[-1].time / 60 < 26
    assert 0.8 < min(rs.values()) == rs["acetylene", "ethane"] < 1.0
    k = {name: instrument.ln_partition(instrument.COMPOUNDS[name]) for name in ("acetylene", "ethane")}
    assert k["acetylene"](293.15) > k["ethane"](293.15)
    apart = [k["ethane"](T) - k["acetylene"](T) for T in (313.15, 331.15, 363.15)]
    assert apart == sorted(apart)


def test_isothermal_times_are_the_hold_up_time_and_the_retention_factor() -> None:
    """t = tM (1 + k) with k of the true layer, tM of the free bore."""
    program = {
        "oven": {"start_C": 90, "hold_min": 60},
        "carrier": {"mode": "constant pressure", "inlet_kPa": 35},
    }
    hold_up = INSTRUMENT.true_peak(program, None).time
    free = NOMINAL.bore / 2 - instrument.LAYER
    ratio = free**2 / ((NOMINAL.bore / 2) ** 2 - free**2)
    for name in ("nitrogen", "propane", "n-pentane"):
        k = math.exp(instrument.ln_partition(instrument.COMPOUNDS[name])(363.15)) / ratio
        assert INSTRUMENT.true_peak(program, name).time == pytest.approx(hold_up * (1 + k), rel=1e-7)


def test_the_fit_finds_the_column(fitted: tuple[Scenario, Fit]) -> None:
    scenario, fit = fitted
    free, true = scenario.column.radius, NOMINAL.bore / 2 - instrument.LAYER
    assert free == pytest.approx(0.245e-3)
    assert fit.system.flow_factor == pytest.approx((true / free) ** 2, rel=0.004)
    assert fit.system.plate_height_factor == pytest.approx(instrument.PLATE_HEIGHT_FACTOR, rel=0.06)
    resistance = 1e-3 / fit.system.film_diffusion_factor
    assert resistance == pytest.approx(instrument.RESISTANCE, rel=0.15)
    assert not [warning for warning in fit.warnings if "column" in warning]


def test_the_candidate_of_the_readme_is_predicted_and_meets_the_goal(fitted: tuple[Scenario, Fit]) -> None:
    scenario, fit = fitted
    found = compared(problem_of(scenario, fit), INSTRUMENT, CANDIDATE)
    assert max(map(abs, found.late.values())) < 0.25  # s
    assert found.share > 0.88
    assert min(pair.true for pair in found.pairs.values()) > 1.5
    assert all(abs(pair.true - pair.predicted) < 2 * pair.sd for pair in found.pairs.values())


def test_told_a_film_the_same_runs_reject_a_program_that_works(tmp_path: Path) -> None:
    """The decision that hangs on it: 15 µm is the thickest film there is."""
    folder = tmp_path / "film"
    shutil.copytree(FOLDER, folder)
    file = folder / "scenario.toml"
    text = file.read_text(encoding="utf-8")
    file.write_text(text.replace("layer_thickness_um = 20", "film_thickness_um = 15"), encoding="utf-8")
    scenario = load_scenario(folder)
    assert "the column's dimensions give" in " ".join(scenario.warnings)
    found = compared(problem_of(scenario, fit_scenario(scenario)), INSTRUMENT, CANDIDATE)
    assert found.share < 0.1
    assert found.pairs["acetylene", "ethane"].predicted < 1.3 < found.pairs["acetylene", "ethane"].true
