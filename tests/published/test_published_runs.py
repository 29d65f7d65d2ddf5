"""Real retention times of the same compounds in four programs of three methods, on one kind of column.

Sources: US EPA 8081B (2007), tables 1 ("wide") and 5 ("dual"); US EPA 8121 (1994), table 4; US EPA 8091 (1996),
table 1; public domain. 14 % cyanopropylphenyl methylpolysiloxane, 30 m x 0.53 mm x 1.0 µm, helium, outlet at
the atmosphere. Each table came from another instrument, some with two columns on one inlet; flows are nominal
(5 to 7 mL/min), so one flow factor a run is fitted. Of 123 times, 51 belong to the 23 compounds that occur in two
or three of the tables.

What is asserted: first how far the model bends to all times at once, then, which counts, how it predicts times it has
not seen. The bounds hold a little more than what was found (given beside each; docs/accuracy.md has the table).
"""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from models.column.carrier_gas import carrier_gas
from models.column.programs import Array, CarrierProgram, OvenProgram, Program, Ramp, batch_of
from models.column.system import Column, ColumnSystem
from models.fit.fitting import Fit, Run, fit_retention
from models.peaks.migration import migrate, migration_tables
from models.units import SECONDS_PER_MINUTE, flow_si, kelvin
from tests.published.tables import rows

COLUMN = "published_runs_cyanopropylphenyl14"
NOMINAL_FLOW = 6.0  # mL/min
# An oven reads true to about 1 °C, and these programs pass 1 °C in 12 to 30 s: how well two instruments may agree.
BETWEEN_INSTRUMENTS = 15.0  # s

SYSTEM = ColumnSystem(Column(30.0, 0.53e-3, 1.0e-6), carrier_gas("helium"), 101325.0)
TIMES: dict[str, dict[str, float]] = {}
for line in rows("published_times_cyanopropylphenyl14"):
    TIMES.setdefault(line["compound"], {})[line["run"]] = float(line["retention_min"]) * SECONDS_PER_MINUTE
SHARED = [name for name, times in TIMES.items() if len(times) > 1]
TABLES = [row["run"] for row in rows(COLUMN)]
WIDE, DUAL = TABLES.index("8081B-wide"), TABLES.index("8081B-dual")
# Seen twice only, in methods that start 60 °C apart: one time is left to go by, and typical values for the rest.
FAR = SHARED.index("hexachlorocyclopentadiene")


def oven_of(words: str) -> OvenProgram:
    """An oven program such as `80 C hold 1.5 min; 80->125 at 2 C/min; hold 1`."""
    first = re.match(r"(\d+) C hold ([\d.]+) min", words)
    ramps = re.findall(r"\d+->(\d+)(?: C)? at ([\d.]+) C/min; hold ([\d.]+)", words)
    assert first, words
    assert len(ramps) == words.count("->"), words
    return OvenProgram(
        kelvin(float(first[1])),
        float(first[2]) * 60,
        tuple(Ramp(float(rate) / 60, kelvin(float(to)), float(hold) * 60) for to, rate, hold in ramps),
    )


def published_runs() -> list[Run]:
    carrier = CarrierProgram("flow", flow_si(NOMINAL_FLOW))
    unmeasured = np.full(len(SHARED), np.nan)
    return [
        Run(
            row["run"],
            Program(oven_of(row["oven"]), carrier),
            np.array([TIMES[name].get(row["run"], np.nan) for name in SHARED]),
            unmeasured,
            BETWEEN_INSTRUMENTS,
        )
        for row in rows(COLUMN)
    ]


RUNS = published_runs()
MEASURED: Array = np.array([run.retention for run in RUNS])


def fit_of(measured: Array) -> Fit:
    return fit_retention(
        SYSTEM,
        [replace(run, retention=times) for run, times in zip(RUNS, measured, strict=True)],
        SHARED,
        flow_correction="run",
    )


def prediction_errors(hidden: np.ndarray) -> Array:
    """Predicted less published [s] of the hidden times, from a fit of the others; nan elsewhere."""
    fit = fit_of(np.where(hidden, np.nan, MEASURED))
    predicted = []
    for run, factor in zip(RUNS, fit.flow_factors, strict=True):
        tables = migration_tables(replace(fit.system, flow_factor=float(factor)), fit.retention, "flow")
        predicted.append(migrate(tables, batch_of([run.program])).retention_time[0])
    result: Array = np.where(hidden, np.array(predicted) - MEASURED, np.nan)
    return result


def all_but(run: int, *markers: str) -> np.ndarray:
    """Which times are hidden when a run is known by its markers alone."""
    hidden = np.zeros(MEASURED.shape, dtype=bool)
    hidden[run] = ~np.isnan(MEASURED[run])
    for marker in markers:
        hidden[run, SHARED.index(marker)] = False
    return hidden


def test_what_the_tables_hold() -> None:
    assert len(SHARED) == 23
    assert np.isfinite(MEASURED).sum(axis=1).tolist() == [19, 23, 6, 3]
    assert [run.program.oven.start for run in RUNS] == [
        kelvin(start) for start in (150.0, 140.0, 80.0, 120.0)
    ]
    assert RUNS[DUAL].program.oven.duration == pytest.approx((2 + 130 / 2.8 + 1) * 60)


def test_all_runs_at_once() -> None:
    """Found: residuals 0.13 % (median, 1.8 s), at most 1.2 % but for one of 2.6 %; flow factors 0.94 to 1.06."""
    fit = fit_of(MEASURED)
    relative = np.abs(fit.residual / MEASURED)
    assert np.isfinite(relative).sum() == 51
    assert np.nanmedian(relative) < 0.002
    assert np.nanmax(np.delete(relative, FAR, axis=1)) < 0.015
    assert np.nanmax(relative[:, FAR]) < 0.03  # leaves the second column 4.9 min after injection
    # The first table's method allows 5 to 7 mL/min, the others name 6.
    assert np.abs(fit.flow_factors - 1).max() < 1 / 6
    # Two or three times a compound and a flow factor a run: much of the 69 + 4 parameters is typical values.
    assert 0 < fit.degrees_of_freedom < 51 - 23
    # Found 0.18: the 15 s are more than what the runs leave over.
    assert fit.chi_square / fit.degrees_of_freedom < 1.5


def test_a_run_of_the_same_method_from_two_markers() -> None:
    """8081B table 1 from the other three tables and two of its own 19 times, an early and a late one.

    Found over 17 times: median 0.3 %, largest 2.1 % (beta-BHC, of the four BHC isomers that the tables themselves place
    otherwise), and every one of the 16 neighbours in the published order.
    """
    hidden = all_but(WIDE, "heptachlor", "methoxychlor")
    errors = prediction_errors(hidden)[WIDE]
    seen = hidden[WIDE]
    relative = np.abs(errors[seen] / MEASURED[WIDE, seen])
    assert relative.size == 17
    assert np.median(relative) < 0.01
    assert relative.max() < 0.03
    order = np.argsort(MEASURED[WIDE, seen])
    assert (np.diff((MEASURED[WIDE] + errors)[seen][order]) > 0).all()


def test_the_slower_run_of_the_same_method_from_two_markers() -> None:
    """8081B table 5 likewise; 17 of the 21 hidden compounds are in table 1 of the same method.

    Found over those 17: median 0.4 %, largest 1.6 %. Over all 21: median 0.5 %, and 3.5 to 13 % for the four that are
    known from other methods only, since hiding them here leaves one time for each.
    """
    hidden = all_but(DUAL, "heptachlor", "methoxychlor")
    errors = np.abs(prediction_errors(hidden)[DUAL] / MEASURED[DUAL])
    family = hidden[DUAL] & ~np.isnan(MEASURED[WIDE])
    assert family.sum() == 17
    assert np.median(errors[family]) < 0.01
    assert errors[family].max() < 0.03
    assert np.median(errors[hidden[DUAL]]) < 0.01


@pytest.fixture(scope="module")
def left_out() -> Array:
    """Every one of the 51 times predicted without it: relative errors (runs, compounds), in eight fits.

    Each fit leaves out every eighth time, so that no compound loses more than one.
    """
    places = [(r, m) for m in range(len(SHARED)) for r in range(len(RUNS)) if not np.isnan(MEASURED[r, m])]
    errors = np.full(MEASURED.shape, np.nan)
    for fold in range(8):
        hidden = np.zeros(MEASURED.shape, dtype=bool)
        for r, m in places[fold::8]:
            hidden[r, m] = True
        assert hidden.sum(axis=0).max() == 1
        errors = np.where(hidden, prediction_errors(hidden) / MEASURED, errors)
    assert np.isfinite(errors).sum() == 51
    result: Array = np.abs(errors)
    return result


def test_times_left_out_within_a_method(left_out: Array) -> None:
    """Found over 38 times: median 0.3 % (4.2 s), largest 1.8 %. About 1 % was hoped for."""
    known_to_both = ~np.isnan(MEASURED[[WIDE, DUAL]]).any(axis=0)
    family = left_out[[WIDE, DUAL]][:, known_to_both]
    assert family.size == 38
    assert np.median(family) < 0.01
    assert family.max() < 0.03


def test_times_left_out_across_laboratories(left_out: Array) -> None:
    """Found over 8 times: medians 0.5 and 0.9 % in the two methods, largest 1.2 %. About 4 % was hoped for."""
    across = left_out[[r for r in range(len(RUNS)) if r not in (WIDE, DUAL)]]
    others = np.delete(across, FAR, axis=1)
    assert np.isfinite(others).sum() == 8
    assert np.nanmax(others) < 0.04


@pytest.mark.xfail(strict=True, reason="9 to 11 %: one time 60 °C away and typical values for all else")
def test_time_left_out_farthest_away(left_out: Array) -> None:
    """Hexachlorocyclopentadiene, from a run that starts 60 °C away: 4 % is not reached; see docs/accuracy.md."""
    assert np.nanmax(left_out[:, FAR]) < 0.04
