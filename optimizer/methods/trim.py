"""A piece was cut off the column: the new times, and the set value that brings a named compound back."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import brentq

from models.column.programs import Program
from models.column.scaling import carried_carrier
from models.column.system import ColumnSystem
from models.errors import InvalidInputError
from models.fit.fit import Fit
from optimizer.goal.goal import Problem, problem_of
from optimizer.goal.outcome import Prediction
from optimizer.goal.predict import predict
from optimizer.methods.adapt import reference_temperature, settable_carrier
from optimizer.scenario.data import Scenario
from optimizer.search.candidates import warnings_of
from optimizer.search.reasons import broken_limits

SEARCHED = np.log(2.0)  # of the hold-up time, either way; more than half a column is not called a trim
KEEPS_FLOW = (
    "The column stays, and with it the flow correction the fit found; plates fall with the length, so look at the "
    "smallest resolution too."
)


@dataclass(frozen=True)
class Trimmed:
    """A method on a column that lost a piece.

    Attributes
    ----------
    old, new : Problem, on the column before and after, the length re-entered
    cut : float  [m]
    marker : str, the compound whose retention time is restored
    before : Prediction, before the cut
    not_entered : Prediction after it, set points as they were, the instrument still told the old length; None where
        that makes no difference (controlled pressure)
    entered : Prediction after it, set points as they were, the new length entered
    restored : Prediction with the carrier set so that the marker comes when it came
    rounded : Prediction, the same with the set values on the instrument's grid
    restored_not_entered : Program, what to set for the same if the old length stays entered; None where that makes
        no difference
    rounded_not_entered : Prediction, the same with the set values on the instrument's grid; its program says what is
        set, the old length staying entered
    notes, warnings : sentences; warnings are about the restored method as rounded
    """

    old: Problem
    new: Problem
    cut: float
    marker: str
    before: Prediction
    not_entered: Prediction | None
    entered: Prediction
    restored: Prediction
    rounded: Prediction
    restored_not_entered: Program | None
    rounded_not_entered: Prediction | None
    notes: tuple[str, ...]
    warnings: tuple[str, ...]


def trim(scenario: Scenario, fit: Fit, method: Program, cut: float, marker: str | None = None) -> Trimmed:
    """What cutting `cut` [m] off does to a method.

    Raises
    ------
    InvalidInputError : for an unknown marker, one that does not elute, or one no set value brings back
    """
    scenario = replace(scenario, current=method)
    old = problem_of(scenario, fit)
    before = predict(old, method)
    column = replace(scenario.column, length=scenario.column.length - cut)
    system = replace(fit.system, column=column)
    new = problem_of(replace(scenario, column=column), replace(fit, system=system))
    at = _marker(old, before, marker)

    shortened = column.length / scenario.column.length
    pressure = method.carrier.controlled == "pressure"
    restored = _restoring(old.fit.system, new, before, at)
    after = predict(new, restored)
    rounded = predict(new, _settable(scenario, restored))
    typed, typed_gives = None, None
    if not pressure:
        typed = _times(restored, shortened)
        settable = _settable(scenario, typed)
        typed_gives = replace(predict(new, _times(settable, 1 / shortened)), program=settable)
    return Trimmed(
        old=old,
        new=new,
        cut=cut,
        marker=before.compounds[at],
        before=before,
        not_entered=None if pressure else predict(new, _times(method, 1 / shortened)),
        entered=predict(new, method),
        restored=after,
        rounded=rounded,
        restored_not_entered=typed,
        rounded_not_entered=typed_gives,
        notes=(KEEPS_FLOW,),
        warnings=(*broken_limits(new, rounded), *warnings_of(new, rounded)),
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
    """The program whose carrier, and nothing else, is set anew so that the marker comes when it came."""
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
    """Index of the named compound, or of the target that leaves last."""
    names = problem.scenario.compounds
    if marker is not None:
        if marker not in names:
            raise InvalidInputError(
                f"--marker {marker!r}: expected a compound of the peak tables: {', '.join(names)}"
            )
        if not np.isfinite(before.retention[names.index(marker)]):
            raise InvalidInputError(f"--marker {marker!r}: does not leave the column with the method in use")
        return names.index(marker)
    leaving = [m for m in before.order if np.isfinite(before.retention[m])]
    targets = [m for m in leaving if m in problem.targets]
    if not leaving:
        raise InvalidInputError(
            "no compound leaves the column with the method in use; there is nothing to restore"
        )
    return int((targets or leaving)[-1])
