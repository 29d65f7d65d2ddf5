"""What goes into a fit and what comes out of it; and runs of several days.

What the set points of one day are off, the parameters fitted to its runs take up, and nobody could tell. Runs of two
days tell: fitted as if they were of one, they would bend parameters, and the oven's lag most of all, to explain what
changed from day to day, and would seem to know them well. So what oven, carrier and the gas's way are off on each day
is fitted, too.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from models.column.plate_height import typical_diffusion_constant
from models.column.programs import Array, Program
from models.column.retention import Retention
from models.column.system import ColumnSystem

FlowCorrection = Literal["column", "run", "none"]
Kind = Literal["swapped", "misnamed", "mistyped", "foreign"]
# What may be the matter with a time: nothing, a compound of another curvature, an unusual one, or something wrong.
Explanation = Literal["sound", "curved", "unusual", "swapped", "misnamed", "extra", "mistyped", "foreign"]
RIGHT: tuple[Explanation, ...] = ("sound", "curved", "unusual")

# Of ln of the true over the computed velocity, as a standard deviation.
LN_FLOW_SPREAD: dict[FlowCorrection, float] = {"column": 0.02, "run": 0.1, "none": 1e-9}
# Lag of the oven behind its set point in a ramp, mean and standard deviation [s]; common practice, no source.
USUAL_OVEN_LAG, OVEN_LAG_SPREAD = 5.0, 5.0
MODEL_ERROR = 2e-4  # of a retention time: what the physics leaves out, as a standard deviation
ERRORS = 3  # of each day: oven, carrier, ln flow
FARTHEST = 5.0  # standard deviations that an error of a day may reach


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
    area : (M,) array  [any unit], nan where missing; None without any
    day : label of the day it was made on: runs of one day share the errors of their set points
    tailing : (M,) array  [-], tailing factors, nan where missing; None without any
    """

    name: str
    program: Program
    retention: Array
    width_half: Array
    repeatability: float = 0.18
    hold_up: float | None = None
    area: Array | None = None
    day: str = ""
    tailing: Array | None = None


@dataclass(frozen=True)
class Suspect:
    """A peak that may be wrong. Compounds and runs are numbered from 0.

    Attributes
    ----------
    compound, run : int
    other_run : int or None, a run that may as well hold the wrong peak: two runs cannot tell which of them does
    kind : "swapped" with the partner's peak; "misnamed", it is the peak of the partner, which has none in this run;
        "mistyped"; "foreign", of a compound that is not in the list
    partner : int or None, the other compound
    time : float  [s], as measured
    seconds, sigmas : float, measured less expected from the compound's other runs, and over its standard deviation
    expected, expected_error : float  [s], from the compound's other runs, and its standard deviation
    intended : float or None  [s], a time one slip of typing away that is where the peak is expected
    area_gain : float, by how much chi-square of the areas falls when it is corrected
    weighed : all that may be the matter with the compound and how probable each is, the likeliest first
    """

    compound: int
    run: int
    other_run: int | None
    kind: Kind
    partner: int | None
    time: float
    seconds: float
    sigmas: float
    expected: float
    expected_error: float
    intended: float | None
    area_gain: float
    weighed: tuple[tuple[Explanation, float], ...]

    @property
    def wrong(self) -> float:
        """How likely it is that anything is wrong."""
        return sum(share for kind, share in self.weighed if kind not in RIGHT)


@dataclass(frozen=True)
class Fit:
    """Retention parameters and column corrections, with their uncertainty.

    Attributes
    ----------
    system : ColumnSystem with the fitted corrections
    retention : Retention of M compounds
    standard_error : (M, 3) array, of T0 [K], ln theta [-], dCp [J/mol/K]
    prior_weight : (M, 3) array, share of what is known of T0, and of ln theta and dCp less typical ones, that was known
        before, 0 to 1
    residual : (R, M) array  [s], predicted - measured, nan where missing
    standardised : (R, M) array, the same over sigma
    flow_factors : (R,) array
    covariance : (3 M + F + 1, 3 M + F + 1) array of T0, ln theta, dCp (M each), F ln flow factors, and the oven's lag
        [s]; without the last where `lag_fitted` is false
    hold_up : (R,) array  [s], predicted
    widths_fitted : bool, whether efficiency and injected width came from measured widths
    ln_diffusion : (M,) array, ln of diffusion in the gas over that of the n-alkane of the same T0
    width_covariance : (3 + 3 M, 3 + 3 M) array, one more with eddies, of ln plate height factor, the injected band's
        variance [s2] and ln diffusion in the film; then of ln diffusion in the gas, of ln of what a compound's in the
        film differs from the phase's, and of what the model leaves out of ln of its width (M each); where eddies are
        fitted, of ln lambda
    width_scatter : float, relative standard deviation of what else it leaves out of a width
    chi_square, degrees_of_freedom : float, of the measured values, less the effective number of parameters; the
        measurements are believed less by their ratio in the covariance where that is above one and the freedom large
        enough to tell
    testable : bool, whether any compound was measured in more runs than it has free parameters to bend
    warnings : sentences for the person at the bench
    suspects : peaks that are probably wrong; the fit uses them as they were given
    doubts : peaks that are probably right, but for which something wrong is worth a word
    settled : bool, whether the joint fit came to rest
    load, load_sd : (M,) arrays  [-], what the amounts do, see `models.peaks.overload`, and its standard deviation, nan
        where the load was stated; None where amounts move nothing
    tailing : (M,) array  [-], tailing factors before the system's decay (`models.peaks.tails`); None without one
    scouted : (2, M) array  [K], the lowest and the highest temperature at which a compound eluted in its runs
    scouted_velocity : (2,) array, the least and the largest `ln_velocities` of the runs
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
    ln_diffusion: Array
    width_covariance: Array
    width_scatter: float
    scouted: Array
    scouted_velocity: Array
    lag_fitted: bool = False
    suspects: tuple[Suspect, ...] = ()
    doubts: tuple[Suspect, ...] = ()
    settled: bool = True
    load: Array | None = None
    load_sd: Array | None = None
    tailing: Array | None = None

    @property
    def diffusion(self) -> Array:
        """D p/T^1.75 (M,) of the compounds in the carrier gas  [m2 Pa/(s K^1.75)]."""
        result: Array = typical_diffusion_constant(self.system.gas, self.retention.T0) * np.exp(
            self.ln_diffusion
        )
        return result

    @property
    def flows(self) -> slice:
        """Where the ln flow factors are in `covariance`."""
        start = 3 * len(self.retention)
        return slice(start, len(self.covariance) - self.lag_fitted)


@dataclass(frozen=True)
class DayToDay:
    """How far the runs of a day are off what is set, as standard deviations.

    Attributes
    ----------
    oven : float  [K], of the whole oven program
    flow, pressure : float, shares of a set flow (or velocity), and of a set pressure above `ambient`
    hold_up : float, of ln hold-up time by what no set point says
    ambient : float  [Pa]
    """

    oven: float = 0.0
    flow: float = 0.0
    pressure: float = 0.0
    hold_up: float = 0.0
    ambient: float = 0.0


@dataclass(frozen=True)
class Days:
    """The days of R runs, and E = 3 standardised errors for each; none where all are of one day.

    Attributes
    ----------
    of_run : (R,) array, numbers of the runs' days, from 0
    scale : (R, 3) array, what a standard deviation of each error is: oven [K], share of the carrier, ln flow
    zeros : (R,) array, set values from which a share of the carrier counts
    """

    of_run: NDArray[np.intp]
    scale: Array
    zeros: Array

    @property
    def count(self) -> int:
        """E, of errors in all."""
        days = int(self.of_run.max(initial=0)) + 1
        return ERRORS * days if days > 1 else 0

    def off(self, errors: Array) -> Array:
        """(R, 3) how far each run is off, from the errors (E,)."""
        return self.scale * errors.reshape(-1, ERRORS)[self.of_run]

    def slopes(self, by_set_point: Array) -> Array:
        """Derivatives (R, M, E) by the errors, from those by what each run is off (R, M, 3)."""
        R, M = by_set_point.shape[:2]
        result = np.zeros((R, M, self.count // ERRORS, ERRORS))
        for r, day in enumerate(self.of_run):
            result[r, :, day] = self.scale[r] * by_set_point[r]
        return result.reshape(R, M, -1)


def days_of(runs: Sequence[Run], day_to_day: DayToDay) -> Days:
    """The days of runs, by their labels."""
    labels = list(dict.fromkeys(run.day for run in runs))
    pressure = np.array([run.program.carrier.controlled == "pressure" for run in runs])
    every = np.ones(len(runs))
    carrier = np.where(pressure, day_to_day.pressure, day_to_day.flow)
    return Days(
        np.array([labels.index(run.day) for run in runs], dtype=np.intp),
        np.stack([day_to_day.oven * every, carrier, day_to_day.hold_up * every], axis=1),
        np.where(pressure, day_to_day.ambient, 0.0),
    )
