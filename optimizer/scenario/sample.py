"""What of the peak tables belongs to the sample: compounds that a scenario leaves out."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import replace
from pathlib import Path

from optimizer.runs.peak_tables import PeakTable
from optimizer.scenario.data import AnalyteDetail, Near, Scenario
from optimizer.scenario.peak_names import Lookalikes
from optimizer.scenario.schema import ScenarioTable


def left_out_problems(file: Path, table: ScenarioTable, peaks: Sequence[PeakTable]) -> Iterator[str]:
    """What cannot be right in `leave_out`, one sentence each."""
    names = [name for each in peaks for name in each.compounds] or list(table.compounds)
    known = Lookalikes(names)
    for number, name in enumerate(table.leave_out, 1):
        if name not in known:
            near = known.nearest(name)
            where = "in none of the peak tables" if peaks else "not in compounds"
            hint = f"; did you mean {near!r}?" if near else ""
            yield f'{file}: leave_out[{number}] = "{name}": is {where}{hint}'
    for run, each in zip(table.scouting_runs, peaks, strict=True):
        if each.named and set(each.compounds) <= set(table.leave_out):
            yield f"{file}: leave_out: leaves no peak of run {run.name!r}; leave the run out instead"


def without(peaks: PeakTable, names: Collection[str]) -> PeakTable:
    """A peak table without some compounds."""
    return peaks.only(set(peaks.compounds) - set(names)) if names else peaks


def rules_without(scenario: Scenario) -> Scenario:
    """The scenario without what analytes, pairs and groups say about compounds that it leaves out."""
    gone = set(scenario.left_out)
    if not gone:
        return scenario
    groups = [
        replace(each, members=tuple(name for name in each.members if name not in gone))
        for each in scenario.groups
    ]
    return replace(
        scenario,
        analytes=tuple(_near_without(each, gone) for each in scenario.analytes if each.compound not in gone),
        pairs=tuple(each for each in scenario.pairs if not gone & set(each.between)),
        groups=tuple(each for each in groups if each.members),
    )


def _near_without(detail: AnalyteDetail, gone: set[str]) -> AnalyteDetail:
    if detail.near is None:
        return detail
    names = tuple(name for name in detail.near.compounds if name not in gone)
    return replace(detail, near=Near(names, detail.near.within) if names else None)
