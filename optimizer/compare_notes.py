"""What the fit with a compared run has to say of single peaks, as far as it holds for the run as it was measured.

What a whole run is off by is taken out of its times before they are fitted. Such a time was never typed, and a scouting
run may be far more exact than a prediction of another program: so a suspicion of the run's own peak is held against
what `compare` itself foresees, and against the time in the table.
"""

from __future__ import annotations

from dataclasses import replace

from models.fit import Suspect
from models.fit_diagnosis import description, mend
from models.typing_slips import intended_time
from optimizer.compare import Comparison
from optimizer.compare_refit import Refit

UNSUSPECTED = 2.0  # standard deviations of a deviation, within which a peak of the run is not called wrong


def refit_notes(compared: Comparison, after: Refit) -> list[str]:
    """Notes of the fit with the run added."""
    runs, names = [run.name for run in after.problem.scenario.runs], compared.prediction.compounds
    own = len(runs) - 1
    told = {
        f"{description(each, runs, names)} {mend(each, runs, names)}": each
        for each in after.problem.fit.suspects
    }
    notes = []
    for line in after.problem.fit.warnings:
        suspect = told.get(line)
        if suspect is not None and suspect.run == own:
            off = (compared.found - compared.prediction.retention) / compared.time_sd
            if abs(off[suspect.compound]) < UNSUSPECTED:
                continue
            suspect = _as_found(compared, suspect)
            line = f"{description(suspect, runs, names)} {mend(suspect, runs, names)}"
        notes.append(line)
    return notes


def _as_found(compared: Comparison, suspect: Suspect) -> Suspect:
    """A suspicion in times of the table, with one that may have been meant only where a single slip leads to it."""
    m = suspect.compound
    shift = 0.0 if compared.causes.cause is None else float(compared.causes.cause.shift[m])
    time, expected = float(compared.found[m]), suspect.expected + shift
    slip = intended_time(time, expected, suspect.expected_error)
    meant = slip.time if slip is not None and slip.telling else None
    kind = "foreign" if suspect.kind == "mistyped" and meant is None else suspect.kind
    return replace(suspect, kind=kind, time=time, expected=expected, intended=meant)
