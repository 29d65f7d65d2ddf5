"""Runs in which amounts or the system's decay move peaks: how much, and the fit of what they would be without.

How far apexes of runs of one program with different amounts lie apart gives a compound's load (`peaks.overload`); where
there are no such runs it is given. Times and widths less what the load does to them are fitted as those of
traces, and again until that settles: what it does hangs on retention and efficiency, which the next fit has better. The
same goes for what the system's decay does to them (`peaks.tails`), hold-up times among them.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from models.column.programs import Array, batch_of
from models.column.retention import UNRETAINED
from models.fit.fit import Fit, Run
from models.fit.tails import own_tailing
from models.peaks.migration import migrate, migration_tables
from models.peaks.overload import LARGEST, Lean, shape_of
from models.peaks.resolution import HALF_HEIGHT_WIDTH
from models.peaks.tails import before_decay

ROUNDS, SETTLED = 4, 0.02  # fits, and the change [s] of what is taken off times at which they rest
TELLING = 2.0  # standard deviations by which two apexes must lie apart to tell a load

FitOf = Callable[[Sequence[Run]], Fit]


def fit_with_shapes(
    fit_of: FitOf,
    runs: Sequence[Run],
    factors: Array,
    stated: Array | None,
    time_constant: float = 0.0,
    tailing: Array | None = None,
) -> Fit:
    """The fit of M compounds as traces no system widens, with their loads and tailing factors.

    Parameters
    ----------
    fit_of : fits runs as if no system had a decay
    factors : (R,) array, amounts in a run over those that loads are for
    stated : (M,) array, loads to take where no two runs tell; 0 where nothing is known. None: amounts move nothing
    time_constant : [s], of the system's decay
    tailing : (M,) array, tailing factors stated for what enters it, nan where those measured tell

    Returns
    -------
    Fit whose `load` (M,) is zero where nothing is known; `load_sd` is nan where it was stated. `tailing` is that before
    the decay, None without one
    """
    fit, taken = fit_of(runs), np.zeros((len(runs), runs[0].retention.size))
    load, sd, own = stated, None, None
    for _ in range(ROUNDS):
        if stated is not None:
            load, sd = _loads(fit, runs, factors, stated)
        loads = [None if load is None else factor * load for factor in factors]
        fit = replace(fit, system=replace(fit.system, time_constant=time_constant), tailing=own)
        leans = [_lean(fit, run, each) for run, each in zip(runs, loads, strict=True)]
        if time_constant:
            own = _own_tailing(fit, runs, leans, tailing)
            fit = replace(fit, tailing=own)
            leans = [_lean(fit, run, each) for run, each in zip(runs, loads, strict=True)]
        shift = np.array([np.nan_to_num(each.shift[0]) for each in leans])
        if np.abs(shift - taken).max() < SETTLED:
            break
        taken = shift
        fit = fit_of([_as_trace(fit, run, each) for run, each in zip(runs, leans, strict=True)])
    system = replace(fit.system, time_constant=time_constant)
    warnings = (*_about_decay(time_constant, runs), *fit.warnings)
    return replace(fit, system=system, load=load, load_sd=sd, tailing=own, warnings=warnings)


def _about_decay(time_constant: float, runs: Sequence[Run]) -> list[str]:
    """That measured peaks are narrower than a decay alone makes them."""
    least = np.log(2.0) * time_constant
    widths = np.array([run.width_half for run in runs])
    narrow = int((widths <= least).sum())
    if not narrow:
        return []
    return [
        f"A response time of {time_constant:g} s alone makes peaks {least:.2g} s wide at half height: {narrow} of "
        f"{np.isfinite(widths).sum()} measured widths are narrower and were not used. It must be shorter."
    ]


def _lean(fit: Fit, run: Run, load: Array | None) -> Lean:
    """A run's peaks (1, M) at given loads (M,), if any."""
    some = None if load is None else np.where(load == 0, 1e-30, load)  # so that all of them are summed
    controlled = run.program.carrier.controlled
    tables = migration_tables(fit.system, fit.retention, controlled, fit.diffusion, some, fit.tailing)
    found = migrate(tables, batch_of([run.program]), "polish").lean
    assert found is not None
    return found


def _as_trace(fit: Fit, run: Run, lean: Lean) -> Run:
    """The run as it would be with next to nothing of each compound, and without the system's decay."""
    tau, ratio = fit.system.time_constant, np.nan_to_num(lean.width[0] / lean.sigma[0], nan=1.0)
    own = np.ones(ratio.shape) if fit.tailing is None else fit.tailing
    sigma = before_decay(run.width_half / HALF_HEIGHT_WIDTH, tau, own)
    return replace(
        run,
        retention=run.retention - np.nan_to_num(lean.shift[0]),
        width_half=HALF_HEIGHT_WIDTH * sigma / ratio,
        hold_up=None if run.hold_up is None else run.hold_up - _marker_shift(fit, run),
    )


def _marker_shift(fit: Fit, run: Run) -> float:
    """By how much [s] the system makes an unretained peak late."""
    if not fit.system.time_constant:
        return 0.0
    tables = migration_tables(fit.system, UNRETAINED, run.program.carrier.controlled)
    found = migrate(tables, batch_of([run.program]), "polish").lean
    assert found is not None
    return float(np.nan_to_num(found.shift[0, 0]))


def _own_tailing(fit: Fit, runs: Sequence[Run], leans: Sequence[Lean], stated: Array | None) -> Array:
    """Tailing factors (M,) before the system's decay: stated, else those by which the measured ones come out."""
    missing = np.full(len(fit.retention), np.nan)
    measured = np.array([missing if run.tailing is None else run.tailing for run in runs])
    sigma = np.hypot([each.width[0] for each in leans], np.sqrt(fit.system.detector_variance))
    own = own_tailing(measured, sigma, fit.system.time_constant)
    leaning = np.array([each.R[0] for each in leans])
    own = np.where((np.abs(leaning) > 1e-6).any(axis=0), 1.0, own)  # what was measured of those is their lean
    return own if stated is None else np.where(np.isnan(stated), own, stated)


def _loads(fit: Fit, runs: Sequence[Run], factors: Array, stated: Array) -> tuple[Array, Array]:
    """Loads and their standard deviations (M,)."""
    load, sd = stated.copy(), np.full(len(stated), np.nan)
    pairs = [
        (a, b) if factors[a] < factors[b] else (b, a)
        for a, b in combinations(range(len(runs)), 2)
        if runs[a].program == runs[b].program and factors[a] != factors[b]
    ]
    if not pairs:
        return load, sd
    each = np.ones(len(stated))
    leans = {a: _lean(fit, runs[a], each) for pair in pairs for a in pair}  # R for a load of one
    for m in range(len(stated)):
        seen = [pair for pair in pairs if np.isfinite([runs[each].retention[m] for each in pair]).all()]
        of_one = np.array([[leans[each].R[0, m] for each in pair] for pair in seen]).reshape(-1, 2)
        if not seen or not np.isfinite(of_one).all() or (of_one <= 0).any():
            continue
        found = _load(runs, factors, m, seen, of_one, [leans[a].sigma[0, m] for a, _ in seen])
        if found is not None:
            load[m], sd[m] = found
    return load, sd


def _load(
    runs: Sequence[Run],
    factors: Array,
    m: int,
    pairs: Sequence[tuple[int, int]],
    of_one: NDArray[np.float64],
    sigma: Sequence[float],
) -> tuple[float, float] | None:
    """The load that puts the apexes of pairs of runs as far apart as they are, and its standard deviation."""
    index = np.array(pairs)
    later = np.array([runs[b].retention[m] - runs[a].retention[m] for a, b in pairs])
    variance = np.array([runs[a].repeatability ** 2 + runs[b].repeatability ** 2 for a, b in pairs])
    both, sigmas = factors[index] * of_one, np.array(sigma)

    def apart(load: float) -> Array:
        apex = shape_of(load * both).apex
        result: Array = sigmas * (apex[:, 1] - apex[:, 0])
        return result

    most = LARGEST / float(both.max())
    if abs((later / variance).sum()) < TELLING * np.sqrt((1 / variance).sum()):
        return None

    def off(load: float) -> float:
        return float(((apart(load) - later) / variance).sum())

    if off(-most) > 0 or off(most) < 0:
        return None
    load = float(brentq(off, -most, most, xtol=1e-9 * most))
    step = 1e-4 * most * (1e-3 + abs(load) / most)
    slope = float(((apart(load + step) - apart(load - step)) / variance).sum()) / (2 * step)
    return load, float(np.sqrt((1 / variance).sum()) / slope) if slope > 0 else float("inf")
