"""The page of a campaign's history."""

from __future__ import annotations

from optimizer.base.numbers import percent
from optimizer.campaign.history import Campaign, Stage
from optimizer.show.console.common import Grid, grid_of
from optimizer.show.pages.page import page
from optimizer.show.pages.report_candidate import as_image
from optimizer.show.pictures.chromatograms import picture
from optimizer.show.pictures.history import history_figure

HEADINGS = (
    "last run",
    "injections",
    "run time, min",
    "pass probability",
    "meets the goal",
    "expected after the proposed run, min",
    "proposed run",
)


def history_html(campaign: Campaign) -> str:
    """history.html: run time and pass probability over injections."""
    drawn = [each for each in campaign.stages if each.run_time_min is not None]
    image = as_image(picture(history_figure(drawn), "svg")) if drawn else ""
    return page("history.html.j2", image=image, stages=stage_grid(campaign))


def stage_grid(campaign: Campaign) -> Grid:
    """One row a stage."""
    return grid_of(HEADINGS, [_row(each) for each in campaign.stages], texts=(0, 6))


def _row(stage: Stage) -> list[str]:
    def number(value: float | None) -> str:
        return "–" if value is None else f"{value:.2f}"

    expected = number(stage.expected_min)
    if stage.low_min is not None and stage.high_min is not None:
        expected += f" ({stage.low_min:.2f} to {stage.high_min:.2f})"
    return [
        stage.last_run,
        str(stage.injections),
        number(stage.run_time_min),
        "–" if stage.pass_probability is None else percent(stage.pass_probability),
        "yes" if stage.meets_goal else "no",
        expected,
        stage.proposed or "–",
    ]
