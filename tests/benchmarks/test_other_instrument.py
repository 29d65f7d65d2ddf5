"""The instrument of the calibration benchmark, held against tables and an integration of its own."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.optimize import brentq

from benchmarks import calibration, other_instrument, scouted_mixtures
from benchmarks.other_instrument import COMPOUNDS, INTERACTION, Day, OtherInstrument, Reality
from tests.published.tables import rows as published
from tests.reference.instrument import ZERO_C, Nominal, helium_viscosity
from tests.scenarios.data_scripts import imported_by, of_the_packages

NOMINAL = Nominal(30.0, 0.25e-3, 0.25e-6, 101325.0)
FLAWLESS = Reality(1.0, 1.0, 0.0, 1e-3, 1.2, 0.3, 0.1)
RAMP = {
    "start_C": 60.0,
    "hold_min": 1.0,
    "ramps": [{"rate_C_per_min": 10.0, "to_C": 300.0, "hold_min": 30.0}],
}
PRESSURE = {"oven": RAMP, "carrier": {"mode": "constant pressure", "inlet_kPa": 90.0}}

SAME_DAY = Day()


def retention_time(instrument: OtherInstrument, compound: str | None, day: Day = SAME_DAY) -> float:
    peak = instrument.true_peak(PRESSURE, compound, day)
    assert peak is not None
    return peak.time


def test_it_shares_nothing_with_the_packages() -> None:
    files = [Path(module.__file__ or "") for module in (other_instrument, scouted_mixtures)]
    assert of_the_packages(imported_by(files)) == set()


@pytest.mark.parametrize("phase", INTERACTION)
def test_forty_compounds_and_more_are_retained_between_40_and_300(phase: str) -> None:
    instrument = OtherInstrument(NOMINAL, phase, FLAWLESS)
    k_one = [brentq(instrument.ln_k(compound), 150.0, 700.0) - ZERO_C for compound in COMPOUNDS]
    assert sum(40 < T < 300 for T in k_one) >= 40
    grid = np.arange(30, 310, 5) + ZERO_C
    for compound in COMPOUNDS:
        assert np.all(np.diff([instrument.ln_k(compound)(T) for T in grid]) < 0), compound


def test_vapour_pressures_meet_published_boiling_points() -> None:
    """Boiling points of the CRC Handbook: another compilation than those of the vapour pressures.

    Of what boils below 290 °C. Compilations differ by 4 K for 1-decanol, by 0.5 K and less for most.
    """
    boiling = {row["compound"]: row["Tb_K_CRC_ORG"] for row in published("boiling_points")}
    known = {compound: float(boiling[compound]) for compound in COMPOUNDS if boiling.get(compound)}
    off = []
    for compound, T in known.items():
        if T < 290 + ZERO_C:
            ln_p = other_instrument.ln_vapour_pressure(compound)
            found = brentq(lambda T, ln_p=ln_p: ln_p(T) - math.log(101325.0), 250.0, 700.0)
            off.append(abs(found - T))
    assert len(off) >= 40
    assert np.median(off) < 0.2
    assert max(off) < 2.5


def test_homologues_elute_by_size_and_classes_move_with_the_phase() -> None:
    alkanes = [compound for compound, (kind, _, _) in COMPOUNDS.items() if kind == "alkane"]
    for phase in INTERACTION:
        instrument = OtherInstrument(NOMINAL, phase, FLAWLESS)
        times = [retention_time(instrument, compound) for compound in alkanes]
        assert all(a < b for a, b in pairwise(times)), phase
    at = 100 + ZERO_C
    apart = {
        phase: other_instrument.ln_retention_factor(phase, "1-hexanol", 250.0)(at)
        - other_instrument.ln_retention_factor(phase, "n-decane", 250.0)(at)
        for phase in INTERACTION
    }
    assert apart["nonpolar"] < apart["mid-polar"] < apart["polar"]


def test_a_worse_instrument_is_shorter_and_its_oven_off_the_more_the_hotter() -> None:
    """At constant pressure u goes with 1/L, so that times go with L squared; the scale is right at 25 °C."""
    oven = {"start_C": 125.0, "hold_min": 300.0}
    carrier = {"mode": "constant pressure", "inlet_kPa": 90.0}

    def time(**reality: float) -> float:
        instrument = OtherInstrument(NOMINAL, "polar", replace(FLAWLESS, **reality))
        peak = instrument.true_peak({"oven": oven, "carrier": carrier}, "nitrobenzene")
        assert peak is not None
        return peak.time

    assert time(length_factor=0.98) == pytest.approx(0.98**2 * time(), rel=1e-7)
    assert time(oven_scale=0.01) == pytest.approx(time(oven_offset=1.0), rel=1e-7)
    drawn = other_instrument.in_worse_condition(FLAWLESS, np.random.default_rng(1))
    assert drawn.length_factor < 0.995
    assert 0 < abs(drawn.oven_scale) <= 0.01


def test_retention_is_that_of_an_integration_of_its_own() -> None:
    """Constant pressure: the dead times spent, dt/(tM (1 + k)), add up to one; tM from Poiseuille by quadrature."""
    instrument = OtherInstrument(NOMINAL, "mid-polar", FLAWLESS)
    pi, po, r = NOMINAL.ambient + 90e3, NOMINAL.ambient, NOMINAL.bore / 2

    def hold_up(T: float) -> float:
        """The gas moves with u = -(r^2/8 eta) dp/dx, and p u is the same everywhere: dt = dx/u."""
        flow = r**2 * (pi**2 - po**2) / (16 * helium_viscosity(T) * NOMINAL.length)  # p u
        per_pressure = r**2 / (8 * helium_viscosity(T) * flow)  # dx = per_pressure p dp
        return quad(lambda p: per_pressure * p**2 / flow, po, pi)[0]

    def temperature(t: float) -> float:
        return 60 + ZERO_C + max(t - 60.0 - FLAWLESS.oven_lag, 0.0) / 6  # a lag puts a ramp off by as much

    for compound in ("toluene", "n-dodecane", "nitrobenzene"):
        ln_k = instrument.ln_k(compound)
        end = retention_time(instrument, compound)
        spent = quad(
            lambda t, ln_k=ln_k: 1 / (hold_up(temperature(t)) * (1 + math.exp(ln_k(temperature(t))))),
            0.0,
            end,
            points=[60.0],
            epsrel=1e-7,
        )[0]
        assert spent == pytest.approx(1.0, abs=2e-6), compound


def test_flaws_and_days_have_the_sign_they_should() -> None:
    flawless = OtherInstrument(NOMINAL, "nonpolar", FLAWLESS)
    late = "n-hexadecane"  # hardly moves before the ramp is well under way
    usual = retention_time(flawless, late)

    def flawed(**changes: float) -> float:
        return retention_time(replace(flawless, reality=replace(FLAWLESS, **changes)), late)

    assert flawed(oven_offset=1.0) == pytest.approx(usual - 6, abs=0.5)  # a degree of a ramp of 10 °C/min
    assert flawed(oven_lag=10.0) == pytest.approx(usual + 10, abs=0.5)
    assert flawed(film_factor=1.02) > usual
    assert retention_time(flawless, None, Day(carrier=0.005)) < retention_time(flawless, None)
    assert retention_time(flawless, late, Day(oven=0.5)) == pytest.approx(usual - 3, abs=0.3)


def test_mixtures_are_reproducible_and_measured_with_the_noise_stated() -> None:
    drawn = scouted_mixtures.mixture(3)
    assert drawn == scouted_mixtures.mixture(3)
    assert drawn.compounds != scouted_mixtures.mixture(8).compounds
    off = []
    for name, (rows, _) in scouted_mixtures.measured(drawn).items():
        times, _ = drawn.truth(drawn.scouting[name], Day())
        truth = dict(zip(drawn.compounds, times, strict=True))
        off += [row.time - truth[row.compound] for row in rows]
    noise = drawn.instrument.reality.retention_noise
    assert 0.6 * noise < np.std(off) < 1.5 * noise


def test_a_comparison_counts_what_it_should() -> None:
    """Three peaks, the truth a second later for all and another one for the last; draws of 1 s, independent."""
    draws = np.random.default_rng(1).standard_normal((4000, 3))
    t, w = np.array([100.0, 110.0, 200.0]), np.array([2.0, 2.0, 3.0])
    said = calibration.Predicted(t, w, t + draws, w * (1 + 0.02 * draws))
    found = calibration.compare(said, t + np.array([1.0, 1.0, 2.0]), w * np.array([1.0, 1.0, 1.1]))
    assert found.time == pytest.approx([-1, -1, -2])
    assert found.time_z == pytest.approx([-1, -1, -2], rel=0.05)
    assert found.difference == pytest.approx([0, -1 / (1.699 * 2.65)], abs=1e-3)
    assert found.difference_z == pytest.approx([0, -1 / math.sqrt(2)], abs=0.05)
    assert found.width_percent == pytest.approx([0, 0, 100 / 1.1 - 100])
    assert found.close_difference.size == 1
    assert found.smallest == pytest.approx([0.0])
    assert found.smallest_inside == [1.0]
    order_changed = calibration.compare(said, np.array([111.0, 110.0, 200.0]), w)
    assert order_changed.resolution[0] == pytest.approx(1.18 * (10 + 1) / 4)
