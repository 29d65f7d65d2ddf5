"""What the scouting runs give: one object that JSON, console, report and Python read."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Annotated, Any, NamedTuple

import numpy as np

from models.column.retention import enthalpy, entropy
from models.fit.diagnosis import correction_of, description
from models.fit.fit import Fit, Suspect
from models.fit.tails import SystemTail, system_tail
from models.peaks.overload import load_of_capacity
from models.peaks.resolution import HALF_HEIGHT_WIDTH
from optimizer.base.numbers import MINUTES, SHARE, Rounded
from optimizer.base.quantities import CELSIUS, KJ_MOL, MINUTE
from optimizer.base.tables import document_of, key
from optimizer.scenario.data import Scenario

T0, THETA, ENTHALPY = Rounded(CELSIUS, decimals=3), Rounded(digits=6), Rounded(KJ_MOL, shown=".1f")
RESIDUAL, WIDTH, LAG = Rounded(digits=3, shown="+.2f"), Rounded(), Rounded(shown=".1f")
FACTOR, OF_PRIOR, THREE = Rounded(digits=6), Rounded(digits=2), Rounded(digits=3)
OVER = Rounded(digits=3, shown=".2f")
TAILS = 1.1  # tailing factor of the column from which on it is worth a word


class FromTypicalValues(NamedTuple):
    """Shares of what is known of two parameters that came from typical values, 0 to 1."""

    theta: Annotated[float, OF_PRIOR, key()]
    heat_capacity_change: Annotated[float, OF_PRIOR, key()]


@dataclass(frozen=True)
class FittedCompound:
    """Retention parameters of a compound with their standard deviations, and its residuals [s] by run.

    T0 [K], theta [K], dCp [J/mol/K], enthalpy [J/mol], entropy [J/mol/K]; a residual is predicted - measured.
    """

    compound: Annotated[str, key()]
    T0: Annotated[float, T0, key("T0_C")]
    T0_sd: Annotated[float, Rounded(), key("T0_sd_K")]
    theta: Annotated[float, THETA, key("theta_K")]
    theta_sd: Annotated[float, Rounded(), key("theta_sd_K")]
    dCp: Annotated[float, Rounded(), key("heat_capacity_change_J_per_mol_K")]
    dCp_sd: Annotated[float, Rounded(), key("heat_capacity_change_sd_J_per_mol_K")]
    enthalpy: Annotated[float, ENTHALPY, key("enthalpy_kJ_per_mol")]
    entropy: Annotated[float, Rounded(), key("entropy_J_per_mol_K")]
    from_typical_values: Annotated[FromTypicalValues, key()]
    residual: Annotated[dict[str, float], RESIDUAL, key("residual_s")]
    over_capacity: Annotated[float | None, OVER, key("amount_over_capacity")]
    """the method's amount over that which makes a peak of k = 5 and as many plates as the column's length holds bores
    10 % wider; None where amounts move nothing"""
    over_capacity_sd: Annotated[float | None, OVER, key("amount_over_capacity_sd")]
    """its standard deviation from runs of different amounts; None where it was stated"""


@dataclass(frozen=True)
class SuspectPeak:
    """A peak that is probably wrong, as `models.fit.fit.Suspect` but with names; times in s."""

    compound: Annotated[str, key()]
    run: Annotated[str, key()]
    other_run: Annotated[str | None, key("or_run")]
    kind: Annotated[str, key()]
    partner: Annotated[str | None, key("with")]
    seconds: Annotated[float, THREE, key()]
    sigmas: Annotated[float, THREE, key()]
    expected: Annotated[float, MINUTES, key("expected_min")]
    expected_sd: Annotated[float, Rounded(MINUTE, digits=3), key("expected_sd_min")]
    intended: Annotated[float | None, MINUTES, key("intended_min")]
    weighed: Annotated[dict[str, float], SHARE, key()]
    area_gain: Annotated[float, THREE, key("for_the_areas")]
    words: Annotated[str, key()]
    correction: Annotated[str, key("mend")]


@dataclass(frozen=True, eq=False)
class FitResult:
    """A scenario with the retention parameters its scouting runs give.

    Attributes
    ----------
    fit : models.fit.fit.Fit, SI: parameters, covariance, residuals (R, M) [s] in the order of `scenario.compounds`
    """

    scenario: Scenario
    fit: Fit

    @property
    def flow_factor(self) -> Annotated[float, FACTOR, key()]:
        """Column velocity over what the dimensions give."""
        return self.fit.system.flow_factor

    @property
    def flow_factors(self) -> Annotated[dict[str, float], FACTOR, key()]:
        """The same of every run."""
        return self._by_run(self.fit.flow_factors)

    @property
    def plate_height_factor(self) -> Annotated[float, Rounded(), key()]:
        """Plate height over theory."""
        return self.fit.system.plate_height_factor

    @property
    def eddy(self) -> Annotated[float | None, THREE, key()]:
        """Lambda of the plate height of a packed column; None of any other."""
        packing = self.fit.system.column.packing
        return None if packing is None else packing.eddy * self.fit.system.eddy_factor

    @property
    def eddy_sd(self) -> Annotated[float | None, THREE, key()]:
        """Its standard deviation."""
        known = 3 + 3 * len(self.fit.retention)  # as is a lambda of 0
        return self.eddy and self.eddy * float(np.sqrt(np.diag(self.fit.width_covariance)[known:].sum()))

    @property
    def injected_width(self) -> Annotated[float, Rounded(), key("injected_width_s")]:
        """Standard deviation of the injected band [s]."""
        return self.fit.system.injection_width

    @property
    def injected_width_half(self) -> Annotated[float, WIDTH, key("injected_width_half_s")]:
        """Its width at half height [s]."""
        return float(HALF_HEIGHT_WIDTH * self.fit.system.injection_width)

    @property
    def injected_width_half_sd(self) -> Annotated[float | None, THREE, key("injected_width_half_sd_s")]:
        """The standard deviation of that [s], None where widths were not measured.

        What is fitted is the band's variance. The standard deviation of the width is what one of the variance adds to
        it: of a variance that is well known that is the usual first derivative, and it still says something at zero.
        """
        if not self.fit.widths_fitted:
            return None
        variance = self.fit.system.injection_width**2 + float(np.sqrt(self.fit.width_covariance[1, 1]))
        return float(HALF_HEIGHT_WIDTH * np.sqrt(variance)) - self.injected_width_half

    @property
    def injected_width_known(self) -> Annotated[bool, key()]:
        """Whether the runs determine it: its standard deviation is at most half of it."""
        sd = self.injected_width_half_sd
        return sd is not None and sd <= self.injected_width_half / 2

    @property
    def oven_lag(self) -> Annotated[float, LAG, key("oven_lag_s")]:
        """How far the oven is behind its set point in a ramp [s]."""
        return self.fit.system.oven_lag

    @property
    def oven_lag_sd(self) -> Annotated[float | None, LAG, key("oven_lag_sd_s")]:
        """Its standard deviation [s], None where it was not fitted."""
        return float(np.sqrt(self.fit.covariance[-1, -1])) if self.fit.lag_fitted else None

    @property
    def widths_fitted(self) -> Annotated[bool, key()]:
        """Whether plate height and injected width come from measured widths."""
        return self.fit.widths_fitted

    @property
    def testable(self) -> Annotated[bool, key()]:
        """Whether the runs are enough to show a mistake."""
        return self.fit.testable

    @property
    def chi_square(self) -> Annotated[float, Rounded(), key()]:
        """Of the measured values."""
        return self.fit.chi_square

    @property
    def degrees_of_freedom(self) -> Annotated[float, THREE, key()]:
        """Measured values less the effective number of parameters."""
        return self.fit.degrees_of_freedom

    @property
    def hold_up(self) -> Annotated[dict[str, float], MINUTES, key("hold_up_min")]:
        """Hold-up time [s] of every run as fitted."""
        return self._by_run(self.fit.hold_up)

    @cached_property
    def _compounds(self) -> tuple[FittedCompound, ...]:
        fit, retention = self.fit, self.fit.retention
        dH, dS = enthalpy(retention), entropy(retention, self.scenario.column.known_phase_ratio)
        shares = self.over_capacity
        return tuple(
            FittedCompound(
                name,
                float(retention.T0[m]),
                float(fit.standard_error[m, 0]),
                float(retention.theta[m]),
                float(fit.standard_error[m, 1] * retention.theta[m]),
                float(retention.dCp[m]),
                float(fit.standard_error[m, 2]),
                float(dH[m]),
                float(dS[m]),
                FromTypicalValues(*map(float, fit.prior_weight[m, 1:])),
                self._by_run(fit.residual[:, m]),
                *shares.get(name, (None, None)),
            )
            for m, name in enumerate(self.scenario.compounds)
        )

    @property
    def over_capacity(self) -> dict[str, tuple[float, float | None]]:
        """Amounts over capacities, and their standard deviations, of compounds that amounts move."""
        fit, column = self.fit, self.scenario.column
        if fit.load is None or fit.load_sd is None:
            return {}
        at_capacity = load_of_capacity(np.ones(()), 1.0, column.length / column.inner_diameter)
        load, sd = fit.load / at_capacity, fit.load_sd / at_capacity
        return {
            name: (float(load[m]), float(sd[m]) if np.isfinite(sd[m]) else None)
            for m, name in enumerate(self.scenario.compounds)
            if load[m] != 0
        }

    @property
    def amounts_text(self) -> str:
        """What amounts are of the capacity, in a sentence; empty where they move nothing."""
        found = [
            f"{name} {OVER.interval(share, sd)}" if sd is not None else f"{name} {share:.2g} (as stated)"
            for name, (share, sd) in self.over_capacity.items()
        ]
        return f" Amounts over the capacity: {', '.join(found)}." if found else ""

    @cached_property
    def _system_tail(self) -> SystemTail | None:
        scenario, load = self.scenario, self.fit.load
        found = np.full((2, len(scenario.runs), len(scenario.compounds)), np.nan)
        for r, run in enumerate(scenario.runs):
            for m, name in enumerate(scenario.compounds):
                row = run.peaks.index(name)
                if row is not None and (load is None or load[m] == 0):  # else what was measured is its lean
                    found[:, r, m] = run.peaks.tailing[row], run.peaks.width_half[row] / HALF_HEIGHT_WIDTH
        return system_tail(*found)

    @property
    def decay(self) -> Annotated[float | None, THREE, key("decay_s")]:
        """Time constant [s] of a decay common to all peaks that their measured tails tell; None if they are too few."""
        return None if self._system_tail is None else self._system_tail.time_constant

    @property
    def decay_interval(self) -> Annotated[tuple[float, float] | None, THREE, key("decay_interval_s")]:
        """Its 95 % interval [s]; from 0 where there may be none."""
        return None if self._system_tail is None else self._system_tail.interval

    @property
    def tailing_before_decay(self) -> Annotated[float | None, THREE, key()]:
        """Tailing factor [-] that peaks have without it."""
        return None if self._system_tail is None else self._system_tail.column

    @property
    def tails_text(self) -> str:
        """How much of the measured tails is the system's, in a sentence; empty where they are too few."""
        tail = self._system_tail
        if tail is None:
            return ""
        (low, high), stated = tail.interval, self.scenario.detector.response_time
        if not tail.certain and tail.column < TAILS and stated <= high:
            return ""
        if not tail.certain:
            return (
                f" Tails: grow with the widths, as far as can be told; of the system's decay at most {high:.2g} s."
                + (f" response_time_s = {stated:g} is more." if stated > high else "")
            )
        measured = "{:.2f} to {:.2f}".format(*tail.measured)
        return (
            f" Tails: tailing factors of {measured} are those of a decay of {tail.time_constant:.2g} s ({low:.2g} to "
            f"{high:.2g} s), the same for all peaks, after a tailing factor of {tail.column:.2f}; "
            + (
                f"response_time_s = {stated:g} is stated."
                if stated
                else "state it as detector.response_time_s."
            )
        )

    @property
    def compounds(self) -> Annotated[tuple[FittedCompound, ...], key()]:
        """One a compound, in the order of the scenario."""
        return self._compounds

    @property
    def suspects(self) -> Annotated[tuple[SuspectPeak, ...], key()]:
        """Peaks that are probably wrong, the clearest first."""
        return tuple(map(self._suspect, self.fit.suspects))

    @property
    def warnings(self) -> Annotated[tuple[str, ...], key()]:
        """Of the scenario, then of the fit."""
        return (*self.scenario.warnings, *self.fit.warnings)

    def to_dict(self) -> dict[str, Any]:
        """As `rampwright fit --json`."""
        return {
            "format": 1,
            "title": self.scenario.title,
            **document_of(self, self.scenario.ambient_pressure),
        }

    @property
    def column_text(self) -> str:
        """Flow, plate height, injected width and oven lag in a sentence."""
        lag, width = (
            LAG.interval(self.oven_lag, self.oven_lag_sd),
            WIDTH.interval(self.injected_width_half, self.injected_width_half_sd),
        )
        unknown = (
            ", which the runs do not determine"
            if self.widths_fitted and not self.injected_width_known
            else ""
        )
        eddy = "" if self.eddy is None else f" (lambda {THREE.interval(self.eddy, self.eddy_sd)})"
        origin = "from measured widths" if self.widths_fitted else "assumed, as no widths were measured"
        return (
            f"Column velocity {100 * (self.flow_factor - 1):+.2f} % against what the dimensions give; plate height "
            f"{Rounded().text(self.plate_height_factor)} times theory{eddy} and injected width at half height {width} s"
            f"{unknown} ({origin}); oven {lag} s behind its set point in ramps.{self.amounts_text}{self.tails_text}"
        )

    def _by_run(self, values: Any) -> dict[str, float]:
        return {run.name: float(value) for run, value in zip(self.scenario.runs, values, strict=True)}

    def _suspect(self, suspect: Suspect) -> SuspectPeak:
        names, runs = self.scenario.compounds, [run.name for run in self.scenario.runs]
        return SuspectPeak(
            names[suspect.compound],
            runs[suspect.run],
            None if suspect.other_run is None else runs[suspect.other_run],
            suspect.kind,
            None if suspect.partner is None else names[suspect.partner],
            suspect.seconds,
            suspect.sigmas,
            suspect.expected,
            suspect.expected_error,
            suspect.intended,
            dict(suspect.weighed),
            suspect.area_gain,
            description(suspect, runs, names),
            correction_of(suspect, runs, names),
        )
