"""What goes into a fit and what comes out of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from models.programs import Array, Program
from models.retention import Retention
from models.system import ColumnSystem

FlowCorrection = Literal["column", "run", "none"]

# Spreads of the typical values a fit starts from, as standard deviations.
LN_THETA_SPREAD = 0.15
LN_FLOW_SPREAD: dict[FlowCorrection, float] = {"column": 0.02, "run": 0.1, "none": 1e-9}
ASSUMED_PLATE_HEIGHT_FACTOR = 1.2  # when no widths were measured: a column in ordinary condition


@dataclass(frozen=True)
class Run:
    """One scouting run of M compounds.

    Attributes
    ----------
    name : str
    program : Program
    retention, width_half : (M,) arrays  [s], nan where missing
    repeatability : float  [s], standard deviation of a retention time from run to run
    hold_up : float or None  [s], measured hold-up time
    """

    name: str
    program: Program
    retention: Array
    width_half: Array
    repeatability: float = 0.18
    hold_up: float | None = None


@dataclass(frozen=True)
class Fit:
    """Retention parameters and column corrections, with their uncertainty.

    Attributes
    ----------
    system : ColumnSystem with the fitted corrections
    retention : Retention of M compounds
    standard_error : (M, 3) array, of T0 [K], ln theta [-], dCp [J/mol/K]
    prior_weight : (M, 3) array, share of what is known of a parameter that came from its typical value, 0 to 1
    residual : (R, M) array  [s], predicted less measured, nan where missing
    standardised : (R, M) array, the same over sigma
    flow_factors : (R,) array
    covariance : (3 M + F, 3 M + F) array of T0, ln theta, dCp (M each), then F ln flow factors
    hold_up : (R,) array  [s], predicted
    widths_fitted : bool, whether efficiency and injected width came from measured widths
    chi_square, degrees_of_freedom : float, of the measured values, less the effective number of parameters; the
        covariance is widened by their ratio where that is above one and the freedom large enough to tell
    testable : bool, whether any compound was measured in more runs than it has free parameters to bend
    warnings : sentences for the person at the bench
    """

    system: ColumnSystem
    retention: Retention
    standard_error: Array
    prior_weight: Array
    residual: Array
    standardised: Array
    flow_factors: Array
    covariance: Array
    hold_up: Array
    widths_fitted: bool
    chi_square: float
    degrees_of_freedom: float
    testable: bool
    warnings: tuple[str, ...]
