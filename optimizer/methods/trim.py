"""A piece was cut off the column: the new times, and the set value that brings a named compound back."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Annotated, NamedTuple

import numpy as np
from scipy.optimize import brentq

from models.column.programs import CarrierProgram, Program
from models.column.scaling import carried_carrier
from models.column.system import ColumnSystem, squares_per_flow
from models.errors import InvalidInputError
from models.fit.fit import Fit
from models.units import M3_PER_S_PER_ML_MIN, PA_PER_KPA
from optimizer.base.numbers import Rounded
from optimizer.base.quantities import METRE
from optimizer.base.tables import Heading, WrittenBy, key
from optimizer.goal.goal import Problem, problem_of
from optimizer.goal.outcome import Prediction
from optimizer.goal.predict import predict
from optimizer.methods.adapt import (
    RETENTION,
    Method,
    SideBySide,
    reference_temperature,
)
from optimizer.scenario.data import Scenario
from optimizer.scenario.instrument_steps import on_grid, settable_carrier
from optimizer.scenario.program_tables import carrier_document
from optimizer.search.reasons import broken_limits, warnings_of

SEARCHED = np.log(2.0)  # of the hold-up time, either way; more than half a column is not called a trim
KEEPS_FLOW = (
    "The column stays, and with it the flow correction the fit found; plates fall with the length, so look at the "
    "smallest resolution too."
)


# Steps to which a carrier program is rounded that no instrument takes as it is: as many digits as are worth reading.
READABLE = {"pressure": 0.1 * PA_PER_KPA, "flow": 1e-3 * M3_PER_S_PER_ML_MIN, "velocity": 1e-4}


class Setting(NamedTuple):
    """What to set after a cut.

    Attributes
    ----------
    carrier : on the instrument's steps
    marker : [s], when the marker then elutes
    between_steps : what would restore it, were there no steps, to as many digits as are worth reading
    exact : the same to all digits
    """

    carrier: Annotated[CarrierProgram, WrittenBy(carrier_document), key()]
    marker: Annotated[float, RETENTION, key("marker_min")]
    between_steps: Annotated[CarrierProgram, WrittenBy(carrier_document), key()]
    exact: Program


class TrimmedPeak(NamedTuple):
    """Retention times [s] of a peak; with the old length entered nan where that makes no difference."""

    compound: Annotated[str, key(), Heading("compound")]
    before: Annotated[float, RETENTION, key("before_min"), Heading("before, min")]
    after: Annotated[float, RETENTION, key("after_min"), Heading("as set, new length entered, min")]
    not_entered: Annotated[
        float, RETENTION, key("after_old_length_entered_min"), Heading("as set, old length entered, min")
    ]
    restored: Annotated[float, RETENTION, key("restored_min"), Heading("restored, min")]


@dataclass(frozen=True)
class Trimmed(SideBySide):
    """A method on a column that lost a piece; after it, the carrier is set so that the marker elutes when it did.

    Attributes
    ----------
    cut : [m]
    marker : the compound whose retention time is restored
    marker_before : [s], when it eluted before the cut
    entered : set points as they were, the new length entered
    not_entered : set points as they were, the instrument still told the old length; None where that makes no
        difference (controlled pressure)
    to_set : what restores the marker
    to_set_not_entered : the same if the old length stays entered; None where that makes no difference
    """

    cut: Annotated[float, Rounded(METRE, shown="g"), key("cut_m")]
    marker: Annotated[str, key()]
    marker_before: Annotated[float, RETENTION, key("marker_before_min")]
    entered: Prediction
    not_entered: Prediction | None
    to_set: Annotated[Setting, key()]
    to_set_not_entered: Annotated[Setting | None, key("to_set_if_old_length_stays_entered")]

    @property
    def methods(self) -> dict[str, Method]:
        """Side by side, by what they are called."""
        found = Method(self.old, self.before), Method(self.new, self.entered), Method(self.new, self.after)
        return dict(zip(("before", "after, as set", "restored"), found, strict=True))

    @property
    def peaks(self) -> Annotated[tuple[TrimmedPeak, ...], key()]:
        """Peaks in the order of elution before the cut."""
        names, known = self.before.compounds, (self.before, self.entered, self.not_entered, self.after)
        unknown = np.full(len(names), np.nan)
        times = [unknown if each is None else each.retention for each in known]
        return tuple(TrimmedPeak(names[m], *(float(each[m]) for each in times)) for m in self.before.order)


def _readable(carrier: CarrierProgram, ambient_pressure: float) -> CarrierProgram:
    """A carrier program with as many digits as are worth reading."""
    step = READABLE[carrier.controlled]
    zero = ambient_pressure if carrier.controlled == "pressure" else 0.0
    ramps = tuple(
        replace(ramp, rate=on_grid(60 * ramp.rate, step) / 60, target=on_grid(ramp.target, step, zero))
        for ramp in carrier.ramps
    )
    return replace(carrier, start=on_grid(carrier.start, step, zero), ramps=ramps)


def trim(scenario: Scenario, fit: Fit, method: Program, cut: float, marker: str | None = None) -> Trimmed:
    """What cutting `cut` [m] off does to a method.

    Raises
    ------
    InvalidInputError : for an unknown marker, one that does not elute, or one no set value brings back
    """
    scenario = replace(scenario, current=method)
    old = problem_of(scenario, fit)
    before = predict(old, method)
    column = scenario.column.shortened(cut)
    system = replace(fit.system, column=column)
    new = problem_of(replace(scenario, column=column), replace(fit, system=system))
    at = _marker(old, before, marker)

    # Exact at the start: of a line at its own temperature the share changes with the oven.
    whole, cut_off = (
        squares_per_flow(each, system.gas, method.oven.start) for each in (scenario.column, column)
    )
    shortened = float(cut_off / whole)
    restored = _restoring(old.fit.system, new, before, at)
    after = predict(new, _settable(scenario, restored))

    def setting(settable: Program, gives: Prediction, exact: Program) -> Setting:
        between = _readable(exact.carrier, scenario.ambient_pressure)
        return Setting(settable.carrier, float(gives.retention[at]), between, exact)

    not_entered = to_set_not_entered = None
    if method.carrier.controlled != "pressure":
        not_entered = predict(new, _times(method, 1 / shortened))
        exact = _times(restored, shortened)
        settable = _settable(scenario, exact)
        to_set_not_entered = setting(settable, predict(new, _times(settable, 1 / shortened)), exact)
    return Trimmed(
        old=old,
        new=new,
        before=before,
        after=after,
        notes=(KEEPS_FLOW,),
        about_after=(*broken_limits(new, after), *warnings_of(new, after)),
        cut=cut,
        marker=before.compounds[at],
        marker_before=float(before.retention[at]),
        entered=predict(new, method),
        not_entered=not_entered,
        to_set=setting(after.program, after, restored),
        to_set_not_entered=to_set_not_entered,
    )


def _settable(scenario: Scenario, program: Program) -> Program:
    """The program with the carrier on the instrument's grid."""
    return replace(program, carrier=settable_carrier(scenario, program.carrier))


def _times(program: Program, factor: float) -> Program:
    """The carrier's set values, and the rates between them, multiplied by a factor.

    Told a length L', the pneumatics set for a flow or velocity the pressure that goes with L' times it. On a column of
    length L that is the pressure of L'/L times the flow or velocity, L being told.
    """
    carrier = program.carrier
    ramps = tuple(
        replace(ramp, rate=ramp.rate * factor, target=ramp.target * factor) for ramp in carrier.ramps
    )
    return replace(program, carrier=replace(carrier, start=carrier.start * factor, ramps=ramps))


def _restoring(old: ColumnSystem, new: Problem, before: Prediction, marker: int) -> Program:
    """The program whose carrier, and nothing else, is set anew so that the marker elutes when it did."""
    method, wanted = before.program, float(before.retention[marker])
    T = reference_temperature(before)

    def program(ln_ratio: float) -> Program:
        carrier = carried_carrier(
            method.carrier, old, new.fit.system, method.carrier.controlled, float(np.exp(ln_ratio)), T, T
        )
        return replace(method, carrier=carrier)

    def late(ln_ratio: float) -> float:
        return float(predict(new, program(ln_ratio)).retention[marker]) - wanted

    if not late(-SEARCHED) < 0 < late(SEARCHED):
        raise InvalidInputError(
            f"no carrier setting brings {before.compounds[marker]} back to its time within half and twice the hold-up "
            "time; name another compound with --marker"
        )
    return program(float(brentq(late, -SEARCHED, SEARCHED, xtol=1e-9)))


def _marker(problem: Problem, before: Prediction, marker: str | None) -> int:
    """Index of the named compound, or of the target that elutes last."""
    names = problem.scenario.compounds
    if marker is not None:
        if marker not in names:
            raise InvalidInputError(
                f"--marker {marker!r}: expected a compound of the peak tables: {', '.join(names)}"
            )
        if not np.isfinite(before.retention[names.index(marker)]):
            raise InvalidInputError(f"--marker {marker!r}: does not elute with the method in use")
        return names.index(marker)
    eluting = [m for m in before.order if np.isfinite(before.retention[m])]
    targets = [m for m in eluting if m in problem.targets]
    if not eluting:
        raise InvalidInputError("no compound elutes with the method in use; there is nothing to restore")
    return int((targets or eluting)[-1])
