"""The peaks command: what was found in a recorded trace, to be looked at before it is used."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from optimizer.documents import Document
    from optimizer.trace_peaks import Picked


def peaks_of_file(
    file: Annotated[
        Path,
        typer.Argument(
            help="A recorded trace: ASTM E1947 (netCDF classic), or a CSV time_min,signal.",
            show_default=False,
        ),
    ],
    min_signal_to_noise: Annotated[
        float | None,
        typer.Option(help="Smallest of a peak, 2 H/h; 3 when left out.", min=0.5, show_default=False),
    ] = None,
    min_width_s: Annotated[
        float | None,
        typer.Option(
            "--min-width-s",
            help="Smallest half-height width of a peak; from the clear peaks when left out.",
            min=0.001,
            show_default=False,
        ),
    ] = None,
    from_trace: Annotated[
        bool, typer.Option("--from-trace", help="Find peaks even if the file lists some itself.")
    ] = False,
    out: Annotated[
        Path | None,
        typer.Option("--out", help="Folder to write results into.", show_default=False),
    ] = None,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print one JSON document on stdout and nothing else.")
    ] = False,
) -> None:
    """The peaks in a recorded trace, as a table and a picture for approval, and as a peak table to put names in."""
    from optimizer.errors import ScenarioError
    from optimizer.output import prepare_folder, write_folder
    from optimizer.peaks_console import show_peaks
    from optimizer.peaks_document import peaks_document
    from optimizer.screen import show
    from optimizer.trace_files import read_trace
    from optimizer.trace_peaks import pick

    trace = read_trace(file)
    stated = min_signal_to_noise is not None or min_width_s is not None
    if stated and trace.listed is not None and not from_trace:
        raise ScenarioError(
            f"{file}: lists its peaks itself, which the smallest signal-to-noise and width do not change; add "
            "--from-trace to find peaks in its trace instead"
        )
    picked = pick(trace, file, min_signal_to_noise, min_width_s, from_trace)
    document = peaks_document(picked, file)
    if out is not None:
        prepare_folder(out)
        write_folder(out, _files(picked, document, file))
    show(document, as_json, show_peaks)


def _files(picked: Picked, document: Document, file: Path) -> dict[str, bytes]:
    """peaks.csv, peaks.json and, where there is a trace, peaks.png."""
    from optimizer.candidate_document import csv_bytes, json_bytes
    from optimizer.peak_tables import COLUMNS
    from optimizer.peaks_document import table_rows

    files = {
        "peaks.json": json_bytes(document),
        "peaks.csv": csv_bytes(COLUMNS, table_rows(picked)),
    }
    if picked.search is not None:
        from optimizer.peaks_plots import peaks_figure
        from optimizer.plots import picture

        files["peaks.png"] = picture(peaks_figure(picked, file.name), "png")
    return files
