"""Thick films: what gas and sample see of a column. Own arithmetic (data/thick_film.csv), no outside source."""

from __future__ import annotations

import numpy as np
import pytest

from models.column.carrier_gas import CARRIER_GASES
from models.column.retention import Retention, scaled_to_phase_ratio
from models.column.scaling import off_its_tag
from models.column.system import THICK_FILM, Column, hold_up_time
from tests.published.tables import rows

THICK = [row for row in rows("thick_film") if float(row["layer_um"]) * 1e-6 >= THICK_FILM]


def column_of(row: dict[str, str]) -> Column:
    return Column(30.0, float(row["d_mm"]) * 1e-3, float(row["layer_um"]) * 1e-6)


@pytest.mark.parametrize("row", rows("thick_film"), ids=lambda row: f"{row['d_mm']} mm, {row['layer_um']} um")
def test_phase_ratio_and_velocity(row: dict[str, str]) -> None:
    """From 1 µm on the ratio of cross-sections and the free bore; below that the thin film's, 0.3 % beside it."""
    column = column_of(row)
    if column.film_thickness < THICK_FILM:
        assert column.phase_ratio == pytest.approx(float(row["beta_thin"]))
        assert column.free_bore_factor == 1.0
        return
    assert column.phase_ratio == pytest.approx(float(row["beta_exact"]), rel=1e-7)
    assert column.free_bore_factor - 1 == pytest.approx(float(row["velocity_change"]), rel=1e-7)
    assert column.free_bore_factor**2 - 1 == pytest.approx(
        float(row["flow_change_at_equal_pressure"]), rel=1e-7
    )


@pytest.mark.parametrize("row", THICK, ids=lambda row: f"{row['d_mm']} mm, {row['layer_um']} um")
def test_retention_moves_with_the_phase_ratio(row: dict[str, str]) -> None:
    column = column_of(row)
    thin = Retention(np.array([400.0]), np.array([30.0]), np.array([0.0]))
    thick = scaled_to_phase_ratio(thin, float(row["beta_thin"]), column.phase_ratio)
    # To first order theta times the change of ln k; without a heat capacity term the next one is a few percent more.
    assert thick.T0[0] - 400.0 == pytest.approx(float(row["T0_shift_K_at_theta_30"]), rel=0.05)


def test_the_gas_passes_a_thick_film_as_a_tube_of_the_free_bore() -> None:
    """Poiseuille in the free bore: a tube without a film of that bore, at the same pressures."""
    thick = Column(30.0, 0.53e-3, 5e-6)
    free = Column(30.0, 0.53e-3 - 10e-6, 1e-8)
    gas = CARRIER_GASES["helium"]
    bare, true = (float(hold_up_time(each, gas, 373.15, 150e3, 101325.0)) for each in (thick, free))
    assert bare / thick.free_bore_factor == pytest.approx(true, rel=1e-12)


def test_a_tag_that_is_off_moves_all_compounds_alike() -> None:
    """10 % of film is 0.1 theta in T0, 3 K at 30 K, common to all; 2 % of bore is 4 % of velocity: own arithmetic."""
    retention = Retention(np.array([350.0, 420.0]), np.array([30.0, 35.0]), np.array([0.0, 0.0]))
    film = off_its_tag(retention, 250.0, 0.0, 0.1**2)
    assert np.sqrt(np.diag(film)[:2]) == pytest.approx([3.0, 3.5], rel=0.02)
    assert film[0, 1] / np.sqrt(film[0, 0] * film[1, 1]) == pytest.approx(1.0)
    assert film[-1, -1] == 0
    bore = off_its_tag(retention, 250.0, 0.02**2, 0.0)
    assert np.sqrt(bore[-1, -1]) == pytest.approx(0.04)
    assert np.sqrt(bore[0, 0]) == pytest.approx(0.6, rel=0.02)
    assert bore[0, -1] < 0  # a wider bore elutes earlier for both reasons
