"""The page of owned columns side by side."""

from __future__ import annotations

from optimizer.goal.cautions import PLANNING
from optimizer.methods.columns.choice import ColumnChoice
from optimizer.results.adapt import COLUMN_HEADINGS, column_cautions, column_rows, columns_lead, columns_notes
from optimizer.results.set_points import program_lines
from optimizer.show.console.common import grid_of
from optimizer.show.pages.page import page
from optimizer.show.pages.report_candidate import as_image
from optimizer.show.pictures.chromatograms import picture
from optimizer.show.pictures.front import columns_figure


def columns_html(choice: ColumnChoice) -> str:
    """columns.html: the front as a picture, the table, the best program."""
    best, ambient = choice.best, choice.scenario.ambient_pressure
    able = [each for each in choice.each if each.prediction is not None]
    image = as_image(picture(columns_figure(able, choice.front), "svg")) if able else ""
    return page(
        "columns.html.j2",
        title=choice.scenario.title,
        lead=columns_lead(choice),
        image=image,
        table=grid_of(COLUMN_HEADINGS, column_rows(choice)),
        program=() if best is None or best.program is None else program_lines(best.program, ambient),
        notes=columns_notes(choice),
        cautions=column_cautions(choice),
        planning=PLANNING,
    )
