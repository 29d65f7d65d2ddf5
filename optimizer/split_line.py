"""The flows of the inlet as a person sets them: column, split, septum purge, total."""

from __future__ import annotations

from dataclasses import dataclass

from models.programs import Array
from models.units import SECONDS_PER_MINUTE, flow_mL_min
from optimizer.instrument_data import Inlet
from optimizer.set_points import typed

STEADY = 0.005  # relative change of a flow below which it is told as one figure


@dataclass(frozen=True)
class Flow:
    """A flow of the inlet over a run [mL/min]: at the start, at its smallest and at its largest."""

    start: float
    smallest: float
    largest: float

    def text(self) -> str:
        """One figure where it hardly changes, else the start and the range."""
        start = _figure(self.start)
        if self.largest - self.smallest <= STEADY * self.largest:
            return f"{start} mL/min"
        return (
            f"{start} mL/min at the start, {_figure(self.smallest)} to {_figure(self.largest)} over the run"
        )


@dataclass(frozen=True)
class SplitLine:
    """Flows of the inlet during a program.

    Attributes
    ----------
    column, total : Flow
    split : Flow or None where there is no split, or its ratio is not stated
    septum_purge : float  [mL/min]
    """

    inlet: Inlet
    column: Flow
    split: Flow | None
    septum_purge: float
    total: Flow

    def lines(self) -> tuple[tuple[str, str], ...]:
        """What to set, as names and texts."""
        inlet = self.inlet
        rows = [("Inlet", inlet.mode), ("Column flow", self.column.text())]
        if inlet.mode == "splitless":
            opens = (
                ""
                if inlet.purge_on is None
                else f", opens at {typed(inlet.purge_on / SECONDS_PER_MINUTE)} min"
            )
            rows.append(("Split vent", f"closed at injection{opens}"))
        if self.split is not None:
            after = " once the vent is open" if inlet.mode == "splitless" else ""
            rows.append(("Split", f"ratio {inlet.split_ratio:g}:1, {self.split.text()}{after}"))
        rows.append(("Septum purge", f"{typed(self.septum_purge)} mL/min"))
        rows.append(("Total flow", self.total.text()))
        return tuple(rows)


def split_line(inlet: Inlet, column_flow: Array) -> SplitLine | None:
    """The flows of an inlet; None when nothing is known of it.

    A split ratio is taken to be held all along, so that split and total flow follow the column flow.

    Parameters
    ----------
    column_flow : (Q,) array  [m3/s], over a run
    """
    if inlet.mode == "split" and inlet.split_ratio is None:
        return None
    split = None if not inlet.split_ratio else _over(column_flow * inlet.split_ratio)
    return SplitLine(
        inlet,
        _over(column_flow),
        split,
        float(flow_mL_min(inlet.septum_purge)),
        _over(inlet.total_flow(column_flow)),
    )


def _over(flow: Array) -> Flow:
    values = flow_mL_min(flow)
    return Flow(float(values[0]), float(values.min()), float(values.max()))


def _figure(value: float) -> str:
    return f"{value:.2f}" if value < 10 else f"{value:.1f}"
