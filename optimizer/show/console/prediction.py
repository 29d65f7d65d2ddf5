"""A fit and a predicted chromatogram for people at a terminal."""

from __future__ import annotations

import numpy as np
from rich.console import Console
from rich.markup import escape

from optimizer.base.numbers import MINUTES, VALLEY, beside_needed
from optimizer.results.fit import ENTHALPY, RESIDUAL, T0, THETA, FitResult
from optimizer.results.prediction import (
    ELUTION,
    FACTOR,
    INTACT_PERCENT,
    INTERVALS,
    PredictedPeak,
    PredictionResult,
)
from optimizer.results.reliability import at_risk_text, reliability_text
from optimizer.results.set_points import program_lines
from optimizer.show.console.common import Grid, Row, show_cautions, show_not_to_be_run, show_warnings

MEANING = (
    "T0: temperature at which the retention factor is 1; theta: the rise of temperature that divides it by e there; "
    "residual: predicted - measured retention time. ± is half of a 95 % interval."
)
HEADINGS = (
    "compound",
    "retention, min",
    "width at half height, min",
    "elution, °C",
    "k at elution",
    "Rs to next",
)


def parameter_grid(result: FitResult) -> Grid:
    """Retention parameters and residuals, which console and page show alike."""
    runs = [run.name for run in result.scenario.runs]
    headings = ("compound", "T0, °C", "theta, K", "enthalpy, kJ/mol", *(f"residual {run}, s" for run in runs))
    rows = [
        Row(
            each.compound,
            (
                T0.interval(each.T0, each.T0_sd),
                THETA.interval(each.theta, each.theta_sd),
                ENTHALPY.text(each.enthalpy),
                *(RESIDUAL.text(each.residual[run]) for run in runs),
            ),
            False,
        )
        for each in result.compounds
    ]
    return Grid(headings, tuple(rows))


def show_fit(console: Console, result: FitResult) -> None:
    """Retention parameters and residuals, the column as fitted, and warnings."""
    console.print(parameter_grid(result))
    console.print(MEANING)
    console.print(escape(result.column_text))
    show_warnings(console, result.warnings)


def show_prediction(console: Console, result: PredictionResult) -> None:
    """What it breaks of the equipment, program, peak table, critical pair, pass probability, warnings."""
    prediction, peaks = result.prediction, result.peaks
    show_not_to_be_run(console, result.breaks_equipment)
    console.print(
        "; ".join(program_lines(prediction.program, result.problem.scenario.ambient_pressure)), markup=False
    )
    heat = {
        "intact, %": [INTACT_PERCENT.text(each.intact) for each in peaks],
        "hot for, min": [MINUTES.text(each.time_above) for each in peaks],
    }
    heat = {heading: cells for heading, cells in heat.items() if set(cells) != {"–"}}
    pair = prediction.critical_pair or ()
    rows = [
        Row(
            each.compound + _marks(each, pair),
            (
                each.retention_text,
                each.width_text,
                ELUTION.text(each.elution),
                FACTOR.text(each.retention_factor),
                each.resolution_text,
                *(cells[number] for cells in heat.values()),
            ),
            each.compound in pair,
        )
        for number, each in enumerate(peaks)
    ]
    console.print(Grid((*HEADINGS, *heat), tuple(rows)))
    critical = "–"
    if pair:
        valley = "" if np.isnan(prediction.valley) else f", valley {VALLEY.text(prediction.valley)} %"
        needed = beside_needed(prediction.min_resolution, prediction.critical_needed)
        critical = f"{' and '.join(pair)}: {needed}{valley}"
    at_risk = at_risk_text(result.reliability)
    between = f"pair at risk {at_risk}; " if at_risk else ""
    console.print(
        f"Run time {MINUTES.text(prediction.run_time)} min; {escape(between)}Rs of the critical pair {escape(critical)}"
    )
    if result.reliability is not None:
        console.print(escape(reliability_text(result.reliability)))
    for name, text in result.detector.lines():
        console.print(escape(f"{name}: {text}"))
    if np.isfinite(prediction.retention_sd).any():
        console.print(INTERVALS)
    show_warnings(console, result.other_warnings, result.problem.warnings)
    show_cautions(console, result.cautions_in_brief)


def _marks(peak: PredictedPeak, pair: tuple[str, ...]) -> str:
    """What stands behind a name: its role, and whether it is of the critical pair."""
    role = "" if peak.role == "target" else f" ({peak.role})"
    return role + (" (critical)" if peak.compound in pair else "")
