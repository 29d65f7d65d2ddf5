"""Whether all deviations of a run have one cause: another speed of the gas, another oven, a common delay or stretch.

The deviations d of the m peaks found are compared with the prediction's own covariance C, the run's repeatability
included:

    chi2(x) = (d - s(x))' C^-1 (d - s(x))                                                    [1]

where s(x) is the shift that a cause of size x gives every peak. The size is found by generalised least squares with
the shifts simulated anew at each step, since a cut column may move peaks too far for first derivatives. A cause
explains a run when it lowers chi2 by far more than chance and what it leaves is no more than the prediction's noise.
That all times are too long in proportion is tried last: under one temperature gas of another speed does the same.

There are two C. The size of a cause is found with exact set points, since their errors are the causes in question.
Whether anything is wrong, and then which cause it is, is decided with their tolerances in C: an oven and a carrier both
off by their tolerances look like one of them that is off by more, and its own tolerance alone would be too narrow for
that. An instrument that differs from the model leaves more than its noise, whatever the cause: then a cause must lower
chi2 by so much more to be a drift, as standard errors are scaled by the residuals of a fit.

[1] generalised least squares, A. C. Aitken, Proc. Roy. Soc. Edinburgh 55 (1936) 42.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Annotated, Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc

from models.column.passage import length_as_alone
from models.column.programs import Array, Program, ProgramBatch, batch_of
from models.peaks.migration import migrate
from models.peaks.resolution import HALF_HEIGHT_WIDTH
from optimizer.base.numbers import Rounded
from optimizer.base.quantities import METRE
from optimizer.base.tables import BESIDE, key
from optimizer.goal.covariance import IMPROBABLE, by_parameters, time_covariance
from optimizer.goal.goal import Problem

CauseKind = Literal["gas", "oven", "delay", "stretch"]
KINDS: tuple[CauseKind, ...] = ("gas", "oven", "delay")  # what an instrument does
STEPS: dict[CauseKind, float] = {"gas": 1e-3, "oven": 0.05, "delay": 1.0}
FARTHEST: dict[CauseKind, float] = {"gas": 0.3, "oven": 15.0, "delay": 60.0, "stretch": 0.1}
ROUNDS = 6
LEAST_PEAKS = 3  # fewer say nothing of a cause common to all
TELLING = 12.0  # fall of chi2 from which a cause is worth naming: p = 0.0005, three of them tried
BEYOND = 9.0  # the same, tolerances in C, from which a run drifts: p = 0.003, so about 1 % with three of them tried
EXPLAINED = 0.9  # share of chi2 beyond noise that a cause must explain where the rest is still improbable
ALIKE = 6.0  # difference of chi2 below which another cause would do as well
LEAST_CUT = 0.005  # m
SIZE_KEYS = {"gas": "velocity_percent", "oven": "oven_K", "delay": "delay_s", "stretch": "longer_percent"}
ChiSquare = Annotated[float, Rounded(), key()]


@dataclass(frozen=True)
class Cause:
    """One cause for all deviations.

    Attributes
    ----------
    size, sd : float, ln of the velocity's ratio, [K], [s], or the share by which times are longer; and its standard
        deviation
    shift : (M,) array  [s], what it does to every peak; nan where not eluted
    largest : float, of what remains with it, the largest of a peak in standard deviations
    """

    kind: Annotated[CauseKind, key()]
    """what it is: "gas" (its size under `velocity_percent`), "oven" (`oven_K`), "delay" (`delay_s`), or "stretch": all
    times in proportion (`longer_percent`); `sd` is the standard deviation of that size"""
    size: float
    sd: float
    shift: Array
    chi_square: ChiSquare
    """of what remains with it"""
    largest: float
    cut: Annotated[float | None, Rounded(METRE, decimals=3), key("as_cut_off_m")] = None
    """length whose loss would have this effect, the old one still being entered; None of other kinds"""

    @property
    def in_units(self) -> Annotated[dict[str, float | None], key(BESIDE)]:
        """Size, under the key of its kind, and standard deviation: [%], [K] or [s]."""
        size = float(np.expm1(self.size)) if self.kind == "gas" else self.size
        times = 100 if self.kind in ("gas", "stretch") else 1
        return {
            SIZE_KEYS[self.kind]: Rounded(digits=3).written(times * size),
            "sd": Rounded(digits=2).written(times * self.sd),
        }

    @property
    def text(self) -> Annotated[str, key("says")]:
        """What it is and how large."""
        late, by = ("late" if self.size > 0 else "early"), abs(self.size)
        if self.kind == "delay":
            why = (
                "before the injection or the oven is slow to follow"
                if self.size > 0
                else "after the injection"
            )
            return f"all peaks {by:.1f} s {late}, as when the clock starts {why}"
        if self.kind == "stretch":
            return f"all times {100 * by:.1f} % {late}, in proportion, as from a clock that is wrong"
        if self.kind == "oven":
            return f"an oven {by:.1f} °C {'hotter' if self.size > 0 else 'colder'}"
        share = 100 * (np.exp(self.size) - 1)
        text = f"{abs(share):.1f} % {'faster' if share > 0 else 'slower'} gas"
        return text if self.cut is None else f"{text}, as after cutting {self.cut:.2f} m off"


@dataclass(frozen=True)
class Causes:
    """What was tried on the deviations of a run.

    Attributes
    ----------
    scale : float, chi-square that remains for each degree of freedom, 1 at least: the unit of `fall`
    """

    chi_square: ChiSquare
    """of the deviations against fit and repeatability, without any cause, set points exact"""
    peaks: Annotated[int, key()]
    """how many deviations"""
    cause: Annotated[Cause | None, key()]
    """the one that explains them, see below; None without one"""
    rivals: Annotated[tuple[Cause, ...], key("as_well")]
    """causes that would do as well"""
    tolerant: Annotated[float, Rounded(), key("chi_square_with_tolerances")]
    """chi-square with the tolerances of set points allowed for"""
    fall: Annotated[float, Rounded(), key("fall_with_tolerances")]
    """by how much one cause lowers that at most, in what remains for each degree of freedom"""
    scale: float
    beyond: Annotated[bool, key("beyond_tolerances")]
    """whether that cause is more than the tolerances allow, which makes a drift"""
    independent: Annotated[bool, key()]
    """whether the deviations are beyond chance and tolerances, and no single cause explains them"""


@dataclass(frozen=True)
class Expectation:
    """Retention times that a program is expected to give on the instrument as it was fitted, and how sure they are.

    Attributes
    ----------
    problem : Problem, whose tables cover the program
    program : Program
    repeatability : float  [s], of the run to be compared
    """

    problem: Problem
    program: Program
    repeatability: float

    @cached_property
    def batch(self) -> ProgramBatch:
        """The program as a batch of one."""
        return batch_of([self.program])

    def peaks(self, kind: CauseKind | None = None, size: float = 0.0) -> tuple[Array, Array]:
        """Retention times and half-height widths (M,) [s], with a cause of some size at work; nan where not eluted."""
        tables, batch = self.problem.tables[self.batch.controlled], self.batch
        if kind == "gas":
            system = tables.system
            tables = replace(
                tables, system=replace(system, flow_factor=system.flow_factor * float(np.exp(size)))
            )
        elif kind == "oven":
            batch = replace(batch, oven_temperatures=batch.oven_temperatures + size)
        found = migrate(tables, batch, "polish")
        late, longer = size if kind == "delay" else 0.0, 1 + (size if kind == "stretch" else 0.0)
        return longer * found.retention_time[0] + late, longer * found.width[0] * HALF_HEIGHT_WIDTH

    @cached_property
    def plain(self) -> tuple[Array, Array]:
        """Times and widths as predicted."""
        return self.peaks()

    @cached_property
    def covariances(self) -> tuple[Array, Array]:
        """(M, M) [s2] of the times found less those predicted, set points exact and within their tolerances."""
        return time_covariance(self.problem.robustness, self.batch, self.plain[0], self.repeatability)

    @cached_property
    def by_parameters(self) -> Array:
        """(M, P) derivatives of the times by the parameters of the fit's covariance."""
        robustness = self.problem.robustness
        return by_parameters(robustness.fit, robustness.sensitivity(self.batch))

    @property
    def covariance(self) -> Array:
        """The former: of all but the set points."""
        return self.covariances[0]

    @property
    def tolerant_covariance(self) -> Array:
        """The latter: with set points off by what the scenario allows."""
        return self.covariances[1]

    def slope(self, kind: CauseKind, size: float = 0.0) -> Array:
        """(M,) change of the times by a cause."""
        if kind == "delay":
            return np.ones(len(self.plain[0]))
        if kind == "stretch":
            return self.plain[0]
        step = STEPS[kind]
        base = self.plain[0] if size == 0 else self.peaks(kind, size)[0]
        return (self.peaks(kind, size + step)[0] - base) / step


def expectation(problem: Problem, program: Program, repeatability: float) -> Expectation:
    """What a program is expected to give."""
    return Expectation(problem, program, repeatability)


def causes_of(expected: Expectation, found: Array) -> Causes:
    """Look for one cause of all deviations of a run.

    Parameters
    ----------
    found : (M,) array  [s], nan where a peak is missing
    """
    seen = np.isfinite(found) & np.isfinite(expected.plain[0])
    count = int(seen.sum())
    deviation = (found - expected.plain[0])[seen]
    if not count:
        return Causes(0.0, 0, None, (), 0.0, 0.0, 1.0, False, False)
    exact, tolerant = (_inverse(each, seen) for each in expected.covariances)
    plain, allowed = (float(deviation @ each @ deviation) for each in (exact, tolerant))
    if count < LEAST_PEAKS:
        return Causes(plain, count, None, (), allowed, 0.0, 1.0, False, improbable(allowed, count))
    sized = {kind: _fitted(expected, kind, found, seen, exact) for kind in KINDS}
    best, rest_is_noise = min(sized.values(), key=_chi_square), True
    if improbable(best.chi_square, count - 1):
        stretch = _fitted(expected, "stretch", found, seen, exact)
        rest_is_noise = not improbable(stretch.chi_square, count - 1)
        if rest_is_noise:
            best, sized = stretch, {"stretch": stretch}
    explained = plain - best.chi_square > EXPLAINED * (plain - count)
    named = plain - best.chi_square > TELLING and (rest_is_noise or (explained and improbable(plain, count)))

    left = {kind: _fitted(expected, kind, found, seen, tolerant).chi_square for kind in sized}
    least = min(left.values())
    fall, scale = allowed - least, max(1.0, least / (count - 1))
    beyond = fall / scale > BEYOND and (named or not improbable(least, count - 1))
    independent = not beyond and improbable(allowed, count) and not (named and rest_is_noise)
    if not beyond and (independent or not named):
        return Causes(plain, count, None, (), allowed, fall, scale, False, independent)
    # Within tolerances the likeliest set point is the one that explains most by itself; beyond them, the one that
    # does while the others may be off by what they are allowed.
    judged = left if beyond else {kind: each.chi_square for kind, each in sized.items()}
    first, *others = sorted(judged, key=judged.__getitem__)
    rivals = tuple(sized[kind] for kind in others if judged[kind] < judged[first] + ALIKE)
    return Causes(plain, count, sized[first], rivals, allowed, fall, scale, beyond, False)


def _chi_square(cause: Cause) -> float:
    return cause.chi_square


def _inverse(covariance: Array, seen: NDArray[np.bool_]) -> Array:
    """Of the peaks seen."""
    return np.linalg.inv(covariance[np.ix_(seen, seen)]).astype(np.float64)


def improbable(chi_square: float, freedom: int) -> bool:
    """Whether chance hardly ever gives so much."""
    return bool(freedom > 0 and chdtrc(freedom, chi_square) < IMPROBABLE)


def _fitted(
    expected: Expectation, kind: CauseKind, found: Array, seen: NDArray[np.bool_], precision: Array
) -> Cause:
    """The size of a cause by generalised least squares."""
    size, reach = 0.0, FARTHEST[kind]
    for _ in range(ROUNDS):
        t = expected.peaks(kind, size)[0]
        slope = expected.slope(kind, size)[seen]
        rest = (found - t)[seen]
        information = float(slope @ precision @ slope)
        step = float(slope @ precision @ rest) / information
        size = float(np.clip(size + step, -reach, reach))
        if abs(step) < 1e-3 / np.sqrt(information):
            break
    shifted = expected.peaks(kind, size)[0]
    rest = (found - shifted)[seen]
    column = expected.problem.fit.system.column
    length = length_as_alone(expected.problem.fit.system)
    cut = -length * float(np.expm1(-size / 2)) if kind == "gas" else 0.0
    return Cause(
        kind,
        size,
        float(1 / np.sqrt(information)),
        shifted - expected.plain[0],
        float(rest @ precision @ rest),
        float(np.abs(rest / np.sqrt(np.diag(expected.covariance)[seen])).max()),
        cut if LEAST_CUT <= cut < column.inlet_length else None,
    )
