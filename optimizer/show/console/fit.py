"""The result of a fit for people at a terminal."""

from __future__ import annotations

from rich.console import Console
from rich.markup import escape

from optimizer.results.fit import ENTHALPY, RESIDUAL, T0, THETA, FitResult
from optimizer.show.console.common import show_warnings
from optimizer.show.console.grid import Grid, Row

MEANING = (
    "T0: temperature at which the retention factor is 1; theta: the rise of temperature that divides it by e there; "
    "residual: predicted - measured retention time. ± is half of a 95 % interval."
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
