"""The peaks command: what was found in a recorded trace, to be looked at before it is used."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from optimizer.app.options import Force, Out
from optimizer.runs.detection import MIN_WIDTH_RANGE_S, SIGNAL_TO_NOISE_RANGE

MinSignalToNoise = Annotated[
    float | None,
    typer.Option(
        help="Smallest of a peak, 2 H/h; 3 when left out.",
        min=SIGNAL_TO_NOISE_RANGE[0],
        max=SIGNAL_TO_NOISE_RANGE[1],
        show_default=False,
    ),
]
MinWidth = Annotated[
    float | None,
    typer.Option(
        "--min-width-s",
        help="Smallest half-height width of a peak; from the clear peaks when left out.",
        min=MIN_WIDTH_RANGE_S[0],
        max=MIN_WIDTH_RANGE_S[1],
        show_default=False,
    ),
]
FromTrace = Annotated[
    bool, typer.Option("--from-trace", help="Find peaks even if the file lists some itself.")
]


def peaks_of_file(
    file: Annotated[
        Path,
        typer.Argument(
            help="A recorded trace: ASTM E1947 (netCDF classic), or a CSV time_min,signal.",
            show_default=False,
        ),
    ],
    min_signal_to_noise: MinSignalToNoise = None,
    min_width_s: MinWidth = None,
    from_trace: FromTrace = False,
    out: Out = None,
    force: Force = False,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print one JSON document on stdout and nothing else.")
    ] = False,
) -> None:
    """The peaks in a recorded trace, as a picture and a peak table.

    They are for approval: put names in before the table becomes a scouting run.
    """
    from optimizer.app import interface
    from optimizer.app.screen import finish
    from optimizer.base.output import prepare_folder

    if out is not None:
        prepare_folder(out, "peaks", force)
    made = interface.peaks(
        file, min_signal_to_noise=min_signal_to_noise, min_width_s=min_width_s, from_trace=from_trace
    )
    finish(made, out, force, as_json)
